"""From answers to a whole bike file that composes and has no problem of structure.

Joins the pieces of this room with the catalogue. Writes only where it is told to, whole files or nothing.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from diagnose.catalogue.check import check_bike
from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.fields import ID
from diagnose.catalogue.model import Library
from diagnose.catalogue.spec import BikeSpec
from diagnose.errors import KnowledgeError, UsageError
from diagnose.newbike.assemble import assemble
from diagnose.newbike.complaints import fitting_complaints
from diagnose.newbike.model import Questionnaire
from diagnose.newbike.settle import Settled
from diagnose.newbike.write import answers_text, whole, yaml_text


@dataclass(frozen=True, slots=True)
class Made:
    """A bike made from answers. text: of its file; spec: as composed from that text."""

    name: str
    settled: Settled
    text: str
    spec: BikeSpec


def make(library: Library, frame: Questionnaire, settled: Settled, name: str) -> Made:
    """Make the bike `name` from an answer to every question.

    raises  UsageError for a name that cannot be one; KnowledgeError with all Problems if the pieces do not
            make a whole bike: a fault of the knowledge
    """
    if not ID.fullmatch(name):
        raise UsageError(
            f"name {name!r} is not snake_case; expected letters a-z, digits and '_', such as my_bike"
        )
    bike = assemble(frame, settled, name)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / f"{name}.yaml"
        spec = _composed(library, file, bike, "")
        bike = whole(bike, spec, fitting_complaints(library, spec))
        head = (
            f"{name}: composed from answers by `diagnose compose`. Change what is different on the real\n"
            f"bike, then: diagnose check {name}\n{answers_text(frame, settled)}"
        )
        spec = _composed(library, file, bike, head)
        problems = check_bike(library, spec)
        if problems:
            raise KnowledgeError(problems)
        return Made(name, settled, file.read_text(encoding="utf-8"), spec)


def _composed(library: Library, file: Path, bike: Mapping[str, Any], head: str) -> BikeSpec:
    file.write_text(yaml_text(bike, head), encoding="utf-8")
    return compose_bike(library, file)


def keep(made: Made, path: Path, *, replace: bool = False) -> None:
    """Write the file of a made bike, whole or not at all.

    raises  UsageError if there is one already and it is not to be replaced, or it cannot be written
    """
    if path.exists() and not replace:
        raise UsageError(f"{path} exists; try another --name, or --replace to write over it")
    part = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_text(made.text, encoding="utf-8")
        os.replace(part, path)
    except OSError as err:
        raise UsageError(f"{path} cannot be written: {err.strerror or err}") from err
