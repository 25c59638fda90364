"""What an answer does: to an intake or safety question, a measurement, advice, the exit check.

Part of the conversation. Each function takes a turn and the open question and gives the turn that follows.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import replace

from diagnose.bike.model import Measurement
from diagnose.conversation import (
    advice,
    agreement,
    asking,
    doubt,
    evidence,
    intake,
    names,
    permits,
    planning,
    proof,
    remaining,
    shorthand,
    this_bike,
    together,
    waits,
)  # fmt: skip
from diagnose.conversation.answers import plain, read_answer, read_choice, without_reading, yes_no
from diagnose.conversation.coming import (
    Turn,
    advance,
    again,
    ask,
    ending,
    exit_check,
    propose,
)
from diagnose.conversation.means import Event, Means, confirmation, permit, problem
from diagnose.conversation.messages import Answered
from diagnose.conversation.state import (
    KITS,
    SKILLS,
    Awake,
    Back,
    Calm,
    Open,
    Reading,
    State,
    Still,
    with_setting,
)
from diagnose.errors import ObservationError

SEEN_AWAKE = 0.9  # [1] chance that it shows just now from which a fault that slept is read on (estimate)


def answered(turn: Turn, message: Answered, hint: str) -> Turn:
    """An answer to the open question, whatever sort of question it is."""
    means, state = turn.means, turn.state
    asked = state.open
    if asked is None:
        raise ObservationError(message.text, "no answer, because no question is open", "undo")
    if asked.sort == "intake":
        return _intake_answer(turn, asked, message.text, hint)
    if asked.sort == "safety":
        return _safety_answer(turn, asked, message.text)
    if asked.sort == "advice":
        special = without_reading(message.text, means.words)
        if special in ("skip", "cannot_reach", "do_not_know") or yes_no(message.text, means.words) == "no":
            declined = replace(state, declined=state.declined | {asked.id}, phase="working")
            return advance(turn.then(declined), hint)
        raise ObservationError(
            message.text, "done, and whether it works now (yes or no)", "skip, to leave this repair for now"
        )
    if asked.sort == "exit_check":
        return _exit_answer(turn, message.text, hint)
    if asked.sort == "exit_which":
        return _which_answer(turn, asked, message.text)
    if asked.sort == "remaining":
        return remaining.answered(turn, message.text, hint)
    if asked.sort == "agreement":
        return waits.agreed(turn, asked, message.text, hint)
    if asked.sort == "reproduce":
        return _reproduce_answer(turn, message.text, hint)
    if asked.sort == "still_there":
        return _still_answer(turn, message.text, hint)
    return _measured(turn, asked, message, hint)


def _intake_answer(turn: Turn, asked: Open, text: str, hint: str) -> Turn:
    means = turn.means
    state, events, gone = intake.answer(means, turn.state, asked.id, text)
    if state.wider != turn.state.wider:  # one that comes and goes was named
        turn = replace(turn, means=replace(means, world=means.world.widened(state.wider)))
    if gone:
        state = replace(state, steps=state.steps + 1)
        told = advice.stop_advice(means, state, "switch", text=means.say(state, "stop_switch"))
        return turn.then(*ending(proof.close(means, state, "stopped", text=""), told))
    return advance(turn.then(state, *events), hint)


def _safety_answer(turn: Turn, asked: Open, text: str) -> Turn:
    """Yes opens the step that was blocked, and that step is asked; no offers others."""
    means, state = turn.means, turn.state
    said = yes_no(text, means.words)
    if not said:
        raise ObservationError(
            text, "yes or no", "no, if it is not so or you are not sure", "is no answer to a safety question"
        )
    purpose = asked.purpose or "measure"
    m = means.world.measurements.get(asked.measurement)
    if said == "no" or m is None:
        state = replace(state, said_no=state.said_no | {asked.id}, open=None)
        if purpose in ("proof", "exit"):
            return exit_check(turn.then(state))
        if purpose == "intake_meter":
            state = with_setting(state, meter="skipped")
        return advance(turn.then(state))
    found = confirmation(permit(means, state, m), m.id)
    if found is not None and found.fact == asked.id:
        state = replace(state, job=permits.confirmed(means.world.view, state.job, found))
    state = replace(state, said_no=state.said_no - {asked.id}, open=None)
    return propose(turn.then(state), m, purpose)


def _measured(turn: Turn, asked: Open, message: Answered, hint: str) -> Turn:
    means, state = turn.means, turn.state
    world = means.world
    m = world.measurements[asked.measurement]
    special = without_reading(message.text, means.words)
    if special:
        return _no_reading(turn, asked, m, special, hint)
    insists = message.sure or was_doubted(state, message)
    readings = []
    for taken, text in ((m, message.text), *together.read_also(means, state, m, message.also)):
        titles = asked.event.get("titles", {}) if taken is m else {}
        value, note = read_answer(taken, text, titles, means.words)
        found = doubt.doubt(world, means.rulebase, state, taken, value, text, note, means.words)
        if found is not None and not insists:
            doubted = replace(state, doubted=(asked.id, _as_said(message)))
            return turn.then(doubted, problem(found.text, {"slip": found.slip, "text": found.text}))
        slip = found.slip if found else ""
        readings.append((taken, Reading(taken.id, value, text, planning.physical(state.job), slip=slip)))
    if message.also and asked.sort in ("proof", "exit"):
        raise ObservationError(
            "also", "the one answer that was asked for", message.text, "proves nothing here"
        )
    for taken, reading in readings:
        state = _took_reading(means, state, taken, reading)
    reading = readings[0][1]
    if state.calm and asked.sort == "measure" and evidence.shows_now(world, state.belief) > SEEN_AWAKE:
        state = replace(state, evidence=(*state.evidence, Awake()))
        turn = turn.then(state, {"event": "noted", "text": means.say(state, "seen_awake")})
    if asked.sort == "proof":
        return _proved(turn.then(state), m, reading, hint)
    if asked.sort == "exit":
        if proof.proves(means, state, reading):
            return exit_check(turn.then(state))
        return advance(turn.then(proof.second_fault(means, state, (reading,))), hint)
    return advance(turn.then(state), hint)


def _proved(turn: Turn, m: Measurement, reading: Reading, hint: str) -> Turn:
    """What a proof says: the repair holds, or one of reading and rider errs, or it did not help."""
    means, state = turn.means, turn.state
    shown = names.reading(reading.value, m.unit, means.words)
    words = f"{names.in_short(means.world, m, means.words)}: {shown}"
    if proof.proves(means, state, reading):
        return exit_check(turn.then(replace(state, proof=words)))
    if m.id not in state.rechecked:
        state = replace(state, rechecked=state.rechecked | {m.id})
        return propose(turn.then(state), m, "proof", lead=means.say(state, "prove_again", shown=shown))
    if proof.is_mended(state):
        return exit_check(turn.then(replace(state, against=words)))
    return advance(turn.then(proof.not_proved(means, state)), hint)


def was_doubted(state: State, message: Answered) -> bool:
    """Whether this very answer to this very question was questioned just before."""
    return state.open is not None and state.doubted == (state.open.id, _as_said(message))


def _as_said(message: Answered) -> str:
    return plain("; ".join((message.text, *(f"{m} {text}" for m, text in message.also.items()))))


def _took_reading(means: Means, state: State, m: Measurement, reading: Reading) -> State:
    """Everything a reading changes: evidence, belief, minutes, what is open and apart."""
    world = means.world
    minutes = planning.minutes_for(world, state, m)
    told, belief = evidence.with_reading(world, state.setting, state.belief, state.evidence, reading)
    state = replace(
        state,
        evidence=told,
        belief=belief,
        paid=planning.after(state.paid, m),
        hands_minutes=state.hands_minutes + minutes,
        steps=state.steps + 1,
    )
    if state.setting.meter == "" and m == intake.battery_reading(world):
        state = with_setting(state, meter="proved")
    # what this reading needed apart is apart now, until a later question says to put it back
    has_battery = bool(world.view.ground)
    undone = has_battery and (not m.condition.battery or not state.job.battery)
    apart = tuple(dict.fromkeys((*m.condition.apart, *state.job.apart)))
    out = tuple(dict.fromkeys((*m.condition.out, *state.job.out)))
    if state.held is not None:
        held = state.held
        return replace(
            state,
            job=held,
            taken_out=tuple(f for f in out if f not in held.out),
            taken_apart=tuple(a for a in apart if a not in held.apart),
            battery_undone=has_battery and not m.condition.battery and held.battery,
        )
    return replace(
        state, job=proof.put_together(state.job), taken_out=out, taken_apart=apart, battery_undone=undone
    )


def _no_reading(turn: Turn, asked: Open, m: Measurement, special: str, hint: str) -> Turn:
    means, state = turn.means, turn.state
    if special == "works_now":
        return _reproduce(_calmed(turn))
    if special == "not_fitted":
        return _not_fitted(turn, m, hint)
    refused = {m.id}
    if special == "cannot_reach":
        keep = set(means.world.view.home_points)
        refused |= {p for p in (m.plus, m.minus) if p and p not in keep}
    state = replace(state, refused=state.refused | refused, open=None)
    if asked.sort == "intake_meter":
        state = with_setting(state, meter="skipped")
    if asked.sort in ("proof", "exit"):
        return exit_check(turn.then(state))
    return advance(turn.then(state), hint)


def _not_fitted(turn: Turn, m: Measurement, hint: str) -> Turn:
    own = [c for c in m.components if c in turn.means.world.view.components]
    touched = [c for c in own if turn.means.world.view.components[c][1] not in ("battery", "body", "engine")]
    if len(touched) != 1:
        named = touched or own or ["part"]
        raise ObservationError(
            "not_fitted",
            f"which of {', '.join(named)} is not on this bike",
            f"saying what differs: not fitted {named[0]}",
            "could mean more than one part",
        )
    return differs(turn, {"not_fitted": touched[0]}, hint)


def _exit_answer(turn: Turn, text: str, hint: str) -> Turn:
    means, state = turn.means, turn.state
    special = without_reading(text, means.words)
    said = yes_no(text, means.words)
    skipped = special in ("skip", "do_not_know", "cannot_reach")
    if said == "yes" or special == "works_now" or skipped or shorthand.all_well(text):
        state = replace(state, exit_skipped=skipped)
        return turn.then(*proof.close(means, state, "repaired", state.causes))
    if said == "no":
        event = proof.which_question(means, state)
        return ask(turn, "exit_which", "exit_which", event)
    return observed(turn, text, hint)


def _which_answer(turn: Turn, asked: Open, text: str) -> Turn:
    means = turn.means
    if without_reading(text, means.words) or yes_no(text, means.words) == "no":
        return exit_check(turn)
    titles = asked.event.get("titles", {})
    left_on = means.world.view.left_on
    mid = read_choice(text, (*proof.exit_list(means, turn.state), *left_on), titles, means.words)
    if mid in left_on:
        return advance(turn.then(proof.left_on(means, turn.state, mid)))
    # what was said for safety ended with the repair: the step is judged like any other
    return propose(turn, means.world.measurements[mid], "exit")


def _calmed(turn: Turn, *, unseen: bool = False) -> Turn:
    """It works now: faults that come and go join the suspects, and what shows from here on is asleep."""
    means, state = turn.means, turn.state
    spell = f"calm{sum(isinstance(e, Calm) for e in state.evidence) + 1}"
    wider = replace(state.wider, loose=True)
    state = replace(state, wider=wider, evidence=(*state.evidence, Calm(spell, unseen)))
    means = replace(means, world=means.world.widened(wider))
    belief = evidence.rebuild(means.world, state.setting, state.evidence)
    return Turn(means, replace(state, belief=belief), turn.events)


def _reproduce(turn: Turn) -> Turn:
    means, state = turn.means, turn.state
    last = next((r.measurement for r in reversed(state.readings)), "")
    touched = names.in_short(means.world, means.world.measurements[last], means.words) if last else ""
    event = asking.plain_question(
        state,
        question="reproduce",
        kind="confirm",
        text=means.say(
            state, "ask_reproduce", touched=means.say(state, "touched_last", what=touched) if touched else ""
        ),
        choices=[("yes", means.words.say("reproduce_yes")), ("no", means.words.say("reproduce_no"))],
    )
    return ask(turn.then(replace(state, phase="reproduce")), "reproduce", "reproduce", event)


def _reproduce_answer(turn: Turn, text: str, hint: str) -> Turn:
    means, state = turn.means, turn.state
    said = yes_no(text, means.words)
    if said == "yes":
        heard = (*state.evidence, Back(f"back{sum(isinstance(e, Back) for e in state.evidence) + 1}"))
        belief = evidence.rebuild(means.world, state.setting, heard)
        back = replace(state, phase="working", evidence=heard, belief=belief)
        return advance(turn.then(back), hint)
    if said == "no" or without_reading(text, means.words):
        if means.world.singles < len(means.world.candidates):
            hunts = {"event": "noted", "text": means.say(state, "hunts_asleep")}
            return advance(turn.then(replace(state, phase="working"), hunts), hint)
        told = advice.works_now(means, state)
        return turn.then(*ending(proof.close(means, state, "stopped", tuple(told["candidates"])), told))
    raise ObservationError(text, "yes (the fault is back) or no (it still works)", "no")


def _still_answer(turn: Turn, text: str, hint: str) -> Turn:
    """Yes: the bike is not sound, whatever was read. No: it comes and goes."""
    means, state = turn.means, turn.state
    said, special = yes_no(text, means.words), without_reading(text, means.words)
    if said == "no" or special == "works_now":
        return advance(_calmed(turn.then(replace(state, open=None)), unseen=True), hint)
    if said == "yes":
        heard = (*state.evidence, Still())
        return advance(
            turn.then(replace(state, open=None, evidence=heard, belief=evidence.insisted(state.belief))), hint
        )
    if special:
        return advance(turn.then(replace(state, open=None)), hint)
    raise ObservationError(text, "yes (it fails right now) or no (it works now)", "no")


def observed(turn: Turn, line: str, hint: str) -> Turn:
    """Many observations at once; during the exit check what fails starts a new search."""
    means, state = turn.means, turn.state
    before = state.evidence
    state, events = intake.observe(means, state, line)
    if state.phase in ("proving", "exit_check"):
        fresh = tuple(e for e in state.evidence if e not in before and isinstance(e, Reading))
        bad = tuple(r for r in fresh if not proof.proves(means, state, r))
        state = replace(state, evidence=before)
        if bad:
            return advance(turn.then(proof.second_fault(means, state, bad), *events), hint)
        return again(turn.then(state, *events))
    if state.belief is not None:
        state = intake.belief_of(means, state)
    if state.phase == "intake":
        return again(turn.then(state, *events))
    return advance(turn.then(replace(state, phase="working")), hint, lead=events)


def took(turn: Turn, measurement: str) -> Turn:
    """A measurement of the user's own choice."""
    means, state = turn.means, turn.state
    world = means.world
    m = world.measurements.get(measurement)
    if m is None:
        raise ObservationError(measurement, *_known(measurement, world.measurements, "measurement"))
    reason = planning.closed_because(world, state, m.id)
    if reason in ("kit", "helper", "engine"):
        lacking = {"kit": means.words.say(f"kit_{m.kit}")} if reason == "kit" else {}
        change = {
            "kit": f"kit {m.kit}",
            "helper": "helper yes",
            "engine": "engine may run",
        }
        raise ObservationError(
            m.id,
            means.words.say(f"needs_{reason}", **lacking),
            f"saying that it differs now: {change[reason]}",
            "cannot be taken now",
        )
    if state.belief is None:
        state = intake.belief_of(means, state)
    points = {p for p in (m.plus, m.minus) if p}
    state = replace(state, refused=state.refused - {m.id} - points, said_no=frozenset(), phase="working")
    return propose(turn.then(state), m, "measure")


