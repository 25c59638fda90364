"""A bike composed from its sections: every part, every wire, and the node of every terminal.

Second half of the first arrow (catalogue -> one bike). Wires and the ways of connectors become parts
like any other. Knows no laws beyond the resistance of a wire.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from diagnose.catalogue.conditions import parse_words
from diagnose.catalogue.model import (
    Connector,
    Control,
    Function,
    Kind,
    Library,
    Part,
    Place,
    Value,
    Wire,
)
from diagnose.catalogue.overlay import apply_overlay
from diagnose.catalogue.ports import Ports
from diagnose.catalogue.read_bikes import Bike, read_bike
from diagnose.catalogue.spec import BikeSpec
from diagnose.catalogue.wires import COMPUTED, CORE, WIRE_TOLERANCE, wire_ohms
from diagnose.catalogue.words import (
    DEVICE_VALUES,
    ENGINE_MOVES,
    LAW_VALUES,
    OPTIONAL_VALUES,
    WIRE_KIND,
)
from diagnose.documents import read_document
from diagnose.errors import KnowledgeError, Mark, Problem, UsageError, unknown


def compose_bike(library: Library, bike: str | Path, overlay: Mapping[str, Any] | None = None) -> BikeSpec:
    """Compose one bike from the library.

    bike      id of a bike of the library, or the path of a bike file
    overlay   what differs on this very bike; see catalogue.overlay
    returns   BikeSpec with every part, wire and node
    raises    UsageError for an unknown bike, KnowledgeError with all Problems of its file and sections
    """
    id, path = find_bike(library, bike)
    problems: list[Problem] = []
    read = read_bike(read_document(path), library, id, problems)
    if read is None or problems:
        raise KnowledgeError(problems)
    if overlay:
        read = apply_overlay(read, overlay, library)
    spec = _merge(library, read, problems)
    if problems:
        raise KnowledgeError(problems)
    return spec


def find_bike(library: Library, bike: str | Path) -> tuple[str, str]:
    """(id, path) of a bike given by id or by the path of its file; raises UsageError with near misses."""
    if str(bike) in library.bike_files:
        return str(bike), library.bike_files[str(bike)]
    path = Path(bike)
    if path.suffix in (".yaml", ".yml") or path.is_file():
        return path.stem, str(path)
    raise UsageError(unknown("bike", str(bike), library.bike_files))


class _Merged:
    """Everything of a bike's sections under unique ids, and what is wrong with it."""

    def __init__(self, library: Library, bike: Bike, problems: list[Problem]):
        self.library, self.bike, self.problems = library, bike, problems
        self.places: dict[str, Place] = {}
        self.controls: dict[str, Control] = {}
        self.parts: dict[str, Part] = {}
        self.wires: dict[str, Wire] = {}
        self.connectors: dict[str, Connector] = {}
        self.functions: dict[str, Function] = {}
        self.bonds: list[tuple[str, str, Mark]] = []
        components: dict[str, Mark] = {}
        for section in (*bike.sections, bike.own):
            for place in section.places.values():
                turns = place.turns or (place.id in self.places and self.places[place.id].turns)
                if section is bike.own:  # its owner knows how long it takes to get there
                    self.places[place.id] = place
                else:
                    self._share(self.places, place, "place")
                self.places[place.id] = replace(self.places[place.id], turns=turns)
            for control in section.controls.values():
                self._share(self.controls, control, "control")
            for part in section.parts:
                if self._new(components, part.id, part.mark, "component"):
                    self.parts[part.id] = part
            for wire in section.wires:
                if self._new(components, wire.id, wire.mark, "component"):
                    self.wires[wire.id] = wire
            for connector in section.connectors:
                if self._new(components, connector.id, connector.mark, "component"):
                    self.connectors[connector.id] = connector
            for function in section.functions:
                seen = {f.id: f.mark for f in self.functions.values()}
                if self._new(seen, function.id, function.mark, "function"):
                    self.functions[function.id] = function
            for (one, other), mark in zip(section.bonds, section.bond_marks, strict=True):
                self.bonds.append((one, other, mark))
        self._meet(Ports((p for s in bike.sections for p in s.ports), bike.own.ports, problems))

    def _meet(self, ports: Ports) -> None:
        """Put terminals in place of the ports that wires and bonds name."""
        self.bonds = [
            (ports.terminal(one, mark, "bond"), ports.terminal(other, mark, "bond"), mark)
            for one, other, mark in self.bonds
        ]
        self.wires = {
            id: replace(
                w,
                start=ports.terminal(w.start, w.mark, f"{id} from"),
                end=ports.terminal(w.end, w.mark, f"{id} to"),
            )
            for id, w in self.wires.items()
        }

    def _share(self, known: dict[str, Any], item: Place | Control, kind: str) -> None:
        # two sections may both describe the seat, as long as they say the same
        first = known.setdefault(item.id, item)
        if first != item:
            where = f"{first.mark.file}:{first.mark.line}"
            message = (
                f"{kind} {item.id!r} differs from the one at {where}; expected the same words and minutes"
            )
            self.problems.append(item.mark.problem(message))

    def _new(self, known: dict[str, Mark], id: str, mark: Mark, kind: str) -> bool:
        first = known.setdefault(id, mark)
        if first is mark:
            return True
        self.problems.append(
            mark.problem(f"{kind} {id!r} appears twice (first at {first.file}:{first.line})")
        )
        return False


