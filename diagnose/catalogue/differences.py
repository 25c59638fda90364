"""What differs on one very bike, said one thing at a time: read from words, from entries, and laid together.

Part of the first arrow. A difference is a frozen value; `catalogue.overlay` lays several over a bike.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from diagnose.catalogue.fields import ID
from diagnose.catalogue.read_sections import is_colour
from diagnose.catalogue.spec import BikeSpec
from diagnose.errors import UsageError, unknown

PLAIN = ("not_fitted", "bypassed", "spliced")  # said of a part or wire, nothing more
VALUED = ("colour", "place", "load")  # said of something, with a value
KEYS = (*PLAIN, *VALUED, "added")
IS, SAID = "is", "said"  # keys of an entry beside its own: the value, and when it was said
WAYS: Mapping[str, str] = {  # how each is said, before what it is said of
    "not fitted": "not_fitted",
    "bypassed": "bypassed",
    "spliced": "spliced",
    "colour": "colour",
    "color": "colour",
    "place": "place",
    "added": "load",
}
_LOAD = re.compile(r"(?P<name>.+?)\s+(?P<watts>[0-9.,]+\s*w)\s+(?:at|from|on)\s+(?P<at>\S.*)", re.IGNORECASE)
_TRACER = re.compile(r"\s*(?:/|\bwith\b|\band\b)\s*", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that is not as drawn.

    key    not_fitted | bypassed | spliced | colour | place | load | added
    what   id of the part, wire or connector; of a load, the id it gets; '' of something added
    value  colour letters, id of a place, '55 W at component.terminal'; of something added, its content
    """

    key: str
    what: str
    value: Any = ""


@dataclass(frozen=True, slots=True)
class Names:
    """What a bike's things are called, for reading words.

    components  parts, wires and connectors: id -> title
    wires       those that are wires
    places      id -> title
    points      component.terminal of everything a tip can touch
    """

    components: Mapping[str, str]
    wires: frozenset[str]
    places: Mapping[str, str]
    points: frozenset[str]


def names_of(spec: BikeSpec) -> Names:
    """The names of a composed bike."""
    parts = {p.id: p.title for p in spec.parts.values()} | dict(spec.connector_titles)
    places = {p.id: p.title for p in spec.places.values()}
    return Names(parts, frozenset(spec.wires), places, frozenset(spec.nodes))


def read_entries(entries: Any, file: str = "") -> tuple[Difference, ...]:
    """Differences from plain data: `{not_fitted: horn}`, `{colour: low_feed, is: GN/YE}`, `{added: {...}}`.

    file    what errors name
    raises  UsageError for anything else
    """
    where = f"{file}: " if file else ""
    if not isinstance(entries, Sequence) or isinstance(entries, str):
        raise UsageError(f"{where}what differs is no list; expected such as [{{not_fitted: horn}}]")
    found = []
    for number, entry in enumerate(entries, 1):
        keys = [k for k in entry if k not in (IS, SAID)] if isinstance(entry, Mapping) else []
        if len(keys) != 1 or keys[0] not in KEYS:
            raise UsageError(f"{where}entry {number} is {entry!r}; expected one of {', '.join(KEYS)} in it")
        (key,), what, value = keys, entry[keys[0]], entry.get(IS, "")
        if key == "added":
            what, value = "", what
        texts = isinstance(what, str) and (key == "added" or isinstance(value, str))
        if not texts or (bool(value) == (key in PLAIN)):
            needs = "an id and nothing more" if key in PLAIN else "an id, and `is` with what it is here"
            raise UsageError(f"{where}entry {number} is {entry!r}; expected {needs}")
        found.append(Difference(key, what, value))
    return tuple(found)


def as_entry(difference: Difference) -> dict[str, Any]:
    """The plain data of a difference; read_entries gives it back."""
    if difference.key == "added":
        return {"added": difference.value}
    entry = {difference.key: difference.what}
    return entry | {IS: difference.value} if difference.value else entry


def as_overlay(differences: Iterable[Difference]) -> dict[str, Any]:
    """All differences together, as overlay.apply_overlay takes them; of two on one thing the later counts."""
    overlay: dict[str, Any] = {}
    for d in differences:
        if d.key in PLAIN:
            overlay.setdefault(d.key, []).append(d.what)
        elif d.key == "added":
            overlay.setdefault("added", []).append(d.value)
        else:
            overlay.setdefault(d.key, {})[d.what] = d.value
    return overlay


