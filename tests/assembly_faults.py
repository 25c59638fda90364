"""Mistakes that work on a loom makes, as faults of the knowledge or as edits of the netlist by hand.

Shared by the tests of proving. An edit by hand stands for what no fault mode of the knowledge describes.
"""

from __future__ import annotations

from collections.abc import Callable

from diagnose.bike.build import Build, node_of_point
from diagnose.bike.candidates import read_fault
from diagnose.bike.currents import Service
from diagnose.bike.model import Fault
from diagnose.circuit.netlist import Add, Change, Edit, Element, Move, Open

Maker = Callable[[Build, Service], Fault]


def known(text: str) -> Maker:
    """A fault of the knowledge by its id."""
    return lambda built, service: read_fault(built, service, text)


def by_hand(name: str, component: str, edits: Callable[[Build], tuple[Edit, ...]]) -> Maker:
    """A fault as netlist edits; any repair of the part's kind puts it right."""

    def make(built: Build, service: Service) -> Fault:
        kind = built.spec.kinds[built.spec.parts[component].kind]
        repairs = tuple(f"{component}.{r.id}" for r in kind.repairs)
        return Fault(name, component, name, "", name, edits(built), 0.0, repairs, 0.1, "", kind.word)

    return make


def _end(built: Build, wire: str, end: str, to: str) -> tuple[Edit, ...]:
    return (Move(f"{wire}.core", end, node_of_point(built.spec, to)),)


def _turned_battery(built: Build) -> tuple[Edit, ...]:
    plus, minus = (built.spec.nodes[f"battery.{t}"] for t in ("plus", "minus"))
    edits: list[Edit] = []
    for e in built.netlist.elements:
        if e.id.startswith("battery."):
            for end, at in (("plus", e.plus), ("minus", e.minus)):
                if at in (plus, minus):
                    edits.append(Move(e.id, end, minus if at == plus else plus))
    return tuple(edits)


def _swapped_ends(first: str, second: str, end: str) -> Callable[[Build], tuple[Edit, ...]]:
    def edits(built: Build) -> tuple[Edit, ...]:
        one, two = built.elements[first], built.elements[second]
        a, b = getattr(one, end), getattr(two, end)
        return (Move(one.id, end, b), Move(two.id, end, a))

    return edits


def _short(point: str, ohms: float) -> Callable[[Build], tuple[Edit, ...]]:
    def edits(built: Build) -> tuple[Edit, ...]:
        frame = node_of_point(built.spec, built.spec.body["frame"])
        element = Element(
            "#pinched", "resistor", node_of_point(built.spec, point), frame, {"resistance": ohms}
        )
        return (Add(element),)

    return edits


# The single and its LED variant. name -> (bike, how it is made, repairs that put it right)
SINGLE: dict[str, Maker] = {
    "crossed fuse feed": by_hand(
        "crossed_feed", "tail_feed", lambda b: _end(b, "tail_feed", "plus", "module_fuse.out")
    ),
    "missing engine ground": by_hand(
        "no_engine_ground", "ground_cable", lambda b: (Open("ground_cable.core"),)
    ),
    "missing rear ground behind cold filaments": known("rear_ground.off"),
    "3 ohm frame ground": known("engine_strap.poor=3ohm"),
    "input wired to the wrong switch": known("in_low_wire.crossed=in_high_wire"),
    "pinched wire to ground before the fuse": by_hand(
        "pinched_before", "main_feed", _short("main_fuse.in", 0.02)
    ),
    "pinched wire to ground behind the fuse": known("rear_brake_feed.chafed=20mohm"),
    "kill wire open": known("kill_wire.broken"),
    "kill wire on switched plus": by_hand(
        "kill_on_plus", "kill_bar_wire", lambda b: _end(b, "kill_bar_wire", "plus", "key_plug_run.a")
    ),
    "brake and running feeds crossed at the rear plug": by_hand(
        "rear_crossed",
        "rear_plug_tail",
        _swapped_ends("rear_plug_tail.contact", "rear_plug_brake.contact", "minus"),
    ),
    "wrong-rated fuse": by_hand("big_fuse", "acc_fuse", lambda b: (Change("acc_fuse.link", "rating", 30.0),)),
    "relay coil reversed with its diode": known("main_relay.coil_reversed"),
    "regulator output reversed": by_hand(
        "regulator_turned",
        "regulator_plug_plus",
        lambda b: (
            Move("charge_feed.core", "plus", node_of_point(b.spec, "regulator_plug_minus.a")),
            Move("regulator_ground.core", "plus", node_of_point(b.spec, "regulator_plug_plus.a")),
        ),
    ),
    "regulator behind the main fuse": by_hand(
        "regulator_behind",
        "charge_fuse_wire",
        lambda b: _end(b, "charge_fuse_wire", "minus", "main_fuse.out"),
    ),
    "battery reversed": by_hand("battery_turned", "battery", _turned_battery),
    "charging phase grounded": known("stator.grounded=20mohm"),
}
LED = {"reversed LED": known("rear_left_indicator.reversed")}

# The twin: the same mistakes where it can have them.
TWIN: dict[str, Maker] = {
    "missing engine ground": by_hand(
        "no_engine_ground", "ground_cable", lambda b: (Open("ground_cable.core"),)
    ),
    "3 ohm frame ground": by_hand(
        "frame_ground", "engine_strap", lambda b: (Change("engine_strap.core", "resistance", 3.0),)
    ),
    "missing rear ground behind cold filaments": known("rear_ground.off"),
    "pinched wire to ground before the fuse": by_hand(
        "pinched_before", "main_feed", _short("main_fuse.in", 0.02)
    ),
    "wrong-rated fuse": by_hand(
        "big_fuse", "lights_fuse", lambda b: (Change("lights_fuse.link", "rating", 30.0),)
    ),
    "regulator output reversed": SINGLE["regulator output reversed"],
    "battery reversed": by_hand("battery_turned", "battery", _turned_battery),
    "charging phase grounded": by_hand("phase_grounded", "stator", _short("regulator.ac1", 0.05)),
}
