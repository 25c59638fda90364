"""The loom as a graph to be drawn: every element of the netlist, and how willingly a current takes it.

Sees the built bike and one condition; solves nothing. Lengths make a path keep to copper and closed contacts,
then to open contacts, and go through a consumer only where there is no other way.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import networkx as nx

from diagnose.bike.build import Build
from diagnose.bike.model import Condition
from diagnose.bike.way import INSULATION, made_in
from diagnose.circuit.netlist import Device, Element
from diagnose.errors import UsageError, unknown

COPPER_LENGTH, DIODE_LENGTH, OPEN_LENGTH, LOAD_LENGTH = 1.0, 20.0, 100.0, 1000.0
COPPER_OHMS = 0.6  # ohm; a resistor up to here is a wire, a joint or a heater strip, not a consumer
INNER = "#"  # in the name of a node inside a part
DRIVEN_AT_MOST = 6  # relays that feed relays; more than any bike has
FRAME = ("frame", "engine")  # roles of a bike's body that are metal of its own
CORE_WORDS = ("ground", "body")  # words of the parts that join the frame to the battery
LAID_WORDS = (*CORE_WORDS, "wire", "connector")  # and of those that may stand in place of a ground lead
COIL_OF = ("relay",)  # laws of devices whose `coil` elements are consumers


@dataclass(frozen=True, slots=True, eq=False)
class Loom:
    """graph: multigraph of nodes, one edge an element with `part`, `length`, `is_open`, `is_load`.

    plus, minus  nodes of the battery's posts; earth: the one that the frame is joined to, live: the other;
           without a battery the engine, and the winding that feeds the lamps
    core   nodes of the frame, the engine and their joints, as far as that post
    named  element of the netlist -> the edge that stands for it (two in series inside a part are one)
    """

    built: Build
    graph: nx.MultiGraph
    core: frozenset[str]
    plus: str
    minus: str
    live: str
    earth: str
    named: Mapping[str, str]

    def ends(self, edge: str) -> tuple[str, str]:
        """Nodes of an edge, the one at its element's plus end first."""
        u, v = next((u, v) for u, v, k in self.graph.edges(keys=True) if k == edge)
        first = self.built.elements[edge].plus
        return (v, u) if v == first else (u, v)

    def of_part(self, part: str) -> tuple[str, ...]:
        """Elements of a part that are in the graph."""
        return tuple(k for _, _, k, p in self.graph.edges(keys=True, data="part") if p == part)

    def path(self, start: str, end: str, avoid: Iterable[str] = ()) -> tuple[str, ...]:
        """Elements of the shortest way between two nodes; () if there is none.

        avoid  parts that it must not pass
        """
        without = set(avoid)
        seen = self.graph
        if without:
            around = [(u, v, k) for u, v, k, p in seen.edges(keys=True, data="part") if p in without]
            seen = seen.copy()
            seen.remove_edges_from(around)
        if start not in seen or end not in seen or not nx.has_path(seen, start, end):
            return ()
        nodes = nx.shortest_path(seen, start, end, weight=_by_current)
        return tuple(min(seen[u][v], key=lambda k: (_passed(seen[u][v][k]), k)) for u, v in pairwise(nodes))

    def copper(self) -> nx.MultiGraph:
        """The graph without its consumers and diodes."""
        found = nx.MultiGraph()
        found.add_nodes_from(self.graph)
        found.add_edges_from(
            (u, v, k, d) for u, v, k, d in self.graph.edges(keys=True, data=True) if not d["is_load"]
        )
        return found


def _passed(edge: Mapping[str, float]) -> float:
    """How willingly a current that looks for its way takes an edge: a diode rather than an open contact."""
    return DIODE_LENGTH if edge["is_diode"] else edge["length"]


def _by_current(u: str, v: str, edges: Mapping[str, Mapping[str, float]]) -> float:
    return min(_passed(d) for d in edges.values())


