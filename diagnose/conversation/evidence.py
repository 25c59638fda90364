"""From what a job has heard to what it believes; the only place of the conversation that updates beliefs.

Between state and beliefs. Everything else in the conversation reads beliefs through these functions.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache
from typing import cast

import numpy as np

from diagnose.beliefs import posterior
from diagnose.beliefs.posterior import Belief
from diagnose.bike.acts import STIRS
from diagnose.bike.model import JobState
from diagnose.conversation.state import Back, Calm, Evidence, Failed, Reading, Returned, Setting, Still
from diagnose.conversation.world import WiderWorld, World
from diagnose.predictions.outcomes import log_ohms, log_ohms_spread
from diagnose.predictions.readings import stirred_loose
from diagnose.predictions.table import Column
from diagnose.ties import in_order

# [1] what is left of a candidate whose repair did not help: next to nothing, so that the search goes on
BADLY_DONE = 1e-6
DONE_BADLY = 0.3  # [1] and of one whose repair held for a while (estimate)
STILL_SOUND = 0.05  # [1] chance that whoever says so once more means a sound bike (estimate)
# doubts that name no slip: the user looked twice, so the reading stands as any other
NOT_A_SLIP = ("", "unexplained", "unexpected")
# [1] chance that between two readings what comes and goes has done so, and nobody noticed (estimate)
SPELL_ENDS = 0.2
FEWEST_NOTED = 0.005  # [1] weight from which a suspect counts when a reading is judged


def fresh(world: World, setting: Setting) -> Belief:
    """Belief before any reading: priors, complaints, history; wider suspects by the chance of their parts."""
    n = world.singles
    shows = np.array([min((f.intermittent for f in c.faults), default=1.0) for c in world.candidates])
    belief = posterior.start(
        world.prior[:n],
        world.latent_sd,
        setting.skill or "beginner",
        no_fault=world.no_fault,
        unmodelled=world.unmodelled,
        shows=shows[:n] if np.any(shows < 1.0) else None,
        spell_ends=SPELL_ENDS,
    )
    singles = np.exp(belief.log_base)
    factor = np.ones(len(world.candidates))
    if setting.complaints:
        factor = factor * world.complaint_likelihood(setting.complaints)
    if setting.proved is not None:  # what a proving run has ruled out
        known = dict(setting.proved.factors)
        for i, c in enumerate(world.candidates):
            factor[i] *= known.get(c.id, 1.0) if not c.faults else 1.0
            for f in c.faults:
                factor[i] *= known.get(f.id, 1.0)
    if setting.history:
        factor = factor * world.history_factor(dict(setting.history))
    belief = posterior.condition(belief, factor[:n])
    if n == len(world.candidates):
        return belief
    wide = cast(WiderWorld, world)
    return posterior.extend(belief, wide.chance_among(singles) * factor[n:], {}, shows=shows[n:])


def wider_pairs(world: World, setting: Setting, belief: Belief) -> tuple[tuple[str, str], ...]:
    """The pairs of faults that best explain what was complained of and read so far."""
    n = world.singles
    heard = [
        (None if o.column.outcomes is None else o.column.outcomes[:, :n], o.log_given[:n])
        for o in belief.observations
    ]
    return world.likely_pairs(np.exp(belief.log_base[:n]), setting.complaints, heard)


def lasting(world: World) -> np.ndarray:
    """(n_candidates,) whether each suspect holds a fault that cannot mend by itself, such as a blown fuse."""
    return np.array([any(f.lasting for f in c.faults) for c in world.candidates])


def column(world: World, job: JobState, measurement: str) -> Column:
    """Predictions of one measurement in a job state."""
    return world.table(job, (measurement,)).columns[measurement]


def take_in(world: World, belief: Belief, reading: Reading, window: str = "") -> Belief:
    """Weigh one reading; one that only repeats another weighs nothing.

    window  readings with the same one see a fault that comes and goes in the same state; '' = as before
    """
    if reading.repeats:
        return belief
    m = world.measurements[reading.measurement]
    if m.kind in STIRS:  # a stir may wake what was asleep: whether it shows is asked anew
        belief = posterior.new_window(belief, f"{belief.window}|{m.id}", raised=stirred_loose(m))
    own = column(world, reading.job, reading.measurement)
    near = [n for n in own.neighbours if n in world.measurements][:3]
    neighbours = world.table(reading.job, near).columns if near else {}
    after = posterior.update(
        belief,
        own,
        reading.value,
        doubtful=reading.slip not in NOT_A_SLIP,
        neighbours=tuple(neighbours[n] for n in near),
        session=world.view.home(m),
        window=window,
    )
    if m.kind in STIRS:  # and may fall asleep again as soon as the hand is off
        after = posterior.new_window(after, f"{belief.window}|after")
    return after


def with_reading(
    world: World, setting: Setting, belief: Belief, heard: tuple[Evidence, ...], reading: Reading
) -> tuple[tuple[Evidence, ...], Belief]:
    """The evidence and the belief with one more reading.

    The same measurement taken again on an unchanged bike: if it agrees it confirms the first one, which is
    no news (a wrong reading repeats too); if it does not, it takes the first one's place.
    """
    alike = [
        e
        for e in heard
        if isinstance(e, Reading) and e.measurement == reading.measurement and e.job == reading.job
    ]
    if not alike:
        return (*heard, reading), take_in(world, belief, reading)
    if agrees(world, reading, alike[-1]):
        return (*heard, replace(reading, repeats=True)), belief
    kept = (*(e for e in heard if e not in alike), reading)
    return kept, rebuild(world, setting, kept)


def agrees(world: World, reading: Reading, earlier: Reading) -> bool:
    """Whether a reading taken again shows the same: the same word, or within two spreads."""
    if isinstance(reading.value, str) or isinstance(earlier.value, str):
        return reading.value == earlier.value
    if np.isposinf(reading.value) or np.isposinf(earlier.value):
        return reading.value == earlier.value
    own = column(world, reading.job, reading.measurement)
    usual = float(np.nanmedian(np.asarray(own.spread)))
    if own.scale == "log":
        both = log_ohms(np.array([reading.value, earlier.value]))
        spread = log_ohms_spread(np.array([earlier.value]), np.array([usual]))[0]
        return bool(abs(both[0] - both[1]) <= 2.0 * spread)
    return abs(reading.value - earlier.value) <= 2.0 * usual


def failed(
    world: World, belief: Belief, repair: str, complaints: tuple[str, ...], done: tuple[str, ...] = ()
) -> Belief:
    """Weigh that a repair was done and the complaints stayed. done: repairs that were done before it."""
    if world.singles == len(world.candidates):
        stays = 1.0 - np.asarray(world.cures(repair, done), dtype=float)
    else:
        stays = np.asarray(cast(WiderWorld, world).stays(repair, complaints, done), dtype=float)
    return posterior.condition(belief, BADLY_DONE + (1.0 - BADLY_DONE) * stays, repaired=True)


def insisted(belief: Belief) -> Belief:
    """Weigh that the complaint is still there, said once more when nothing was found."""
    factor = np.ones(len(belief.log_start))
    factor[belief.no_fault] = STILL_SOUND
    return posterior.condition(belief, factor)


def rebuild(world: World, setting: Setting, evidence: Iterable[Evidence]) -> Belief:
    """The belief from the beginning: the same as having taken everything in one by one."""
    belief = fresh(world, setting)
    heard = tuple(evidence)
    unseen = max((i for i, e in enumerate(heard) if isinstance(e, Calm) and e.unseen), default=0)
    for i, item in enumerate(heard):
        match item:
            case Reading() if item.measurement in world.measurements:
                belief = take_in(world, belief, item, f"unseen{i}" if i < unseen else "")
            case Calm():
                belief = posterior.works_now(belief, item.spell, lasting(world))
            case Back():
                belief = posterior.new_window(belief, item.spell, raised=1.0)
            case Returned():
                for repair in item.repairs:
                    if repair in world.repairs:
                        left = 1.0 - world.cures(repair) * (1.0 - DONE_BADLY)
                        belief = posterior.condition(belief, left, repaired=True)
            case Still():
                belief = insisted(belief)
            case Failed() if item.repair in world.repairs:
                belief = failed(world, belief, item.repair, setting.complaints, item.done)
    return belief


def shows_now(world: World, belief: Belief) -> float:
    """[1] chance that a listed fault is there and shows itself just now."""
    chance = chances(belief)
    listed = np.ones(len(chance), dtype=bool)
    listed[[i for i in (world.no_fault, world.unmodelled) if i >= 0]] = False
    return float((chance * posterior.active(belief))[listed].sum())


@lru_cache(maxsize=8)
def chances(belief: Belief) -> np.ndarray:
    """(n,) chance of each candidate; worked out once for a belief, so do not write into it."""
    found = posterior.marginal(belief)
    found.setflags(write=False)
    return found


@lru_cache(maxsize=8)
def latents(belief: Belief) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard deviation (n_latents,) of what the readings share, as believed now."""
    weights = posterior.latent_chances(belief)
    mean = weights @ belief.latents
    square = weights @ (belief.latents**2 + belief.blur**2)
    return mean, np.sqrt(np.maximum(square - mean**2, 0.0))


