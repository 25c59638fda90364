"""Relays, fuses, outputs, units, motors, generators: what they settle to, and what never settles."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.circuit.edits import read_cases
from diagnose.circuit.netlist import Add, Case, Change, Device, Element, Force, Netlist, Open
from diagnose.circuit.rest import undriven
from diagnose.circuit.solve import Start, compile_netlist, settle_cases, settle_one


def resistor(name: str, plus: str, minus: str, ohms: float) -> Element:
    return Element(name, "resistor", plus, minus, {"resistance": ohms})


def source(name: str, plus: str, minus: str, emf: float, ohms: float) -> Element:
    return Element(name, "source", plus, minus, {"emf": emf, "resistance": ohms})


def contact(name: str, plus: str, minus: str, closed: float = 0.0, ohms: float = 0.01) -> Element:
    return Element(name, "contact", plus, minus, {"resistance": ohms, "closed": closed})


def fuse(name: str, plus: str, minus: str, rating: float) -> Element:
    return Element(name, "fuse", plus, minus, {"resistance": 0.08 / rating, "rating": rating})


def blows(name: str, opens_at: float = 1.35) -> Device:
    return Device(f"{name}_blow", "fuse", {"element": (name,)}, {"opens_at": opens_at})


# ---- fuses -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("share", "opens"), [(1.00, False), (1.10, False), (1.30, False), (1.36, True), (2.0, True), (6.0, True)]
)
def test_a_blade_fuse_holds_110_per_cent_and_opens_at_135(share: float, opens: bool) -> None:
    """ISO 8820-3 opening times, from memory: holds 110 % for 100 h, opens at 135 % within 600 s."""
    net = Netlist(
        (source("s", "a", "gnd", 12.0, 1e-3), fuse("f", "a", "b", 10.0), resistor("r", "b", "gnd", 1.0)),
        (blows("f"),),
        "gnd",
    )
    ohms = 12.0 / (share * 10.0) - 0.008 - 1e-3
    solution = settle_one(net, Case((Change("r", "resistance", ohms),)))
    assert solution.opened(0) == (("f_blow",) if opens else ())
    assert (solution.current("f")[0] == 0.0) == opens


def two_fuses() -> Netlist:
    return Netlist(
        (
            source("s", "a", "gnd", 12.6, 0.02),
            fuse("main", "a", "b", 30.0),
            fuse("branch", "b", "c", 10.0),
            resistor("load", "c", "gnd", 3.0),
            resistor("other", "b", "gnd", 3.0),
        ),
        (blows("main"), blows("branch")),
        "gnd",
    )


def test_the_smallest_fuse_clears_first_and_spares_the_one_before_it() -> None:
    """Selectivity of fuses in series; common practice."""
    short = Add(resistor("short", "c", "gnd", 0.03))
    solution = settle_one(two_fuses(), Case((short,)))
    assert solution.opened(0) == ("branch_blow",)
    assert solution.at("b")[0] > 12.0


def test_a_short_before_the_branch_fuse_opens_the_main_fuse_only() -> None:
    solution = settle_one(two_fuses(), Case((Add(resistor("short", "b", "gnd", 0.03)),)))
    assert solution.opened(0) == ("main_blow",)


def test_a_chafe_of_one_and_a_half_ohm_smokes_without_opening_the_fuse() -> None:
    """12.6 V / 1.5 ohm = 8.4 A beside a load of 4.2 A: under 135 % of 10 A. Closed form, common practice."""
    net = two_fuses()
    solution = settle_one(net, Case((Add(resistor("chafe", "c", "gnd", 1.5)),)))
    assert solution.opened(0) == ()
    assert solution.power("#resistor0")[0] > 80.0


def test_an_opened_fuse_stays_open_when_the_next_condition_starts_from_it() -> None:
    compiled = compile_netlist(two_fuses())
    hurt = settle_cases(compiled, [Case((Add(resistor("short", "c", "gnd", 0.03)),))])
    assert hurt.lasting(0) == (("branch_blow", 1),)
    later = settle_cases(compiled, [Case((), hurt.lasting(0)), Case()])
    assert later.opened(0) == ("branch_blow",)
    assert later.at("c")[0] == pytest.approx(0.0, abs=1e-3)
    assert later.at("c")[1] > 12.0


def test_a_fuse_bridged_by_wire_never_opens() -> None:
    case = Case((Force("branch", 1), Add(resistor("short", "c", "gnd", 0.5))))
    solution = settle_one(two_fuses(), case)
    assert solution.opened(0) == ()
    assert solution.current("branch")[0] > 20.0


# ---- relays ----------------------------------------------------------------------------------------


def relay_net() -> Netlist:
    """Mini relay, pins to ISO 7588-1: coil 85 ohm, operates by 8 V, releases by 1.5 V (data sheet)."""
    return Netlist(
        (
            source("s", "a", "gnd", 12.6, 0.02),
            resistor("feed", "a", "c86", 0.1),
            resistor("coil", "c86", "gnd", 85.0),
            contact("no", "a", "on"),
            contact("nc", "a", "off"),
            resistor("lamp_on", "on", "gnd", 10.0),
            resistor("lamp_off", "off", "gnd", 10.0),
        ),
        (
            Device(
                "relay",
                "relay",
                {"coil": ("coil",), "no": ("no",), "nc": ("nc",)},
                {"operate_volts": 8.0, "release_volts": 1.5},
            ),
        ),
        "gnd",
    )


@pytest.mark.parametrize(
    ("volts", "start", "pulled"),
    [(7.9, 0, 0), (8.1, 0, 1), (7.9, 1, 1), (1.6, 1, 1), (1.4, 1, 0), (1.4, 0, 0), (-9.0, 0, 1)],
)
def test_a_mini_relay_operates_by_8_volts_and_releases_by_1_5(volts: float, start: int, pulled: int) -> None:
    """Mini relay data sheet (ISO 7588-1 pins), 12 V: coil 85 ohm, operate <= 8 V, release >= 1.5 V."""
    ohms = 0.1
    emf = volts * (85.0 + ohms + 0.02) / 85.0
    # contacts' loads taken away so that the coil volts are as asked
    edits = (Change("s", "emf", emf), Open("lamp_on"), Open("lamp_off"))
    solution = settle_one(relay_net(), Case(edits, (("relay", start),)))
    assert solution.state("relay")[0] == pulled
    assert abs(solution.at("c86")[0]) == pytest.approx(abs(volts), rel=1e-4)


def test_a_pulled_relay_closes_its_working_contact_and_opens_the_resting_one() -> None:
    solution = settle_cases(compile_netlist(relay_net()), [Case(), Case((Open("feed"),))])
    assert solution.state("relay").tolist() == [1, 0]
    assert (solution.at("on") > 12.0).tolist() == [True, False]
    assert (solution.at("off") > 12.0).tolist() == [False, True]


def test_a_relay_with_a_broken_coil_does_not_pull_though_its_pins_carry_volts() -> None:
    solution = settle_one(relay_net(), Case((Open("coil"),)))
    assert solution.at("c86")[0] > 12.0
    assert solution.state("relay")[0] == 0


def test_ohms_inside_the_coil_weaken_it_as_its_current_does() -> None:
    """Ampere-turns: 85 ohm wound, 140 in all, 12.6 V: 7.6 V worth, below 8."""
    solution = settle_one(relay_net(), Case((Change("coil", "resistance", 140.0),)))
    assert solution.state("relay")[0] == 0


def test_a_relay_fed_through_its_own_resting_contact_never_rests() -> None:
    """The buzzer circuit: it pulls, breaks its own feed, drops, and so on."""
    net = Netlist(
        (
            source("s", "a", "gnd", 12.6, 0.02),
            contact("nc", "a", "c"),
            resistor("coil", "c", "gnd", 85.0),
        ),
        (
            Device(
                "buzzer",
                "relay",
                {"coil": ("coil",), "nc": ("nc",)},
                {"operate_volts": 8.0, "release_volts": 1.5},
            ),
        ),
        "gnd",
    )
    solution = settle_one(net)
    assert solution.restless[0]
    phases = solution.phases(0)[:, solution.row("c")]
    assert sorted(round(v) for v in phases) == [0, 13]


def test_a_starter_relay_on_a_weak_joint_chatters() -> None:
    """The load drags the coil's own feed below release: pulled, it starves; dropped, it recovers."""
    net = Netlist(
        (
            source("s", "a", "gnd", 12.6, 0.02),
            resistor("bad_joint", "a", "b", 0.5),
            resistor("coil", "b", "gnd", 4.2),
            contact("no", "b", "m"),
            resistor("starter", "m", "gnd", 0.03),
        ),
        (
            Device(
                "solenoid",
                "relay",
                {"coil": ("coil",), "no": ("no",)},
                {"operate_volts": 7.5, "release_volts": 2.0},
            ),
        ),
        "gnd",
    )
    solution = settle_cases(compile_netlist(net), [Case(), Case((Change("bad_joint", "resistance", 0.003),))])
    assert solution.restless.tolist() == [True, False]
    assert solution.state("solenoid")[1] == 1


