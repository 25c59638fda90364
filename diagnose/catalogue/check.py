"""What reading and composing let pass and an author should still hear of; and how much rests on what.

Beside the first arrow: structure only, no physics. Reading has refused unknown words, units, kinds,
sources and laws; composing refuses unknown terminals, controls and conditions. Here every bike is
composed, so that all of it comes out in one list.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import fields, is_dataclass
from typing import Any

from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.conditions import fitting, parse_condition
from diagnose.catalogue.model import Complaint, Kind, Library, Value, Wire
from diagnose.catalogue.spec import BikeSpec
from diagnose.catalogue.words import SOURCE_STATUSES
from diagnose.errors import DiagnoseError, KnowledgeError, Problem, UsageError, unknown

# What a loom can plausibly hold: thinnest instrument wire to heaviest starter cable, a jumper between two
# terminals to a bike's length and back (common practice, no source).
AREA_MM2 = (0.2, 50.0)
LENGTH_M = (0.02, 3.0)
MOST_SHARE = 1.0
LONGEST_TRY_MIN = 10.0  # a try is at most ten minutes' work


def check_structure(library: Library) -> tuple[Problem, ...]:
    """Every problem of structure in a library that has been read, sorted by file and line."""
    problems: list[Problem] = []
    for kind in library.kinds.values():
        problems += _check_kind(kind)
    problems += _check_estimates(library)
    specs: list[BikeSpec] = []
    for id in library.bike_files:
        try:
            specs.append(compose_bike(library, id))
        except KnowledgeError as err:
            problems += err.problems
    for spec in specs:
        problems += check_bike(library, spec)
    if specs:
        problems += _check_complaints(library, specs)
    return tuple(sorted(set(problems)))


def check_bike(library: Library, spec: BikeSpec) -> tuple[Problem, ...]:
    """What is wrong with one composed bike, without a look at the others."""
    problems = list(_check_bike(spec))
    for id in spec.complaints:
        problems += _check_complaint_on(library.complaints[id], spec)
    return tuple(sorted(set(problems)))


def _check_kind(kind: Kind) -> Iterator[Problem]:
    used = {end for e in kind.elements for end in (e.plus, e.minus)}
    driven: set[str] = set()
    for device in kind.devices:
        for role, members in device.roles.items():
            used.update(members if role.endswith("_node") else ())
            driven.update(members if role in ("no", "nc", "output") else ())
    for terminal in kind.terminals if kind.elements else ():
        if terminal not in used:
            yield kind.mark.problem(f"{kind.id}: terminal {terminal!r} belongs to no element")
    for e in kind.elements:
        if e.plus == e.minus:
            yield kind.mark.problem(f"{kind.id}: both ends of {e.name} are {e.plus!r}; it does nothing")
        moves = e.closed_in or e.name in driven or f"{e.name}.closed" in kind.values
        if e.law == "contact" and not moves:
            expected = f"expected closed_in, a device, or {e.name}.closed"
            yield kind.mark.problem(f"{kind.id}: contact {e.name} never closes; {expected}")
    for repair in kind.repairs:
        if not repair.cures:
            yield repair.minutes.mark.problem(f"{kind.id}: repair {repair.id} cures nothing")
        if repair.sort == "try" and repair.minutes.number > LONGEST_TRY_MIN:
            message = f"{kind.id}: repair {repair.id} takes {repair.minutes.number:g} min"
            yield repair.minutes.mark.problem(f"{message}; a try takes at most {LONGEST_TRY_MIN:g}")
    for mode in kind.modes:
        chances = (mode.share, mode.visible, mode.traced, mode.handbook)
        for value, name in zip(chances, ("share", "visible", "traced", "handbook"), strict=True):
            if value is not None and value.number > MOST_SHARE:
                yield value.mark.problem(f"{kind.id}.{mode.id}: {name}={value.number:g}; expected at most 1")
    if kind.rate.number > 0 and not kind.modes:
        yield kind.rate.mark.problem(f"{kind.id}: fails (rate {kind.rate.number:g}) but has no modes")
    if kind.modes and sum(m.share.number for m in kind.modes) <= 0:
        yield kind.mark.problem(f"{kind.id}: the shares of its modes are all 0; expected at least one above")


def _check_estimates(library: Library) -> Iterator[Problem]:
    guessed = {s.id for s in library.sources.values() if s.status == "estimate"}
    for value in _values((library.kinds, library.sections, library.instruments)):
        if value.source in guessed and not value.why:
            message = f"{value.number:g} from {value.source} is an estimate without a reason"
            yield value.mark.problem(f"{message}; expected why: a few words")


def _check_bike(spec: BikeSpec) -> Iterator[Problem]:
    touched = _touched(spec)
    for part in spec.parts.values():
        kind = spec.kinds[part.kind]
        for terminal in kind.terminals:
            free = f"{part.id}.{terminal}" not in touched
            if free and part.id not in spec.wires and terminal not in part.unused:
                message = f"{part.id}: terminal {terminal!r} is joined to nothing on {spec.id}"
                yield part.mark.problem(f"{message}; try a wire, a bond, or unused: [{terminal}]")
        targets = [(m.id, e.to_point) for m in kind.modes for e in m.edits if e.to_point]
        targets += [(t.id, point) for t in kind.tests for point in (t.plus, t.minus) if "." in point]
        for owner, point in targets:
            if point not in spec.nodes:
                yield part.mark.problem(f"{part.id}.{owner}: {unknown('terminal', point, spec.nodes)}")
    for wire in spec.wires.values():
        yield from _check_wire(wire, spec)


def _check_wire(wire: Wire, spec: BikeSpec) -> Iterator[Problem]:
    for name, number, (low, high), unit in (
        ("area", wire.area_mm2, AREA_MM2, "mm2"),
        ("length", wire.length_m, LENGTH_M, "m"),
    ):
        if not low <= number <= high:
            message = f"{wire.id}: {name} {number:g} {unit} is implausible"
            yield wire.mark.problem(f"{message}; expected {low:g} to {high:g} {unit}")
    start, end = spec.nodes[f"{wire.id}.a"], spec.nodes[f"{wire.id}.b"]
    if start == end:
        yield wire.mark.problem(f"{wire.id}: both ends touch {start}; it carries nothing")


def _touched(spec: BikeSpec) -> set[str]:
    """Terminals whose node holds another terminal too, or that name the body."""
    members: dict[str, list[str]] = {}
    for point, node in spec.nodes.items():
        members.setdefault(node, []).append(point)
    return {p for points in members.values() if len(points) > 1 for p in points} | set(spec.body.values())


def _check_complaints(library: Library, specs: Iterable[BikeSpec]) -> Iterator[Problem]:
    specs = tuple(specs)
    listed = {id for spec in specs for id in spec.complaints}
    names = {name for spec in specs for f in spec.functions.values() for name in (f.id, *f.roles)}
    for complaint in library.complaints.values():
        for symptom in (*complaint.any_of, *complaint.all_of, *complaint.none_of):
            if symptom.function and symptom.function not in names:
                message = unknown("function or role", symptom.function, names)
                yield complaint.mark.problem(f"{complaint.id}: {message}")
        if complaint.id not in listed:
            yield complaint.mark.problem(f"{complaint.id}: is listed by no bike")


def _check_complaint_on(complaint: Complaint, spec: BikeSpec) -> Iterator[Problem]:
    here = {name for f in spec.functions.values() for name in (f.id, *f.roles)}
    said = (*complaint.any_of, *complaint.all_of)
    named = [s for s in said if s.function]
    speaks_of = {kind.partition(".")[0] for kind in complaint.kinds}
    kinds = speaks_of.intersection(p.kind for p in spec.parts.values())
    only_functions = named and len(named) == len(said) and not kinds
    if only_functions and not any(s.function in here for s in named):
        message = f"complaint {complaint.id} speaks of no function that {spec.id} has"
        yield spec.mark.problem(f"{message} ({', '.join(sorted({s.function for s in named}))})")
    for symptom in said:
        if symptom.condition:
            try:
                parse_condition(fitting(symptom.condition, spec.controls), spec)
            except UsageError as err:
                yield complaint.mark.problem(f"{complaint.id} on {spec.id}: {err}")


def count_sources(library: Library) -> dict[str, int]:
    """How many numbers of the library rest on what: status of a source -> count, every status listed.

    Counts every value with provenance in kinds, sections, instruments and history; numbers computed by
    the program are none.
    """
    counts = dict.fromkeys(SOURCE_STATUSES, 0)
    for value in _values((library.kinds, library.sections, library.instruments)):
        if value.source in library.sources:
            counts[library.sources[value.source].status] += 1
    for fact in library.history.values():
        counts[library.sources[fact.source].status] += len(fact.factors)
    for id in library.bike_files:
        for value in _bike_values(library, id):
            counts[library.sources[value.source].status] += 1
    return counts


def _bike_values(library: Library, id: str) -> Iterator[Value]:
    """Values that a bike's own file adds to those of its sections."""
    try:
        spec = compose_bike(library, id)
    except DiagnoseError:  # check_structure reports it
        return
    for part in spec.parts.values():
        for value in part.values.values():
            if value.mark.file == spec.path and value.source in library.sources:
                yield value


def _values(data: Any) -> Iterator[Value]:
    if isinstance(data, Value):
        yield data
    elif isinstance(data, dict):
        for item in data.values():
            yield from _values(item)
    elif isinstance(data, tuple):
        for item in data:
            yield from _values(item)
    elif is_dataclass(data):
        for field in fields(data):
            yield from _values(getattr(data, field.name))
