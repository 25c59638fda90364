"""Which parts of a loom are one piece of copper, and where each such net is best touched.

A net is what wires, closed plugs, splices and ground joints join; switches, relays, fuses and consumers
part nets. Walks the bike's own drawing; solves nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from diagnose.bike.build import Build, last_lead, node_of_point
from diagnose.bike.points import touchable

CONDUCTING = ("wire", "connector", "ground")


@dataclass(frozen=True, slots=True, eq=False)
class Loom:
    """The loom with some plugs apart.

    net_of  node -> net, named after its first node
    nodes   net -> its nodes
    parts   net -> parts whose elements lie in it or end at it
    ground  net of the frame
    lead    test point where the black tip stays: the loose end of the battery's last lead;
            without a battery the engine
    apart   plugs and units that are apart
    best    node -> test point by which it is touched
    """

    built: Build
    net_of: Mapping[str, str]
    nodes: Mapping[str, tuple[str, ...]]
    parts: Mapping[str, frozenset[str]]
    ground: str
    lead: str
    apart: tuple[str, ...]
    best: Mapping[str, str]

    def net(self, point: str) -> str:
        """Net of a test point."""
        return self.net_of[node_of_point(self.built.spec, point)]


def units(built: Build) -> tuple[str, ...]:
    """Electronic units, which wrong volts would burn: unplugged until their plugs are proved."""
    spec = built.spec
    return tuple(p.id for p in spec.parts.values() if spec.kinds[p.kind].sensitive)


def plugs_of(built: Build, unit: str) -> tuple[str, ...]:
    """What is pulled to take a unit out: its plugs, and the unit itself where pins have no plug drawn."""
    spec = built.spec
    pins = {spec.nodes[f"{unit}.{t}"]: t for t in spec.kinds[spec.parts[unit].kind].terminals}
    plugs: dict[str, None] = {}
    plugged: set[str] = set()
    for connector, ways in spec.connectors.items():
        for way in ways:
            for t in spec.kinds[spec.parts[way].kind].terminals:
                at = spec.nodes[f"{way}.{t}"]
                if at in pins:
                    plugs.setdefault(connector)
                    plugged.add(at)
    if set(pins) - plugged:
        plugs.setdefault(unit)
    return tuple(plugs)


def pins_of(built: Build, unit: str) -> dict[str, str]:
    """terminal of a unit -> the test point on the loom's side of its plug (or the wire's own end)."""
    spec = built.spec
    out: dict[str, str] = {}
    for terminal in spec.kinds[spec.parts[unit].kind].terminals:
        pin = spec.nodes[f"{unit}.{terminal}"]
        out[terminal] = f"{unit}.{terminal}"
        for ways in spec.connectors.values():
            for way in ways:
                first, second = (f"{way}.{t}" for t in spec.kinds[spec.parts[way].kind].terminals[:2])
                if spec.nodes[second] == pin:
                    out[terminal] = first
                elif spec.nodes[first] == pin:
                    out[terminal] = second
    return out


def loom_of(built: Build, apart: tuple[str, ...]) -> Loom:
    """The nets of a bike with these plugs and units apart."""
    spec = built.spec
    opened = {e for a in apart for e in built.ways[a]}
    parent: dict[str, str] = {}

    def root(at: str) -> str:
        while parent.setdefault(at, at) != at:
            parent[at] = parent[parent[at]]
            at = parent[at]
        return at

    for at in spec.nodes.values():
        root(at)
    for e in built.netlist.elements:
        part = e.id.partition(".")[0]
        if e.id in opened or spec.kinds[spec.parts[part].kind].word not in CONDUCTING:
            continue
        if e.law in ("resistor", "contact") and e.id not in built.contacts:
            parent[root(e.plus)] = root(e.minus)
    nodes: dict[str, list[str]] = {}
    for at in dict.fromkeys(spec.nodes.values()):
        nodes.setdefault(root(at), []).append(at)
    net_of = {at: found[0] for found in nodes.values() for at in found}
    parts: dict[str, set[str]] = {}
    for point, at in spec.nodes.items():
        parts.setdefault(net_of[at], set()).add(point.partition(".")[0])
    lead = last_lead(spec)
    black = ground = spec.ground_post
    if lead and lead not in spec.wires:  # the clamp comes off the post: its own side is the black point
        ends = [f"{lead}.{t}" for t in spec.kinds[spec.parts[lead].kind].terminals[:2]]
        black = next(p for p in ends if spec.nodes[p] != spec.nodes[ground])
    frame = net_of[node_of_point(spec, spec.body["frame"])]
    return Loom(
        built,
        net_of,
        {found[0]: tuple(found) for found in nodes.values()},
        {net: frozenset(p) for net, p in parts.items()},
        frame,
        black,
        apart,
        _best(built, opened),
    )


def _best(built: Build, opened: set[str]) -> dict[str, str]:
    """node -> test point: the pin of an open plug first, else as touched in a job."""
    spec = built.spec
    best = dict(touchable(built))
    for element in sorted(opened):
        part = element.partition(".")[0]
        if spec.kinds[spec.parts[part].kind].word != "connector":
            continue
        for terminal in spec.kinds[spec.parts[part].kind].terminals:
            best[spec.nodes[f"{part}.{terminal}"]] = f"{part}.{terminal}"
    return best


def representative(loom: Loom, net: str) -> str:
    """The test point by which a net is touched: an open plug's pin, a fuse or relay, else what is near."""
    built, spec = loom.built, loom.built.spec
    open_parts = {e.partition(".")[0] for a in loom.apart for e in built.ways[a]}

    def rank(item: tuple[int, str]) -> tuple[int, float, int]:
        order, point = item
        part = point.partition(".")[0]
        word = spec.kinds[spec.parts[part].kind].word
        near = 0 if part in open_parts else 1 if word in ("fuse", "relay", "ground") else 2
        return (near, spec.places[spec.parts[part].place].access_min, order)

    points = [(i, loom.best[at]) for i, at in enumerate(loom.nodes[net]) if at in loom.best]
    # an open plug's far side belongs to the unit, which is not part of the loom's net
    return min(points, key=rank)[1] if points else ""


def loom_nets(loom: Loom) -> dict[str, str]:
    """net -> its test point, for every net but the ground's that has a wire and can be touched."""
    spec = loom.built.spec
    out: dict[str, str] = {}
    for net in loom.nodes:
        if net == loom.ground or not any(p in spec.wires for p in loom.parts[net]):
            continue
        point = representative(loom, net)
        if point:
            out[net] = point
    return out


def place_of(built: Build, point: str) -> str:
    """Place of a test point's part."""
    return built.spec.parts[point.partition(".")[0]].place
