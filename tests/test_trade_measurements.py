"""Measurements of a good hand: battery after a minute of lamps, lamp in a fuse's place, swap with the twin.

Outside figures: rested volts of a lead-acid battery by charge, US Army TM 5-3805-262-20 p. 5-142; filament
law I = I0 (V/V0)^0.55 and light as volts to the 3.4, lamp rerating (Fink & Beaty, Standard Handbook for
Electrical Engineers, 11th ed., p. 22-8); the headlamp minute, its 12.0 V and the sizes of hunting lamps are
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest
from oracles import filaments_in_series
from shipped import opened, world

from diagnose.bike.candidates import read_fault
from diagnose.bike.model import Candidate, JobState, Measurement
from diagnose.conversation import asking, evidence, names
from diagnose.conversation.sense import AMMETER_LIMIT
from diagnose.conversation.step import begin
from diagnose.decks import measurement_deck
from diagnose.ngspice import reading, run_deck
from diagnose.play import AS_KNOWN, Played, play
from diagnose.players import OwnPlayer
from diagnose.predictions.compute import Predictor
from diagnose.predictions.effects import LIGHT_EXPONENT

FULL, QUARTER = 12.6, 12.0  # V rested, TM 5-3805-262-20
LEAST_LIT = 12.0  # V after a minute of headlamp (common practice, no source)
TWIN = "road_twin"


def worked(bike: str = "custom_single") -> Measurement:
    (found,) = [m for m in world(bike).measurements.values() if m.kind == "worked_volts"]
    return found


def at_rest(bike: str = "custom_single") -> Measurement:
    m = worked(bike)
    return world(bike).measurements[f"volts:{m.plus}:{m.minus}@"]


@cache
def volts(m: Measurement, fault: str) -> float:
    w = world()
    column = w.table(JobState(), [m.id]).columns[m.id]
    assert column.value is not None
    return float(column.value[[c.id for c in w.candidates].index(fault)])


def moved(swap: str, fault: str) -> float:
    """Chance that the complaint moves with the part."""
    w = world(TWIN)
    words = w.table(JobState(), [swap]).columns[swap].words
    assert words is not None
    return float(words[[c.id for c in w.candidates].index(fault), 0])


def played(bike: str, complaint: str, kit: str, fault: str) -> Played:
    w = world(bike)
    hidden = read_fault(w.built, w.service, fault)
    player = OwnPlayer(w, Candidate(hidden.id, (hidden,), 0.5))
    options = {**AS_KNOWN, "complaints": [complaint], "kit": kit}
    return play(w, opened().rulebase, opened().wording, options, player, lambda r: r in hidden.repairs)


# ---- the battery after a minute of lamps ----------------------------------------------------------------


def test_a_surface_charge_reads_full_at_rest_and_low_once_it_has_worked() -> None:
    assert volts(at_rest(), "battery.surface_charge") >= FULL > QUARTER > volts(at_rest(), "battery.flat")
    assert volts(at_rest(), "no_fault") == pytest.approx(volts(at_rest(), "battery.surface_charge"), abs=0.1)
    assert volts(worked(), "no_fault") > LEAST_LIT > volts(worked(), "battery.surface_charge")
    assert worked().condition.engine == "off" and worked().wait_min == 1.0
    lit = world().spec.functions["high_beam"]
    assert worked().condition.text == lit.when  # the headlamp, not a lamp that flashes or is held on


def test_what_is_read_after_a_minute_is_not_read_at_once_at_the_posts_too() -> None:
    w, m = world(), worked()
    assert f"volts:{m.plus}:{m.minus}@{m.condition.text}" not in list(w.measurements)


@pytest.mark.oracle
def test_the_battery_reads_in_ngspice_as_here() -> None:
    w = world()
    for fault in ("battery.surface_charge", "battery.old", "battery.low"):
        hidden = read_fault(w.built, w.service, fault)
        own = (w.candidates[w.no_fault], Candidate(fault, (hidden,), 0.5))
        p = Predictor(w.built, w.service, own, w.library.instruments)
        for m in (worked(), at_rest()):
            deck = measurement_deck(p, 1, JobState(), m, m.id)
            assert reading(deck, run_deck(deck)) == pytest.approx(volts(m, fault), abs=0.01), (fault, m.id)


def test_a_low_battery_is_charged_before_another_is_bought() -> None:
    job = played("custom_single", "battery_flat", "meter", "battery.surface_charge")
    assert job.outcome == "repaired" and [a.repair for a in job.advice] == ["battery.charge"]
    assert worked().id in job.asked


# ---- a lamp in a fuse's place ---------------------------------------------------------------------------


def light(hunting: float, load: float) -> float:
    """Light of a hunting lamp in front of a lamp, against the same lamp straight across 12.4 V [1]."""
    _, volts = filaments_in_series(12.4, 0.0, [(12.0, hunting), (12.0, load)])
    return float((volts[0] / 12.4) ** LIGHT_EXPONENT)


def test_the_size_of_the_hunting_lamp_is_the_one_that_leaves_the_load_dull() -> None:
    """A 21 W lamp in front of 55 W gives 57 % of its light, a 55 W one 9 % (solved here by the 0.55 law)."""
    assert light(21.0, 55.0) == pytest.approx(0.57, abs=0.03) and light(55.0, 55.0) < 0.15
    assert light(21.0, 21.0) < 0.15
    lamps, w = world().view.fuse_lamps, world()
    assert set(lamps) == set(w.built.fuses) and lamps["main_fuse"] == 55.0 and lamps["charge_fuse"] == 21.0
    lit = [m for m in w.measurements.values() if m.kind == "lamp" and m.condition.out == ("main_fuse",)]
    assert lit
    for m in lit:
        words = w.table(JobState(), [m.id]).columns[m.id].words
        # a sound circuit is not taken for a short
        assert words is not None and words[w.no_fault, 0] < 0.35, m.id


def test_a_fuse_job_goes_by_the_lamp_and_puts_no_ammeter_into_a_short() -> None:
    """The feed of all rubs through: the lamp burns bright, and 10 A jacks are kept out (common practice)."""
    w = world()
    job = played("custom_single", "fuse_blows", "meter", "key_run.chafed=20mohm")
    assert job.outcome == "repaired"
    hidden = [c.id for c in w.candidates].index("key_run.chafed=20mohm")
    for mid in job.asked:
        m = w.measurements[mid]
        if m.kind == "amps":
            value = w.table(JobState(), [mid]).columns[mid].value
            assert value is not None and value[hidden] <= AMMETER_LIMIT, mid
    assert any(w.measurements[mid].kind == "lamp" and w.measurements[mid].condition.out for mid in job.asked)


# ---- what cannot be asked -------------------------------------------------------------------------------


def test_no_engine_without_spark_is_asked_to_run() -> None:
    """Points and coil live on the main fuse: with it blown nothing starts, whatever a meter would tell."""
    w = world(TWIN)
    job = played(TWIN, "indicators_dead", "meter", "main_fuse.blown")
    assert job.outcome == "repaired"
    assert not [mid for mid in job.asked if w.measurements[mid].engine_runs]


# ---- swaps ----------------------------------------------------------------------------------------------


def swap_of(part: str) -> str:
    (found,) = [m.id for m in world(TWIN).measurements.values() if m.kind == "swap" and part in m.components]
    return found


def test_parts_that_are_alike_and_serve_different_sides_can_be_swapped() -> None:
    pairs = {m.components for m in world(TWIN).measurements.values() if m.kind == "swap"}
    sides: Sequence[str] = ("coil", "condenser", "plug_cap", "spark_plug")
    assert {(f"{p}_left", f"{p}_right") for p in sides} <= pairs
    assert ("front_left_indicator", "front_right_indicator") in pairs
    assert not [m for m in world().measurements.values() if m.kind == "swap" and "coil" in m.what]  # a single


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_complaint_moves_with_the_part_and_stays_with_its_place(side: str) -> None:
    """Trade practice (common practice, no source): moved = coil, lamp, condenser; stays = points, holder."""
    assert moved(swap_of("coil_left"), f"coil_{side}.secondary_open") > 0.9
    assert moved(swap_of("coil_left"), f"{side}_points.do_not_make") < 0.1
    assert moved(swap_of("condenser_left"), f"condenser_{side}.shorted") > 0.9
    lamps = swap_of("front_left_indicator")
    assert moved(lamps, f"front_{side}_indicator.open") > 0.9
    holder = [c.id for c in world(TWIN).candidates if c.id.startswith(f"front_{side}_indicator.holder")]
    assert holder and max(moved(lamps, fault) for fault in holder) < 0.1


def test_the_proof_is_looked_for_at_the_cylinder_that_was_dead() -> None:
    w = world(TWIN)
    for side in ("left", "right"):
        proof = w.measurements[w.verify(f"coil_{side}.renew", ("spark_weak",))]
        assert proof.what == f"spark_{side}"


def test_what_a_short_has_blown_is_known_to_whoever_mends_it() -> None:
    w = world()
    ids = [c.id for c in w.candidates]
    assert w.blown(ids.index("key_run.chafed=20mohm")) and not w.blown(w.no_fault)
    assert np.all([set(w.blown(i)) <= set(w.built.fuses) for i in range(0, len(ids), 25)])


def test_what_a_look_decides_is_told_by_the_names_that_its_choices_have() -> None:
    """The choice says 'ground bolt under the tail', so the reason does not say 'rear ground'."""
    o, w = opened(), world()
    known = {"kit": "meter", "skill": "trade", "history": {}, "others": "skipped", "switches": "yes"}
    state, _ = begin({**known, "complaints": ["indicators_one_side"]}, w, o.rulebase, o.wording)
    look = w.measurements["inspect:under_tail@"]
    told = asking.decides(w, state, evidence.column(w, state.job, look.id), o.wording)
    assert "rear_ground" in look.choices
    assert f"{names.component(w, 'rear_ground')} points to" in told and "rear ground points to" not in told


def test_a_complaint_of_its_own_condition_is_looked_at_in_that_condition() -> None:
    """A gauge that stays at full is looked at with next to nothing in the tank; a brake light that is always
    on without the brake (common practice, no source)."""
    looks = world("tourer_relays").view.looks
    assert looks["fuel_gauge_full"] == ("observe:fuel_gauge@fuel=little,key=run",)
    assert "observe:fuel_gauge@fuel=little,key=run" in world("tourer_relays").measurements
    always = world().view.looks["brake_light_always"]
    assert always and all(look.endswith("@key=run") for look in always)
