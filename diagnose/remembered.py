"""What was used last: bike, kit and skill, so that the next job can offer them first.

Knows one small file in the user's own folder. What it holds is a convenience: a file that is missing,
damaged or not writable costs a question or two, never a job.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from diagnose.locations import user_data

FILE = "last_used.json"
LARGEST = 10_000  # bytes; anything longer was not written here
_WORD = re.compile(r"[a-z]{1,20}\Z")


@dataclass(frozen=True, slots=True)
class LastUsed:
    """bike: id or path of a bike file; kit, skill: their words; '' for what is not known."""

    bike: str = ""
    kit: str = ""
    skill: str = ""


def recall() -> LastUsed:
    """What was used last; empty where the file does not say it in words that could be such."""
    try:
        with (user_data() / FILE).open("rb") as file:
            found = json.loads(file.read(LARGEST).decode("utf-8"))
    except (OSError, ValueError, RecursionError):
        return LastUsed()  # see above: nothing is lost but a habit
    if not isinstance(found, Mapping):
        return LastUsed()
    bike, kit, skill = (found.get(key) for key in ("bike", "kit", "skill"))
    return LastUsed(
        bike if isinstance(bike, str) and bike.isprintable() else "",
        kit if isinstance(kit, str) and _WORD.match(kit) else "",
        skill if isinstance(skill, str) and _WORD.match(skill) else "",
    )


def remember(used: LastUsed) -> None:
    """Keep this for the next job; what is '' keeps its former word. An unwritable folder changes nothing."""
    former = recall()
    new = {key: getattr(used, key) or getattr(former, key) for key in ("bike", "kit", "skill")}
    folder = user_data()
    written = folder / f"{FILE}.{os.getpid()}"
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        written.write_text(json.dumps(new) + "\n", encoding="utf-8")
        written.replace(folder / FILE)  # whole or not at all, also with two programs at once
    with contextlib.suppress(OSError):
        Path(written).unlink(missing_ok=True)
