"""The table of predictions: found state, job states, complaints, words, and what is kept on disk.

Numbers are checked against ngspice elsewhere; here are the properties that make them usable.
"""

from __future__ import annotations

import itertools
import math
import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shipped import awake, bike_with, opened, reading, shown, solved, state, volts, word, world

from diagnose.bike.acts import FUNCTION_WORDS
from diagnose.bike.candidates import candidates, read_fault
from diagnose.bike.currents import as_condition
from diagnose.bike.model import JobState, Measurement
from diagnose.catalogue.compose import compose_bike
from diagnose.errors import UsageError
from diagnose.locations import user_cache
from diagnose.predictions import effects
from diagnose.predictions import store as store_module
from diagnose.predictions.complaints import (
    ANY_ALIKE,
    MISTOLD,
    MISTOLD_MULTIPLE,
    TOLD_RIGHT,
    complaint_chance,
    functions_named,
    looked_at,
    told,
)
from diagnose.predictions.compute import Predictor
from diagnose.predictions.outcomes import planning_outcomes
from diagnose.predictions.store import Store, key_of
from diagnose.predictions.table import Column
from diagnose.wiring import BikeWorld

SHORTS = (
    "acc_front.chafed=20mohm",
    "acc_front.chafed=1.5ohm",
    "key_run.chafed=20mohm",
    "high_wire.chafed=20mohm",
    "headlamp.both_shorted=20mohm",
    "rear_lamp.shorted=20mohm",
    "rear_brake_wire.chafed=20mohm",
    "horn_feed.chafed=20mohm",
    "right_rear_wire.chafed=20mohm",
    "charge_feed.chafed=20mohm",
    "start_wire.chafed=20mohm",
    "dash.shorted=20mohm",
    "regulator.shorted=20mohm",
    "tail_feed.fed_twice=left_rear_wire,20mohm",
    "solenoid.welded",
    "rear_ground.off",
)


def predictor_of(faults: tuple[str, ...]) -> Predictor:
    """A predictor of the sound bike and these faults only."""
    w = world()
    chosen = candidates([replace(read_fault(w.built, w.service, f), prior=1.0) for f in faults])[:-1]
    return Predictor(w.built, w.service, chosen, w.library.instruments, w.latent_sd)


@pytest.fixture(scope="module")
def shorts() -> Predictor:
    return predictor_of(SHORTS)


def columns(p: Predictor, job: JobState, *names: str) -> Mapping[str, Column]:
    return p.columns(job, [world().parse(n) for n in names])


# ---- found state -----------------------------------------------------------------------------------


def test_the_bike_as_met_has_done_its_damage_already(shorts: Predictor) -> None:
    """Using it again in every way blows nothing more and latches nothing more."""
    found = shorts.found()
    seen = 0
    for condition in world().service.conditions:
        solution = shorts.solution(JobState(), condition)
        for device in shorts.built.netlist.devices:
            if device.law not in ("fuse", "output"):
                continue
            masks, value = (found.opened, 1) if device.law == "fuse" else (found.latched, 2)
            known = masks.get(device.id, np.zeros(len(shorts.candidates), dtype=bool))
            assert ((solution.state(device.id) == value) == known).all(), (device.id, condition.text)
            seen += 1
    assert seen >= 18 * 8


@pytest.mark.parametrize(
    ("fault", "opened_fuses", "latched"),
    [
        ("acc_front.chafed=20mohm", ["acc_fuse"], []),
        ("key_run.chafed=20mohm", ["main_fuse"], []),
        ("charge_feed.chafed=20mohm", ["charge_fuse"], []),
        # two switches away: only use finds it
        ("rear_brake_wire.chafed=20mohm", ["acc_fuse"], []),
        ("start_wire.chafed=20mohm", ["main_fuse"], []),
        # behind a solid-state output, which gives up before the fuse
        ("high_wire.chafed=20mohm", [], ["module.high_output"]),
        ("right_rear_wire.chafed=20mohm", [], ["module.right_output"]),
        # 8 A: below 1.35 times 10 A
        ("acc_front.chafed=1.5ohm", [], []),
        ("rear_ground.off", [], []),
    ],
)
def test_each_short_has_opened_what_protects_its_wire(
    fault: str, opened_fuses: list[str], latched: list[str]
) -> None:
    """135 % opens within 600 s (ISO 8820-3, from memory); a protected output latches off (from memory)."""
    assert shown("", fault)["found"] == {"opened": opened_fuses, "latched": latched}


