"""Questions about a bike that is not listed, and what each answer puts on it: frozen data.

Part of the knowledge as read. Knows no bike, no circuit and no screen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from diagnose.errors import Mark

Answers = Mapping[str, str]  # question -> choice
When = Mapping[str, tuple[str, ...]]  # question -> choices of which one is given


def holds(when: When, answers: Answers) -> bool:
    """Whether the answers meet every condition; a question not answered meets none."""
    return all(answers.get(question) in allowed for question, allowed in when.items())


@dataclass(frozen=True, slots=True)
class Choice:
    """One answer. says: other ways to say it; words: what the bike's own text says of it, '' for nothing."""

    id: str
    title: str
    says: tuple[str, ...] = ()
    words: str = ""


@dataclass(frozen=True, slots=True)
class Likely:
    """The likeliest choice, where `when` holds. source: id of a source; why: in a few words."""

    choice: str
    source: str
    when: When = field(default_factory=dict)
    why: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """One question. likeliest: the first row that holds counts; help: how to see it on the bike."""

    id: str
    ask: str
    choices: Mapping[str, Choice]
    likeliest: tuple[Likely, ...]
    help: str = ""


@dataclass(frozen=True, slots=True)
class Clash:
    """Answers that do not go together, and why."""

    when: When
    why: str
    mark: Mark = field(default=Mark(), compare=False)


@dataclass(frozen=True, slots=True)
class Piece:
    """What a bike gets where `when` holds: keys of a bike file, as plain data."""

    id: str
    when: When
    bike: Mapping[str, Any]
    mark: Mark = field(default=Mark(), compare=False)


@dataclass(frozen=True, slots=True)
class Questionnaire:
    """All of it, in the order of the file. path: where it was read from."""

    questions: Mapping[str, Question]
    clashes: tuple[Clash, ...]
    pieces: tuple[Piece, ...]
    path: str = ""
