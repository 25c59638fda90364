"""Which points hang on electronics, on the shipped single with a CDI; checked against its drawing."""

from __future__ import annotations

from pathlib import Path

import networkx as nx
import pytest

from diagnose.bike.wired import wired_units
from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.read import load_library

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def spec():
    return compose_bike(load_library(ROOT / "knowledge"), "custom_single")


@pytest.fixture(scope="module")
def wired(spec):
    return wired_units(spec)


@pytest.mark.parametrize(
    ("point", "units"),
    [
        # read off knowledge/sections: the kill wire runs unit plug - key plug - right bar plug - switch
        ("cdi.kill", {"cdi": ("cdi_plug",)}),
        ("cdi_plug_kill.a", {"cdi": ("cdi_plug",)}),
        ("right_bar_plug_kill.a", {"cdi": ("cdi_plug",)}),
        ("kill_switch.kill", {"cdi": ("cdi_plug", "right_bar_plug")}),
        ("source_coil.out", {"cdi": ("cdi_plug", "engine_plug")}),
        ("trigger_coil.out", {"cdi": ("cdi_plug", "engine_plug")}),
        # the module's inputs have no plug of their own on the drawing
        ("module.in_low", {"module": ()}),
        ("left_bar_plug_low.a", {"module": ()}),
        ("dip_switch.low", {"module": ("left_bar_plug",)}),
        ("dash.feed", {"dash": ("dash_plug",)}),
    ],
)
def test_inputs_and_ignition_wires_are_followed(wired, point, units):
    assert dict(wired[point]) == units


@pytest.mark.parametrize(
    "point",
    [
        "battery.plus",
        "battery.minus",
        "frame.metal",
        "cdi.ground",
        "dash.ground",
        "headlamp.low",  # an output's wire feeds a lamp: it may be loaded
        "acc_fuse.out",  # a feed that also goes to the dash
        "starter_motor.plus",
        "spark_plug.electrode",
    ],
)
def test_grounds_feeds_and_loads_are_not(spec, wired, point):
    assert point in spec.nodes
    assert point not in wired


def test_every_plug_named_cuts_its_point_off(spec, wired):
    """Second method: take the plug's ways out of a graph of the whole loom and look for a path."""
    ways = {way: plug for plug, members in spec.connectors.items() for way in members}
    graph = nx.MultiGraph()
    graph.add_nodes_from(spec.nodes.values())
    for part in {*spec.wires, *ways}:
        first, second = spec.kinds[spec.parts[part].kind].terminals[:2]
        ends = spec.nodes[f"{part}.{first}"], spec.nodes[f"{part}.{second}"]
        graph.add_edge(*ends, plug=ways.get(part, ""))
    cut = joined = 0
    for point, units in wired.items():
        for unit, plugs in units:
            pins = {n for p, n in spec.nodes.items() if p.startswith(f"{unit}.") and "ground" not in p}
            if spec.nodes[point] in pins:
                continue
            assert any(nx.has_path(graph, spec.nodes[point], pin) for pin in pins)
            joined += 1
            for plug in plugs:
                kept = [(a, b) for a, b, d in graph.edges(data=True) if d["plug"] != plug]
                rest = nx.Graph(kept)
                rest.add_nodes_from(graph)
                assert not any(nx.has_path(rest, spec.nodes[point], pin) for pin in pins), (point, plug)
                cut += 1
    assert joined >= 20 and cut >= 20
