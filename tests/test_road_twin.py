"""The road twin as a tradesman would check it: points, coils, flasher, interlock, three phases.

Sources are named beside each check; "from memory" and "common practice, no source" where that is so. The
circuit is ngspice's matter elsewhere; here the knowledge is on trial, and what of the program it needed.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from diagnose.bike.acts import FUNCTION_WORDS, measurements
from diagnose.bike.asked import parse_measurement
from diagnose.bike.build import Build, ac_edits, build
from diagnose.bike.candidates import single_faults
from diagnose.bike.currents import Service, as_condition, service
from diagnose.bike.model import JobState
from diagnose.bike.points import high_tension_nodes
from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.read import load_library
from diagnose.circuit.netlist import Change
from diagnose.conversation.facts import role_of
from diagnose.decks import measurement_deck
from diagnose.errors import KnowledgeError
from diagnose.expect import Situation, situation
from diagnose.ngspice import reading as deck_reading
from diagnose.ngspice import run_deck
from diagnose.predictions import effects

KNOWLEDGE = Path(__file__).parents[1] / "knowledge"


@cache
def loom() -> tuple[Build, Service]:
    built = build(compose_bike(load_library(KNOWLEDGE), "road_twin"))
    return built, service(built)


@cache
def bike(*faults: str) -> Situation:
    return situation(*loom(), load_library(KNOWLEDGE).instruments, faults)


def measured(id: str):
    return parse_measurement(loom()[0], load_library(KNOWLEDGE).instruments, id)


def volts(condition: str, point: str, *faults: str) -> float:
    """Against the battery's minus post."""
    s, spec = bike(*faults), loom()[0].spec
    solution = s.predictor.solution(s.job, as_condition(loom()[0], condition))
    return float(solution.between(spec.nodes[point], spec.nodes["battery.minus"])[s.index])


def state(condition: str, function: str, *faults: str) -> str:
    """The likeliest word."""
    s, built = bike(*faults), loom()[0]
    words = s.predictor.function_words(s.job, function, as_condition(built, condition))[s.index]
    return FUNCTION_WORDS[built.spec.functions[function].kind][int(np.argmax(words))]


def reading(id: str, *faults: str) -> float:
    s = bike(*faults)
    m = measured(id)
    return float(s.predictor.columns(s.job, [m])[id].value[s.index])


def test_everything_works_on_the_sound_twin() -> None:
    """Each function in its own condition; the oracle is what the bike is for."""
    functions = loom()[0].spec.functions
    assert len(functions) == 27
    for f in functions.values():
        assert state(f.when, f.id) == "works", f.id


@pytest.mark.parametrize("side", ["left", "right"])
def test_points_carry_the_coil_current_closed_and_let_the_volts_back_open(side: str) -> None:
    """Closed points lose 0 to 0.2 V and the coil's feed is within 0.5 V of the post; open, the minus blade
    shows the feed's volts (common practice, no source)."""
    closed, opened = f"key=run,points_{side}=closed", f"key=run,points_{side}=open"
    assert 0.0 < volts(closed, f"coil_{side}.minus") <= 0.2
    assert volts(closed, "battery.plus") - volts(closed, f"coil_{side}.plus") <= 0.5
    assert volts(opened, f"coil_{side}.minus") == pytest.approx(volts(opened, f"coil_{side}.plus"), abs=0.02)


@pytest.mark.parametrize("side", ["left", "right"])
def test_coils_read_as_coils_for_points_do(side: str) -> None:
    """Primary 3 to 5 ohm, secondary 5 to 15 kohm, cap 5 kohm (handbook ranges, from memory)."""
    assert 3.0 <= reading(f"ohms:coil_{side}.plus:coil_{side}.minus@battery=off") <= 5.0
    assert 5e3 <= reading(f"ohms:coil_{side}.tower:coil_{side}.plus@battery=off") <= 15e3
    assert reading(f"ohms:plug_cap_{side}.lead:plug_cap_{side}.plug@battery=off") == pytest.approx(
        5e3, rel=0.25
    )


@pytest.mark.parametrize(
    ("fault", "plug", "points"),
    [
        ("left_points.do_not_make", "dead", "dead"),
        ("left_points.closed_up", "dead", "dead"),
        ("condenser_left.open", "weak", "weak"),
        ("condenser_left.shorted", "dead", "dead"),
        ("coil_left.secondary_open", "dead", "works"),
        ("plug_cap_left.open", "dead", "works"),
        ("spark_plug_left.fouled", "dead", "works"),
    ],
)
def test_one_sick_cylinder_leaves_the_other_its_spark(fault: str, plug: str, points: str) -> None:
    """What is common to both is fed; points, condenser, coil and leads are each cylinder's own. Good at the
    points and none at the plug: the high-tension side. An arc at the points and a thin spark: the
    condenser (common practice, no source)."""
    crank = "engine=cranking,key=run"
    assert state(crank, "spark_left", fault) == plug
    assert state("key=run,points_left=closed", "break_left", fault) == points
    assert state(crank, "spark_right", fault) == "works"


