"""Which sentences the questions about a new bike need; knowledge/wording/newbike.yaml says them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from diagnose.wording import Wording, read_wording

SENTENCES: Mapping[str, tuple[str, ...]] = {
    "begins": ("most",),
    "likeliest": ("title",),
    "again": ("most",),
    "at_the_first": (),
    "no_help": (),
    "ask_name": ("name",),
    "name_again": ("name",),
    "name_taken": ("name",),
    "made": ("name",),
    "assumed": (),
    "assumed_row": ("ask", "title", "?why"),
    "trust": (),
    "then_job": ("name",),
}


def read_words(folder: str | Path) -> Wording:
    """The sentences of a knowledge folder; raises KnowledgeError."""
    return read_wording(Path(folder) / "wording" / "newbike.yaml", SENTENCES, {})
