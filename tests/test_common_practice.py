"""Facts that every good hand relies on, asked of the shipped single.

Sources are named beside each check; "common practice, no source" and "from memory" where that is so.
Resistances of networks come from exact nodal analysis (oracles) on branches listed here by hand, from
copper (IEC 60028: 17.241 ohm mm2/km), lamp ratings and the joints' own figures.
"""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from oracles import Branch, exact_resistance
from shipped import FUSES, LED, amperes, awake, bike_with, reading, shown, solved, state, volts, word, world

from diagnose.bike.build import node_of_point
from diagnose.bike.currents import as_condition
from diagnose.circuit import instruments as bench
from diagnose.circuit.thevenin import thevenin

GROUNDS = ("seat_ground.a", "front_ground.a", "rear_ground.a", "cdi_ground.a", "coil_ground.a")
ALL_OUT = ",".join(f"out={f}" for f in FUSES)
ON = ",key=run"


# ---- closed forms ----------------------------------------------------------------------------------


def copper(area_mm2: float, metres: float) -> float:
    """Ohms of stranded wire with two crimps of half a milliohm.

    17.241 ohm mm2/km (IEC 60028), lay allowance 1.05 to 1.08 of class 5 (a text on IEC 60228).
    """
    return 0.017241 * 1.065 / area_mm2 * metres + 1e-3


def cold(watts: float, volts: float = 12.0, ratio: float = 13.0) -> float:
    """Cold filament: V^2 / P / ratio; inrush 13 to 14 times (a lamp text), halogen 16 from memory."""
    return volts**2 / watts / ratio


def branch(plus: str, minus: str, ohms: float) -> Branch:
    return plus, minus, Fraction(1) / Fraction(ohms), Fraction(0)


def rear_network(joint: float | None) -> float:
    """Ohms from the ring of the rear ground to battery minus, everything off, in neutral.

    The rear bolt, and beside it every way through cold filaments to another ground.
    """
    rows = [
        branch("ring", "plug", copper(1, 0.3)),
        branch("plug", "tail", 3e-3),
        branch("front_bolt", "frame", 3e-3),
        branch("frame", "engine", copper(10, 0.25)),
        branch("engine", "minus", copper(16, 0.5) + 0.3e-3),
        branch("front_lamps", "front_bolt", copper(0.75, 0.5)),
    ]
    for side in ("left", "right"):
        rows += [
            branch("tail", f"rear_{side}", cold(21) + 5e-3),
            branch(f"rear_{side}", f"front_{side}", copper(0.75, 0.8) + copper(0.75, 1.3) + 6e-3),
            branch(f"front_{side}", "front_lamps", cold(21) + 5e-3),
        ]
    # running light -> accessory splice -> neutral lamp -> neutral switch
    rows.append(branch("tail", "feed", cold(5, 13.5) + 5e-3 + 3e-3 + copper(0.75, 0.9)))
    rows.append(branch("feed", "engine", cold(1.2) + copper(0.75, 1.5) + 0.1))
    if joint is not None:
        rows.append(branch("ring", "frame", joint))
    return float(exact_resistance(rows, "ring", "minus"))


def exact_ohms(plus: str, minus: str, condition: str, *faults: str) -> float:
    """Ohms before the display rounds them."""
    solution, column = solved(condition, *faults, mode="dead")
    spec = world().spec
    return float(thevenin(solution, node_of_point(spec, plus), node_of_point(spec, minus))[1][column])


# ---- grounds ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("point", GROUNDS)
def test_every_grounding_point_of_a_sound_bike_reads_next_to_nothing(point: str) -> None:
    """At most 2 ohm before the battery goes on, sound 0 to 0.1 (common practice, no source)."""
    assert reading(f"ohms:{point}:battery.minus@battery=off") <= 0.1
    assert exact_ohms(point, "battery.minus", "battery=off") <= 0.02


@pytest.mark.parametrize(
    ("fault", "joint"),
    [((), 3e-3), (("rear_ground.off",), None), (("rear_ground.poor=3ohm",), 3.003)],
)
def test_the_ohms_of_a_rear_ground_go_through_cold_filaments(
    fault: tuple[str, ...], joint: float | None
) -> None:
    """The exact resistance of the network listed by hand."""
    ours = exact_ohms("rear_ground.a", "battery.minus", "battery=off", *fault)
    assert ours == pytest.approx(rear_network(joint), rel=0.02, abs=2e-4)


