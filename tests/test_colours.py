"""Colours of the looms: each colour means one thing on one bike, as its owner would expect (common practice).

What a colour carries goes on through plugs, splices and fuses. The wires of a stator are alike by design; a
starter's cable is told by its thickness, whatever its colour.
"""

from __future__ import annotations

import itertools
from collections import defaultdict

import networkx as nx
import pytest
from shipped import opened

from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.spec import BikeSpec

CARRIES_ON = {"connector", "fuse", "ground", "body"}  # words of parts that a colour passes
ALIKE = ("stator_", "motor_cable")
# one feed behind the key, on both sides of another colour: clocks and horn, key and coils
ONE_FAMILY = {
    "custom_single": {"OG/BK"},  # both brake switches, each off the accessory fuse
    "custom_single_led": {"OG/BK"},
    "trail_single": {"GN/YE"},
    "points_single_half_wave": {"GN/YE"},
    "commuter_single": {"GN/YE"},
    "tourer_relays": {"GN/YE"},
}


def meanings(spec: BikeSpec) -> dict[str, list[set[str]]]:
    """Colour -> groups of wires that hang together by wires of it, plugs, splices, fuses and grounds."""
    out = {}
    by_colour = defaultdict(list)
    for wire in spec.wires.values():
        by_colour[wire.colour].append(wire)
    for colour, wires in by_colour.items():
        net = nx.Graph()
        for part in spec.parts.values():
            if part.id not in spec.wires and spec.kinds[part.kind].word in CARRIES_ON:
                ends = [spec.nodes[f"{part.id}.{t}"] for t in spec.kinds[part.kind].terminals]
                net.add_edges_from(itertools.pairwise(ends))
        for wire in wires:
            net.add_edge(spec.nodes[wire.start], spec.nodes[wire.end])
        groups: dict[frozenset[str], set[str]] = defaultdict(set)
        for wire in wires:
            groups[frozenset(nx.node_connected_component(net, spec.nodes[wire.start]))].add(wire.id)
        out[colour] = list(groups.values())
    return out


@pytest.mark.parametrize("bike", sorted(opened().library.bike_files))
def test_a_colour_means_one_thing_on_a_bike(bike: str) -> None:
    spec = compose_bike(opened().library, bike)
    for colour, groups in meanings(spec).items():
        alike = [g for g in groups if all(w.startswith(ALIKE) for w in g)]
        others = [g for g in groups if g not in alike]
        of_one = colour in ONE_FAMILY.get(bike, ())
        assert len(others) <= 1 or of_one, f"{colour} on {bike}: {others}"
        assert not any(w.startswith("stator_") for g in alike for w in g) or not others, f"{colour} on {bike}"
