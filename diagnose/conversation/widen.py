"""When a job's suspects are widened: to pairs of faults, and to faults that come and go.

Part of the conversation. Nothing is widened while single, steady faults explain what was said and read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from diagnose.beliefs.evidence import is_surprising, surprise
from diagnose.bike.model import BikeView, Wider
from diagnose.conversation import evidence
from diagnose.conversation.means import Event, Means
from diagnose.conversation.state import State

ODD_NATS = 4.0  # [nats] a reading this unexpected asks for wider suspects (estimate)
RISEN = 2.0  # [1] or the chance of a fault nobody listed grown by this factor since the complaint (estimate)
AGAIN_AFTER = 3  # readings until the pairs are chosen anew, if what is known still does not fit


def at_first(view: BikeView, complaints: Sequence[str]) -> Wider:
    """What a job's suspects are widened by before anything is read: one that comes and goes was named."""
    return Wider(loose=any(c in view.triggers for c in complaints))


def widened(means: Means, state: State) -> tuple[Means, State, tuple[Event, ...]]:
    """The state with wider suspects where the evidence asks for them, and what the user is told of it.

    Several complaints are weighed with pairs from the start: one cause or two is then a matter of chance.
    """
    heard = len([r for r in state.readings if not r.repeats])
    first = not state.wider.pairs
    several = first and len(state.setting.complaints) > 1
    odd = state.belief is not None and is_surprising(state.belief) and _risen(state)
    if not (several or (odd and heard and (first or heard >= state.widened_at + AGAIN_AFTER))):
        return means, state, ()
    pairs = evidence.wider_pairs(means.world, state.setting, state.belief)
    wider = replace(state.wider, pairs=pairs)
    state = replace(state, widened_at=heard)
    if wider == state.wider or not pairs:
        return means, state, ()
    means = replace(means, world=means.world.widened(wider))
    belief = evidence.rebuild(means.world, state.setting, state.evidence)
    told: tuple[Event, ...] = (
        ({"event": "noted", "text": means.say(state, "widened")},) if odd and first else ()
    )
    return means, replace(state, wider=wider, belief=belief), told


def one_at_a_time(means: Means, state: State) -> tuple[Means, State, Event]:
    """Several complaints that no one or two faults explain: the one that is explained best comes first.

    The others are kept for later; whatever was read stays.
    """
    tried = {}
    for complaint in state.setting.complaints:
        wider = at_first(means.world.view, (complaint,))
        world = means.world.widened(wider)
        setting = replace(state.setting, complaints=(complaint,))
        belief = evidence.rebuild(world, setting, state.evidence)
        tried[complaint] = (float(evidence.chances(belief)[belief.unmodelled]), setting, belief, wider)
    first = min(tried, key=lambda c: tried[c][0])
    _, setting, belief, wider = tried[first]
    means = replace(means, world=means.world.widened(wider))
    later = (*(c for c in state.setting.complaints if c != first), *state.later)
    state = replace(
        state, setting=setting, belief=belief, later=later, wider=wider, widened_at=0, phase="working"
    )
    title = means.world.view.complaints[first][0]
    return means, state, {"event": "noted", "text": means.say(state, "one_at_a_time", complaint=title)}


def _risen(state: State) -> bool:
    """Whether the readings, not the complaint alone, speak for something unknown."""
    belief = state.belief
    if max((nats for _, nats in surprise(belief)), default=0.0) > ODD_NATS:
        return True
    start = np.exp(belief.log_start - belief.log_start.max())
    before = start[belief.unmodelled] / start.sum()
    return bool(evidence.chances(belief)[belief.unmodelled] > RISEN * before)
