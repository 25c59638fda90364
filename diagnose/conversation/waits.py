"""A job that waits: for the charger, for the customer's word, for a ride, for a part.

Part of the conversation. Hands-on minutes do not grow while it waits; the session's clock says how long.
"""

from __future__ import annotations

from dataclasses import replace

from diagnose.conversation import asking, evidence, intake, proof
from diagnose.conversation.agreement import AGREE
from diagnose.conversation.answers import without_reading, yes_no
from diagnose.conversation.coming import Turn, advance, again, ask, propose
from diagnose.conversation.means import Means
from diagnose.conversation.state import Open, Reading
from diagnose.errors import ObservationError

# readings that a charged battery does not change: ohms, junctions, what was looked at
STAYS = ("ohms", "diode", "inspect")


def agreed(turn: Turn, asked: Open, text: str, hint: str) -> Turn:
    """Yes lets the part be advised; no looks for another way."""
    means, state = turn.means, turn.state
    repair = asked.id.removeprefix(AGREE)
    said = yes_no(text, means.words)
    if said == "yes":
        return advance(turn.then(replace(state, agreed=state.agreed | {repair}, phase="working")), hint)
    if said == "no" or without_reading(text, means.words):
        return advance(turn.then(replace(state, declined=state.declined | {repair}, phase="working")), hint)
    raise ObservationError(text, "yes (agreed) or no", "wait customer, to go on when the answer is there")


# ---- waiting ---------------------------------------------------------------------------------------


def begin(turn: Turn, what: str) -> Turn:
    """The job waits; it is closed as paused until somebody comes back."""
    means, state = turn.means, turn.state
    state = replace(state, waiting=what)
    text = means.say(state, f"waits_{what}")
    _, closed = proof.close(means, state, "paused", text=text)
    return turn.then(state, {"event": "waiting", "for": what, "text": text}, closed)


def over(turn: Turn, waited: float) -> Turn:
    """The wait is over: a charged battery is read anew, a ride is asked about, else the question stands."""
    means, state = turn.means, turn.state
    what = state.waiting
    if not what:
        raise ObservationError("back", "a job that waits", "wait charger", "has nothing to come back from")
    state = replace(state, waiting="", waited_minutes=state.waited_minutes + waited)
    text = means.say(state, "came_back", waited=_long(waited), what=means.say(state, f"waited_{what}"))
    turn = turn.then(state, {"event": "back", "for": what, "waited_minutes": round(waited, 1), "text": text})
    if what == "charger" and state.phase == "working":
        return _charged(turn)
    if what == "ride" and state.phase == "working":
        return _ridden(turn)
    return again(turn)


def _long(minutes: float) -> str:
    """A wait as a person says it."""
    if minutes < 90:
        return f"{max(minutes, 1.0):.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 48 * 60 else f"{minutes / 60 / 24:.0f} days"


def _charged(turn: Turn) -> Turn:
    """What was read with the flat battery no longer fits: it stays in the record, and the posts are read."""
    means, state = turn.means, turn.state
    kept = tuple(e for e in state.evidence if not isinstance(e, Reading) or _stays(means, e))
    state = replace(
        state,
        past=(*state.past, *(e for e in state.evidence if e not in kept)),
        evidence=kept,
        belief=evidence.rebuild(means.world, state.setting, kept),
        paid=replace(state.paid, used=frozenset(e.measurement for e in kept if isinstance(e, Reading))),
    )
    battery = intake.battery_reading(means.world)
    if battery is None or state.setting.kit not in ("meter", "workshop"):
        return advance(turn.then(state))
    return propose(turn.then(state), battery, "measure")


def _stays(means: Means, reading: Reading) -> bool:
    m = means.world.measurements[reading.measurement]
    return m.kind in STAYS or not m.condition.battery


def _ridden(turn: Turn) -> Turn:
    """After the ride: does it still fail?"""
    means, state = turn.means, turn.state
    event = asking.plain_question(
        state,
        question="reproduce",
        kind="confirm",
        text=means.say(state, "ask_after_ride"),
        choices=[("yes", means.words.say("reproduce_yes")), ("no", means.words.say("reproduce_no"))],
    )
    return ask(turn.then(replace(state, phase="reproduce")), "reproduce", "reproduce", event)
