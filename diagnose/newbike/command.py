"""`diagnose compose`: ask or take the answers, make the bike, put it where the user's bikes are."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from diagnose.catalogue.fields import ID, Cursor
from diagnose.catalogue.model import Library
from diagnose.conversation.screen import Terminal, wrap
from diagnose.conversation.terminal import open_terminal
from diagnose.documents import read_document
from diagnose.errors import KnowledgeError, UsageError, unknown
from diagnose.locations import bike_names, knowledge_folder, user_bikes
from diagnose.means import read_library
from diagnose.newbike.ask import ask_all, summary
from diagnose.newbike.make import Made, keep, make
from diagnose.newbike.model import Questionnaire
from diagnose.newbike.read import read_questionnaire
from diagnose.newbike.settle import settle, understand
from diagnose.newbike.words import read_words
from diagnose.output import DONE, clean, write_text
from diagnose.wording import Wording

PROTOCOL = 1
NAME = "my_bike"
_DEST = "answer_"


def add_questions(parser: argparse.ArgumentParser) -> None:
    """One option for each question of the shipped knowledge."""
    group = parser.add_argument_group("answers (what is not given is asked, or taken as likeliest)")
    for question in read_questionnaire(knowledge_folder()).questions.values():
        group.add_argument(
            f"--{question.id.replace('_', '-')}",
            dest=f"{_DEST}{question.id}",
            metavar="|".join(question.choices),
            help=question.ask.replace("%", "%%"),
        )


def compose(options: argparse.Namespace) -> int:
    """`diagnose compose`"""
    root = Path(options.knowledge) if options.knowledge else knowledge_folder()
    if options.knowledge and not options.output:
        raise UsageError(
            "--knowledge is not where your own bikes lie; say where this one goes: --output FILE"
        )
    frame, wording = read_questionnaire(root), read_words(root)
    said, named = _from_file(frame, options.answers) if options.answers else ({}, "")
    for question in frame.questions:
        given = getattr(options, f"{_DEST}{question}", None)
        if given is not None:
            said[question] = understand(frame, question, given)
    terminal = open_terminal(options.plain)
    name = options.name or named
    if options.quick or options.json or options.answers or options.output == "-":
        settled = settle(frame, said)
    else:
        try:
            settled = ask_all(frame, said, wording, terminal)
            name = name or _ask_name(wording, terminal)
        except EOFError as err:
            raise UsageError(
                "the input ended before all was asked; nothing was made; try --quick for likely answers"
            ) from err
    made = make(_library(options.knowledge), frame, settled, name or _free_name())
    path = None if options.output == "-" else Path(options.output or user_bikes() / f"{made.name}.yaml")
    if path is not None:
        _check_place(made, path, options)
        keep(made, path, replace=options.replace)
    if options.json:
        write_text(json.dumps(_data(made, path), ensure_ascii=False), "-")
    elif path is None:
        write_text(made.text, "-")
    else:
        _tell(frame, made, path, wording, terminal)
        terminal.show(wrap(wording.say("then_job", name=made.name), terminal.width()), "advice")
    return DONE


def compose_in_job(terminal: Terminal, knowledge: str | None) -> str:
    """Ask, make and keep a bike before a job; its id, or with other knowledge the path of its file.

    raises  EOFError when the input ends; UsageError, KnowledgeError
    """
    root = Path(knowledge) if knowledge else knowledge_folder()
    frame, wording = read_questionnaire(root), read_words(root)
    settled = ask_all(frame, {}, wording, terminal)
    made = make(_library(knowledge), frame, settled, _ask_name(wording, terminal))
    path = user_bikes() / f"{made.name}.yaml"
    keep(made, path)
    _tell(frame, made, path, wording, terminal)
    return str(path) if knowledge else made.name


def _library(knowledge: str | None) -> Library:
    return read_library(knowledge)


def _check_place(made: Made, path: Path, options: argparse.Namespace) -> None:
    own = {p.stem for p in user_bikes().glob("*.yaml")}
    if not options.output and made.name in bike_names() and made.name not in own:
        raise UsageError(f"{made.name} is a bike that comes with the program; try another --name")
    if options.output and path.stem != made.name:
        raise UsageError(f"{path}: a bike is called by its file's name; expected {made.name}.yaml, or --name")


def _from_file(frame: Questionnaire, file: str) -> tuple[dict[str, str], str]:
    """(answers, name) of a file: `answers:` question -> choice, and perhaps `bike:` a name. YAML or JSON."""
    doc = read_document(file)
    here = Cursor(doc, (), doc.data, [])
    said: dict[str, str] = {}
    if here.is_mapping(("answers",), ("bike",)):
        for question, c in here.entries("answers"):
            if question not in frame.questions:
                c.note(unknown("question", question, frame.questions))
                continue
            try:
                said[question] = understand(frame, question, str(c.data))
            except UsageError as err:
                c.note(str(err))
    name = here.text("bike")
    if here.problems:
        raise KnowledgeError(here.problems)
    return said, name


def _free_name() -> str:
    taken = set(bike_names())
    number = 1
    name = NAME
    while name in taken:
        number += 1
        name = f"{NAME}_{number}"
    return name


def _ask_name(wording: Wording, terminal: Terminal) -> str:
    free = _free_name()
    terminal.show(wrap(wording.say("ask_name", name=free), terminal.width()), "question")
    while True:
        typed = "_".join(clean(terminal.ask("> ")).lower().split()) or free
        if not ID.fullmatch(typed):
            terminal.show(wrap(wording.say("name_again", name=free), terminal.width()), "problem")
        elif typed in bike_names():
            terminal.show(wrap(wording.say("name_taken", name=typed), terminal.width()), "problem")
        else:
            return typed


def _data(made: Made, path: Path | None) -> dict[str, Any]:
    settled = made.settled
    data: dict[str, Any] = {
        "protocol": PROTOCOL,
        "bike": made.name,
        "title": made.spec.title,
        "path": str(path) if path else None,
        "answers": dict(settled.answers),
        "said": list(settled.said),
        "follows": list(settled.follows),
        "assumed": [
            {"question": q, "choice": settled.answers[q], "why": why} for q, why in settled.assumed.items()
        ],
        "components": len(made.spec.parts),
        "complaints": list(made.spec.complaints),
    }
    return data if path else data | {"yaml": made.text}


def _tell(frame: Questionnaire, made: Made, path: Path, wording: Wording, terminal: Terminal) -> None:
    """What was made, and what of it was not said."""
    terminal.show(wrap(wording.say("made", name=made.name), terminal.width()), "advice")
    terminal.show(clean(str(path)))  # in one piece, or nobody could copy it
    terminal.show(wrap(summary(frame, made.settled, wording), terminal.width()), "aside")