def predicted(own: Column, belief: Belief) -> tuple[np.ndarray, np.ndarray]:
    """(n,) value and (n,) standard deviation of a numeric reading as the battery is now.

    returns  in the column's unit; for ohms in ln(ohms + floor), +inf where OL is expected
    """
    value = np.asarray(own.value, dtype=float)
    spread = np.asarray(own.spread, dtype=float)
    if own.scale == "log":
        return log_ohms(value), log_ohms_spread(value, spread)
    if own.shift is None or not len(belief.latents[0]):
        return value, spread
    mean, sd = latents(belief)
    shift = np.asarray(own.shift, dtype=float)
    return value + shift @ mean, np.sqrt(spread**2 + (shift**2) @ (sd**2))


def foretell_alike(one: Column, other: Column, rows: np.ndarray) -> bool:
    """Whether two measurements of one kind show these candidates alike: one word, or within two spreads."""
    if one.words is not None and other.words is not None:
        likeliest = (np.argmax(np.asarray(c.words, dtype=float)[rows], axis=1) for c in (one, other))
        return bool(np.array_equal(*likeliest))
    values = []
    for c in (one, other):
        value = np.asarray(c.value, dtype=float)[rows]
        values.append(log_ohms(value) if c.scale == "log" else value)
    spread = np.asarray(one.spread, dtype=float)[rows]
    if one.scale == "log":
        spread = log_ohms_spread(np.asarray(one.value, dtype=float)[rows], spread)
    with np.errstate(invalid="ignore"):
        near = np.abs(values[0] - values[1]) <= 2.0 * spread
    return bool(np.all(near | (values[0] == values[1])))