def test_a_fuse_opens_on_the_mean_current_of_a_buzzing_circuit() -> None:
    net = Netlist(
        (
            source("s", "a", "gnd", 12.6, 0.02),
            fuse("f", "a", "b", 5.0),
            contact("nc", "b", "c"),
            resistor("coil", "c", "gnd", 85.0),
            resistor("load", "b", "gnd", 1.0),
        ),
        (
            blows("f"),
            Device(
                "buzzer",
                "relay",
                {"coil": ("coil",), "nc": ("nc",)},
                {"operate_volts": 8.0, "release_volts": 1.5},
            ),
        ),
        "gnd",
    )
    solution = settle_one(net)
    assert solution.opened(0) == ("f_blow",)
    assert not solution.restless[0]


# ---- outputs ---------------------------------------------------------------------------------------


def output_net() -> Netlist:
    return Netlist(
        (
            source("s", "a", "gnd", 12.6, 0.02),
            resistor("feed", "a", "u", 0.05),
            contact("out", "u", "load", ohms=0.05),
            resistor("lamp", "load", "gnd", 7.0),
            resistor("pull_up", "u", "in", 2200.0),
            contact("button", "in", "gnd", 0.0),
            resistor("unit_ground", "ug", "gnd", 0.02),
            resistor("unit", "u", "ug", 400.0),
        ),
        (
            Device(
                "driver",
                "output",
                {
                    "output": ("out",),
                    "supply_plus_node": ("u",),
                    "supply_minus_node": ("ug",),
                    "input_node": ("in",),
                },
                {"minimum_volts": 8.0, "input_low": 1.0, "limit": 8.0},
            ),
        ),
        "gnd",
    )


