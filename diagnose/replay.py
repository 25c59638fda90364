"""Run recorded jobs and cases again and compare: every journal is a test.

A case (YAML) names a bike, a complaint and either the messages of a recorded job or observations to give
when asked, and says what must come out. A journal (JSONL) must come to the advice that it recorded.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from diagnose import journal as journals
from diagnose.bike.candidates import read_fault
from diagnose.conversation.step import fold
from diagnose.documents import read_document
from diagnose.errors import KnowledgeError, Problem, UsageError
from diagnose.means import Opened
from diagnose.play import play
from diagnose.several import SeveralPlayer
from diagnose.wiring import BikeWorld

CASE_KEYS = (
    "case", "title", "bike", "complaints", "kit", "skill", "history", "truth", "messages", "expect", "source",
)  # fmt: skip
EXPECT_KEYS = ("cause", "repair", "tool_steps_at_most", "outcome")


def replay_files(files: Sequence[str], opened: Opened) -> list[dict[str, Any]]:
    """Replay each file; a list of {file, same, text}."""
    worlds: dict[str, BikeWorld] = {}
    results = []
    for name in files:
        path = Path(name)
        if not path.is_file():
            raise UsageError(f"{name}: no such file; expected a journal (.jsonl) or a case (.yaml)")
        if path.suffix == journals.SUFFIX:
            same, text = _journal(path, opened, worlds)
        elif path.suffix in (".yaml", ".yml"):
            same, text = _case(path, opened, worlds)
        else:
            raise UsageError(
                f"{name}: neither a journal nor a case; expected a file that ends in .jsonl or .yaml"
            )
        results.append({"file": name, "same": same, "text": text})
    return results


def _world(opened: Opened, worlds: dict[str, BikeWorld], bike: str) -> BikeWorld:
    if bike not in worlds:
        worlds[bike] = opened.world(bike)
    return worlds[bike]


def _advice(events: Sequence[Sequence[Mapping[str, Any]]]) -> list[tuple[str, str | None]]:
    return [(e["sort"], e["repair"]) for group in events for e in group if e["event"] == "advice"]


def _journal(path: Path, opened: Opened, worlds: dict[str, BikeWorld]) -> tuple[bool, str]:
    record = journals.read(path)
    world = _world(opened, worlds, record.bike)
    _, events = fold(record.options, record.messages, world, opened.rulebase, opened.wording)
    now = _advice(events)
    then = [(t["sort"], t.get("repair")) for t in record.told if t.get("event") == "advice"]
    if now == then:
        return True, f"{len(record.messages)} messages, the same advice: {_words(now)}"
    return False, f"then {_words(then)}; now {_words(now)}"


def _words(advice: Sequence[tuple[str, str | None]]) -> str:
    return ", ".join(f"{sort} {repair or ''}".strip() for sort, repair in advice) or "none"


def read_case(path: Path) -> Mapping[str, Any]:
    """A case as plain data; raises KnowledgeError with file:line for what is wrong in it."""
    document = read_document(path)
    data = document.data
    problems: list[Problem] = []

    def wrong(keys: tuple[str | int, ...], message: str) -> None:
        mark = document.mark(keys)
        problems.append(Problem(str(path), mark.line, mark.column, message))

    if not isinstance(data, dict):
        raise KnowledgeError(
            [Problem(str(path), 1, 1, "a case is a mapping; expected keys such as case, bike")]
        )
    for key in data:
        if key not in CASE_KEYS:
            wrong((key,), f"unknown key {key!r}; expected one of {', '.join(CASE_KEYS)}")
    for key in ("case", "bike", "complaints"):
        if key not in data:
            problems.append(Problem(str(path), 1, 1, f"key {key!r} is missing; expected it in every case"))
    if data.get("case") != path.stem:
        wrong(("case",), f"case={data.get('case')!r} differs from the file name; expected {path.stem!r}")
    for key in data.get("expect") or {}:
        if key not in EXPECT_KEYS:
            wrong(("expect", key), f"unknown key {key!r}; expected one of {', '.join(EXPECT_KEYS)}")
    if problems:
        raise KnowledgeError(problems)
    return data


def case_options(data: Mapping[str, Any]) -> dict[str, Any]:
    """What the intake knows of a case."""
    return {
        "complaints": list(data["complaints"]),
        "kit": data.get("kit", "meter"),
        "skill": data.get("skill", "trade"),
        "history": dict.fromkeys(data.get("history") or (), True),
        "switches": "checked",
        "others": "skipped",
    }


def _case(path: Path, opened: Opened, worlds: dict[str, BikeWorld]) -> tuple[bool, str]:
    """Play a case: its truth is simulated; what must come out is compared."""
    data = read_case(path)
    world = _world(opened, worlds, data["bike"])
    wanted = data.get("expect") or {}
    faults = tuple(read_fault(world.built, world.service, f) for f in data.get("truth") or ())
    player = SeveralPlayer(world, faults, tuple(data["complaints"]))
    played = play(world, opened.rulebase, opened.wording, case_options(data), player, player.mend)
    right = [a.repair for a in played.advice if a.right]
    wrong = [a.repair for a in played.advice if not a.right and a.sort == "repair"]
    found = []
    if "repair" in wanted and wanted["repair"] not in [a.repair for a in played.advice]:
        found.append(f"expected the repair {wanted['repair']}")
    if "cause" in wanted and (not right or wanted["cause"] not in played.causes):
        named = ", ".join(played.causes) or "nothing"
        found.append(f"expected the cause {wanted['cause']}, found {named}")
    if right and player.left:
        found.append(f"{', '.join(f.id for f in player.left)} was not repaired")
    if "outcome" in wanted and played.outcome != wanted["outcome"]:
        found.append(f"expected the outcome {wanted['outcome']}")
    limit = wanted.get("tool_steps_at_most")
    if limit is not None and played.tool_steps > int(limit):
        found.append(f"{played.tool_steps} steps with a tool; expected at most {limit}")
    text = f"{played.outcome}, {played.tool_steps} steps with a tool, {', '.join(right) or 'nothing found'}"
    if wrong:
        text += f", wrong: {', '.join(wrong)}"
    return not found, text + ("; " + "; ".join(found) if found else "")
