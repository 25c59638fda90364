"""Run recorded jobs and cases again and compare: every journal is a test.

A case (YAML) names a bike, a complaint and either the messages of a recorded job or observations to give
when asked, and says what must come out. A journal (JSONL) must come to the advice that it recorded.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from diagnose import journal as journals
from diagnose.cases.read import read_case
from diagnose.cases.run import run_case
from diagnose.conversation.step import fold
from diagnose.errors import UsageError
from diagnose.means import Opened
from diagnose.wiring import BikeWorld


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


def _case(path: Path, opened: Opened, worlds: dict[str, BikeWorld]) -> tuple[bool, str]:
    """Play a case: its truth is simulated; what must come out is compared."""
    case = read_case(path)
    result = run_case(case, _world(opened, worlds, case.bike), opened)
    return result.same, result.text
