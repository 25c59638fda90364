"""What meters and lamps show, against closed forms, figures of the trade, finite differences, Monte Carlo."""

from __future__ import annotations

import random

import numpy as np
import oracles
import pytest

from diagnose.circuit import instruments
from diagnose.circuit.netlist import Add, Case, Change, Device, Element, Move, Netlist, Open, Reverse
from diagnose.circuit.solve import compile_netlist, settle_cases, settle_one
from diagnose.circuit.thevenin import resistance_spread, sensitivities, sensitivities_many, thevenin
from diagnose.errors import CircuitError

METER = 1e7


def resistor(name: str, plus: str, minus: str, ohms: float, tolerance: float = 0.0) -> Element:
    return Element(name, "resistor", plus, minus, {"resistance": ohms}, {"resistance": tolerance})


def source(name: str, plus: str, minus: str, emf: float, ohms: float) -> Element:
    return Element(name, "source", plus, minus, {"emf": emf, "resistance": ohms})


def lamp(name: str, plus: str, minus: str, volts: float, watts: float, ratio: float = 13.0) -> Element:
    values = {"rated_volts": volts, "rated_watts": watts, "cold_ratio": ratio}
    return Element(name, "lamp", plus, minus, values)


# ---- meter -----------------------------------------------------------------------------------------


def test_a_leak_of_one_megohm_shows_ghost_volts_that_a_lamp_takes_away() -> None:
    """12.6 V over 1 Mohm on a 10 Mohm meter: 11.45 V; over 100 kohm 12.48; a 4 W lamp shows next to nothing.

    Closed form 12.6 x 10 / 11; leakage of 100 Mohm at the chain end takes 0.1 V more.
    """
    net = Netlist((source("s", "a", "gnd", 12.6, 0.02), resistor("leak", "a", "p", 1e6)), (), "gnd")
    compiled = compile_netlist(net)
    cases = [Case(), Case((Change("leak", "resistance", 1e5),))]
    shown = instruments.read_volts(settle_cases(compiled, cases), [("p", "gnd")], METER)[0]
    assert shown[0] == pytest.approx(11.45, abs=0.11)
    assert shown[1] == pytest.approx(12.48, abs=0.02)
    lit = instruments.with_lamp(compiled, cases, "p", "gnd", volts=12.0, watts=4.0)
    assert np.abs(lit.volts).max() < 1e-3


def test_a_corroded_joint_reads_full_on_a_meter_and_will_not_light_a_lamp() -> None:
    """1 kohm in the feed: 12.6 V to four digits on 10 Mohm; a cold 5 W filament (2.2 ohm) gets 28 mV."""
    net = Netlist((source("s", "a", "gnd", 12.6, 0.02), resistor("joint", "a", "p", 1000.0)), (), "gnd")
    compiled = compile_netlist(net)
    assert instruments.read_volts(settle_cases(compiled, [Case()]), [("p", "gnd")], METER)[0, 0] > 12.59
    lit = instruments.with_lamp(compiled, [Case()], "p", "gnd", volts=12.0, watts=5.0)
    cold = 12.0**2 / 5.0 / 13.0
    assert lit.volts[0] == pytest.approx(12.6 * cold / (1000.0 + cold), rel=1e-3)


def test_a_meter_reading_agrees_with_the_meter_built_in() -> None:
    rng = random.Random(3)
    nodes = ["gnd", *(f"n{i}" for i in range(8))]
    elements = [source("s", "n0", "gnd", 12.0, 0.1)]
    elements += [
        resistor(f"r{i}", nodes[i + 1], nodes[rng.randrange(i + 1)], 10 ** rng.uniform(2, 6))
        for i in range(8)
    ]
    compiled = compile_netlist(Netlist(tuple(elements), (), "gnd"))
    solution = settle_cases(compiled, [Case()])
    pairs = [("n7", "gnd"), ("n3", "n5"), ("n0", "n6")]
    shown = instruments.read_volts(solution, pairs, 1e6)[:, 0]
    for (plus, minus), value in zip(pairs, shown, strict=True):
        meter = Add(resistor("meter", plus, minus, 1e6))
        built_in = settle_cases(compiled, [Case((meter,))])
        # leakage counts branches, and the built-in meter is one: it may move a chain end's 100 Mohm
        assert value == pytest.approx(built_in.between(plus, minus)[0], rel=0.02, abs=1e-6)