def test_an_output_closes_when_its_input_is_grounded_and_the_supply_is_there() -> None:
    compiled = compile_netlist(output_net())
    pressed = Change("button", "closed", 1.0)
    cases = [
        Case(),
        Case((pressed,)),
        Case((pressed, Change("s", "emf", 7.0))),
        Case((pressed, Change("button", "resistance", 400.0))),  # a wet switch: 1.9 V is not low
        Case((pressed, Open("feed"))),
    ]
    solution = settle_cases(compiled, cases)
    assert solution.state("driver").tolist() == [0, 1, 0, 0, 0]
    assert solution.current("lamp")[1] == pytest.approx(1.77, abs=0.02)


def test_an_output_over_its_limit_latches_off_and_stays_off_next_time() -> None:
    compiled = compile_netlist(output_net())
    pressed = Change("button", "closed", 1.0)
    hurt = settle_cases(compiled, [Case((pressed, Change("lamp", "resistance", 0.5)))])
    assert hurt.latched(0) == ("driver",)
    again = settle_cases(compiled, [Case((pressed,), hurt.lasting(0))])
    assert again.state("driver")[0] == 2
    assert again.current("lamp")[0] == pytest.approx(0.0, abs=1e-6)


def test_an_output_counts_the_current_of_its_load_element_when_told_so() -> None:
    net = output_net()
    roles = {**net.devices[0].roles, "load_element": ("unit",)}
    device = Device("driver", "output", roles, {"minimum_volts": 8.0, "input_low": 1.0, "limit": 0.01})
    pressed = Case((Change("button", "closed", 1.0),))
    assert settle_one(Netlist(net.elements, (device,), "gnd"), pressed).latched(0) == ("driver",)


# ---- constant-power units, motors, generators --------------------------------------------------------


def unit_net() -> Netlist:
    return Netlist(
        (
            source("s", "a", "gnd", 12.6, 0.02),
            resistor("joint", "a", "u", 0.01),
            Element(
                "led",
                "electronic",
                "u",
                "gnd",
                {"rated_volts": 12.0, "rated_watts": 18.0, "cut_off_volts": 8.0},
            ),
        ),
        (Device("led_state", "electronic", {"element": ("led",)}, {}),),
        "gnd",
    )


@pytest.mark.parametrize("volts", [8.6, 9.5, 11.0, 12.6, 14.4])
def test_a_constant_power_unit_takes_its_watts_at_any_volts(volts: float) -> None:
    """P = V I; held in bands 5 % wide, so within 5 %."""
    solution = settle_one(unit_net(), Case((Change("s", "emf", volts),)))
    assert solution.power("led")[0] == pytest.approx(18.0, rel=0.055)


def test_a_unit_below_its_cut_off_takes_next_to_nothing() -> None:
    solution = settle_one(unit_net(), Case((Change("s", "emf", 7.5),)))
    assert solution.state("led_state")[0] == 0
    assert solution.current("led")[0] < 1e-4


