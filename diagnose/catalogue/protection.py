"""Which fuse guards which wire, and whether it does: a wire must stand what its fuse lets through for good.

First arrow of the flow: structure only, nothing is solved.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import networkx as nx

from diagnose.catalogue.model import Kind
from diagnose.catalogue.spec import BikeSpec

# mm2 -> A that a single thin-walled wire stands for good (loom practice, from memory)
STANDS = {0.35: 8.0, 0.5: 11.0, 0.75: 14.0, 1.0: 16.5, 1.5: 21.0, 2.0: 25.0, 2.5: 29.0, 3.0: 32.0, 4.0: 39.0}
AMPERES_PER_MM2 = 8.0
LET_OVER = 1.1  # a fuse of 15 A behind 0.75 mm2 is what every loom has; twice as much burns the wire
PASS_ON = ("connector", "switch", "relay", "flasher")  # words of parts that let the fuse's whole current on
CONTACTS = ("contact", "resistor")  # their elements that do
JOINT_OHMS_MOST = 0.3  # a resistor of more limits the current by itself


@dataclass(frozen=True, slots=True)
class Unguarded:
    """A wire that burns before its fuse blows. stands: what it carries for good, rating: of the fuse [A]."""

    wire: str
    fuse: str
    area_mm2: float
    stands: float
    rating: float


def stands(area_mm2: float) -> float:
    """Amperes that a wire of this area carries for good: of the nearest size that is no thicker."""
    sizes = [a for a in STANDS if a <= area_mm2 + 1e-9]
    if not sizes:
        return area_mm2 * AMPERES_PER_MM2 * 2.0
    return max(STANDS[max(sizes)], area_mm2 * AMPERES_PER_MM2)


def hazard(spec: BikeSpec, found: Unguarded) -> str:
    """One sentence: what is too thin behind what, and what to do."""
    wire, fuse = spec.parts[found.wire].title, spec.parts[found.fuse].title
    return (
        f"{wire} ({found.wire}): {found.area_mm2:g} mm2 stands some {found.stands:g} A, "
        f"{fuse} ({found.fuse}) lets {found.rating:g} A through: a chafe burns the wire first; "
        "fit a smaller fuse or a thicker wire"
    )


def unguarded(spec: BikeSpec) -> list[Unguarded]:
    """Wires thinner than the fuse before them lets through, as far as the next fuse or a consumer."""
    joined = nx.MultiGraph()
    for a, b, wire in _ways(spec):
        joined.add_edge(a, b, wire=wire)
    out: dict[str, Unguarded] = {}
    for part in spec.parts.values():
        kind = spec.kinds[part.kind]
        if kind.word != "fuse":
            continue
        rating = part.values.get("link.rating", kind.values.get("link.rating"))
        if rating is None:
            continue
        first, second = (spec.nodes[f"{part.id}.{t}"] for t in kind.terminals[:2])
        for wire in _behind(joined, second, {first, *_posts(spec)}):
            area = spec.wires[wire].area_mm2
            if rating.number > stands(area) * LET_OVER:
                known = out.get(wire)
                if known is None or known.rating < rating.number:
                    out[wire] = Unguarded(wire, part.id, area, stands(area), rating.number)
    return list(out.values())


def _posts(spec: BikeSpec) -> set[str]:
    return {
        spec.nodes[spec.body[p]]
        for p in ("battery_plus", "battery_minus", "frame", "engine")
        if p in spec.body
    }


def _ways(spec: BikeSpec) -> Iterator[tuple[str, str, str]]:
    """(node, node, wire or '') of everything that lets a fuse's whole current on."""
    for part in spec.parts.values():
        kind = spec.kinds[part.kind]
        if part.id in spec.wires:
            wire = spec.wires[part.id]
            yield spec.nodes[wire.start], spec.nodes[wire.end], part.id
        elif kind.word in PASS_ON:
            for a, b in _contacts(kind):
                yield spec.nodes[f"{part.id}.{a}"], spec.nodes[f"{part.id}.{b}"], ""


def _contacts(kind: Kind) -> Iterator[tuple[str, str]]:
    for e in kind.elements:
        ohms = kind.values.get(f"{e.name}.resistance")
        few = ohms is not None and ohms.number <= JOINT_OHMS_MOST
        if e.law in CONTACTS and few and e.plus in kind.terminals and e.minus in kind.terminals:
            yield e.plus, e.minus


def _behind(joined: nx.MultiGraph, start: str, stop: set[str]) -> set[str]:
    """Wires reached from a node without passing those where it stops."""
    seen, todo, wires = {start, *stop}, [start], set()
    while todo:
        here = todo.pop()
        for _, there, wire in joined.edges(here, data="wire") if here in joined else ():
            if there in stop:
                continue
            if wire:
                wires.add(wire)
            if there not in seen:
                seen.add(there)
                todo.append(there)
    return wires
