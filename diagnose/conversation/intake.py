"""The questions before the first measurement, each asked only if nobody has said it yet.

Part of the conversation. Order: complaint, kit, skill, history, the switches that fool people, what else
works, and last the meter with its black lead (a reading like any other).
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from diagnose.bike.model import BikeView, Measurement
from diagnose.conversation import agreement, asking, evidence, names, shorthand, widen
from diagnose.conversation.answers import plain, read_choice, without_reading, yes_no
from diagnose.conversation.likeness import names_meant
from diagnose.conversation.means import Event, Means
from diagnose.conversation.planning import physical
from diagnose.conversation.state import (
    KITS,
    SKILLS,
    Back,
    Calm,
    Evidence,
    Proved,
    Reading,
    State,
    with_setting,
)
from diagnose.conversation.world import World
from diagnose.errors import ObservationError, UsageError, unknown
from diagnose.ties import in_order
from diagnose.wording import Wording

MOST_HISTORY = 4  # facts asked at once
MOST_NAMED = 6  # functions named as examples
NO_HISTORY = "none"
FOOLING = frozenset({"kill", "key", "light", "stand", "neutral", "gear", "clutch", "park"})
NOTHING_MORE = frozenset({"", "no", "none", "nothing", "nothing else", "no more", "nix"})

ORDER = ("complaint", "kit", "skill", "history", "switches", "shows", "others", "meter")


def settle(world: World, options: Mapping[str, Any]) -> State:
    """The state of a job with what is known from the start.

    options  complaints (ids), kit, skill, history {fact: yes}, shows (yes or no: whether a fault that comes
             and goes is there now), helper, engine_may_run: all may be missing
    raises   UsageError for an unknown id
    """
    state = State()
    complaints = tuple(options.get("complaints") or ())
    for c in complaints:
        if c not in world.view.complaints:
            raise UsageError(unknown("complaint", str(c), world.view.complaints))
    kit, skill = options.get("kit") or "", options.get("skill") or ""
    if kit and kit not in KITS:
        raise UsageError(unknown("kit", str(kit), KITS))
    if skill and skill not in SKILLS:
        raise UsageError(unknown("skill", str(skill), SKILLS))
    history = options.get("history")
    facts = [f for f, _ in world.history_questions()]
    for f in history or {}:
        if f not in facts:
            raise UsageError(unknown("history fact", str(f), facts))
    state = replace(state, wider=widen.at_first(world.view, complaints))
    state = _seen(state, _shows(options.get("shows")))
    return with_setting(
        state,
        complaints=complaints,
        kit=kit,
        skill=skill,
        history=None if history is None else tuple(sorted((f, bool(v)) for f, v in history.items())),
        helper=bool(options.get("helper", True)),
        engine_may_run=bool(options.get("engine_may_run", True)),
        switches="checked" if options.get("switches") else "",
        shows=_shows(options.get("shows")),
        brought_on=_brought_on(world.view, complaints),
        others="skipped" if options.get("others") else "",
        meter="skipped" if options.get("meter") else "",
        price_limit=_limit(options.get("price_limit")),
        proved=_proved(options.get("proved")),
    )


def _shows(value: Any) -> str:
    """Whether a fault that comes and goes shows itself now, from the options; raises UsageError."""
    if value is None or value == "":
        return ""
    said = {True: "yes", False: "no"}.get(value, value)
    if said not in ("yes", "no"):
        raise UsageError(f"shows={value!r} is no answer; expected yes or no")
    return str(said)


def _seen(state: State, said: str) -> State:
    """The state that knows whether a fault that comes and goes shows itself now."""
    if said not in ("yes", "no"):
        return state
    spell: Evidence = Back("back1") if said == "yes" else Calm("calm1")
    return replace(state, evidence=(*state.evidence, spell))


def trigger(means: Means, state: State) -> str:
    """What brings on the fault that is complained of; '' if it is always there."""
    return _brought_on(means.world.view, state.setting.complaints)


def _brought_on(view: BikeView, complaints: Sequence[str]) -> str:
    return next((view.triggers[c] for c in complaints if c in view.triggers), "")


def _limit(value: Any) -> float | None:
    """A price limit from the options; raises UsageError."""
    if value is None:
        return None
    try:
        return agreement.read_limit(str(value))
    except ObservationError as err:
        raise UsageError(f"price limit {err}") from err


def _proved(value: Any) -> Proved | None:
    """What an earlier proving run says, as the options of a job keep it."""
    if not value:
        return None
    factors = tuple(sorted((str(f), float(x)) for f, x in value["factors"].items()))
    return Proved(str(value["run"]), str(value["by"]), str(value["when"]), int(value["checks"]), factors)


def proved_before(means: Means, state: State) -> tuple[Event, ...]:
    """That this loom was proved, by whom and when, as an event; nothing without a proof."""
    known = state.setting.proved
    if known is None:
        return ()
    when, _, _ = known.when.partition("T")
    text = means.say(state, "proved_before", when=when, by=known.by or "-", checks=known.checks)
    return ({"event": "noted", "text": text, "run": known.run, "checks": known.checks},)


def pending(means: Means, state: State) -> str:
    """Id of the next thing to ask, '' when the intake is complete."""
    s = state.setting
    missing = {
        "complaint": not s.complaints,
        "kit": not s.kit,
        "skill": not s.skill,
        "history": s.history is None and bool(means.world.history_questions()),
        "switches": not s.switches and not trigger(means, state) and bool(fooling_switches(means.world)),
        "shows": not s.shows and bool(trigger(means, state)),
        "others": not s.others and bool(means.world.view.functions),
        "meter": not s.meter and s.kit in ("meter", "workshop") and battery_reading(means.world) is not None,
    }
    return next((name for name in ORDER if missing[name]), "")


def question(means: Means, state: State, name: str) -> Event:
    """The intake question of this name as an event (not `meter`, which is a measurement)."""
    world, words = means.world, means.words
    if name == "complaint":
        choices = [(c, title) for c, (title, _) in world.view.complaints.items()]
        return asking.plain_question(
            state, question=name, kind="choose", text=means.say(state, "ask_complaint"), choices=choices,
            skippable=False, several=True,
        )  # fmt: skip
    if name in ("kit", "skill"):
        ids = KITS if name == "kit" else SKILLS
        choices = [(i, words.say(f"{name}_{i}")) for i in ids]
        return asking.plain_question(
            state, question=name, kind="choose", text=means.say(state, f"ask_{name}"), choices=choices
        )
    if name == "history":
        told = telling_history(means, state)
        choices = [(NO_HISTORY, words.say("history_none")), *told]
        return asking.plain_question(
            state,
            question=name,
            kind="choose",
            text=means.say(state, "ask_history"),
            choices=choices,
            several=True,
        )
    if name == "switches":
        listed = names.listing(fooling_switches(world), words)
        return asking.plain_question(
            state, question=name, kind="confirm", text=means.say(state, "ask_switches", switches=listed),
            choices=[("yes", words.say("switches_yes")), ("no", words.say("switches_no"))],
        )  # fmt: skip
    if name == "shows":
        return asking.plain_question(
            state, question=name, kind="confirm", text=means.say(state, f"ask_shows_{trigger(means, state)}"),
            choices=[("yes", words.say("shows_yes")), ("no", words.say("shows_no"))],
        )  # fmt: skip
    shown = ", ".join(easily_tried(world)[:MOST_NAMED])
    return asking.plain_question(
        state, question="others", kind="text", text=means.say(state, "ask_others", functions=shown)
    )


def answer(means: Means, state: State, name: str, text: str) -> tuple[State, list[Event], str]:
    """Take an answer to an intake question.

    returns  the state, events beside it (what was understood), and 'gone' if the complaint went away with
             a switch, else ''
    raises   ObservationError saying what to type
    """
    special = without_reading(text, means.words)
    skipped = special in ("skip", "do_not_know", "cannot_reach")
    if name == "complaint":
        found = _complaints(means, text)
        titles = [means.world.view.complaints[c][0] for c in found]
        told: list[Event] = []
        listed = {plain(t) for t in (*found, *titles)}
        if not all(plain(part) in listed for part in text.split(",")):  # in other words: how they were taken
            told = [{"event": "noted", "text": means.say(state, "taken_as", complaints="; ".join(titles))}]
        state = replace(state, wider=widen.at_first(means.world.view, found))
        brought_on = _brought_on(means.world.view, found)
        state = with_setting(state, complaints=found, brought_on=brought_on)
        seen = shorthand.understand(means.world, text, means.words).items if told and not brought_on else ()
        if seen:  # 'headlight is dim' names the lamp, where the complaint is any lamp
            state, event = _observed(means, state, seen)
            told.append(event)
        return state, told, ""
    if name == "kit":
        kit = "hands" if skipped else read_choice(text, KITS, _titles(means, "kit", KITS), means.words)
        return with_setting(state, kit=kit), [], ""
    if name == "skill":
        skill = (
            "beginner" if skipped else read_choice(text, SKILLS, _titles(means, "skill", SKILLS), means.words)
        )
        return with_setting(state, skill=skill), [], ""
    if name == "history":
        facts = () if skipped else _history(means, state, text)
        return with_setting(state, history=facts), [], ""
    if name == "switches":
        if skipped:
            return with_setting(state, switches="skipped"), [], ""
        said = yes_no(text, means.words)
        if special == "works_now" or said == "no":
            return with_setting(state, switches="checked"), [], "gone"
        if said != "yes":
            raise ObservationError(text, "yes (still the same) or no (it works now)", "yes")
        return with_setting(state, switches="checked"), [], ""
    if name == "shows":
        said = "skipped" if skipped else "no" if special == "works_now" else yes_no(text, means.words)
        if not said:
            raise ObservationError(text, "yes (it shows itself now) or no (it works just now)", "no")
        return with_setting(_seen(state, said), shows=said), [], ""
    if skipped or plain(text) in NOTHING_MORE:
        return with_setting(state, others="skipped"), [], ""
    state, events = observe(means, state, text)
    return with_setting(state, others="said"), events, ""


def observe(means: Means, state: State, line: str) -> tuple[State, list[Event]]:
    """Take a line of observations into the evidence; a later word about the same thing corrects it.

    raises  ObservationError when nothing of it was understood
    """
    understood = shorthand.understand(means.world, line, means.words)
    if not understood.items:
        raise (
            understood.unclear[0][1]
            if understood.unclear
            else ObservationError(line, "a name and how it is", "'horn ok' or 'battery 12.4'")
        )
    state, event = _observed(means, state, understood.items)
    return state, [event | {"unclear": [{"text": part, "why": str(why)} for part, why in understood.unclear]}]


def _observed(means: Means, state: State, items: Sequence[shorthand.Item]) -> tuple[State, Event]:
    """What was understood as evidence, and the event that says it back."""
    job = physical(state.job)
    fresh = {i.measurement for i in items}
    kept = tuple(
        e for e in state.evidence if not (isinstance(e, Reading) and e.measurement in fresh and e.job == job)
    )
    added = tuple(Reading(i.measurement, i.value, i.text, job) for i in items)
    state = replace(state, evidence=(*kept, *added), paid=replace(state.paid, used=state.paid.used | fresh))
    battery = battery_reading(means.world)
    if battery is not None and battery.id in fresh and not state.setting.meter:
        state = with_setting(state, meter="proved")
    event: Event = {
        "event": "noted",
        "understood": [
            {"text": i.text, "measurement": i.measurement, "answer": _plain_value(i.value), "words": i.words}
            for i in items
        ],
        "unclear": [],
    }
    return state, event


def _plain_value(value: float | str) -> float | str:
    return "OL" if isinstance(value, float) and not np.isfinite(value) else value


def battery_reading(world: World) -> Measurement | None:
    """The measurement that proves meter and black lead: battery volts at rest, on the posts."""
    home = world.view.home_points[0] if world.view.home_points else ""
    for m in world.measurements.values():
        word = world.view.components.get(m.plus.partition(".")[0], ("", "", ""))[1]
        posts = word == "battery" and home in (m.plus, m.minus)
        if m.kind == "volts" and posts and not m.condition.text:
            return m
    return None


def fooling_switches(world: World) -> list[str]:
    """Titles of the controls that make a sound bike look broken."""
    marks = re.compile(r"[a-z]+")
    return [
        title
        for c, (title, _) in world.view.controls.items()
        if FOOLING & set(marks.findall(f"{c} {title.lower()}"))
    ]


def easily_tried(world: World) -> list[str]:
    """Titles of all functions, first those that can be tried with the engine off and nothing opened."""
    later = {
        m.what
        for m in world.measurements.values()
        if m.kind == "observe" and (m.places or m.condition.engine != "off")
    }
    functions = sorted(world.view.functions.items(), key=lambda item: item[0] in later)
    return [f.title for _, f in functions]


def telling_history(means: Means, state: State) -> list[tuple[str, str]]:
    """The few facts whose answer would move the suspects most, in the world's own order."""
    world = means.world
    belief = np.asarray(world.prior, dtype=float)
    if state.setting.complaints:
        belief = belief * world.complaint_likelihood(state.setting.complaints)
    belief = belief / belief.sum()
    moved = []
    for fact, text in world.history_questions():
        if fact == trigger(means, state):  # the complaint says it
            continue
        after = belief * world.history_factor({fact: True})
        moved.append((0.5 * float(np.abs(after / after.sum() - belief).sum()), fact, text))
    first = in_order(np.array([much for much, _, _ in moved]))[:MOST_HISTORY]
    best = {moved[i][1] for i in first}
    return [(fact, text) for _, fact, text in moved if fact in best]