def _shortest(u: str, v: str, edges: dict[str, dict[str, float]]) -> float:
    return min(d["length"] for d in edges.values())


def _best(graph: nx.MultiGraph, u: str, v: str) -> str:
    edges = graph[u][v]
    return str(min(edges, key=lambda k: (edges[k]["length"], k)))


def draw_loom(built: Build, condition: Condition) -> Loom:
    """The graph of a bike in one condition.

    raises  UsageError for a control that the bike does not have
    """
    spec = built.spec
    for control, _ in condition.controls:
        if control not in spec.controls:
            raise UsageError(unknown("control", control, spec.controls))
    closed, gone = made_in(built, condition)
    battery = spec.live_post.partition(".")[0]
    words = {p: spec.kinds[spec.parts[p].kind].word for p in spec.parts}
    coils = {c for d in built.netlist.devices if d.law in COIL_OF for c in d.roles.get("coil", ())}
    graph = nx.MultiGraph()
    drawn = [
        e
        for e in built.netlist.elements
        if e.plus != e.minus and not (words[part_of(e)] == "battery" and part_of(e) == battery)
    ]
    conducting = [e for e in drawn if e.values.get("resistance", 0.0) < INSULATION]
    ends = Counter(n for e in conducting for n in (e.plus, e.minus))
    leading = {part_of(e) for e in conducting}
    for e in drawn:
        part = part_of(e)
        # what only insulates is left out, but for the gap of a spark plug and the foil of a condenser
        insulates = e.values.get("resistance", 0.0) >= INSULATION and part in leading
        if insulates and not any(INNER in n and ends[n] == 1 for n in (e.plus, e.minus)):
            continue
        is_open = e.id in gone or closed.get(e.id, 1.0) < 0.5
        is_load = e.id in coils or not _is_copper(e)
        length = LOAD_LENGTH if is_load else COPPER_LENGTH
        graph.add_edge(
            e.plus, e.minus, key=e.id, part=part, is_open=is_open, is_load=is_load,
            is_diode=e.law == "diode",
            length=length + (OPEN_LENGTH if is_open else 0.0),
        )  # fmt: skip
    named = _in_series(graph)
    live, earth = _feeding(built), spec.nodes[spec.ground_post]
    plus, minus = (live, earth) if spec.ground == "minus" else (earth, live)
    graph.add_nodes_from((plus, minus))
    frame = [spec.nodes[spec.body[r]] for r in FRAME if r in spec.body]
    core = _core(graph, words, earth, frame) - {live}
    loom = Loom(built, graph, core, plus, minus, live, earth, named)
    _drive(loom)
    return loom


def _feeding(built: Build) -> str:
    """Node that feeds the bike: the battery's live post, else the winding for lamps, else any winding."""
    if built.spec.has_battery:
        return built.spec.nodes[built.spec.live_post]
    first = next(iter((*built.reactances, *built.windings)), "")
    return built.elements[first].plus if first else built.spec.nodes[built.spec.ground_post]


def _core(graph: nx.MultiGraph, words: Mapping[str, str], earth: str, frame: Sequence[str]) -> frozenset[str]:
    """Nodes that ground parts join to the grounded post of the battery, to the frame or to the engine.

    The wires between post and frame belong to it where a bike has wires there in place of ground leads.
    """
    ground, laid = nx.Graph(), nx.Graph()
    for net in (ground, laid):
        net.add_nodes_from((earth, *frame))
    for u, v, part in graph.edges(data="part"):
        if words[part] in CORE_WORDS:
            ground.add_edge(u, v)
        if words[part] in LAID_WORDS:
            laid.add_edge(u, v)
    found = set(nx.node_connected_component(ground, earth))
    for node in frame:
        if nx.has_path(laid, earth, node):
            found |= {*nx.shortest_path(laid, earth, node), *nx.node_connected_component(ground, node)}
    return frozenset(found)


