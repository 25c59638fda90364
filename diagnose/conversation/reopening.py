"""A closed job comes back: the fault has shown itself again, minutes or weeks after the end.

Part of the conversation. What was read while the fault was there stays; the repair is suspect again.
"""

from __future__ import annotations

from dataclasses import replace

from diagnose.bike.model import Wider
from diagnose.conversation import intake
from diagnose.conversation.coming import Turn, advance
from diagnose.conversation.state import NOTHING_PAID, UNTOUCHED, Reading, Returned, State, with_setting
from diagnose.errors import ObservationError


def reopened(turn: Turn) -> Turn:
    """Open a closed job again and go on.

    The battery is read anew, cautions are shown anew, places count as closed. Faults that come and go
    join the suspects.
    raises  ObservationError if the job is not closed
    """
    state = turn.state
    if state.phase != "closed":
        raise ObservationError("reopen", "a closed job", "an answer to the question", "comes before the end")
    means = replace(turn.means, world=turn.means.world.widened(Wider(state.wider.pairs, True)))
    back = replace(
        with_setting(state, meter=""),
        phase="intake",
        open=None,
        evidence=(*_from_before(turn), Returned(state.repaired)),
        job=UNTOUCHED,
        paid=NOTHING_PAID,
        refused=frozenset(),
        declined=frozenset(),
        said_no=frozenset(),
        shown=frozenset(),
        taken_out=(),
        taken_apart=(),
        battery_undone=False,
        repaired=(),
        causes=(),
        proof="",
        exit_skipped=False,
        wider=Wider(state.wider.pairs, True),
        outcome="",
    )
    back = intake.belief_of(means, back)
    told = {"event": "noted", "text": means.say(back, "reopened")}
    return advance(Turn(means, back, (*turn.events, told)))


def _from_before(turn: Turn) -> tuple[Reading, ...]:
    """Readings taken while the fault was there, but for the battery's, which has changed since."""
    state: State = turn.state
    battery = intake.battery_reading(turn.means.world)
    own = battery.id if battery else ""
    heard = (*state.past, *state.evidence)
    return tuple(e for e in heard if isinstance(e, Reading) and not e.job.done and e.measurement != own)