def test_a_missing_rear_ground_passes_a_two_ohm_gate() -> None:
    """About 0.5 ohm without any ground, 0.41 to 0.5 with 3 ohm (computed limits of common practice).

    The gate of 2 ohm passes both; only the computed healthy value tells them.
    """
    missing, poor = rear_network(None), rear_network(3.003)
    assert 0.45 < missing < 0.65 and 0.38 < poor < 0.55
    id = "ohms:rear_ground.a:battery.minus@battery=off"
    assert reading(id, "rear_ground.off") == pytest.approx(missing, abs=0.05)
    assert reading(id, "rear_ground.poor=3ohm") == pytest.approx(poor, abs=0.05)
    assert reading(id) < 0.2 * reading(id, "rear_ground.poor=3ohm")


def test_with_led_lamps_a_missing_rear_ground_reads_open() -> None:
    """A digital meter drives under 0.5 V on ohms and reads no diode (common practice, no source)."""
    assert reading("ohms:rear_ground.a:battery.minus@battery=off", "rear_ground.off", bike=LED) > 1e6


def headlamp_drop(point: str, *faults: str) -> float:
    """Volts lost on the way back from a 55 W lamp fed from battery plus and grounded at a point."""
    spec = world().spec
    s = bike_with(tuple(faults))
    solution, column = solved("", *faults)
    plus, here = node_of_point(spec, "battery.plus"), node_of_point(spec, point)
    loaded = bench.with_lamp(s.predictor.compiled, [solution.cases[column]], plus, here, watts=55.0)
    return float(loaded.solution.between(here, node_of_point(spec, "battery.minus"))[0])


@pytest.mark.parametrize("point", GROUNDS)
def test_a_55_w_lamp_proves_a_ground_to_20_milliohm(point: str) -> None:
    """55 W at 12 V draws 4.6 A: 20 mohm lose about 0.1 V (common practice; Ohm's law)."""
    joint = point.partition(".")[0]
    assert 0.0 < headlamp_drop(point) < 0.1
    if joint in ("seat_ground", "front_ground", "rear_ground"):
        poor = headlamp_drop(point, f"{joint}.poor=20mohm")
        assert poor - headlamp_drop(point) == pytest.approx(4.6 * 20e-3, rel=0.1)


def test_no_ohmmeter_can_prove_a_starter_ground_but_the_drop_can() -> None:
    """3 mohm at 100 A is 0.3 V (common practice; the limit from memory): ohms show nothing."""
    id = "ohms:engine.metal:battery.minus@battery=off"
    assert reading(id, "ground_cable.lug=3mohm") == reading(id) <= 0.1
    cranking = "key=run,start=pressed"
    sound, poor = (volts(cranking, "engine.metal", *f) for f in ((), ("ground_cable.lug=3mohm",)))
    through = amperes(cranking, "starter_motor.armature", "ground_cable.lug=3mohm")
    assert sound < 0.3
    assert poor - sound == pytest.approx(3e-3 * through, rel=0.25)


# ---- positive circuits to ground, battery off ------------------------------------------------------


@pytest.mark.parametrize(
    ("measurement", "expected"),
    [
        (
            "ohms:headlamp_plug_low.b:headlamp_plug_ground.b@apart=headlamp_plug,battery=off",
            cold(55, ratio=16),
        ),
        (
            "ohms:headlamp_plug_high.b:headlamp_plug_ground.b@apart=headlamp_plug,battery=off",
            cold(60, ratio=16),
        ),
        ("ohms:rear_lamp.brake:rear_lamp.ground@apart=rear_plug,battery=off", cold(21)),
        ("ohms:rear_lamp.tail:rear_lamp.ground@apart=rear_plug,battery=off", cold(5, 13.5)),
        # both lamps of a side beside each other, and the wires
        ("ohms:module_output_plug_left.a:battery.minus@apart=module_output_plug,battery=off", cold(21) / 2),
    ],
)
def test_a_filament_circuit_reads_that_lamps_cold_resistance(measurement: str, expected: float) -> None:
    """The computed value decides, not zero (common practice; V^2/P and the cold ratio)."""
    assert reading(measurement) == pytest.approx(expected, rel=0.05, abs=0.1)


