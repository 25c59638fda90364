"""What differs on the user's own bikes, kept from job to job: one small YAML file a bike in his folder.

Beside the journal, which holds what one job used. Knows differences and files only.
"""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from diagnose.catalogue.differences import IS, SAID, Difference, as_entry, read_entries
from diagnose.documents import read_document
from diagnose.errors import JournalError, UsageError
from diagnose.journal import home, now


@dataclass(frozen=True, slots=True)
class Kept:
    """One difference and when it was said ('' if the file does not tell)."""

    difference: Difference
    said: str = ""


def differs_file(bike: str, folder: str | os.PathLike[str] | None = None) -> Path:
    """Where the differences of a bike are kept. bike: its id or path; folder: see journal.home"""
    return home(folder) / "differs" / f"{Path(bike).stem}.yaml"


def read_kept(path: Path) -> tuple[Kept, ...]:
    """What the file of a bike holds, in the order it was said; () without a file.

    raises  KnowledgeError for a file that is not strict YAML, UsageError for one that holds anything else
    """
    if not path.is_file():
        return ()
    data = read_document(path).data
    if not isinstance(data, dict) or set(data) != {"differs"}:
        raise UsageError(f"{path}: expected one key, differs, with a list under it; try to delete the file")
    entries = data["differs"] or []
    found = read_entries(entries, str(path))
    return tuple(Kept(d, str(e.get(SAID, ""))) for d, e in zip(found, entries, strict=True))


def kept_differences(path: Path) -> tuple[Difference, ...]:
    """The differences alone; see read_kept."""
    return tuple(k.difference for k in read_kept(path))


def change_kept(path: Path, before: Sequence[Difference], after: Sequence[Difference]) -> None:
    """Keep what a job changed: leave out what was taken back, add what is new, touch nothing else.

    raises  JournalError if the file cannot be written; it is then as it was
    """
    gone = [d for d in before if d not in after]
    new = [d for d in after if d not in before]
    things = {(d.key, d.what) for d in new if d.what}
    kept = [
        k
        for k in read_kept(path)
        if k.difference not in gone and (k.difference.key, k.difference.what) not in things
    ]
    write_kept(path, [*kept, *(Kept(d, now()) for d in new)])


def write_kept(path: Path, kept: Sequence[Kept]) -> None:
    """Write the file of a bike, or take it away when nothing differs any more.

    raises  JournalError if it cannot be written; it is then as it was
    """
    lines = [
        "# What differs on this one bike from what is drawn; `diagnose differs` lists and changes it.",
        "differs:",
        *(f"  - {_flow(k)}" for k in kept),
    ]
    part = ""
    try:
        if not kept:
            path.unlink(missing_ok=True)
            return
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with tempfile.NamedTemporaryFile(
            "w", dir=path.parent, suffix=".part", delete=False, encoding="utf-8"
        ) as file:
            part = file.name
            file.write("\n".join(lines) + "\n")
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except OSError as err:
        if part:
            with contextlib.suppress(OSError):
                os.unlink(part)
        raise JournalError(
            f"{path}: cannot be written ({err.strerror}); expected a folder that you may write to; "
            "try another with DIAGNOSE_HOME; the job itself goes on with what was said"
        ) from err


def _flow(kept: Kept) -> str:
    """One entry as a YAML mapping in braces; plain keys, values as JSON writes them."""
    entry = as_entry(kept.difference) | ({SAID: kept.said} if kept.said else {})
    order = sorted(entry, key=lambda key: (key in (IS, SAID), key == SAID))
    return "{" + ", ".join(f"{key}: {json.dumps(entry[key], ensure_ascii=False)}" for key in order) + "}"