def _merge(library: Library, bike: Bike, problems: list[Problem]) -> BikeSpec:
    merged = _Merged(library, bike, problems)
    gone = _not_fitted(merged)
    if library.kinds.get(WIRE_KIND) is None and merged.wires:
        problems.append(bike.mark.problem(f"the library has no kind {WIRE_KIND!r}, which every wire is"))
    if problems:  # what follows looks parts and kinds up freely
        return _blank(bike)
    nodes = _join(merged, gone)
    _check_parts(merged)
    _check_functions(merged)
    wires = {id: _with_fitted_ends(w, nodes, gone) for id, w in merged.wires.items() if id not in gone}
    fitted = [p for p in merged.parts.values() if p.id not in gone]
    fitted += [_wire_part(merged, w) for w in wires.values()]
    connectors = {
        c.id: tuple(w for w in c.ways if w not in gone)
        for c in merged.connectors.values()
        if any(w not in gone for w in c.ways)
    }
    present = {p.id for p in fitted}
    parts = {p.id: _tidy(p, present, connectors) for p in fitted}
    for role, point in bike.body.items():
        if point not in nodes:
            problems.append(bike.marks["body"].problem(f"{role}: {unknown('terminal', point, nodes)}"))
    return BikeSpec(
        id=bike.id,
        title=bike.title,
        text=bike.text,
        path=bike.path,
        kinds={p.kind: library.kinds[p.kind] for p in parts.values()},
        places=merged.places,
        controls=merged.controls,
        parts=parts,
        wires=wires,
        nodes=nodes,
        functions=_fitted_functions(merged, gone),
        body=bike.body,
        complaints=bike.complaints,
        connectors=connectors,
        fresh=bike.fresh,
        invented=bike.invented,
        supply_volts=bike.supply_volts,
        ground=bike.ground,
        cranking_rpm=bike.cranking_rpm,
        idle_rpm=bike.idle_rpm,
        connector_titles={id: merged.connectors[id].title for id in connectors},
        mark=bike.mark,
    )


def _with_fitted_ends(wire: Wire, nodes: Mapping[str, str], gone: frozenset[str]) -> Wire:
    """A wire whose ends name parts that are there: instead of one not fitted another at the same node, or
    for an end that hangs free the end itself.
    """

    def fitted(point: str, end: str) -> str:
        if point.partition(".")[0] not in gone:
            return point
        node = nodes.get(f"{wire.id}.{end}", "")
        return node if node in nodes else f"{wire.id}.{end}"

    return replace(wire, start=fitted(wire.start, "a"), end=fitted(wire.end, "b"))


def _blank(bike: Bike) -> BikeSpec:
    return BikeSpec(bike.id, "", "", bike.path, {}, {}, {}, {}, {}, {}, {}, {}, (), {})


def _not_fitted(merged: _Merged) -> frozenset[str]:
    gone: set[str] = set()
    for id in merged.bike.not_fitted:
        if id in merged.connectors:
            gone.update(merged.connectors[id].ways)
        elif id in merged.parts or id in merged.wires:
            gone.add(id)
        else:
            known = (*merged.parts, *merged.wires, *merged.connectors)
            merged.problems.append(merged.bike.marks["not_fitted"].problem(unknown("component", id, known)))
    return frozenset(gone)


