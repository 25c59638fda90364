"""Many observations in one line: 'horn ok; low beam dim, batt 12,4' -> measurements and their answers.

Part of the conversation. Fuzzy in names, strict in meaning: what fits two things is asked back.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from diagnose.bike.model import Measurement
from diagnose.conversation import names
from diagnose.conversation.answers import plain, read_answer
from diagnose.conversation.likeness import names_meant, sayings_meant
from diagnose.conversation.world import World
from diagnose.errors import ObservationError
from diagnose.wording import Wording

MOST_ITEMS = 40
_NUMBER = re.compile(r"(?<![A-Za-z0-9])[+\-−]?\d+(?:[.,]\d+)?\s*(?:[a-zA-ZΩ%]{1,6})?$|\b[oO0]\.?[lL]$")


@dataclass(frozen=True, slots=True)
class Item:
    """One observation understood. words: how it is echoed."""

    text: str
    measurement: str
    value: float | str
    words: str


@dataclass(frozen=True, slots=True)
class Understood:
    """What a line said, and (part, why) for what was not understood."""

    items: tuple[Item, ...]
    unclear: tuple[tuple[str, ObservationError], ...]


def split(line: str) -> list[str]:
    """Parts of a line. A comma between digits is a decimal comma, any other separates."""
    parts = re.split(r"[;\n]+|,(?!\d)|(?<!\d),|\s+and\s+|\s+&\s+", line)
    return [p.strip(" .") for p in parts if p and p.strip(" .")]


def understand(world: World, line: str, words: Wording) -> Understood:
    """Read a line of observations against the functions and points of this bike."""
    items: list[Item] = []
    unclear: list[tuple[str, ObservationError]] = []
    parts = split(line)
    for part in parts[:MOST_ITEMS]:
        try:
            items.append(_item(world, part, words))
        except ObservationError as err:
            unclear.append((part, err))
    if len(parts) > MOST_ITEMS:
        left = ObservationError(
            parts[MOST_ITEMS], f"at most {MOST_ITEMS} observations in a line", "the rest in a second line"
        )
        unclear.append((parts[MOST_ITEMS], left))
    # the last word about one measurement counts
    latest = {item.measurement: item for item in items}
    return Understood(tuple(latest.values()), tuple(unclear))


ALL_WELL = frozenset({"works", "ok", "okay", "good", "fine", "yes"})


def match_complaints(world: World, text: str, words: Wording) -> list[str]:
    """Complaint ids that the rider's own words come closest to; none for a word that says all is well."""
    said = plain(text)
    if said in ALL_WELL:
        return []
    known = world.view.complaints
    named = [c for c, (title, _) in known.items() if said in (plain(c), plain(title))]
    return named or sayings_meant(text, {c: (title, *says) for c, (title, says) in known.items()}, words)


def _item(world: World, part: str, words: Wording) -> Item:
    tail = _NUMBER.search(part)
    name = part[: tail.start()].strip(" :=") if tail else ""
    if tail and name:
        return _measured(world, part, name, tail[0].strip(), words)
    return _watched(world, part, words)


def _measured(world: World, part: str, name: str, number: str, words: Wording) -> Item:
    ways = {
        p: (p, v.title, p.partition(".")[0], *_short_point(world, p)) for p, v in world.view.points.items()
    }
    at = names_meant(name, ways, words)
    fitting = [m for m in world.measurements.values() if m.plus in at and m.kind in ("volts", "drop")]
    # a battery named alone is read at rest; anything else must be one measurement
    rest = [m for m in fitting if not m.condition.text]
    found = rest if len(rest) == 1 else fitting
    if not found:
        raise ObservationError(
            part, "a test point of this bike", "'battery 12.4', or the question's own number"
        )
    if len(found) > 1:
        ids = ", ".join(m.id for m in found[:4])
        raise ObservationError(part, "one measurement", f"taking one of {ids}", "could be several readings")
    value, _ = read_answer(found[0], number, {}, words)
    return Item(part, found[0].id, value, _echo(world, found[0], value, words))


def _short_point(world: World, point: str) -> tuple[str, ...]:
    """A part with one point that is not ground is meant by the part's name alone."""
    component = point.partition(".")[0]
    word = world.view.components.get(component, ("", "", ""))[1]
    return ("battery",) if word == "battery" and point not in world.view.black_points else ()


def _watched(world: World, part: str, words: Wording) -> Item:
    tokens = plain(part).split()
    functions = world.view.functions
    ways = {f: (f, v.title, *words.words["functions"].get(f, ())) for f, v in functions.items()}
    # the state is the longest ending that is a word for one; the rest is the name
    for cut in range(1, len(tokens)):
        name, state = " ".join(tokens[:cut]), " ".join(tokens[cut:])
        name = re.sub(r"^(the|my)\s+|\s+(is|are|was|looks|goes)$", "", name)
        hedged = set(name.split()) & {plain(h) for h in words.words["hedges"].get("never_taken", ())}
        known = {
            c for c, said in words.words["states"].items() if state in {plain(c), *(plain(s) for s in said)}
        }
        if not known:
            continue
        if hedged:
            shown = ", ".join(sorted(hedged))
            raise ObservationError(part, "one word for how it is", "'horn dead', or a note", f"says {shown}")
        close = names_meant(name, ways, words)
        fitting = [(m, c) for f in close for m in _tried(world, f) for c in m.choices if c in known]
        if len({m.id for m, _ in fitting}) == 1:
            m, choice = fitting[0]
            return Item(part, m.id, choice, _echo(world, m, choice, words))
        if len(fitting) > 1:
            titles = ", ".join(functions[f].title for f in close)
            raise ObservationError(part, f"one of {titles}", wrong="could mean more than one thing")
        if close:
            title = functions[close[0]].title
            offered = ", ".join(
                words.word("answers", c) for f in close[:1] for m in _tried(world, f) for c in m.choices
            )
            raise ObservationError(part, f"for {title} one of {offered or 'nothing, it cannot be watched'}")
        near = ", ".join(v.title for v in list(functions.values())[:8])
        raise ObservationError(part, f"a function of this bike ({near} ...)")
    raise ObservationError(part, "a name and how it is", "'horn ok' or 'low beam dim'")


def _tried(world: World, function: str) -> list[Measurement]:
    view = world.view.functions[function]
    mid = f"observe:{function}@{view.condition.text}"
    return [world.measurements[mid]] if mid in world.measurements else []


def _echo(world: World, m: Measurement, value: float | str, words: Wording) -> str:
    return f"{names.in_short(world, m, words)}: {names.reading(value, m.unit, words)}"
