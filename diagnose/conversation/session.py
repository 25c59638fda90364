"""A job with its journal: each accepted message is on the disk before its events are given out.

Between the pure step and whoever talks to the user (JSON lines, a terminal). The only place of the
conversation that writes.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from diagnose import journal as journals
from diagnose.bike.model import JobState
from diagnose.catalogue.differences import Difference
from diagnose.conversation.means import Event, problem
from diagnose.conversation.state import State
from diagnose.conversation.step import begin, fitted, fold, step
from diagnose.conversation.world import World
from diagnose.errors import DiagnoseError, JournalError
from diagnose.journal import Journal
from diagnose.rules.base import RuleBase
from diagnose.wording import Wording

# what the journal keeps of advice and endings, for its reader
_TOLD = (
    "event",
    "sort",
    "repair",
    "title",
    "candidates",
    "probability",
    "minutes",
    "price",
    "text",
    "verify",
)
_CLOSED = (
    "event", "outcome", "waiting", "causes", "hands_minutes", "waited_minutes", "elapsed_minutes", "steps",
    "text", "repairs",
)  # fmt: skip


Ahead = tuple[tuple[str, ...], str, bool]  # complaints, kit, whether for the first step
KeepDiffers = Callable[[Sequence[Difference], Sequence[Difference]], None]  # what differed before, and now


@dataclass(slots=True)
class Session:
    """One job being worked on. Not a value: it holds an open file.

    events   what was told last, to be shown first
    resumed  whether the job had been begun before
    keep_differs  keeps with the bike what is said to differ on it; None: it holds for this job only
    looked   for which the predictions are made, or being made, ahead of the need
    """

    world: World
    rulebase: RuleBase
    wording: Wording
    journal: Journal
    state: State
    events: tuple[Event, ...]
    resumed: bool = False
    notices: tuple[str, ...] = field(default=())
    looked: set[Ahead] = field(default_factory=set)
    clock: Callable[[], str] = journals.now
    keep_differs: KeepDiffers | None = None

    @property
    def job(self) -> str:
        """Id of the job."""
        return self.journal.record.job

    @property
    def is_closed(self) -> bool:
        """Whether the job has come to an end."""
        return self.state.phase == "closed"

    def take(self, message: Any) -> tuple[Event, ...]:
        """Take one message of the protocol (any JSON value); what cannot be taken is a problem event."""
        before = self.state
        try:
            after, events = step(before, message, self.world, self.rulebase, self.wording)
            for entry in after.log[len(before.log) :]:
                self.journal.append("message", entry)
        except DiagnoseError as err:
            # nothing was recorded, so nothing has changed
            return (problem(str(err)),)
        self.state = after
        return self._keep(self._timed(events)) + self._differs_kept(before, after)

    def _differs_kept(self, before: State, after: State) -> tuple[Event, ...]:
        """Keep with the bike what was just said of it, or taken back; that this failed is told."""
        then, now = before.setting.differs, after.setting.differs
        if then == now or self.keep_differs is None:
            return ()
        try:
            self.keep_differs(then, now)
        except DiagnoseError as err:
            return (problem(str(err)),)
        return ()

    def look_ahead(self) -> None:
        """Make the predictions that the coming steps need while the user reads and types.

        Changes no answer, only when it is there: the same numbers are made at the need otherwise.
        """
        known = (self.state.setting.complaints, self.state.setting.kit, self.state.phase == "intake")
        if not all(known[:2]) or known in self.looked or self.is_closed:
            return
        self.looked.add(known)
        work = threading.Thread(target=self._predict, args=(known,), daemon=True)
        work.start()

    def _predict(self, known: Ahead) -> None:
        complaints, kit, first = known
        try:
            fitted(self.world, self.state).planned(complaints, JobState(), kit, first=first)
        except DiagnoseError:
            self.looked.discard(known)  # whatever it is, the step itself will meet it and tell the user

    def pause(self) -> tuple[Event, ...]:
        """End for now; nothing if the job is closed already."""
        return () if self.is_closed else self.take({"do": "pause"})

    def close(self) -> None:
        """Give the journal back."""
        self.journal.close()

    def _timed(self, events: tuple[Event, ...]) -> tuple[Event, ...]:
        """Endings with the minutes since the job was begun: hands-on time is apart from it."""
        return tuple(
            {**e, "elapsed_minutes": journals.minutes_between(self.journal.record.started, self.clock())}
            if e["event"] == "closed"
            else e
            for e in events
        )

    def _keep(self, events: tuple[Event, ...]) -> tuple[Event, ...]:
        """Record advice and endings; that this failed is told, and costs no answer."""
        for event in events:
            if event["event"] in ("advice", "closed"):
                keys = _TOLD if event["event"] == "advice" else _CLOSED
                try:
                    self.journal.append("told", {k: event.get(k) for k in keys})
                except JournalError as err:
                    return (*events, problem(str(err)))
        return events


def new_session(
    folder: Path,
    bike: str,
    options: Mapping[str, Any],
    world: World,
    rulebase: RuleBase,
    wording: Wording,
    *,
    clock: Callable[[], str] = journals.now,
    keep_differs: KeepDiffers | None = None,
) -> Session:
    """Begin a job and its journal.

    options  what is known already, see intake.settle; kept in the head of the journal
    raises   UsageError for an unknown id, JournalError if the journal cannot be written
    """
    state, events = begin(options, world, rulebase, wording)
    about = next(iter(options.get("complaints") or ()), "")
    journal = journals.create(folder, bike, options, about=about, clock=clock)
    session = Session(world, rulebase, wording, journal, state, events, clock=clock)
    session.keep_differs = keep_differs
    session.events = session._keep(events)
    return session


def resume_session(
    journal: Journal,
    world: World,
    rulebase: RuleBase,
    wording: Wording,
    *,
    clock: Callable[[], str] = journals.now,
    keep_differs: KeepDiffers | None = None,
) -> Session:
    """Go on with a job from its journal: the same state, and the question that stands.

    journal  as journal.open_journal gives it
    """
    record = journal.record
    state, told = fold(record.options, record.messages, world, rulebase, wording)
    refused = [
        f"{record.path}: message {n} is no longer understood and was left out: {events[0]['message']}"
        for n, events in enumerate(told)
        if n and events and events[0]["event"] == "problem"
    ]
    shown = (dict(state.open.event),) if state.open is not None else told[-1]
    session = Session(world, rulebase, wording, journal, state, tuple(shown), True, clock=clock)
    session.keep_differs = keep_differs
    session.notices = (*record.notices, *refused)
    if state.waiting:  # whoever goes on has come back
        waited = journals.minutes_between(record.entries[-1].at, clock())
        session.events = session.take({"do": "back", "waited": waited})
    return session