def test_fresh_is_before_the_damage_and_found_after_it() -> None:
    """In a condition that does not load the short, a fresh fuse is whole and a found one is not."""
    short, at_rest = "rear_brake_wire.chafed=20mohm", "key=run"
    assert shown(at_rest, short, found=False)["found"] == {"opened": [], "latched": []}
    assert state(at_rest, "dash", short, found=False) == "works"
    assert state(at_rest, "dash", short) == "dead"
    assert volts(at_rest, "acc_fuse.out", short, found=False) > 12.0
    assert abs(volts(at_rest, "acc_fuse.out", short)) < 0.1


def test_a_fresh_short_blows_its_fuse_in_the_condition_that_loads_it() -> None:
    short = "rear_brake_wire.chafed=20mohm"
    assert state("key=run,rear_brake=pressed", "dash", short, found=False) == "dead"
    solution, column = solved("key=run,rear_brake=pressed", short, found=False)
    assert int(solution.state("acc_fuse.blow")[column]) == 1


# ---- job states ------------------------------------------------------------------------------------


def test_a_renewed_fuse_blows_again_while_the_short_is_there() -> None:
    short, renew = "rear_brake_wire.chafed=20mohm", ("renew:acc_fuse",)
    across = "ohms:acc_fuse.in:acc_fuse.out@battery=off"
    # not OL: the pull-ups of the module's inputs lead around it
    assert reading(across, short) > 1e3
    assert reading(across, short, done=renew) <= 0.1
    assert state("key=run", "dash", short, done=renew) == "works"
    assert state("key=run,rear_brake=pressed", "dash", short, done=renew) == "dead"
    assert state("key=run,rear_brake=pressed", "brake_light_rear", short, done=renew) == "dead"


def test_a_renewed_fuse_lives_once_the_short_is_mended() -> None:
    done = ("rear_brake_wire.mend", "renew:acc_fuse")
    short = "rear_brake_wire.chafed=20mohm"
    assert state("key=run,rear_brake=pressed", "brake_light_rear", short, done=done) == "works"
    # mended, and the old fuse still in: dead
    assert state("key=run", "dash", short, done=done[:1]) == "dead"


def test_what_is_out_apart_or_off_in_the_job_is_so_in_every_condition() -> None:
    assert awake("key=run", done=("out:acc_fuse",)) == awake("key=run,out=acc_fuse") == {"low_beam"}
    assert "dash" not in awake("key=run", done=("apart:dash_plug",))
    assert awake("key=run", done=("battery:off",)) == set()
    assert volts("key=run", "battery_plus_post.b", done=("battery:off",)) == pytest.approx(0.0, abs=1e-6)


def test_a_repair_done_needs_no_new_prediction(shorts: Predictor) -> None:
    """The candidates that it cures are out of question; the others read as before."""
    names = ("volts:acc_fuse.out:battery.minus@key=run", "observe:dash@key=run")
    before = columns(shorts, JobState(), *names)
    solved_before = len(shorts.solutions())
    after = columns(shorts, JobState(done=("acc_front.mend",), said=("rolled_neutral",)), *names)
    assert all(after[n] is before[n] for n in names)
    assert len(shorts.solutions()) == solved_before


def test_a_renewed_fuse_changes_only_the_candidates_that_had_blown_it(shorts: Predictor) -> None:
    """And these read as if they had been computed alone."""
    names = (
        "volts:acc_fuse.out:battery.minus@key=run",
        "ohms:acc_fuse.in:acc_fuse.out@battery=off",
        "observe:horn@horn=pressed,key=run",
        "inspect:acc_fuse@",
    )
    job = JobState(renewed=("acc_fuse",))
    before, after = columns(shorts, JobState(), *names), columns(shorts, job, *names)
    blown = shorts.found().opened["acc_fuse.blow"]
    assert 4 <= blown.sum() < len(blown) - 4
    # the sound bike, some that had blown it, some that had not
    rows = [0, *np.flatnonzero(blown)[:3], *np.flatnonzero(~blown)[1:3]]
    changed = 0
    for n in names:
        for i in rows:
            candidate = shorts.candidates[i]
            alone = bike_with((candidate.id,) if candidate.is_fault else (), True, ("renew:acc_fuse",))
            own = columns(alone.predictor, alone.job, n)[n]
            if after[n].value is not None:
                assert after[n].value[i] == pytest.approx(own.value[alone.index], rel=1e-4, abs=2e-3), (
                    n,
                    candidate.id,
                )
                if not blown[i]:
                    assert after[n].value[i] == before[n].value[i]
                changed += after[n].value[i] != before[n].value[i]
            else:
                assert after[n].words[i] == pytest.approx(own.words[alone.index], abs=2e-3), (n, candidate.id)
                if not blown[i]:
                    assert (after[n].words[i] == before[n].words[i]).all()
                changed += bool((after[n].words[i] != before[n].words[i]).any())
    assert changed >= 4


