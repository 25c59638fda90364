"""Fragments of loom out of sections/*.yaml: places, controls, parts, connectors, wires, functions.

Part of the first arrow (YAML -> catalogue). References inside a fragment to kinds, sources and values
are checked here; those that may lead to another fragment (terminals, places, controls, neighbours) when
a bike is composed.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from diagnose.catalogue.fields import ID, Cursor
from diagnose.catalogue.model import (
    Connector,
    Control,
    Function,
    Kind,
    Part,
    Place,
    Port,
    Requirement,
    Section,
    Wire,
)
from diagnose.catalogue.read_kinds import read_values, value_units
from diagnose.catalogue.words import (
    FUNCTION_STATES,
    NEED_UNITS,
    NEEDS_ALLOWED,
    NEEDS_REQUIRED,
    RESERVED_CONTROLS,
    WAY_KIND,
    WIRE_KIND,
)
from diagnose.errors import Mark, unknown

CONTENT = ("places", "controls", "parts", "connectors", "wires", "bonds", "functions", "ports")
_PART_MAY = ("control", "values", "neighbours", "unplugs", "wet", "fresh", "unused")
_WIRE_NEEDS = ("from", "to", "area", "length", "colour", "place")
_WIRE_MAY = ("neighbours", "fresh", "kind", "title")
_FUNCTION_MAY = ("element", "needs", "question", "roles", "twin")

# IEC 60757 letters; two letter codes joined with '/' for a tracer: GN/YE
COLOUR_CODES = frozenset(
    ["BK", "BN", "RD", "OG", "YE", "GN", "BU", "VT", "GY", "WH", "PK", "GD", "TQ", "SR", "GNYE"]
)
# what looms also use and the standard does not have
TRADE_COLOURS = frozenset(["LGN", "LBU", "DGN", "CL"])


def read_section(here: Cursor, id: str, kinds: Mapping[str, Kind], sources: Collection[str]) -> Section:
    """One fragment; `here` stands on a mapping whose keys have been checked."""
    parts: list[Part] = [read_part(c, name, kinds, sources) for name, c in here.entries("parts")]
    connectors: list[Connector] = []
    for name, c in here.entries("connectors"):
        connector, ways = _connector(c, name, kinds, sources)
        connectors.append(connector)
        parts += ways
    bonds, bond_marks = read_bonds(here)
    return Section(
        id=id,
        title=here.text("title"),
        places={name: _place(c, name) for name, c in here.entries("places")},
        controls={name: _control(c, name) for name, c in here.entries("controls")},
        parts=tuple(parts),
        wires=tuple(read_wire(c, name, kinds) for name, c in here.entries("wires")),
        bonds=bonds,
        functions=tuple(read_function(c, name) for name, c in here.entries("functions")),
        connectors=tuple(connectors),
        bond_marks=bond_marks,
        mark=here.mark,
        ports=tuple(_port(c, name) for name, c in here.entries("ports")),
    )


def _place(here: Cursor, name: str) -> Place:
    here.is_mapping(("title", "access", "close"), ("breaks", "turns"))
    return Place(
        id=name,
        title=here.text("title"),
        access_min=here.number("access", "min", low=0.0),
        close_min=here.number("close", "min", low=0.0),
        breaks=here.text("breaks"),
        turns=here.flag("turns"),
        mark=here.own_key_mark,
    )


def _control(here: Cursor, name: str) -> Control:
    here.is_mapping(("title", "positions", "rest"), ("words", "place"))
    positions = here.texts("positions")
    if name in RESERVED_CONTROLS:
        here.note(f"control {name!r} has a name that conditions need; try {name}_switch")
    if here.has("positions") and (len(positions) < 2 or len(set(positions)) != len(positions)):
        here.note(
            f"positions of {name} are {list(positions)}; expected two or more different words", "positions"
        )
    for p in positions:
        if not ID.fullmatch(p):
            here.note(f"position {p!r} is not snake_case; expected a word", "positions")
    words = {}
    for position, c in here.entries("words"):
        if position not in positions:
            here.at("words").note(unknown("position", position, positions))
        elif not isinstance(c.data, str):
            c.note(f"words of {position} are not text")
        else:
            words[position] = c.data
    rest = here.word("rest", positions, kind="position")
    return Control(name, here.text("title"), positions, rest, words, here.text("place"), here.own_key_mark)


def _port(here: Cursor, name: str) -> Port:
    terminal = here.data if isinstance(here.data, str) else ""
    if "." not in terminal:
        here.note(f"port {name}={here.data!r} is no terminal; expected component.terminal")
    return Port(name, terminal, here.own_key_mark)


def read_part(
    here: Cursor,
    id: str,
    kinds: Mapping[str, Kind],
    sources: Collection[str],
    base: Part | None = None,
) -> Part:
    """A part; with `base`, the keys given replace those of the base and values are merged.

    A `base` that becomes another kind keeps only the values that the new kind has too.
    """
    needs = ("kind", "title", "place")
    here.is_mapping(*((needs, _PART_MAY) if base is None else ((), (*needs, *_PART_MAY))))
    old = base or Part(id, "", "", "", mark=here.own_key_mark)
    kind = here.word("kind", kinds, old.kind, kind="kind of part")
    terminals = kinds[kind].terminals if kind in kinds else ()
    # values of the kind it was mean nothing to the kind that it becomes, unless their names agree
    known = value_units(kinds[kind]) if kind in kinds else old.values
    values = {key: value for key, value in old.values.items() if key in known}
    if here.has("values") and kind in kinds:
        values.update(read_values(here.at("values"), value_units(kinds[kind]), sources))
    return Part(
        id=id,
        kind=kind,
        title=here.text("title", old.title),
        place=here.text("place", old.place),
        control=here.text("control", old.control),
        values=values,
        connector=old.connector,
        neighbours=here.texts("neighbours") if here.has("neighbours") else old.neighbours,
        unplugs=here.text("unplugs", old.unplugs),
        wet=here.flag("wet", old.wet),
        fresh=here.flag("fresh", old.fresh),
        unused=here.texts("unused", terminals, "terminal") if here.has("unused") else old.unused,
        mark=old.mark,
    )


def _connector(
    here: Cursor, name: str, kinds: Mapping[str, Kind], sources: Collection[str]
) -> tuple[Connector, list[Part]]:
    here.is_mapping(("title", "place", "ways"), ("kind", "neighbours", "wet", "fresh", "values"))
    ways = here.texts("ways")
    if here.has("ways") and (not ways or len(set(ways)) != len(ways)):
        here.note(f"ways of {name} are {list(ways)}; expected different words", "ways")
    for way in ways:
        if not ID.fullmatch(way):
            here.note(f"way {way!r} is not snake_case; expected a word", "ways")
    in_order = here.word("neighbours", ("in_order", "none"), "in_order") == "in_order"
    kind = here.word("kind", kinds, WAY_KIND, kind="kind of part")
    if kind not in kinds:
        here.note(unknown("kind of part", kind, kinds))
    values = {}
    if here.has("values") and kind in kinds:
        values = read_values(here.at("values"), value_units(kinds[kind]), sources)
    ids = [f"{name}_{way}" for way in ways]
    title, place = here.text("title"), here.text("place")
    parts = [
        Part(
            id=id,
            kind=kind,
            title=f"{title}, {way.replace('_', ' ')}",
            place=place,
            values=values,
            connector=name,
            neighbours=tuple(ids[max(i - 1, 0) : i] + ids[i + 1 : i + 2]) if in_order else (),
            unplugs=name,
            wet=here.flag("wet"),
            fresh=here.flag("fresh"),
            mark=here.own_key_mark,
        )
        for i, (id, way) in enumerate(zip(ids, ways, strict=True))
    ]
    return Connector(name, title, place, tuple(ids), here.own_key_mark), parts


def read_wire(here: Cursor, id: str, kinds: Mapping[str, Kind], base: Wire | None = None) -> Wire:
    """A wire; with `base`, the keys given replace those of the base."""
    needs, may = (_WIRE_NEEDS, _WIRE_MAY) if base is None else ((), (*_WIRE_NEEDS, *_WIRE_MAY))
    here.is_mapping(needs, may)
    old = base or Wire(id, "", "", 0.0, 0.0, "", "", mark=here.own_key_mark)
    colour = here.text("colour", old.colour)
    if here.has("colour") and not is_colour(colour):
        message = f"colour={colour!r} is not made of IEC 60757 letters; expected such as BU or GN/YE"
        here.note(message, "colour")
    return Wire(
        id=id,
        start=here.text("from", old.start),
        end=here.text("to", old.end),
        area_mm2=here.number("area", "mm2", old.area_mm2, low=0.01),
        length_m=here.number("length", "m", old.length_m, low=0.001),
        colour=colour,
        place=here.text("place", old.place),
        neighbours=here.texts("neighbours") if here.has("neighbours") else old.neighbours,
        fresh=here.flag("fresh", old.fresh),
        kind=here.word("kind", kinds, old.kind or WIRE_KIND, kind="kind of part"),
        title=here.text("title", old.title),
        mark=old.mark,
    )


def is_colour(text: str) -> bool:
    """Whether a wire colour is written in letters of IEC 60757, or the few that looms add to them."""
    return all(code in COLOUR_CODES or code in TRADE_COLOURS for code in text.split("/"))


def read_bonds(here: Cursor) -> tuple[tuple[tuple[str, str], ...], tuple[Mark, ...]]:
    """The list `bonds`: terminals that touch. A bond of three or more becomes pairs with the first."""
    bonds: list[tuple[str, str]] = []
    marks: list[Mark] = []
    for item in here.items("bonds"):
        points = item.data
        if not isinstance(points, list) or len(points) < 2 or not all(isinstance(p, str) for p in points):
            item.note(f"{item.name} is not a bond; expected [component.terminal, component.terminal]")
            continue
        for point in points[1:]:
            bonds.append((points[0], point))
            marks.append(item.mark)
    return tuple(bonds), tuple(marks)


def read_function(here: Cursor, name: str, base: Function | None = None) -> Function:
    """A function; with `base`, the keys given replace those of the base."""
    required = ("title", "kind", "when")
    here.is_mapping(*((required, _FUNCTION_MAY) if base is None else ((), (*required, *_FUNCTION_MAY))))
    old = base or Function(name, "", "", "", mark=here.own_key_mark)
    kind = here.word("kind", FUNCTION_STATES, old.kind, kind="kind of function")
    needs = tuple(_need(c) for c in here.items("needs")) if here.has("needs") else old.needs
    element = here.text("element", old.element)
    if kind in NEEDS_REQUIRED and not needs:
        here.note(f"{name} of kind {kind} has no needs; expected needs: [...] that decide whether it works")
    if needs and kind not in NEEDS_ALLOWED:
        here.note(f"{name} of kind {kind} has needs; expected element: component.element instead", "needs")
    if kind and kind not in NEEDS_ALLOWED and not element:
        here.note(f"{name} lacks element; expected component.element that makes the {kind}")
    return Function(
        id=name,
        title=here.text("title", old.title),
        kind=kind,
        when=here.text("when", old.when),
        element=element,
        needs=needs,
        question=here.text("question", old.question),
        roles=here.texts("roles") if here.has("roles") else old.roles,
        twin=here.text("twin", old.twin),
        mark=old.mark,
    )


def _need(here: Cursor) -> Requirement:
    here.is_mapping(("quantity", "plus", "minus", "weak", "dead", "below"), ("title", "when"))
    if not isinstance(here.data, dict):
        return Requirement("volts", "", "", 0.0, 0.0, True)
    measured = here.word("quantity", NEED_UNITS, "volts")
    unit = NEED_UNITS[measured]
    weak, dead, below = here.number("weak", unit), here.number("dead", unit), here.flag("below")
    if here.has("below") and (dead > weak if below else dead < weak):
        side = "below" if below else "above"
        here.note(f"dead={dead:g} {unit} is on the good side of weak={weak:g} {unit}; expected it {side}")
    plus, minus = here.text("plus"), here.text("minus")
    return Requirement(measured, plus, minus, weak, dead, below, here.text("title"), here.text("when"))
