"""Play the scripted sessions and write what the program printed: `python tests/record_sessions.py`.

Everything between the program's start and the screen is the real thing: terminal, session, journal on
disk, resumed from disk. Only the clock stands still, and the user reads from a script.
"""

from __future__ import annotations

import io
import json
import re
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import shipped
from prompt_toolkit.input import DummyInput
from prompt_toolkit.output import DummyOutput
from rich._export_format import CONSOLE_SVG_FORMAT
from rich.console import Console
from rich.text import Text
from session_scripts import PICTURE, SCRIPTS, Script

from diagnose.bike.candidates import read_fault
from diagnose.bike.model import Candidate
from diagnose.conversation import lines
from diagnose.conversation.screen import Terminal
from diagnose.conversation.session import Session, new_session, resume_session
from diagnose.conversation.state import State
from diagnose.conversation.terminal import PlainTerminal, converse
from diagnose.conversation.terminal_rich import RichTerminal
from diagnose.journal import find_job, open_journal
from diagnose.play import reply
from diagnose.players import OwnPlayer

FOLDER = Path(__file__).with_name("sessions")
DRAWING = "session.svg"
MOST_LINES = 120  # a session of more has lost its way
HONEST = "*"
RESUME = "resume"


def at_noon() -> str:
    """A clock that stands still, so that ids of jobs repeat."""
    return "2024-01-01T12:00:00Z"


class Typist:
    """A user as a stream of lines: the script's, then honest ones to the end."""

    def __init__(self, script: Script):
        world = shipped.world(script.bike)
        fault = read_fault(world.built, world.service, script.fault)
        self.player = OwnPlayer(world, Candidate(fault.id, (fault,), 0.5))
        self.cured_by = set(fault.repairs)
        self.script = list(script.lines)
        self.then: list[str] = []
        self.typed = 0
        self.session: Session | None = None

    def isatty(self) -> bool:
        """No: the terminal writes down what is typed."""
        return False

    def readline(self) -> str:
        """The next line; nothing where the script closes the program."""
        self.typed += 1
        assert self.typed < MOST_LINES, "the session does not end"
        if self.then:
            return self.then.pop(0) + "\n"
        line = self.script.pop(0) if self.script else HONEST
        return (self._honest() if line == HONEST else line) + "\n"

    def _honest(self) -> str:
        assert self.session is not None
        world, state = self.session.world, self.session.state
        message = reply(world, state, self.player, self.cured_by.__contains__, [], [], None)
        if "done" in message:
            self.then = [str(message["works"])]
            return "done"
        return str(message["answer"])


@dataclass(frozen=True, slots=True)
class Recorded:
    """A session: what was printed, what the journal holds, how it ended."""

    text: str
    messages: tuple[Mapping[str, Any], ...]
    outcome: str
    causes: tuple[str, ...]


def record(script: Script, folder: Path) -> Recorded:
    """Play one session on plain lines; its journal goes into the folder."""
    sink = io.StringIO()
    typist = Typist(script)
    state = _play(script, folder, typist, PlainTerminal(typist, sink, script.columns), sink.write)  # type: ignore[arg-type]
    messages = tuple(m for m in state.log if m.get("do") != "pause")
    return Recorded(sink.getvalue(), messages, state.outcome, tuple(state.causes))


def _play(
    script: Script, folder: Path, typist: Typist, screen: Terminal, shell: Callable[[str], Any]
) -> State:
    opened, world = shipped.opened(), shipped.world(script.bike)
    shell(f"$ {_command(script)}\n")
    session = new_session(
        folder, script.bike, script.known, world, opened.rulebase, opened.wording, clock=at_noon
    )
    while True:
        typist.session = session
        converse(session, screen)
        session.close()
        if not typist.script or typist.script[0] != RESUME:
            break
        typist.script.pop(0)
        shell("\n$ diagnose resume last\n")
        journal = open_journal(find_job(folder, session.job), clock=at_noon)
        session = resume_session(journal, world, opened.rulebase, opened.wording)
    assert session.is_closed and not typist.script, f"{script.name} ended before its script"
    return session.state


def _command(script: Script) -> str:
    """What is typed to start it."""
    given = [f"--complaint {c}" for c in script.known.get("complaints", ())]
    given += [f"--{name} {script.known[name]}" for name in ("kit", "skill") if name in script.known]
    return " ".join(["diagnose job --bike", script.bike, *given])


def over_lines(script: Script, messages: Sequence[Mapping[str, Any]], folder: Path) -> dict[str, Any]:
    """The same job over JSON lines; its last event."""
    opened, world = shipped.opened(), shipped.world(script.bike)
    session = new_session(folder, script.bike, script.known, world, opened.rulebase, opened.wording)
    source = io.BytesIO("".join(json.dumps(m) + "\n" for m in messages).encode())
    sink = io.BytesIO()
    lines.run(session, source, sink)
    session.close()
    told = [json.loads(line) for line in sink.getvalue().splitlines()]
    assert not [e for e in told if e["event"] == "problem" and not e["doubt"]]
    return told[-1]


class Pictured(RichTerminal):
    """The terminal of a tty, but what it shows and what is typed is kept for a picture."""

    def __init__(self, typist: Typist, columns: int):
        super().__init__(DummyInput(), DummyOutput())
        self.typist = typist
        self.console = Console(
            record=True, file=io.StringIO(), width=columns, highlight=False, markup=False, emoji=False,
            force_terminal=True, color_system="truecolor",
        )  # fmt: skip

    def ask(self, prompt: str, choices: Sequence[tuple[str, str]] = ()) -> str:
        """The typist's line, shown after the prompt."""
        typed = self.typist.readline().rstrip("\n")
        self.console.print(Text(prompt + typed), soft_wrap=True)
        return typed


def picture(script: Script, folder: Path) -> str:
    """The same kind of session as an SVG drawing, without fonts from the net."""
    typist = Typist(script)
    screen = Pictured(typist, script.columns)
    _play(script, folder, typist, screen, lambda text: screen.console.print(Text(text.strip())))
    form = re.sub(r"@font-face \{\{.*?\}\}\s*", "", CONSOLE_SVG_FORMAT, flags=re.DOTALL)
    return screen.console.export_svg(title="diagnose", code_format=form, unique_id="session")


def main(names: list[str]) -> int:
    """Write the transcripts of these sessions, or of all."""
    FOLDER.mkdir(exist_ok=True)
    for script in SCRIPTS:
        if names and script.name not in names:
            continue
        with tempfile.TemporaryDirectory() as folder:
            recorded = record(script, Path(folder))
        (FOLDER / f"{script.name}.txt").write_text(recorded.text, encoding="utf-8")
        print(script.name, recorded.outcome, *recorded.causes)
    if not names or PICTURE.name in names:
        with tempfile.TemporaryDirectory() as folder:
            (FOLDER / DRAWING).write_text(picture(PICTURE, Path(folder)), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
