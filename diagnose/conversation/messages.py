"""What a user can say, as frozen values; read strictly from the JSON objects of the line protocol.

Part of the conversation. Knows shapes and words only; whether an answer makes sense is judged by the step.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from diagnose.errors import ObservationError

MOST_ALSO = 8  # readings beside the one that was asked for
TEXT_LIMIT = 4000  # characters; nobody types a longer answer, a pasted file is not one

# asked beside the question, which keeps standing
ASIDE = ("suspects", "why", "others", "estimate", "where", "differs")
DO = (*ASIDE, "undo", "pause", "back", "reopen")
DIFFERS = (
    "kit", "skill", "helper", "engine", "price_limit", "loom",
    "not_fitted", "bypassed", "spliced", "colour", "place", "load", "as_drawn",
)  # fmt: skip
# what a job can wait for: the battery on a charger, the customer's word, a ride with the bike, a part
WAITS = ("charger", "customer", "ride", "part")
WORKS = ("yes", "no", "some")
# words that answer any measurement without being a reading of it
WITHOUT_READING = ("skip", "cannot_reach", "do_not_know", "works_now", "not_fitted")


@dataclass(frozen=True, slots=True)
class Answered:
    """An answer to the open question.

    sure  the user stands by a doubted reading
    also  measurement -> answer: what was read at the same place in the same go
    """

    text: str
    sure: bool = False
    also: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Observed:
    """Many observations in one line."""

    text: str


@dataclass(frozen=True, slots=True)
class Asked:
    """suspects | why | others | estimate | where | differs | undo | pause | reopen."""

    what: str


@dataclass(frozen=True, slots=True)
class Took:
    """Another measurement instead of the one that was asked."""

    measurement: str


@dataclass(frozen=True, slots=True)
class Noted:
    """A remark for the record."""

    text: str


@dataclass(frozen=True, slots=True)
class Done:
    """A repair was done, and whether what was complained of is gone: yes | no | some of it."""

    repair: str
    works: str


@dataclass(frozen=True, slots=True)
class Waits:
    """The job waits: charger | customer | ride | part."""

    what: str


@dataclass(frozen=True, slots=True)
class CameBack:
    """The wait is over. waited: minutes since it began, as the journal's clock says."""

    waited: float = 0.0


@dataclass(frozen=True, slots=True)
class Differs:
    """What is different on this bike or in this job: key -> word."""

    changes: Mapping[str, str] = field(default_factory=dict)


Message = Answered | Observed | Asked | Took | Noted | Done | Waits | CameBack | Differs


def read_message(value: Any) -> Message:
    """Read one message of the protocol.

    value   whatever the JSON line held; `question` (which question it answers) is allowed beside anything
    raises  ObservationError that says what is wrong, what is expected and what to type
    """
    if not isinstance(value, Mapping):
        raise ObservationError(_short(value), "a JSON object", '{"answer":"12.4 V"}')
    keys = {k for k in value if k != "question"}
    _check_text(value, "question", optional=True)
    if "answer" in keys and keys <= {"answer", "sure", "also"}:
        sure = value.get("sure", False)
        if not isinstance(sure, bool):
            raise ObservationError(
                _short(sure), "true or false under 'sure'", '{"answer":"12.4 V","sure":true}'
            )
        return Answered(_answer(value["answer"]), sure, _also(value.get("also", {})))
    if keys == {"observe"}:
        return Observed(_check_text(value, "observe"))
    if keys == {"do"} or (keys == {"do", "waited"} and value["do"] == "back"):
        word = _one_of(value, "do", DO)
        return CameBack(_minutes(value.get("waited", 0.0))) if word == "back" else Asked(word)
    if keys == {"wait"}:
        return Waits(_one_of(value, "wait", WAITS))
    if keys == {"take"}:
        return Took(_check_text(value, "take"))
    if keys == {"note"}:
        return Noted(_check_text(value, "note"))
    if keys == {"done", "works"}:
        return Done(_check_text(value, "done"), _one_of(value, "works", WORKS))
    if keys == {"done"}:
        raise ObservationError(
            "done", "also 'works': yes, no or some", '{"done":"main_fuse.renew","works":"yes"}'
        )
    if keys == {"differs"}:
        return _differs(value["differs"])
    raise ObservationError(
        _short(sorted(map(str, keys))) if keys else "{}",
        "one of the keys answer, observe, do, take, note, done with works, wait, differs",
        '{"answer":"12.4 V"} or {"do":"why"}',
    )


def as_json(message: Message) -> dict[str, Any]:
    """The message as the protocol writes it; read_message gives the same value back."""
    match message:
        case Answered(text, sure, also):
            said: dict[str, Any] = {"answer": text, "sure": True} if sure else {"answer": text}
            return said | ({"also": dict(also)} if also else {})
        case Observed(text):
            return {"observe": text}
        case Asked(what):
            return {"do": what}
        case Took(measurement):
            return {"take": measurement}
        case Noted(text):
            return {"note": text}
        case Done(repair, works):
            return {"done": repair, "works": works}
        case Waits(what):
            return {"wait": what}
        case CameBack(waited):
            return {"do": "back", "waited": waited}
        case Differs(changes):
            return {"differs": dict(changes)}


def _also(value: Any) -> dict[str, str]:
    if not isinstance(value, Mapping) or len(value) > MOST_ALSO:
        raise ObservationError(
            _short(value),
            f"at most {MOST_ALSO} answers by measurement under 'also'",
            '{"answer":"works","also":{"observe:horn@key=run":"dead"}}',
        )
    return {str(key): _answer(answer) for key, answer in value.items()}


def _answer(value: Any) -> str:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        if isinstance(value, float) and not math.isfinite(value):
            raise ObservationError(_short(value), "a finite number", "OL for a display that shows OL")
        if abs(value) >= 1e12:
            raise ObservationError(_short(value), "a number a meter can show", "what the display shows")
        return f"{value:.10g}"
    return _check_text({"answer": value}, "answer")


def _check_text(value: Mapping[str, Any], key: str, *, optional: bool = False) -> str:
    text = value.get(key, "" if optional else None)
    if not isinstance(text, str):
        raise ObservationError(_short(text), f"text under {key!r}", f'{{"{key}":"..."}}')
    if len(text) > TEXT_LIMIT:
        raise ObservationError(
            _short(text), f"at most {TEXT_LIMIT} characters under {key!r}, not {len(text)}", "a shorter one"
        )
    text = text.strip()
    if not text and not optional:
        raise ObservationError(text, f"some text under {key!r}", "skip, if there is nothing to say")
    return text


def _one_of(value: Mapping[str, Any], key: str, words: tuple[str, ...]) -> str:
    word = _check_text(value, key).lower()
    if word not in words:
        raise ObservationError(_short(word), f"one of {', '.join(words)} under {key!r}")
    return word


def _minutes(value: Any) -> float:
    known = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
    if not known or value < 0:
        raise ObservationError(_short(value), "minutes of at least 0 under 'waited'", "leaving 'waited' out")
    return float(value)


def _differs(value: Any) -> Differs:
    if not isinstance(value, Mapping) or not value:
        raise ObservationError(
            _short(value),
            "an object under 'differs'",
            '{"differs":{"kit":"meter"}} or {"differs":{"not_fitted":"horn"}}',
        )
    changes = {}
    for key in value:
        if key not in DIFFERS:
            raise ObservationError(_short(key), f"one of {', '.join(DIFFERS)} inside 'differs'")
        changes[str(key)] = _check_text(value, key)
    return Differs(changes)


def _short(value: Any) -> str:
    text = value if isinstance(value, str) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
