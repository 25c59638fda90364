"""Open everything a job needs: knowledge, a bike's world, rules, wording.

Below the commands, above the pieces.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from diagnose.catalogue.cache import load_library_cached
from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.model import Library
from diagnose.locations import knowledge_folder, user_knowledge
from diagnose.rules.base import RuleBase, load_rules
from diagnose.wiring import BikeWorld
from diagnose.wording import Wording, read_wording


@dataclass(frozen=True, slots=True, eq=False)
class Opened:
    """Knowledge as read from a folder, with the rules and the sentences that go with it."""

    library: Library
    rulebase: RuleBase
    wording: Wording

    def world(self, bike: str) -> BikeWorld:
        """The world of one bike, by id or path; raises UsageError or KnowledgeError."""
        return BikeWorld(self.library, compose_bike(self.library, bike))


def read_library(folder: str | Path | None = None) -> Library:
    """A knowledge folder, or the shipped one with the user's own on top; raises KnowledgeError."""
    if folder:
        return load_library_cached(folder)
    return load_library_cached(knowledge_folder(), user_knowledge())


def open_knowledge(folder: str | Path | None = None) -> Opened:
    """Read a knowledge folder (the shipped one by default); raises KnowledgeError with every problem."""
    root = Path(folder) if folder else knowledge_folder()
    library = read_library(folder)
    own = [] if folder else [p / "rules" for p in user_knowledge() if (p / "rules").is_dir()]
    rules = load_rules([root / "rules", *own], sources=library.sources)
    return Opened(library, rules, read_wording(root / "wording" / "en.yaml"))
