"""From answers to the data of a bike file: the pieces whose conditions hold, laid one over the other.

Knows the keys of a bike file, not what they mean; whether the bike is whole is composing's to say.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from diagnose.newbike.model import Questionnaire, holds
from diagnose.newbike.read import LISTS, MAPPINGS
from diagnose.newbike.settle import Settled


def assemble(frame: Questionnaire, settled: Settled, name: str) -> dict[str, Any]:
    """The data of the bike `name`: what every piece brings whose conditions hold, later ones over earlier.

    Complaints are left out: they follow from the functions that the composed bike has.
    """
    words = [
        frame.questions[q].choices[c].words
        for q, c in settled.answers.items()
        if frame.questions[q].choices[c].words
    ]
    bike: dict[str, Any] = {
        "bike": name,
        "title": f"{name.replace('_', ' ')}: {', '.join(words[:3])}",
        "text": f"Composed from answers, not from the bike itself: {', '.join(words)}. "
        "Colours, lengths, places and minutes are typical ones until they are changed here.",
    }
    for piece in frame.pieces:
        if holds(piece.when, settled.answers):
            _lay_over(bike, piece.bike)
    return bike


def _lay_over(bike: dict[str, Any], more: Mapping[str, Any]) -> None:
    for key, data in more.items():
        if key in LISTS:
            bike[key] = [*bike.get(key, ()), *(x for x in data if x not in bike.get(key, ()))]
        elif key in MAPPINGS:
            bike[key] = merge(bike.get(key, {}), data)
        else:
            bike[key] = data


def merge(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    """Mappings merged key by key, two levels and deeper; whatever else is new replaces the old."""
    out = dict(old)
    for key, data in new.items():
        known = out.get(key)
        is_amount = isinstance(data, Mapping) and "value" in data  # a value keeps nothing of another's source
        both = isinstance(known, Mapping) and isinstance(data, Mapping) and not is_amount
        out[key] = merge(known, data) if both else data  # type: ignore[arg-type]
    return out
