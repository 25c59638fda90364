"""A job in a plain terminal: numbered choices, typed readings; the same step as the line protocol.

Beside the lines. Talks through the small port `Terminal`, so that a richer one can take its place; this
module's own adapter prints and reads lines, never redraws, and works without a tty and at 40 columns.
"""

from __future__ import annotations

import difflib
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, TextIO

from diagnose.conversation.messages import ASIDE, TEXT_LIMIT
from diagnose.conversation.screen import NARROWEST, WIDEST, Terminal, wrap
from diagnose.output import clean

if TYPE_CHECKING:  # the first question is asked before any of this is loaded
    from diagnose.conversation.means import Event
    from diagnose.conversation.session import Session

NARROWED = 9  # complaints listed when the words could mean several
WORTH_TELLING = 1.5  # [min] hands-on time from which a question says how long it takes


class PlainTerminal:
    """Lines in, lines out."""

    def __init__(self, source: TextIO | None = None, sink: TextIO | None = None, columns: int = 0):
        self.source, self.sink, self.columns = source or sys.stdin, sink or sys.stdout, columns
        for stream in (self.source, self.sink):
            if hasattr(stream, "reconfigure") and stream.errors != "replace":
                stream.reconfigure(errors="replace")  # a byte that is no text must not end the job

    def width(self) -> int:
        """Columns of the window, within what reads well."""
        found = self.columns or shutil.get_terminal_size((80, 24)).columns
        return max(NARROWEST, min(found, WIDEST))

    def show(self, text: str, style: str = "") -> None:
        """Print; an empty line stands before a question, advice or caution."""
        space = "\n" if style in ("question", "advice", "caution") else ""
        self.sink.write(f"{space}{clean(text)}\n")
        self.sink.flush()

    def ask(self, prompt: str, choices: Sequence[tuple[str, str]] = ()) -> str:
        """Print the prompt and read one line."""
        self.sink.write(prompt)
        self.sink.flush()
        line = self.source.readline()
        if not line:
            raise EOFError
        typed = line.rstrip("\r\n")
        if not self.source.isatty():
            self.sink.write(clean(typed) + "\n")  # nobody has echoed it
        return typed


def open_terminal(plain: bool = False) -> Terminal:
    """The terminal that fits: the richer one on a tty, plain lines when asked for or on anything else.

    plain  the user wants lines only; the environment's ACCESSIBLE means the same
    """
    simple = os.environ.get("TERM", "") in ("", "dumb", "unknown")
    on_tty = sys.stdin.isatty() and sys.stdout.isatty()
    if plain or os.environ.get("ACCESSIBLE") or simple or not on_tty:
        return PlainTerminal()
    from diagnose.conversation.terminal_rich import RichTerminal

    return RichTerminal()


def converse(session: Session, terminal: Terminal, usual: Mapping[str, str] | None = None) -> int:
    """Lead the job to its end, a pause, or the end of input.

    usual    question -> the choice that an empty line takes, as last time
    returns  0 (also when paused)
    """
    talk = _Talk(session, terminal, usual)
    for notice in session.notices:
        talk.put(notice, "problem")
    talk.tell(session.events)
    try:
        while not talk.is_over:
            session.look_ahead()
            talk.hear(terminal.ask(talk.prompt(), talk.choices()))
    except (EOFError, KeyboardInterrupt):
        terminal.show("")
        talk.tell(session.pause())
    return 0


