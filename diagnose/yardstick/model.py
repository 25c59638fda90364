"""Benchmark data: the trade's causes, deciding tests, orders of testing, handbook checks, read from YAML.

Data that a job is compared with. No job may read it: `tests/test_architecture.py` keeps it out of every
other room.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TypeVar

import msgspec

from diagnose.documents import read_document
from diagnose.errors import KnowledgeError, Problem

HERE = Path(__file__).resolve().parent
T = TypeVar("T")


class Cause(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One cause as the trade names it.

    faults  patterns of fault ids
    blows   fuses: whatever has blown one of them belongs here first
    share   the trade's share in %, if it says
    """

    title: str
    faults: tuple[str, ...] = ()
    blows: tuple[str, ...] = ()
    share: int | None = None

    def holds(self, fault: str) -> bool:
        """Whether a fault id belongs to this cause."""
        return any(fnmatchcase(fault, p) for p in self.faults)


class Row(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One row of the trade: a symptom on a fitting bike, causes in their order, the tests that decide.

    complaint  the rider's words, several parted by '|' if the trade's row covers them; '' where the symptom
               is only what was seen
    seen       measurement id -> the word seen, which makes the symptom more precise
    deciding   patterns of measurement ids; a list of several is one test done in a few readings
    excused    who is right where the program differs, and why; '' if it must agree
    parts      which halves are excused: causes, deciding
    loose      the fault comes and goes: only suspects that do are weighed
    bike       '' where no ready bike fits: excused as a whole
    """

    id: str
    source: str
    bike: str
    complaint: str
    kit: str
    causes: tuple[Cause, ...]
    deciding: tuple[str, ...]
    seen: dict[str, str] = {}
    excused: str = ""
    parts: tuple[str, ...] = ()
    loose: bool = False

    @property
    def complaints(self) -> tuple[str, ...]:
        """The complaints that the row covers."""
        return tuple(c.strip() for c in self.complaint.split("|") if c.strip())


class Sequence(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """In what order a good hand tests. Each kit adds its lines; a line is patterns of measurement ids.

    hands, lamp, meter  lines by kit, in order. `try:REPAIR` is a cheap try in its place. A hand with a
                        meter does the lines of `hands` that `with_meter` counts from the front, then `meter`
    """

    id: str
    source: str
    bike: str
    complaint: str
    hands: tuple[str, ...]
    lamp: tuple[str, ...]
    meter: tuple[str, ...]
    with_meter: int = 2

    def lines(self, kit: str) -> tuple[str, ...]:
        """The lines of a kit, in the order in which they are done."""
        if kit == "hands":
            return self.hands
        if kit == "lamp":
            return (*self.hands, *self.lamp)
        return (*self.hands[: self.with_meter], *self.meter, *self.hands[self.with_meter :])


class Check(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A check of a handbook on a fitting bike: with this fault it reads so, and so it points there.

    fault    '' for a sound bike
    low, high  limits of the reading, '' for none; word: what is seen, for checks without a number
    points_to  patterns of fault ids that the reading must speak for; () where only the number is checked
    """

    measurement: str
    fault: str = ""
    low: str = ""
    high: str = ""
    word: str = ""
    points_to: tuple[str, ...] = ()


class Handbook(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One row of a published trouble table: symptom, source, the bike it is tried on, checks.

    excused  who is right where a part of the row is left out, and why; '' where all of it is checked
    """

    id: str
    symptom: str
    source: str
    bike: str
    complaint: str
    checks: tuple[Check, ...]
    excused: str = ""


def _read(name: str, kind: type[T]) -> tuple[T, ...]:
    path = HERE / name
    document = read_document(path)
    try:
        return tuple(msgspec.convert(document.data, list[kind]))  # type: ignore[valid-type]
    except msgspec.ValidationError as err:
        raise KnowledgeError([Problem(str(path), 0, 0, str(err))]) from err


def rows() -> tuple[Row, ...]:
    """The rows of causes and deciding tests."""
    return _read("rows.yaml", Row)


def sequences() -> tuple[Sequence, ...]:
    """The orders of testing."""
    return _read("sequences.yaml", Sequence)


def handbook() -> tuple[Handbook, ...]:
    """The rows of published trouble tables."""
    return _read("handbook.yaml", Handbook)


def matching(pattern: str, ids: Iterable[str] | Mapping[str, object]) -> tuple[str, ...]:
    """Ids that a pattern names, in the order of `ids`."""
    if "*" not in pattern and "?" not in pattern and "[" not in pattern:
        return (pattern,) if pattern in ids else ()
    return tuple(i for i in ids if fnmatchcase(i, pattern))
