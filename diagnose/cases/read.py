"""A case file: strict reading of what a rider brings, what is hidden, and what must come out.

Part of the first arrow for cases (YAML -> Case). Knows no physics; ids of a bike are looked up when it is
played.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from diagnose.documents import Document, read_document
from diagnose.errors import KnowledgeError, Problem

CASE_KEYS = (
    "case", "title", "bike", "complaints", "kit", "skill", "history", "shows", "truth", "slips", "messages",
    "expect", "source",
)  # fmt: skip
NEEDED = ("case", "bike", "complaints")
EXPECT_KEYS = (
    "cause", "repair", "tool_steps_at_most", "outcome", "wrong_repairs_at_most", "doubts_at_least",
    "doubted_for",
)  # fmt: skip
SLIP_KEYS = ("step", "measurement", "reads", "again")
SHOWS = ("now", "stirred")


@dataclass(frozen=True, slots=True)
class Slip:
    """A wrong reading: of the reading number `step` that is asked (from 1), or of a measurement, once.

    again  asked again because it was doubted, the rider reads the same once more
    """

    reads: str
    step: int = 0
    measurement: str = ""
    again: bool = False


@dataclass(frozen=True, slots=True)
class Case:
    """One case as its file says.

    history   what happened before it failed (facts that were answered yes)
    shows     of faults that come and go: 'now' while the job is done, 'stirred' only by moving, warming or
              wetting their place; '' for faults that are always there
    truth     the hidden faults, as ids
    messages  what the rider says first, in order, as messages of the protocol
    expect    see EXPECT_KEYS
    """

    id: str
    title: str
    bike: str
    complaints: tuple[str, ...]
    kit: str = "meter"
    skill: str = "trade"
    history: tuple[str, ...] = ()
    shows: str = ""
    truth: tuple[str, ...] = ()
    slips: tuple[Slip, ...] = ()
    messages: tuple[Mapping[str, Any], ...] = ()
    expect: Mapping[str, Any] = field(default_factory=dict)

    @property
    def options(self) -> dict[str, Any]:
        """What the intake knows of it."""
        known: dict[str, Any] = {
            "complaints": list(self.complaints),
            "kit": self.kit,
            "skill": self.skill,
            "history": dict.fromkeys(self.history, True),
            "switches": "checked",
            "others": "skipped",
        }
        return known


def read_case(path: Path) -> Case:
    """Read a case file; raises KnowledgeError with file:line for all that is wrong in it."""
    document = read_document(path)
    data = document.data
    if not isinstance(data, dict):
        message = "a case is a mapping; expected keys such as case, bike"
        raise KnowledgeError([Problem(str(path), 1, 1, message)])
    problems = _Problems(path, document)
    for key in data:
        if key not in CASE_KEYS:
            problems.note((key,), f"unknown key {key!r}; expected one of {', '.join(CASE_KEYS)}")
    for key in NEEDED:
        if key not in data:
            message = f"key {key!r} is missing; expected it in every case"
            problems.found.append(Problem(str(path), 1, 1, message))
    if data.get("case") != path.stem:
        message = f"case={data.get('case')!r} differs from the file name; expected {path.stem!r}"
        problems.note(("case",), message)
    for key in data.get("expect") or {}:
        if key not in EXPECT_KEYS:
            problems.note(("expect", key), f"unknown key {key!r}; expected one of {', '.join(EXPECT_KEYS)}")
    shows = str(data.get("shows") or "")
    if shows and shows not in SHOWS:
        problems.note(("shows",), f"shows={shows!r} is unknown; expected one of {', '.join(SHOWS)}")
    if not data.get("truth") and not data.get("messages"):
        message = "neither truth nor messages; expected what is hidden, or what was said"
        problems.found.append(Problem(str(path), 1, 1, message))
    slips = tuple(_slip(problems, i, s) for i, s in enumerate(data.get("slips") or ()))
    messages = tuple(data.get("messages") or ())
    for i, message in enumerate(messages):
        if not isinstance(message, dict):
            problems.note(
                ("messages", i), f"message {message!r} is no mapping; expected such as {{answer: yes}}"
            )
    if problems.found:
        raise KnowledgeError(problems.found)
    return Case(
        id=data["case"],
        title=str(data.get("title") or ""),
        bike=data["bike"],
        complaints=tuple(data["complaints"]),
        kit=data.get("kit", "meter"),
        skill=data.get("skill", "trade"),
        history=tuple(data.get("history") or ()),
        shows=shows,
        truth=tuple(data.get("truth") or ()),
        slips=slips,
        messages=messages,
        expect=data.get("expect") or {},
    )


@dataclass(slots=True)
class _Problems:
    path: Path
    document: Document
    found: list[Problem] = field(default_factory=list)

    def note(self, keys: Sequence[str | int], message: str) -> None:
        mark = self.document.mark(tuple(keys))
        self.found.append(Problem(str(self.path), mark.line, mark.column, message))


def _slip(problems: _Problems, index: int, data: Any) -> Slip:
    at = ("slips", index)
    if not isinstance(data, dict):
        problems.note(at, f"slip {data!r} is no mapping; expected such as {{step: 3, reads: 0.02 V}}")
        return Slip("")
    for key in data:
        if key not in SLIP_KEYS:
            problems.note((*at, key), f"unknown key {key!r}; expected one of {', '.join(SLIP_KEYS)}")
    if ("step" in data) == ("measurement" in data) or "reads" not in data:
        problems.note(at, "expected what it reads, and either its step or its measurement")
    again = data.get("again", "right")
    if again not in ("right", "same"):
        problems.note((*at, "again"), f"again={again!r} is unknown; expected right or same")
    try:
        step = int(data.get("step", 0))
    except ValueError:
        problems.note((*at, "step"), f"step={data['step']!r} is no whole number; expected such as 3")
        step = 0
    return Slip(str(data.get("reads", "")), step, str(data.get("measurement", "")), again == "same")