@pytest.mark.parametrize("fault", ["kill_switch.does_not_make", "ignition_fuse.blown", "coil_feed.broken"])
def test_a_broken_feed_takes_both_sparks(fault: str) -> None:
    for side in ("left", "right"):
        assert state("engine=cranking,key=run", f"spark_{side}", fault) == "dead"


def test_battery_ignition_runs_with_its_kill_switch_closed() -> None:
    """Coil and battery: the circuit is closed to run (Kean, The Petrol Engine, 1915, appendix). So a switch
    that no longer opens does not stop the engine, and unplugging it is no danger."""
    stop = "engine=idle,key=run,kill=stop"
    assert state(stop, "engine_stop_kill") == "works"
    assert state(stop, "engine_stop_kill", "kill_switch.does_not_break") == "dead"
    assert state("engine=idle", "engine_stop_key", "kill_switch.does_not_break") == "works"
    assert role_of("kill_switch", "kill switch", "switch", "kill_switch_feed") == "none"
    assert role_of("kill_switch", "kill switch", "switch", "kill_switch") == "kill"


def test_the_starter_turns_in_neutral_or_with_the_clutch_pulled() -> None:
    gear = "gear=in_gear,key=run,start=pressed"
    assert state(gear, "starter") == "dead"
    assert state(f"clutch=pulled,{gear}", "starter") == "works"
    assert state("key=run,start=pressed", "starter", "interlock_diode.open") == "dead"
    assert state("clutch=pulled,key=run,start=pressed", "starter", "interlock_diode.open") == "works"
    assert state("key=run,kill=stop,start=pressed", "starter") == "dead"


def test_the_diode_keeps_the_neutral_lamp_out_of_the_clutch_switchs_way() -> None:
    pulled = "clutch=pulled,gear=in_gear,key=run"
    assert state(pulled, "neutral_lamp") == "dead"
    assert state(pulled, "neutral_lamp", "interlock_diode.shorted=20mohm") == "works"


def test_the_flasher_is_seen_when_it_sticks_or_dies_or_misses_a_lamp() -> None:
    """One lamp of a pair open: the rate differs or flashing stops, and the good lamp's volts do not fall
    (trade texts on two-pin thermal flashers)."""
    left = "indicator=left,key=run"
    assert state(left, "left_indicator", "flasher.stuck") == "steady"
    assert state(left, "left_indicator", "flasher.dead") == "dead"
    fault = "rear_left_indicator.open"
    assert state(left, "left_indicator", fault) in ("fast", "steady")
    assert state("indicator=right,key=run", "right_indicator", fault) == "works"
    assert volts(left, "front_left_indicator.feed", fault) >= volts(left, "front_left_indicator.feed")


def test_a_heated_flasher_stalls_more_the_less_it_is_loaded() -> None:
    """Trade texts: load too small speeds it up or holds it still; full load flashes. Rows are words."""
    lit, never = np.ones((2, 3)), np.zeros(3, dtype=bool)
    load = np.array([1.0, 0.5, 0.2])
    words = effects.flash_words(lit, load, True, never, stalls=True)
    assert words.sum(axis=1) == pytest.approx(1.0)
    assert words[0, 0] > 0.95
    assert words[1, 1] + words[1, 3] > 0.95 and 0.2 < words[1, 3] < 0.8
    assert words[2, 3] > 0.95
    plain = effects.flash_words(lit, load, True, never)
    assert plain[:, 3] == pytest.approx(0.0) and plain[2, 1] > 0.95


def test_the_single_tell_tale_finds_its_ground_through_the_other_sides_cold_lamps() -> None:
    left = "indicator=left,key=run"
    gone = ("front_right_indicator.open", "rear_right_indicator.open")
    assert state(left, "tell_tale_left") == "works"
    assert state(left, "tell_tale_left", *gone) == "dead"
    assert state(left, "left_indicator", *gone) == "works"


def test_the_three_pairs_of_the_stator_are_alike_and_in_the_trades_range() -> None:
    """32 to 40 V AC at 2000 rpm unloaded (owners' forum text); alike within 10 % (from memory); two phases
    of a star give sqrt(3) times one (closed form)."""
    apart = "apart=stator_plug,engine=2000"
    pairs = [reading(f"ac_volts:stator.{a}:stator.{b}@{apart}") for a, b in ("ab", "bc", "ca")]
    assert max(pairs) <= 1.1 * min(pairs)
    assert all(32.0 <= v <= 40.0 for v in pairs)
    assert pairs == pytest.approx([math.sqrt(3.0) * 10.4 * 2.0] * 3, rel=1e-3)
    assert math.isinf(reading("ohms:stator.a:engine.metal@apart=stator_plug,battery=off"))


@pytest.mark.parametrize("pair", ["a:stator.b", "b:stator.c", "c:stator.a"])
def test_ngspice_reads_the_same_ac_volts_of_each_pair(pair: str) -> None:
    """Both of its phasor parts lie on one deck, turned to the height of the reading."""
    m = measured(f"ac_volts:stator.{pair}@engine=2000")
    s = bike("stator_plug_a.poor=3ohm")
    deck = measurement_deck(s.predictor, s.index, JobState(), m, m.id)
    own = float(s.predictor.columns(JobState(), [m])[m.id].value[s.index])
    assert abs(deck_reading(deck, run_deck(deck))) == pytest.approx(own, rel=1e-3, abs=2e-3)