def test_a_bad_joint_makes_a_constant_power_unit_flicker_instead_of_dimming() -> None:
    """Matched power: 12.6^2 / (4 R) < 18 W above 2.2 ohm, so no steady point there. Closed form."""
    compiled = compile_netlist(unit_net())
    ohms = [0.1, 1.0, 4.0, 30.0]
    solution = settle_cases(compiled, [Case((Change("joint", "resistance", r),)) for r in ohms])
    assert solution.restless.tolist() == [False, False, True, True]
    phases = solution.phases(2)[:, solution.row("u")]
    assert phases.min() < 8.0 < 12.0 < phases.max()


def test_a_motor_turns_once_it_has_its_volts_and_stalls_on_a_flat_battery() -> None:
    """Stalled: bare winding, 12.6 / (0.02 + 0.03) A; turning: (12.6 - 7) / 0.05 A. Closed form."""
    net = Netlist(
        (
            source("s", "a", "gnd", 12.6, 0.02),
            Element("m", "motor", "a", "gnd", {"resistance": 0.03, "back_emf": 7.0}),
        ),
        (Device("turns", "motor", {"element": ("m",)}, {"turn_volts": 5.0}),),
        "gnd",
    )
    solution = settle_cases(compile_netlist(net), [Case(), Case((Change("s", "resistance", 0.1),))])
    assert solution.state("turns").tolist() == [1, 0]
    assert solution.current("m")[0] == pytest.approx(5.6 / 0.05, rel=1e-6)
    assert solution.current("m")[1] == pytest.approx(12.6 / 0.13, rel=1e-6)


def test_the_fuse_survives_a_motor_that_draws_too_much_only_until_it_turns() -> None:
    net = Netlist(
        (
            source("s", "a", "gnd", 12.6, 0.02),
            fuse("f", "a", "b", 10.0),
            Element("m", "motor", "b", "gnd", {"resistance": 0.5, "back_emf": 7.0}),
        ),
        (blows("f"), Device("turns", "motor", {"element": ("m",)}, {"turn_volts": 5.0})),
        "gnd",
    )
    solution = settle_cases(compile_netlist(net), [Case(), Case((Change("turns", "turn_volts", 99.0),))])
    assert [solution.opened(k) for k in range(2)] == [(), ("f_blow",)]  # seized: 23 A on a 10 A fuse


def charging_net(max_current: float) -> Netlist:
    values = {"regulated_volts": 14.3, "resistance": 0.05, "max_current": max_current}
    return Netlist(
        (
            source("s", "a", "gnd", 12.6, 0.02),
            resistor("lead", "a", "r", 0.02),
            Element("alt", "generator", "r", "gnd", values),
            resistor("load", "a", "gnd", 3.0),
        ),
        (Device("charging", "generator", {"element": ("alt",)}, {}),),
        "gnd",
    )


def test_a_generator_is_a_regulated_source_a_limited_current_or_blocked() -> None:
    compiled = compile_netlist(charging_net(14.0))
    cases = [
        Case((Change("alt", "max_current", 0.0),)),  # engine off
        Case(),  # asks for 21 A: limited to 14 A
        Case((Change("alt", "max_current", 40.0),)),
        Case((Change("s", "emf", 15.0),)),  # charged by something better: the rectifier blocks
        Case((Open("lead"),)),  # main fuse out: regulated, nothing drawn
    ]
    solution = settle_cases(compiled, cases)
    assert solution.state("charging").tolist() == [0, 2, 1, 0, 1]
    assert solution.current("alt")[1] == pytest.approx(-14.0)
    # 14.3 V behind 50 + 20 mohm against 12.6 V behind 20 mohm with 3 ohm across: closed form
    g = 1 / 0.07 + 1 / 0.02 + 1 / 3.0
    assert solution.at("a")[2] == pytest.approx((14.3 / 0.07 + 12.6 / 0.02) / g, rel=1e-9)
    assert solution.current("alt")[[0, 3]] == pytest.approx([0.0, 0.0])
    assert solution.at("r")[4] == pytest.approx(14.3, rel=1e-6)


def test_device_values_can_be_edited_like_any_other() -> None:
    stiff = Case((Change("relay", "operate_volts", 13.0),))
    assert settle_one(relay_net(), stiff).state("relay")[0] == 0


