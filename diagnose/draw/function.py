"""What one function's current passes: from the plus post to what works, back to the minus post, and what
commands it on the way (the coil of a relay, the input of a module).

Sees the graph to be drawn and the bike's functions; solves nothing.
"""

from __future__ import annotations

import networkx as nx

from diagnose.catalogue.model import Function
from diagnose.draw.loom import Loom, region

HEADS = ("coil", "ignition", "plug")  # words of the parts that make a spark


def function_elements(loom: Loom, function: Function) -> frozenset[str]:
    """Elements that a function's current passes in the condition of the graph."""
    found: set[str] = set()
    for element in function.elements:
        found |= _supplied(loom, loom.named[element])
    todo, done = set(found), set()
    while todo:
        element = todo.pop()
        done.add(element)
        more = _commands(loom, element) - found
        found |= more
        todo |= more - done
    if function.needs:
        found |= region(loom, _needed(loom, function))
    return frozenset(found)


def _supplied(loom: Loom, element: str) -> set[str]:
    """A consumer with its way from the plus post and its way to the minus post."""
    plus, minus = loom.ends(element)
    to_plus, to_minus = loom.path(loom.plus, plus), loom.path(minus, loom.minus)
    if element in to_plus or element in to_minus:
        to_plus, to_minus = loom.path(loom.plus, minus), loom.path(plus, loom.minus)
    return {element, *to_plus, *to_minus}


def _commands(loom: Loom, element: str) -> set[str]:
    """What makes a contact close: its relay's coil with its own supply, or the wire to its module's input."""
    built, found = loom.built, set()
    for device in built.netlist.devices:
        roles = device.roles
        if element in {loom.named.get(c) for c in (*roles.get("no", ()), *roles.get("nc", ()))}:
            for coil in roles.get("coil", ()):
                found |= _supplied(loom, loom.named[coil])
        if element in {loom.named.get(c) for c in roles.get("output", ())}:
            part = element.partition(".")[0]
            for node in roles.get("input_node", ()):
                pulls = [e for e in loom.of_part(part) if node in loom.ends(e)]
                found |= {*pulls, *loom.path(node, loom.minus, avoid=(part,))}
    return found


def _needed(loom: Loom, function: Function) -> list[str]:
    """Parts that the needs of a function speak of; for a spark all that make one."""
    spec = loom.built.spec
    named = [p.partition(".")[0] for n in function.needs for p in (n.plus, n.minus)]
    if function.kind == "spark":
        named += [p.id for p in spec.parts.values() if spec.kinds[p.kind].word in HEADS]
    copper = loom.copper()
    for need in function.needs:
        node = spec.nodes.get(need.plus, "")
        if need.quantity != "ac_volts" or node in loom.core or node not in copper:
            continue
        joined = nx.node_connected_component(copper, node)
        named += [w.partition(".")[0] for w in loom.built.windings if joined & {*loom.ends(loom.named[w])}]
    return [p for p in dict.fromkeys(named) if p in spec.parts]
