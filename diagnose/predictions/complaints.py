"""How likely each candidate is to draw a complaint: the first reading of every job.

Part of the fourth arrow (solved circuit -> chance of the rider's words).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from diagnose.bike.acts import FUNCTION_WORDS
from diagnose.bike.currents import as_condition, complained_condition, is_lit
from diagnose.bike.model import Candidate, Condition, JobState
from diagnose.catalogue.model import Complaint, Function, Symptom
from diagnose.catalogue.words import LOOSE_TAGS, TRIGGERS
from diagnose.errors import UsageError, unknown
from diagnose.predictions.compute import Predictor

# A rider mostly tells what is; a few complaints are misheard, mixed up or imagined (estimates).
TOLD_RIGHT = 0.97
# [1] chance that a complaint is told of another listed fault; of one that few faults cause no more than
# this multiple of its own chance: what is rarely so is rarely told
MISTOLD, MISTOLD_MULTIPLE = 0.004, 0.03
# a sound bike, and a fault nobody listed, draw complaints half as often as the listed faults do, half any of
# some forty alike
USUAL, ANY_ALIKE = 0.5, 0.025
BLUR_LN = 0.15  # softness of a current or volts limit in a complaint, ln units (estimate)
# A fault that is brought on by what the rider names, by something else, or that does not come and go at all:
# riders name the trigger mostly right (estimates).
OTHER_TRIGGER = 0.2
NO_TRIGGER = 0.02
STEADY = (
    0.1  # [1] chance that a fault which is there all the time is told as one that comes and goes (estimate)
)
SOMETIMES = 0.1  # [1] chance that an unknown or imagined fault is one that comes and goes (estimate)
OVER_FOR_CERTAIN = 0.1  # V over what charging may reach before somebody calls it too much: a meter's error
KIND_TELLS = 0.8  # a worn battery draws "battery flat" whatever the circuit says (estimate)


def functions_named(p: Predictor, name: str) -> list[Function]:
    """Functions with this id or role; raises UsageError if the bike has none."""
    functions = p.built.spec.functions
    found = [f for f in functions.values() if f.id == name or name in f.roles]
    if not found:
        known = [*functions, *{r for f in functions.values() for r in f.roles}]
        raise UsageError(unknown("function or role", name, known))
    return found


def _above(value: np.ndarray, limit: float) -> np.ndarray:
    ratio = np.log(np.maximum(value, 1e-9) / limit) / BLUR_LN
    return 1.0 / (1.0 + np.exp(-np.clip(ratio, -60, 60)))


def symptom_chance(p: Predictor, symptom: Symptom) -> np.ndarray:
    """(n_candidates,) chance that the bike shows this symptom as brought in."""
    job = JobState()
    p.found()
    n = len(p.candidates)
    if symptom.opened:
        masks = list(p.found().opened.values())
        blown = np.any(masks, axis=0) if masks else np.zeros(n, dtype=bool)
        return blown.astype(float)
    if symptom.standing is not None:
        solution = p.solution(job, Condition())
        if not p.built.batteries:
            return np.zeros(n)
        amperes = np.abs(np.sum([solution.current(e) for e in p.built.batteries], axis=0))
        return _above(amperes, symptom.standing)
    if symptom.charging_low is not None or symptom.charging_high is not None:
        spec = p.built.spec
        own = next(
            (as_condition(p.built, f.when) for f in spec.functions.values() if f.kind == "charge"), None
        )
        if own is None:
            return np.zeros(n)
        solution = p.solution(job, replace(own, engine="5000"))
        plus, minus = (spec.nodes[spec.body[r]] for r in ("battery_plus", "battery_minus"))
        volts = solution.between(plus, minus)
        low = symptom.charging_low * spec.of_twelve if symptom.charging_low is not None else -np.inf
        high = np.inf
        if symptom.charging_high is not None:
            high = min(symptom.charging_high * spec.of_twelve, spec.charge_most + OVER_FOR_CERTAIN)
        # too few volts are noticed by the flat battery, too many only while the engine runs
        return np.maximum((volts < low).astype(float), (volts > high) * engine_runs(p))
    if symptom.overlit is not None:
        return _overlit(p, symptom.overlit * p.built.spec.of_twelve)
    shown = []
    for f in functions_named(p, symptom.function):
        condition = complained_condition(p.built, symptom.condition, f)
        words = p.function_words(job, f.id, condition)
        columns = [i for i, w in enumerate(FUNCTION_WORDS[f.kind]) if w in symptom.states]
        # what needs a running engine to be seen nobody complains of while it does not run
        runs = engine_runs(p) if condition.engine not in ("off", "cranking") else 1.0
        shown.append(words[:, columns].sum(axis=1) * runs)
    if symptom.looked_at:
        return looked_at(np.array(shown))
    return np.min(shown, axis=0) if symptom.every else np.max(shown, axis=0)


def engine_runs(p: Predictor) -> np.ndarray:
    """(n_candidates,) chance that at least one cylinder sparks; ones on a bike of which no spark is known."""
    sparks = [f for f in p.built.spec.functions.values() if f.kind == "spark" and "spark" in f.roles]
    if not sparks:
        return np.ones(len(p.candidates))
    column = FUNCTION_WORDS["spark"].index("dead")
    shown = [p.function_words(JobState(), f.id, as_condition(p.built, f.when)) for f in sparks]
    return 1.0 - np.min([words[:, column] for words in shown], axis=0)


def looked_at(shown: np.ndarray) -> np.ndarray:
    """(n,) chance that whoever looks at one or two of several alike comes upon one that shows it.

    shown    (n_alike, n) chance that each shows it
    formula  with the share f of m that show it: the first look finds f, two find
             f + (1 - f) min(1, f m / (m - 1)); half look at one, half at two (estimate)
    """
    m = len(shown)
    f = shown.mean(axis=0)
    if m < 2:
        return f
    second = np.minimum(1.0, f * m / (m - 1))
    return f + 0.5 * (1.0 - f) * second


def _overlit(p: Predictor, limit: float) -> np.ndarray:
    """(n_candidates,) 1 where a revving engine gives some lamp more AC volts than the limit."""
    out = np.zeros(len(p.candidates))
    for f in p.built.spec.functions.values():
        condition = as_condition(p.built, f.when)
        if f.kind != "light" or not is_lit(p.built, condition):
            continue
        revving = p.solution(JobState(), replace(condition, engine="5000"), "ac")
        for element in f.elements:
            out = np.maximum(out, (np.abs(revving.across(element)) > limit).astype(float))
    return out


def _can_show(p: Predictor, symptom: Symptom) -> bool:
    """Whether the bike has what a symptom speaks of: "all dead" says nothing of a starter where none is."""
    functions = p.built.spec.functions.values()
    return not symptom.function or any(symptom.function in (f.id, *f.roles) for f in functions)


def complaint_chance(p: Predictor, complaint: Complaint) -> np.ndarray:
    """(n_candidates,) chance that a bike with this candidate draws this complaint.

    Of a complaint that something brings on: if the fault comes and goes.
    """
    chance = np.ones(len(p.candidates))
    brought_on = by_trigger(p.candidates, complaint.intermittent)
    any_of, all_of, none_of = (
        [s for s in said if _can_show(p, s)]
        for said in (complaint.any_of, complaint.all_of, complaint.none_of)
    )
    if complaint.any_of or complaint.kinds:
        none = np.ones(len(p.candidates))
        for s in any_of:
            none *= 1.0 - symptom_chance(p, s) * brought_on
        if complaint.kinds:
            spec = p.built.spec
            worn = [
                any(complaint.is_of(spec.parts[f.component].kind, f.mode) for f in c.faults)
                for c in p.candidates
            ]
            none *= 1.0 - KIND_TELLS * np.array(worn, dtype=float)
        chance *= 1.0 - none
    for s in all_of:
        chance *= symptom_chance(p, s) * brought_on
    for s in none_of:
        chance *= 1.0 - symptom_chance(p, s)
    return chance


def by_trigger(candidates: Sequence[Candidate], trigger: str) -> np.ndarray:
    """(n_candidates,) chance that what the rider names brings the fault on; ones without a trigger."""
    if not trigger:
        return np.ones(len(candidates))
    wanted = TRIGGERS[trigger]
    out = []
    for c in candidates:
        tags = {tag for f in c.faults for tag in f.tags}
        fits = wanted in tags if wanted else bool(tags & LOOSE_TAGS)
        out.append(1.0 if fits else OTHER_TRIGGER if tags & LOOSE_TAGS else NO_TRIGGER)
    return np.array(out)


def how_common(candidates: Sequence[Candidate], chance: np.ndarray) -> float:
    """Chance that a bike with some listed fault draws a complaint, from the candidates' own chances [1]."""
    prior = np.array([c.prior if c.is_fault else 0.0 for c in candidates])
    return float(prior @ chance / prior.sum()) if prior.sum() > 0.0 else 0.0


