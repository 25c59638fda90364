"""Read the questions, what clashes and what each answer brings; every problem at once.

YAML -> model. Sections, questions and choices that are named must exist; whether the pieces make a bike
that works is a bike's own check, after it is put together.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

from diagnose.catalogue.fields import Cursor
from diagnose.documents import read_document
from diagnose.errors import KnowledgeError, unknown
from diagnose.newbike.model import Choice, Clash, Likely, Piece, Question, Questionnaire, When

FILE = "newbike.yaml"
# keys of a bike file that a piece may bring: lists are joined, mappings merged, the rest replaced
LISTS = ("sections", "not_fitted", "bonds")
MAPPINGS = (
    "ports", "override", "body", "places", "controls", "parts", "connectors", "wires", "joins", "functions",
)  # fmt: skip
WORDS = ("supply", "ground", "idle", "cranking", "wiring")
_PIECE = (*LISTS, *MAPPINGS, *WORDS)


def read_questionnaire(
    folder: str | Path, sections: Collection[str] | None = None, sources: Collection[str] | None = None
) -> Questionnaire:
    """The questions of a knowledge folder.

    sections, sources  ids that may be named; None: not looked at (they were checked with the knowledge)
    raises             KnowledgeError with all Problems, file, line and column
    """
    doc = read_document(Path(folder) / FILE)
    here = Cursor(doc, (), doc.data, [])
    questions: dict[str, Question] = {}
    clashes: list[Clash] = []
    pieces: list[Piece] = []
    if here.is_mapping(("questions", "clashes", "pieces")):
        choices = {name: tuple(dict(c.entries("choices"))) for name, c in here.entries("questions")}
        for name, c in here.entries("questions"):
            questions[name] = _question(c, name, choices, sources)
        for c in here.items("clashes"):
            if c.is_mapping(("when", "why")):
                clashes.append(Clash(_when(c, choices), c.text("why"), c.mark))
        for name, c in here.entries("pieces"):
            pieces.append(_piece(c, name, choices, sections))
    if here.problems:
        raise KnowledgeError(here.problems)
    return Questionnaire(questions, tuple(clashes), tuple(pieces), doc.path)


def _question(
    here: Cursor, name: str, choices: Mapping[str, tuple[str, ...]], sources: Collection[str] | None
) -> Question:
    here.is_mapping(("ask", "choices", "likeliest"), ("help",))
    found: dict[str, Choice] = {}
    ways: dict[str, str] = {}
    for id, c in here.entries("choices"):
        c.is_mapping(("title",), ("says", "words"))
        found[id] = Choice(id, c.text("title"), c.texts("says"), c.text("words"))
        for way in (id, *found[id].says):
            if ways.setdefault(way.lower(), id) != id:
                c.note(f"{name}: {way!r} means {ways[way.lower()]} already; expected another way to say {id}")
    likeliest = []
    for c in here.items("likeliest"):
        c.is_mapping(("choice", "source"), ("when", "why"))
        source = c.text("source")
        if sources is not None and source not in sources:
            c.note(unknown("source", source, sources))
        if source == "estimate" and not c.text("why"):
            c.note(f"{name} is an estimate without a reason; expected why: a few words")
        choice = c.word("choice", choices.get(name, ()))
        likeliest.append(Likely(choice, source, _when(c, choices), c.text("why")))
    if here.has("likeliest") and not any(not row.when for row in likeliest):
        here.note(f"{name} has no likeliest choice that always holds; expected a last row without when")
    return Question(name, here.text("ask"), found, tuple(likeliest), here.text("help"))


def _when(here: Cursor, choices: Mapping[str, tuple[str, ...]]) -> When:
    if not here.has("when"):
        return {}
    when: dict[str, tuple[str, ...]] = {}
    for question, c in here.entries("when"):
        if question not in choices:
            c.note(unknown("question", question, choices))
            continue
        when[question] = here.at("when").texts(question, choices[question], "choice")
    return when


def _piece(
    here: Cursor, name: str, choices: Mapping[str, tuple[str, ...]], sections: Collection[str] | None
) -> Piece:
    here.is_mapping((), ("when", *_PIECE))
    bike: dict[str, Any] = {}
    for key in _PIECE:
        if not here.has(key):
            continue
        kind = list if key in LISTS else dict if key in MAPPINGS else str
        data = here.data[key]
        if isinstance(data, kind):
            bike[key] = data
        else:
            said = {list: "a list", dict: "a mapping of ids", str: "text"}[kind]
            here.note(f"{name}: {key}={data!r}; expected {said}", key)
    if sections is not None:
        here.texts("sections", sections, "section")
    return Piece(name, _when(here, choices), bike, here.own_key_mark)
