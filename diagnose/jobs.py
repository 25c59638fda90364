"""Start, go on with, and demonstrate jobs: the wiring between a command line and a session.

The first question is on the screen before anything heavy is imported; that is done while the user reads it.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any

from diagnose.conversation.screen import Terminal, wrap
from diagnose.conversation.terminal import PlainTerminal, converse, open_terminal
from diagnose.errors import UsageError
from diagnose.journal import find_job, jobs_folder, list_jobs, now, open_journal
from diagnose.locations import bike_names, knowledge_folder
from diagnose.output import DONE, FAILED

if TYPE_CHECKING:
    from diagnose.conversation.session import Session
    from diagnose.means import Opened
    from diagnose.wiring import BikeWorld


def begin(options: argparse.Namespace) -> int:
    """`diagnose job`: ask what is not known yet, then hold the session."""
    bike = options.bike or _ask_bike(options.knowledge, options.lines)

    from diagnose.conversation.session import new_session
    from diagnose.means import open_knowledge

    terminal = open_terminal(options.plain)
    opened = open_knowledge(options.knowledge)
    world = opened.world(bike)
    known: dict[str, Any] = {"complaints": options.complaint, "kit": options.kit, "skill": options.skill}
    known["price_limit"] = options.limit
    known = {k: v for k, v in known.items() if v}
    proof = _proved(options, world.spec.id, opened, world)
    known |= {"proved": proof} if proof else {}
    session = new_session(
        jobs_folder(options.folder), world.spec.id, known, world, opened.rulebase, opened.wording
    )
    return _hold(session, options.lines, terminal)


def _proved(
    options: argparse.Namespace, bike: str, opened: Opened, world: BikeWorld
) -> dict[str, Any] | None:
    """What the last proving run of this bike rules out; None without one that counts."""
    records, _ = list_jobs(jobs_folder(options.folder))
    if not any(r.options.get("prove") and r.bike == bike for r in records):
        return None
    from diagnose.prove.bench import open_bench
    from diagnose.prove.later import for_a_job, last_proof

    record = last_proof(records, bike)
    return for_a_job(record, open_bench(opened, bike), world, now()) if record is not None else None


def go_on(options: argparse.Namespace) -> int:
    """`diagnose resume`."""
    folder = jobs_folder(options.folder)
    name = options.job
    if name == "last":
        records, _ = list_jobs(folder)
        if not records:
            raise UsageError(f"no job to go on with in {folder}; try `diagnose job`")
        name = records[0].job
    journal = open_journal(find_job(folder, name))
    if journal.record.options.get("prove"):
        from diagnose.prove.command import go_on as go_on_proving

        return go_on_proving(journal, options)
    from diagnose.conversation.session import resume_session
    from diagnose.means import open_knowledge

    try:
        opened = open_knowledge(options.knowledge)
        world = opened.world(journal.record.bike)
        session = resume_session(journal, world, opened.rulebase, opened.wording)
    except BaseException:
        journal.close()
        raise
    terminal = open_terminal(options.plain)
    if session.is_closed and not options.lines and _came_back(session, terminal):
        session.events = session.take({"do": "reopen"})
    return _hold(session, options.lines, terminal)


def _came_back(session: Session, terminal: Terminal) -> bool:
    """Ask whether the fault of a closed job is back; the end of input means no."""
    asked = wrap(session.wording.say("ask_reopen"), terminal.width()) + " > "
    try:
        while (said := terminal.ask(asked).strip().lower()) not in ("yes", "y", "no", "n"):
            terminal.show(wrap(session.wording.say("term_yes_or_no"), terminal.width()), "problem")
    except EOFError:
        return False
    return said in ("yes", "y")


def _hold(session: Session, as_lines: bool, terminal: Terminal) -> int:
    try:
        if as_lines:
            from diagnose.conversation import lines

            lines.run(session, sys.stdin.buffer, sys.stdout.buffer)
        else:
            converse(session, terminal)
    finally:
        session.close()
    return FAILED if session.state.outcome == "stopped" else DONE


def _ask_bike(knowledge: str | None, as_lines: bool) -> str:
    bikes = bike_names(knowledge)
    if as_lines:
        raise UsageError(f"--lines needs --bike; expected one of {', '.join(bikes)}")
    folder = Path(knowledge) if knowledge else knowledge_folder()
    file = folder / "wording" / "en.yaml"
    terminal: Terminal = PlainTerminal()
    terminal.show(wrap(_first_sentence(file), terminal.width()), "question")
    for number, bike in enumerate(bikes, 1):
        terminal.show(f"  {number}  {bike.replace('_', ' ')}")
    Thread(target=_load, daemon=True).start()
    while True:
        try:
            typed = terminal.ask("> ").strip()
        except EOFError as err:
            raise UsageError(
                f"the input ended before a bike was named; expected one of {', '.join(bikes)}; try --bike"
            ) from err
        if typed.isdigit() and 1 <= int(typed) <= len(bikes):
            return bikes[int(typed) - 1]
        if typed in bikes:
            return typed
        if Path(typed).suffix == ".yaml" and Path(typed).is_file():
            return typed
        from diagnose.wording import read_wording

        wording = read_wording(file)
        terminal.show(wrap(wording.say("ask_bike_again", most=len(bikes)), terminal.width()), "problem")


def _first_sentence(file: Path) -> str:
    """The sentence that asks for the bike, taken from its line: the whole file takes longer."""
    with contextlib.suppress(OSError, ValueError):
        for line in file.read_text(encoding="utf-8").split("\n"):
            if line.startswith("  ask_bike: "):
                return str(json.loads(line.partition(": ")[2]))
    from diagnose.wording import read_wording

    return read_wording(file).say("ask_bike")  # written in another way, or a fault that this names


def _load() -> None:
    """Import what the job needs, while the user reads; a failure shows when it is needed."""
    with contextlib.suppress(Exception):
        import diagnose.conversation.session
        import diagnose.means  # noqa: F401


def demonstrate(options: argparse.Namespace) -> int:
    """`diagnose job --demo`: one invented job, played to its end; then how to start a real one."""
    from diagnose.demo import play_demo
    from diagnose.means import open_knowledge

    return play_demo(options, open_knowledge(options.knowledge), open_terminal(options.plain))