def _join(merged: _Merged, gone: frozenset[str]) -> dict[str, str]:
    """Node name of every fitted terminal: its group's first terminal of a part, fitted ones first."""
    kinds = merged.library.kinds
    group: dict[str, str] = {}
    for part in merged.parts.values():
        group.update({f"{part.id}.{t}": f"{part.id}.{t}" for t in kinds[part.kind].terminals})
    bare = list(group)
    for id in merged.wires:
        group.update({f"{id}.{end}": f"{id}.{end}" for end in ("a", "b")})

    def root(point: str) -> str:
        while group[point] != point:
            group[point] = group[group[point]]
            point = group[point]
        return point

    def touch(one: str, other: str, mark: Mark, about: str) -> None:
        bad = [point for point in (one, other) if point not in group]
        for point in bad:
            merged.problems.append(mark.problem(f"{about}: {_unknown_terminal(point, merged)}"))
        if not bad:
            group[root(one)] = root(other)

    for one, other, mark in merged.bonds:
        touch(one, other, mark, "bond")
    for wire in merged.wires.values():
        touch(f"{wire.id}.a", wire.start, wire.mark, f"{wire.id} from")
        touch(f"{wire.id}.b", wire.end, wire.mark, f"{wire.id} to")
    names: dict[str, str] = {}
    fitted = [point for point in bare if point.partition(".")[0] not in gone]
    for point in (*fitted, *bare):
        names.setdefault(root(point), point)
    nodes: dict[str, str] = {}
    for point in group:
        component = point.partition(".")[0]
        if component in gone:
            continue
        if root(point) not in names:
            if not merged.problems:
                mark = merged.wires[component].mark
                merged.problems.append(
                    mark.problem(f"{point} touches only wires; expected a part's terminal")
                )
            continue
        nodes[point] = names[root(point)]
    return nodes


def _unknown_terminal(point: str, merged: _Merged) -> str:
    component, dot, _ = point.partition(".")
    if not dot:
        return f"{point!r} is not component.terminal"
    if component in merged.parts:
        terminals = merged.library.kinds[merged.parts[component].kind].terminals
        return unknown("terminal", point, [f"{component}.{t}" for t in terminals])
    return unknown("component", component, (*merged.parts, *merged.wires))


def _wire_part(merged: _Merged, wire: Wire) -> Part:
    values: dict[str, Value] = {}
    if CORE not in merged.library.kinds[wire.kind].values:
        ohms = wire_ohms(wire.area_mm2, wire.length_m)
        values[CORE] = Value(ohms, "ohm", WIRE_TOLERANCE, COMPUTED, mark=wire.mark)
    return Part(
        id=wire.id,
        kind=wire.kind,
        title=wire.title
        or f"{wire.colour} wire from {_near(merged, wire.start)} to {_near(merged, wire.end)}",
        place=wire.place,
        values=values,
        neighbours=wire.neighbours,
        fresh=wire.fresh,
        mark=wire.mark,
    )


def _near(merged: _Merged, point: str) -> str:
    component = point.partition(".")[0]
    part = merged.parts.get(component)
    return part.title if part else component


def _tidy(part: Part, present: Collection[str], connectors: Collection[str]) -> Part:
    """Without neighbours and connectors that this bike does not have."""
    neighbours = tuple(n for n in part.neighbours if n in present and n != part.id)
    unplugs = part.unplugs if part.unplugs in connectors else ""
    if neighbours == part.neighbours and unplugs == part.unplugs:
        return part
    return replace(part, neighbours=neighbours, unplugs=unplugs)