def done(turn: Turn, repair: str, works: str, hint: str) -> Turn:
    """A repair was done: prove it, or go on without its candidates."""
    means, state = turn.means, turn.state
    if repair not in means.world.repairs:
        raise ObservationError(repair, *_known(repair, means.world.repairs, "repair"))
    if state.belief is None:
        state = intake.belief_of(means, state)
    causes = proof.causes_of(means, state, repair)
    if works == "some":
        return remaining.ask_which(turn, repair, causes)
    state = proof.after_repair(means, state, repair, works)
    if works == "no":
        return advance(turn.then(state), hint)
    state = replace(state, causes=tuple(dict.fromkeys((*state.causes, *causes))))
    return remaining.prove(turn.then(state), repair)


def differs(turn: Turn, changes: Mapping[str, str], hint: str) -> Turn:
    """What is different on this bike or in this job changes the plan at once."""
    means, state = turn.means, turn.state
    told: Event = {"event": "noted"}
    for key, word in changes.items():
        if key == "kit":
            state = with_setting(state, kit=read_choice(word, KITS, {}, means.words))
        elif key == "skill":
            state = with_setting(state, skill=read_choice(word, SKILLS, {}, means.words))
        elif key == "price_limit":
            state = with_setting(state, price_limit=agreement.read_limit(word))
        elif key == "loom":
            state = _altered(means, state, word)
        elif key == "helper":
            state = with_setting(state, helper=_said(word, means) == "yes")
        elif key == "engine":
            state = with_setting(
                state, engine_may_run=_said(word, means, yes=("may run", "on"), no=("off",)) == "yes"
            )
        else:
            state, means, told = this_bike.say(means, state, key, word)
    if state.phase in ("intake", "proving", "exit_check", "reproduce"):
        return again(Turn(means, state, (*turn.events, told)))
    return advance(Turn(means, replace(state, phase="working"), turn.events), hint, lead=[told])


def _altered(means: Means, state: State, word: str) -> State:
    """The loom was altered since it was proved: what was proved then says nothing any more."""
    if plain(word) != "altered":
        raise ObservationError(word, "altered under 'loom'", "altered")
    state = with_setting(state, proved=None)
    return intake.belief_of(means, state) if state.belief is not None else state


def _said(word: str, means: Means, yes: tuple[str, ...] = (), no: tuple[str, ...] = ()) -> str:
    said = "yes" if plain(word) in yes else "no" if plain(word) in no else yes_no(word, means.words)
    if not said:
        raise ObservationError(word, " or ".join((*yes[:1], *no[:1])) or "yes or no")
    return said


def _known(name: str, names_known: Mapping[str, object], kind: str) -> tuple[str, str, str]:
    """What to expect, what to try and what is wrong when an id does not exist."""
    near = difflib.get_close_matches(name, names_known, n=3, cutoff=0.5)
    return f"a {kind} of this bike", ", ".join(near) or next(iter(names_known), "another"), "is not known"
