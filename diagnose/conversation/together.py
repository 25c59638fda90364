"""Readings that cost nothing more once a step is done: at the same place, with the same setting.

Part of the conversation. The step stays one thing to do; what else shows there is offered beside it, and each
answer counts as a reading of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from diagnose.bike.model import Measurement
from diagnose.choice.problem import Act
from diagnose.conversation import names, planning
from diagnose.conversation.means import Event, Means, permit
from diagnose.conversation.permits import Permit
from diagnose.conversation.state import State
from diagnose.errors import ObservationError

MOST: Mapping[str, int] = {"beginner": 2, "trade": 3}  # offered beside a step
WORTH = 0.1  # [nats] a reading tells at least beyond the step itself, to be offered
QUICK = 1.0  # [min] of the trade's time that one more reading may take
KINDS = ("observe", "volts", "drop")


def beside(means: Means, state: State, act: Act, judged: Mapping[str, Permit]) -> tuple[Measurement, ...]:
    """What may be read in the same go as a step that is proposed, the most telling first.

    judged  the permit of each measurement that is planned
    """
    world = means.world
    m = world.measurements[act.option]
    if m.kind not in KINDS:
        return ()
    shown = {c.rule for c in judged[m.id].cautions} if m.id in judged else set()
    found = []
    for mid, nats, _ in act.runners_up:
        other = world.measurements[mid]
        if mid == m.id or nats < WORTH or mid not in judged or not _same_go(state, m, other):
            continue
        if planning.adds(world, state, m.id, mid) < WORTH:  # what the step itself says already
            continue
        new = {c.rule for c in judged[mid].cautions} - shown - state.shown
        if not judged[mid].blocked and not new:
            found.append(other)
    return tuple(found[: MOST.get(state.setting.skill, MOST["beginner"])])


def _same_go(state: State, m: Measurement, other: Measurement) -> bool:
    """Whether nothing but the eyes or the red tip moves between the two."""
    return (
        (other.kind, other.setup, other.minus) == (m.kind, m.setup, m.minus)
        and other.minutes <= QUICK
        and set(other.places) <= {*m.places, *state.paid.places}
        and not other.helper
        and not other.wait_min
    )


def offered(means: Means, state: State, some: Iterable[Measurement]) -> Event:
    """What is offered beside a question, as a part of its event; empty if nothing is."""
    listed = [
        {
            "measurement": m.id,
            "text": names.component(means.world, m.what)
            if m.what
            else names.point(means.world, m.plus, means.words),
            "choices": list(m.choices),
            "titles": {c: means.words.word("answers", c) for c in m.choices},
            "unit": m.unit,
        }
        for m in some
    ]
    return {"together": listed} if listed else {}


def read_also(
    means: Means, state: State, m: Measurement, also: Mapping[str, str]
) -> list[tuple[Measurement, str]]:
    """The further readings of an answer; raises ObservationError for one that is not of the same go."""
    found = []
    for mid, text in also.items():
        other = means.world.measurements.get(mid)
        if other is None or other.id == m.id or other.setup != m.setup or other.minus != m.minus:
            raise ObservationError(mid, f"a further reading of the set-up of {m.id}", "it as its own answer")
        if planning.closed_because(means.world, state, mid) or permit(means, state, other).blocked:
            raise ObservationError(mid, "a reading that may be taken now", "others", "is closed or blocked")
        found.append((other, text))
    return found
