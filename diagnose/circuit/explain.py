"""Why a point floats or a circuit has no solution, in physical words.

networkx is loaded only here, and only when asked.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.circuit.layout import Compiled
from diagnose.circuit.point import PATH_SIEMENS, point_of
from diagnose.circuit.solve import Solution
from diagnose.errors import SingularCircuit

if TYPE_CHECKING:
    import networkx

# So many opens are named at most; more would not help anyone.
NAMED_OPENS = 3


def why_floating(solution: Solution, column: int, node: str) -> str:
    """One sentence: 'no path from dash.feed to ground: open at acc_fuse, w12'; '' if it does not float.

    The opens named are those on the way that crosses the fewest of them.
    Raises CircuitError for an unknown node.
    """
    import networkx as nx

    row, own_ground = solution.row(node), solution.compiled.layout.ground
    graph, labels, ground = _graph(solution, column)
    row = ground if row == own_ground else row
    joined = nx.Graph((a, b) for a, b, data in graph.edges(data=True) if data["weight"] == 0.0)
    joined.add_nodes_from([row, ground])
    if nx.has_path(joined, row, ground):
        return ""
    start = f"no path from {node} to ground"
    if row not in graph or not nx.has_path(graph, row, ground):
        return f"{start}: nothing leads there"
    way = nx.shortest_path(graph, row, ground, weight="weight")
    opens = [
        labels[graph.edges[a, b]["element"]]
        for a, b in itertools.pairwise(way)
        if graph.edges[a, b]["weight"] > 0.0
    ]
    more = "" if len(opens) <= NAMED_OPENS else f" and {len(opens) - NAMED_OPENS} more"
    return f"{start}: open at {', '.join(opens[:NAMED_OPENS])}{more}"


def reasons_floating(solution: Solution, column: int, nodes: Sequence[str] = ()) -> tuple[str, ...]:
    """Sentences for every floating node of a case, or for the floating ones among `nodes`."""
    floating = solution.floating[:, column]
    wanted = nodes or solution.nodes
    return tuple(why_floating(solution, column, n) for n in wanted if floating[solution.row(n)])


def why_not_converged(solution: Solution, column: int) -> str:
    """One sentence about a case without an operating point, '' if it has one."""
    if solution.converged[column]:
        return ""
    known = solution.compiled.layout
    stiff = [
        (abs(e.values.get("emf", 0.0)) / max(e.values["resistance"], 1e-4), e.id)
        for e in known.elements
        if e.law == "source"
    ]
    worst = max(stiff, default=(0.0, ""))
    about = f"; the stiffest source is {worst[1]} ({worst[0]:.3g} A into a short)" if worst[1] else ""
    return f"no operating point found: two sources joined without resistance, or values out of range{about}"


def require_paths(compiled: Compiled, solution: Solution, column: int, nodes: Sequence[str]) -> None:
    """Raise SingularCircuit, with reasons, when any of these nodes has no path to ground in this case."""
    floating = solution.floating[:, column]
    lost = [n for n in nodes if floating[solution.row(n)]]
    if lost:
        raise SingularCircuit(lost, (why_floating(solution, column, n) for n in lost))


def _graph(solution: Solution, column: int) -> tuple[networkx.Graph[Any], dict[int, str], int]:
    """Nodes joined by elements (weight 1 where open, else 0), names of these, ground."""
    import networkx as nx

    part, here = solution.part_at(column)
    point, layout = point_of(part), part.sheet.layout
    graph = nx.Graph()
    labels: dict[int, str] = {}
    through = point.inside[:, here] & (
        (point.g[:, here] > PATH_SIEMENS) | (np.abs(point.current[:, here]) > PATH_SIEMENS)
    )
    for number, element in enumerate(layout.elements):
        a, b = part.sheet.ends(number, here)
        weight = 0.0 if through[number] else 1.0
        labels[number] = element.id
        if a != b and (not graph.has_edge(a, b) or graph.edges[a, b]["weight"] > weight):
            graph.add_edge(a, b, weight=weight, element=number)
    return graph, labels, layout.ground
