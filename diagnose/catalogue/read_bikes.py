"""One bike file: which sections it is made of, how they are joined, what is different.

Part of the first arrow (YAML -> catalogue). Overrides are applied here to the parts and wires of the
sections; merging and nodes are compose's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from diagnose.catalogue.fields import Cursor
from diagnose.catalogue.model import Function, Library, Part, Section, Wire
from diagnose.catalogue.read_sections import (
    CONTENT,
    read_function,
    read_part,
    read_section,
    read_wire,
)
from diagnose.catalogue.words import METAL_ROLES, POST_ROLES
from diagnose.documents import Document
from diagnose.errors import Mark, Problem, unknown

_NEEDS = ("bike", "title", "text", "sections", "body")
_MAY = (
    "joins",
    "override",
    "supply",
    "ground",
    "idle",
    "cranking",
    "wiring",
    "complaints",
    "not_fitted",
    "invented",
)


@dataclass(frozen=True, slots=True)
class Bike:
    """A bike file, its sections already overridden; own: what the file itself adds to them."""

    id: str
    title: str
    text: str
    path: str
    sections: tuple[Section, ...]
    own: Section
    body: Mapping[str, str]
    complaints: tuple[str, ...]
    not_fitted: tuple[str, ...]
    fresh: bool
    invented: bool
    supply_volts: float
    ground: str
    cranking_rpm: float
    idle_rpm: float
    mark: Mark
    marks: Mapping[str, Mark] = field(default_factory=dict)


def read_bike(doc: Document, library: Library, id: str, problems: list[Problem]) -> Bike | None:
    """Read a bike file; problems are noted, None only if nothing can be made of it."""
    here = Cursor(doc, (), doc.data, problems)
    if not here.is_mapping(_NEEDS, (*_MAY, *CONTENT)):
        return None
    if here.text("bike") != id:
        here.note(f"bike={here.text('bike')!r} differs from the file's name; expected {id!r}", "bike")
    names = here.texts("sections", library.sections, "section")
    if len(set(names)) != len(names):
        here.note(f"sections {', '.join(names)} repeat; expected each once", "sections")
    own = read_section(here, id, library.kinds, library.sources)
    joins = tuple(read_wire(c, name, library.kinds) for name, c in here.entries("joins"))
    own = replace(own, wires=own.wires + joins)
    sections = _override(here, [library.sections[n] for n in dict.fromkeys(names)], library)
    body_here = here.at("body")
    body_here.is_mapping(METAL_ROLES, POST_ROLES)
    if len([role for role in POST_ROLES if body_here.has(role)]) == 1:
        body_here.note(f"one post alone; expected {' and '.join(POST_ROLES)}, or neither without a battery")
    return Bike(
        id=id,
        title=here.text("title"),
        text=here.text("text"),
        path=doc.path,
        sections=sections,
        own=own,
        body={role: body_here.text(role) for role in (*POST_ROLES, *METAL_ROLES) if body_here.has(role)},
        complaints=here.texts("complaints", library.complaints, "complaint"),
        not_fitted=here.texts("not_fitted"),
        fresh=here.word("wiring", ("fresh", "used"), "used") == "fresh",
        invented=here.flag("invented", True),
        supply_volts=here.number("supply", "V", 12.0, low=0.1),
        ground=here.word("ground", ("minus", "plus"), "minus"),
        cranking_rpm=here.number("cranking", "rpm", 400.0, low=1.0),
        idle_rpm=here.number("idle", "rpm", 1300.0, low=1.0),
        mark=here.key_mark("bike"),
        marks={key: here.doc.mark((key,)) for key in ("body", "complaints", "not_fitted")},
    )


def _override(here: Cursor, sections: list[Section], library: Library) -> tuple[Section, ...]:
    changes: dict[str, Cursor] = dict(here.entries("override"))
    # a part of the same name is meant before its function
    known: dict[str, Part | Wire | Function] = {f.id: f for s in sections for f in s.functions}
    for s in sections:
        known.update({p.id: p for p in s.parts})
        known.update({w.id: w for w in s.wires})
    new: dict[str, Any] = {}
    for id, c in changes.items():
        base = known.get(id)
        if base is None:
            c.problems.append(c.own_key_mark.problem(unknown("part, wire or function", id, known)))
        elif isinstance(base, Part):
            new[id] = read_part(c, id, library.kinds, library.sources, base)
        elif isinstance(base, Function):
            new[id] = read_function(c, id, base)
        else:
            new[id] = read_wire(c, id, library.kinds, base)
    if not new:
        return tuple(sections)
    return tuple(
        replace(
            s,
            parts=tuple(new.get(p.id, p) for p in s.parts),
            wires=tuple(new.get(w.id, w) for w in s.wires),
            functions=tuple(new[f.id] if isinstance(new.get(f.id), Function) else f for f in s.functions),
        )
        for s in sections
    )
