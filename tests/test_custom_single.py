"""The custom single as a tradesman would check it, against handbook figures and closed forms.

Sources are named beside each check; "from memory" and "common practice, no source" where that is so. The
solver is checked elsewhere (against ngspice); here it is the knowledge that is on trial.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from diagnose.bike.asked import parse_measurement
from diagnose.bike.build import Build, build
from diagnose.bike.candidates import read_fault, single_faults
from diagnose.bike.currents import Service, as_condition, service
from diagnose.bike.model import Candidate, JobState
from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.read import load_library
from diagnose.expect import Situation, expect
from diagnose.predictions.compute import Predictor

KNOWLEDGE = Path(__file__).parents[1] / "knowledge"
BIKE, LED = "custom_single", "custom_single_led"

# fault, condition, function, what a tradesman expects of it there
EFFECTS = [
    ("kill_wire.chafed=20mohm", "engine=cranking,key=run", "spark", "dead"),
    ("cdi.dead", "engine=cranking,key=run", "spark", "dead"),
    ("plug_cap.open", "engine=cranking,key=run", "spark", "dead"),
    ("key_switch.kill_open", "engine=idle", "engine_stop_key", "dead"),
    ("battery.old", "key=run,start=pressed", "starter", "clicks"),
    ("battery.low", "key=run,start=pressed", "starter", "slow"),
    ("interlock_diode.reversed", "key=run,start=pressed", "starter", "dead"),
    ("solenoid.welded", "key=run", "starter", "works"),
    ("module_fuse.blown", "key=run", "low_beam", "dead"),
    ("low_wire.crossed=high_wire", "key=run,lights=high", "high_beam", "dead"),
    ("front_left_indicator.open", "indicator=left,key=run", "left_indicator", "fast"),
    ("left_bar_plug_ground.backed_out", "horn=pressed,key=run", "horn", "dead"),
    ("horn_return.chafed=20mohm", "key=run", "horn", "works"),
    ("rear_brake_switch.stuck", "key=run", "brake_light_rear", "works"),
    ("stator.open", "engine=5000,key=run", "charging", "dead"),
    ("main_relay.stuck", "key=off", "dash", "works"),
]
BLOWN = {"acc_front": "acc_fuse", "key_run": "main_fuse", "charge_feed": "charge_fuse"}
BAD_JOINT = "headlamp_plug_low.poor=1.6ohm"
FAULTS = tuple(
    dict.fromkeys(
        (
            *(row[0] for row in EFFECTS),
            *(f"{wire}.chafed={ohms}" for wire in BLOWN for ohms in ("20mohm", "1.5ohm")),
            "rear_ground.off",
            "rear_ground.poor=3ohm",
            BAD_JOINT,
            "front_left_indicator.reversed",
        )
    )
)


@cache
def library():
    return load_library(KNOWLEDGE)


@cache
def loom(bike: str) -> tuple[Build, Service]:
    built = build(compose_bike(library(), bike))
    return built, service(built)


@cache
def bench(bike: str) -> tuple[Predictor, tuple[str, ...]]:
    """One predictor for the sound bike and all faults used here, so that each condition is solved once."""
    built, in_use = loom(bike)
    names = tuple(f for f in FAULTS if (bike == LED) == f.endswith("_indicator.reversed"))
    faults = [read_fault(built, in_use, f) for f in names]
    candidates = [Candidate("no_fault", (), 0.5), *(Candidate(f.id, (f,), 0.1) for f in faults)]
    return Predictor(built, in_use, candidates, library().instruments), ("", *names)


@cache
def shown(condition: str, faults: tuple[str, ...] = (), ids: tuple[str, ...] = (), bike: str = BIKE) -> dict:
    """The `expect` object: points against battery minus, states of functions, readings."""
    built, _ = loom(bike)
    predictor, names = bench(bike)
    predictor.found()
    s = Situation(predictor, names.index("".join(faults)), JobState(), faults, fresh=False)
    wanted = [parse_measurement(built, library().instruments, i) for i in ids]
    return expect(s, as_condition(built, condition), wanted)


def volts(condition: str, point: str, *faults: str, bike: str = BIKE) -> float:
    points = {p["point"]: p["volts"] for p in shown(condition, faults, bike=bike)["points"]}
    return points[point]


def state(condition: str, function: str, *faults: str, bike: str = BIKE) -> str:
    states = {f["function"]: f["state"] for f in shown(condition, faults, bike=bike)["functions"]}
    return states[function]


def reading(measurement: str, *faults: str, bike: str = BIKE) -> float:
    """What the meter shows; inf for OL."""
    (r,) = shown("", faults, (measurement,), bike)["readings"]
    return float("inf") if r["value"] is None else r["value"]


def amperes(element: str, condition: str, bike: str = BIKE) -> float:
    built, _ = loom(bike)
    one = service(built, [as_condition(built, condition)])
    row = next(i for i, e in enumerate(built.netlist.elements) if e.id == element)
    return float(one.currents[row, 0])


ALL_ON = "front_brake=pulled,horn=pressed,indicator=left,key=run"


@pytest.mark.parametrize("bike", [BIKE, LED])
def test_everything_works_on_a_sound_bike(bike: str) -> None:
    """Each function in its own condition; the oracle is what the bike is for."""
    functions = loom(bike)[0].spec.functions
    assert len(functions) == 20
    for f in functions.values():
        assert state(f.when, f.id, bike=bike) == "works", f.id


def test_the_loom_has_the_size_of_a_real_one() -> None:
    """Order of magnitude of a small real loom (common practice, no source)."""
    built, in_use = loom(BIKE)
    assert 110 <= len(set(built.spec.nodes.values())) <= 145
    assert 50 <= len(built.spec.wires) <= 80
    assert 200 <= len(single_faults(built, in_use)) <= 600


def test_headlamp_loses_as_much_as_a_sound_loom_does() -> None:
    """0.5 V for the feed of a load, 0.1 to 0.2 V for its ground: trade limits, from memory."""
    post = volts("key=run", "battery.plus")
    feed, ground = volts("key=run", "headlamp.low"), volts("key=run", "headlamp.ground")
    assert 12.2 <= post <= 12.5  # posts with lights on, engine off: 12.2 to 12.4, common practice
    assert 0.2 <= post - feed <= 0.5
    assert 0.05 <= ground <= 0.2


def test_headlamp_draws_what_its_rating_says() -> None:
    """55 W at 12 V is 4.58 A; current goes as V^0.55 (lamp rerating, Fink & Beaty, 11th ed., p. 22-8)."""
    across = volts("key=run", "headlamp.low") - volts("key=run", "headlamp.ground")
    assert amperes("headlamp.low_filament", "key=run") == pytest.approx(
        55 / 12 * (across / 12) ** 0.55, rel=0.01
    )


def test_no_fuse_is_loaded_beyond_four_fifths_of_its_rating() -> None:
    """Load at most 70 to 80 % of the rating: common rule, from memory."""
    built, _ = loom(BIKE)
    seen = 0
    for fuse, links in built.fuses.items():
        condition = "engine=5000,key=run" if fuse == "charge_fuse" else ALL_ON
        rating = built.elements[links[0]].values["rating"]
        load = amperes(links[0], condition)
        assert 0.05 * rating < load <= 0.8 * rating, fuse
        seen += 1
    assert seen == 4


# mm2 -> A of a single thin-wall wire (loom practice, from memory)
CARRIES = {0.5: 11, 0.75: 14, 1.0: 16.5, 1.5: 21, 2.0: 25, 2.5: 29, 4.0: 39}
BEHIND = {
    "main_fuse": ("relay_feed", "key_feed", "key_run", "start_feed", "start_wire"),
    "acc_fuse": ("acc_front", "tail_feed", "rear_brake_feed", "dash_feed", "horn_feed", "socket_feed"),
    "module_fuse": ("module_feed",),
    "charge_fuse": ("charge_feed", "charge_fuse_wire"),
}


def test_no_fuse_is_rated_above_the_weakest_wire_behind_it() -> None:
    """Fuse rule of the trade, from memory."""
    built, _ = loom(BIKE)
    for fuse, wires in BEHIND.items():
        rating = built.elements[built.fuses[fuse][0]].values["rating"]
        for wire in wires:
            assert rating <= CARRIES[built.spec.wires[wire].area_mm2], (fuse, wire)


def test_the_regulator_joins_the_battery_by_its_own_fuse() -> None:
    """Never behind the main fuse: common practice, no source."""
    assert volts("engine=5000,key=run,out=main_fuse", "battery.plus") > 13.8
    assert volts("engine=5000,key=run,out=charge_fuse", "battery.plus") < 12.7
    with_main_out = volts("engine=5000,key=run,out=main_fuse", "main_fuse.out")
    assert abs(with_main_out) < 0.1


def test_cranking_takes_what_a_single_takes() -> None:
    """60 to 100 A for 250 to 600 cm3 (from memory); posts above 9.6 V (TM 10-3930-671-24 p. F-299); drop
    of the whole circuit at most 0.5 V plus 0.3 V (TM 5-3805-254-14&P-2; ground from memory)."""
    pressed = "key=run,start=pressed"
    assert 60 <= amperes("starter_motor.armature", pressed) <= 100
    post = volts(pressed, "battery.plus")
    assert 9.6 < post < 11.0
    assert post - volts(pressed, "starter_motor.plus") <= 0.5
    assert volts(pressed, "engine.metal") <= 0.3
    assert volts(pressed, "solenoid.battery") - volts(pressed, "solenoid.motor") <= 0.3


def test_charging_volts_are_those_of_a_motorcycle() -> None:
    """13.8 to 14.8 V at 5000 rpm, 12.2 to 13.2 V at idle with lights: practice, from memory."""
    assert 13.8 <= volts("engine=5000,key=run", "battery.plus") <= 14.8
    assert 12.2 <= volts("engine=idle,key=run", "battery.plus") <= 13.2


def test_nothing_but_the_regulator_takes_current_at_rest() -> None:
    """At most 25 mA is sound on a motorcycle, 0 to 1 mA without a clock (trade web text)."""
    assert 0.0 < amperes("battery.cell", "") < 0.001


@pytest.mark.parametrize(
    ("measurement", "low", "high"),
    [
        # CDI source 80 to 700 ohm, trigger 20 to 600, primary 0.1 to 1.0, secondary 5 to 15 k (from memory)
        ("ohms:source_coil.out:source_coil.ground@apart=engine_plug,battery=off", 80, 700),
        ("ohms:trigger_coil.out:trigger_coil.ground@apart=engine_plug,battery=off", 20, 600),
        ("ohms:ignition_coil.primary:ignition_coil.core@apart=cdi_plug,battery=off", 0.1, 1.0),
        ("ohms:ignition_coil.tower:ignition_coil.core@battery=off", 5e3, 15e3),
        # plug cap 5 kohm +-25 % (trade web text)
        ("ohms:plug_cap.lead:plug_cap.plug@battery=off", 3.75e3, 6.25e3),
        # stator 0.1 to 2.5 ohm (owners' text); solenoid coil 3 to 6 ohm (from memory)
        ("ohms:stator.a:stator.b@apart=stator_plug,battery=off", 0.1, 2.5),
        ("ohms:solenoid.coil_plus:solenoid.coil_minus@battery=off", 3, 6),
        # 55 W filament cold 0.15 to 0.25 ohm, with its socket and the meter's leads taken off
        ("ohms:headlamp.low:headlamp.ground@apart=headlamp_plug,battery=off", 0.14, 0.26),
    ],
)
def test_windings_and_filaments_read_what_handbooks_say(measurement: str, low: float, high: float) -> None:
    assert low <= reading(measurement) <= high


def test_stator_gives_the_handbook_volts_unplugged_and_does_not_touch_the_engine() -> None:
    """32 to 40 V AC at 2000 rpm, each end OL to the engine (owners' text)."""
    assert 32 <= reading("ac_volts:stator.a:stator.b@apart=stator_plug,engine=2000") <= 40
    assert reading("ohms:stator.a:engine.metal@apart=stator_plug,battery=off") > 1e6


def test_a_missing_rear_ground_still_reads_half_an_ohm() -> None:
    """The classic trap: the way back leads through cold filaments.

    Closed form: a 21 W lamp is 12^2/21/13 = 0.527 ohm cold (ratio 13: inrush 13 to 14 times); rear and front
    lamp of a side in series, the two sides beside each other: 0.527 ohm, plus some 0.1 ohm of wire.
    With a 3 ohm joint in parallel: 0.45 to 0.52.
    """
    id = "ohms:rear_ground.a:battery.minus@battery=off"
    cold = 12**2 / 21 / 13
    missing = reading(id, "rear_ground.off")
    assert cold <= missing <= cold + 0.15
    bad = reading(id, "rear_ground.poor=3ohm")
    assert bad == pytest.approx(missing * 3 / (missing + 3), rel=0.02)
    assert reading(id) < 0.1


def test_brake_lamp_without_ground_feeds_back_through_the_running_light() -> None:
    """A 21 W filament in series with others: brake and indicators glow together, the brake light is weak."""
    assert state("key=run,rear_brake=pressed", "brake_light_rear", "rear_ground.off") != "works"
    assert volts("key=run,rear_brake=pressed", "front_left_indicator.feed", "rear_ground.off") > 1.0


def test_key_off_and_kill_switch_each_ground_the_source_coil() -> None:
    """Magneto and AC units stop when the kill wire is grounded (DIN 72552 terminal 2; Kean 1915)."""
    id = "ohms:cdi_plug_kill.a:engine.metal@apart=cdi_plug,battery=off,{}"
    assert reading(id.format("key=run")) > 1e6
    assert reading(id.format("key=run,kill=stop")) < 0.5
    assert reading(id.format("key=off")) < 0.5


@pytest.mark.parametrize(("fault", "condition", "function", "expected"), EFFECTS)
def test_faults_do_what_a_tradesman_expects(fault: str, condition: str, function: str, expected: str) -> None:
    """Common practice, no source."""
    assert state(condition, function, fault) == expected


def test_shorts_blow_their_own_fuse_and_smouldering_ones_do_not() -> None:
    """135 % of the rating opens a blade fuse (ISO 8820-3, from memory); 1.5 ohm draws 8 A."""
    for wire, fuse in BLOWN.items():
        assert shown("key=run", (f"{wire}.chafed=20mohm",))["found"]["opened"] == [fuse]
        assert shown("key=run", (f"{wire}.chafed=1.5ohm",))["found"]["opened"] == []


def test_a_bad_joint_shows_on_the_lamp_and_hides_from_the_meter() -> None:
    """A terminal that is nearly off reads full volts without load and none with the lamp lit."""
    lit = volts("key=run", "headlamp_plug_low.a", BAD_JOINT) - volts(
        "key=run", "headlamp_plug_low.b", BAD_JOINT
    )
    assert lit > 3.0
    apart = volts("apart=headlamp_plug,key=run", "headlamp_plug_low.a", BAD_JOINT)
    assert apart > 12.0


def test_a_reversed_led_stays_dark_and_a_sound_one_draws_little() -> None:
    """12 V LED indicators: 1 to 3 W each (from memory)."""
    one = "indicator=left,key=run"
    watts = amperes("front_left_indicator.light", one, LED) * volts(
        one, "front_left_indicator.feed", bike=LED
    )
    assert 1.0 <= watts <= 3.0
    assert state(one, "front_left_lamp", "front_left_indicator.reversed", bike=LED) == "dead"
    assert state(one, "rear_left_lamp", "front_left_indicator.reversed", bike=LED) == "works"


def test_assembly_faults_of_a_new_loom_are_there() -> None:
    """Left off, crossed, fed twice, wrong ground, reversed, wrong rating."""
    built, in_use = loom(BIKE)
    modes: Iterable[str] = {f.mode for f in single_faults(built, in_use) if "assembly" in f.tags}
    assert {
        "left_off",
        "crossed",
        "fed_twice",
        "wrong_place",
        "reversed",
        "wrong_rating",
        "wrong_watts",
    } <= set(modes)


def test_every_complaint_can_be_said_in_six_ways() -> None:
    assert len(library().complaints) >= 26
    for c in library().complaints.values():
        assert len(set(c.says)) >= 6, c.id
        assert all(len(s) <= 40 for s in c.says), c.id  # fits a phone's line


def test_tries_are_short_and_need_no_part() -> None:
    """A try is at most 10 minutes and no part."""
    tries = [(k.id, r) for k in library().kinds.values() for r in k.repairs if r.sort == "try"]
    assert len(tries) >= 30
    for kind, r in tries:
        assert r.minutes.number <= 10 and not r.parts, (kind, r.id)


def test_priors_of_no_spark_are_in_the_order_of_the_trade() -> None:
    """Fresh loom: kill branch, then grounds, plug and cap, then units (common practice, no source)."""
    built, in_use = loom(BIKE)
    share = {"kill": 0.0, "plug_and_cap": 0.0, "parts": 0.0}
    for f in single_faults(built, in_use):
        if "kill" in f.id.partition("=")[0] and f.mode in (
            "stuck",
            "wet",
            "kill_stuck",
            "chafed",
            "wet_path",
        ):
            share["kill"] += f.prior
        if f.component in ("spark_plug", "plug_cap"):
            share["plug_and_cap"] += f.prior
        if f.component in ("cdi", "ignition_coil"):
            share["parts"] += f.prior
    assert share["kill"] > share["plug_and_cap"] > share["parts"] > 0.0
    assert np.isfinite(sum(share.values()))
