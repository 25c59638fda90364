"""A bike as it really is: what differs laid over it, and what it therefore cannot do.

Between the catalogue and a world. Solves the sound bike once, to say what is lost; decides nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from diagnose.bike.build import build
from diagnose.bike.currents import as_condition, service
from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.differences import PLAIN, Difference, as_overlay
from diagnose.catalogue.model import Complaint, Function, Library
from diagnose.catalogue.overlay import NAME
from diagnose.catalogue.spec import BikeSpec
from diagnose.catalogue.words import FUNCTION_STATES
from diagnose.errors import UsageError
from diagnose.expect import situation

ELECTRIC = (*PLAIN, "load", "added")  # differences that change the circuit


def lay_over(
    library: Library, bike: str | Path, differences: Sequence[Difference]
) -> tuple[BikeSpec, tuple[str, ...]]:
    """Compose a bike as it really is.

    bike     id or path
    returns  the bike without the functions that it cannot have so, even sound; and their titles
    raises   UsageError for what the bike cannot differ in, or if a sound bike would blow a fuse;
             KnowledgeError for an unreadable addition
    """
    spec = compose_bike(library, bike, as_overlay(differences))
    if not any(d.key in ELECTRIC for d in differences):
        return spec, ()
    built = build(spec)
    sound = situation(built, service(built), library.instruments, ())
    opened, _ = sound.predictor.found_of(sound.index)
    if opened:
        blown = ", ".join(spec.parts[f].title for f in opened)
        raise UsageError(
            f"{NAME}: a sound bike would blow {blown} so; expected what its fuses hold; "
            "try another point or fewer watts"
        )
    lost = []
    for f in spec.functions.values():
        condition = as_condition(built, f.when)
        words = sound.predictor.function_words(sound.job, f.id, condition)[sound.index]
        if FUNCTION_STATES[f.kind][int(np.argmax(words))] == "dead":
            lost.append(f.id)
    drawn = compose_bike(library, bike).functions
    left = _without(spec.functions, lost)
    titles = [f.title for id, f in drawn.items() if id not in left]
    complaints = tuple(c for c in spec.complaints if _means_something(library.complaints[c], drawn, left))
    return replace(spec, functions=left, complaints=complaints), tuple(titles)


def _means_something(
    complaint: Complaint, drawn: Mapping[str, Function], left: Mapping[str, Function]
) -> bool:
    """Whether a complaint still speaks of anything: not if all its functions are lost."""

    def speaks(functions: Mapping[str, Function]) -> bool:
        symptoms = (*complaint.any_of, *complaint.all_of)
        return any(
            not s.function
            or s.function in functions
            or any(s.function in f.roles for f in functions.values())
            for s in symptoms
        )

    return speaks(left) or not speaks(drawn)


def still_fits(err: UsageError, bike: str) -> UsageError:
    """The same refusal of what was kept earlier, with how to get rid of it."""
    return UsageError(f"{err}; `diagnose differs --bike {bike}` lists what was said, --undo takes it back")


def _without(functions: Mapping[str, Function], lost: Sequence[str]) -> dict[str, Function]:
    """Functions that are left; none has a lost one for its twin."""
    left = {id: f for id, f in functions.items() if id not in lost}
    return {id: replace(f, twin="") if f.twin in lost else f for id, f in left.items()}