# ---- shapes of a table -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def some() -> tuple[list[Measurement], Mapping[str, Column]]:
    """Every third planned measurement of a few conditions, for all candidates."""
    w = world()
    conditions = {"", "key=run", "battery=off", "indicator=left,key=run", "key=run,start=pressed"}
    kinds = ("lamp", "amps")
    near = [
        m
        for m in w.measurements.values()
        if m.condition.text in conditions and (m.kind not in kinds or m.condition.text == "key=run")
    ]
    chosen = [m for k in {m.kind for m in near} for m in [x for x in near if x.kind == k][::3][:12]]
    return chosen, w.table(JobState(), [m.id for m in chosen]).columns


def test_columns_have_one_axis_of_candidates_and_say_what_they_are(some) -> None:
    chosen, table = some
    n = len(world().candidates)
    kinds = set()
    for m in chosen:
        c = table[m.id]
        kinds.add(m.kind)
        assert (c.measurement, c.kind, c.unit) == (m.id, m.kind, m.unit)
        if c.value is None:
            assert c.words is not None and c.words.shape == (n, len(m.choices)) and c.choices == m.choices
            assert c.words.sum(axis=1) == pytest.approx(np.ones(n), abs=2e-4 * len(m.choices))
            assert c.words.min() >= 0.0
        else:
            assert c.value.shape == c.spread.shape == (n,) and c.shift.shape == (n, 1)
            assert (c.spread > 0.0).all() and np.isfinite(c.spread).all()
            assert np.isnan(c.value[world().unmodelled])
            assert not np.isnan(np.delete(c.value, world().unmodelled)).any()
    assert {"volts", "drop", "ohms", "observe", "inspect", "lamp", "lowest_volts"} <= kinds


def test_outcomes_are_probabilities_of_two_to_a_dozen_results(some) -> None:
    chosen, table = some
    for m in chosen:
        outcomes = table[m.id].outcomes
        assert outcomes is not None and outcomes.shape[1] == len(world().candidates)
        assert outcomes.min() >= 0.0
        assert outcomes.sum(axis=0) == pytest.approx(np.ones(outcomes.shape[1]), abs=1e-4)
        if m.kind not in ("inspect", "observe", "lamp"):
            assert 2 <= outcomes.shape[0] <= 14, m.id


def test_unmodelled_says_nothing_and_a_sound_bike_says_sound(some) -> None:
    chosen, table = some
    for m in chosen:
        c = table[m.id]
        if c.words is None:
            continue
        assert np.ptp(c.words[world().unmodelled]) < 1e-9
        if m.kind == "inspect":
            assert c.words[world().no_fault].argmax() == 0, m.id


def test_numbers_are_rounded_as_a_display_rounds_them(some) -> None:
    chosen, table = some
    for m in chosen:
        c = table[m.id]
        if c.value is None:
            continue
        shown_values = c.value[np.isfinite(c.value)]
        step = 0.1 if m.kind == "ohms" else 1e-4 if m.kind == "amps" else 1e-3
        assert np.round(shown_values / step) * step == pytest.approx(
            shown_values,
            abs=1e-9 + 1e-7 * float(abs(shown_values).max()),  # single precision
        )
        assert not np.signbit(shown_values[shown_values == 0.0]).any()


def test_a_battery_at_half_charge_shifts_what_hangs_on_it(some) -> None:
    """The latent is the battery's emf: one volt less shows as one volt at an unloaded post (Kirchhoff)."""
    c = some[1]["volts:battery.plus:battery.minus@"]
    assert c.shift[world().no_fault, 0] == pytest.approx(1.0, abs=0.02)
    ohms = next(v for k, v in some[1].items() if k.startswith("ohms:"))
    assert (ohms.shift == 0.0).all()


