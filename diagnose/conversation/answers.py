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
from diagnose.predictions.effects import GRAVITY_EDGES
from diagnose.wording import Wording

FLASHES_A_MINUTE = (60, 120)  # 90 +-30: Swiss vehicle ordinance (SR 741.41) art. 79
MOST_FLASHES = 400
ONE_CELL_LOWER = 0.050  # specific gravity below the others: bad (Witte, The Automobile Storage Battery, 1922)
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
    counted = numbers_as_choice(m, text)
    return counted or read_choice(text, m.choices, titles, words), ""


def numbers_as_choice(m: Measurement, text: str) -> str:
    """What the numbers of a count, or of a hydrometer in each cell, come to; '' if none are typed.

    raises  ObservationError for numbers that no eye and no float can show
    """
    if m.kind not in ("count", "gravity") or not re.fullmatch(r"[\d.,;/ ]*\d[\d.,;/ ]*", text.strip()):
        return ""
    if m.kind == "count":
        shown = [float(n) for n in re.findall(r"\d+(?:[.,]\d+)?", text.replace(",", "."))]
        if len(shown) != 1 or shown[0] > MOST_FLASHES:
            raise ObservationError(text, "one number of flashes a minute", "88")
        least, most = FLASHES_A_MINUTE
        if shown[0] == 0:
            return "still"
        return "under_60" if shown[0] < least else "over_120" if shown[0] > most else "sixty_to_120"
    cells = [float(f"1.{digits}") for digits in re.findall(r"\b1[.,]?(\d{2,3})\b", text)]
    if not cells or len(cells) != len(text.replace(";", " ").replace("/", " ").split()):
        raise ObservationError(text, "the float's number of each cell, 1.050 to 1.300", "1.265 1.260 1.110")
    if max(cells) - min(cells) > ONE_CELL_LOWER - 1e-9:
        return "one_low"
    mean = sum(cells) / len(cells)
    full, half = GRAVITY_EDGES
    return "alike_full" if mean >= full else "alike_half" if mean >= half else "alike_low"


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
