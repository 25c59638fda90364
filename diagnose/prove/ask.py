"""What a proving run says: checks, stages, limits and ends as events. Decides nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from diagnose import quantities
from diagnose.bike.build import last_lead
from diagnose.bike.model import JobState, Measurement
from diagnose.conversation import names
from diagnose.conversation.means import Event
from diagnose.conversation.state import BEGINNER_FACTOR
from diagnose.prove.bench import Bench
from diagnose.prove.model import Check, Limit, Outcome, Reason
from diagnose.prove.order import minutes, series
from diagnose.prove.state import State

# the fault that a failed check of this sort is, without a search
NAMES_ITSELF = {"rating": "wrong_rating", "posts": "turned"}
DIAL_OHMS = ((200.0, "200"), (2e3, "2 k"), (20e3, "20 k"), (200e3, "200 k"), (2e6, "2 M"))


def say(bench: Bench, state: State, sentence: str, /, **values: object) -> str:
    """A sentence of proving in the form for this user."""
    return bench.own.say(sentence, state.given.skill, **values)


def factor(state: State) -> float:
    """How much longer this user takes than the trade."""
    return BEGINNER_FACTOR if state.given.skill == "beginner" else 1.0


def question(state: State, name: str, kind: str, text: str, **more: Any) -> Event:
    """A question with every key that a question has."""
    return {
        "event": "question",
        "step": state.asked + 1,
        "question": name,
        "measurement": None,
        "kind": kind,
        "text": text,
        "points": {"plus": None, "minus": None},
        "condition": "",
        "unit": "",
        "choices": [],
        "titles": {},
        "skippable": True,
        "minutes": {"hands": 0.0, "wait": 0.0},
        "helper": False,
        "cautions": [],
        "expected": None,
        "why": "",
        **more,
    }


# ---- limits in words ---------------------------------------------------------------------------------


def number(value: float, unit: str, bench: Bench) -> str:
    """A number of a limit as a meter shows it."""
    if math.isinf(value):
        return "OL"
    if unit == "ohm" and value < 1.0:
        return f"{round(value, 1) + 0.0:g} ohm"
    if unit == "ohm":
        return quantities.write(float(f"{value:.2g}"), "ohm")
    return f"{round(value, 2) + 0.0:g} {unit}"


def limit_words(bench: Bench, state: State, check: Check) -> str:
    """What passes, in words."""
    limit = check.limit
    if check.choices:
        titled = titles(bench, check)
        shown = [titled.get(w, w) for w in limit.words]
        if not shown:
            return say(bench, state, "limit_nothing")
        return say(bench, state, "limit_words", words=names.listing(shown, bench.words))
    low, high = number(limit.low, limit.unit, bench), number(limit.high, limit.unit, bench)
    if limit.low == limit.high:
        return say(bench, state, "limit_exactly", value=high)
    if math.isinf(limit.high):
        return say(bench, state, "limit_at_least", low=low)
    if limit.low <= 0.0:
        return say(bench, state, "limit_at_most", high=high)
    return say(bench, state, "limit_between", low=low, high=high)


def limit_json(limit: Limit) -> dict[str, Any]:
    """A limit as the protocol writes it: OL is the text OL, no upper end is null."""
    if limit.unit == "":
        return {"words": list(limit.words), "doubtful": list(limit.doubtful), "blind": limit.blind}
    return {
        "low": limit.low,
        "high": None if math.isinf(limit.high) else round(limit.high, 4),
        "expected": "OL" if math.isinf(limit.value) else round(limit.value, 4),
        "unit": limit.unit,
        "blind": limit.blind,
    }


def expected_words(bench: Bench, check: Check) -> str:
    """What the sound bike shows."""
    if check.choices:
        titled = titles(bench, check)
        word = check.limit.expected
        if word:
            return titled.get(word, word)
        return names.listing([titled.get(w, w) for w in check.limit.words], bench.words) or "-"
    return number(check.limit.value, check.limit.unit, bench)


def reasons(bench: Bench, state: State, items: tuple[Reason, ...]) -> list[str]:
    """Reasons as sentences; parts and functions by their titles."""
    return [
        say(bench, state, sentence, **{k: _titled(bench, k, v) for k, v in values})
        for sentence, values in items
    ]


def _titled(bench: Bench, key: str, value: str) -> str:
    return names.component(bench.named, value) if key in ("fuse", "unit", "part") else value


def titles(bench: Bench, check: Check) -> dict[str, str]:
    """What each choice of a check is called."""
    if check.several:
        return {c: bench.view.functions[c].title for c in check.choices}
    return {c: bench.words.word("answers", c) for c in check.choices}


def name(bench: Bench, state: State, check: Check) -> str:
    """A check in a few words."""
    about = names.component(bench.named, check.about)
    if check.points and check.sort not in ("lamp", "posts"):
        lead = bench.plan.checks[0].points[-1] if bench.plan.checks[0].points else ""
        points = [names.point(bench.named, p, bench.words) for p in check.points if p != lead]
        own = check.points[0].partition(".")[0] == check.about
        about = " / ".join(points) if own else f"{about}: {' / '.join(points)}"
    m = bench.measurement(check)
    text = say(bench, state, f"sort_{check.sort}", about=about)
    moved = _moved(bench, m.condition.controls) if m else _moved_text(bench, check)
    if m and m.condition.engine != "off":
        moved = ", ".join(filter(None, (names.engine(m.condition.engine, bench.words), moved)))
    return f"{text} ({moved})" if moved else text


def _moved_text(bench: Bench, check: Check) -> str:
    condition = check.measurement.partition("@")[2]
    pairs = tuple(tuple(p.split("=")) for p in condition.split(",") if p)
    return _moved(bench, tuple((a, b) for a, b in pairs if a in bench.view.controls))


def _moved(bench: Bench, controls: tuple[tuple[str, str], ...]) -> str:
    shown = []
    for control, position in controls:
        title, positions = bench.view.controls[control]
        shown.append(f"{title} {positions.get(position, position)}")
    return ", ".join(shown)


# ---- questions -----------------------------------------------------------------------------------------


def check_event(bench: Bench, state: State, check: Check, *, again: bool = False) -> Event:
    """A check as a question with its limit."""
    skill = state.given.skill
    m = bench.measurement(check)
    lines: list[str] = []
    if again:
        lines.append(say(bench, state, "read_again_ohms" if check.limit.unit == "ohm" else "read_again"))
    else:
        place = bench.view.places.get(check.place, ("", 0.0, 0.0))
        if place[1] > 0 and check.place not in state.places:
            lines.append(bench.words.say("open_place", skill, place=place[0]))
        lines += _switches(bench, state, check, m)
    lines += _act(bench, state, check, m)
    row = (
        series(bench.plan, (check.id, *(q for q in state.queue if q != check.id)))
        if not again
        else (check.id,)
    )
    more = _series(bench, state, row) if len(row) > 1 else ""
    expected = say(
        bench, state, "expected", value=expected_words(bench, check), limit=limit_words(bench, state, check)
    )
    wanted = {"plus": m.plus or None, "minus": m.minus or None} if m else {"plus": None, "minus": None}
    # a beginner types what he sees before he is told what it should be; the limit is in the event for all
    text = [*lines, expected, more] if skill == "trade" else [*lines, more]
    return question(
        state,
        check.id,
        m.kind if m else check.sort,
        (" " if skill == "trade" else "\n").join(filter(None, text)),
        check=check.id,
        series=list(row),
        sort=check.sort,
        phase=check.phase,
        stage=check.stage,
        measurement=check.measurement if m else None,
        points=wanted,
        condition=m.condition.text if m else check.measurement.partition("@")[2],
        unit=check.limit.unit,
        choices=list(check.choices),
        titles=titles(bench, check),
        several=check.several,
        minutes={"hands": round(check.minutes * factor(state), 1), "wait": m.wait_min if m else 0.0},
        helper=check.helper,
        limit=limit_json(check.limit),
        limit_text=limit_words(bench, state, check),
        expected={"healthy": {"reading": expected_words(bench, check)}, "suspects": []},
        why=" ".join(reasons(bench, state, check.limit.reasons)),
        again=again,
    )


def _series(bench: Bench, state: State, row: tuple[str, ...]) -> str:
    """The readings that follow with nothing changed but the red lead, numbered."""
    shown = []
    for number, name in enumerate(row[1:], start=2):
        check = bench.plan.by_id[name]
        at = names.point(bench.named, check.points[0], bench.words)
        limit = f" ({limit_words(bench, state, check)})" if state.given.skill == "trade" else ""
        shown.append(f"{number}: {at}{limit}")
    ohms = bench.plan.by_id[row[0]].limit.unit == "ohm"
    return say(bench, state, "series_ohms" if ohms else "series", points="\n".join(shown))


def _switches(bench: Bench, state: State, check: Check, m: Measurement | None) -> list[str]:
    skill = state.given.skill
    condition = check.measurement.partition("@")[2]
    pairs = [p.split("=") for p in condition.split(",") if p]
    lines = []
    for control, position in pairs:
        if control in bench.view.controls:
            title, positions = bench.view.controls[control]
            shown = positions.get(position, position)
            lines.append(
                bench.words.say("set_control", skill, control=title[:1].upper() + title[1:], position=shown)
            )
        elif control == "engine":
            known = {"cranking": "engine_cranking", "idle": "engine_idle"}
            if position in known:
                lines.append(bench.words.say(known[position], skill))
            else:
                lines.append(bench.words.say("engine_rpm", skill, rpm=position))
    stops = m is not None and m.kind == "observe" and bench.view.functions[m.what].kind == "stop"
    alone = not any(c in bench.view.controls for c, _ in pairs)
    plain = not lines and check.sort not in ("rating", "posts", "standing")
    if plain or (stops and alone):  # what stops the engine there is a switch going back to rest
        lines.append(bench.words.say("all_at_rest", skill))
    return lines


def _act(bench: Bench, state: State, check: Check, m: Measurement | None) -> list[str]:
    skill, words = state.given.skill, bench.words
    if check.sort == "rating":
        return [say(bench, state, "ask_rating", fuse=names.component(bench.named, check.about))]
    if m is None:
        shown = [f.title for f in (bench.view.functions[c] for c in check.choices)]
        return [say(bench, state, "ask_wakes", functions=names.listing(shown, words))]
    if m.kind == "observe":
        return [m.text or words.say("do_observe", skill, what=names.component(bench.named, m.what))]
    if m.kind == "amps":
        if m.what == "battery":
            return [say(bench, state, "ask_amps_battery", post=bench.named.view.ground)]
        return [say(bench, state, "ask_amps_fuse", fuse=names.component(bench.named, m.what))]
    if m.kind == "lamp":
        return [say(bench, state, "ask_lamp", part=names.component(bench.named, check.about))]
    points = {k: names.point(bench.named, getattr(m, k), words) for k in ("plus", "minus")}
    if check.sort == "pin":
        dial = words.say("dial", skill, setting=words.say("dial_volts", skill, range="20"))
        return [dial, say(bench, state, "ask_pin", **points)]
    dial = words.say(f"dial_{m.kind}", skill, range=_range(check.limit) if m.kind == "ohms" else "20")
    return [words.say("dial", skill, setting=dial), words.say(f"do_{m.kind}", skill, **points)]


def _range(limit: Limit) -> str:
    """The lowest ohms range that shows the upper end of a limit."""
    return next((shown for top, shown in DIAL_OHMS if limit.high < top), "20 M")


def stage_event(bench: Bench, state: State, stage: str) -> Event:
    """How to bring the bike into a stage, as a question to be answered yes."""
    now = bench.plan.stage(stage)
    was = bench.plan.stage(state.stage).job if state.stage else JobState()
    here = [q for q in state.queue if bench.plan.by_id[q].stage == stage]
    mins = minutes(bench.sound, bench.plan, here, was, state.places) * factor(state)
    title = say(bench, state, f"phase_{now.phase}")
    lines = [
        say(bench, state, "stage", title=title, checks=len(here), minutes=names.minutes(mins)),
        *reasons(bench, state, now.sets),
    ]
    lit = {lamp.partition(":")[0] for lamp in now.job.lamps}
    moved = {
        "fuses_out": [f for f in now.job.out if f not in was.out],
        "fuses_in": [f for f in was.out if f not in now.job.out and f not in lit],
    }
    lead = last_lead(bench.sound.built.spec)  # the stage's own sentences say what to do with it
    plugs = {
        "units_out": [a for a in now.job.apart if a not in was.apart and a != lead],
        "units_in": [a for a in was.apart if a not in now.job.apart and a != lead],
    }
    for sentence, items in (*moved.items(), *plugs.items()):
        if items:
            key = "fuses" if sentence.startswith("fuses") else "units"
            shown = names.listing([names.component(bench.named, i) for i in items], bench.words)
            lines.append(say(bench, state, sentence, **{key: shown}))
    if not state.stage:
        lines.append(say(bench, state, "rest", positions=", ".join(_rest(bench))))
    lines.append(say(bench, state, "stage_ready"))
    return question(
        state,
        f"stage:{stage}",
        "confirm",
        "\n".join(lines),
        choices=["yes", "no"],
        titles={"yes": bench.words.say("yes"), "no": bench.words.say("no")},
        stage=stage,
        phase=now.phase,
        minutes={"hands": round(mins, 1), "wait": 0.0},
    )


def _rest(bench: Bench) -> list[str]:
    """Every control in its resting position, in words."""
    found = []
    for control in bench.sound.built.spec.controls.values():
        title, positions = bench.view.controls[control.id]
        found.append(f"{title} {positions.get(control.rest, control.rest)}")
    return found


def mend_event(bench: Bench, state: State, check: Check) -> Event:
    """A failure that names its own cause: what to put right, then the check again."""
    about = names.component(bench.named, check.about)
    values = {"fuse": about, "limit": limit_words(bench, state, check)} if check.sort == "rating" else {}
    return question(
        state,
        "mend",
        "confirm",
        say(bench, state, f"mend_{check.sort}", **values),
        choices=["yes", "no"],
        titles={"yes": bench.words.say("yes"), "no": bench.words.say("no")},
        check=check.id,
        candidates=[f"{check.about}.{NAMES_ITSELF[check.sort]}"],
    )


def left_titles(bench: Bench) -> dict[str, str]:
    """The two ways on when the fault finding ended without a repair."""
    return {w: bench.own.say(f"left_{w}") for w in ("again", "leave")}


def left_event(bench: Bench, state: State) -> Event:
    """The fault finding ended without a repair: repeat the check, or leave it."""
    check = bench.plan.by_id[state.job_check]
    titled = left_titles(bench)
    return question(
        state,
        "left",
        "choose",
        say(bench, state, "ask_left", check=name(bench, state, check)),
        choices=list(titled),
        titles=titled,
        check=check.id,
        skippable=False,
    )


# ---- telling -------------------------------------------------------------------------------------------


def reading(bench: Bench, check: Check, outcome: Outcome) -> str:
    """A reading in words; '' without one."""
    if outcome.value is None:
        return ""
    if check.several:
        titled = titles(bench, check)
        said = [titled.get(w, w) for w in str(outcome.value).split(",") if w]
        return names.listing(said, bench.words) or "-"
    if isinstance(outcome.value, str):
        return titles(bench, check).get(outcome.value, outcome.value)
    return number(float(outcome.value), check.limit.unit, bench)


def outcome_event(bench: Bench, check: Check, outcome: Outcome) -> Event:
    """How a check came out, as the protocol tells it."""
    event: Event = {
        "event": "check",
        "id": check.id,
        "result": outcome.result,
        "limit": limit_json(check.limit),
        "reading": reading(bench, check, outcome),
        "phase": check.phase,
        "sort": check.sort,
        "about": check.about,
    }
    if outcome.why:
        event["why"] = outcome.why
        event["text"] = bench.own.say(outcome.why)
    return event


def plan_event(bench: Bench, state: State, mins: float) -> Event:
    """What is to come, before it starts."""
    counts: dict[int, int] = {}
    for q in state.queue:
        phase = bench.plan.by_id[q].phase
        counts[phase] = counts.get(phase, 0) + 1
    dead = [q for q in state.queue if bench.plan.by_id[q].phase == 1]
    first = minutes(bench.sound, bench.plan, dead) * factor(state)
    return {
        "event": "plan",
        "bike": bench.plan.bike,
        "checks": len(state.queue),
        "phases": {str(k): v for k, v in sorted(counts.items())},
        "minutes": round(mins * factor(state), 1),
        "text": say(
            bench, state, "plan", bike=bench.plan.title, checks=len(state.queue),
            minutes=names.minutes(mins * factor(state)), first=len(dead), first_minutes=names.minutes(first),
        ),
    }  # fmt: skip


def why_event(bench: Bench, state: State) -> Event:
    """Why the open check is made and how its limit comes about."""
    text = str(state.event.get("why", "")) or str(state.event.get("text", ""))
    limit = str(state.event.get("limit_text", ""))
    return {"event": "why", "for": [], "against": [], "text": "\n".join(filter(None, (limit, text)))}


def list_event(bench: Bench, state: State) -> Event:
    """Every check so far and how many are to come."""
    rows = [
        {
            "check": o.check,
            "result": o.result,
            "text": say(
                bench, state, "in_list", check=name(bench, state, bench.plan.by_id[o.check]), result=o.result,
                reading=reading(bench, bench.plan.by_id[o.check], o) or "-",
            ),
        }
        for o in state.outcomes
    ]  # fmt: skip
    mins = minutes(bench.sound, bench.plan, state.queue) * factor(state)
    return {
        "event": "list",
        "list": rows,
        "text": say(bench, state, "to_come", count=len(state.queue), minutes=names.minutes(mins)),
    }


def counts(state: State) -> Mapping[str, int]:
    """How many checks passed, failed and stayed open."""
    return {r: sum(1 for o in state.outcomes if o.result == r) for r in ("pass", "fail", "open")}


def closed_event(bench: Bench, state: State) -> Event:
    """The end, or a pause."""
    found = counts(state)
    mins = names.minutes(max(state.hands * factor(state), 1.0))
    values: dict[str, object] = {
        "proved": {"checks": found["pass"], "minutes": mins},
        "open": {"passed": found["pass"], "open": found["open"], "minutes": mins},
        "stopped": {"failed": found["fail"], "passed": found["pass"], "open": found["open"], "minutes": mins},
        "paused": {"left": len(state.queue)},
    }[state.result]  # type: ignore[assignment]
    return {
        "event": "closed",
        "outcome": state.result,
        "checks": dict(found),
        "causes": [],
        "repairs": [r for _, r in state.repairs],
        "hands_minutes": round(state.hands * factor(state), 1),
        "steps": len(state.outcomes),
        "text": bench.own.say(f"closed_{state.result}", state.given.skill, **values),
    }