def test_first_order_spread_is_what_drawn_bikes_show() -> None:
    """Standard deviation of 120 bikes drawn from their tolerances, seed 7 (Monte Carlo)."""
    from diagnose.bike.build import condition_edits, node_of_point
    from diagnose.circuit.netlist import Case, Change
    from diagnose.circuit.solve import compile_netlist, settle_cases

    w = world()
    m = w.parse("drop:headlamp.ground:battery.minus@key=run")
    column = w.predictor.columns(JobState(), [m])[m.id]
    rng = np.random.default_rng(7)
    base = condition_edits(w.built, m.condition)
    drawn = []
    for _ in range(120):
        edits = [
            Change(e.id, k, e.values[k] * (1.0 + t * float(rng.standard_normal())))
            for e in w.built.netlist.elements
            for k, t in e.tolerances.items()
            if k not in ("emf",)
        ]
        drawn.append(Case((*base, *edits)))
    solution = settle_cases(compile_netlist(w.built.netlist), drawn)
    seen = solution.between(*(node_of_point(w.spec, p) for p in (m.plus, m.minus)))
    instrument = w.library.instruments["drop"].values
    meter = math.hypot(instrument["digits"].number, instrument["accuracy"].number * float(seen.mean()))
    assert column.value[w.no_fault] == pytest.approx(float(seen.mean()), rel=0.05)
    assert column.spread[w.no_fault] == pytest.approx(math.hypot(float(seen.std()), meter), rel=0.25)


# ---- complaints ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "complaint"),
    [
        ("kill_switch.stuck", "no_spark"),
        ("main_fuse.blown", "all_dead"),
        ("dash_feed.broken", "dash_dead"),
        ("acc_front.chafed=20mohm", "fuse_blows"),
        ("module_power_plug_ground.backed_out", "indicators_dead"),
        ("front_left_indicator.open", "indicators_fast"),
        ("indicator_switch.left_open", "indicators_one_side"),
        ("start_button.does_not_make", "starter_silent"),
        ("battery.flat", "battery_flat"),
        ("regulator.overcharges", "overcharging"),
        ("horn_button.does_not_make", "horn_dead"),
        ("rear_lamp.brake_open", "brake_light_never"),
        ("rear_brake_switch.stuck", "brake_light_always"),
        ("kill_switch.does_not_make", "engine_will_not_stop"),
        ("horn_button.stuck", "horn_always"),
        ("solenoid.welded", "starter_runs_on"),
        ("battery.dead_cell", "battery_boils"),
        ("battery.old", "lights_pulse"),
    ],
)
def test_a_fault_draws_the_complaint_that_a_hand_expects(fault: str, complaint: str) -> None:
    """Common practice, no source."""
    w = world()
    row = [c.id for c in w.candidates].index(fault)
    chance = w.complaint_chance(complaint)
    assert chance[row] >= 0.5
    assert chance[w.no_fault] < 0.1


@pytest.mark.parametrize("complaint", ["battery_boils", "lights_pulse"])
def test_a_battery_that_only_wants_charging_neither_boils_nor_pulses(complaint: str) -> None:
    """Common practice, no source."""
    w = world()
    row = [c.id for c in w.candidates].index("battery.surface_charge")
    assert w.complaint_chance(complaint)[row] < 0.1


def test_chances_are_chances_and_every_complaint_has_a_cause() -> None:
    w = world()
    for complaint in w.spec.complaints:
        chance = w.complaint_chance(complaint)
        assert chance.shape == w.prior.shape and chance.min() >= 0.0 and chance.max() <= 1.0
        assert (chance >= 0.5).any(), complaint


def test_what_is_told_is_mostly_so() -> None:
    """Told = misheard + (right - misheard) x chance, complaints independent (closed form)."""
    w = world()
    first, second = np.linspace(0, 1, len(w.candidates)), np.linspace(1, 0, len(w.candidates))
    known = [w.library.complaints[c] for c in ("horn_dead", "dash_dead")]
    both = told(w.candidates, known, [first, second], [0.5, 0.5])
    slope = TOLD_RIGHT - MISTOLD
    expected = (MISTOLD + slope * first) * (MISTOLD + slope * second)
    faulty = np.array([c.is_fault for c in w.candidates])
    neighbours = np.average(expected[faulty], weights=w.prior[faulty])
    expected[[w.no_fault, w.unmodelled]] = 0.5 * neighbours + 0.5 * ANY_ALIKE**2
    assert both == pytest.approx(expected)


