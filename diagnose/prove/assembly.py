"""Mistakes that only a loom in the making can have, generated from the bike's own file.

A job's list of faults is what a bike that once worked can get. A new loom can be put together wrongly in
more ways: a feed on another fuse, a terminal in its neighbour's cavity, a wire end left off or pinched. Each
becomes one more suspect of the job that a failed check calls for.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence

from diagnose.bike.build import Build, node_of_point
from diagnose.bike.model import Fault
from diagnose.circuit.netlist import Add, Change, Edit, Element, Move, Open

# Relative frequencies on a fresh loom, on the scale of the knowledge's rates times shares (estimates).
MOVED, SWAPPED, LEFT_OFF, PINCHED = 0.05, 0.05, 0.08, 0.05
PINCHED_OHMS = 0.02
PAINTED = 0.06  # estimate, as above
PAINT_OHMS = (0.7, 3.0, 12.0)  # a joint that touches in places (estimate)
TAGS = ("assembly",)


def assembly_faults(built: Build, known: Iterable[Fault]) -> tuple[Fault, ...]:
    """Assembly faults that the knowledge does not describe itself.

    known  the bike's own faults: a wire that has `left_off`, `crossed` or `chafed` there gets none of it here
    """
    have = {(f.component, f.mode) for f in known}
    return tuple(
        itertools.chain(
            _moved(built),
            _beside(built),
            _swapped(built, have),
            _left_off(built, have),
            _pinched(built, have),
            _on_paint(built),
            _battery(built),
        )
    )


def _repairs(built: Build, part: str) -> tuple[str, ...]:
    """Repairs of a part that put wrong work right: sorting out first, then the cheapest."""
    found = built.spec.kinds[built.spec.parts[part].kind].repairs
    ranked = sorted(found, key=lambda r: (r.id != "sort_out", r.minutes.number))
    return tuple(f"{part}.{r.id}" for r in ranked)


def _fault(
    built: Build, part: str, mode: str, value: str, title: str, edits: Sequence[Edit], prior: float
) -> Fault:
    kind = built.spec.kinds[built.spec.parts[part].kind]
    return Fault(
        f"{part}.{mode}" + (f"={value}" if value else ""),
        part,
        mode,
        value,
        title,
        tuple(edits),
        prior,
        _repairs(built, part),
        0.2,
        built.spec.parts[part].place,
        kind.word,
        TAGS,
    )


def _supply_points(built: Build) -> list[str]:
    """Terminals at which feeds are joined: both sides of every fuse, and the clamp of the live post."""
    spec = built.spec
    points = [f"{f}.{t}" for f in built.fuses for t in spec.kinds[spec.parts[f].kind].terminals[:2]]
    nodes: dict[str, str] = {}
    for p in (*points, *filter(None, (spec.live_post,))):
        nodes.setdefault(spec.nodes[p], p)
    return list(nodes.values())


def _moved(built: Build) -> Iterator[Fault]:
    """A wire of a fuse or clamp on another fuse's terminal."""
    spec = built.spec
    points = _supply_points(built)
    feeds = {spec.nodes[p] for p in points}
    for wire in spec.wires.values():
        (element,) = built.ways[wire.id]
        for end, at in (("plus", spec.nodes[wire.start]), ("minus", spec.nodes[wire.end])):
            if at not in feeds and not _on_post(built, at):
                continue
            for point in points:
                to = node_of_point(spec, point)
                if to != at:
                    part = spec.parts[point.partition(".")[0]].title
                    title = f"joined to {part} instead of its own place"
                    edits = (Move(element, end, to),)
                    yield _fault(built, wire.id, "on_other_feed", point, title, edits, MOVED / len(points))


def _on_post(built: Build, at: str) -> bool:
    if not built.spec.has_battery:
        return False
    return any(
        {e.plus, e.minus} == {at, built.spec.nodes[built.spec.live_post]}
        for e in built.netlist.elements
        if built.spec.kinds[built.spec.parts[e.id.partition(".")[0]].kind].word == "ground"
    )