def test_the_accessory_circuit_reads_its_small_lamps_and_no_short() -> None:
    """Running light beside neutral lamp, in neutral; in gear the running light only: from the ratings."""
    id = "ohms:acc_fuse.out:battery.minus@battery=off,out=acc_fuse"
    tail, neutral = cold(5, 13.5), cold(1.2)
    assert reading(id) == pytest.approx(tail * neutral / (tail + neutral), rel=0.06)
    assert reading(f"{id},gear=in_gear") == pytest.approx(tail, rel=0.06)
    assert reading(id, "dash.shorted=20mohm", found=False) <= 0.1 * (1 + 1e-6)  # kept in single precision


def test_positive_circuits_with_led_lamps_read_open_or_kilohms() -> None:
    """Electronics 1 k to 100 k and climbing, LED open (common practice, no source)."""
    for id in (
        "ohms:acc_fuse.out:battery.minus@battery=off,gear=in_gear,out=acc_fuse",
        "ohms:module_output_plug_left.a:battery.minus@apart=module_output_plug,battery=off",
        "ohms:rear_plug_brake.b:battery.minus@apart=rear_plug,battery=off",
    ):
        assert reading(id, bike=LED) > 1e3, id


# ---- hand-switch inputs ----------------------------------------------------------------------------

POSITIONS = {
    "low": "lights=low",
    "high": "lights=high",
    "left": "indicator=left",
    "right": "indicator=right",
}
CLOSED = {
    # dip switch: low at rest, or high; indicator switch: none at rest
    "lights=low": {"low"},
    "lights=high": {"high"},
    "indicator=left": {"low", "left"},
    "indicator=right": {"low", "right"},
}


@pytest.mark.parametrize("pressed", sorted(POSITIONS.values()))
def test_each_hand_switch_closes_its_own_input_and_no_other(pressed: str) -> None:
    """Inputs of a control module switch to ground (common practice, no source); closed is under 1 ohm."""
    seen = 0
    for way in POSITIONS:
        plus, minus = f"left_bar_plug_{way}.b", "left_bar_plug_ground.b"
        ohms = reading(f"ohms:{plus}:{minus}@apart=left_bar_plug,battery=off,{pressed}")
        assert (ohms < 1.0) == (way in CLOSED[pressed]), way
        assert ohms < 1.0 or ohms > 1e6
        seen += 1
    assert seen == 4


def test_an_open_input_shows_the_feed_and_a_pressed_one_next_to_none() -> None:
    """Pull-up 1 to 10 kohm to the feed: near battery volts open, under 0.5 V closed (from memory)."""
    assert volts("key=run", "module.in_left") > 0.95 * volts("key=run", "module.feed")
    assert volts("indicator=left,key=run", "module.in_left") < 0.5


def test_a_test_lamp_to_ground_presses_an_input_and_stays_dark() -> None:
    """A 5 W lamp cold is 2.8 ohm: 0.01 to 0.03 V across it (computed from 1 to 10 kohm pull-ups)."""
    spec = world().spec
    s = bike_with(())
    case = s.predictor.case(s.job, as_condition(world().built, "key=run"), "dc", s.index)
    here, minus = node_of_point(spec, "module.in_left"), node_of_point(spec, "battery.minus")
    loaded = bench.with_lamp(s.predictor.compiled, [case], here, minus, watts=5.0)
    assert 0.003 < float(loaded.volts[0]) < 0.03
    assert int(loaded.solution.state("module.left_output")[0]) == 1
    assert word("lamp:module.in_left:battery.minus@key=run") == "dark"


# ---- fuses -----------------------------------------------------------------------------------------

BEFORE_THE_FUSES = {
    "battery.plus",
    "battery_plus_post.a",
    "battery_plus_post.b",
    "main_fuse.in",
    "solenoid.battery",
    "charge_fuse.out",
}