def test_what_is_rarely_so_is_rarely_told_for_nothing() -> None:
    """Of a complaint that one bike in a hundred draws: 0.0003 by mistake of another fault (closed form)."""
    w = world()
    none, known = np.zeros(len(w.candidates)), [w.library.complaints["horn_weak"]]
    assert told(w.candidates, known, [none], [0.01])[1] == pytest.approx(MISTOLD_MULTIPLE * 0.01)
    assert told(w.candidates, known, [none], [0.5])[1] == pytest.approx(MISTOLD)


@pytest.mark.parametrize(
    ("alike", "dead", "chance"),
    [
        (1, 1, 1.0),
        (2, 1, (1 / 2 + 1) / 2),
        (4, 1, (1 / 4 + 1 / 2) / 2),
        (4, 2, (1 / 2 + 5 / 6) / 2),
        (4, 0, 0.0),
    ],
)
def test_one_dead_of_several_is_found_by_one_look_or_two(alike: int, dead: int, chance: float) -> None:
    """Drawing one or two without putting back (hypergeometric, by hand): 1 - C(4-2,2)/C(4,2) = 5/6."""
    shown = np.zeros((alike, 1))
    shown[:dead] = 1.0
    assert looked_at(shown)[0] == pytest.approx(chance)


def test_a_role_names_all_its_functions_and_an_unknown_one_is_refused() -> None:
    p = world().predictor
    assert {f.id for f in functions_named(p, "headlight")} == {"low_beam", "high_beam"}
    with pytest.raises(UsageError, match=r"unknown function or role 'headlite'; try headlight"):
        functions_named(p, "headlite")
    with pytest.raises(UsageError, match=r"unknown complaint 'dash_ded'; try dash_dead"):
        world().complaint_chance("dash_ded")


def test_complaints_of_the_world_are_those_of_the_predictor() -> None:
    w = world()
    own = complaint_chance(w.predictor, w.library.complaints["dash_dead"])
    assert (own == w.complaint_chance("dash_dead")).all()


def test_a_kind_of_function_that_nobody_knows_is_refused(shorts: Predictor) -> None:
    spec = shorts.built.spec
    functions = {**spec.functions, "horn": replace(spec.functions["horn"], kind="smell")}
    odd = replace(shorts.built, spec=replace(spec, functions=functions))
    p = Predictor(odd, world().service, shorts.candidates[:1], shorts.instruments)
    with pytest.raises(ValueError, match=r"function horn has kind 'smell'"):
        p.function_words(JobState(), "horn", as_condition(odd, "key=run"))


# ---- words -----------------------------------------------------------------------------------------


def test_grades_sum_to_one_fall_in_order_and_stand_even_at_an_edge() -> None:
    share = np.geomspace(1e-6, 2.0, 200)
    graded = effects.grade(share, effects.LIGHT_EDGES)
    assert graded.shape == (200, 4) and graded.min() >= 0.0
    assert graded.sum(axis=1) == pytest.approx(np.ones(200))
    mean = graded @ np.arange(4)
    assert (np.diff(mean) <= 1e-12).all()
    for k, edge in enumerate(effects.LIGHT_EDGES):
        at = effects.grade(np.array([edge]), effects.LIGHT_EDGES)[0]
        assert at[: k + 1].sum() == pytest.approx(0.5, abs=1e-6)


@pytest.mark.parametrize(
    ("volts_share", "expected"),
    [(1.0, "works"), (0.95, "works"), (0.7, "weak"), (0.45, "very_weak"), (0.15, "dead")],
)
def test_light_follows_the_volts_to_the_power_of_3_4(volts_share: float, expected: str) -> None:
    """V^3.4 (lamp rerating, Fink & Beaty, 11th ed., p. 22-8): 95 % of the volts is 84 % of the light."""
    words = effects.light_words(np.array([volts_share**3.4]))[0]
    assert FUNCTION_WORDS["light"][int(words.argmax())] == expected


def test_a_test_lamp_on_half_the_volts_is_half_bright_at_best() -> None:
    """0.5^3.4 = 9 % of the light."""
    words = effects.lamp_words(np.array([12.4, 6.2, 0.1, -12.4]), 12.4)
    assert [int(w.argmax()) for w in words] == [0, 2, 3, 0]


@pytest.mark.parametrize(
    ("turning", "share", "pulled", "restless", "expected"),
    [
        (True, 1.0, True, False, "works"),
        (True, 0.7, True, False, "slow"),
        (False, 0.0, True, False, "clicks"),
        (False, 0.0, False, True, "chatters"),
        (False, 0.0, False, False, "dead"),
    ],
)
def test_a_starter_has_a_word_for_each_of_its_ways(
    turning: bool, share: float, pulled: bool, restless: bool, expected: str
) -> None:
    words = effects.starter_words(*(np.array([x]) for x in (turning, share, pulled, restless)))[0]
    assert words.sum() == pytest.approx(1.0)
    assert FUNCTION_WORDS["starter"][int(words.argmax())] == expected