def _beside(built: Build) -> Iterator[Fault]:
    """One wire of a plug's terminal crimped into the terminal beside it."""
    spec = built.spec
    for ways in spec.connectors.values():
        for one, two in itertools.permutations(ways, 2):
            if abs(ways.index(one) - ways.index(two)) != 1:
                continue
            at, to = (spec.nodes[f"{w}.{spec.kinds[spec.parts[w].kind].terminals[0]}"] for w in (one, two))
            for wire in spec.wires.values():
                (element,) = built.ways[wire.id]
                ends = [e for e, n in (("plus", wire.start), ("minus", wire.end)) if spec.nodes[n] == at]
                for end in ends:
                    title = f"joined to {spec.parts[two].title} instead of {spec.parts[one].title}"
                    edits = (Move(element, end, to),)
                    yield _fault(built, wire.id, "beside", two, title, edits, SWAPPED / (2 * len(ways)))


def _swapped(built: Build, have: set[tuple[str, str]]) -> Iterator[Fault]:
    """Two neighbouring terminals of a plug, each in the other's cavity: the wires behind them change places.

    So an open plug shows it at its cavities, and a closed one joins the wrong wires.
    """
    spec = built.spec
    for ways in spec.connectors.values():
        for one, two in itertools.pairwise(ways):
            if (one, "crossed") in have or (two, "crossed") in have:
                continue
            a, b = (spec.nodes[f"{w}.{spec.kinds[spec.parts[w].kind].terminals[0]}"] for w in (one, two))
            edits = [
                Move(e.id, end, b if at == a else a)
                for e in built.netlist.elements
                if e.id.partition(".")[0] in spec.wires
                for end, at in (("plus", e.plus), ("minus", e.minus))
                if at in (a, b)
            ]
            title = f"in the cavity of {spec.parts[two].title}, the two crossed"
            if edits:
                yield _fault(built, one, "swapped", two, title, edits, SWAPPED / max(1, len(ways) - 1))


def _elements(built: Build, part: str) -> list[Element]:
    return [e for e in built.netlist.elements if e.id.partition(".")[0] == part]


def _left_off(built: Build, have: set[tuple[str, str]]) -> Iterator[Fault]:
    for wire in built.spec.wires:
        if not {(wire, "left_off"), (wire, "off"), (wire, "broken")} & have:
            edits = [Open(e) for e in built.ways[wire]]
            yield _fault(built, wire, "left_off", "", "never joined", edits, LEFT_OFF)


def _pinched(built: Build, have: set[tuple[str, str]]) -> Iterator[Fault]:
    """A wire pinched to the frame, where the knowledge has no chafe for it."""
    spec = built.spec
    frame = node_of_point(spec, spec.body["frame"])
    for wire in spec.wires.values():
        at = spec.nodes[wire.end]
        if (wire.id, "chafed") in have or at == frame:
            continue
        pinch = Element(f"{wire.id}.#pinched", "resistor", at, frame, {"resistance": PINCHED_OHMS})
        yield _fault(built, wire.id, "pinched", "", "pinched to the frame", [Add(pinch)], PINCHED)


def _on_paint(built: Build) -> Iterator[Fault]:
    """Ground joints, straps and cables screwed on paint: ohms, where use makes milliohms."""
    spec = built.spec
    for part in spec.parts.values():
        if spec.kinds[part.kind].word == "ground":
            for ohms in PAINT_OHMS:
                edits = [
                    Change(e.id, "resistance", e.values["resistance"] + ohms)
                    for e in _elements(built, part.id)
                ]
                title = f"screwed on paint: about {ohms:g} ohm"
                yield _fault(
                    built, part.id, "on_paint", f"{ohms:g}ohm", title, edits, PAINTED / len(PAINT_OHMS)
                )


def _battery(built: Build) -> Iterator[Fault]:
    """The clamps on the wrong posts."""
    spec = built.spec
    if not spec.has_battery:
        return
    plus, minus = (spec.body[f"battery_{x}"] for x in ("plus", "minus"))
    part = plus.partition(".")[0]
    nodes = {spec.nodes[plus]: spec.nodes[minus], spec.nodes[minus]: spec.nodes[plus]}
    edits = [
        Move(e.id, end, nodes[at])
        for e in _elements(built, part)
        for end, at in (("plus", e.plus), ("minus", e.minus))
        if at in nodes
    ]
    yield _fault(built, part, "turned", "", "its leads on the wrong posts", edits, MOVED)
