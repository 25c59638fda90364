"""Solved circuits against answers from elsewhere: exact rational nodal analysis, bisection, closed forms."""

from __future__ import annotations

import random
from fractions import Fraction

import numpy as np
import oracles
import pytest

from diagnose.circuit.netlist import (
    Add,
    Case,
    Change,
    Device,
    Element,
    Force,
    Move,
    Netlist,
    Open,
    Reverse,
)
from diagnose.circuit.solve import Start, compile_netlist, settle_cases, settle_one, solve_cases
from diagnose.circuit.thevenin import thevenin
from diagnose.errors import CircuitError, DidNotConverge

LEAK = Fraction(1, 10**8)
# Rounding of a source's current (14 V / 10 mohm) into the largest resistance of the random networks (5 Mohm).
ROUNDING = 5e-6


def resistor(name: str, plus: str, minus: str, ohms: float) -> Element:
    return Element(name, "resistor", plus, minus, {"resistance": ohms})


def source(name: str, plus: str, minus: str, emf: float, ohms: float) -> Element:
    return Element(name, "source", plus, minus, {"emf": emf, "resistance": ohms})


def lamp(name: str, plus: str, minus: str, volts: float, watts: float, ratio: float = 13.0) -> Element:
    return Element(
        name, "lamp", plus, minus, {"rated_volts": volts, "rated_watts": watts, "cold_ratio": ratio}
    )


