"""What things are called on screen: suspects, points, conditions, readings, how sure.

Part of the conversation. Turns ids of the world into words; decides nothing.
"""

from __future__ import annotations

import math
import re

import numpy as np

from diagnose import quantities
from diagnose.bike.model import Candidate, Fault, Measurement
from diagnose.conversation.world import World
from diagnose.predictions.outcomes import OHMS_FLOOR
from diagnose.predictions.table import Column
from diagnose.wording import Wording

# IEC 60757 letter codes for colours, and four that looms use and the standard lacks; two follow each other
# for a wire with a stripe
_COLOUR_CODE = re.compile(r"(LGN|LBU|DGN|CL|BK|BN|RD|OG|YE|GN|BU|VT|GY|WH|PK|TQ|GD|SR)")
MOST_WIRES = 2  # whose colours are worth naming at one point
LIKELY, POSSIBLE = 0.5, 0.05  # [1] from which chance a suspect is called likely, possible (estimate)


def component(world: World, name: str) -> str:
    """Title of a part, a function, a place or a connector; the id with spaces if nobody named it."""
    view = world.view
    if name in view.components:
        return view.components[name][0]
    for group in (view.functions, view.points):
        if name in group:
            return group[name].title
    for group2 in (view.places, view.connectors, view.controls):
        if name in group2:
            return str(group2[name][0])
    return name.replace("_", " ")


def is_wire(world: World, name: str) -> bool:
    """Whether what is taken apart is a single wire, undone at one end."""
    return world.view.components.get(name.partition(".")[0], ("", ""))[1] == "wire"


def joint(world: World, name: str) -> str:
    """Title of a connector, or of a wire with the end at which it is undone."""
    known = world.view.connectors.get(name)
    return known[0] if known else component(world, name)


def place(world: World, name: str) -> str:
    """Title of a place."""
    return world.view.places[name][0] if name in world.view.places else component(world, name)


def candidate(world: World, item: Candidate, words: Wording) -> str:
    """A suspect in plain words: part and what is wrong with it."""
    if not item.faults:
        return words.say("suspect_no_fault" if item.id == "no_fault" else "suspect_unmodelled")
    return f" {words.word('joining', 'and')} ".join(
        fault(world, f) + (f" ({_value(f.value)})" if f.value else "") for f in item.faults
    )


def fault(world: World, item: Fault) -> str:
    """A fault in plain words; the part is not said before a title that begins with it."""
    part = component(world, item.component)
    begins = item.title.lower().startswith(part.lower())
    return item.title if begins else f"{part}: {item.title}"


def _value(text: str) -> str:
    return re.sub(r"(?<=\d)(?=[a-zA-Z])", " ", text)


def point(world: World, name: str, words: Wording) -> str:
    """A test point with its wire colour; a part's title when only the part has one."""
    seen = world.view.points.get(name)
    if seen is None:
        return component(world, name.partition(".")[0])
    part, _, terminal = name.partition(".")
    if world.view.components.get(part, ("", "", ""))[1] == "battery" and terminal in ("plus", "minus"):
        return words.say(f"battery_{terminal}")
    wires = seen.colour.split(",") if seen.colour else []
    if len(wires) > MOST_WIRES:
        return words.say("point_with_wires", point=seen.title, count=len(wires))
    named = listing([_wire(code, words) for code in wires], words)
    return words.say("point_with_colour", point=seen.title, wires=named) if named else seen.title


def colour_words(code: str, words: Wording) -> str:
    """'BU' -> 'blue', 'BK/WH' -> 'black with white', 'BU,GN/YE' -> 'blue and green with yellow'."""
    joint = f" {words.word('joining', 'with')} "
    return listing([joint.join(_colours(wire, words)) for wire in code.split(",") if wire], words)


def _wire(code: str, words: Wording) -> str:
    """'BU' -> 'blue wire', 'GN/YE' -> 'green wire with yellow stripe'."""
    colour, *stripes = _colours(code, words)
    if not stripes:
        return words.say("wire_of_colour", colour=colour)
    return words.say("wire_with_stripe", colour=colour, stripe=listing(stripes, words))


def _colours(code: str, words: Wording) -> list[str]:
    """The colours of one wire, the tracer last; the letters themselves where they name none."""
    parts = _COLOUR_CODE.findall(code)
    known = "".join(parts) == re.sub(r"[^A-Z]", "", code) and parts
    return [words.word("colours", p) for p in parts] if known else [code]


def listing(items: list[str] | tuple[str, ...], words: Wording, last: str = "and") -> str:
    """'a, b and c'. last: and | or"""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {words.word('joining', last)} {items[-1]}"


def sure(probability: float, words: Wording) -> str:
    """How sure, in a word."""
    for word, floor in (("certain", 0.95), ("very_likely", 0.8), ("likely", LIKELY), ("possible", POSSIBLE)):
        if probability >= floor:
            return words.word("sureness", word)
    return words.word("sureness", "unlikely")


def spark_gap_mm(world: World) -> int:
    """What a sound spark jumps in the open [mm]: with a starter, or kicked (common practice, no source)."""
    return 6 if world.view.has_starter else 5


