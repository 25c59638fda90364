"""From what was said to an answer for every question: what follows, what is likeliest, what cannot be.

Pure; knows questions and clashes only.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from diagnose.errors import UsageError, unknown
from diagnose.newbike.model import Answers, Clash, Question, Questionnaire, holds


@dataclass(frozen=True, slots=True)
class Settled:
    """An answer for every question.

    answers   question -> choice, in the order of the questions
    said      those that were said
    follows   those for which nothing else goes with what was said
    assumed   those taken as likeliest: question -> why
    """

    answers: Answers
    said: tuple[str, ...]
    follows: tuple[str, ...]
    assumed: Mapping[str, str]


def understand(frame: Questionnaire, question: str, text: str) -> str:
    """The choice that a text means: its id, or a way to say it. Raises UsageError with near misses."""
    if question not in frame.questions:
        raise UsageError(unknown("question", question, frame.questions))
    asked = frame.questions[question]
    ways = {way.lower(): c.id for c in asked.choices.values() for way in (c.id, *c.says)}
    found = ways.get(" ".join(text.lower().split()))
    if found is None:
        raise UsageError(unknown(f"answer to {question}", text, asked.choices))
    return found


def settle(frame: Questionnaire, said: Answers, taken: Mapping[str, str] | None = None) -> Settled:
    """Answer what was not said: by what follows from the rest, else by what is likeliest.

    taken   of `said` those that were taken as the likeliest when asked: question -> why
    raises  UsageError for answers that contradict each other: which, why, and what would fit
    """
    taken = taken or {}
    if not can_be(frame, said):
        raise UsageError(_contradiction(frame, said))
    answers = dict(said)
    follows: list[str] = []
    assumed: dict[str, str] = {}
    for question in frame.questions.values():
        if question.id in taken:
            assumed[question.id] = taken[question.id]
        if question.id in said:
            continue
        left = possible(frame, answers, question)
        answers[question.id] = left[0]
        if len(left) == 1:
            follows.append(question.id)
        else:
            assumed[question.id] = reason(frame, question, answers, left[0])
    assumed = {q: assumed[q] for q in frame.questions if q in assumed}
    in_order = {id: answers[id] for id in frame.questions}
    return Settled(
        in_order, tuple(q for q in frame.questions if q in said and q not in taken), tuple(follows), assumed
    )


def possible(frame: Questionnaire, answers: Answers, question: Question) -> list[str]:
    """The choices that go with the answers so far, likeliest first."""
    others = {q: c for q, c in answers.items() if q != question.id}
    return [c for c in ranked(question, others) if can_be(frame, {**others, question.id: c})]


def ranked(question: Question, answers: Answers) -> list[str]:
    """All choices, the likeliest first, the others as they are written."""
    first = next(row.choice for row in question.likeliest if holds(row.when, answers))
    return [first, *(c for c in question.choices if c != first)]


def can_be(frame: Questionnaire, answers: Answers) -> bool:
    """Whether some answer to every other question goes with these."""
    return next(_completions(frame, answers), None) is not None


def _completions(frame: Questionnaire, answers: Answers) -> Iterator[Answers]:
    if any(holds(clash.when, answers) for clash in frame.clashes):
        return
    yield from _further(frame, answers)


def _further(frame: Questionnaire, answers: Answers) -> Iterator[Answers]:
    """Completions of answers that do not clash so far: only clashes with the new answer are looked at."""
    question = next((q for q in frame.questions.values() if q.id not in answers), None)
    if question is None:
        yield answers
        return
    for choice in ranked(question, answers):
        more = {**answers, question.id: choice}
        new = (c.when for c in frame.clashes if choice in c.when.get(question.id, ()))
        if not any(holds(when, more) for when in new):
            yield from _further(frame, more)


def reason(frame: Questionnaire, question: Question, answers: Answers, choice: str) -> str:
    """Why a choice is the likeliest beside the other answers; or what stands against a likelier one."""
    others = {q: c for q, c in answers.items() if q != question.id}
    row = next(row for row in question.likeliest if holds(row.when, others))
    if row.choice == choice:
        return row.why
    against = {**others, question.id: row.choice}
    whys = [c.why for c in frame.clashes if question.id in c.when and _concerns(c, against)]
    return whys[0].rstrip(".") if whys else ""


def _contradiction(frame: Questionnaire, said: Answers) -> str:
    """The sentence for answers that cannot all be: the fewest of them, why, and what would fit."""
    core = dict(said)
    for question in said:
        fewer = {q: c for q, c in core.items() if q != question}
        if not can_be(frame, fewer):
            core = fewer
    named = " and ".join(f"{q}={c}" for q, c in core.items())
    reasons = dict.fromkeys(c.why for c in frame.clashes if _concerns(c, core))
    if len(core) == 1:  # nothing goes with it: a fault of the knowledge, said as such
        return f"{named} goes with no other answers; {frame.path} has to be mended"
    fits = []
    for question in core:
        others = {q: c for q, c in core.items() if q != question}
        left = possible(frame, others, frame.questions[question])
        beside = ", ".join(f"{q}={c}" for q, c in others.items())
        fits.append(f"with {beside}: {question}={' or '.join(left)}")
    return f"{named} do not go together: {' '.join(reasons)} What fits: {'; '.join(fits)}"


def _concerns(clash: Clash, core: Answers) -> bool:
    """Whether a clash speaks of two or more of these answers, and of none otherwise."""
    shared = [q for q in clash.when if q in core]
    return bool(shared) and all(core[q] in clash.when[q] for q in shared) and len(shared) >= min(2, len(core))