@pytest.mark.parametrize("key", ["", "key=run,"])
def test_with_every_fuse_out_battery_plus_reaches_only_what_is_before_the_fuses(key: str) -> None:
    """The list is the drawing's (common practice, no source)."""
    live = {p["point"] for p in shown(f"{key}{ALL_OUT}")["points"] if p["volts"] > 1.0}
    assert live == BEFORE_THE_FUSES
    assert awake(f"{key}{ALL_OUT}") == set()


@pytest.mark.parametrize(
    ("fitted", "wakes"),
    [
        ({"main_fuse"}, set()),
        ({"main_fuse", "acc_fuse"}, {"dash", "neutral_lamp", "socket", "tail_light"}),
        ({"main_fuse", "module_fuse"}, {"low_beam"}),
        ({"charge_fuse"}, set()),
        ({"acc_fuse", "module_fuse"}, set()),
    ],
)
def test_each_fuse_wakes_only_its_own_circuits(fitted: set[str], wakes: set[str]) -> None:
    """Fuses go in one at a time; only the expected functions wake (common practice, no source)."""
    out = ",".join(f"out={f}" for f in FUSES if f not in fitted)
    assert awake(f"key=run,{out}") == wakes


def test_each_fuses_outgoing_side_feeds_no_other_fuses_circuit() -> None:
    """With one fuse fitted the outgoing sides of the others are dead (common practice, no source)."""
    seen = 0
    for fitted, others in (
        ("acc_fuse", ("module_fuse.out", "charge_fuse.in")),
        ("module_fuse", ("acc_fuse.out", "charge_fuse.in")),
        ("charge_fuse", ("main_fuse.out", "acc_fuse.out", "module_fuse.out")),
    ):
        out = ",".join(f"out={f}" for f in FUSES if f not in (fitted, "main_fuse"))
        if fitted == "charge_fuse":
            out += ",out=main_fuse"
        for point in others:
            assert abs(volts(f"key=run,{out}", point)) < 0.5, (fitted, point)
            seen += 1
    assert seen == 7


def test_a_wire_fed_twice_shows_as_a_lamp_that_wakes_with_its_own_fuse_out() -> None:
    """One that feeds another circuit is a crossed wire (common practice, no source)."""
    crossed = "tail_feed.fed_twice=left_rear_wire,20mohm"
    assert "rear_left_lamp" in awake("key=run,out=module_fuse", crossed)
    assert "rear_left_lamp" not in awake("key=run,out=module_fuse")


def last_lead(*faults: str) -> tuple[float, float]:
    """Volts and amperes of a 21 W lamp in place of the last lead at the battery's minus post."""
    s = bike_with(("battery_minus_post.off", *faults), found=False)
    case = s.predictor.case(s.job, as_condition(world().built, ""), "dc", s.index)
    spec = world().spec
    plus, minus = (node_of_point(spec, p) for p in ("battery_minus_post.b", "battery.minus"))
    loaded = bench.with_lamp(s.predictor.compiled, [case], plus, minus, watts=21.0)
    return float(loaded.volts[0]), float(loaded.amps[0])


def test_a_lamp_in_the_last_lead_lights_on_a_dead_short_and_holds_its_current() -> None:
    """21 W: 1.75 A at 12 V, I as V^0.55 (lamp rerating, Fink & Beaty, 11th ed., p. 22-8): 1.8 A."""
    sound_volts, sound_amps = last_lead()
    assert sound_volts < 0.1 and sound_amps < 0.025
    short_volts, short_amps = last_lead("key_feed.chafed=20mohm")
    assert short_amps == pytest.approx(1.75 * (short_volts / 12.0) ** 0.55, rel=0.01)
    assert short_volts > 12.0 and 1.7 < short_amps < 1.9


def test_the_fuses_of_a_sound_bike_hold_its_load_and_lose_little() -> None:
    """Load at most 80 % of the rating (from memory); a healthy fuse never reads more than 0.2 V (typical
    sheets, from memory)."""
    conditions = [c.text for c in world().service.conditions]
    built = world().built
    assert len(conditions) >= 15
    for fuse in FUSES:
        rating = built.elements[f"{fuse}.link"].values["rating"]
        for condition in conditions:
            assert amperes(condition, f"{fuse}.link") <= 0.8 * rating, (fuse, condition)
            lost = volts(condition, f"{fuse}.in") - volts(condition, f"{fuse}.out")
            assert abs(lost) <= 0.2, (fuse, condition)
    assert shown("")["found"] == {"opened": [], "latched": []}