def begun(line: str) -> str:
    """A line as a sentence begins: a title may come first, and titles are written small."""
    return line[:1].upper() + line[1:]


def minutes(value: float) -> str:
    """Minutes as a person says them: '1', '5', '20'; halves below two."""
    if value < 2:
        return f"{max(round(value * 2) / 2, 0.5):g}"
    return f"{round(value):d}" if value < 10 else f"{round(value / 5) * 5:d}"


def reading(value: float | str, unit: str, words: Wording) -> str:
    """A reading in words: '12.31 V', 'OL', or the word for a word."""
    if isinstance(value, str):
        return words.word("answers", value)
    if not math.isfinite(value):
        return "OL"
    if unit in ("V", "A"):
        return f"{round(float(value), 2) + 0.0:g} {unit}"
    shown = round_reading(float(value), unit)
    if unit == "ohm" and abs(shown) < 1.0:  # no meter shows milliohms
        return f"{round(shown, 2) + 0.0:g} {unit}"
    return quantities.write(shown, unit)


def round_reading(value: float, unit: str) -> float:
    """As many figures as a meter shows: 0.01 V, 0.1 ohm, three figures beyond."""
    if unit in ("V", "A"):
        return round(value, 2)
    if value == 0 or not math.isfinite(value):
        return value
    return round(value, max(1, 2 - math.floor(math.log10(abs(value)))) if abs(value) < 1000 else -1)


def expected(own: Column, center: float, sd: float, words: Wording) -> tuple[float | None, float | None, str]:
    """Low, high (None = OL) and text of what two standard deviations either side would show."""
    if own.scale == "log":
        if not np.isfinite(center):
            return None, None, "OL"
        low, high = (max(math.exp(c) - OHMS_FLOOR, 0.0) for c in (center - 2 * sd, center + 2 * sd))
    else:
        low, high = center - 2 * sd, center + 2 * sd
        if own.kind != "diode" and center >= 0:
            low = max(low, 0.0)
    low, high = round_reading(low, own.unit), round_reading(high, own.unit)
    a, b = reading(low, own.unit, words), reading(high, own.unit, words)
    if a == b:
        return low, high, a
    number, _, shown_in = b.partition(" ")
    if a.partition(" ")[2] == shown_in:
        return low, high, words.say("range", low=a.partition(" ")[0], high=b)
    if not math.isfinite(high) or not high > 0.0:
        return low, high, words.say("range", low=a, high=b)
    return low, high, words.say("range", low=f"{low * float(number) / high:.2g}", high=b)


def in_short(world: World, m: Measurement, words: Wording) -> str:
    """A measurement as half a line, for lists: what is measured where, and when."""
    if is_posts(world, m):
        text = words.say("short_posts")
    elif in_fuse(m):
        return words.say("short_lamp_in_fuse", what=component(world, m.condition.out[0]))
    elif m.plus:
        ends = {"plus": point(world, m.plus, words), "minus": point(world, m.minus, words)}
        if m.kind == "jumper":
            watched = world.view.functions.get(m.what)
            shown = watched.title if watched else component(world, m.what)
            text = words.say("short_jumper", what=shown, **ends)
        elif m.what:  # a place is stirred while the meter watches
            stirred = words.say(f"short_{m.kind}", what=component(world, m.what))
            text = words.say("short_watched", stirred=stirred, **ends)
        else:
            text = words.say(f"short_{m.kind}", **ends)
    else:
        text = words.say(f"short_{m.kind}", what=component(world, m.what))
    when = condition(world, m, words)
    return f"{text} ({when})" if when else text


def in_fuse(m: Measurement) -> bool:
    """Whether a test lamp takes the place of a fuse."""
    parts = {p.partition(".")[0] for p in (m.plus, m.minus)}
    return m.kind == "lamp" and len(m.condition.out) == 1 and parts == set(m.condition.out)


def is_posts(world: World, m: Measurement) -> bool:
    """Whether both tips of a voltmeter go to the battery's own posts."""
    ends = {p.partition(".")[0] for p in (m.plus, m.minus)}
    word = world.view.components.get(next(iter(ends)), ("", "", ""))[1]
    return m.kind == "volts" and len(ends) == 1 and word == "battery"


def condition(world: World, m: Measurement, words: Wording) -> str:
    """The condition as half a line: 'key switch ON, horn button pressed'."""
    c = m.condition
    parts = []
    for control, position in c.controls:
        title, positions = world.view.controls.get(control, (control.replace("_", " "), {}))
        # what is to be done for it, behind a colon, belongs into the question
        parts.append(f"{title} {positions.get(position, position).partition(':')[0]}")
    if c.engine != "off":
        parts.append(engine(c.engine, words))
    parts += [words.say("short_out", what=component(world, f)) for f in c.out]
    parts += [words.say("short_apart", what=component(world, a)) for a in c.apart]
    if not c.battery and world.view.ground:
        parts.append(words.say("short_battery_off"))
    return ", ".join(parts)


def engine(state: str, words: Wording) -> str:
    """'idle' -> 'engine idling', '5000' -> 'engine at 5000 rpm'."""
    if state in ("cranking", "idle"):
        return words.say(f"short_engine_{state}")
    return words.say("short_engine_rpm", rpm=state)