def test_half_the_pair_volts_are_left_where_a_phase_is_open() -> None:
    """The loose end of a star load sits midway between the other two: half their volts (closed form)."""
    s = bike("stator.open")
    condition = as_condition(loom()[0], "engine=5000,key=run")
    assert s.predictor.charge_share(JobState(), condition)[s.index] == pytest.approx(0.5, abs=0.01)
    posts = "volts:battery.plus:battery.minus@engine=5000,key=run"
    assert reading(posts, "stator.open") < 13.2 < 13.8 <= reading(posts) <= 14.8  # from memory


def test_windings_lag_each_other_by_a_third_of_a_turn() -> None:
    """Three equal phases sum to nothing at every angle (closed form)."""
    built, _ = loom()
    for angle in (0.0, 37.0, 90.0):
        edits = ac_edits(built, as_condition(built, "engine=1000"), angle)
        emfs = [e.value for e in edits if isinstance(e, Change) and e.target.startswith("stator.winding")]
        assert len(emfs) == 3 and sum(emfs) == pytest.approx(0.0, abs=1e-9)
        assert max(np.abs(emfs)) > 5.0


def test_no_live_meter_is_sent_to_the_sparks_path_and_the_points_cover_is_counted() -> None:
    built, in_use = loom()
    planned = measurements(built, in_use, load_library(KNOWLEDGE).instruments)
    hot = high_tension_nodes(built)
    assert built.spec.nodes["coil_left.tower"] in hot and built.spec.nodes["engine.metal"] not in hot
    for m in planned.values():
        if m.kind in ("volts", "drop", "lamp"):
            assert built.spec.nodes[m.plus] not in hot and built.spec.nodes[m.minus] not in hot, m.id
        if "points_left=" in m.condition.text:
            assert "points_place" in m.places, m.id
    lamps = [m for m in planned if m.startswith("lamp:signals_fuse.in:signals_fuse.out")]
    wanted = ("horn=pressed", "indicator=left", "indicator=right", "front_brake=pulled", "rear_brake=pressed")
    assert all(any(w in m for m in lamps) for w in wanted)  # a short behind a switch shows only with it on


def test_there_are_some_hundred_faults_and_only_those_of_used_wiring() -> None:
    built, in_use = loom()
    faults = single_faults(built, in_use)
    assert 300 <= len(faults) <= 600
    assert not any("assembly" in f.tags for f in faults)


def change(folder: Path, file: str, old: str, new: str) -> None:
    text = (folder / file).read_text(encoding="utf-8")
    assert old in text, f"the tiny knowledge base has no {old!r}"
    (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")


def said(folder: Path) -> str:
    with pytest.raises(KnowledgeError) as err:
        compose_bike(load_library(folder), "tiny")
    return str(err.value)


def test_a_high_tension_terminal_that_the_kind_lacks_is_refused(tiny_knowledge: Path) -> None:
    file = next(
        f for f in (tiny_knowledge / "components").glob("*.yaml") if "lamp_21w:" in f.read_text("utf-8")
    )
    text = file.read_text("utf-8").replace("lamp_21w:\n", "lamp_21w:\n    high_tension: [feeed]\n", 1)
    file.write_text(text, encoding="utf-8")
    assert "unknown terminal 'feeed'; try feed" in said(tiny_knowledge)


def test_the_side_of_a_terminal_that_the_kind_lacks_is_refused(tiny_knowledge: Path) -> None:
    file = next(
        f for f in (tiny_knowledge / "components").glob("*.yaml") if "lamp_21w:" in f.read_text("utf-8")
    )
    text = file.read_text("utf-8").replace(
        "lamp_21w:\n", 'lamp_21w:\n    sides: {feeed: "left", feed: [1]}\n', 1
    )
    file.write_text(text, encoding="utf-8")
    told = said(tiny_knowledge)
    assert "unknown terminal 'feeed'; try feed" in told and "the side of feed is not text" in told


def test_a_control_in_a_place_that_the_bike_lacks_is_refused(tiny_knowledge: Path) -> None:
    change(
        tiny_knowledge, "sections/lamp_circuit.yaml", 'rest: "off", words', 'rest: "off", place: attic, words'
    )
    assert "key: unknown place 'attic'; expected one of seat, tail" in said(tiny_knowledge)


def test_a_need_in_a_condition_that_the_bike_lacks_is_refused(tiny_knowledge: Path) -> None:
    ends = "quantity: volts, plus: tail_lamp.feed, minus: frame.metal"
    need = f'{{{ends}, when: "points=open", weak: "8 V", dead: "4 V", below: true}}'
    old = "functions:\n"
    new = f'functions:\n  spark: {{title: "spark", kind: spark, when: "key=run", needs: [{need}]}}\n'
    change(tiny_knowledge, "sections/lamp_circuit.yaml", old, new)
    assert "spark: condition 'points=open': unknown control 'points'" in said(tiny_knowledge)
