"""Where a loom is read: the points to touch, and in which conditions each of them says most.

Third arrow of the flow (composed bike -> acts). Reads the loom and the sound bike in use; solves nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from diagnose.bike.build import Build, node_of_point
from diagnose.bike.currents import Service
from diagnose.bike.model import Condition

CONDITIONS_PER_POINT = 3
ONLY_FOLLOWS = 0.02  # [1] of its largest current: a node with no more has nothing of its own to say
LIT_AMPERES = 0.05  # from here on a node belongs to a lighting circuit (a small lamp draws 0.2 A)
CHARGING_AMPERES = 1.0  # from here on a wire that carries nothing at rest belongs to the charging path


def touchable(built: Build) -> dict[str, str]:
    """node -> the terminal by which it is best touched: bare, in the place with the least access."""
    best: dict[str, tuple[float, int, str]] = {}
    for order, (point, at) in enumerate(built.spec.nodes.items()):
        component = point.partition(".")[0]
        part = built.spec.parts[component]
        if component in built.spec.wires or not part.place:
            continue
        rank = (built.spec.places[part.place].access_min, order, point)
        if at not in best or rank < best[at]:
            best[at] = rank
    return {at: point for at, (_, _, point) in best.items()}


def high_tension_nodes(built: Build) -> set[str]:
    """Nodes that carry the spark: no live meter or lamp goes there, ohms with the battery off may."""
    spec = built.spec
    parts = spec.parts.values()
    return {spec.nodes[f"{p.id}.{t}"] for p in parts for t in spec.kinds[p.kind].high_tension}


def components_at(built: Build, point: str) -> tuple[str, ...]:
    """Parts, not wires, that meet in the node of a point."""
    at = node_of_point(built.spec, point)
    return tuple(
        dict.fromkeys(
            p.partition(".")[0]
            for p, n in built.spec.nodes.items()
            if n == at and p.partition(".")[0] not in built.spec.wires
        )
    )


def point_conditions(built: Build, service: Service, at: str, rows: Mapping[str, list[int]]) -> Iterable[int]:
    """Conditions in which a node says most: those in which its branches carry most current.

    The plainest condition in which it carries any is among them. A node that never carries current
    (a module input's far end, a dead pole) is read at key-on.
    """
    engine_off = [j for j, c in enumerate(service.conditions) if c.engine == "off" and c.controls]
    through = service.currents[rows[at]].max(axis=0) if rows.get(at) else np.zeros(len(service.conditions))
    at_rest = [j for j, c in enumerate(service.conditions) if not c.text]
    if at_rest and max(through[engine_off], default=0.0) < ONLY_FOLLOWS * through.max(initial=0.0):
        return at_rest  # it carries a running alternator's current, else it only follows the battery's post
    order = sorted(engine_off, key=lambda j: (-through[j], len(service.conditions[j].controls), j))
    chosen: list[int] = []
    for j in order:
        if len(chosen) >= CONDITIONS_PER_POINT:
            break
        if chosen and through[j] < max(0.05 * through[chosen[0]], 1e-4):
            break
        # a further condition earns its place only if it sends the current elsewhere
        similar = any(abs(through[j] - through[k]) < 0.02 * through[k] for k in chosen)
        if not similar:
            chosen.append(j)
    # and the plainest in which it carries anything: what fails there fails whatever else is switched on
    alive = [j for j in engine_off if through[j] > 1e-4]
    plain = min(alive, key=lambda j: (len(service.conditions[j].controls), j), default=None)
    return chosen if plain is None or plain in chosen else [*chosen, plain]


def lit_conditions(
    built: Build, service: Service, at: str, rows: Mapping[str, list[int]]
) -> Iterable[Condition]:
    """Running conditions with alternating current at a node: the plainest, and the one with most."""
    through = service.ac_currents[rows[at]].max(axis=0) if rows.get(at) else np.zeros(len(service.conditions))
    alive = [j for j in range(len(service.conditions)) if through[j] > LIT_AMPERES]
    if not alive:
        return ()
    plain = min(alive, key=lambda j: (len(service.conditions[j].controls), j))
    most = max(alive, key=lambda j: (through[j], -j))
    return [service.conditions[j] for j in dict.fromkeys((plain, most))]


def charging_path(
    built: Build, service: Service, points: Mapping[str, str], rows: Mapping[str, list[int]]
) -> Iterable[tuple[str, Condition, str]]:
    """Points whose current flows only with the engine running, where to read them, and the post they feed.

    What they lose is read against the post itself: next to it the post's own volts do not matter.
    """
    spec = built.spec
    live, ground = spec.live_post, spec.ground_post
    running = [j for j, c in enumerate(service.conditions) if c.engine not in ("off", "cranking")]
    standing = [j for j, c in enumerate(service.conditions) if c.engine == "off"]
    if not running or not live:
        return
    reference = {node_of_point(spec, live), node_of_point(spec, ground)}
    for at, point in points.items():
        if at in reference or not rows.get(at) or at not in service.nodes:
            continue
        through = service.currents[rows[at]].max(axis=0)
        j = max(running, key=lambda k: (through[k], -k))
        if through[j] < CHARGING_AMPERES or through[standing].max(initial=0.0) > 0.2 * through[j]:
            continue
        volts = service.volts[[service.nodes[at], service.nodes[node_of_point(spec, live)]], j]
        near_live = abs(volts[0] - volts[1]) < abs(volts[0])
        yield point, replace(service.conditions[j], engine="5000"), live if near_live else ground
