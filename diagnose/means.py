"""Open everything a job needs: knowledge, a bike's world, rules, wording.

Below the commands, above the pieces.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.model import Library
from diagnose.catalogue.read import load_library
from diagnose.locations import knowledge_folder
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


def open_knowledge(folder: str | Path | None = None) -> Opened:
    """Read a knowledge folder (the shipped one by default); raises KnowledgeError with every problem."""
    root = Path(folder) if folder else knowledge_folder()
    library = load_library(root)
    rules = load_rules([root / "rules"], sources=library.sources)
    return Opened(library, rules, read_wording(root / "wording" / "en.yaml"))
