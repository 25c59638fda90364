"""Which points hang on electronics: through wires and plugs, and which plug apart would free them.

Third arrow of the flow, words only: safety needs to know where a lamp, a jumper or an ohmmeter would push
current into a unit that is still plugged in. No circuit is solved here.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Mapping

from diagnose.catalogue.spec import BikeSpec

Wired = Mapping[str, tuple[tuple[str, tuple[str, ...]], ...]]

# terminals of a unit that carry supply or load current: touched directly they are the unit's own pins, but
# the wires that lead there feed other things too
POWER = frozenset(
    {"ground", "earth", "minus", "plus", "feed", "supply", "battery", "out", "ac1", "ac2", "ac3"}
)
COIL = frozenset({"coil"})
GROUND = frozenset({"ground", "earth", "minus"})


def wired_units(spec: BikeSpec) -> Wired:
    """Points joined to the pins of sensitive units.

    returns  point -> ((unit, plugs any of which, apart, cut the point off from it), ...); the plugs are
             empty where no plug of the drawing lies between. Ground pins of units are left out. Inputs,
             sensor and ignition wires are followed along wires and plug contacts; feeds, outputs and
             alternator phases count at the unit's own pins only.
    """
    points: dict[str, list[str]] = {}
    for point, node in spec.nodes.items():
        points.setdefault(node, []).append(point)
    joins: dict[str, list[tuple[str, str]]] = {}  # node -> (other node, plug between or '')
    ways = {way: plug for plug, members in spec.connectors.items() for way in members}
    for part in spec.parts.values():
        terminals = spec.kinds[part.kind].terminals
        if (part.id in spec.wires or part.id in ways) and len(terminals) >= 2:
            one, two = (spec.nodes[f"{part.id}.{t}"] for t in terminals[:2])
            plug = ways.get(part.id, "")
            joins.setdefault(one, []).append((two, plug))
            joins.setdefault(two, []).append((one, plug))
    found: dict[str, dict[str, tuple[str, ...]]] = {}
    for part in spec.parts.values():
        kind = spec.kinds[part.kind]
        if not kind.sensitive:
            continue
        discharge = kind.word == "ignition" and "cdi" in _tokens(part.id, part.title, kind.id, kind.title)
        for terminal in kind.terminals:
            if _tokens(terminal) & GROUND:
                continue
            power = GROUND if discharge else POWER | COIL if kind.word == "ignition" else POWER
            follow = not _tokens(terminal) & power
            pin = spec.nodes[f"{part.id}.{terminal}"]
            for node, plugs in _reached(pin, joins, follow).items():
                for point in points[node]:
                    # the nearest pin decides: fewest plugs between
                    known = found.setdefault(point, {}).get(part.id)
                    if known is None or len(plugs) < len(known):
                        found[point][part.id] = plugs
    return {point: tuple(sorted(units.items())) for point, units in found.items()}


def _reached(
    pin: str, joins: Mapping[str, list[tuple[str, str]]], follow: bool
) -> dict[str, tuple[str, ...]]:
    """Nodes joined to a pin -> plugs on the way there; for the pin's own node, the plug it sits in."""
    own = tuple(sorted({plug for _, plug in joins.get(pin, ()) if plug}))
    reached: dict[str, tuple[str, ...]] = {pin: own}
    if not follow:
        return reached
    waiting: deque[tuple[str, tuple[str, ...]]] = deque([(pin, ())])
    while waiting:
        node, plugs = waiting.popleft()
        for other, plug in joins.get(node, ()):
            if other not in reached:
                reached[other] = (*plugs, plug) if plug else plugs
                waiting.append((other, reached[other]))
    return reached


def _tokens(*texts: str) -> frozenset[str]:
    return frozenset(re.findall(r"[a-z0-9]+", " ".join(texts).lower()))
