"""One question as an event: what to do, where, what to expect there, and what it would decide.

Part of the conversation. Everything shown is computed from the world and the belief; sentences come from
the wording.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from diagnose.bike.acts import STIRS, TWO_POINT, is_stirred_first
from diagnose.bike.model import Measurement
from diagnose.catalogue.conditions import KEY
from diagnose.conversation import evidence, names, planning
from diagnose.conversation.state import State
from diagnose.conversation.world import World
from diagnose.predictions.table import Column
from diagnose.wording import Wording

SHOWN_SUSPECTS = 3
SHOWN_FROM = 0.02  # [1] chance from which a suspect's reading is worth showing
DIAL = {"V": (2.0, 20.0, 200.0, 1000.0), "ohm": (200.0, 2e3, 20e3, 200e3, 2e6, 20e6), "A": (10.0,)}

Caution = Mapping[str, Any]


def plain_question(
    state: State,
    *,
    question: str,
    kind: str,
    text: str,
    choices: Sequence[tuple[str, str]] = (),
    skippable: bool = True,
    why: str = "",
    cautions: Sequence[Caution] = (),
    **more: Any,
) -> dict[str, Any]:
    """A question that is no measurement: kind choose | confirm | text; choices as (id, title)."""
    return {
        "event": "question",
        "step": state.asked + 1,
        "question": question,
        "measurement": None,
        "kind": kind,
        "text": text,
        "points": {"plus": None, "minus": None},
        "condition": "",
        "unit": "",
        "choices": [c for c, _ in choices],
        "titles": dict(choices),
        "skippable": skippable,
        "minutes": {"hands": 0.0, "wait": 0.0},
        "helper": False,
        "cautions": list(cautions),
        "expected": None,
        "why": why,
        **more,
    }


def measurement_question(
    world: World,
    state: State,
    m: Measurement,
    words: Wording,
    cautions: Sequence[Caution] = (),
    *,
    lead: str = "",
) -> dict[str, Any]:
    """A measurement as a question with everything the contract asks for.

    lead  a sentence that comes first, for example that this reading proves the repair
    """
    own = evidence.column(world, planning.physical(state.job), m.id)
    event = plain_question(
        state,
        question=m.id,
        kind=m.kind,
        text="\n".join(filter(None, (lead, procedure(world, state, m, own, words)))),
        choices=[(c, _choice_title(world, m.kind, c, words)) for c in m.choices],
        cautions=cautions,
        why=decides(world, state, own, words),
    )
    event |= {
        "measurement": m.id,
        "points": {"plus": m.plus or None, "minus": m.minus or None},
        "condition": m.condition.text,
        "unit": m.unit,
        "minutes": {"hands": round(planning.minutes_for(world, state, m), 1), "wait": m.wait_min},
        "helper": m.helper,
        "expected": expectation(world, state, own, words),
        "places": [{"place": p, "title": names.place(world, p)} for p in m.places],
        "colours": {
            end: names.colour_words(world.view.points[p].colour, words)
            for end, p in (("plus", m.plus), ("minus", m.minus))
            if p in world.view.points
        },
        "setting": setting(own, m, words, state.setting.skill, world.no_fault),
    }
    return event


def procedure(world: World, state: State, m: Measurement, own: Column, words: Wording) -> str:
    """What to do, one action a line: put back, open, set the switches, set the meter, touch, read."""
    skill = state.setting.skill
    lines = [*put_back(world, state, m, words)]
    for place in m.places:
        if place not in state.paid.places and world.view.places.get(place, ("", 0.0, 0.0))[1] > 0:
            lines.append(words.say("open_place", skill, place=names.place(world, place)))
    opened = len(lines)
    # the question itself says when, unless another has its words or it is asked in another condition
    own_way = world.view.functions.get(m.what)
    plain = own_way is None or m.condition == own_way.condition
    alike = sum(f.question == m.text for f in world.view.functions.values()) > 1
    told = m.kind == "observe" and bool(m.text) and skill == "trade" and plain and not alike
    if is_stirred_first(m):
        return _joined([*lines, *_stirred_first(world, state, m, words)], skill)
    lines += [] if told else switch_lines(world, state, m, words)
    if m.kind in TWO_POINT or m.kind == "amps":
        if m.kind != "lamp":
            dial = setting(own, m, words, skill, world.no_fault)
            lines.insert(opened, words.say("dial", skill, setting=dial))  # before anything is pressed
        if m.plus and names.in_fuse(m):
            fuse = names.component(world, m.condition.out[0])
            watts = f"{world.view.fuse_lamps.get(m.condition.out[0], 0.0):g}"
            lines.append(words.say("do_lamp_in_fuse", skill, what=fuse, watts=watts))
        elif m.plus:
            values = {"plus": names.point(world, m.plus, words), "minus": names.point(world, m.minus, words)}
            doing = "do_posts" if names.is_posts(world, m) else f"do_{m.kind}"
            doing += "_joined" if m.kind == "ac_volts" and not m.condition.apart else ""
            lines.append(words.say(doing, skill, **values))
            if m.text:
                lines.append(m.text)
        elif m.what == "battery":
            ground = "_plus" if world.view.ground == "plus" else ""
            lines.append(words.say(f"do_amps_battery{ground}", skill))
        else:
            lines.append(words.say("do_amps", skill, what=names.component(world, m.what)))
    elif m.kind == "jumper":
        ends = {"plus": names.point(world, m.plus, words), "minus": names.point(world, m.minus, words)}
        watched = own_way.title if own_way else names.component(world, m.what)
        clip = words.say("clip_jumper", skill, minus=ends["minus"])  # before anything is pressed
        lines = [*lines[:opened], clip, *lines[opened:], words.say("do_jumper", skill, what=watched, **ends)]
    elif m.kind == "clamp":
        around = words.say("close_clamp", skill, what=names.component(world, m.what))
        lines = [*lines[:opened], around, *lines[opened:], words.say("do_clamp", skill)]
    elif m.kind == "swap":
        lines = [*lines[:opened], *_swap_lines(world, m, words, skill), *lines[opened:]]
        shown = names.listing([names.component(world, f) for f in m.watched], words)
        lines.append(words.say("after_swap", skill, functions=shown))
    elif m.text:
        if m.kind == "inspect" and m.what in world.view.components:
            lines.append(words.say("look_at", skill, what=names.component(world, m.what)))
        lines.append(m.text)
        if m.kind == "observe" and own_way and own_way.kind == "spark" and state.setting.kit == "workshop":
            lines.append(words.say("spark_gap", skill, mm=names.spark_gap_mm(world)))
    elif m.kind in STIRS and m.plus:
        sort, top = ("dial_volts", 20) if m.condition.battery else ("dial_ohms", 200)
        dial = words.say(sort, skill, range=top)
        ends = {"plus": names.point(world, m.plus, words), "minus": names.point(world, m.minus, words)}
        lines.append(words.say("dial", skill, setting=dial))
        lines.append(words.say(f"do_{m.kind}_meter", skill, what=names.component(world, m.what), **ends))
    else:
        doing = "do_sweep" if m.kind == "inspect" and m.what in world.view.places else f"do_{m.kind}"
        lines.append(words.say(doing, skill, what=names.component(world, m.what)))
    return _joined(lines, skill)


def _joined(lines: Sequence[str], skill: str) -> str:
    """A beginner reads one action a line, the trade one paragraph."""
    return (" " if skill == "trade" else "\n").join(names.begun(line) for line in lines if line)


def _swap_lines(world: World, m: Measurement, words: Wording, skill: str) -> list[str]:
    """What changes places, before anything is switched on to look."""
    one, other = (names.component(world, c) for c in m.components)
    return [words.say("do_swap", skill, what=one, twin=other), m.text]


def _stirred_first(world: World, state: State, m: Measurement, words: Wording) -> list[str]:
    """Move, warm or wet something with the engine at rest; only then turn it and look."""
    skill = state.setting.skill
    stir = words.say(f"first_{m.kind}", skill, what=names.component(world, m.what))
    return [stir, *switch_lines(world, state, m, words), words.say("then_look", skill)]


def put_back(world: World, state: State, m: Measurement | None, words: Wording) -> list[str]:
    """What an earlier step took apart and this one needs whole."""
    wanted = m.condition if m else None
    skill = state.setting.skill
    lines = [
        words.say("put_back_fuse", skill, what=names.component(world, f))
        for f in state.taken_out
        if wanted is None or f not in wanted.out
    ]
    lines += [
        words.say(
            "put_back_wire" if names.is_wire(world, c) else "put_back_plug", skill, what=names.joint(world, c)
        )
        for c in state.taken_apart
        if wanted is None or c not in wanted.apart
    ]
    if state.battery_undone and (wanted is None or wanted.battery):
        lines.append(words.say("put_back_battery", skill))
    return [names.begun(line) for line in lines]


def switch_lines(world: World, state: State, m: Measurement, words: Wording) -> list[str]:
    """Key, switches, engine, fuses, plugs and battery as this measurement wants them."""
    skill, c = state.setting.skill, m.condition
    lines = []
    if not c.battery and world.view.ground and not state.battery_undone and state.job.battery:
        lines.append(words.say("undo_battery", skill))
    lines += [
        words.say("pull_fuse", skill, what=names.component(world, f))
        for f in c.out
        if f not in state.taken_out and f not in state.job.out
    ]
    lines += [
        words.say("undo_wire" if names.is_wire(world, a) else "unplug", skill, what=names.joint(world, a))
        for a in c.apart
        if a not in state.taken_apart and a not in state.job.apart
    ]
    others_only = bool(c.controls) and KEY not in dict(c.controls)
    if others_only and KEY in world.view.controls and c.engine == "off":  # it may be on from the step before
        lines.append(words.say("key_off", skill))
    for control, position in c.controls:
        title, positions = world.view.controls.get(control, (control.replace("_", " "), {}))
        word = positions.get(position, position.replace("_", " "))
        told = "set_control_how" if ":" in word else "set_control"
        lines.append(words.say(told, skill, control=title[:1].upper() + title[1:], position=word))
    if not c.controls and c.battery and m.kind not in ("inspect", "ohms", "diode"):
        if KEY in world.view.controls:
            lines.append(words.say("all_at_rest", skill))
        elif c.engine == "off":
            lines.append(words.say("all_off", skill))
    if c.engine == "cranking":
        lines.append(words.say("engine_cranking", skill))
    elif c.engine == "idle":
        lines.append(words.say("engine_idle", skill))
    elif c.engine != "off":
        lines.append(words.say("engine_rpm", skill, rpm=c.engine))
    return lines


def setting(own: Column, m: Measurement, words: Wording, skill: str, sound: int) -> str:
    """Where the dial points; '' without a meter.

    Volts and amperes so that no suspect's reading is out of range; ohms so that a sound bike is read with all
    digits (the next range up is tried before OL is believed). sound: the row of the sound bike
    """
    if m.kind not in TWO_POINT or m.kind == "lamp":
        return words.say("dial_amps", skill) if m.kind == "amps" else ""
    value = np.abs(np.asarray(own.value, dtype=float))
    if own.scale == "log":
        value = value[[sound]]
    largest = float(value[np.isfinite(value)].max(initial=0.0)) * 1.1
    ranges = DIAL.get(m.unit, (20.0,))
    top = next((r for r in ranges if r >= largest), ranges[-1])
    if m.unit == "V":
        top = max(top, 20.0)  # a missing ground may put the whole supply where a drop was expected
    shown = f"{top / 1e6:g} M" if top >= 1e6 else f"{top / 1e3:g} k" if top >= 1e3 else f"{top:g}"
    return words.say(f"dial_{m.kind}", skill, **({} if m.kind == "diode" else {"range": shown}))


def expectation(world: World, state: State, own: Column, words: Wording) -> dict[str, Any]:
    """What a sound bike shows, and what the main suspects would, as the battery is now."""
    shown = [
        (i, p)
        for i, p in evidence.ranking(world, state.belief, floor=SHOWN_FROM)
        if world.candidates[i].is_fault
    ][:SHOWN_SUSPECTS]
    return {
        "healthy": _shown(world.no_fault, own, state, words),
        "suspects": [
            {
                "candidate": world.candidates[i].id,
                "component": world.candidates[i].faults[0].component,
                "text": names.candidate(world, world.candidates[i], words),
                "probability": round(p, 4),
                **_shown(i, own, state, words),
            }
            for i, p in shown
        ],
    }


def _shown(row: int, own: Column, state: State, words: Wording) -> dict[str, Any]:
    if own.words is not None:
        word = own.choices[int(np.argmax(np.asarray(own.words)[row]))]
        return {"low": None, "high": None, "word": word, "reading": words.word("answers", word)}
    center, sd = evidence.predicted(own, state.belief)
    if np.isnan(center[row]):
        return {"low": None, "high": None, "reading": words.say("anything")}
    low, high, text = names.expected(own, float(center[row]), float(sd[row]), words)
    return {"low": low, "high": high, "reading": text}


def decides(world: World, state: State, own: Column, words: Wording) -> str:
    """Which suspects each likely answer would point to."""
    leading = [
        (i, p)
        for i, p in evidence.ranking(world, state.belief, floor=SHOWN_FROM)
        if world.candidates[i].is_fault
    ][:6]
    groups: dict[str, list[int]] = {}
    centers: list[tuple[float, float, str]] = []
    for i, _ in leading:
        key = _group(world, i, own, state, words, centers)
        groups.setdefault(key, []).append(i)
    if len(groups) < 2:
        return ""
    parts = [
        words.say(
            "points_to",
            reading=reading,
            # commas and "or" stand within the titles
            suspects=f"; {words.word('joining', 'or')} ".join(_titles(world, rows, words)[:3]),
        )
        for reading, rows in groups.items()
        if reading
    ]
    return " ".join(parts)


def _titles(world: World, rows: Sequence[int], words: Wording) -> list[str]:
    """What suspects are called, each part and fault once however bad it is."""
    plain = (
        replace(c, faults=tuple(replace(f, value="") for f in c.faults))
        for c in (world.candidates[i] for i in rows)
    )
    return list(dict.fromkeys(names.candidate(world, c, words) for c in plain))


def _group(
    world: World, row: int, own: Column, state: State, words: Wording, centers: list[tuple[float, float, str]]
) -> str:
    """The answer under which a suspect is listed: readings closer than their spread share one."""
    if own.words is not None:
        likeliest = own.choices[int(np.argmax(np.asarray(own.words)[row]))]
        return _choice_title(world, own.kind, likeliest, words)
    center, sd = (float(a[row]) for a in evidence.predicted(own, state.belief))
    if np.isnan(center):
        return ""
    for other, spread, text in centers:
        if center == other or abs(center - other) < 2 * (sd + spread):
            return text
    value = np.asarray(own.value, dtype=float)[row]
    text = names.reading(float(value if own.scale == "log" else center), own.unit, words)
    centers.append((center, sd, text))
    return text


def _choice_title(world: World, kind: str, choice: str, words: Wording) -> str:
    if kind == "inspect" and choice in world.view.components:
        return names.component(world, choice)
    return words.word("answers", choice)
