"""Several complaints: what a repair has left of them, and the search for the rest.

Part of the conversation. One shared cause or several faults is told apart by the belief; here is only what a
repair that cured part of it says.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from diagnose.beliefs import posterior
from diagnose.bike.acts import stir_id
from diagnose.bike.model import Measurement
from diagnose.conversation import asking, evidence, planning, proof, widen
from diagnose.conversation.answers import read_choice, without_reading, yes_no
from diagnose.conversation.coming import Turn, advance, ask, exit_check, propose
from diagnose.conversation.means import Means
from diagnose.conversation.state import Failed, Reading, State, with_setting
from diagnose.errors import ObservationError, UsageError

CHANGES = 0.3  # [1] change of words, or chance of one, from which a reading is said to change (estimate)


def ask_which(turn: Turn, repair: str, causes: tuple[str, ...]) -> Turn:
    """A repair cured some of what was complained of: ask what is left. Raises ObservationError."""
    means, state = turn.means, turn.state
    complaints = state.all_complaints
    if len(complaints) < 2:
        raise ObservationError(
            "some", "yes or no, because there is one complaint", "no", "is for several complaints"
        )
    state = proof.after_repair(means, state, repair, "yes")
    state = replace(state, causes=tuple(dict.fromkeys((*state.causes, *causes))))
    event = asking.plain_question(
        state,
        question="remaining",
        kind="choose",
        text=means.say(state, "ask_remaining"),
        choices=[(c, means.world.view.complaints[c][0]) for c in complaints],
        several=True,
    )
    return ask(turn.then(state), "remaining", "remaining", event)


def answered(turn: Turn, text: str, hint: str) -> Turn:
    """Which complaints are left: none proves the repair, all undo the belief in it, some go on."""
    means, state = turn.means, turn.state
    complaints = state.all_complaints
    if text.strip().lower() == "none" or yes_no(text, means.words) == "no":
        return prove(turn, state.repaired[-1])
    if without_reading(text, means.words):  # not tried: the exit check will find what is left
        return exit_check(turn)
    titles = {c: means.world.view.complaints[c][0] for c in complaints}
    parts = [p for p in re.split(r"[;,]+", text) if p.strip()]
    said = {read_choice(p.strip(), complaints, titles, means.words) for p in parts}
    if not said:
        raise ObservationError(text, f"any of {', '.join(complaints)}, or none", "none")
    if said == set(complaints):
        return advance(turn.then(proof.not_proved(means, state)), hint)
    return _go_on(turn, tuple(c for c in complaints if c in said))


def _go_on(turn: Turn, complaints: tuple[str, ...]) -> Turn:
    """Search for the cause of the complaints that are left.

    Readings that the repaired fault could not have changed still count; the others stay in the record.
    """
    means, state = turn.means, turn.state
    repair = state.repaired[-1]
    wider = widen.at_first(means.world.view, complaints)
    means = replace(means, world=means.world.widened(wider))
    kept = tuple(
        e for e in state.evidence if not isinstance(e, Reading) or not _changed(turn.means, state, e)
    )
    heard = (*kept, Failed(repair, tuple(r for r in state.job.done if r != repair)))
    state = with_setting(state, complaints=complaints)
    state = replace(
        state,
        past=(*state.past, *(e for e in state.evidence if e not in kept)),
        evidence=heard,
        belief=evidence.rebuild(means.world, state.setting, heard),
        phase="working",
        later=(),
        estimated=False,  # what is left is told anew
        wider=wider,
        widened_at=0,
        paid=replace(state.paid, used=frozenset(e.measurement for e in kept if isinstance(e, Reading))),
    )
    told = {"event": "noted", "text": means.say(state, "goes_on", count=len(complaints))}
    return advance(Turn(means, state, turn.events), lead=[told])


def _changed(means: Means, state: State, reading: Reading) -> bool:
    """Whether the likeliest fault that was repaired changes this reading."""
    world = means.world
    own = world.table(reading.job, (reading.measurement,)).columns[reading.measurement]
    cured = np.asarray(world.cures(state.repaired[-1]), dtype=float)[: world.singles]
    weight = cured * (posterior.marginal(state.belief)[: world.singles] + 1e-9)
    if not weight.any():
        return True
    rows = slice(0, world.singles)
    if own.words is not None:
        words = np.asarray(own.words)
        away = 0.5 * np.abs(words - words[[world.no_fault]]).sum(axis=1)[rows]
        return bool(weight @ away > CHANGES * weight.sum())
    value, spread = np.asarray(own.value, dtype=float)[rows], np.asarray(own.spread, dtype=float)[rows]
    sound = value[world.no_fault]
    with np.errstate(invalid="ignore"):  # OL on both sides is no change
        same = (value == sound) | (np.abs(value - sound) <= spread[world.no_fault])
    return bool(weight @ ~same > CHANGES * weight.sum())


def prove(turn: Turn, repair: str) -> Turn:
    """Ask for what proves a repair, or try everything where nothing does."""
    means, state = turn.means, turn.state
    verify = means.world.verify(repair, state.setting.complaints, evidence.chances(state.belief))
    place = means.world.repairs[repair].place
    m = means.world.measurements.get(verify)
    asleep = state.calm or (state.setting.brought_on and state.setting.shows != "yes")
    if asleep and m is not None and m.kind == "observe" and place:  # it worked before: only a stir proves
        m = _made(means, stir_id("wiggle", place, m.condition)) or m
    if m is None or planning.closed_because(means.world, state, m.id):
        return exit_check(turn.then(state))
    return propose(turn.then(state), m, "proof")


def _made(means: Means, measurement: str) -> Measurement | None:
    """A measurement that is not planned, if the world can make one of its id."""
    try:
        return means.world.measurements[measurement]
    except (KeyError, UsageError):
        return None