# ---- ohms ------------------------------------------------------------------------------------------


def dead_rear() -> Netlist:
    """Rear of a bike, battery off: brake 21 W and tail 5 W on one ground, four 21 W indicators."""
    elements = [
        source("battery", "b", "gnd", 12.6, 0.02),
        resistor("rear_ground", "rear", "gnd", 0.02),
        lamp("brake", "brake_feed", "rear", 12.0, 21.0),
        lamp("tail", "tail_feed", "rear", 13.5, 5.0),
    ]
    for side in ("left", "right"):
        elements += [
            lamp(f"{side}_rear", f"{side}_out", "rear", 12.0, 21.0),
            lamp(f"{side}_front", f"{side}_out", "gnd", 12.0, 21.0),
        ]
    return Netlist(tuple(elements), (), "gnd")


def test_cold_filaments_hide_a_missing_rear_ground_from_an_ohmmeter() -> None:
    """About 0.5 ohm through the indicators' cold filaments, 12^2 / 21 / 13 = 0.527; 3 ohm reads 0.45."""
    off = Change("battery", "emf", 0.0)
    cases = [
        Case((off,)),
        Case((off, Open("rear_ground"))),
        Case((off, Change("rear_ground", "resistance", 3.0))),
    ]
    solution = settle_cases(compile_netlist(dead_rear()), cases)
    shown = instruments.read_ohms(solution, [("rear", "gnd")])[0]
    cold = 12.0**2 / 21.0 / 13.0
    assert shown[0] == pytest.approx(0.02, abs=0.002)
    assert shown[1] == pytest.approx(cold, rel=1e-6)
    assert shown[2] == pytest.approx(1 / (1 / cold + 1 / 3.0), rel=1e-6)


def test_an_ohmmeter_on_a_lamp_sees_the_cold_filament() -> None:
    """55 W halogen 0.15 to 0.25 ohm, 21 W 0.4 to 0.7, 5 W 2.0 to 3.6 (computed from the ratings, R37)."""
    net = Netlist(
        (
            lamp("h", "a", "gnd", 12.0, 55.0, 16.0),
            lamp("s", "b", "gnd", 12.0, 21.0),
            lamp("t", "c", "gnd", 13.5, 5.0),
        ),
        (),
        "gnd",
    )
    shown = instruments.read_ohms(settle_one(net), [("a", "gnd"), ("b", "gnd"), ("c", "gnd")])[:, 0]
    assert 0.15 < shown[0] < 0.25 and 0.4 < shown[1] < 0.7 and 2.0 < shown[2] < 3.6


def test_points_without_a_path_read_over_limit() -> None:
    net = Netlist((resistor("r", "a", "gnd", 10.0), resistor("q", "b", "c", 10.0)), (), "gnd")
    shown = instruments.read_ohms(settle_one(net), [("a", "b"), ("a", "gnd")])[:, 0]
    assert shown.tolist() == [np.inf, pytest.approx(10.0)]


def test_the_diode_range_shows_a_junction_one_way_and_over_limit_the_other() -> None:
    """Rectifier diode 0.4 to 0.7 V forward, OL reverse (trade text on regulators, from memory)."""
    values = {"saturation_current": 1e-9, "emission": 1.8}
    net = Netlist((Element("d", "diode", "a", "b", values), resistor("w", "b", "gnd", 0.1)), (), "gnd")
    compiled = compile_netlist(net)
    forward = instruments.read_diode_test(compiled, [Case()], [("a", "gnd")])[0]
    assert 0.4 < forward[0] < 0.7
    expected = oracles.root(lambda v: 1e-9 * np.expm1(v / (1.8 * 0.0258649)) * 3000.0 + v - 3.0, 0.0, 2.0)
    assert forward[0] == pytest.approx(expected, abs=2e-3)
    assert instruments.read_diode_test(compiled, [Case()], [("gnd", "a")])[0, 0] == np.inf
    shorted = [Case((Add(resistor("short", "a", "b", 0.05)),))]
    assert instruments.read_diode_test(compiled, shorted, [("a", "gnd")])[0, 0] < 0.01


# ---- lamp in place of a fuse -------------------------------------------------------------------------


