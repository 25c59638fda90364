"""From what was typed to an answer: a number in SI, or one of the words offered.

Part of the conversation. Never guesses between two meanings: it says what to type instead.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence

from diagnose import quantities
from diagnose.bike.model import Measurement
from diagnose.conversation.messages import WITHOUT_READING
from diagnose.errors import ObservationError
from diagnose.wording import Wording

# [1] likeness from which a misspelt word is taken for the offered one: `done` is not `gone`
_CLOSE = 0.84


def plain(text: str) -> str:
    """Lower case, words joined by single spaces, without punctuation at the ends."""
    return " ".join(re.sub(r"[_\-]+", " ", text.lower()).split()).strip(" .!?,;:'\"")


def without_reading(text: str, words: Wording) -> str:
    """skip | cannot_reach | do_not_know | works_now | not_fitted when that is what was said, else ''."""
    said = plain(text)
    for answer in WITHOUT_READING:
        ways = (answer, *words.words["special"].get(answer, ()))
        if said in {plain(w) for w in ways}:
            return answer
    return ""


def yes_no(text: str, words: Wording) -> str:
    """yes | no when that is what was said, else ''."""
    said = plain(text)
    for answer in ("yes", "no"):
        if said == answer or said in {plain(w) for w in words.words["special"].get(answer, ())}:
            return answer
    return ""


def read_answer(
    m: Measurement, text: str, titles: Mapping[str, str], words: Wording
) -> tuple[float | str, str]:
    """Read the answer to a measurement.

    titles   what each choice is called on screen
    returns  (SI number, +inf for OL; or one of m.choices) and the reader's note about what may be misread
    raises   ObservationError saying what to type
    """
    if not m.choices:
        reading = quantities.read_reading(text, m.unit)
        return reading.value, reading.note
    return read_choice(text, m.choices, titles, words), ""


def read_choice(text: str, choices: Sequence[str], titles: Mapping[str, str], words: Wording) -> str:
    """The one choice that the text means: its id, its title, another way of saying it, or a near spelling.

    yes means the first choice, no the other one when there are two.
    """
    said = plain(text)
    ways: dict[str, set[str]] = {}
    for choice in choices:
        names = {choice, titles.get(choice, ""), *words.words["states"].get(choice, ())}
        for name in {plain(n) for n in names} - {""}:
            ways.setdefault(name, set()).add(choice)
    if said in ways:
        return _only(text, ways[said], choices, titles)
    agreed = yes_no(text, words)
    if agreed == "yes":
        return choices[0]
    if agreed == "no" and len(choices) == 2:
        return choices[1]
    if agreed == "no":
        raise ObservationError(
            text,
            f"which of {_offered(choices[1:], titles)}",
            _named(choices[-1], titles),
            "leaves open how it is",
        )
    near = difflib.get_close_matches(said, ways, n=3, cutoff=_CLOSE)
    found = {c for n in near[:1] for c in ways[n]}
    if found:
        return _only(text, found, choices, titles)
    raise ObservationError(text, f"one of {_offered(choices, titles)}", _named(choices[0], titles))


def _only(text: str, found: set[str], choices: Sequence[str], titles: Mapping[str, str]) -> str:
    if len(found) > 1:
        both = [c for c in choices if c in found]
        raise ObservationError(
            text,
            f"one of {_offered(both, titles)}",
            _named(both[0], titles),
            "could mean more than one thing",
        )
    return next(iter(found))


def _named(choice: str, titles: Mapping[str, str]) -> str:
    """What a choice is called on screen, which may be typed as it stands."""
    return titles.get(choice) or plain(choice)


def _offered(choices: Sequence[str], titles: Mapping[str, str]) -> str:
    return ", ".join(_named(c, titles) for c in choices[:12]) + (" ..." if len(choices) > 12 else "")