def split_words(line: str) -> tuple[str, str] | None:
    """('not_fitted', 'horn') of 'not fitted horn'; None for a line that says nothing of the kind."""
    said = " ".join(line.split())
    for way, key in WAYS.items():
        if said.lower().startswith(f"{way} "):
            return key, said[len(way) + 1 :]
    return None


def read_words(key: str, text: str, names: Names, colours: Mapping[str, Sequence[str]]) -> Difference:
    """One difference from what somebody typed, such as ('colour', 'low beam feed green with yellow').

    key      one of PLAIN or VALUED
    colours  letters -> words for them
    raises   UsageError that says what to type
    """
    said = " ".join(text.split())
    if key in PLAIN:
        return Difference(key, _component(said, names.components))
    if key == "load":
        return _load(said, names)
    known = {w: names.components[w] for w in names.wires if w in names.components}
    what, rest = _leading(said, known if key == "colour" else names.components, key)
    if key == "colour":
        return Difference(key, what, read_colour(rest, colours))
    return Difference(key, what, _named(rest, names.places, "place"))


def read_colour(text: str, colours: Mapping[str, Sequence[str]]) -> str:
    """Letters of IEC 60757 from letters or words; 'green with yellow' -> GN/YE. Raises UsageError."""
    if is_colour(text.upper()):
        return text.upper()
    letters = {way.lower(): code for code, ways in colours.items() for way in ways}
    codes = [letters.get(word.lower().strip()) for word in _TRACER.split(text)]
    if not text or None in codes or not is_colour("/".join(c or "" for c in codes)):
        raise UsageError(f"colour {text!r} is not known; expected such as green, BU or 'green with yellow'")
    return "/".join(c or "" for c in codes)


def _load(said: str, names: Names) -> Difference:
    match = _LOAD.fullmatch(said)
    if match is None:
        raise UsageError(f"load {said!r} is not understood; expected such as 'spot lamp 35 W at horn.feed'")
    name = re.sub(r"[^a-z0-9]+", "_", match["name"].lower()).strip("_")
    if not ID.fullmatch(name) or name in names.components:
        raise UsageError(f"load {match['name']!r} cannot be named so; expected a name new to this bike")
    watts = match["watts"].lower().rstrip("w").strip()
    return Difference("load", name, f"{watts} W at {_point(match['at'], names)}")


def _point(said: str, names: Names) -> str:
    if said in names.points:
        return said
    part = _component(said.partition(".")[0], names.components)
    own = sorted(p for p in names.points if p.partition(".")[0] == part)
    if part in names.wires:
        return f"{part}.b"
    known = ", ".join(own) or "the wires"
    raise UsageError(f"{said!r} is no point to join a wire to; expected one of {known}")


def _leading(said: str, known: Mapping[str, str], key: str) -> tuple[str, str]:
    """The thing a sentence begins with, named as fully as can be, and the rest of the sentence."""
    words = said.split()
    for count in range(len(words) - 1, 0, -1):
        found = _exact(" ".join(words[:count]), known)
        if found:
            return found, " ".join(words[count:])
    what = "wire" if key == "colour" else "component"
    raise UsageError(f"{key} {said!r}: {unknown(what, words[0] if words else '', known)}")


def _component(said: str, known: Mapping[str, str]) -> str:
    return _named(said, known, "component")


def _named(said: str, known: Mapping[str, str], kind: str) -> str:
    found = _exact(said, known)
    if found:
        return found
    titles = {title.lower(): id for id, title in known.items()}
    near = [titles[t] for t in get_close_matches(said.lower(), titles, 3, 0.6)]
    if near:
        raise UsageError(f"unknown {kind} {said!r}; try {', '.join(near)}")
    raise UsageError(unknown(kind, said.replace(" ", "_"), known))


def _exact(said: str, known: Mapping[str, str]) -> str:
    """The id that is written, with spaces or not, or whose title alone is; '' if there is none."""
    plain = said.lower().replace(" ", "_")
    if plain in known:
        return plain
    called = [id for id, title in known.items() if title.lower() == said.lower()]
    return called[0] if len(called) == 1 else ""