def fused(load: Element) -> Netlist:
    return Netlist(
        (
            source("battery", "b", "gnd", 12.6, 0.02),
            Element("fuse", "fuse", "b", "f", {"resistance": 0.005, "rating": 15.0}),
            resistor("feed", "f", "p", 0.02),
            load,
        ),
        (Device("blow", "fuse", {"element": ("fuse",)}, {"opens_at": 1.35}),),
        "gnd",
    )


@pytest.mark.parametrize(
    ("watts", "load", "volts"),
    [
        (21.0, resistor("load", "p", "gnd", 0.01), 12.4),  # dead short
        (21.0, lamp("load", "p", "gnd", 12.0, 55.0, 16.0), 10.7),  # healthy beam
        (21.0, lamp("load", "p", "gnd", 12.0, 21.0), 6.3),  # brake lamp
    ],
)
def test_a_21_watt_lamp_in_place_of_a_fuse_shows_what_the_circuit_draws(
    watts: float, load: Element, volts: float
) -> None:
    """Battery 12.6 V: dead short 12.4 V, healthy 55 W beam 10.7, brake lamp 6.3 (computed trade figures)."""
    compiled = compile_netlist(fused(load))
    shown = instruments.lamp_for_fuse(compiled, [Case((), (("blow", 1),))], "fuse", watts=watts)
    assert shown.volts[0] == pytest.approx(volts, abs=0.13)
    assert shown.amps[0] == pytest.approx(oracles.filament_amps(shown.volts[0], 12.0, watts), rel=1e-5)
    if load.law == "lamp":
        rating = (load.values["rated_volts"], load.values["rated_watts"])
        amps, each = oracles.filaments_in_series(12.6, 0.04, [(12.0, watts), rating])
        assert shown.volts[0] == pytest.approx(each[0], rel=1e-4)
        assert shown.amps[0] == pytest.approx(amps, rel=1e-4)


def test_an_ammeter_in_place_of_a_fuse_or_in_series_shows_the_circuits_current() -> None:
    """12.6 V / (0.02 + 0.01 + 0.02 + 2) ohm; the shunt of 10 mohm is in the sum. Closed form."""
    compiled = compile_netlist(fused(resistor("load", "p", "gnd", 2.0)))
    shown = instruments.read_amps(compiled, [Case()], "fuse", 0.01)
    assert shown.amps[0] == pytest.approx(12.6 / (0.02 + 0.01 + 0.02 + 2.0), rel=1e-7)
    shown = instruments.read_amps_in_series(compiled, [Case()], "battery", 0.01)
    assert shown.amps[0] == pytest.approx(-12.6 / (0.02 + 0.01 + 0.005 + 0.02 + 2.0), rel=1e-7)


def test_an_ohmmeter_between_a_loose_ring_and_ground_shows_nothing() -> None:
    """Side by side, both wires of their part off: OL to ground, their own ohms across. Closed form."""
    ring = (
        resistor("one", "p", "q", 100.0),
        resistor("two", "p", "q", 300.0),
        resistor("rest", "r", "gnd", 5.0),
    )
    solution = settle_cases(compile_netlist(Netlist(ring, (), "gnd")), [Case()])
    read = instruments.read_ohms(solution, [("p", "gnd"), ("q", "gnd"), ("p", "r"), ("p", "q"), ("r", "gnd")])
    assert np.isinf(read[:3, 0]).all()
    assert read[3:, 0] == pytest.approx([75.0, 5.0], rel=1e-6)


def test_an_ammeter_in_the_batterys_lead_reads_a_battery_joined_the_wrong_way_round() -> None:
    """The same lead is undone, the current only runs the other way. Closed form, as above."""
    compiled = compile_netlist(fused(resistor("load", "p", "gnd", 2.0)))
    turned = Case((Reverse("battery"),))
    away = Case((Move("battery", "plus", "p"),))
    amps = instruments.read_amps_in_series(compiled, [Case(), turned, away], "battery", 0.01).amps
    assert amps[1] == pytest.approx(12.6 / (0.02 + 0.01 + 0.005 + 0.02 + 2.0), rel=1e-7)
    assert amps[0] == pytest.approx(-amps[1], rel=1e-9)
    assert amps[2] == pytest.approx(-12.6 / (0.02 + 0.01 + 2.0), rel=1e-7)


