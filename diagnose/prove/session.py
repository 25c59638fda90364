"""A proving run with its journal: each answer is on the disk before its events are given out.

The same journal as a job's; its head says `prove`. Fits the line protocol and the terminals of a job.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from diagnose import journal as journals
from diagnose.conversation.means import Event, problem
from diagnose.errors import DiagnoseError, JournalError
from diagnose.journal import Journal, Record
from diagnose.prove.bench import Bench
from diagnose.prove.run import begin, step
from diagnose.prove.state import State

MARK = "prove"  # key of the journal's options that tells a proving run from a job


@dataclass(slots=True)
class ProveSession:
    """One proving run being worked on. Not a value: it holds an open file.

    when  check id -> time of its last outcome
    """

    bench: Bench
    journal: Journal
    state: State
    events: tuple[Event, ...]
    resumed: bool = False
    notices: tuple[str, ...] = ()
    when: dict[str, str] = field(default_factory=dict)
    clock: Callable[[], str] = journals.now

    @property
    def job(self) -> str:
        """Id of the run."""
        return self.journal.record.job

    @property
    def world(self) -> Any:
        """The bike in words, as the line protocol greets with it."""
        return self.bench.named

    @property
    def wording(self) -> Any:
        """The sentences of a job's terminal."""
        return self.bench.words

    @property
    def is_closed(self) -> bool:
        """Whether the run has come to an end."""
        return self.state.result not in ("", "paused")

    def take(self, message: Any) -> tuple[Event, ...]:
        """Take one message of the protocol; what cannot be taken is a problem event."""
        before = self.state
        try:
            after, events = step(before, message, self.bench)
            for entry in after.log[len(before.log) :]:
                self.journal.append("message", entry)
        except DiagnoseError as err:
            return (problem(str(err)),)
        self.state = after
        stamp(self.when, before, after, self.clock())
        return self._keep(events)

    def look_ahead(self) -> None:
        """Nothing is worth computing while the user types: a check that passes asks for no search."""

    def pause(self) -> tuple[Event, ...]:
        """End for now; nothing if the run is closed already."""
        return () if self.state.result else self.take({"do": "pause"})

    def close(self) -> None:
        """Give the journal back."""
        self.journal.close()

    def _keep(self, events: tuple[Event, ...]) -> tuple[Event, ...]:
        kept = (
            "event",
            "id",
            "result",
            "reading",
            "limit",
            "outcome",
            "checks",
            "text",
            "repair",
            "candidates",
        )
        for event in events:
            if event["event"] in ("check", "advice", "closed"):
                try:
                    self.journal.append("told", {k: event[k] for k in kept if k in event})
                except JournalError as err:
                    return (*events, problem(str(err)))
        return events


def stamp(when: dict[str, str], before: State, after: State, at: str) -> None:
    """Note the time of every outcome that is new."""
    known = set(before.outcomes)
    for o in after.outcomes:
        if o not in known:
            when[o.check] = at


def new_session(
    folder: Path,
    options: Mapping[str, Any],
    bench: Bench,
    *,
    clock: Callable[[], str] = journals.now,
) -> ProveSession:
    """Begin a run and its journal; raises UsageError, or JournalError if it cannot be written."""
    state, events = begin(options, bench)
    journal = journals.create(folder, bench.plan.bike, {**options, MARK: True}, about="prove", clock=clock)
    session = ProveSession(bench, journal, state, events, clock=clock)
    stamp(session.when, State(), state, clock())
    return session


def is_proving(record: Record) -> bool:
    """Whether a journal is that of a proving run."""
    return bool(record.options.get(MARK))


def resume_session(journal: Journal, bench: Bench) -> ProveSession:
    """Go on with a run from its journal: the same state, and the question that stands."""
    record = journal.record
    state, events = begin(record.options, bench)
    when: dict[str, str] = {}
    stamp(when, State(), state, record.started)
    refused: list[str] = []
    for entry in record.entries:
        if entry.kind != "message":
            continue
        before = _going_on(state)
        state, events = step(before, entry.data, bench)
        stamp(when, before, state, entry.at)
        if events and events[0]["event"] == "problem":
            refused.append(
                f"{record.path}: message {entry.number} is no longer understood and was left out: "
                f"{events[0]['message']}"
            )
    state = _going_on(state)
    shown = (dict(state.event),) if state.event else events
    return ProveSession(bench, journal, state, shown, True, (*record.notices, *refused), when)


def _going_on(state: State) -> State:
    return replace(state, result="") if state.result == "paused" else state
