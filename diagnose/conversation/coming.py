"""What comes next: the question that is still missing, the next measurement, advice, or an end.

Part of the conversation. Everything here ends in a state with one open question, or in a closed job.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from diagnose.beliefs.evidence import is_surprising
from diagnose.bike.acts import BARE_HANDED
from diagnose.bike.model import Measurement
from diagnose.conversation import (
    advice,
    agreement,
    asking,
    estimates,
    explain,
    intake,
    names,
    permits,
    planning,
    proof,
    together,
    widen,
)  # fmt: skip
from diagnose.conversation.means import Event, Means, confirmation, is_closed, judge, permit, show
from diagnose.conversation.permits import Permit
from diagnose.conversation.state import Open, State, with_setting
from diagnose.errors import ObservationError

MOST_RECHECKS = 2
LOOK_AFTER = 6  # readings with a tool after which what was complained of is looked at itself (estimate)


@dataclass(frozen=True, slots=True)
class Turn:
    """One step under way: what it works with, the state so far, the events so far."""

    means: Means
    state: State
    events: tuple[Event, ...] = ()

    def then(self, state: State, *events: Event) -> Turn:
        """The turn with another state and further events."""
        return Turn(self.means, state, (*self.events, *events))


def ending(closed: tuple[State, Event], told: Event) -> tuple[Any, ...]:
    """State and events of an end: first what is told, then that the job is closed."""
    state, event = closed
    return (state, told, event)


def again(turn: Turn) -> Turn:
    """The same question once more."""
    asked = turn.state.open
    return turn.then(turn.state, dict(asked.event)) if asked and asked.event else advance(turn)


def advance(turn: Turn, hint: str = "", lead: Iterable[Event] = ()) -> Turn:
    """Ask what is still missing, then measure, advise or stop."""
    turn = turn.then(turn.state, *lead)
    means, state = turn.means, turn.state
    if state.phase == "intake":
        missing = intake.pending(means, state)
        if missing == "meter":
            return _prove_meter(turn)
        if missing:
            return ask(turn, missing, "intake", intake.question(means, state, missing))
        state = replace(intake.belief_of(means, state), phase="working")
        turn = turn.then(state)
    means, state, told = widen.widened(means, state)
    turn = Turn(means, state, (*turn.events, *told))
    if hint in means.world.measurements and not is_closed(
        permit(means, state, means.world.measurements[hint]), state
    ):
        again = any(r.measurement == hint and r.job == planning.physical(state.job) for r in state.readings)
        if again:
            turn = turn.then(replace(state, rechecked=state.rechecked | {hint}))
        turn = turn.then(replace(turn.state, estimated=True))  # it was told when this was asked first
        return propose(turn, means.world.measurements[hint], "measure")
    acts = [means.world.measurements[m.id] for m in planning.options(means.world, state)[0]]
    found = judge(means, state, acts)
    blocked = {mid: is_closed(p, state) for mid, p in found.items() if p.blocked}
    if not state.estimated and state.held is None:  # before work starts, once
        before = estimates.told(means, state)
        return _with_estimate(advance(turn.then(replace(state, estimated=True)), hint), before)
    act = planning.plan(means.world, state, blocked).act
    long = act.sort == "measure" and planning.measured_so_far(means.world, state) >= LOOK_AFTER
    if act.option == planning.NOTHING_FOUND or long:
        looking = _look(turn, act.option) if state.held is None and not state.calm else None
        if looking is not None:
            return looking
    if act.sort == "measure":
        turn = propose(turn, means.world.measurements[act.option], "measure", judged=found.get(act.option))
        return _with(turn, together.offered(means, state, together.beside(means, state, act, found)))
    checking = _recheck(turn) if act.sort != "try" else None
    if checking is not None:
        return checking
    if act.sort in ("try", "repair") or (act.sort == "stop" and act.option in means.world.repairs):
        return _advise(turn, act.option)
    if state.calm:
        ends = advice.works_now(means, state)
        return turn.then(*ending(proof.close(means, state, "stopped", tuple(ends["candidates"])), ends))
    if act.option != planning.NOTHING_FOUND and len(state.setting.complaints) > 1:
        means, state, said = widen.one_at_a_time(means, state)
        return advance(Turn(means, state, (*turn.events, said)), hint)
    asking_anew = bool(state.setting.complaints) and state.held is None and not state.insisted
    if asking_anew and is_surprising(state.belief):
        return _still_there(turn)
    ends = (
        advice.nothing_found(means, state)
        if act.option == planning.NOTHING_FOUND
        else advice.bare_stop(means, state)
    )
    return turn.then(*ending(proof.close(means, state, "stopped", tuple(ends["candidates"])), ends))


def _look(turn: Turn, instead: str) -> Turn | None:
    """A look at a function that the complaint speaks of and nobody has had yet; None if there is none.

    Before nothing is found, and before still another reading with a tool: it may well be sound by now.
    """
    means, state = turn.means, turn.state
    measurement = means.world.measurements.get(instead)
    if measurement is not None and measurement.kind in BARE_HANDED:
        return None
    for look in planning.not_looked_at(means.world, state):
        allowed = permit(means, state, means.world.measurements[look])
        if not allowed.blocked or (confirmation(allowed, look) and not is_closed(allowed, state)):
            return propose(turn, means.world.measurements[look], "measure", judged=allowed)
    return None


def _still_there(turn: Turn) -> Turn:
    """Before an end that the readings contradict: whether the complaint is there at all just now."""
    means, state = turn.means, turn.state
    told = names.listing([means.world.view.complaints[c][0] for c in state.setting.complaints], means.words)
    event = asking.plain_question(
        state,
        question="still_there",
        kind="confirm",
        text=means.say(state, "ask_still_there", complaints=told),
        choices=[("yes", means.words.say("still_yes")), ("no", means.words.say("still_no"))],
    )
    return ask(turn.then(replace(state, insisted=True)), "still_there", "still_there", event)


def _with_estimate(turn: Turn, told: Event) -> Turn:
    """The turn whose question or advice also says what the job will take."""
    return _with(turn, {"estimate": {k: told[k] for k in ("minutes", "price", "text")}})


def _with(turn: Turn, more: Event) -> Turn:
    """The turn whose question also holds this; a safety question that comes first stays as it is."""
    state = turn.state
    if state.open is None or not turn.events or not more:
        return turn
    if "together" in more and state.open.sort != "measure":
        return turn
    shown = {**turn.events[-1], **more}
    state = replace(state, open=replace(state.open, event=shown))
    return Turn(turn.means, state, (*turn.events[:-1], shown))


def _advise(turn: Turn, repair: str) -> Turn:
    means = turn.means
    known = means.world.repairs[repair]
    if agreement.needs_word(turn.state, known):
        return ask(turn, agreement.AGREE + repair, "agreement", agreement.question(means, turn.state, known))
    state, told = advice.repair_advice(means, turn.state, repair)
    if told["sort"] == "stop":
        causes = tuple(told["candidates"])
        return turn.then(*ending(proof.close(means, state, "stopped", causes), told))
    opened = Open(repair, "advice", "", (), told)
    return turn.then(replace(state, phase="advised", open=opened, asked=state.asked + 1), told)


def _recheck(turn: Turn) -> Turn | None:
    """Before a verdict that the evidence does not carry well: the least fitting reading once more."""
    means, state = turn.means, turn.state
    if len(state.rechecked) >= MOST_RECHECKS or not is_surprising(state.belief):
        return None
    odd = explain.least_fitting(state)
    if odd is None or odd.measurement in state.rechecked or odd.job != planning.physical(state.job):
        return None
    if planning.closed_because(means.world, state, odd.measurement):
        return None
    m = means.world.measurements[odd.measurement]
    shown = names.reading(odd.value, m.unit, means.words)
    state = replace(state, rechecked=state.rechecked | {odd.measurement})
    return propose(turn.then(state), m, "measure", lead=means.say(state, "recheck", shown=shown))


def _prove_meter(turn: Turn) -> Turn:
    means = turn.means
    m = intake.battery_reading(means.world)
    if m is None or planning.closed_because(means.world, turn.state, m.id):
        return advance(turn.then(with_setting(turn.state, meter="skipped")))
    state = intake.belief_of(means, turn.state)
    return propose(turn.then(state), m, "intake_meter", lead=means.say(state, "prove_meter"))


def propose(turn: Turn, m: Measurement, sort: str, lead: str = "", judged: Permit | None = None) -> Turn:
    """Ask for a measurement, or first for what makes it safe. judged: its permit, if that is known."""
    means, state = turn.means, turn.state
    found = permit(means, state, m) if judged is None else judged
    if found.blocked:
        first = confirmation(found, m.id)
        if first is None or is_closed(found, state):
            text = " ".join(f.short if state.setting.skill == "trade" else f.text for f in found.blocked)
            if sort in ("proof", "exit"):
                return exit_check(turn)
            if sort == "intake_meter":
                return advance(turn.then(with_setting(state, meter="skipped")))
            raise ObservationError(m.id, "another step", "others", f"is blocked: {text.rstrip('.')}")
        return _ask_safety(turn, m, first, sort)
    return open_measurement(means, state, m, sort, turn.events, lead, found)


def _ask_safety(turn: Turn, m: Measurement, first: permits.Confirmation, purpose: str) -> Turn:
    means = turn.means
    state, cautions = show(means, turn.state, first.cautions)
    event = asking.plain_question(
        state,
        question=first.fact,
        kind="confirm",
        text=first.short if state.setting.skill == "trade" else first.question,
        choices=[("yes", means.words.say("yes")), ("no", means.words.say("no"))],
        skippable=False,
        cautions=cautions,
        opens=m.id,
    )
    return ask(turn.then(state), first.fact, "safety", event, m.id, purpose)


def open_measurement(
    means: Means,
    state: State,
    m: Measurement,
    sort: str,
    events: tuple[Event, ...] = (),
    lead: str = "",
    judged: Permit | None = None,
) -> Turn:
    """Let this measurement be the open question. sort: measure | proof | exit | intake_meter."""
    found = permit(means, state, m) if judged is None else judged
    state, cautions = show(means, state, found.cautions)
    if sort == "proof" and not lead:
        lead = means.say(state, "prove_repair")
    event = asking.measurement_question(means.world, state, m, means.words, cautions, lead=lead)
    return ask(Turn(means, state, events), m.id, sort, event, m.id)


def ask(turn: Turn, question: str, sort: str, event: Event, measurement: str = "", purpose: str = "") -> Turn:
    """Let this event be the open question."""
    opened = Open(question, sort, measurement, tuple(event["choices"]), event, purpose)
    return turn.then(replace(turn.state, open=opened, asked=turn.state.asked + 1), event)


def exit_check(turn: Turn) -> Turn:
    """Try everything once before the job is closed as repaired."""
    means = turn.means
    state = replace(turn.state, phase="exit_check")
    if not proof.exit_list(means, state):
        return turn.then(*proof.close(means, state, "repaired", state.causes))
    state, first = proof.closed_up(means, state)
    return ask(turn.then(state), "exit_check", "exit_check", proof.exit_question(means, state, first))