def _titles(means: Means, name: str, ids: tuple[str, ...]) -> dict[str, str]:
    return {i: means.words.say(f"{name}_{i}") for i in ids}


def complaints_meant(world: World, text: str, words: Wording) -> list[tuple[str, list[str]]]:
    """The complaints that a rider's words mean, part by part.

    returns  (part, ids it comes closest to): one id when it is clear, several when it could be any of them,
             none when no complaint of this bike is like it
    """
    for complaint, (title, says) in world.view.complaints.items():
        if plain(text) in {plain(way) for way in (title, *says)}:  # one saying, whatever stands between
            return [(text.strip(), [complaint])]
    parts = shorthand.split(text)
    wrong = [p for p in parts if not (shorthand.says_well(p) or shorthand.is_number(world, p, words))]
    if wrong and len(wrong) < len(parts):  # 'no low beam, high beam works, batt 12,7' complains of one thing
        whole = shorthand.match_complaints(world, text, words)
        if len(whole) == 1:
            return [(text.strip(), whole)]
        parts = wrong
    found = [(part, shorthand.match_complaints(world, part, words)) for part in parts]
    if len(found) > 1 and not all(near for _, near in found):
        whole = shorthand.match_complaints(world, text, words)  # 'press the button and nothing'
        if len(whole) == 1:
            return [(text.strip(), whole)]
    return found


