"""Conditions as text: control positions that differ from rest, engine, fuses out, connectors apart.

`key=on,lights=low,engine=idle,out=main_fuse,apart=tail_plug,battery=off,grounded=horn.minus`; '' is
everything at rest.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from diagnose.catalogue.model import Control
from diagnose.catalogue.spec import BikeSpec
from diagnose.catalogue.words import ENGINE_WORDS, RESERVED_CONTROLS
from diagnose.errors import UsageError, unknown

SLOWEST_RPM, FASTEST_RPM = 100, 20_000
KEY = "key"  # the control that complaints speak of as the key


@dataclass(frozen=True, slots=True)
class Parsed:
    """A condition's text, read.

    controls  those that differ from rest, as sorted (control, position) pairs
    engine    off | cranking | idle | rpm digits
    out, apart, grounded  fuses, connectors, points joined to the battery's ground post by a wire; sorted
    battery   connected
    """

    controls: tuple[tuple[str, str], ...]
    engine: str
    out: tuple[str, ...]
    apart: tuple[str, ...]
    battery: bool
    grounded: tuple[str, ...]


def parse_condition(text: str, spec: BikeSpec) -> Parsed:
    """Read the text of a condition for one bike.

    `apart` takes connectors, and wires that are undone at one end: the one reached sooner, or WIRE.a, WIRE.b.

    raises   UsageError with near misses for anything the bike does not have
    """
    fuses = [p.id for p in spec.parts.values() if spec.kinds[p.kind].word == "fuse"]
    ends = [f"{wire}.{end}" for wire in spec.wires for end in ("a", "b")]
    connectors = (*spec.connectors, *spec.wires, *ends)
    return parse_words(text, spec.controls, fuses, connectors, tuple(spec.nodes))


def parse_words(
    text: str,
    controls: Mapping[str, Control],
    fuses: list[str],
    connectors: tuple[str, ...],
    points: tuple[str, ...] = (),
) -> Parsed:
    """As parse_condition, for controls, fuses, connectors and points given one by one."""
    set_to: dict[str, str] = {}
    out: set[str] = set()
    apart: set[str] = set()
    grounded: set[str] = set()
    for pair in text.split(",") if text.strip() else ():
        name, equals, position = (p.strip() for p in pair.partition("="))
        if not equals or not name or not position:
            raise UsageError(f"condition {text!r}: {pair.strip()!r} is not NAME=POSITION; try key=on")
        if name == "out":
            out.add(_known("fuse", position, fuses, text))
        elif name == "apart":
            apart.add(_known("connector", position, connectors, text))
        elif name == "grounded":
            grounded.add(_known("point", position, points, text))
        elif name in set_to:
            raise UsageError(f"condition {text!r}: {name} is set twice; expected one position")
        else:
            set_to[name] = position
    engine = _engine(set_to.pop("engine", "off"), text)
    battery = set_to.pop("battery", "on")
    if battery not in ("on", "off"):
        raise UsageError(f"condition {text!r}: battery={battery!r}; expected on or off")
    for name, position in set_to.items():
        if name not in controls:
            names = (*controls, *RESERVED_CONTROLS)
            raise UsageError(f"condition {text!r}: {unknown('control', name, names)}")
        _known(f"position of {name}", position, controls[name].positions, text)
    moved = tuple(sorted((n, p) for n, p in set_to.items() if p != controls[n].rest))
    fuses_out, parted, joined = (tuple(sorted(found)) for found in (out, apart, grounded))
    return Parsed(moved, engine, fuses_out, parted, battery == "on", joined)


def fitting(text: str, controls: Mapping[str, Control]) -> str:
    """A complaint's condition on a bike without a key, where what the key switches on is on; else as told."""
    pairs = [p.strip() for p in text.split(",") if p.strip()]
    if KEY in controls:
        return ",".join(pairs)
    return ",".join(p for p in pairs if not p.startswith(f"{KEY}=") or p == f"{KEY}=off")


def _known(kind: str, name: str, names: list[str] | tuple[str, ...], text: str) -> str:
    if name not in names:
        raise UsageError(f"condition {text!r}: {unknown(kind, name, names)}")
    return name


def _engine(word: str, text: str) -> str:
    if word in ENGINE_WORDS:
        return word
    if word.isascii() and word.isdigit() and SLOWEST_RPM <= int(word[:6]) <= FASTEST_RPM and len(word) <= 5:
        return str(int(word))
    expected = f"off, cranking, idle or rpm from {SLOWEST_RPM} to {FASTEST_RPM}"
    raise UsageError(f"condition {text!r}: engine={word!r} is unknown; expected {expected}")