class _Talk:
    """One conversation: the question that is on the screen, and what was listed last."""

    def __init__(self, session: Session, terminal: Terminal, usual: Mapping[str, str] | None = None):
        self.session, self.terminal = session, terminal
        self.usual = usual or {}
        self.narrowed: list[str] = []  # complaints that the last words could mean, as listed
        self.meant: list[str] = []  # complaints of the same line that were clear
        self.open: Event = {}
        self.listed: list[str] = []
        self.paused = False

    @property
    def is_over(self) -> bool:
        return self.paused or self.session.is_closed

    # --- showing ---

    def say(self, sentence: str, **values: Any) -> str:
        return self.session.wording.say(sentence, self.session.state.setting.skill, **values)

    def put(self, text: str, style: str = "", indent: str = "") -> None:
        if text:
            self.terminal.show(wrap(text, self.terminal.width(), indent), style)

    def tell(self, events: Sequence[Event]) -> None:
        for event in events:
            getattr(self, f"_tell_{event['event']}")(event)

    def prompt(self) -> str:
        if self.open.get("event") == "advice":
            return self.say("term_prompt_advice") + " > "
        if self.open.get("kind") == "confirm":
            return self.say("term_prompt_confirm") + " > "
        return "> "

    def choices(self) -> list[tuple[str, str]]:
        titles = self.open.get("titles") or {}
        return [(c, clean(str(titles.get(c, c)))) for c in self.open.get("choices") or ()]

    def _tell_question(self, event: Event) -> None:
        self.open = event
        self._tell_estimate(event.get("estimate") or {})
        self._cautions(event)
        minutes = event["minutes"]
        head = []
        if minutes["hands"] >= WORTH_TELLING:
            head.append(self.say("term_minutes", minutes=f"{minutes['hands']:.0f}"))
        if minutes["wait"]:
            head.append(self.say("term_wait", minutes=f"{minutes['wait']:.0f}"))
        if event["helper"]:
            head.append(self.say("term_helper"))
        self.put("\n".join(filter(None, (event["text"], " ".join(head)))), "question")
        if event["question"] == "complaint":
            self.put(self.say("term_list"))
        elif event["kind"] != "confirm":
            self._list([title for _, title in self.choices()])
        if self._usual():
            self.put(self.say("as_last_time", used=dict(self.choices())[self._usual()]))
        if event.get("together"):
            more = "; ".join(clean(t["text"]) for t in event["together"])
            self.put(self.say("term_together" if event["choices"] else "term_together_tip", more=more))
        if self.session.state.setting.skill == "trade":
            self._expected(event)

    def _list(self, titles: Sequence[str]) -> None:
        self.put("\n".join(f"{n}  {clean(title)}" for n, title in enumerate(titles, start=1)), "", "  ")

    def _usual(self) -> str:
        """What an empty line answers to the open question; '' if it answers nothing."""
        choice = self.usual.get(str(self.open.get("question")), "")
        return choice if choice in (self.open.get("choices") or ()) else ""

    def _expected(self, event: Event) -> None:
        expected = event.get("expected")
        if not expected:
            return
        healthy = expected["healthy"]["reading"]
        lines = [self.say("term_healthy", reading=healthy)]
        lines += [  # those that would read as a good bike does tell nothing here
            self.say("term_suspect", suspect=s["text"], reading=s["reading"])
            for s in expected["suspects"]
            if s["reading"] != healthy
        ]
        self.put("\n".join(lines), "aside")

    def _cautions(self, event: Event) -> None:
        for caution in event.get("cautions") or ():
            if caution["new"]:
                self.put(self.say("term_caution", text=caution["text"]), "caution")

    def _tell_advice(self, event: Event) -> None:
        self.open = event if event["repair"] else {}
        self._tell_estimate(event.get("estimate") or {})
        self._cautions(event)
        lines = [event["text"]]
        lines += [self.say(f"term_{r['sort']}", text=r["text"]) for r in event.get("rules") or ()]
        if event.get("get_home"):
            lines.append(self.say("term_get_home", text=event["get_home"]))
        self.put("\n".join(lines), "advice")

    def _tell_suspects(self, event: Event) -> None:
        lines = [f"{n}  {s['text']}: {s['sure']}" for n, s in enumerate(event["list"][:5], start=1)]
        self.put("\n".join(lines), "aside")

    def figures(self, event: Event) -> None:
        """The suspects with their chances."""
        lines = [f"{100 * s['probability']:5.1f} %  {s['text']}" for s in event["list"]]
        self.put("\n".join(lines), "aside")

    def _tell_why(self, event: Event) -> None:
        self.put(event["text"], "aside")

    def _tell_others(self, event: Event) -> None:
        self.listed = [o["measurement"] for o in event["list"]]
        lines = [f"{n}  {o['text']}" for n, o in enumerate(event["list"], start=1)]
        self.put("\n".join([*lines, self.say("term_take") if lines else self.say("term_no_others")]), "aside")

    def _tell_noted(self, event: Event) -> None:
        understood = [f"- {i['words']}" for i in event.get("understood") or ()]
        noted = event.get("text") or self.say("term_noted")
        lines = [self.say("term_understood"), *understood] if understood else [noted]
        for unclear in event.get("unclear") or ():
            lines.append(self.say("term_unclear", why=unclear["why"]))
        self.put("\n".join(lines), "aside")

    def _tell_where(self, event: Event) -> None:
        width = self.terminal.width()
        lines = [textwrap.fill(line, width, subsequent_indent=" |  ") for line in event["lines"]]
        self.terminal.show("\n".join(lines), "aside")
        self.put(event["text"].split("\n")[-1], "aside")

    def _glossary_here(self) -> None:
        """The words of the question on the screen that can be asked for."""
        asked = str(self.open.get("text", "")).lower()
        known = [w for w in self.session.wording.words["glossary"] if _holds(asked, w)]
        if known:
            listed = ", ".join(w.replace("_", " ") for w in known)
            self.put(self.say("term_glossary", words=listed), "aside")

    def _explain_word(self, word: str) -> None:
        known = self.session.wording.words["glossary"]
        near = difflib.get_close_matches(word.replace(" ", "_"), known, 1, 0.75)
        if near:
            self.put(f"{near[0].replace('_', ' ')}: {known[near[0]][0]}", "aside")
        else:
            listed = ", ".join(w.replace("_", " ") for w in known)
            self.put(self.say("term_no_word", word=word, words=listed), "problem")

    def _tell_differs(self, event: Event) -> None:
        self.put(event["text"], "aside")
        self.put(self.say("term_differs"), "aside")

    def _tell_estimate(self, event: Event) -> None:
        self.put(event.get("text", ""), "aside")

    def _tell_back(self, event: Event) -> None:
        self.put(event["text"], "aside")

    def _tell_waiting(self, event: Event) -> None:
        """Told by the pause that follows."""

    def _tell_undone(self, event: Event) -> None:
        self.put(self.say("term_undone"), "aside")

    def _tell_problem(self, event: Event) -> None:
        self.put(event["message"], "problem")

    def _tell_closed(self, event: Event) -> None:
        self.paused = event["outcome"] == "paused"
        self.put(event["text"], "advice")
        self.put(
            self.say(
                f"term_closed_{event['outcome']}",
                job=self.session.job,
                minutes=f"{event['hands_minutes']:.0f}",
                steps=event["steps"],
            )
        )

    # --- hearing ---

    def hear(self, typed: str) -> None:
        """Turn one typed line into a message, and tell what comes of it."""
        line = clean(typed).strip()
        if "\n" in line:
            self._pasted(line)
            return
        command, _, rest = line.partition(" ")
        command, rest = command.lower(), rest.strip()
        if not line and self._usual():
            self._answer(self._usual())
        elif not line:
            self.put(self.say("term_empty"), "problem")
        elif line in ("?", "help"):
            self.put(self.say("term_help"), "aside")
            self._glossary_here()
        elif line.startswith("?"):
            self._explain_word(line[1:].strip().lower())
        elif line.lower() in (*ASIDE, "undo", "pause"):
            self.tell(self.session.take({"do": line.lower()}))
        elif line.lower() in ("quit", "exit"):
            self.tell(self.session.take({"do": "pause"}))
        elif line.lower() == "figures":
            for event in self.session.take({"do": "suspects"}):
                self.figures(event)
        elif command == "wait" and rest:
            self.tell(self.session.take({"wait": rest}))
        elif command == "note" and rest:
            self.tell(self.session.take({"note": rest}))
        elif command == "take" and rest.isdigit() and not self.listed:
            self.put(self.say("term_take_what"), "problem")
        elif command == "take" and rest:
            self.tell(self.session.take({"take": self._numbered(rest, self.listed)}))
        elif command == "see" and rest:
            self.tell(self.session.take({"observe": rest}))
        elif (changes := self._differs(line.lower())) is not None:
            self.tell(self.session.take({"differs": changes}))
        elif self.open.get("event") == "advice":
            self._advised(line)
        elif self.open.get("question") == "complaint":
            self._complain(line)
        else:
            self._answer(line)

    def _pasted(self, text: str) -> None:
        """Several lines at once: no row of answers to questions not yet seen; kept, and read as a remark.

        Whoever pastes a list of "yes" has not read what he says yes to.
        """
        for start in range(0, len(text), TEXT_LIMIT):
            self.tell(self.session.take({"note": text[start : start + TEXT_LIMIT]}))
        self.put(self.say("term_pasted"), "aside")
        heard = self.session.take({"observe": text[:TEXT_LIMIT]})
        self.tell([e for e in heard if e["event"] != "problem"])

    def _advised(self, line: str) -> None:
        if line.lower() not in ("done", "did it", "ready"):
            self.tell(self.session.take({"answer": line}))
            return
        several = len(self.session.state.all_complaints) > 1
        asked = wrap(self.say("term_works_several" if several else "term_works"), self.terminal.width())
        known = {"yes": "yes", "y": "yes", "no": "no", "n": "no"} | ({"some": "some"} if several else {})
        while (works := self.terminal.ask(asked + " > ").strip().lower()) not in known:
            self.put(self.say("term_yes_no_some" if several else "term_yes_or_no"), "problem")
        answer = known[works]
        self.tell(self.session.take({"done": self.open["repair"], "works": answer}))

    def _complain(self, line: str) -> None:
        """Complaints in the rider's own words: what could mean several is asked back as a short list."""
        from diagnose.conversation.intake import complaints_meant

        ids = [c for c, _ in self.choices()]
        titles = dict(self.choices())
        if line.lower() == "list":
            self.narrowed, self.meant = [], []
            self._list([titles[c] for c in ids])
            return
        said = ", ".join(self._numbered(part, self.narrowed or ids) for part in _parts(line))
        found = complaints_meant(self.session.world, said, self.session.wording)
        several = next((few for _, few in found if len(few) > 1), [])
        if several and all(few for _, few in found):
            self.meant += [few[0] for _, few in found if len(few) == 1]
            self.narrowed = several[:NARROWED]
            self.put(self.say("term_which", said=next(part for part, few in found if few == several)))
            self._list([titles[c] for c in self.narrowed])
            return
        events = self.session.take({"answer": ", ".join([*self.meant, said])})
        if events[0]["event"] != "problem":
            self.narrowed, self.meant = [], []
        self.tell(events)

    def _answer(self, line: str) -> None:
        asked = self.open
        ids = [c for c, _ in self.choices()]
        answer = line
        if ids and asked.get("several"):
            answer = ", ".join(self._numbered(part, ids) for part in _parts(line))
        elif ids:
            answer = self._numbered(line, ids)
        steps = self.session.state.steps
        events = self.session.take(self._with_others(line) or {"answer": answer})
        first = events[0] if events else {}
        if first.get("event") == "problem" and not first.get("doubt") and re.search(r"\s", line):
            # perhaps it was a remark about something else on the bike
            others = self.session.take({"observe": line})
            if others and others[0]["event"] == "noted":
                events = others
        elif self.session.state.steps > steps and self._compares(asked):
            self._compare(asked["expected"]["healthy"]["reading"], asked["unit"])
        self.tell(events)

    def _with_others(self, line: str) -> Event | None:
        """'works; dead' as the answers to a question and to what was offered beside it; None if it is one."""
        offered = self.open.get("together") or ()
        first, *rest = (part.strip() for part in line.split(";"))
        if not first or not 1 <= len(rest) <= len(offered):
            return None
        ids = [c for c, _ in self.choices()]
        also = {  # a number means a line of the list on the screen, where the other has the same
            other["measurement"]: self._numbered(text, ids) if other["choices"] == ids else text
            for other, text in zip(offered, rest, strict=False)
            if text not in ("", "-", "skip")
        }
        return {"answer": self._numbered(first, ids), "also": also}

    def _compare(self, healthy: str, unit: str) -> None:
        """What a good bike shows, beside what was understood of a number that was typed."""
        from diagnose.conversation import names

        mine = next((r.value for r in self.session.state.readings[::-1] if not r.repeats), "")
        if isinstance(mine, str):
            self.put(self.say("term_healthy", reading=healthy), "aside")
        else:
            shown = names.reading(mine, unit, self.session.wording)
            self.put(self.say("term_compare", mine=shown, reading=healthy), "aside")

    def _compares(self, asked: Event) -> bool:
        """A beginner compares after he has typed, so that he types what he sees."""
        return bool(asked.get("expected")) and self.session.state.setting.skill != "trade"

    def _numbered(self, text: str, ids: Sequence[str]) -> str:
        """The id that a number of the list means; other text as it is."""
        if text.isascii() and text.isdigit() and 1 <= int(text) <= len(ids) and len(text) < 4:
            return ids[int(text) - 1]
        return text

    def _differs(self, line: str) -> dict[str, str] | None:
        """'have meter', 'alone', 'helper', 'engine off', 'not fitted horn' as changes; None if it is none."""
        from diagnose.conversation.state import KITS

        command, _, rest = line.partition(" ")
        if command == "have" and rest in KITS:
            return {"kit": rest}
        if command == "limit" and rest:
            return {"price_limit": rest}
        plain = {
            "loom altered": {"loom": "altered"},
            "alone": {"helper": "no"},
            "helper": {"helper": "yes"},
            "engine off": {"engine": "off"},
            "engine on": {"engine": "may run"},
        }
        if line in plain:
            return plain[line]
        from diagnose.catalogue.differences import split_words

        if line.startswith("as drawn ") and line[9:].strip():
            return {"as_drawn": line[9:].strip()}
        said = split_words(line)
        return {said[0]: said[1]} if said else None


def _parts(line: str) -> list[str]:
    """'1,4' and '1 4' pick two of a list; in 'horn dead, batt 12,7' the last comma is a decimal one."""
    from diagnose.conversation.shorthand import COMMA

    numbers = re.fullmatch(r"[\d\s,;]+", line) is not None
    return [part.strip() for part in re.split(r"[\s,;]+" if numbers else COMMA, line) if part.strip()]


def _holds(text: str, word: str) -> bool:
    """Whether a text uses a word of the glossary, also in the plural."""
    return re.search(rf"\b{re.escape(word.replace('_', ' '))}s?\b", text) is not None
