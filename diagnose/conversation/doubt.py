"""Readings that make no sense: which slip would explain them, said before they are believed.

Part of the conversation. The rules name the classic slips; a reading that no noticeable suspect explains
is doubted too. Nothing is refused: the same answer again is accepted and remembered as doubtful.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.bike.model import Measurement
from diagnose.conversation import evidence, names, permits, planning
from diagnose.conversation.sense import Taken
from diagnose.conversation.state import State
from diagnose.conversation.world import World
from diagnose.predictions.outcomes import OHMS_FLOOR
from diagnose.predictions.table import Column
from diagnose.rules.base import RuleBase
from diagnose.wording import Wording

TOO_FAR = 4.0  # [standard deviations] from every noticeable suspect: doubted
ZERO_VOLTS = 0.2  # [V] as good as nothing
SOMETHING_VOLTS = 1.0  # [V] what every suspect would show at least


# a slip of a thousand is only named where what was meant is something, not next to nothing [V, A]
LEAST_MEANT = {1e-3: 0.02, 1e3: 1.0}


@dataclass(frozen=True, slots=True)
class Doubt:
    """slip: a word for what may have gone wrong; text: the sentence for the user."""

    slip: str
    text: str


def doubt(
    world: World,
    rulebase: RuleBase,
    state: State,
    m: Measurement,
    value: float | str,
    text: str,
    note: str,
    words: Wording,
) -> Doubt | None:
    """Why a reading should be taken again, or None; the text ends with how to insist.

    note  what the reader of quantities found odd about the text itself
    """
    found = _doubt(world, rulebase, state, m, value, text, note, words)
    if found is None:
        return None
    return Doubt(found.slip, f"{found.text} {words.say('doubt_again', state.setting.skill)}")


def _doubt(
    world: World,
    rulebase: RuleBase,
    state: State,
    m: Measurement,
    value: float | str,
    text: str,
    note: str,
    words: Wording,
) -> Doubt | None:
    skill = state.setting.skill
    if note:
        return Doubt("display", words.say("doubt_note", skill, note=note))
    own = evidence.column(world, planning.physical(state.job), m.id)
    misfit = evidence.misfit(own, state.belief, value)
    noticed = evidence.chances(state.belief) >= evidence.FEWEST_NOTED
    noticed[world.no_fault] = True
    noticed[world.unmodelled] = False
    explained = bool(np.min(misfit[noticed]) <= TOO_FAR)
    if isinstance(value, float):
        firings = permits.doubts_of(
            rulebase,
            world.view,
            _as_fact(world, state, m, own, value, text, noticed),
            state.job,
            _earlier(world, state),
        )
        if firings:
            first = firings[0]
            return Doubt(first.rule, first.short if skill == "trade" else first.text)
    if explained:
        return None
    if isinstance(value, str):
        likeliest = own.choices[int(np.argmax(np.asarray(own.words)[noticed].max(axis=0)))]
        return Doubt(
            "unexpected",
            words.say(
                "doubt_word",
                skill,
                said=words.word("answers", value),
                expected=words.word("answers", likeliest),
            ),
        )
    return _slip(own, state, m, value, noticed, words)


def _slip(
    own: Column, state: State, m: Measurement, value: float, noticed: np.ndarray, words: Wording
) -> Doubt:
    skill = state.setting.skill
    shown = names.reading(value, m.unit, words)

    def fits(other: float) -> bool:
        return bool(np.min(evidence.misfit(own, state.belief, other)[noticed]) <= 3.0)

    center = evidence.predicted(own, state.belief)[0]
    finite = center[noticed & np.isfinite(center)]
    if np.isfinite(value) and m.unit in ("V", "A"):
        if value < 0 and fits(-value):
            return Doubt("leads_swapped", words.say("doubt_swapped", skill, shown=shown))
        for factor in (1e-3, 1e3):
            if abs(value * factor) >= LEAST_MEANT[factor] and fits(value * factor):
                meant = names.reading(value * factor, m.unit, words)
                return Doubt("unit", words.say("doubt_unit", skill, shown=shown, meant=meant))
        if m.unit == "V" and abs(value) < ZERO_VOLTS and len(finite) and finite.min() > SOMETHING_VOLTS:
            return Doubt("no_contact", words.say("doubt_zero", skill, shown=shown))
    if np.isfinite(value) and own.scale == "log":
        for factor in (1e-3, 1e3):
            if fits(value * factor):
                meant = names.reading(value * factor, m.unit, words)
                return Doubt("unit", words.say("doubt_unit", skill, shown=shown, meant=meant))
    nearest = ""
    if len(finite):
        y = np.log(value + OHMS_FLOOR) if own.scale == "log" and np.isfinite(value) else value
        target = float(finite[np.argmin(np.abs(finite - (y if np.isfinite(y) else finite.max())))])
        target = float(np.exp(target) - OHMS_FLOOR) if own.scale == "log" else target
        nearest = names.reading(target, m.unit, words)
    elif np.isposinf(center[noticed]).any():
        nearest = "OL"
    return Doubt("unexplained", words.say("doubt_unexplained", skill, shown=shown, nearest=nearest))


def _as_fact(
    world: World, state: State, m: Measurement, own: Column, value: float, text: str, noticed: np.ndarray
) -> Taken:
    center, sd = evidence.predicted(own, state.belief)
    inside = noticed & np.isfinite(center)
    expected = None
    if inside.any():
        low, high = (center - 3 * sd)[inside].min(), (center + 3 * sd)[inside].max()
        if own.scale == "log":
            low, high = max(np.exp(low) - OHMS_FLOOR, 0.0), np.exp(high) - OHMS_FLOOR
            if np.isposinf(center[noticed]).any():
                high = np.inf
        expected = (float(low), float(high))
    return Taken(m, value, text, expected)


def _earlier(world: World, state: State) -> tuple[Taken, ...]:
    """Readings of this job, oldest first, as the rules about series want them."""
    found = []
    readings = [r for r in state.readings if r.measurement in world.measurements]
    ran = [i for i, r in enumerate(readings) if world.measurements[r.measurement].engine_runs]
    for i, r in enumerate(readings):
        if isinstance(r.value, float):
            m = world.measurements[r.measurement]
            own = evidence.column(world, r.job, r.measurement)
            center, sd = evidence.predicted(own, state.belief)
            row = world.no_fault
            healthy = (float(center[row] - 3 * sd[row]), float(center[row] + 3 * sd[row]))
            expected = healthy if own.scale != "log" else None
            since = r.job.done == state.job.done and i > max(ran, default=-1)
            found.append(Taken(m, r.value, r.text, expected, r.doubtful, since))
    return tuple(found)
