"""From belief to the next act: builds the abstract decision problem of a job and asks the choice.

Between beliefs and conversation. Which steps are blocked is judged by the permits; what they cost and
tell comes from the world; what is worth doing is decided by `choice` alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast
from weakref import WeakKeyDictionary

import numpy as np

from diagnose.beliefs import posterior
from diagnose.beliefs.evidence import supports
from diagnose.bike.acts import BARE_HANDED, STIRS
from diagnose.bike.model import Candidate, JobState, Measurement, Repair
from diagnose.choice.act import Limits, next_act
from diagnose.choice.problem import Act, MeasurementOption, Paid, Problem, RepairOption
from diagnose.conversation import evidence
from diagnose.conversation.sense import AMMETER_LIMIT
from diagnose.conversation.state import KITS, WAIT_WEIGHT, Awake, Back, Calm, Reading, State
from diagnose.conversation.world import WiderWorld, World

NOTHING_FOUND = "nothing_found"  # the act of no_fault: prove that the bike is sound
PROOF_MINUTES = 4.0  # [min] exit check of a bike (common practice, no source)
RETEST_MINUTES = 1.0  # [min] close up, switch on, look (estimate)
SETUP_MINUTES = 0.3  # [min] turn the key, move the dial (estimate)
# [min] to read a question and type the answer (estimate): planned with, not counted as work on the bike.
# Without it a glance that tells next to nothing is asked before the reading that tells all
ASKING_MINUTES = 0.3
ASK_MINUTES = 0.5  # [min] a safety question and what it asks for (estimate)
# [1] chance of a fault nobody listed from which a job stops: with few readings, and with enough (estimates)
LOST_EARLY, LOST, FEW_READINGS = 0.9, 0.5, 6
TRY_MINUTES = 10.0  # [min] what a try may take at most
SHOWS_WHEN_CALM = 0.05  # [1] chance that a fault that is asleep shows in a reading (estimate)
# [1] a fault that draws the complaint this much more rarely than the one that draws it most cannot draw it
HARDLY_DRAWN = 0.02
# [1] below it no part is bought while all works, nor work done on less than a likely cause: one odd reading
# may be a slip, and no other can bear it out
SURE_ASLEEP = 0.85
CHEAP = 5.0  # rough price of a part that is ventured like work even then: a lamp, a terminal (estimate)
SEEN_ASLEEP = (*STIRS, "inspect")  # what shows a fault that is asleep: waking it, or looking at it
# readings, and of them with a tool, after which a fault that never showed may be told as nothing found; from
# the latter on a bike that works now is only looked at and stirred, not measured (estimates)
MOST_ASLEEP, MOST_MEASURED = 25, 6
LIKELY_STOOD = 0.5  # [1] chance that the engine has no spark from which it is not asked to run (estimate)
SELDOM = 0.02  # [1] chance of more than an ammeter bears at which none goes in (estimate)
HARDLY = 0.005  # [1] chance below which a suspect does not count when readings are held side by side
READ = ("volts", "drop", "lowest_volts", "ohms", "diode", "amps", "ac_volts")  # what a weak battery falsifies
BATTERY_SUSPECTED = 0.1  # [1] chance of a fault of the battery from which it is read first (estimate)
REMEMBERED = 8  # sets of options kept for one bike

_OPTIONS: WeakKeyDictionary[Any, dict[Any, tuple[tuple[MeasurementOption, ...], tuple[RepairOption, ...]]]]
_OPTIONS = WeakKeyDictionary()
_CLOSED: WeakKeyDictionary[Any, dict[Any, Mapping[str, str]]] = WeakKeyDictionary()
_LOOSE: WeakKeyDictionary[Any, np.ndarray] = WeakKeyDictionary()


@dataclass(frozen=True, slots=True)
class Plan:
    """The act to propose, and why each measurement that cannot be done now cannot.

    closed   measurement id -> why: kit | refused | helper | engine | blocked | asleep | again
    """

    act: Act
    closed: Mapping[str, str]


def physical(job: JobState) -> JobState:
    """The job state as the circuit sees it.

    What was said makes no difference to a reading; nor does a fuse whose renewal did not help: either it
    was sound before, or what blew it has blown it again.
    """
    parts = {repair.partition(".")[0] for repair in job.done}
    return replace(job, said=(), renewed=tuple(f for f in job.renewed if f in parts))


def plan(world: World, state: State, blocked: Mapping[str, bool]) -> Plan:
    """Choose the next act.

    blocked  measurement id -> True: may not be done; False: a safety question opens it
    """
    problem, belief, paid, closed = problem_of(world, state, blocked)
    act = next_act(problem, belief, paid, _limits(state))
    return Plan(_battery_first(world, state, act, closed, blocked), closed)


def _battery_first(
    world: World, state: State, act: Act, closed: Mapping[str, str], blocked: Mapping[str, bool]
) -> Act:
    """Before any other reading a battery that may be at fault is read after a minute of its lamps.

    On a weak battery every other reading lies (common practice): it is worth its minute even where another
    reading would tell a little more of the suspects.
    """
    if act.sort != "measure" or world.measurements[act.option].kind not in READ:
        return act
    belief = evidence.chances(state.belief)
    suspected = sum(float(belief[i]) for i, c in enumerate(world.candidates) if _is_battery(world, c))
    if suspected < BATTERY_SUSPECTED:
        return act
    out = {*state.paid.used, *closed, *blocked}
    free = (m.id for m in options(world, state)[0] if m.id not in out)
    worked = next((mid for mid in free if world.measurements[mid].kind == "worked_volts"), "")
    reason = "the battery under its load before any other reading"
    return replace(act, option=worked, reason=reason) if worked else act


def _is_battery(world: World, candidate: Candidate) -> bool:
    return any(world.view.components.get(f.component, ("", ""))[1] == "battery" for f in candidate.faults)


def problem_of(
    world: World, state: State, blocked: Mapping[str, bool]
) -> tuple[Problem, np.ndarray, Paid, Mapping[str, str]]:
    """The abstract decision problem of a job as it stands.

    returns  the problem, the belief (n_candidates,), what is paid for, and what is closed and why
    """
    measurements, repairs = options(world, state)
    closed = dict(closed_now(world, state))
    closed |= {mid: "blocked" for mid, hard in blocked.items() if hard and mid not in closed}
    if state.calm and measured_so_far(world, state) >= MOST_MEASURED:
        ids = (m.id for m in measurements if m.id not in closed)
        closed |= {mid: "asleep" for mid in ids if world.measurements[mid].kind not in BARE_HANDED}
    closed |= {mid: why for mid, why in _not_now(world, state).items() if mid not in closed}
    belief = _worth_a_search(world, state, evidence.chances(state.belief))
    problem = Problem(
        prior=world.prior,
        measurements=measurements,
        repairs=tuple(_as_told(world, state, r) for r in repairs if r.id not in state.declined),
        access=_access(world, state)
        | {f"ask:{mid}": ASK_MINUTES for mid, hard in blocked.items() if not hard},
        allowed=dict.fromkeys(closed, False),
        no_fault=world.no_fault,
        unmodelled=world.unmodelled,
        wait_weight=WAIT_WEIGHT.get(state.setting.kit, 1.0),
        setup_min=SETUP_MINUTES * state.minutes_factor(),
        asking_min=ASKING_MINUTES * state.minutes_factor(),
    )
    paid = replace(state.paid, supports=_supports(world, state, belief))
    return problem, belief, paid, closed


def _worth_a_search(world: World, state: State, chance: np.ndarray) -> np.ndarray:
    """(n_candidates,) what is planned with.

    A bike that failed and works now is not taken for a sound one, nor for one with a fault that could not
    draw the complaint: both only read as sound, as everything does while it works.
    """
    if not state.calm or world.no_fault < 0:
        return chance
    drawn = np.asarray(world.complaint_likelihood(state.setting.complaints))
    left = np.where(drawn < HARDLY_DRAWN * drawn.max(), 0.0, chance)
    left[world.unmodelled] = chance[world.unmodelled]
    left[world.no_fault] = 0.0
    return left / left.sum() if left.sum() > 0.0 else chance


def _limits(state: State) -> Limits:
    """When to give up on what is known: not because of one odd reading, but soon once there are several."""
    taken = sum(1 for r in state.readings if not r.repeats)
    lost = LOST_EARLY if taken < FEW_READINGS else LOST
    if not state.dozes:
        # with nothing but eyes and hands an end that names what would tell is better than a part on a hunch
        by_hand = state.setting.kit == "hands"
        return Limits(lost=lost, hopeless=Limits().likely if by_hand else Limits().hopeless)
    return Limits(lost=lost, hopeless=SURE_ASLEEP, cheap=CHEAP, faint=Limits().likely)


def closed_now(world: World, state: State) -> Mapping[str, str]:
    """Measurements of the plan that are out of the question now, and why; kept until something changes."""
    s = state.setting
    about = (s.complaints, physical(state.job), s.kit, s.helper, s.engine_may_run, state.refused)
    kept = _CLOSED.setdefault(world, {})
    if about not in kept:
        kept.clear()
        ids = [m.id for m in options(world, state)[0]]
        kept[about] = {mid: why for mid in ids if (why := closed_because(world, state, mid))}
    return kept[about]


def _not_now(world: World, state: State) -> Mapping[str, str]:
    """Measurements that what is known now rules out, and why: engine | blocked | again.

    An engine without spark runs for nobody; an ammeter is never put where a short may be.
    """
    job = physical(state.job)
    belief = evidence.chances(state.belief)
    planned = [world.measurements[m.id] for m in options(world, state)[0]]
    found: dict[str, str] = {}
    if _has_no_spark(world, job, belief) > LIKELY_STOOD:
        found = {m.id: "engine" for m in planned if m.engine_runs}
    meters = [m.id for m in planned if m.kind == "amps"]
    columns = world.table(job, meters).columns
    for mid in meters:
        above = np.nan_to_num(np.asarray(columns[mid].value, dtype=float)) > AMMETER_LIMIT
        if float(belief @ above) > SELDOM:
            found[mid] = "blocked"
    return dict.fromkeys(_says_again(world, state, planned, belief), "again") | found


def _says_again(
    world: World, state: State, planned: Sequence[Measurement], belief: np.ndarray
) -> Sequence[str]:
    """Measurements that would only repeat a reading: the same tips, and every suspect foretells the same.

    Another switch pressed meanwhile makes no other reading of it; whoever slipped slips again.
    """
    taken = {}
    for r in state.readings:
        m = world.measurements[r.measurement]
        if m.plus and not r.slip:
            taken[(m.kind, m.plus, m.minus)] = r
    alike = [(m, taken[key]) for m in planned if (key := (m.kind, m.plus, m.minus)) in taken]
    likely = np.flatnonzero(belief > HARDLY)
    likely = likely[likely != world.unmodelled]
    found = []
    for m, r in alike:
        if m.id == r.measurement:
            continue
        then = evidence.column(world, r.job, r.measurement)
        now = evidence.column(world, physical(state.job), m.id)
        if evidence.foretell_alike(then, now, likely):
            found.append(m.id)
    return found


def _has_no_spark(world: World, job: JobState, belief: np.ndarray) -> float:
    """Chance [1] that no plug of the bike sparks, so that its engine cannot run; 0 where none is known."""
    sparks = [
        m
        for m in world.view.exit_check
        if m in world.measurements and _is_spark(world, world.measurements[m])
    ]
    if not sparks:
        return 0.0
    dead = np.ones(len(world.candidates))
    for column in world.table(job, sparks).columns.values():
        dead = dead * np.asarray(column.words, dtype=float)[:, column.choices.index("dead")]
    dead[world.unmodelled] = 0.0
    return float(belief @ dead)


def _is_spark(world: World, m: Measurement) -> bool:
    return m.what in world.view.functions and world.view.functions[m.what].kind == "spark"


def closed_because(world: World, state: State, measurement: str) -> str:
    """Why a measurement is out of the question now, '' if it is not: kit | refused | helper | engine."""
    m = world.measurements[measurement]
    kit = state.setting.kit or "hands"
    if KITS.index(m.kit) > KITS.index(kit):
        return "kit"
    if m.id in state.refused or any(p in state.refused for p in (m.plus, m.minus) if p):
        return "refused"
    if m.helper and not state.setting.helper:
        return "helper"
    if (m.engine_runs or m.condition.engine == "cranking") and not state.setting.engine_may_run:
        return "engine"
    return ""


def not_looked_at(world: World, state: State) -> tuple[str, ...]:
    """Looks at functions that the complaints speak of and that nobody has had yet, quickest first."""
    asked = dict.fromkeys(m for c in state.setting.complaints for m in world.view.looks.get(c, ()))
    taken = {r.measurement for r in state.readings}
    left = [m for m in asked if m in world.measurements and m not in taken]
    left = [m for m in left if m not in state.paid.used and not closed_because(world, state, m)]
    return tuple(sorted(left, key=lambda m: minutes_for(world, state, world.measurements[m])))


def options(world: World, state: State) -> tuple[tuple[MeasurementOption, ...], tuple[RepairOption, ...]]:
    """What may be measured and repaired; the same objects for as long as nothing changes."""
    # a repair that was done changes no prediction of what is still in question, only renewed fuses do;
    # but it may leave half of a pair
    job = physical(state.job)
    if world.singles == len(world.candidates):
        job = replace(job, done=())
    s, awake = state.setting, _awake(world, state)
    key = (s.complaints, job, s.kit, state.minutes_factor(), awake, _was_seen(world, state), is_first(state))
    kept = _OPTIONS.setdefault(world, {})
    if key not in kept:
        while len(kept) >= REMEMBERED:
            kept.pop(next(iter(kept)))
        kept[key] = (_measurement_options(world, state, awake), _repair_options(world, state))
    return kept[key]


def is_first(state: State) -> bool:
    """Whether nothing has been read or done yet, so that the plan of a first step will do."""
    return not state.readings and physical(state.job) == JobState()


def _measurement_options(world: World, state: State, awake: float) -> tuple[MeasurementOption, ...]:
    job = physical(state.job)
    kit = state.setting.kit or KITS[-1]
    ids = tuple(world.planned(state.setting.complaints, job, kit, first=is_first(state)))
    outlook = world.outlook(job, ids)
    shows = _shows(world, awake)
    factor = state.minutes_factor()
    found = []
    for mid in ids:
        m = world.measurements[mid]
        if mid in outlook:
            places = (*m.places, f"ask:{mid}")
            seen = outlook[mid]
            if shows is not None and m.kind not in SEEN_ASLEEP:
                seen = seen * shows + seen[:, [world.no_fault]] * (1.0 - shows)
            found.append(MeasurementOption(mid, seen, m.minutes * factor, places, m.setup, m.wait_min))
    return tuple(found)


def _awake(world: World, state: State) -> float:
    """Chance [1] that a fault that comes and goes shows in the next reading, in tenths; 1 if none does so."""
    loose = _loose(world)
    weight = evidence.chances(state.belief)[loose]
    if not weight.sum() > 0.0:
        return 1.0
    if state.calm:
        return SHOWS_WHEN_CALM
    shown = posterior.active(state.belief)[loose]  # a sound reading says that it sleeps in this spell
    return max(round(float(shown @ weight / weight.sum()), 1), SHOWS_WHEN_CALM)


def _shows(world: World, awake: float) -> np.ndarray | None:
    """(n_candidates,) chance that each suspect shows itself in the next reading; None if all always do."""
    loose = _loose(world)
    return np.where(loose, awake, 1.0) if loose.any() else None


def _loose(world: World) -> np.ndarray:
    """(n_candidates,) bool: a fault of it comes and goes; asked for at every step, so made once a world."""
    if world not in _LOOSE:
        _LOOSE[world] = np.array([any(f.intermittent < 1.0 for f in c.faults) for c in world.candidates])
    return _LOOSE[world]


def _repair_options(world: World, state: State) -> tuple[RepairOption, ...]:
    factor = state.minutes_factor()
    found = []
    done = physical(state.job).done
    for repair in world.repairs.values():
        cures = np.asarray(world.cures(repair.id, done), dtype=float)
        removes = helps(world, repair.id, done) if world.singles < len(world.candidates) else None
        if cures.any() or (removes is not None and removes.any()):
            minutes = (repair.minutes + RETEST_MINUTES) * factor
            places = (repair.place,) if repair.place else ()
            found.append(
                RepairOption(
                    repair.id, cures, minutes, repair.sort, repair.price, places, repair.returnable, removes
                )
            )
    if world.no_fault >= 0 and not _was_seen(world, state):
        sound = np.zeros(len(world.candidates))
        sound[world.no_fault] = 1.0
        found.append(RepairOption(NOTHING_FOUND, sound, PROOF_MINUTES * factor, "stop"))
    return tuple(found)


def _was_seen(world: World, state: State) -> bool:
    """Whether the rider saw it come and go and cannot show it: that all is well now clears nothing."""
    said = any(c in world.view.triggers for c in state.setting.complaints)
    if not said or state.setting.shows == "yes" or len(state.readings) >= MOST_ASLEEP:
        return False
    return measured_so_far(world, state) < MOST_MEASURED


def measured_so_far(world: World, state: State) -> int:
    """How many readings were taken with a tool since it last worked, or came back."""
    count = 0
    for e in reversed(state.evidence):
        if isinstance(e, Calm | Back | Awake):
            break
        count += isinstance(e, Reading) and world.measurements[e.measurement].kind not in BARE_HANDED
    return count


def helps(world: World, repair: str, done: tuple[str, ...] = ()) -> np.ndarray:
    """(n_candidates,) chance that a repair cures a candidate, or at least one of its faults."""
    if world.singles == len(world.candidates):
        return np.asarray(world.cures(repair, done), dtype=float)
    return np.asarray(cast(WiderWorld, world).removes(repair, done), dtype=float)


def _as_told(world: World, state: State, option: RepairOption) -> RepairOption:
    sort = sort_now(world, state, option.id) if option.sort == "try" else option.sort
    return option if sort == option.sort else replace(option, sort=sort)


def repair_minutes(world: World, state: State, repair: Repair) -> float:
    """Hands-on minutes of a repair as things stand: the work, opening and closing, the re-test."""
    access = 0.0
    if repair.place in world.view.places and repair.place not in state.paid.places:
        access = sum(world.view.places[repair.place][1:])
    return (repair.minutes + access + RETEST_MINUTES) * state.minutes_factor()


def sort_now(world: World, state: State, repair: str) -> str:
    """try | repair | stop as things stand: what takes this user more than ten minutes is no try."""
    found = world.repairs.get(repair)
    if found is None:
        return "stop"
    if found.sort == "try" and repair_minutes(world, state, found) > TRY_MINUTES:
        return "repair"
    return found.sort


def _access(world: World, state: State) -> dict[str, float]:
    factor = state.minutes_factor()
    return {place: (opening + closing) * factor for place, (_, opening, closing) in world.view.places.items()}


def _supports(world: World, state: State, belief: np.ndarray) -> dict[str, int]:
    found = {}
    for repair in world.repairs.values():
        if not repair.returnable:
            cured = helps(world, repair.id, physical(state.job).done) > 0.5
            if belief[cured].sum() > 0.1:
                found[repair.id] = supports(state.belief, cured)
    return found


def adds(world: World, state: State, first: str, then: str) -> float:
    """[nats] what a second measurement is expected to tell of the suspects once the first is read.

    first, then  ids of planned measurements
    source       expected information gain, given each outcome of the first
    """
    both_of = {m.id: m.outcomes for m in options(world, state)[0] if m.id in (first, then)}
    before, after = (np.asarray(both_of[mid], dtype=float) for mid in (first, then))
    open_still = _entropies(after)
    belief = evidence.chances(state.belief)
    told = 0.0
    for likelihood in before:
        both = belief * likelihood
        chance = float(both.sum())
        if chance > 0.0:
            given = both / chance
            told += chance * (_entropy(after @ given) - float(open_still @ given))
    return max(told, 0.0)


def _entropies(outcomes: np.ndarray) -> np.ndarray:
    """(n_candidates,) [nats] of each column of (n_outcomes, n_candidates)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(outcomes > 0.0, -outcomes * np.log(outcomes), 0.0)
    return terms.sum(axis=0)


def _entropy(chances: np.ndarray) -> float:
    return float(_entropies(chances[:, None])[0])


def minutes_for(world: World, state: State, m: Measurement) -> float:
    """Hands-on minutes of a measurement as things stand: the act, unpaid access, change of set-up."""
    factor = state.minutes_factor()
    access = sum(
        (world.view.places[p][1] for p in m.places if p in world.view.places and p not in state.paid.places),
        0.0,
    )
    changed = bool(state.paid.setup) and bool(m.setup) and state.paid.setup != m.setup
    return (m.minutes + access + (SETUP_MINUTES if changed else 0.0)) * factor


def after(paid: Paid, m: Measurement) -> Paid:
    """What is paid for once a measurement was taken."""
    return replace(paid, places=paid.places | set(m.places), setup=m.setup, used=paid.used | {m.id})
