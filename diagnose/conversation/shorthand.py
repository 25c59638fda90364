"""Many observations in one line: 'horn ok; low beam dim, batt 12,4' -> measurements and their answers.

Part of the conversation. Fuzzy in names, strict in meaning: what fits two things is asked back.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from diagnose.bike.model import Measurement
from diagnose.conversation import names
from diagnose.conversation.answers import plain, read_answer
from diagnose.conversation.likeness import names_meant, same_word, sayings_meant, words_of
from diagnose.conversation.world import World
from diagnose.errors import ObservationError
from diagnose.wording import Wording

MOST_ITEMS = 40
MOST_AT_ONCE = 4  # functions that 'both' or 'all' may mean
LONGEST_STATE = 5  # words: 'lit but not flashing'
_NUMBER_FIRST = re.compile(r"[+\-−]?\d+(?:[.,]\d+)?\s*(?:[mk]?V|volts?)?(?=\s+[A-Za-z])")
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


COMMA = r",(?!\d)|(?<!\d),"  # one that separates: no digit on both sides


def split(line: str) -> list[str]:
    """Parts of a line. A comma between digits is a decimal comma, any other separates."""
    parts = re.split(rf"[;\n]+|{COMMA}|\s+and\s+|\s+&\s+", line)
    return [p.strip(" .") for p in parts if p and p.strip(" .")]


def understand(world: World, line: str, words: Wording) -> Understood:
    """Read a line of observations against the functions and points of this bike."""
    items: list[Item] = []
    unclear: list[tuple[str, ObservationError]] = []
    terms = _terms(world, words)
    parts = _shared([piece for part in split(line) for piece in _pieces(part, terms)], terms)
    for part in parts[:MOST_ITEMS]:
        try:
            items += _items(part, terms)
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
EVERYTHING = frozenset({"all", "of", "it", "everything", "is", "now", "yes"})


def says_well(part: str) -> bool:
    """Whether one part of what a rider says ends in a word that says all is well: 'high beam works'."""
    return plain(part).rpartition(" ")[2] in ALL_WELL


def all_well(text: str) -> bool:
    """Whether this says that all is well, and of nothing in particular: 'works', 'all of it works'."""
    said = plain(text).split()
    return bool(said) and said[-1] in ALL_WELL and EVERYTHING.issuperset(said[:-1])


def is_number(world: World, part: str, words: Wording) -> bool:
    """Whether one part of what a rider says is a reading, which complains of nothing: 'batt 12,7'."""
    read = understand(world, part, words).items if any(c.isdigit() for c in part) else ()
    return any(isinstance(item.value, float) for item in read)


def match_complaints(world: World, text: str, words: Wording) -> list[str]:
    """Complaint ids that the rider's own words come closest to; none for a word that says all is well."""
    said = plain(text)
    if said in ALL_WELL:
        return []
    known = world.view.complaints
    named = [c for c, (title, _) in known.items() if said in (plain(c), plain(title))]
    return named or sayings_meant(text, {c: (title, *says) for c, (title, says) in known.items()}, words)


def _items(part: str, terms: _Terms) -> list[Item]:
    """What one part of a line says: a number somewhere, or how a function is."""
    number = _NUMBER.search(part)
    name = part[: number.start()].strip(" :=") if number else ""
    if number is None and (number := _NUMBER_FIRST.match(part)) is not None:
        name = part[number.end() :]
    if number is not None and re.search(r"[a-z]", name, re.IGNORECASE):  # '2 5' names nothing
        return [_measured(terms.world, part, name, number[0].strip(), terms.words)]
    return _watched(part, terms)


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
    own = word == "battery" and point not in world.view.home_points
    return ("battery", "battery volts", "volts", "voltage") if own else ()


@dataclass(frozen=True, slots=True)
class _Terms:
    """What a rider can say of this bike.

    states  way of saying how something is -> the words of answers that it could stand for
    before  the same for words that stand before the name: 'no horn', 'dim headlight'
    """

    world: World
    words: Wording
    states: Mapping[str, frozenset[str]]
    before: Mapping[str, str]

    def functions(self, name: str) -> list[str]:
        """The functions that a name means, nearest first; several where it could be any of them."""
        own, said = self.words.words["functions"], words_of(name, self.words)
        ways = {
            f: (f, v.title, *own.get(f, ()))
            for f, v in self.world.view.functions.items()
            if self._called_for(said, v.title)
        }
        return names_meant(name, ways, self.words)

    def _called_for(self, said: Sequence[str], title: str) -> bool:
        """'left' is the left indicators, and the hazard lamps on that side only if hazard is said."""
        wanted = set(self.words.words["qualifiers"]["only_if_said"]).intersection(words_of(title, self.words))
        return all(any(same_word(word, w) for word in said) for w in wanted)


def _terms(world: World, words: Wording) -> _Terms:
    shown = {c for f in world.view.functions for m in _tried(world, f) for c in m.choices}
    found: dict[str, set[str]] = {}
    for state in sorted(shown):
        for way in (state, *words.words["states"].get(state, ())):
            found.setdefault(plain(way), set()).add(state)
    before = {plain(way): state for state, ways in words.words["before"].items() for way in ways}
    return _Terms(world, words, {way: frozenset(known) for way, known in found.items()}, before)


def _said_at(tokens: Sequence[str], terms: _Terms, start: int) -> int:
    """Where the way of saying how it is ends that begins there, the longest; `start` if none does."""
    for end in range(min(len(tokens), start + LONGEST_STATE), start, -1):
        if " ".join(tokens[start:end]) in terms.states:
            return end
    return start


