"""This bike differs: what a user says of his own bike, laid over the bike as drawn.

    not_fitted: [component or connector]     taken away; what led to it hangs free
    bypassed:   [component or connector]     taken away, its two terminals joined
    colour:     {wire: BU}                   another colour
    place:      {component: place}           sits somewhere else
    added:      {parts: ..., wires: ..., bonds: ... and whatever else a section may hold}

Part of the first arrow; takes a bike file as read and returns another one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from diagnose.catalogue.fields import Cursor
from diagnose.catalogue.model import Library, Part, Section, Wire
from diagnose.catalogue.read_bikes import Bike
from diagnose.catalogue.read_sections import CONTENT, is_colour, read_section
from diagnose.documents import Document
from diagnose.errors import KnowledgeError, Problem, UsageError, unknown

KEYS = ("not_fitted", "bypassed", "colour", "place", "added")
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
    if "added" in overlay:
        bike = _add(bike, overlay["added"], library)
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
        else:
            raise UsageError(f"{NAME}: place: {unknown('component', id, (*parts, *wires))}")
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
    terminals = library.kinds[parts[component].kind].terminals
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
    )
    return replace(bike, own=own)


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