def test_units_wake_flicker_or_stay_dark() -> None:
    awake_, restless = np.array([1, 1, 0, 0], dtype=bool), np.array([0, 1, 1, 0], dtype=bool)
    words = effects.unit_words(awake_, restless)
    assert [FUNCTION_WORDS["unit"][int(w.argmax())] for w in words] == [
        "works",
        "flickers",
        "flickers",
        "dead",
    ]


@pytest.mark.parametrize(
    ("light", "current", "counts", "steady", "expected"),
    [
        ((1.0, 1.0), 1.0, True, False, "works"),
        # one lamp of a pair open: the flasher that counts doubles its rate, the other does not notice
        ((1.0, 0.0), 0.5, True, False, "fast"),
        ((1.0, 0.0), 0.5, False, False, "weak"),
        ((0.3, 0.3), 0.9, True, False, "weak"),
        ((1.0, 1.0), 1.0, True, True, "steady"),
        ((0.0, 0.0), 0.0, True, False, "dead"),
    ],
)
def test_indicators_have_a_word_for_each_of_their_ways(
    light: tuple[float, float], current: float, counts: bool, steady: bool, expected: str
) -> None:
    """Flasher behaviour with a lamp missing: trade texts."""
    words = effects.flash_words(np.array(light)[:, None], np.array([current]), counts, np.array([steady]))[0]
    assert words.sum() == pytest.approx(1.0)
    assert FUNCTION_WORDS["flash"][int(words.argmax())] == expected


def test_needs_together_are_as_good_as_the_worst() -> None:
    """Every combination of words of independent needs, enumerated."""
    rng = np.random.default_rng(3)
    raw = rng.random((3, 5, 3))
    words = [w / w.sum(axis=1, keepdims=True) for w in raw]
    together, stops = effects.worst_of(words), effects.stop_words(words)
    for n in range(5):
        expected = np.zeros(3)
        for combination in itertools.product(range(3), repeat=3):
            expected[max(combination)] += math.prod(words[k][n, w] for k, w in enumerate(combination))
        assert together[n] == pytest.approx(expected)
        assert stops[n] == pytest.approx([expected[2], 1.0 - expected[2]])


def test_more_ohms_are_worse_and_fewer_volts_are_worse() -> None:
    ohms = effects.need_words(np.array([1.0, 20.0, 1e3, np.inf]), 8.0, 60.0, False)
    assert [int(w.argmax()) for w in ohms] == [0, 1, 2, 2]
    ac = effects.need_words(np.array([100.0, 30.0, 5.0, 0.0]), 44.0, 22.0, True)
    assert [int(w.argmax()) for w in ac] == [0, 1, 2, 2]


def test_a_blown_fuse_is_seen_and_a_hidden_break_is_not() -> None:
    assert word("inspect:acc_fuse@", "rear_brake_wire.chafed=20mohm") == "damaged"
    assert word("inspect:acc_fuse@", "rear_brake_wire.chafed=20mohm", done=("renew:acc_fuse",)) == "sound"
    assert word("inspect:module@", "module.low_dead") == "sound"


def test_a_wire_that_is_followed_shows_what_the_sweep_of_its_place_may_miss() -> None:
    """The chances that the knowledge gives: a chafe shows to a glance in 6 of 10, tape off in 9 of 10."""
    w = world()
    chafed = next(i for i, c in enumerate(w.candidates) if c.id == "rear_brake_wire.chafed=20mohm")
    own = w.table(JobState(), ["inspect:rear_brake_wire@", "inspect:pedal@"]).columns
    followed, swept = own["inspect:rear_brake_wire@"], own["inspect:pedal@"]
    assert followed.words[chafed].tolist() == pytest.approx([0.1, 0.9])
    assert swept.words[chafed, swept.choices.index("rear_brake_wire")] < 0.62
    assert followed.words[w.no_fault, 1] < 0.03


def test_a_column_without_anything_predicted_is_refused() -> None:
    with pytest.raises(ValueError, match=r"x: column has neither value and spread nor words"):
        planning_outcomes(Column("x", "volts", "V"))


# ---- on disk ---------------------------------------------------------------------------------------