def test_an_instrument_reads_the_same_in_cases_whose_pattern_a_fault_changed() -> None:
    compiled = compile_netlist(fused(resistor("load", "p", "gnd", 2.0)))
    shaped = Case((Add(resistor("bridge", "p", "gnd", 2.0)),))
    moved = Case((Move("load", "minus", "f"),))
    shown = instruments.read_amps(compiled, [Case(), shaped, moved], "fuse", 0.01)
    assert shown.amps[0] == pytest.approx(12.6 / 2.05, rel=1e-7)
    assert shown.amps[1] == pytest.approx(12.6 / 1.05, rel=1e-7)
    assert shown.amps[2] == pytest.approx(0.0, abs=1e-6)


def test_a_lamp_reads_the_same_whatever_stood_at_its_points_before() -> None:
    """The oracle is the same netlist with the lamp built in, compiled on its own."""
    elements = (
        source("battery", "post", "0", 12.6, 0.02),
        resistor("wire", "post", "a", 1.5),
        resistor("feed", "a", "b", 2.0),
        resistor("load", "b", "0", 12.0),
    )
    compiled = compile_netlist(Netlist(elements, (), "0"))
    shown, wanted = [], []
    for added in (resistor("r", "b", "0", 6.0), lamp("l", "b", "0", 12.0, 5.0), resistor("r", "b", "0", 6.0)):
        shown.append(settle_cases(compiled, [Case((Add(added),))]).at("b")[0])
        wanted.append(settle_one(Netlist((*elements, added), (), "0")).at("b")[0])
    assert shown == pytest.approx(wanted, rel=1e-6)


def test_a_test_lamp_that_pulls_a_relays_feed_down_makes_it_drop() -> None:
    """Settled in full: 20 ohm in the feed holds 85 ohm at 10.2 V, but not with a 21 W lamp beside it."""
    net = Netlist(
        (
            source("s", "a", "gnd", 12.6, 0.02),
            resistor("joint", "a", "c", 20.0),
            resistor("coil", "c", "gnd", 85.0),
            Element("no", "contact", "a", "out", {"resistance": 0.01, "closed": 0.0}),
            resistor("load", "out", "gnd", 10.0),
        ),
        (
            Device(
                "relay",
                "relay",
                {"coil": ("coil",), "no": ("no",)},
                {"operate_volts": 8.0, "release_volts": 1.5},
            ),
        ),
        "gnd",
    )
    compiled = compile_netlist(net)
    assert settle_cases(compiled, [Case()]).state("relay")[0] == 1
    assert instruments.with_lamp(compiled, [Case()], "c", "gnd", watts=21.0).solution.state("relay")[0] == 0


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (
            lambda c: instruments.lamp_for_fuse(c, [Case()], "fuze"),
            "instrument at fuze: unknown element 'fuze'",
        ),
        (
            lambda c: instruments.with_element(
                c, [Case()], resistor("x", "p", "gnd", 1.0), instead_of="fuze"
            ),
            "in place of fuze: unknown element 'fuze'; try fuse",
        ),
    ],
)
def test_an_instrument_at_an_unknown_element_is_refused(call: object, text: str) -> None:
    compiled = compile_netlist(fused(resistor("load", "p", "gnd", 2.0)))
    with pytest.raises(CircuitError, match=text):
        call(compiled)  # type: ignore[operator]


# ---- spreads ---------------------------------------------------------------------------------------


def toleranced() -> Netlist:
    diode = {"saturation_current": 1e-9, "emission": 1.8}
    return Netlist(
        (
            Element(
                "battery",
                "source",
                "b",
                "gnd",
                {"emf": 12.6, "resistance": 0.05},
                {"emf": 0.01, "resistance": 0.2},
            ),
            resistor("feed", "b", "f", 0.3, 0.1),
            Element(
                "beam",
                "lamp",
                "f",
                "e",
                {"rated_volts": 12.0, "rated_watts": 55.0, "cold_ratio": 16.0},
                {"rated_watts": 0.05, "rated_volts": 0.02},
            ),
            resistor("ground_wire", "e", "gnd", 0.2, 0.15),
            resistor("drop", "f", "x", 47.0, 0.05),
            Element("led", "diode", "x", "e", diode, {"saturation_current": 0.3, "emission": 0.02}),
            resistor("pull", "f", "in", 2200.0, 0.05),
            resistor("switch", "in", "gnd", 300.0, 0.3),
        ),
        (),
        "gnd",
    )


