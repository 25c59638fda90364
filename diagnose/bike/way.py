"""The way of the current along the loom between two points: which parts it passes, in order.

Third arrow of the flow (composed bike -> acts). For drawings: copper before loads, closed switches before
open ones; solves nothing. networkx takes a third of a second to load, so only whoever asks for a drawing
waits for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from diagnose.bike.build import Build, condition_edits, node_of_point
from diagnose.bike.model import Condition
from diagnose.circuit.netlist import Change, Open

if TYPE_CHECKING:
    import networkx as nx

COPPER = (
    "wire",
    "connector",
    "ground",
    "fuse",
    "switch",
    "relay",
    "body",
)  # words of parts
THROUGH_LOAD, OPEN_CONTACT, PARTED = 20.0, 100.0, 400.0  # detours rather than these (lengths of the search)
INSULATION = 1e5  # ohm; from here on an element is no way for a current


@dataclass(frozen=True, slots=True)
class Stretch:
    """One part that the current passes. colour: of a wire, in letters; '' for anything else."""

    part: str
    colour: str = ""


def way(built: Build, points: Sequence[str], condition: Condition) -> tuple[tuple[Stretch, ...], ...]:
    """Parts between each test point and the next, each part once, in the order of the current.

    points   `component.terminal`, two or more; no later stretch goes back over an earlier one
    returns  one tuple for each gap between two points; () where nothing joins them
    """
    roads = _roads(built, condition)
    nodes = [node_of_point(built.spec, p) for p in points]
    found = []
    for a, b in pairwise(nodes):
        passed = _shortest(roads, a, b)
        found.append(tuple(Stretch(p, _colour(built, p)) for p in _parts(roads, passed)))
        roads = roads.subgraph([n for n in roads if n not in passed[:-1]])
    return tuple(found)


def _colour(built: Build, part: str) -> str:
    wire = built.spec.wires.get(part)
    return wire.colour if wire else ""


def _parts(roads: nx.Graph, nodes: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(roads.edges[u, v]["part"] for u, v in pairwise(nodes)))


def made_in(built: Build, condition: Condition) -> tuple[Mapping[str, float], frozenset[str]]:
    """What a condition does to the copper: how far each element makes [0..1], and the elements undone."""
    closed = {e.id: e.values.get("closed", 1.0) for e in built.netlist.elements}
    gone = set()
    for edit in condition_edits(built, condition):
        if isinstance(edit, Change) and edit.param == "closed":
            closed[edit.target] = edit.value
        elif isinstance(edit, Open):
            gone.add(edit.element)
    return closed, frozenset(gone)


def _roads(built: Build, condition: Condition) -> nx.Graph:
    import networkx as nx

    spec = built.spec
    closed, gone = made_in(built, condition)
    roads = nx.Graph()
    for e in built.netlist.elements:
        part = e.id.partition(".")[0]
        if e.id in built.batteries or e.values.get("resistance", 0.0) >= INSULATION or e.plus == e.minus:
            continue
        length = 1.0 if spec.kinds[spec.parts[part].kind].word in COPPER else THROUGH_LOAD
        if closed.get(e.id, 1.0) < 0.5:
            length += OPEN_CONTACT
        if e.id in gone:
            length += PARTED
        known = roads.get_edge_data(e.plus, e.minus)
        if known is None or known["length"] > length:
            roads.add_edge(e.plus, e.minus, length=length, part=part)
    return roads


def _shortest(roads: nx.Graph, a: str, b: str) -> list[str]:
    import networkx as nx

    if a == b or a not in roads or b not in roads or not nx.has_path(roads, a, b):
        return []
    return list(nx.shortest_path(roads, a, b, weight="length"))