# ---- limits of drops, battery, charging ------------------------------------------------------------

PRESSED = "key=run,start=pressed"


@pytest.mark.parametrize(
    ("condition", "plus", "minus", "limit"),
    [
        # one cable or connector while cranking 0.2 V: TM 9-2320-211-20
        (PRESSED, "battery_plus_post.b", "solenoid.battery", 0.2),
        (PRESSED, "solenoid.motor", "starter_motor.plus", 0.2),
        # whole cranking circuit 0.5 V: TM 5-3805-254-14&P-2
        (PRESSED, "battery.plus", "starter_motor.plus", 0.5),
        # starter ground side 0.3 V: trade, from memory; solenoid main contact 0.2 to 0.3: from memory
        (PRESSED, "starter_motor.case", "battery.minus", 0.3),
        (PRESSED, "solenoid.battery", "solenoid.motor", 0.3),
        # one wire or switch of a control circuit 0.1 V: TM 5-3820-256-24-4
        (PRESSED, "start_button.feed", "start_button.out", 0.1),
        (PRESSED, "key_switch.feed", "key_switch.run", 0.1),
        (PRESSED, "start_button.out", "solenoid.coil_plus", 0.1),
        # control circuit with pull-in on 1.0 V: TM 5-2420-230-24-2, here without the diode's own 0.7 V
        (PRESSED, "battery.plus", "solenoid.coil_plus", 0.5),
        # relay contact 200 mV at most at 10 A: data sheet
        ("front_brake=pulled,key=run", "main_relay.common", "main_relay.out", 0.2),
        # alternator lead 0.4 V: TM 9-2320-361-24-1
        ("engine=5000,key=run", "regulator.plus", "battery.plus", 0.4),
        # ground of lights 0.1 to 0.2 V: trade, from memory
        ("key=run", "headlamp.ground", "battery.minus", 0.2),
        ("key=run,rear_brake=pressed", "rear_lamp.ground", "battery.minus", 0.2),
        # feed of a load 0.5 V: trade, from memory
        ("key=run", "battery.plus", "headlamp.low", 0.5),
        ("front_brake=pulled,key=run", "battery.plus", "rear_lamp.brake", 0.6),
        ("horn=pressed,key=run", "battery.plus", "horn.plus", 0.5),
    ],
)
def test_a_sound_loom_keeps_the_limits_of_drop(condition: str, plus: str, minus: str, limit: float) -> None:
    assert 0.0 < volts(condition, plus) - volts(condition, minus) <= limit


def test_cranking_and_charging_stay_in_the_handbooks_windows() -> None:
    """9.6 V floor (TM 10-3930-671-24 p. F-299), about 10.8 V computed for a healthy battery (12.75 - 0.35 -
    90 A x 18 mohm); 13.8 to 14.8 V at 4000 to 5000 rpm (practice, from memory)."""
    assert 9.6 <= reading("lowest_volts:battery.plus:battery.minus@key=run,start=pressed") <= 11.0
    for engine in ("4000", "5000"):
        volts_running = reading(f"volts:battery.plus:battery.minus@engine={engine},key=run")
        assert 13.8 <= volts_running <= 14.8


def test_a_rested_battery_reads_its_state_of_charge() -> None:
    """12.6 V full, 12.2 at half, at most 12.0 at a quarter (TM 5-3805-262-20 p. 5-142, +-0.1 V)."""
    id = "volts:battery.plus:battery.minus@"
    assert reading(id) == pytest.approx(12.65, abs=0.1)
    assert reading(id, "battery.low") <= 12.4
    assert reading(id, "battery.flat") <= 12.0
    # one cell short of six: 10.5 to 10.8 V rested (common practice, no source)
    assert 10.3 <= reading(id, "battery.dead_cell") <= 10.9


def test_the_standing_current_is_that_of_a_bike_without_a_clock() -> None:
    """0 to 1 mA without clock or alarm; 25 mA is the limit (web trade text; from memory)."""
    assert reading("amps:battery@") <= 0.001
    assert reading("amps:battery@", "regulator.leaks") > 0.025