PAIRS = [("f", "gnd"), ("e", "gnd"), ("f", "e"), ("x", "e"), ("in", "gnd"), ("b", "f")]


@pytest.mark.parametrize("pair", PAIRS)
def test_first_order_spread_agrees_with_finite_differences(pair: tuple[str, str]) -> None:
    net = toleranced()
    compiled = compile_netlist(net)
    cases, sizes = [Case()], []
    for e in net.elements:
        for name, tolerance in e.tolerances.items():
            step = 1e-4
            for sign in (1, -1):
                cases.append(Case((Change(e.id, name, e.values[name] * (1 + sign * step)),)))
            sizes.append(tolerance / (2 * step) if (e.id, name) != ("battery", "emf") else 0.0)
    volts = settle_cases(compiled, cases).between(*pair)
    changes = (volts[1::2] - volts[2::2]) * np.array(sizes)
    spread, shift = sensitivities(settle_cases(compiled, [Case()]), *pair, source="battery")
    assert spread[0] == pytest.approx(np.sqrt((changes**2).sum()), rel=5e-3, abs=1e-7)
    up, down = settle_cases(
        compiled, [Case((Change("battery", "emf", 12.61),)), Case((Change("battery", "emf", 12.59),))]
    ).between(*pair)
    assert shift[0] == pytest.approx((up - down) / 0.02, rel=5e-3, abs=1e-5)


def test_first_order_spread_is_within_a_tenth_of_the_true_one() -> None:
    """Monte Carlo over every tolerance, 4000 draws with a printed seed; ratio 0.9 to 1.15."""
    seed = 11
    print(f"seed {seed}")
    rng = np.random.default_rng(seed)
    net = toleranced()
    compiled = compile_netlist(net)
    known = [(e, name, t) for e in net.elements for name, t in e.tolerances.items() if t]
    draws = np.exp(rng.standard_normal((4000, len(known))) * np.array([t for _, _, t in known]))
    cases = [
        Case(
            tuple(Change(e.id, name, e.values[name] * f) for (e, name, _), f in zip(known, row, strict=True))
        )
        for row in draws
    ]
    true = settle_cases(compiled, cases)
    healthy = settle_cases(compiled, [Case()])
    for pair in PAIRS:
        spread, _ = sensitivities(healthy, *pair)
        assert 0.9 < spread[0] / true.between(*pair).std() < 1.15, pair


def test_spread_of_ohms_is_that_of_the_parts_it_goes_through() -> None:
    """Two resistors in series: sqrt((t1 R1)^2 + (t2 R2)^2) / (R1 + R2). Closed form."""
    net = Netlist((resistor("p", "a", "m", 100.0, 0.05), resistor("q", "m", "gnd", 50.0, 0.2)), (), "gnd")
    ohms, spread = resistance_spread(settle_one(net), "a", "gnd")
    assert ohms[0] == pytest.approx(150.0, rel=1e-5)
    assert spread[0] == pytest.approx(np.hypot(5.0, 10.0) / 150.0, rel=1e-4)
    both, spreads = instruments.read_ohms_with_spread(settle_one(net), [("a", "gnd")])
    assert (both[0, 0], spreads[0, 0]) == pytest.approx((ohms[0], spread[0]))


def test_readings_with_spread_are_scaled_by_the_meters_load() -> None:
    solution = settle_one(toleranced())
    volts, spread, shift = instruments.read_volts_with_spread(solution, [("in", "gnd")], 1000.0, "battery")
    open_volts, ohms = thevenin(solution, "in", "gnd")
    load = 1000.0 / (1000.0 + ohms)
    free, free_shift = sensitivities(solution, "in", "gnd", "battery")
    assert volts[0] == pytest.approx(open_volts * load)
    assert (spread[0, 0], shift[0, 0]) == pytest.approx((free[0] * load[0], free_shift[0] * load[0]))


def test_the_shift_of_an_unknown_source_is_refused() -> None:
    with pytest.raises(CircuitError, match="shift: unknown source 'batery'; try battery"):
        sensitivities_many(settle_one(toleranced()), [("f", "gnd")], "batery")
