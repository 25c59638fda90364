"""The questions at a terminal: likeliest answer first, Enter takes it; works plain and at 40 columns.

Talks through the port `conversation.screen.Terminal` only.
"""

from __future__ import annotations

from collections.abc import Mapping

from diagnose.conversation.screen import Terminal, wrap
from diagnose.errors import UsageError
from diagnose.newbike.model import Answers, Question, Questionnaire
from diagnose.newbike.settle import Settled, possible, reason, settle, understand
from diagnose.output import clean
from diagnose.wording import Wording

NOT_KNOWN = ("", "skip", "do not know", "don't know", "dont know")


def ask_all(frame: Questionnaire, said: Answers, wording: Wording, terminal: Terminal) -> Settled:
    """Ask what is not said and does not follow from the answers so far.

    raises  UsageError for contradictions in `said`; EOFError and KeyboardInterrupt of the terminal
    """
    settle(frame, said)  # refuses a contradiction before anything is asked
    asking = _Asking(frame, said, wording, terminal)
    open_ones = sum(len(possible(frame, said, q)) > 1 for q in frame.questions.values() if q.id not in said)
    if open_ones:
        asking.put(wording.say("begins", most=open_ones), "aside")
    while (question := asking.next_question()) is not None:
        asking.hear(question)
    return settle(frame, asking.said, asking.taken)


class _Asking:
    """The answers so far, and in which order they were given."""

    def __init__(self, frame: Questionnaire, said: Answers, wording: Wording, terminal: Terminal):
        self.frame, self.wording, self.terminal = frame, wording, terminal
        self.said: dict[str, str] = dict(said)
        self.taken: dict[str, str] = {}  # the likeliest, by Enter: question -> why
        self.asked: list[str] = []
        self.rest = False
        self.shown = ""

    def put(self, text: str, style: str = "", indent: str = "") -> None:
        self.terminal.show(wrap(text, self.terminal.width(), indent), style)

    def left(self, question: Question) -> list[str]:
        return possible(self.frame, self.said, question)

    def next_question(self) -> Question | None:
        """The first question that is open and has more than one answer left."""
        if self.rest:
            return None
        for question in self.frame.questions.values():
            if question.id not in self.said and len(self.left(question)) > 1:
                return question
        return None

    def hear(self, question: Question) -> None:
        """Show the question unless it stands on the screen, read one line and act on it."""
        left = self.left(question)
        titles = [question.choices[c].title for c in left]
        if self.shown != question.id:
            self.put(question.ask, "question")
            first = self.wording.say("likeliest", title=titles[0])
            self.put("\n".join(f"{n}  {t}" for n, t in enumerate([first, *titles[1:]], 1)), "", "  ")
            self.shown = question.id
        typed = " ".join(clean(self.terminal.ask("> ", list(zip(left, titles, strict=True)))).split())
        word = typed.lower()
        if word == "?" or word == "help":
            self.put(question.help or self.wording.say("no_help"), "aside")
        elif word == "back":
            self._back()
        elif word in ("rest", *NOT_KNOWN):
            self.rest = word == "rest"
            if not self.rest:
                self.taken[question.id] = reason(self.frame, question, self.said, left[0])
                self._answer(question, left[0])
        elif typed.isascii() and typed.isdigit() and len(typed) < 4 and 1 <= int(typed) <= len(left):
            self._answer(question, left[int(typed) - 1])
        else:
            self._word(question, typed, left)

    def _word(self, question: Question, typed: str, left: list[str]) -> None:
        try:
            choice = understand(self.frame, question.id, typed)
        except UsageError:
            choice = ""
        if choice in left:
            self._answer(question, choice)
        else:
            self.put(self.wording.say("again", most=len(left)), "problem")

    def _answer(self, question: Question, choice: str) -> None:
        self.said[question.id] = choice
        self.asked.append(question.id)

    def _back(self) -> None:
        if not self.asked:
            self.put(self.wording.say("at_the_first"), "problem")
            return
        last = self.asked.pop()
        del self.said[last]
        self.taken.pop(last, None)
        self.shown = ""


def summary(frame: Questionnaire, settled: Settled, wording: Wording) -> str:
    """What was taken as likeliest, in words, and that the real bike goes before the file."""
    rows: Mapping[str, str] = settled.assumed
    lines = [wording.say("assumed")] if rows else []
    for question, why in rows.items():
        asked = frame.questions[question]
        title = asked.choices[settled.answers[question]].title
        lines.append(wording.say("assumed_row", ask=asked.ask, title=title, why=_sentence(why)))
    return "\n".join([*lines, wording.say("trust")])


def _sentence(why: str) -> str:
    return f"{why[0].upper()}{why[1:]}." if why else ""