def telling(chances: Sequence[np.ndarray], steady: Sequence[bool], common: Sequence[float]) -> np.ndarray:
    """(n,) likelihood of complaints together, the rider's own errors mixed in.

    chances  (n,) each, of `complaint_chance`
    steady   of each: it speaks of a fault that comes and goes, and these faults are always there
    common   how common each is on this bike, see how_common
    """
    out = np.ones(len(chances[0]))
    for chance, unlikely, usual in zip(chances, steady, common, strict=True):
        mistold = min(MISTOLD, MISTOLD_MULTIPLE * usual)
        out *= mistold + (TOLD_RIGHT - mistold) * chance * (STEADY if unlikely else 1.0)
    return out


def told(
    candidates: Sequence[Candidate],
    complaints: Sequence[Complaint],
    chances: Sequence[np.ndarray],
    common: Sequence[float],
) -> np.ndarray:
    """(n_candidates,) likelihood of these complaints together from faults that are always there."""
    steady = [bool(c.intermittent) for c in complaints]
    out = telling(chances, steady, common) if chances else np.ones(len(candidates))
    often = SOMETIMES if any(steady) else 1.0
    listed = np.array([c.prior if c.is_fault else 0.0 for c in candidates])
    whenever = telling(chances, [False] * len(chances), common) if chances else out
    usual = float(whenever @ listed) / float(listed.sum()) if listed.any() else 1.0
    unlisted = USUAL * usual + (1.0 - USUAL) * ANY_ALIKE ** len(chances)
    for i, c in enumerate(candidates):
        if not c.is_fault:
            out[i] = unlisted * often
    return out