def filled(folder: Path) -> Store:
    store = Store("abc", folder)
    store.put("a", np.arange(3.0))
    store.put_value("names", ["x", "y"])
    store.put_columns(
        "columns",
        {
            "volts": Column(
                "volts",
                "volts",
                "V",
                np.array([1.0, np.nan, 12.5]),
                np.array([0.1, 0.2, 0.3]),
                np.zeros((3, 1)),
                low=-60.0,
                high=60.0,
                outcomes=np.full((2, 3), 0.5, dtype=np.float32),
            ),
            "ohms": Column(
                "ohms",
                "ohms",
                "ohm",
                np.array([1.0, np.inf, 12.5]),
                np.array([0.1, 0.2, 0.3]),
                np.zeros((3, 1)),
                "log",
                outcomes=np.full((4, 3), 0.25, dtype=np.float32),
            ),
            "look": Column(
                "look",
                "inspect",
                "",
                words=np.array([[0.25, 0.75], [1.0, 0.0], [0.5, 0.5]]),
                choices=("sound", "damaged"),
                outcomes=np.full((2, 3), 0.5, dtype=np.float32),
            ),
        },
    )
    store.save()
    return store


def test_what_is_put_in_the_store_comes_out_again(tmp_path: Path) -> None:
    filled(tmp_path)
    again = Store("abc", tmp_path)
    assert again.get("a").tolist() == [0.0, 1.0, 2.0] and again.get("none") is None
    assert again.value("names") == ["x", "y"] and again.value("none") is None
    out = again.columns("columns")
    assert list(out) == ["volts", "ohms", "look"] and again.columns("none") == {}
    assert (out["volts"].value[0], out["volts"].value[2]) == (1.0, 12.5) and np.isnan(out["volts"].value[1])
    assert (out["volts"].low, out["volts"].high, out["volts"].scale) == (-60.0, 60.0, "linear")
    assert np.isposinf(out["ohms"].value[1]) and np.isposinf(out["ohms"].high) and out["ohms"].scale == "log"
    assert out["look"].choices == ("sound", "damaged") and out["look"].words[0].tolist() == [0.25, 0.75]
    assert [c.outcomes.shape for c in out.values()] == [(2, 3), (4, 3), (2, 3)]


def test_what_is_computed_now_is_what_would_come_from_the_disk(shorts: Predictor, tmp_path: Path) -> None:
    """To the last bit: a near tie must not be decided by whether the store was warm."""
    ids = ("volts:acc_fuse.out:battery.minus@key=run", "observe:dash@key=run", "inspect:acc_fuse@")
    fresh = columns(shorts, JobState(), *ids)
    store = Store("same", tmp_path)
    store.put_columns("columns", fresh)
    kept = store.columns("columns")
    compared = 0
    for name, column in fresh.items():
        for field in ("value", "spread", "shift", "words", "degree", "outcomes"):
            now, then = getattr(column, field), getattr(kept[name], field)
            assert (now is None) == (then is None), (name, field)
            if now is not None:
                assert now.dtype == then.dtype and np.array_equal(now, then, equal_nan=True), (name, field)
                compared += 1
    assert compared == 10  # a look at a part comes in no degrees


