"""One job that plays itself: the real terminal, the real steps, a pretended rider with a hidden fault."""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from diagnose.bike.candidates import read_fault
from diagnose.bike.model import Candidate
from diagnose.conversation.session import Session, new_session
from diagnose.conversation.terminal import Terminal, converse
from diagnose.means import Opened
from diagnose.play import reply
from diagnose.players import OwnPlayer

DEMO_BIKE = "custom_single"
DEMO_COMPLAINT = "dash_dead"
FOUND, NOT_FOUND = 0, 1


class _Rider:
    """A Terminal whose user answers by himself; everything is shown as a real user would see it."""

    def __init__(self, screen: Terminal, player: OwnPlayer, cured_by: set[str]):
        self.screen, self.player, self.cured_by = screen, player, cured_by
        self.session: Session | None = None
        self._next: list[str] = []

    def width(self) -> int:
        """Columns of the real screen."""
        return self.screen.width()

    def show(self, text: str, style: str = "") -> None:
        """Pass on to the real screen."""
        self.screen.show(text, style)

    def ask(self, prompt: str, choices: Sequence[tuple[str, str]] = ()) -> str:
        """The next line of the pretended rider, shown as if typed."""
        assert self.session is not None
        if not self._next:
            message = reply(
                self.session.world,
                self.session.state,
                self.player,
                lambda r: r in self.cured_by,
                [],
                [],
                None,
            )
            self._next = _typed(message)
        line = self._next.pop(0)
        self.screen.show(f"{prompt}{line}")
        return line


def _typed(message: dict[str, Any]) -> list[str]:
    if "done" in message:
        return ["done", str(message["works"])]
    return [str(message["answer"])]


def play_demo(options: argparse.Namespace, opened: Opened, screen: Terminal) -> int:
    """Play the demonstration job to its end, then say how to start a real one.

    options  demo_fault: the hidden fault; skill
    """
    world = opened.world(options.bike or DEMO_BIKE)
    fault = read_fault(world.built, world.service, options.demo_fault)
    complaint = options.complaint or [DEMO_COMPLAINT]
    rider = _Rider(screen, OwnPlayer(world, Candidate(fault.id, (fault,), 0.5)), set(fault.repairs))
    say = opened.wording.say
    screen.show(say("demo_begins", bike=world.spec.title), "question")
    known: dict[str, Any] = {
        "complaints": complaint,
        "kit": options.kit or "meter",
        "skill": options.skill or "beginner",
        "history": {},
    }
    with tempfile.TemporaryDirectory() as folder:
        session = new_session(Path(folder), world.spec.id, known, world, opened.rulebase, opened.wording)
        rider.session = session
        try:
            converse(session, rider)
        finally:
            session.close()
        outcome = session.state.outcome
    screen.show(
        say("demo_ends", fault=f"{world.spec.parts[fault.component].title}: {fault.title}"), "question"
    )
    return FOUND if outcome == "repaired" else NOT_FOUND