def _ending(tokens: Sequence[str], terms: _Terms) -> tuple[int, int, int] | None:
    """After at least one word of a name: where what is said begins, where its last way begins and ends.

    'left flashes fast' -> 1, 2, 3: a verb of the name may stand between.
    """
    for begin in range(1, len(tokens)):
        last, end = begin, _said_at(tokens, terms, begin)
        if end == begin:
            continue
        while end < len(tokens) and (further := _said_at(tokens, terms, end)) > end:
            last, end = end, further
        return begin, last, end
    return None


def _pieces(part: str, terms: _Terms) -> list[str]:
    """'low beam ok high beam dead' -> two pieces; anything that is not so clear stays one."""
    tokens = part.split()
    said = [plain(t) for t in tokens]
    found, at = [], 0
    while at < len(tokens):
        place = _ending(said[at:], terms)
        if place is None or said[at] in terms.before:
            return [part]
        found.append(" ".join(tokens[at : at + place[2]]))
        at += place[2]
    return found or [part]


def _shared(parts: Sequence[str], terms: _Terms) -> list[str]:
    """Names alone take how it is from the next part: 'horn and low beam ok'."""
    done: list[str] = []
    how = ""
    for part in reversed(parts):
        tokens = plain(part).split()
        place = _ending(tokens, terms)
        if place is not None:
            how = " ".join(tokens[place[1] :]) if place[2] == len(tokens) else ""
        elif how and tokens and tokens[0] not in terms.before and terms.functions(part):
            part = f"{part} {how}"
        else:
            how = ""
        done.append(part)
    return done[::-1]


def _watched(part: str, terms: _Terms) -> list[Item]:
    functions = terms.world.view.functions
    tokens = plain(re.sub(r"[:=]", " ", part)).split()
    place = _ending(tokens, terms)
    if place is not None and place[2] == len(tokens):
        begin, last, _ = place
        # the verb may be part of the name, as in 'left flashes' or 'left flashes fast'
        verbs = [n for n in range(len(tokens) - 1, last, -1) if tokens[n - 1] in terms.states]
        said = [(len(tokens), last), *((n, max(n, last)) for n in (*verbs, last, begin))]
        ways = [(" ".join(tokens[:n]), terms.states.get(" ".join(tokens[how:]))) for n, how in said]
    elif len(tokens) > 1 and tokens[0] in terms.before:
        ways = [(" ".join(tokens[1:]), frozenset({terms.before[tokens[0]]}))]
    else:
        raise ObservationError(part, "a name and how it is", "'horn ok' or 'low beam dim'")
    hedged = set(ways[-1][0].split()) & {plain(h) for h in terms.words.words["hedges"]["never_taken"]}
    if hedged:
        shown = ", ".join(sorted(hedged))
        raise ObservationError(part, "one word for how it is", "'horn dead', or a note", f"says {shown}")
    told = [(found, how) for name, how in ways if how and (found := terms.functions(name))]
    # a name that nearly fits is not meant where it cannot be so: 'right steady' is no 'right stays dark'
    able = ((f, how) for f, how in told if any(how & _choices(terms.world, x) for x in f))
    close, known = next(able, told[0] if told else ([], frozenset()))
    if not close:
        # what anybody can try comes first: a spark is seen with the plug out
        easy_first = sorted(functions.values(), key=lambda v: v.kind in ("spark", "stop"))
        near = ", ".join(v.title for v in easy_first[:8])
        raise ObservationError(part, f"a function of this bike ({near} ...)")
    most = max(len(known & _choices(terms.world, f)) for f in close)
    close = [f for f in close if len(known & _choices(terms.world, f)) == most]
    if len(close) > 1 and not _both_sides(terms.world, close, ways[-1][0]):
        titles = ", ".join(functions[f].title for f in close)
        raise ObservationError(part, f"one of {titles}", wrong="could mean more than one thing")
    return [_item(terms, part, f, known) for f in close]


def _both_sides(world: World, close: Sequence[str], name: str) -> bool:
    """Whether a name that fits several means all of them: both sides of one thing, or said so."""
    if {"both", "all"} & set(name.split()):
        return len(close) <= MOST_AT_ONCE
    sides = {re.sub(r"\b(left|right)\b", "", world.view.functions[f].title) for f in close}
    return len(close) == 2 and len(sides) == 1


def _item(terms: _Terms, part: str, function: str, known: frozenset[str]) -> Item:
    """One function and how it is; raises ObservationError when it cannot be so, or could be two things."""
    world, words = terms.world, terms.words
    fitting = [(m, c) for m in _tried(world, function) for c in m.choices if c in known]
    if len(fitting) == 1:
        m, choice = fitting[0]
        return Item(part, m.id, choice, _echo(world, m, choice, words))
    title = world.view.functions[function].title
    offered = [c for m in _tried(world, function) for c in m.choices if not fitting or c in known]
    shown = ", ".join(words.word("answers", c) for c in offered) or "nothing, it cannot be watched"
    if fitting:
        raise ObservationError(part, f"for {title} one of {shown}", wrong="could mean more than one thing")
    raise ObservationError(part, f"for {title} one of {shown}")


def _choices(world: World, function: str) -> frozenset[str]:
    return frozenset(c for m in _tried(world, function) for c in m.choices)


def _tried(world: World, function: str) -> list[Measurement]:
    view = world.view.functions[function]
    mid = f"observe:{function}@{view.condition.text}"
    return [world.measurements[mid]] if mid in world.measurements else []


def _echo(world: World, m: Measurement, value: float | str, words: Wording) -> str:
    return f"{names.in_short(world, m, words)}: {names.reading(value, m.unit, words)}"