def _check_parts(merged: _Merged) -> None:
    elsewhere = {p.id for s in merged.library.sections.values() for p in s.parts}
    elsewhere |= {w.id for s in merged.library.sections.values() for w in s.wires}
    components: dict[str, Part | Wire] = {**merged.parts, **merged.wires}
    for item in components.values():
        note = _noting(merged, item.mark, item.id)
        if item.place not in merged.places:
            note(unknown("place", item.place, merged.places))
        for neighbour in item.neighbours:
            if neighbour not in components and neighbour not in elsewhere:
                note(unknown("neighbour", neighbour, components))
    for control in merged.controls.values():
        if control.place and control.place not in merged.places:
            _noting(merged, control.mark, control.id)(unknown("place", control.place, merged.places))
    for part in merged.parts.values():
        note = _noting(merged, part.mark, part.id)
        kind = merged.library.kinds[part.kind]
        if part.unplugs and part.unplugs not in merged.connectors:
            note(unknown("connector", part.unplugs, merged.connectors))
        _check_control(merged, part, kind, note)
        for key in _needed_values(kind):
            if key not in kind.values and key not in part.values:
                note(f"lacks {key}, which neither the part nor its kind {kind.id} gives")
    for wire in merged.wires.values():
        kind = merged.library.kinds[wire.kind]
        if kind.terminals != ("a", "b") or [e.name for e in kind.elements] != ["core"]:
            _noting(merged, wire.mark, wire.id)(
                f"kind {kind.id!r} is no kind of wire; expected terminals [a, b] and one element 'core'"
            )


def _noting(merged: _Merged, mark: Mark, id: str) -> Callable[[str], None]:
    return lambda message: merged.problems.append(mark.problem(f"{id}: {message}"))


def _check_control(merged: _Merged, part: Part, kind: Kind, note: Callable[[str], None]) -> None:
    moved = {position for e in kind.elements for position in e.closed_in} - set(ENGINE_MOVES)
    if not part.control:
        if moved:
            note(f"kind {kind.id} has contacts closed in {', '.join(sorted(moved))}; expected control: ID")
        return
    control = merged.controls.get(part.control)
    if control is None:
        note(unknown("control", part.control, merged.controls))
        return
    for position in sorted(moved):
        if position not in control.positions:
            note(f"control {control.id}: {unknown('position', position, control.positions)}")


def _needed_values(kind: Kind) -> list[str]:
    laws = [(e.name, LAW_VALUES[e.law]) for e in kind.elements]
    laws += [(d.name, DEVICE_VALUES[d.law]) for d in kind.devices]
    return [f"{name}.{value}" for name, law in laws for value in law if value not in OPTIONAL_VALUES]


def _check_functions(merged: _Merged) -> None:
    fuses = [p.id for p in merged.parts.values() if merged.library.kinds[p.kind].word == "fuse"]
    for f in merged.functions.values():
        note = _noting(merged, f.mark, f.id)
        for when in (f.when, *(need.when for need in f.needs)):
            try:
                parse_words(when, merged.controls, fuses, tuple(merged.connectors))
            except UsageError as err:
                note(str(err))
        for element_id in f.elements:
            component, _, element = element_id.partition(".")
            part = merged.parts.get(component)
            if part is None:
                note(unknown("component", component, merged.parts))
            else:
                names = [e.name for e in merged.library.kinds[part.kind].elements]
                if element not in names:
                    note(unknown(f"element of {component}", element, names))
        if f.twin and f.twin not in merged.functions:
            note(unknown("function", f.twin, merged.functions))
        for need in f.needs:
            for point in (need.plus, need.minus):
                if not _is_point(merged, point):
                    note(_unknown_terminal(point, merged))


def _is_point(merged: _Merged, point: str) -> bool:
    """Whether a terminal, or an inner node of a part, which needs may speak of though no probe reaches it."""
    component, _, terminal = point.partition(".")
    if component in merged.wires:
        return terminal in ("a", "b")
    part = merged.parts.get(component)
    if part is None:
        return False
    kind = merged.library.kinds[part.kind]
    inner = {end for e in kind.elements for end in (e.plus, e.minus) if end.startswith("#")}
    return terminal in kind.terminals or terminal in inner


def _fitted_functions(merged: _Merged, gone: frozenset[str]) -> dict[str, Function]:
    """Functions without the elements that are not fitted; those with none left cannot be expected to work."""

    def is_gone(point: str) -> bool:
        return point.partition(".")[0] in gone

    fitted: dict[str, Function] = {}
    for f in merged.functions.values():
        left = [e for e in f.elements if not is_gone(e)]
        if any(is_gone(p) for need in f.needs for p in (need.plus, need.minus)) or (f.elements and not left):
            continue
        fitted[f.id] = f if len(left) == len(f.elements) else replace(f, element=",".join(left))
    return {id: f if f.twin in ("", *fitted) else replace(f, twin="") for id, f in fitted.items()}