def _in_series(graph: nx.MultiGraph) -> dict[str, str]:
    """Make one edge of two that meet in an inner node of their part where nothing else is."""
    named = {k: k for _, _, k in graph.edges(keys=True)}
    for node in [n for n in graph if INNER in n]:
        around = [(u, k, d) for _, u, k, d in graph.edges(node, keys=True, data=True)]
        if len(around) != 2 or around[0][2]["part"] != around[1][2]["part"] or around[0][0] == around[1][0]:
            continue
        (u, one, a), (v, other, b) = sorted(around, key=lambda e: (not e[2]["is_load"], e[1]))
        both = {key: a[key] or b[key] for key in ("is_open", "is_load", "is_diode")}
        graph.remove_node(node)
        graph.add_edge(u, v, key=one, part=a["part"], length=a["length"] + b["length"], **both)
        named |= {k: one for k, standing in named.items() if standing == other}
    return named


def _drive(loom: Loom) -> None:
    """Set the contacts of relays and the outputs of modules as the condition drives them."""
    edges = {k: d for _, _, k, d in loom.graph.edges(keys=True, data=True)}
    for _ in range(DRIVEN_AT_MOST):
        changed = False
        for device in loom.built.netlist.devices:
            roles = device.roles
            driven = _is_driven(loom, device)
            for contacts, is_open in (("no", not driven), ("nc", driven), ("output", not driven)):
                for contact in roles.get(contacts, ()):
                    data = edges.get(loom.named.get(contact, ""))
                    if data is not None and data["is_open"] != is_open:
                        data["length"] += OPEN_LENGTH if is_open else -OPEN_LENGTH
                        data["is_open"] = is_open
                        changed = True
        if not changed:
            return


def _is_driven(loom: Loom, device: Device) -> bool:
    """Whether every contact on the way that feeds a coil, or a module and its input, is closed."""
    roles = device.roles
    ways: list[tuple[str, ...]] = []
    for coil in roles.get("coil", ()):
        plus, minus = loom.ends(loom.named[coil])
        ways += [loom.path(loom.plus, plus), loom.path(minus, loom.minus)]
    for supply, end in (("supply_plus_node", loom.plus), ("supply_minus_node", loom.minus)):
        ways += [loom.path(node, end) for node in roles.get(supply, ())]
    part = device.id.partition(".")[0]
    ways += [loom.path(node, loom.minus, avoid=(part,)) for node in roles.get("input_node", ())]
    states = {k: d["is_open"] for _, _, k, d in loom.graph.edges(keys=True, data=True)}
    return bool(ways) and all(way and not any(states[k] for k in way) for way in ways)


def part_of(e: Element) -> str:
    """The part that an element belongs to."""
    return e.id.partition(".")[0]


def _is_copper(e: Element) -> bool:
    if e.law in ("contact", "fuse"):
        return True
    return e.law == "resistor" and e.values.get("resistance", 0.0) <= COPPER_OHMS


def region(loom: Loom, parts: Sequence[str]) -> frozenset[str]:
    """Elements of some parts, and the ways of copper that join those parts, feed them and ground them."""
    spec = loom.built.spec
    found: set[str] = set()
    copper = loom.copper()
    ends: list[str] = []
    for part in dict.fromkeys(parts):
        found.update(loom.of_part(part))
        kind = spec.kinds[spec.parts[part].kind]
        ends += [spec.nodes[f"{part}.{t}"] for t in kind.terminals if f"{part}.{t}" in spec.nodes]
    ends = list(dict.fromkeys(ends))
    for i, node in enumerate(ends):
        reached = nx.single_source_dijkstra_path(copper, node, weight=_shortest)
        others = [n for n in (*ends[i + 1 :], loom.plus, loom.minus) if n in reached and n != node]
        for other in others:
            found.update(_best(copper, u, v) for u, v in pairwise(reached[other]))
    return frozenset(found)