def _complaints(means: Means, text: str) -> tuple[str, ...]:
    known = means.world.view.complaints
    found: list[str] = []
    for part, near in complaints_meant(means.world, text, means.words):
        if len(near) != 1:
            if not near:
                titles = [title for title, _ in known.values()]
                raise ObservationError(
                    part,
                    "a number of the list, or other words for what is wrong",
                    difflib.get_close_matches(plain(part), titles, 1, 0.0)[0],
                    "is no complaint that this bike knows",
                )
            shown = "; ".join(known[c][0] for c in near[:8])
            raise ObservationError(
                part, f"one of: {shown}", known[near[0]][0], "could mean more than one complaint"
            )
        found.append(near[0])
    if not found:
        raise ObservationError(text, "what is wrong with the bike", next(iter(known), ""))
    return tuple(dict.fromkeys(found))


def _history(means: Means, state: State, text: str) -> tuple[tuple[str, bool], ...]:
    told = dict(telling_history(means, state))
    said = plain(text)
    if said in NOTHING_MORE:
        return tuple((f, False) for f in sorted(told))
    yes: set[str] = set()
    for part in re.split(r"[;,\n]+|\s+and\s+", text):
        word = plain(part)
        hits = [f for f in told if word and (word == plain(f) or word == plain(told[f]))]
        hits = hits or (names_meant(word, {f: (f, t) for f, t in told.items()}, means.words) if word else [])
        if len(hits) != 1:
            raise ObservationError(
                part.strip(),
                f"any of these: {'; '.join(told.values())}; or {NO_HISTORY}",
                f"{next(iter(told.values()), NO_HISTORY)}, or {NO_HISTORY}",
            )
        yes.add(hits[0])
    return tuple((f, f in yes) for f in sorted(told))


def belief_of(means: Means, state: State) -> State:
    """The state with its belief made from everything heard so far."""
    return replace(state, belief=evidence.rebuild(means.world, state.setting, state.evidence))