def random_network(rng: random.Random, size: int) -> list[Element]:
    """A connected linear network with joints of 0.1 mohm beside 5 Mohm, and a few sources."""
    nodes = ["gnd", *(f"n{i}" for i in range(size - 1))]
    pairs = [(nodes[i], nodes[rng.randrange(i)]) for i in range(1, size)]
    pairs += [tuple(rng.sample(nodes, 2)) for _ in range(size // 2)]
    out = []
    for i, (plus, minus) in enumerate(pairs):
        ohms = 10 ** rng.uniform(-4, 6.69)
        if rng.random() < 0.3:
            out.append(source(f"e{i}", plus, minus, rng.uniform(-14, 14), max(ohms, 0.01)))
        else:
            out.append(resistor(f"e{i}", plus, minus, ohms))
    return out


def exact_branches(elements: list[Element], ground: str = "gnd") -> list[oracles.Branch]:
    """The same network for the oracle, leakage from chain ends included (a rule of the netlist format)."""
    branches = []
    degree: dict[str, int] = {}
    for e in elements:
        g = 1 / max(Fraction(e.values["resistance"]), Fraction(1e-4))
        branches.append((e.plus, e.minus, g, g * Fraction(e.values.get("emf", 0.0))))
        for node in (e.plus, e.minus):
            degree[node] = degree.get(node, 0) + 1
    branches += [(n, ground, LEAK, Fraction(0)) for n, d in degree.items() if d != 2 and n != ground]
    return branches


@pytest.mark.parametrize("seed", range(60))
def test_linear_networks_agree_with_exact_rational_nodal_analysis(seed: int) -> None:
    """Oracle: Gauss elimination in fractions. Ohms are spread over 11 decades."""
    rng = random.Random(seed)
    elements = random_network(rng, rng.randrange(3, 13))
    exact = oracles.exact_volts(exact_branches(elements), "gnd")
    solution = settle_one(Netlist(tuple(elements), (), "gnd"))
    for node in solution.nodes:
        assert solution.at(node)[0] == pytest.approx(float(exact[node]), abs=ROUNDING, rel=1e-12)


@pytest.mark.parametrize("seed", range(20))
def test_edits_give_the_volts_of_the_network_built_that_way(seed: int) -> None:
    """Oracle: the edited network written out by hand and solved in fractions. One batch, mixed edits."""
    rng = random.Random(1000 + seed)
    elements = random_network(rng, 9)
    nodes = sorted({n for e in elements for n in (e.plus, e.minus)})
    cases, built = [], []
    for _ in range(12):
        now = {e.id: e for e in elements}
        edits = []
        for _ in range(rng.randrange(3)):
            target = rng.choice(list(now))
            e = now[target]
            kind = rng.choice(["change", "open", "reverse", "move", "add"])
            if kind == "change":
                ohms = 10 ** rng.uniform(-4 if e.law == "resistor" else -2, 6)
                edits.append(Change(target, "resistance", ohms))
                now[target] = Element(e.id, e.law, e.plus, e.minus, {**e.values, "resistance": ohms})
            elif kind == "open":
                edits.append(Open(target))
                now[target] = Element(e.id, "gone", e.plus, e.minus, e.values)
            elif kind == "reverse":
                edits.append(Reverse(target))
                now[target] = Element(e.id, e.law, e.minus, e.plus, e.values)
            elif kind == "move":
                to = rng.choice([n for n in nodes if n != e.minus])
                edits.append(Move(target, "plus", to))
                now[target] = Element(e.id, e.law, to, e.minus, e.values)
            else:
                a, b = rng.sample([*nodes, "fresh"], 2)
                extra = resistor(f"extra{len(edits)}", a, b, 10 ** rng.uniform(-3, 4))
                edits.append(Add(extra))
                now[extra.id] = extra
        cases.append(Case(tuple(edits)))
        built.append([e for e in now.values() if e.law != "gone"])
    solution = settle_cases(compile_netlist(Netlist(tuple(elements), (), "gnd")), cases)
    assert solution.converged.all()
    for column, network in enumerate(built):
        # a loop cut off from ground needs something to hold it: what the solver calls 0 V is left out
        try:
            exact = oracles.exact_volts(exact_branches(network), "gnd")
        except ZeroDivisionError:
            assert solution.floating[:, column].any()
            continue
        for node in solution.nodes:
            if node in exact:
                assert solution.at(node)[column] == pytest.approx(float(exact[node]), abs=ROUNDING, rel=1e-12)


@pytest.mark.parametrize("seed", range(20))
def test_two_terminal_resistance_agrees_with_exact_rational_nodal_analysis(seed: int) -> None:
    """Oracle: volts for a unit current, in fractions."""
    rng = random.Random(2000 + seed)
    elements = random_network(rng, 10)
    solution = settle_one(Netlist(tuple(elements), (), "gnd"))
    for _ in range(4):
        plus, minus = rng.sample(list(solution.nodes), 2)
        exact = oracles.exact_resistance(exact_branches(elements), plus, minus)
        assert thevenin(solution, plus, minus)[1][0] == pytest.approx(float(exact), rel=1e-9, abs=1e-12)


def test_a_joint_beside_an_open_keeps_its_last_digits() -> None:
    """0.1 mohm in front of nothing but leakage: the drop is emf x 1e-4 / 1e8, closed form."""
    net = Netlist((source("b", "p", "gnd", 12.0, 0.01), resistor("j", "p", "q", 1e-4)), (), "gnd")
    solution = settle_one(net)
    # q is a chain end (one branch): 100 Mohm to ground; p has two branches: none
    expected = 12.0 * 1e8 / (1e8 + 1e-4 + 0.01)
    assert solution.at("q")[0] == pytest.approx(expected, rel=1e-15)
    assert thevenin(solution, "p", "q")[1][0] == pytest.approx(1e-4, rel=1e-9)


# Lamps: the solved cases, by bisection on I = I0 (V/V0)^0.55 (Fink & Beaty, Standard Handbook for
# Electrical Engineers, 11th ed. 1978, p. 22-8). Volts on the lamp, amperes.
LAMP_CASES = [
    (12.6, 0.5, 12.0, 21.0, 11.736, 1.729),
    (12.6, 2.0, 12.0, 21.0, 9.519, 1.541),
    (13.8, 0.05, 12.0, 55.0, 13.555, 4.901),
    (6.3, 0.20, 6.0, 21.0, 5.624, 3.378),
]


@pytest.mark.parametrize(("emf", "ohms", "rated", "watts", "volts", "amps"), LAMP_CASES)
def test_a_lamp_behind_a_resistance(
    emf: float, ohms: float, rated: float, watts: float, volts: float, amps: float
) -> None:
    net = Netlist((source("s", "a", "gnd", emf, ohms), lamp("l", "a", "gnd", rated, watts)), (), "gnd")
    solution = settle_one(net)
    assert solution.at("a")[0] == pytest.approx(volts, rel=1e-3)
    assert solution.current("l")[0] == pytest.approx(amps, rel=1e-3)
    exact = oracles.filament_behind(emf, ohms, rated, watts)
    assert (solution.at("a")[0], solution.current("l")[0]) == pytest.approx(exact, rel=1e-6)


def test_a_lost_common_earth_puts_the_small_lamp_in_series_with_the_big_one() -> None:
    """12.6 V, 21 W/12 V in series with 5 W/13.5 V: 0.632 and 11.968 V, 0.347 A (bisection on the law)."""
    net = Netlist(
        (
            source("s", "a", "gnd", 12.6, 1e-4),
            lamp("big", "a", "m", 12.0, 21.0),
            lamp("small", "m", "gnd", 13.5, 5.0),
        ),
        (),
        "gnd",
    )
    solution = settle_one(net)
    assert solution.across("big")[0] == pytest.approx(0.632, abs=0.002)
    assert solution.across("small")[0] == pytest.approx(11.968, abs=0.002)
    assert solution.current("small")[0] == pytest.approx(0.347, abs=0.001)
    amps, volts = oracles.filaments_in_series(12.6, 1e-4, [(12.0, 21.0), (13.5, 5.0)])
    assert solution.across("big")[0] == pytest.approx(volts[0], rel=1e-5)
    assert solution.current("big")[0] == pytest.approx(amps, rel=1e-5)


def test_two_equal_lamps_in_series_share_the_volts() -> None:
    """12.6 V, two 21 W/12 V: 6.30 V each, 1.228 A (bisection on the law)."""
    net = Netlist(
        (
            source("s", "a", "gnd", 12.6, 1e-4),
            lamp("l", "a", "m", 12.0, 21.0),
            lamp("k", "m", "gnd", 12.0, 21.0),
        ),
        (),
        "gnd",
    )
    solution = settle_one(net)
    assert solution.at("m")[0] == pytest.approx(6.30, abs=0.005)
    assert solution.current("l")[0] == pytest.approx(1.228, rel=1e-3)


def test_lamp_current_rises_with_the_power_0_55_of_volts() -> None:
    """Exponent by Fink & Beaty (1978) p. 22-8, read from the slope between 3 and 12 V."""
    net = Netlist((source("s", "a", "gnd", 1.0, 1e-4), lamp("l", "a", "gnd", 12.0, 21.0)), (), "gnd")
    solution = settle_cases(compile_netlist(net), [Case((Change("s", "emf", v),)) for v in (3.0, 12.0)])
    amps, volts = solution.current("l"), solution.at("a")
    assert np.log(amps[1] / amps[0]) / np.log(volts[1] / volts[0]) == pytest.approx(0.55, abs=1e-6)
    assert amps[1] == pytest.approx(1.75, rel=1e-3)  # 21 W / 12 V


@pytest.mark.parametrize("ratio", [10.0, 13.0, 16.0])
def test_a_cold_filament_has_the_stated_share_of_its_hot_resistance(ratio: float) -> None:
    """Cold over hot about 1/13 for signal lamps, 1/16 halogen (common practice); seen near zero volts."""
    net = Netlist((source("s", "a", "gnd", 1e-3, 1e-4), lamp("l", "a", "gnd", 12.0, 55.0, ratio)), (), "gnd")
    solution = settle_one(net)
    assert solution.at("a")[0] / solution.current("l")[0] == pytest.approx(12.0**2 / 55.0 / ratio, rel=1e-6)


def test_a_diode_drops_what_shockley_says() -> None:
    """Oracle: bisection on I = IS (exp(V / (N Vt)) - 1) at 27 C, Vt = 25.8649 mV."""
    values = {"saturation_current": 1e-9, "emission": 1.8}
    net = Netlist((source("s", "a", "gnd", 12.6, 6.0), Element("d", "diode", "a", "gnd", values)), (), "gnd")
    expected = oracles.root(lambda v: 1e-9 * np.expm1(v / (1.8 * 0.0258649)) * 6.0 + v - 12.6, 0.0, 2.0)
    assert settle_one(net).at("a")[0] == pytest.approx(expected, abs=2e-5)
    back = settle_cases(compile_netlist(net), [Case((Reverse("d"),))])
    assert back.at("a")[0] == pytest.approx(12.6, abs=1e-6)


def tiny_loom() -> Netlist:
    """Battery, fuse, switch, two lamps on one ground wire, a diode."""
    return Netlist(
        (
            source("battery", "b", "gnd", 12.6, 0.02),
            Element("fuse", "fuse", "b", "f", {"resistance": 0.0077, "rating": 10.0}),
            Element("switch", "contact", "f", "s", {"resistance": 0.01, "closed": 1.0}),
            lamp("beam", "s", "e", 12.0, 55.0, 16.0),
            resistor("tail_feed", "s", "t", 0.05),
            lamp("tail", "t", "e", 13.5, 5.0),
            Element("d", "diode", "s", "x", {"saturation_current": 1e-9, "emission": 1.8}),
            resistor("load", "x", "e", 47.0),
            resistor("ground_wire", "e", "gnd", 0.03),
        ),
        (Device("blow", "fuse", {"element": ("fuse",)}, {"opens_at": 1.35}),),
        "gnd",
    )


def faults() -> list[Case]:
    return [
        Case(),
        Case((Open("ground_wire"),)),
        Case((Open("switch"),)),
        Case((Change("ground_wire", "resistance", 1.5),)),
        Case((Reverse("battery"),)),
        Case((Add(resistor("bridge", "t", "x", 100.0)),)),
        Case((Move("load", "minus", "b"),)),
        Case((Reverse("d"), Change("battery", "emf", 11.0))),
    ]


def test_currents_sum_to_zero_at_every_node_and_power_to_zero_in_every_case() -> None:
    """Kirchhoff's current law and Tellegen's theorem; leakage of 100 Mohm takes up to 4 uW."""
    net = tiny_loom()
    solution = settle_cases(compile_netlist(net), faults())
    assert solution.converged.all()
    assert solution.residual().max() < 1e-5  # 2e-6 of the largest current
    total = sum(solution.power(e.id) for e in net.elements) + solution.power("#resistor0")
    assert np.abs(total).max() < 2e-5
    assert solution.power("battery")[0] < -50  # it delivers


def test_volts_do_not_depend_on_the_order_or_names_of_nodes() -> None:
    net = tiny_loom()
    rename = {"b": "z9", "f": "y1", "s": "a0", "e": "q", "t": "r", "x": "b", "gnd": "earth"}
    other = Netlist(
        tuple(
            Element(e.id, e.law, rename[e.plus], rename[e.minus], e.values) for e in reversed(net.elements)
        ),
        net.devices,
        "earth",
    )
    a, b = settle_one(net), settle_one(other)
    for old, new in rename.items():
        assert a.at(old)[0] == pytest.approx(b.at(new)[0], abs=1e-6)


def test_linear_sources_superpose() -> None:
    """Superposition theorem: two sources together give the sum of each alone."""
    rng = random.Random(7)
    elements = random_network(rng, 8)
    elements += [source("one", "n0", "gnd", 12.0, 1.0), source("two", "n3", "n1", 5.0, 2.0)]
    sources = [e.id for e in elements if e.law == "source"]

    def only(kept: set[str]) -> Case:
        return Case(tuple(Change(s, "emf", 0.0) for s in sources if s not in kept))

    cases = [only({"one", "two"}), only({"one"}), only({"two"})]
    volts = settle_cases(compile_netlist(Netlist(tuple(elements), (), "gnd")), cases).volts
    assert np.allclose(volts[:, 0], volts[:, 1] + volts[:, 2], atol=1e-10)


def test_a_case_has_the_same_volts_alone_and_in_any_batch() -> None:
    compiled = compile_netlist(tiny_loom())
    cases = faults()
    together = settle_cases(compiled, [*cases, *reversed(cases)])
    for column, case in enumerate(cases):
        alone = settle_one(compiled, case)
        assert np.allclose(alone.volts[:, 0], together.volts[:, column], atol=1e-6)
        assert np.allclose(alone.volts[:, 0], together.volts[:, -1 - column], atol=1e-6)


def test_a_start_from_the_healthy_volts_changes_nothing_that_shows() -> None:
    compiled = compile_netlist(tiny_loom())
    healthy = settle_cases(compiled, [Case()])
    cases = faults()
    warm = settle_cases(compiled, cases, Start(healthy, np.zeros(len(cases), dtype=int)))
    cold = settle_cases(compiled, cases)
    assert np.abs(warm.volts - cold.volts).max() < 2e-6
    assert (warm.states == cold.states).all()


def test_points_behind_an_open_float_and_points_behind_a_lamp_do_not() -> None:
    compiled = compile_netlist(tiny_loom())
    solution = settle_cases(compiled, [Case(), Case((Open("fuse"), Open("ground_wire")))])
    row = {n: solution.row(n) for n in solution.nodes}
    assert not solution.floating[:, 0].any()
    assert solution.floating[[row["f"], row["s"], row["e"], row["x"]], 1].all()
    assert not solution.floating[[row["b"], row["gnd"]], 1].any()


def test_a_ring_cut_off_from_everything_reads_zero_and_floats() -> None:
    """Three lamps in a ring with no way to ground: every node has two branches, so not even leakage."""
    ring = [lamp(f"l{i}", f"r{i}", f"r{(i + 1) % 3}", 12.0, 5.0) for i in range(3)]
    net = Netlist((source("s", "a", "gnd", 12.0, 0.1), resistor("r", "a", "gnd", 10.0), *ring), (), "gnd")
    solution = settle_one(net)
    assert np.isfinite(solution.volts).all()
    assert [solution.at(f"r{i}")[0] for i in range(3)] == [0.0, 0.0, 0.0]
    assert solution.floating[solution.row("r0"), 0]


def test_holding_the_states_leaves_an_overloaded_fuse_whole() -> None:
    compiled = compile_netlist(tiny_loom())
    short = Case((Add(resistor("short", "f", "gnd", 0.02)),))
    assert settle_cases(compiled, [short]).opened(0) == ("blow",)
    held = solve_cases(compiled, [short])
    assert held.opened(0) == ()
    assert held.current("fuse")[0] > 100.0


def test_force_holds_a_contact_whatever_its_own_setting() -> None:
    compiled = compile_netlist(tiny_loom())
    off = Change("switch", "closed", 0.0)
    solution = settle_cases(
        compiled, [Case((off,)), Case((off, Force("switch", 1))), Case((Force("switch", 0),))]
    )
    assert (solution.at("s") > 6.0).tolist() == [False, True, False]


def test_a_case_without_operating_point_is_flagged_and_raised_alone() -> None:
    """A current that no piece of the law can carry: a source of 1e9 V drives a junction out of range."""
    net = Netlist(
        (
            source("s", "a", "gnd", 12.0, 1e-4),
            Element("d", "diode", "a", "gnd", {"saturation_current": 1e-9, "emission": 0.001}),
        ),
        (),
        "gnd",
    )
    with pytest.raises(DidNotConverge, match="no operating point found"):
        settle_one(net, Case((Change("s", "emf", 1e300),)))


# ---- what is refused ------------------------------------------------------------------------------


def bad(**change: object) -> Netlist:
    e = {"id": "r", "law": "resistor", "plus": "a", "minus": "gnd", "values": {"resistance": 1.0}, **change}
    return Netlist((Element(**e), resistor("other", "a", "gnd", 1.0)), (), "gnd")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("net", "text"),
    [
        (bad(law="resistr"), "element r: unknown law 'resistr'; try resistor"),
        (bad(values={}), "element r: law resistor needs resistance"),
        (bad(values={"resistance": -1.0}), "r: resistance=-1.0 is not physical; expected 0 or more"),
        (bad(values={"resistance": float("nan")}), "r: resistance=nan is not physical"),
        (bad(law="lamp", values={"rated_volts": 12.0, "rated_watts": 0.0, "cold_ratio": 13.0}), "above 0"),
        (bad(law="source", values={"emf": float("inf"), "resistance": 1.0}), "emf=inf is not a number"),
        (bad(id="other"), "element other: there are two of this name"),
        (Netlist((resistor("r", "a", "b", 1.0),), (), "gnd"), "ground gnd: nothing is joined to it"),
    ],
)
def test_a_netlist_with_a_mistake_is_refused_by_name(net: Netlist, text: str) -> None:
    with pytest.raises(CircuitError, match=text):
        compile_netlist(net)


def with_device(device: Device, *more: Device) -> Netlist:
    return Netlist(tiny_loom().elements, (device, *more), "gnd")


FUSE = Device("blow", "fuse", {"element": ("fuse",)}, {"opens_at": 1.35})


@pytest.mark.parametrize(
    ("net", "text"),
    [
        (with_device(FUSE, FUSE), "device blow: there are two of this name"),
        (with_device(Device("d", "fuze", {}, {})), "device d: unknown law 'fuze'; try fuse"),
        (with_device(Device("d", "fuse", {"elment": ("fuse",)}, {})), "device d: unknown role 'elment'"),
        (
            with_device(Device("d", "fuse", {"element": ("fuze",)}, {})),
            "device d: element: unknown element 'fuze'",
        ),
        (with_device(Device("d", "fuse", {}, {})), "device d: law fuse needs role element"),
        (
            with_device(Device("d", "fuse", {"element": ("beam",)}, {})),
            "element=beam has law lamp; expected fuse",
        ),
        (with_device(Device("d", "fuse", {"element": ("fuse",)}, {})), "device d: law fuse needs opens_at"),
        (
            with_device(FUSE, Device("e", "fuse", {"element": ("fuse",)}, {"opens_at": 2.0})),
            "element=fuse is already driven by blow",
        ),
        (
            with_device(Device("o", "output", {"output": ("switch",)}, {"minimum_volts": 8.0})),
            "device o: an output needs supply_plus_node and supply_minus_node",
        ),
        (
            with_device(Device("o", "output", {"output": ("switch",), "supply_plus_node": ("zz",)}, {})),
            "device o: supply_plus_node: unknown node 'zz'",
        ),
        (
            Netlist(
                (
                    resistor("r", "a", "gnd", 1.0),
                    Element("m", "motor", "a", "gnd", {"resistance": 0.1, "back_emf": 5.0}),
                ),
                (),
                "gnd",
            ),
            "element m: law motor settles by a device",
        ),
    ],
)
def test_a_device_with_a_mistake_is_refused_by_name(net: Netlist, text: str) -> None:
    with pytest.raises(CircuitError, match=text):
        compile_netlist(net)


@pytest.mark.parametrize(
    ("case", "text"),
    [
        (Case((Open("beem"),)), "opening of beem: unknown element 'beem'; try beam"),
        (Case((Force("swich", 1),)), "force on swich: unknown element 'swich'; try switch"),
        (Case((Move("beem", "plus", "b"),)), "move of beem: unknown element"),
        (Case((Move("beam", "top", "b"),)), "move of beam: end='top'; expected 'plus' or 'minus'"),
        (Case((Reverse("beem"),)), "reversal of beem: unknown element"),
        (Case((Change("beem", "resistance", 1.0),)), "change of beem: unknown element or device"),
        (Case((Change("beam", "resistance", 1.0),)), "change of beam: unknown value 'resistance'"),
        (Case((Change("load", "resistance", -3.0),)), "load: resistance=-3.0 is not physical"),
        (Case((Add(resistor("beam", "b", "gnd", 1.0)),)), "added element beam: there is one of this name"),
        (
            Case((Add(Element("u", "motor", "b", "gnd", {"resistance": 1.0, "back_emf": 0.0})),)),
            "added element u: law motor settles by a device",
        ),
        (
            Case((Add(resistor("u", "b", "gnd", 1.0)), Change("u", "emf", 1.0))),
            "change of u: its law has no value 'emf'",
        ),
        (Case((), (("blw", 1),)), "start state: unknown device 'blw'; try blow"),
    ],
)
def test_an_edit_of_something_that_is_not_there_is_refused_by_name(case: Case, text: str) -> None:
    with pytest.raises(CircuitError, match=text):
        settle_cases(compile_netlist(tiny_loom()), [case])


def test_unknown_names_asked_of_a_solution_are_refused_with_near_misses() -> None:
    solution = settle_one(tiny_loom())
    with pytest.raises(CircuitError, match="volts: unknown node 'bb'"):
        solution.at("bb")
    with pytest.raises(CircuitError, match="current: unknown element 'beem'; try beam"):
        solution.current("beem")
    with pytest.raises(CircuitError, match="state: unknown device 'blw'; try blow"):
        solution.state("blw")


def test_a_start_that_does_not_fit_is_refused() -> None:
    compiled = compile_netlist(tiny_loom())
    healthy = settle_cases(compiled, [Case()])
    with pytest.raises(CircuitError, match="start: 1 columns for 2 cases"):
        settle_cases(compiled, [Case(), Case()], Start(healthy, np.zeros(1, dtype=int)))
    other = settle_one(Netlist((resistor("r", "a", "gnd", 1.0),), (), "gnd"))
    with pytest.raises(CircuitError, match="start: it is a solution of another netlist"):
        settle_cases(compiled, [Case()], Start(other, np.zeros(1, dtype=int)))
