"""One message in, the next state of a proving run and its events out; pure.

Asks one check after the other, marks it pass, fail or open, lets power grow only over checks that passed, and
hands a failed check to the fault finding. Writes nothing.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from diagnose import quantities
from diagnose.bike.model import JobState
from diagnose.conversation import messages
from diagnose.conversation import step as job_step
from diagnose.conversation.answers import read_choice, without_reading, yes_no
from diagnose.conversation.means import Event, problem
from diagnose.conversation.state import KITS, SKILLS
from diagnose.errors import NoCandidateExplains, ObservationError, UsageError, unknown
from diagnose.prove import ask
from diagnose.prove.bench import Bench
from diagnose.prove.job import begin_job
from diagnose.prove.limits import passes
from diagnose.prove.model import Check, Outcome
from diagnose.prove.order import minutes, stage_minutes
from diagnose.prove.state import Given, State

DO = ("why", "list", "undo", "pause")
LEFT = ("again", "leave")
MOST_RELATED = 5  # checks made before a search, because they touch the same parts (estimate)
MOST_REPAIRS = 4  # that did not help one check, before the user is asked how to go on
DIRECT = ("rating", "posts")  # a failure that names its own cause: no search is needed


def begin(options: Mapping[str, Any], bench: Bench) -> tuple[State, tuple[Event, ...]]:
    """Start a proving run.

    options  kit, skill, by, helper: all may be missing
    raises   UsageError for an unknown word
    """
    kit, skill = options.get("kit") or "meter", options.get("skill") or "beginner"
    for word, what, words in ((kit, "kit", KITS), (skill, "skill", SKILLS)):
        if word not in words:
            raise UsageError(unknown(what, str(word), words))
    given = Given(kit, skill, str(options.get("by") or ""), bool(options.get("helper", True)))
    queue = tuple(c.id for c in bench.plan.checks if c.sort != "by_meter")
    state = State(given, queue)
    told = ask.plan_event(bench, state, minutes(bench.sound, bench.plan, queue))
    state, events = _next(bench, state)
    return state, (told, *events)


def step(state: State, message: Any, bench: Bench) -> tuple[State, tuple[Event, ...]]:
    """Take one message (the protocol's JSON object).

    returns  the next state and its events; what cannot be taken is a `problem` and the very state it was
    """
    try:
        after, events = _take(bench, state, _read(message))
    except (ObservationError, NoCandidateExplains) as err:
        return state, (problem(str(err)),)
    if dict(message).get("do") != "undo":
        after = replace(after, before=state)
    if dict(message).get("do") not in ("why", "list"):
        after = replace(after, log=(*state.log, dict(message)))
    return after, events


# ---- reading ---------------------------------------------------------------------------------------


def _read(message: Any) -> Mapping[str, Any]:
    """A message in the shape of the protocol; raises ObservationError."""
    if isinstance(message, Mapping) and set(message) - {"question"} == {"do"} and message["do"] in DO:
        return message
    if isinstance(message, Mapping) and ("wait" in message or message.get("do") == "back"):
        raise ObservationError("wait", "pause: a proving run is resumed where it stands", "pause")
    messages.read_message(message)
    return dict(message)


def _take(bench: Bench, state: State, message: Mapping[str, Any]) -> tuple[State, tuple[Event, ...]]:
    what = message.get("do")
    if what == "undo":
        if state.before is None:
            raise ObservationError("undo", "an answer to take back", wrong="has nothing to take back")
        back = replace(state.before, notes=state.notes)
        return back, ({"event": "undone", "step": back.asked}, dict(back.event))
    if what == "pause":
        paused = replace(state, result="paused")
        return paused, (ask.closed_event(bench, paused),)
    if what == "list":
        return state, (ask.list_event(bench, state),)
    if "note" in message:
        return replace(state, notes=(*state.notes, str(message["note"]))), ({"event": "noted"},)
    if state.result and state.result != "paused":
        raise ObservationError(
            next(iter(message)), "undo, a note, or a new run", "undo", "comes after the end"
        )
    if state.job is not None:
        return _in_job(bench, state, message)
    if what == "why":
        return state, (ask.why_event(bench, state),)
    if "answer" not in message:
        raise ObservationError(next(iter(message)), "an answer to the check", '{"answer":"0.2 ohm"}')
    return _answered(bench, state, str(messages.read_message(message).text))  # type: ignore[union-attr]


def _answered(bench: Bench, state: State, text: str) -> tuple[State, tuple[Event, ...]]:
    open_id = str(state.event.get("question", ""))
    if open_id.startswith("stage:"):
        return _entered(bench, state, open_id.partition(":")[2], text)
    if open_id == "left":
        return _left(bench, state, text)
    if open_id == "mend":
        return _mended(bench, state, text)
    check = bench.plan.by_id[open_id]
    row = [str(c) for c in state.event.get("series", ())]
    parts = several_readings(text, len(row)) if check.limit.unit else ()
    if len(parts) > 1:
        return _in_series(bench, state, row, parts)
    special = without_reading(text, bench.words)
    if special:
        return _next(bench, *_record(bench, state, Outcome(check.id, "open", None, text, f"open_{special}")))
    value, shown = read_value(bench, check, text)
    limit = check.limit
    if isinstance(value, str) and value in limit.doubtful and value not in limit.words:
        return _doubtful(bench, state, check, value)
    if isinstance(value, tuple):
        good = set(limit.words) <= set(value) <= {*limit.words, *limit.doubtful}
    else:
        good = passes(limit, value)
    if not good and isinstance(value, float) and state.first is None and check.sort not in DIRECT:
        again = replace(state, first=value)
        event = ask.check_event(bench, again, check, again=True)
        return replace(again, event=event, asked=state.asked + 1), (event,)
    times = 2 if state.first is not None else 1
    kept: float | str = ",".join(value) if isinstance(value, tuple) else value
    outcome = Outcome(check.id, "pass" if good else "fail", kept, shown, "", times)
    state, events = _record(bench, replace(state, first=None), outcome)
    if not good and not state.job_check and not state.left:
        return _failed(bench, state, check, events)
    return _next(bench, state, events)


def several_readings(text: str, most: int) -> tuple[str, ...]:
    """The readings of a series, separated by semicolons or by commas with a space; `all OL` means each.

    raises  ObservationError when there are more than were asked for
    """
    if text.strip().lower().strip(".") in ("all ol", "all open"):
        return ("OL",) * most if most > 1 else ()
    parts = tuple(p.strip() for p in re.split(r"\s*;\s*|,\s+", text.strip()) if p.strip())
    if len(parts) > max(most, 1):
        raise ObservationError(text, f"at most {max(most, 1)} readings here, not {len(parts)}", parts[0])
    return parts


def _in_series(
    bench: Bench, state: State, row: list[str], parts: tuple[str, ...]
) -> tuple[State, tuple[Event, ...]]:
    """Several readings with one setting, each a check of its own; a doubtful one is asked again first."""
    told: tuple[Event, ...] = ()
    done = 0
    for check, part in zip(row, parts, strict=False):
        if state.event.get("question") != check or state.event.get("again"):
            break
        told = tuple(e for e in told if e["event"] != "question")  # answered in the same breath
        state, more = _answered(bench, state, part)
        told, done = (*told, *more), done + 1
    if done < len(parts):
        told = (
            {"event": "noted", "text": ask.say(bench, state, "series_left", count=len(parts) - done)},
            *told,
        )
    return state, told


def read_value(bench: Bench, check: Check, text: str) -> tuple[float | str | tuple[str, ...], str]:
    """An answer as (SI number, +inf for OL; a word; or the functions that wake) and its text.

    raises  ObservationError saying what to type
    """
    if check.several:
        titles = ask.titles(bench, check)
        plain = text.strip().lower().strip(".")
        if plain in ("none", "nothing", "no", "nothing wakes"):
            return (), ""
        said = [
            read_choice(p.strip(), check.choices, titles, bench.words) for p in text.split(",") if p.strip()
        ]
        if not said:
            raise ObservationError(text, "what wakes, separated by commas, or none", "none")
        chosen = tuple(c for c in check.choices if c in said)
        return chosen, ",".join(chosen)
    if check.choices:
        word = read_choice(text, check.choices, ask.titles(bench, check), bench.words)
        return word, word
    reading = quantities.read_reading(text, check.limit.unit)
    return float(reading.value), text.strip()


# ---- moving on -------------------------------------------------------------------------------------


def _record(bench: Bench, state: State, outcome: Outcome) -> tuple[State, tuple[Event, ...]]:
    """The state with a check's outcome in place of an earlier one, and the event that tells it."""
    check = bench.plan.by_id[outcome.check]
    others = tuple(o for o in state.outcomes if o.check != outcome.check)
    spent = check.minutes if outcome.value is not None else 0.0
    if check.place and check.place not in state.places and outcome.value is not None:
        spent += bench.view.places.get(check.place, ("", 0.0, 0.0))[1]
        state = replace(state, places=(*state.places, check.place))
    state = replace(
        state,
        outcomes=(*others, outcome),
        queue=tuple(q for q in state.queue if q != outcome.check),
        waiting=tuple(q for q in state.waiting if q != outcome.check),
        hands=state.hands + spent,
    )
    events: list[Event] = [ask.outcome_event(bench, check, outcome)]
    for o in state.outcomes:  # what this instrument decides for eyes that were not sure
        waiting = bench.plan.by_id[o.check]
        if waiting.instead == check.id and o.why == "open_doubtful" and outcome.result != "open":
            decided = replace(o, result=outcome.result, why="")
            state, more = _record(bench, state, decided)
            events += more
    return state, tuple(events)


def _doubtful(bench: Bench, state: State, check: Check, word: str) -> tuple[State, tuple[Event, ...]]:
    """Eyes cannot tell: the instrument's check comes next and decides."""
    state, events = _record(bench, state, Outcome(check.id, "open", word, word, "open_doubtful"))
    if not check.instead:
        return _next(bench, state, events)
    return _next(bench, replace(state, queue=(check.instead, *state.queue)), events)


def _next(bench: Bench, state: State, events: tuple[Event, ...] = ()) -> tuple[State, tuple[Event, ...]]:
    """The next check that can be made, its stage entered first; or the end."""
    if state.job_check and not state.waiting:
        return _search(bench, state, events)
    while state.queue:
        check = bench.plan.by_id[state.queue[0]]
        why = closed_because(bench, state, check)
        if why:
            state, more = _record(bench, state, Outcome(check.id, "open", None, "", why))
            events = (*events, *more)
            continue
        if check.stage != state.stage:
            event = ask.stage_event(bench, state, check.stage)
        else:
            event = ask.check_event(bench, state, check)
        return replace(state, event=event, asked=state.asked + 1), (*events, event)
    results = {o.result for o in state.outcomes}
    ended = "stopped" if "fail" in results else "open" if "open" in results else "proved"
    state = replace(state, result=ended, event={})
    return state, (*events, ask.closed_event(bench, state))


def closed_because(bench: Bench, state: State, check: Check) -> str:
    """Why a check cannot be made now, '' if it can: open_kit, open_helper, open_before, open_guard."""
    if KITS.index(check.kit) > KITS.index(state.given.kit):
        return "open_kit"
    if check.helper and not state.given.helper:
        return "open_helper"
    order = [s.id for s in bench.plan.stages]
    here = order.index(check.stage)
    for o in state.outcomes:
        if o.result == "fail" and order.index(bench.plan.by_id[o.check].stage) < here:
            return "open_before"  # power never grows over a check that failed
    for guard in bench.plan.stage(check.stage).guards:
        found = state.outcome(guard)
        if found is None or found.result != "pass":
            return "open_guard"
    return ""


def _entered(bench: Bench, state: State, stage: str, text: str) -> tuple[State, tuple[Event, ...]]:
    said = yes_no(text, bench.words)
    if said == "yes" or text.strip().lower() in ("ready", "done"):
        now = bench.plan.stage(stage)
        was = (
            bench.plan.stage(state.stage).job
            if state.stage
            else JobState()
            if not state.outcomes
            else now.job
        )
        spent = stage_minutes(bench.plan, was, now)
        return _next(bench, replace(state, stage=stage, hands=state.hands + spent))
    if said == "no" or without_reading(text, bench.words):
        events: tuple[Event, ...] = ()
        for check in [bench.plan.by_id[q] for q in state.queue]:
            if check.stage == stage:
                state, more = _record(bench, state, Outcome(check.id, "open", None, text, "open_stage"))
                events = (*events, *more)
        return _next(bench, state, events)
    raise ObservationError(text, "yes when the bike stands like that, or skip", "yes")


# ---- a failed check --------------------------------------------------------------------------------


def _failed(
    bench: Bench, state: State, check: Check, events: tuple[Event, ...]
) -> tuple[State, tuple[Event, ...]]:
    if check.sort in DIRECT:
        event = ask.mend_event(bench, state, check)
        return replace(state, event=event, job_check=check.id, asked=state.asked + 1), (*events, event)
    near = _related(bench, state, check)
    rest = tuple(q for q in state.queue if q not in near)
    return _next(bench, replace(state, job_check=check.id, waiting=near, queue=(*near, *rest)), events)


def _related(bench: Bench, state: State, check: Check) -> tuple[str, ...]:
    """Checks of the same stage that touch the same parts: with the battery off they cost no risk, and
    several readings around one mistake tell more than the first of them."""
    tried = sum(1 for c, _ in state.repairs if c == check.id)
    if check.phase > 1 or tried > 1:
        return ()
    if tried:  # what was likely was not it: look at every circuit before more is taken apart
        return tuple(
            q
            for q in state.queue
            if bench.plan.by_id[q].stage == check.stage and bench.plan.by_id[q].sort in ("to_ground", "kill")
        )
    spec = bench.sound.built.spec
    wires = {p for p in check.parts if p in spec.wires or spec.kinds[spec.parts[p].kind].word == "switch"}
    ways = {w for p in check.parts for w in _connector(spec, p)}
    found = [
        q
        for q in state.queue
        if bench.plan.by_id[q].stage == check.stage
        and bench.plan.by_id[q].sort != "rating"
        and (wires | ways) & bench.plan.by_id[q].parts
    ]
    shared = {q: len((wires | ways) & bench.plan.by_id[q].parts) for q in found}
    return tuple(sorted(found, key=lambda q: -shared[q])[:MOST_RELATED])


def _connector(spec: Any, part: str) -> tuple[str, ...]:
    """The neighbours of a way in its plug."""
    for ways in spec.connectors.values():
        if part in ways:
            i = ways.index(part)
            return tuple(ways[max(i - 1, 0) : i + 2])
    return ()


def _search(bench: Bench, state: State, events: tuple[Event, ...]) -> tuple[State, tuple[Event, ...]]:
    """Hand the failed check, with everything read so far, to the fault finding."""
    check = bench.plan.by_id[state.job_check]
    done = [r for _, r in state.repairs]
    if sum(1 for c, _ in state.repairs if c == check.id) >= MOST_REPAIRS:
        event = ask.left_event(bench, state)
        return replace(state, event=event, asked=state.asked + 1), (*events, event)
    job, told, world = begin_job(
        bench.world,
        bench.rulebase,
        bench.words,
        bench.plan,
        check,
        state.outcomes,
        done,
        state.given.kit,
        state.given.skill,
        state.given.helper,
    )
    state = replace(state, job=job, job_world=world, job_check=check.id)
    begun: Event = {"event": "job", "check": check.id, "text": ask.say(bench, state, "job_begins")}
    return _told(bench, state, (*events, begun), told)


def _told(
    bench: Bench, state: State, before: tuple[Event, ...], told: tuple[Event, ...]
) -> tuple[State, tuple[Event, ...]]:
    """Pass on what the job says; when it ends without a repair, ask how to go on."""
    shown = tuple(e for e in told if e["event"] != "closed")
    assert state.job is not None
    asked = dict(state.job.open.event) if state.job.open else {}
    if any(e["event"] == "closed" for e in told) or not asked:
        state = replace(state, job=None, job_world=None)
        event = ask.left_event(bench, state)
        return replace(state, event=event, asked=state.asked + 1), (*before, *shown, event)
    return replace(state, event=asked, asked=state.asked + 1), (*before, *shown)


def _in_job(bench: Bench, state: State, message: Mapping[str, Any]) -> tuple[State, tuple[Event, ...]]:
    """A message for the fault finding; a repair that was done is proved by the failed check itself."""
    assert state.job is not None
    read = messages.read_message(message)
    if isinstance(read, messages.Done):
        if read.repair not in state.job_world.repairs:
            raise ObservationError(
                read.repair, "the repair that was advised", str(state.event.get("repair", ""))
            )
        return _repaired(bench, state, read.repair)
    job, told = job_step.step(state.job, message, state.job_world, bench.rulebase, bench.words)
    state = replace(state, job=job)
    if any(e["event"] == "problem" for e in told):
        return state, told
    return _told(bench, state, (), told)


def _repaired(bench: Bench, state: State, repair: str) -> tuple[State, tuple[Event, ...]]:
    """What the repair touched is checked again, the failed check first of its stage."""
    component = repair.partition(".")[0]
    check = state.job_check
    touched = [
        o.check
        for o in state.outcomes
        if o.check == check
        or o.result == "fail"
        or (o.result != "open" and component in bench.plan.by_id[o.check].parts)
    ]
    state = replace(
        state,
        job=None,
        job_world=None,
        job_check="",
        repairs=(*state.repairs, (check, repair)),
    )
    return _again(bench, state, [check, *(t for t in touched if t != check)], repair)


def _again(bench: Bench, state: State, ids: list[str], repair: str = "") -> tuple[State, tuple[Event, ...]]:
    """Put checks back into the queue, in the order of the plan; the first one leads within its stage."""
    order = [s.id for s in bench.plan.stages]
    stage_of = {c: order.index(bench.plan.by_id[c].stage) for c in (*ids, *state.queue)}
    todo = sorted(ids, key=lambda c: (stage_of[c], c != ids[0]))
    rest = [q for q in state.queue if q not in ids]
    queue = tuple(sorted([*todo, *rest], key=lambda c: stage_of[c]))
    state = replace(
        state,
        queue=queue,
        outcomes=tuple(o for o in state.outcomes if o.check not in ids),
        stage="" if repair else state.stage,
    )
    event: Event = {
        "event": "again",
        "repair": repair,
        "checks": ids,
        "text": ask.say(bench, state, "repeats", count=len(ids)),
    }
    return _next(bench, state, (event,))


def _left(bench: Bench, state: State, text: str) -> tuple[State, tuple[Event, ...]]:
    word = read_choice(text, LEFT, ask.left_titles(bench), bench.words)
    check = state.job_check
    state = replace(state, job_check="")
    if word == "again":
        failed = [o.check for o in state.outcomes if o.result == "fail" and o.check != check]
        return _again(bench, state, [check, *failed], "mended")
    return _next(bench, replace(state, left=True))


def _mended(bench: Bench, state: State, text: str) -> tuple[State, tuple[Event, ...]]:
    said = yes_no(text, bench.words)
    check = state.job_check
    if said == "yes" or text.strip().lower() == "done":
        state = replace(state, job_check="", repairs=(*state.repairs, (check, "by_hand")))
        return _again(bench, state, [check], "by_hand")
    if said == "no" or without_reading(text, bench.words):
        return _next(bench, replace(state, job_check="", left=True))
    raise ObservationError(text, "yes when it is put right, or skip", "yes")
