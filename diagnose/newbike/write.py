"""A composed bike as plain YAML that its owner edits: every wire with colour, area, length and place.

Text only: the same bike, written so that what differs on the real one is changed in its line.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

from diagnose.catalogue.model import Value
from diagnose.catalogue.spec import BikeSpec
from diagnose.newbike.assemble import merge
from diagnose.newbike.model import Questionnaire
from diagnose.newbike.settle import Settled

LONGEST_LINE = 110  # a mapping longer than this is written with one entry a line
_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_./#-]*", re.ASCII)
# what YAML readers take for something else than text when it stands without quotes
_TAKEN = frozenset(["true", "false", "null", "yes", "no", "on", "off", "y", "n"])
# the values of a part that its owner reads off it: the amperes on a fuse, the watts on a lamp
_READ_OFF = {"fuse": ("rating", "A"), "lamp": ("rated_watts", "W")}
_ORDER = (
    "bike", "title", "text", "sections", "ports", "joins", "parts", "connectors", "wires", "bonds",
    "functions", "controls", "places", "override", "not_fitted", "body", "supply", "ground", "idle",
    "cranking", "wiring", "invented", "complaints",
)  # fmt: skip
_SAYS = {
    "ports": "which terminal feeds what",
    "places": "minutes to get at a place and to close it again",
    "override": "wires: colour (IEC 60757), area, length, place; fuses and lamps: what is written on them.\n"
    "# Where you read a value on your bike, write source: read_on_the_bike and leave why out",
    "complaints": "what a rider of this bike can complain of",
}


def whole(bike: Mapping[str, Any], spec: BikeSpec, complaints: Sequence[str]) -> dict[str, Any]:
    """The data of a bike with everything written out that its owner may want to change.

    bike  as assembled; spec: the same, composed; complaints: ids
    """
    written: dict[str, Any] = {}
    for wire in spec.wires.values():
        written[wire.id] = {
            **({"title": wire.title} if wire.title else {}),
            "colour": wire.colour,
            "area": f"{wire.area_mm2:g} mm2",
            "length": f"{wire.length_m:g} m",
            "place": wire.place,
        }
    for part in spec.parts.values():
        kind = spec.kinds[part.kind]
        if part.id in spec.wires or kind.word not in _READ_OFF:
            continue
        value, unit = _READ_OFF[kind.word]
        read = {k: v for k, v in {**kind.values, **part.values}.items() if k.endswith(f".{value}")}
        if read:
            written[part.id] = {
                "title": part.title,
                "values": {k: _amount(v, unit) for k, v in read.items()},
            }
    own = set(bike.get("wires", ())) | set(bike.get("parts", ())) | set(bike.get("joins", ()))
    override = merge({k: v for k, v in written.items() if k not in own}, bike.get("override", {}))
    used = {p.place for p in spec.parts.values()} | {c.place for c in spec.controls.values()}
    places = {
        p.id: {
            "title": p.title,
            "access": f"{p.access_min:g} min",
            "close": f"{p.close_min:g} min",
            **({"breaks": p.breaks} if p.breaks else {}),
        }
        for p in spec.places.values()
        if p.id in used
    }
    return {
        **bike,
        "override": override,
        "places": places,
        "invented": False,
        "complaints": list(complaints),
    }


def _amount(value: Value, unit: str) -> dict[str, str]:
    out = {"value": f"{value.number:g} {unit}"}
    if value.tolerance:
        out["tolerance"] = f"{200 * value.tolerance:g} %"  # read as two standard deviations
    out["source"] = value.source
    return out | ({"why": value.why} if value.why else {})


def answers_text(frame: Questionnaire, settled: Settled) -> str:
    """Which answers made the bike: said, following from those, taken as likeliest."""
    groups = (
        ("said", settled.said),
        ("follows from that", settled.follows),
        ("not said, the likeliest", tuple(settled.assumed)),
    )
    lines = []
    for title, questions in groups:
        shown = [f"{q}={settled.answers[q]}" for q in questions]
        if shown:
            lines.append(f"{title}: {', '.join(shown)}")
    return "\n".join(lines)


def yaml_text(bike: Mapping[str, Any], head: str) -> str:
    """A bike file. head: lines of comment on top."""
    out = [f"# {line}".rstrip() for line in head.split("\n")]
    for key in (*_ORDER, *(k for k in bike if k not in _ORDER)):
        if key not in bike or bike[key] in ({}, []):
            continue
        if key in _SAYS:
            out.append(f"# {_SAYS[key]}")
        out += _entry(key, bike[key], "")
    return "\n".join(out) + "\n"


def _entry(key: str, data: Any, indent: str) -> list[str]:
    flow = f"{indent}{_scalar(key)}: {_flow(data)}"
    deep = isinstance(data, Mapping) and any(isinstance(v, Mapping) for v in data.values())
    if isinstance(data, Mapping) and data and ((deep and not indent) or (len(flow) > LONGEST_LINE and deep)):
        lines = [f"{indent}{_scalar(key)}:"]
        for name, item in data.items():
            lines += _entry(name, item, indent + "  ")
        return lines
    if isinstance(data, list) and data and len(flow) > LONGEST_LINE:
        return [f"{indent}{_scalar(key)}:", *(f"{indent}  - {_flow(item)}" for item in data)]
    return [flow]


def _flow(data: Any) -> str:
    if isinstance(data, Mapping):
        return "{" + ", ".join(f"{_scalar(k)}: {_flow(v)}" for k, v in data.items()) + "}"
    if isinstance(data, list | tuple):
        return "[" + ", ".join(_flow(item) for item in data) + "]"
    return _scalar(data)


def _scalar(data: Any) -> str:
    if isinstance(data, bool):
        return "true" if data else "false"
    if data is None:
        return "null"
    if isinstance(data, int | float):
        return repr(data)
    if _PLAIN.fullmatch(data) and data.lower() not in _TAKEN:
        return str(data)
    return json.dumps(data, ensure_ascii=False)
