"""This bike differs: what a user says of his own bike, laid over the bike as drawn.

    not_fitted: [component or connector]     taken away; what led to it hangs free
    bypassed:   [component or connector]     taken away, its two terminals joined
    spliced:    [wire]                       cut and joined again half way
    colour:     {wire: BU}                   another colour
    place:      {component or connector: place}   sits somewhere else
    load:       {new id: 55 W at component.terminal}   a consumer from there to the frame
    added:      {parts: ..., wires: ..., bonds: ... and whatever else a section may hold}, or a list of them

Part of the first arrow; takes a bike file as read and returns another one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from diagnose.catalogue.differences import KEYS
from diagnose.catalogue.fields import Cursor
from diagnose.catalogue.model import Library, Part, Section, Value, Wire
from diagnose.catalogue.read_bikes import Bike
from diagnose.catalogue.read_sections import CONTENT, is_colour, read_section
from diagnose.catalogue.wires import COMPUTED, CORE
from diagnose.documents import Document
from diagnose.errors import KnowledgeError, Problem, QuantityError, UsageError, unknown
from diagnose.quantities import quantity

# words of parts that may be joined across: no consumer, which would be a short, and no fuse
PASSED_BY = ("switch", "connector", "wire", "ground", "relay", "flasher")
SPLICE_KIND, LOAD_KIND = "splice", "added_load"
LOAD_RESISTANCE, LOAD_TOLERANCE = "load.resistance", 0.1
LOAD_AREA_MM2, LOAD_LENGTH_M = 1.0, 0.8  # how an accessory is mostly wired (estimate)
NAME = "what differs on this bike"  # what problems call an overlay in place of a file


def apply_overlay(bike: Bike, overlay: Mapping[str, Any], library: Library) -> Bike:
    """Lay a user's differences over a bike.

    overlay   plain data with the keys above
    returns   a new Bike
    raises    UsageError for what the bike does not have, KnowledgeError for an unreadable `added`
    """
    for key in overlay:
        if key not in KEYS:
            raise UsageError(f"{NAME}: {unknown('key', key, KEYS)}")
    added = overlay.get("added", ())
    for content in added if isinstance(added, list) else (added,) if "added" in overlay else ():
        bike = _add(bike, content, library)
    for id, said in _pairs(overlay, "load"):
        bike = _load(bike, id, said, library)
    for id in _names(overlay, "spliced"):
        bike = _splice(bike, id, library)
    sections = (*bike.sections, bike.own)
    parts = {p.id: p for s in sections for p in s.parts}
    wires = {w.id: w for s in sections for w in s.wires}
    connectors = {c.id: c.ways for s in sections for c in s.connectors}
    gone: list[str] = list(bike.not_fitted)
    for id in _names(overlay, "not_fitted"):
        if id not in parts and id not in wires and id not in connectors:
            raise UsageError(f"{NAME}: not_fitted: {unknown('component', id, (*parts, *wires, *connectors))}")
        gone.append(id)
    bonds: list[tuple[str, str]] = []
    for id in _names(overlay, "bypassed"):
        for component in connectors.get(id, (id,)):
            bonds.append(_bridge(component, parts, wires, library))
            gone.append(component)
    for id, colour in _pairs(overlay, "colour"):
        if id not in wires:
            raise UsageError(f"{NAME}: colour: {unknown('wire', id, wires)}")
        if not is_colour(colour):
            raise UsageError(
                f"{NAME}: colour of {id}={colour!r}; expected IEC 60757 letters such as BU or GN/YE"
            )
        wires[id] = replace(wires[id], colour=colour)
    places = {name for s in sections for name in s.places}
    for id, place in _pairs(overlay, "place"):
        if place not in places:
            raise UsageError(f"{NAME}: place: {unknown('place', place, places)}")
        if id in parts:
            parts[id] = replace(parts[id], place=place)
        elif id in wires:
            wires[id] = replace(wires[id], place=place)
        elif id in connectors:
            parts |= {way: replace(parts[way], place=place) for way in connectors[id]}
        else:
            raise UsageError(f"{NAME}: place: {unknown('component', id, (*parts, *wires, *connectors))}")
    *fragments, own = (_with(s, parts, wires) for s in sections)
    marks = (*own.bond_marks, *(bike.mark for _ in bonds))
    own = replace(own, bonds=(*own.bonds, *bonds), bond_marks=marks)
    return replace(bike, sections=tuple(fragments), own=own, not_fitted=tuple(dict.fromkeys(gone)))


def _with(section: Section, parts: Mapping[str, Part], wires: Mapping[str, Wire]) -> Section:
    return replace(
        section,
        parts=tuple(parts[p.id] for p in section.parts),
        wires=tuple(wires[w.id] for w in section.wires),
    )


def _bridge(
    component: str, parts: Mapping[str, Part], wires: Mapping[str, Wire], library: Library
) -> tuple[str, str]:
    if component in wires:
        return wires[component].start, wires[component].end
    if component not in parts:
        raise UsageError(f"{NAME}: bypassed: {unknown('component', component, (*parts, *wires))}")
    kind = library.kinds[parts[component].kind]
    terminals = kind.terminals
    if len(terminals) == 2 and kind.word not in PASSED_BY:
        raise UsageError(
            f"{NAME}: bypassed: {component} is a {kind.title}, whose two ends nobody joins; "
            f"expected a part of the sort {', '.join(PASSED_BY)}; try not_fitted: [{component}]"
        )
    if len(terminals) != 2:
        raise UsageError(
            f"{NAME}: bypassed: {component} has {len(terminals)} terminals; expected a part with two; "
            f"try not_fitted: [{component}] and the jumper as a wire under added"
        )
    return f"{component}.{terminals[0]}", f"{component}.{terminals[1]}"


def _add(bike: Bike, added: Any, library: Library) -> Bike:
    problems: list[Problem] = []
    here = Cursor(Document(NAME, added, {}), ("added",), added, problems)
    if here.is_mapping((), CONTENT):
        more = read_section(here, bike.id, library.kinds, library.sources)
    if problems:
        raise KnowledgeError(problems)
    own = bike.own
    own = replace(
        own,
        places={**own.places, **more.places},
        controls={**own.controls, **more.controls},
        parts=own.parts + more.parts,
        wires=own.wires + more.wires,
        bonds=own.bonds + more.bonds,
        functions=own.functions + more.functions,
        connectors=own.connectors + more.connectors,
        bond_marks=own.bond_marks + more.bond_marks,
        ports=own.ports + more.ports,
    )
    return replace(bike, own=own)


def _load(bike: Bike, id: str, said: str, library: Library) -> Bike:
    """The bike with a consumer of so many watts between a terminal and the frame."""
    watts, sign, at = said.partition(" at ")
    parts = {p.id: p for s in (*bike.sections, bike.own) for p in s.parts}
    wires = {w.id: w for s in (*bike.sections, bike.own) for w in s.wires}
    component = at.partition(".")[0]
    holder = parts.get(component) or wires.get(component)
    if holder is None or not sign:
        raise UsageError(
            f"{NAME}: load: {id} is {said!r}; expected watts and a terminal of this bike, "
            "such as 35 W at horn.feed"
        )
    try:
        power = quantity(watts, "W")
    except QuantityError as err:
        raise UsageError(f"{NAME}: load: {id}: {err}") from err
    if not power > 0.0:
        raise UsageError(f"{NAME}: load: {id} takes {watts}; expected more than 0 W")
    _needs_kind(library, LOAD_KIND)
    title, mark = id.replace("_", " "), bike.mark
    ohms = Value(bike.supply_volts**2 / power, "ohm", LOAD_TOLERANCE, COMPUTED, mark=mark)
    part = Part(id, LOAD_KIND, title, holder.place, values={LOAD_RESISTANCE: ohms}, mark=mark)
    ends = (
        ("feed", at, f"{id}.feed", "RD"),
        ("ground", f"{id}.ground", bike.body["frame"], "BK"),
    )
    wiring = tuple(
        Wire(
            f"{id}_{name}", start, end, LOAD_AREA_MM2, LOAD_LENGTH_M, colour, holder.place,
            title=f"{title}, {name} wire", mark=mark,
        )
        for name, start, end, colour in ends
    )  # fmt: skip
    own = bike.own
    return replace(bike, own=replace(own, parts=(*own.parts, part), wires=(*own.wires, *wiring)))


def _splice(bike: Bike, id: str, library: Library) -> Bike:
    """The bike with a wire cut in two and joined again: it keeps its name as far as the splice."""
    wires = {w.id: w for s in (*bike.sections, bike.own) for w in s.wires}
    if id not in wires:
        raise UsageError(f"{NAME}: spliced: {unknown('wire', id, wires)}")
    old = wires[id]
    if CORE in library.kinds[old.kind].values:
        raise UsageError(f"{NAME}: spliced: {id} is a {library.kinds[old.kind].title}, which nobody splices")
    _needs_kind(library, SPLICE_KIND)
    joint, beyond = f"{id}_splice", f"{id}_beyond"
    title, half = old.title or id.replace("_", " "), old.length_m / 2
    part = Part(joint, SPLICE_KIND, f"splice in the {title}", old.place, fresh=old.fresh, mark=bike.mark)
    near = replace(old, end=f"{joint}.in", length_m=half)
    titled = f"{title}, beyond its splice" if old.title else ""
    far = replace(old, id=beyond, start=f"{joint}.out", length_m=half, title=titled, mark=bike.mark)

    def moved(point: str) -> str:
        return f"{beyond}.b" if point == f"{id}.b" else point

    def cut(section: Section) -> Section:
        laid = [
            own
            for w in section.wires
            for own in ((near, far) if w.id == id else (replace(w, start=moved(w.start), end=moved(w.end)),))
        ]
        bonds = tuple((moved(a), moved(b)) for a, b in section.bonds)
        return replace(section, wires=tuple(laid), bonds=bonds)

    own = cut(bike.own)
    own = replace(own, parts=(*own.parts, part))
    return replace(bike, sections=tuple(cut(s) for s in bike.sections), own=own)


def _needs_kind(library: Library, kind: str) -> None:
    if kind not in library.kinds:
        raise UsageError(f"{NAME}: {unknown('kind of part', kind, library.kinds)}")


def _names(overlay: Mapping[str, Any], key: str) -> tuple[str, ...]:
    found = overlay.get(key, ())
    if not isinstance(found, list | tuple) or not all(isinstance(name, str) for name in found):
        raise UsageError(f"{NAME}: {key}={found!r} is not a list of ids; expected such as [horn]")
    return tuple(found)


def _pairs(overlay: Mapping[str, Any], key: str) -> list[tuple[str, str]]:
    found = overlay.get(key, {})
    if not isinstance(found, Mapping) or not all(isinstance(v, str) for v in found.values()):
        raise UsageError(f"{NAME}: {key}={found!r} is not a mapping of ids to words")
    return list(found.items())
