"""A proving run in a terminal: the same screen and keyboard as a job, a few more events."""

from __future__ import annotations

from collections.abc import Sequence

from diagnose.conversation.means import Event
from diagnose.conversation.screen import Terminal
from diagnose.conversation.terminal import _Talk
from diagnose.prove.session import ProveSession


class _ProveTalk(_Talk):
    """One run: what a job's talk shows, and checks, plans and lists."""

    session: ProveSession  # type: ignore[assignment]

    def tell(self, events: Sequence[Event]) -> None:
        # a row of checks that cannot be made is one line, not a screenful
        open_checks = [e for e in events if e["event"] == "check" and e["result"] == "open"]
        for event in events:
            if event in open_checks[:-1]:
                continue
            if event in open_checks and len(open_checks) > 1:
                event = {**event, "reading": f"{len(open_checks)} x"}
            getattr(self, f"_tell_{event['event']}")(event)

    def own(self, sentence: str, **values: object) -> str:
        return self.session.bench.own.say(sentence, self.session.state.given.skill, **values)

    def _compares(self, asked: Event) -> bool:
        return False  # the outcome says it

    def _expected(self, event: Event) -> None:
        """The trade's own line stands in the question's text."""

    def _tell_plan(self, event: Event) -> None:
        self.put(event["text"], "advice")

    def _tell_check(self, event: Event) -> None:
        from diagnose.prove import ask

        bench, state = self.session.bench, self.session.state
        check = bench.plan.by_id[event["id"]]
        name = ask.name(bench, state, check)
        if event["result"] == "pass":
            self.put(self.own("passed", check=name), "aside")
        elif event["result"] == "fail":
            limit = ask.limit_words(bench, state, check)
            self.put(self.own("failed", check=name, reading=event["reading"], limit=limit), "problem")
        else:
            counted = f" ({event['reading']})" if event["reading"] else ""
            self.put(f"{name}: {event['text']}{counted}", "aside")

    def _tell_job(self, event: Event) -> None:
        self.put(event["text"], "problem")

    def _tell_again(self, event: Event) -> None:
        self.put(event["text"], "aside")

    def _tell_list(self, event: Event) -> None:
        self.put("\n".join([*(r["text"] for r in event["list"]), event["text"]]), "aside")

    def _tell_closed(self, event: Event) -> None:
        self.paused = event["outcome"] == "paused"
        self.put(event["text"], "advice")

    def hear(self, typed: str) -> None:
        if typed.strip().lower() == "list":
            self.tell(self.session.take({"do": "list"}))
        else:
            super().hear(typed)

    def _advised(self, line: str) -> None:
        if line.lower() in ("done", "did it", "ready"):
            # the failed check itself says whether it helped
            self.tell(self.session.take({"done": self.open["repair"], "works": "yes"}))
        else:
            self.tell(self.session.take({"answer": line}))


def converse(session: ProveSession, terminal: Terminal) -> int:
    """Lead the run to its end, a pause, or the end of input; returns 0."""
    talk = _ProveTalk(session, terminal)  # type: ignore[arg-type]
    for notice in session.notices:
        talk.put(notice, "problem")
    talk.tell(session.events)
    try:
        while not talk.is_over:
            talk.hear(terminal.ask(talk.prompt(), talk.choices()))
    except (EOFError, KeyboardInterrupt):
        terminal.show("")
        talk.tell(session.pause())
    return 0