def misfit(own: Column, belief: Belief, answer: float | str) -> np.ndarray:
    """(n,) how badly each candidate predicts an answer, in standard deviations (words: made comparable).

    Candidates without a prediction (unmodelled) get +inf.
    """
    if own.words is not None:
        chance = np.asarray(own.words, dtype=float)[:, own.choices.index(str(answer))]
        out = np.sqrt(-2.0 * np.log(np.maximum(chance, 1e-12)))
        out[belief.unmodelled] = np.inf
        return out
    center, sd = predicted(own, belief)
    y = float(answer)
    if np.isposinf(y):
        return np.where(np.isposinf(center), 0.0, np.inf)
    if own.scale == "log":
        y = float(log_ohms(y))
    with np.errstate(invalid="ignore"):
        out = np.abs(y - center) / np.maximum(sd, 1e-6)
    return np.where(np.isfinite(center), out, np.inf)


def fits_healthy(
    world: World, own: Column, belief: Belief, answer: float | str, *, limit: float = 3.5
) -> bool:
    """Whether a reading is what a sound bike shows. limit [standard deviations], words: at least 20 %."""
    if own.words is not None:
        return bool(np.asarray(own.words)[world.no_fault, own.choices.index(str(answer))] >= 0.2)
    return bool(misfit(own, belief, answer)[world.no_fault] <= limit)


def ranking(world: World, belief: Belief, *, floor: float = 0.0) -> list[tuple[int, float]]:
    """(candidate index, probability) from the most to the least probable, those above floor."""
    chance = chances(belief)
    order = in_order(chance)
    return [(int(i), float(chance[i])) for i in order if chance[i] > floor]