def test_the_main_relay_is_a_mini_relay() -> None:
    """85 ohm +-10 %, operates at 8 V at most, drops at 1.5 V at least, 0.148 A at 12.6 V (mini relay)."""
    built = world().built
    coil = built.elements["main_relay.coil"].values["resistance"]
    pull = built.devices["main_relay.pull"].values
    assert coil == pytest.approx(85, rel=0.1)
    assert pull["operate_volts"] <= 8.0 and pull["release_volts"] >= 1.5
    assert amperes("key=run", "main_relay.coil") * 12.6 / 12.2 == pytest.approx(0.148, rel=0.1)


@pytest.mark.parametrize(("emf", "pulled"), [(6.5, False), (8.6, True)])
def test_the_main_relay_pulls_between_the_sheets_limits(emf: float, pulled: bool) -> None:
    """Not below 7 V, surely at 8 V at the coil (mini ISO relay sheet)."""
    from diagnose.bike.build import condition_edits
    from diagnose.circuit.netlist import Case, Change
    from diagnose.circuit.solve import compile_netlist, settle_cases

    built = world().built
    edits = (*condition_edits(built, as_condition(built, "key=run")), Change("battery.cell", "emf", emf))
    solved_case = settle_cases(compile_netlist(built.netlist), [Case(edits)])
    assert bool(solved_case.state("main_relay.pull")[0]) is pulled


# ---- ghost volts -----------------------------------------------------------------------------------


def test_a_leak_of_one_megohm_reads_as_nearly_full_volts_and_lights_nothing() -> None:
    """12.6 V behind 1 Mohm into a 10 Mohm meter: 10/11, 11.45 V (voltage divider)."""
    faults = ("rear_lamp.tail_open", "rear_plug_tail.poor=1Mohm")
    feed = volts("key=run", "rear_plug_tail.a", *faults)
    ghost = reading("volts:rear_lamp.tail:battery.minus@key=run", *faults)
    assert ghost == pytest.approx(feed * 10 / 11, rel=0.01)
    assert ghost / feed * 12.6 == pytest.approx(11.45, rel=0.01)
    assert word("lamp:rear_lamp.tail:battery.minus@key=run", *faults) == "dark"


def test_a_meter_on_a_loose_end_reads_about_nothing() -> None:
    """A floating point has no volts of its own; a 10 Mohm meter pulls it to zero (common practice)."""
    for fault, point in (
        ("tail_feed.broken", "rear_plug_tail.a"),
        ("low_wire.broken", "headlamp_plug_low.a"),
    ):
        assert abs(reading(f"volts:{point}:battery.minus@key=run", fault)) < 0.05


def test_a_diode_across_a_relay_coil_cannot_be_seen_by_a_meter() -> None:
    """About 1 mA of the diode range through 85 ohm: 0.085 V both ways (Ohm's law)."""
    ends = ("main_relay.coil_plus", "main_relay.coil_minus")
    for plus, minus in (ends, ends[::-1]):
        shows = reading(f"diode:{plus}:{minus}@apart=key_plug,battery=off")
        assert shows == pytest.approx(0.085, rel=0.15)


def test_a_bar_switch_ground_lost_kills_all_its_inputs_at_once() -> None:
    """One ground wire serves the left bar; without it nothing of it works and nothing else fails."""
    lost = awake("horn=pressed,indicator=left,key=run", "left_bar_ground.broken")
    assert lost == {"dash", "neutral_lamp", "socket", "tail_light"}


def test_the_kill_wire_is_open_to_run_and_closed_to_stop() -> None:
    """Earth connection open for a magneto to run (Kean, The Petrol Engine, 1915, appendix)."""
    id = "ohms:cdi_plug_kill.a:engine.metal@apart=cdi_plug,battery=off,{}"
    assert math.isinf(reading(id.format("key=run")))
    assert reading(id.format("key=run,kill=stop")) < 1.0
    assert reading(id.format("key=off")) < 1.0
    assert state("engine=idle,key=run,kill=stop", "engine_stop_kill") == "works"
    assert state("engine=idle,key=run,kill=stop", "engine_stop_kill", "kill_bar_wire.broken") == "dead"
    assert state("engine=cranking,key=run", "spark", "kill_wire.chafed=20mohm") == "dead"