@pytest.mark.parametrize(
    "damage",
    [
        b"",
        b"no archive at all",
        lambda b: b[: len(b) // 2],
        lambda b: b[:-40],
        lambda b: b[:200] + bytes([b[200] ^ 0xFF]) + b[201:],
    ],
    ids=["empty", "foreign", "half", "tail cut off", "one byte changed"],
)
def test_a_damaged_file_is_as_good_as_none(tmp_path: Path, damage) -> None:
    store = filled(tmp_path)
    whole = store.path.read_bytes()
    store.path.write_bytes(damage(whole) if callable(damage) else damage)
    again = Store("abc", tmp_path)
    assert again.get("a") is None and again.columns("columns") == {}
    filled(tmp_path)
    assert Store("abc", tmp_path).get("a").tolist() == [0.0, 1.0, 2.0]


def test_an_archive_of_something_else_is_as_good_as_none(tmp_path: Path) -> None:
    path = Store("abc", tmp_path).path
    np.savez(path, a=np.ones(3))
    assert Store("abc", tmp_path).get("a") is None
    np.savez(path, a=np.ones(3), plain=np.frombuffer(b'{"format": 999}', dtype=np.uint8))
    assert Store("abc", tmp_path).get("a") is None
    np.savez(path, a=np.ones(3), plain=np.frombuffer(b"[1, 2]", dtype=np.uint8))
    assert Store("abc", tmp_path).get("a") is None


def test_a_folder_that_cannot_be_written_costs_time_and_no_answer(tmp_path: Path) -> None:
    """A plain file where the folder should be, which stops even the superuser."""
    (tmp_path / "taken").write_text("not a folder")
    store = Store("abc", tmp_path / "taken")
    store.put("a", np.ones(2))
    store.save()
    assert store.get("a").tolist() == [1.0, 1.0]
    assert Store("abc", tmp_path / "taken").get("a") is None


def test_old_files_are_removed_and_no_part_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Room for five and a half files of one size: of eight the oldest three go."""
    for k in range(8):
        store = Store(f"k{k}", tmp_path)
        store.put("a", np.ones(1))
        if not k:
            store.save()
            monkeypatch.setattr(store_module, "KEEP_BYTES", int(5.5 * store.path.stat().st_size))
        store.save()
        os.utime(store.path, (k, k))
    assert sorted(p.name for p in tmp_path.iterdir()) == [f"predictions-k{k}.npz" for k in range(3, 8)]


def test_the_cache_is_where_the_environment_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DIAGNOSE_CACHE", str(tmp_path / "here"))
    assert user_cache() == tmp_path / "here"


def test_another_bike_or_another_instrument_has_another_key() -> None:
    library = opened().library
    spec = compose_bike(library, "custom_single")
    key = key_of(spec, library.instruments)
    assert key == key_of(compose_bike(library, "custom_single"), library.instruments)
    assert key != key_of(replace(spec, idle_rpm=1301.0), library.instruments)
    assert key != key_of(spec, {})


def same(one: BikeWorld, two: BikeWorld) -> None:
    """Two worlds that tell the same numbers."""
    assert [c.id for c in one.candidates] == [c.id for c in two.candidates]
    assert (one.prior == two.prior).all()
    for field in ("opened", "latched"):
        mine, theirs = getattr(one.predictor.found(), field), getattr(two.predictor.found(), field)
        assert set(mine) == set(theirs)
        assert all((mine[k] == theirs[k]).all() for k in mine)
    assert one.service.conditions == two.service.conditions
    assert one.service.volts == pytest.approx(two.service.volts, abs=1e-9)


def test_a_world_from_the_store_equals_the_computed_one_and_damage_costs_only_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A source file that changes gives a new key; held still here, for the session may see edits."""
    monkeypatch.setenv("DIAGNOSE_CACHE", str(tmp_path))
    monkeypatch.setattr("diagnose.predictions.store.source_stamp", lambda: b"of this test")
    library, spec = opened().library, world().spec
    # a few measurements of every sort in two conditions, or planning would take most of the time
    on = [m for m in world().measurements.values() if m.condition.text in ("key=run", "battery=off")]
    few = {m.id: m for kind in {m.kind for m in on} for m in [x for x in on if x.kind == kind][:6]}
    assert len(few) >= 15

    def opened_world() -> BikeWorld:
        w = BikeWorld(library, spec)
        w.__dict__["measurements"] = few
        return w

    computed = opened_world()
    assert computed.predictor.found().opened
    names = list(computed.planned(["dash_dead"], JobState(), "meter"))
    again = opened_world()
    assert list(again.planned(["dash_dead"], JobState(), "meter")) == names
    assert len(names) >= 5
    mine, theirs = (w.table(JobState(), names).columns for w in (computed, again))
    assert again.predictor.solutions() == ()  # nothing was solved again
    for n in names:
        if mine[n].value is None:
            assert mine[n].words == pytest.approx(theirs[n].words, abs=1e-6)
        else:
            assert mine[n].value == pytest.approx(theirs[n].value, rel=1e-6, abs=1e-6, nan_ok=True)
            assert mine[n].spread == pytest.approx(theirs[n].spread, rel=1e-5, abs=1e-6)
        assert mine[n].outcomes == pytest.approx(theirs[n].outcomes, abs=1e-6)
    chances = (w.complaint_chance("dash_dead") for w in (computed, again))
    assert next(chances) == pytest.approx(next(chances), abs=1e-9)
    same(computed, again)
    files = list(tmp_path.glob("predictions-*.npz"))
    assert len(files) == 2
    for file in files:
        whole = file.read_bytes()
        file.write_bytes(whole[: len(whole) * 2 // 3])
    same(computed, BikeWorld(library, spec))
