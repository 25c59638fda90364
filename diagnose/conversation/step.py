"""One message in, the next state and its events out; pure, so that a job is a fold over its messages.

The conversation's own arrow (state + answer -> state + question or advice). Writes nothing and keeps
nothing: the journal stands outside, whatever costs time is cached in the world.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from diagnose.bike.model import NOT_WIDER
from diagnose.catalogue.differences import read_entries
from diagnose.conversation import (
    agreement,
    drawing,
    estimates,
    explain,
    intake,
    proof,
    reopening,
    replies,
    this_bike,
    waits,
)
from diagnose.conversation.coming import Turn, advance, open_measurement
from diagnose.conversation.means import Event, Means, problem
from diagnose.conversation.messages import (
    Answered,
    Asked,
    CameBack,
    Differs,
    Done,
    Message,
    Noted,
    Observed,
    Took,
    Waits,
    as_json,
    read_message,
)
from diagnose.conversation.state import Open, State, with_setting
from diagnose.conversation.world import World
from diagnose.errors import NoCandidateExplains, ObservationError
from diagnose.rules.base import RuleBase
from diagnose.wording import Wording


def begin(
    options: Mapping[str, Any], world: World, rulebase: RuleBase, wording: Wording
) -> tuple[State, tuple[Event, ...]]:
    """Start a job and ask the first question.

    options  what is known already, see intake.settle
    raises   UsageError for an unknown id in the options
    """
    differs = read_entries(options.get("differs") or ())
    world = world.differing(differs) if differs else world
    state = with_setting(intake.settle(world, options), differs=differs)
    world = world.widened(state.wider) if state.wider != NOT_WIDER else world
    means = Means(world, rulebase, wording)
    lead = [*intake.proved_before(means, state)]
    if differs:
        lead.append({"event": "noted", "text": this_bike.told(means, state)})
    turn = advance(Turn(means, state), lead=lead)
    return turn.state, turn.events


def step(
    state: State,
    message: Message | Mapping[str, Any],
    world: World,
    rulebase: RuleBase,
    wording: Wording,
    *,
    hint: str = "",
    replaying: bool = False,
) -> tuple[State, tuple[Event, ...]]:
    """Take one message.

    message    a value of `messages`, or the protocol's JSON object
    hint       measurement that comes next if that is possible (a replay knows it: no need to plan)
    replaying  the message's own `question` is asked first if another one stands
    returns    the next state and the events to show, in order; what cannot be taken is a `problem` event
               and the very state it was
    raises     RuleError, CircuitError and the like: faults of the program or its knowledge, not of the user
    """
    try:
        question = ""
        if not isinstance(message, (Answered, Observed, Asked, Took, Noted, Done, Waits, CameBack, Differs)):
            read = read_message(message)
            question = str(message.get("question", ""))
            message = read
        means = Means(fitted(world, state), rulebase, wording)
        asked = state
        if question and (state.open is None or state.open.id != question):
            if not replaying:
                stands = state.open.id if state.open else "undo"
                raise ObservationError(question, "the question that stands now", stands, "is not open")
            asked = _reopened(means, state, question)
        turn = _take(Turn(means, asked), message, hint)
    except (ObservationError, NoCandidateExplains) as err:
        return state, (problem(str(err)),)
    return turn.state, turn.events


def fold(
    options: Mapping[str, Any],
    messages: Iterable[Mapping[str, Any]],
    world: World,
    rulebase: RuleBase,
    wording: Wording,
) -> tuple[State, tuple[tuple[Event, ...], ...]]:
    """A job from its messages, as a journal holds them.

    returns  the state, and the events of the beginning and of each message
    """
    told = list(messages)
    state, first = begin(options, world, rulebase, wording)
    events = [first]
    for i, message in enumerate(told):
        hint = str(told[i + 1].get("question", "")) if i + 1 < len(told) else ""
        state, out = step(state, message, world, rulebase, wording, hint=hint, replaying=True)
        events.append(out)
    return state, tuple(events)


def fitted(world: World, state: State) -> World:
    """The bike as it was said to be, with the suspects it was widened by."""
    if state.setting.differs:
        world = world.differing(state.setting.differs)
    return world.widened(state.wider) if state.wider != NOT_WIDER else world


def _reopened(means: Means, state: State, question: str) -> State:
    """The state with the question open that a recorded message answers."""
    world = means.world
    if question in world.measurements:
        if state.belief is None:
            state = intake.belief_of(means, state)
        return open_measurement(means, state, world.measurements[question], "measure").state
    if question in intake.ORDER:
        sort = "intake"
    elif question in ("exit_check", "exit_which", "reproduce", "remaining", "still_there"):
        sort = question
    elif question.startswith(agreement.AGREE):
        sort = "agreement"
    else:
        sort = "advice" if question in world.repairs else "safety"
    return replace(state, open=Open(question, sort))


def _take(turn: Turn, message: Message, hint: str) -> Turn:
    """Take one message; whatever it changed is logged, and can be undone."""
    state = turn.state
    match message:
        case Asked("undo"):
            return _undo(turn)
        case Asked("pause"):
            return turn.then(*proof.close(turn.means, state, "paused"))
        case Asked("reopen"):
            after = reopening.reopened(turn)
            return replace(after, state=replace(_logged(after.state, state, message), before=state))
        case Asked(what):
            return _aside(turn, what)
        case Noted(text):
            noted = replace(state, notes=(*state.notes, text))
            return turn.then(_logged(noted, state, message), {"event": "noted"})
    if state.phase == "closed":
        name = next(iter(as_json(message)))
        raise ObservationError(
            name,
            "undo, a note, reopen (the fault is back), or a new job",
            "undo",
            "comes after the end of the job",
        )
    if state.waiting and not isinstance(message, CameBack):
        raise ObservationError(
            next(iter(as_json(message))), "back first: the job waits", "back", "comes early"
        )
    match message:
        case Waits(what):
            after = waits.begin(turn, what)
        case CameBack(waited):
            after = waits.over(turn, waited)
        case Answered():
            after = replies.answered(turn, message, hint)
        case Observed(text):
            after = replies.observed(turn, text, hint)
        case Took(measurement):
            after = replies.took(turn, measurement)
        case Done(repair, works):
            after = replies.done(turn, repair, works, hint)
        case Differs(changes):
            after = replies.differs(turn, changes, hint)
    if after.state.doubted is not None and after.state.doubted != state.doubted:
        return after  # questioned, not taken: nothing to record, nothing to undo
    if isinstance(message, Answered) and replies.was_doubted(state, message):
        message = replace(message, sure=True)
    before = replace(state, doubted=None)
    return replace(after, state=replace(_logged(after.state, state, message), before=before, doubted=None))


def _logged(state: State, before: State, message: Message) -> State:
    """The state whose log has this message, with the question that stood when it came."""
    entry = as_json(message)
    if before.open is not None:
        entry["question"] = before.open.id
    return replace(state, log=(*before.log, entry))


def _undo(turn: Turn) -> Turn:
    state = turn.state
    if state.before is None:
        raise ObservationError("undo", "an answer to take back", wrong="has nothing to take back")
    back = replace(state.before, notes=state.notes, log=(*state.log, as_json(Asked("undo"))))
    asked = (dict(back.open.event),) if back.open and back.open.event else ()
    return turn.then(back, {"event": "undone", "step": back.asked}, *asked)


def _aside(turn: Turn, what: str) -> Turn:
    """suspects, why, others, estimate, where, differs: told beside the question, which keeps standing."""
    state = turn.state
    if state.belief is None:
        state = intake.belief_of(turn.means, state)
    tell = {
        "suspects": explain.suspects,
        "why": explain.why,
        "others": explain.others,
        "estimate": estimates.told,
        "where": drawing.where,
        "differs": this_bike.listed,
    }[what]
    return Turn(turn.means, turn.state, (*turn.events, tell(turn.means, state)))
