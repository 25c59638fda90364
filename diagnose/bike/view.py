"""A bike in words: points, functions, controls, places, for the conversation. No circuit inside."""

from __future__ import annotations

from collections.abc import Mapping

from diagnose.bike.acts import FUNCTION_WORDS, observe
from diagnose.bike.build import Build, part_of_joint
from diagnose.bike.currents import as_condition, complained_condition
from diagnose.bike.model import BikeView, FunctionView, PointView
from diagnose.bike.points import components_at
from diagnose.bike.wired import wired_units
from diagnose.catalogue.model import Complaint, Instrument
from diagnose.catalogue.spec import BikeSpec


def wire_colours(built: Build) -> dict[str, str]:
    """test point -> colours of the wires that end there, joined by ',': 'BU,GN/YE' are two wires."""
    found: dict[str, list[str]] = {}
    for wire in built.spec.wires.values():
        for end in (wire.start, wire.end):
            found.setdefault(end, [])
            if wire.colour not in found[end]:
                found[end].append(wire.colour)
    return {point: ",".join(colours) for point, colours in found.items()}


def _joints(built: Build) -> dict[str, tuple[str, str]]:
    """What can be taken apart: connectors, and wires undone at one end. id -> (title, place)."""
    spec = built.spec
    joints = {
        c: (spec.connector_titles.get(c, c.replace("_", " ")), spec.parts[ways[0]].place)
        for c, ways in spec.connectors.items()
        if ways
    }
    for wire in spec.wires:
        for w in (wire, f"{wire}.a", f"{wire}.b"):
            at = spec.parts[part_of_joint(built, w)]
            joints[w] = (f"{spec.parts[wire].title} (its end at {at.title})", at.place)
    return joints


def _side(built: Build, point: str) -> str:
    """Which terminal of a part a point is, in words; a plug's far side is that of the part it belongs to."""
    spec = built.spec
    component, _, terminal = point.partition(".")
    kind = spec.kinds[spec.parts[component].kind]
    told = kind.sides.get(terminal, terminal.replace("_", " "))
    if kind.word == "connector" and terminal == "b":
        beyond = [c for c in components_at(built, point) if c != component]
        return f"{spec.parts[beyond[0]].title} side" if len(beyond) == 1 else told
    return told


def spoken_of(spec: BikeSpec, complaint: Complaint) -> tuple[str, ...]:
    """Functions that a complaint speaks of, by their ids or by what they are for."""
    named = {s.function for s in (*complaint.any_of, *complaint.all_of) if s.function}
    return tuple(f.id for f in spec.functions.values() if f.id in named or named & {*f.roles})


def _looks(built: Build, instruments: Mapping[str, Instrument], complaint: Complaint) -> tuple[str, ...]:
    """Looks at what a complaint speaks of, each in the condition in which it is complained of."""
    found: dict[str, None] = {}
    for symptom in (*complaint.any_of, *complaint.all_of):
        for f in built.spec.functions.values():
            if symptom.function in (f.id, *f.roles) and f.kind != "charge":
                told = complained_condition(built, symptom.condition, f)
                found.setdefault(observe(built, instruments, f.id, told).id)
    return tuple(found)


def view(
    built: Build,
    complaints: Mapping[str, Complaint],
    instruments: Mapping[str, Instrument],
    fuse_lamps: Mapping[str, float],
) -> BikeView:
    """Everything about the bike that is words or lists of words. fuse_lamps: see bike.fuse_lamp [W]."""
    spec = built.spec
    colours = wire_colours(built)
    points = {}
    sensitive = []
    for point in spec.nodes:
        part = spec.parts[point.partition(".")[0]]
        kind = spec.kinds[part.kind]
        side = _side(built, point)
        points[point] = PointView(point, f"{part.title}, {side}", part.place, colours.get(point, ""))
        if kind.sensitive:
            sensitive.append(point)
    functions = {
        f.id: FunctionView(
            f.id, f.title, f.kind, as_condition(built, f.when), FUNCTION_WORDS[f.kind], f.question
        )
        for f in spec.functions.values()
    }
    plugs: dict[str, tuple[str, ...]] = {}
    for part in spec.parts.values():
        if part.unplugs:
            plugs[part.id] = (part.unplugs,)
    exit_check = tuple(
        observe(built, instruments, f.id, functions[f.id].condition).id
        for f in spec.functions.values()
        if f.kind != "charge" and not (f.kind == "spark" and f.elements)  # no cover comes off for it
    )
    return BikeView(
        spec.id,
        spec.title,
        spec.text,
        points,
        functions,
        {c.id: (c.title, c.words or {p: p for p in c.positions}) for c in spec.controls.values()},
        {p.id: (p.title, p.access_min, p.close_min) for p in spec.places.values()},
        {p.id: (p.title, spec.kinds[p.kind].word, p.place) for p in spec.parts.values()},
        {c: (complaints[c].title, complaints[c].says) for c in spec.complaints if c in complaints},
        _joints(built),
        tuple(built.fuses),
        tuple(sensitive),
        any(d.law == "motor" for d in built.netlist.devices),
        tuple(dict.fromkeys((spec.ground_post, spec.body["engine"], spec.body["frame"]))),
        exit_check,
        kinds={p.id: p.kind for p in spec.parts.values()},
        plugs=plugs,
        fresh=spec.fresh,
        supply_volts=spec.supply_volts,
        ground=spec.ground if spec.has_battery else "",
        wired=wired_units(spec),
        fuse_lamps=fuse_lamps,
        looks={c: _looks(built, instruments, complaints[c]) for c in spec.complaints if c in complaints},
        triggers={
            c: complaints[c].intermittent
            for c in spec.complaints
            if c in complaints and complaints[c].intermittent
        },
        left_on=tuple(c for c in spec.complaints if c in complaints and _is_left_on(complaints[c])),
    )


def _is_left_on(complaint: Complaint) -> bool:
    """Whether a complaint says that something works in a condition in which it should not."""
    return any(s.condition and "works" in s.states for s in complaint.any_of)