def test_settling_a_batch_gives_each_case_the_states_it_has_alone() -> None:
    compiled = compile_netlist(output_net())
    pressed = Change("button", "closed", 1.0)
    cases = [
        Case(),
        Case((pressed,)),
        Case((pressed, Change("lamp", "resistance", 0.5))),
        Case((Open("feed"),)),
    ]
    together = settle_cases(compiled, cases * 3)
    alone = np.array([settle_one(compiled, case).states[:, 0] for case in cases]).T
    assert (together.states == np.tile(alone, 3)).all()


# ---- nothing drives it ---------------------------------------------------------------------------------


def everything_net(minimum_volts: float = 6.0) -> Netlist:
    """A battery with one of every law and device behind it."""
    values = {"regulated_volts": 14.3, "resistance": 0.05, "max_current": 0.0}
    return Netlist(
        (
            source("s", "a", "gnd", 12.6, 0.02),
            fuse("f", "a", "b", 10.0),
            Element("alt", "generator", "b", "gnd", values),
            Element("m", "motor", "b", "gnd", {"resistance": 0.5, "back_emf": 7.0}),
            contact("driver_out", "b", "c"),
            resistor("coil", "b", "gnd", 90.0),
            contact("no", "c", "d"),
            Element(
                "lamp", "lamp", "d", "gnd", {"rated_volts": 12.0, "rated_watts": 10.0, "cold_ratio": 12.0}
            ),
            Element("diode", "diode", "d", "e", {"saturation_current": 1e-9, "emission": 1.8}),
            resistor("tail", "e", "gnd", 470.0),
        ),
        (
            blows("f"),
            Device("charging", "generator", {"element": ("alt",)}, {}),
            Device("turns", "motor", {"element": ("m",)}, {"turn_volts": 5.0}),
            Device(
                "relay",
                "relay",
                {"coil": ("coil",), "no": ("no",)},
                {"operate_volts": 7.5, "release_volts": 2.0},
            ),
            Device(
                "driver",
                "output",
                {"output": ("driver_out",), "supply_plus_node": ("b",), "supply_minus_node": ("gnd",)},
                {"minimum_volts": minimum_volts, "limit": 8.0},
            ),
        ),
        "gnd",
    )


OFF = (Open("s"),)
EMPTY = (Change("s", "emf", 0.0),)
TESTER = (Add(source("t", "d", "gnd", 3.0, 1e3)),)
BLOWN = (("f_blow", 1),)


def test_without_any_source_all_stands_at_zero_and_a_source_beside_it_is_still_solved(monkeypatch) -> None:
    """A passive circuit has one solution, zero. Whatever the batch holds besides comes out as it does alone,
    and to the last bit as it does when no case is set aside."""
    compiled = compile_netlist(everything_net())
    cases = [
        Case(OFF), Case(), Case(EMPTY), Case((*OFF, *TESTER)), Case(OFF, BLOWN), Case((*EMPTY, Open("tail"))),
        Case((*OFF, Change("alt", "max_current", 10.0))), Case((*OFF, Change("relay", "operate_volts", 0.0))),
    ]  # fmt: skip
    dead = np.array([True, False, True, False, True, True, False, False])
    (sheet, *others) = sorted(read_cases(compiled, cases), key=lambda s: -s.size)
    found = np.zeros(len(cases), dtype=bool)
    for one in (sheet, *others):
        found[one.columns] = undriven(one)
    assert found.tolist() == dead.tolist()
    mixed = settle_cases(compiled, cases)
    assert (mixed.volts[:, dead] == 0.0).all() and mixed.converged.all()
    assert (np.abs(mixed.volts[:, [1, 3, 6]]).max(axis=0) > 1e-3).all()
    assert mixed.state("f_blow").tolist() == [0, 0, 0, 0, 1, 0, 0, 0]
    assert mixed.state("relay")[7] == 1
    monkeypatch.setattr("diagnose.circuit.settle.undriven", lambda sheet: np.zeros(sheet.size, dtype=bool))
    solved = settle_cases(compiled, cases)
    for name in ("volts", "states", "converged", "restless"):
        assert (getattr(mixed, name) == getattr(solved, name)).all(), name
    again = settle_cases(compiled, cases, Start(mixed, np.arange(len(cases))))
    assert again.volts == pytest.approx(solved.volts, abs=2e-6)


def test_an_output_that_wakes_at_zero_volts_is_solved_though_nothing_drives_it() -> None:
    compiled = compile_netlist(everything_net(minimum_volts=-1.0))
    (sheet,) = read_cases(compiled, [Case(OFF)])
    assert not undriven(sheet).any()
    assert settle_cases(compiled, [Case(OFF)]).state("driver").tolist() == [1]
