"""Start, go on with, and demonstrate jobs: the wiring between a command line and a session.

The first question is on the screen before anything heavy is imported; that is done while the user reads it.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from functools import partial
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any

from diagnose.conversation.screen import Terminal, wrap
from diagnose.conversation.terminal import PlainTerminal, converse, open_terminal
from diagnose.errors import UsageError
from diagnose.journal import find_job, jobs_folder, list_jobs, now, open_journal
from diagnose.locations import bike_names, knowledge_folder
from diagnose.output import DONE, FAILED
from diagnose.remembered import LastUsed, recall, remember

NOT_LISTED = ("not listed", "my bike is not listed", "none of these", "another")

if TYPE_CHECKING:
    from diagnose.conversation.session import Session
    from diagnose.means import Opened
    from diagnose.wiring import BikeWorld


def begin(options: argparse.Namespace) -> int:
    """`diagnose job`: ask what is not known yet, then hold the session."""
    last = recall()
    asked = LastUsed(options.bike) if options.bike else _ask_bike(options, last)
    bike = asked.bike

    from diagnose.catalogue.differences import as_entry
    from diagnose.conversation.session import new_session
    from diagnose.differing import still_fits
    from diagnose.kept import change_kept, differs_file, kept_differences
    from diagnose.means import open_knowledge

    terminal = open_terminal(options.plain)
    opened = open_knowledge(options.knowledge)
    world = opened.world(bike)
    known: dict[str, Any] = {"complaints": options.complaint, "price_limit": options.limit}
    known |= {"kit": options.kit or asked.kit, "skill": options.skill or asked.skill}
    file = differs_file(world.spec.id, options.folder)
    differs = kept_differences(file)
    known["differs"] = [as_entry(d) for d in differs]
    try:
        world.differing(differs)
    except UsageError as err:
        raise still_fits(err, bike) from err
    known = {k: v for k, v in known.items() if v}
    proof = _proved(options, world.spec.id, opened, world)
    known |= {"proved": proof} if proof else {}
    session = new_session(
        jobs_folder(options.folder),
        world.spec.id,
        known,
        world,
        opened.rulebase,
        opened.wording,
        keep_differs=partial(change_kept, file),
    )
    try:
        return _hold(session, options.lines, terminal, last)
    finally:
        if not options.lines:
            used = session.state.setting
            kept = str(Path(bike).resolve()) if _is_bike_file(bike) else bike
            remember(LastUsed(kept, used.kit, used.skill))


def _proved(
    options: argparse.Namespace, bike: str, opened: Opened, world: BikeWorld
) -> dict[str, Any] | None:
    """What the last proving run of this bike rules out; None without one that counts."""
    records, _ = list_jobs(jobs_folder(options.folder))
    if not any(r.options.get("prove") and r.bike == bike for r in records):
        return None
    from diagnose.catalogue.differences import read_entries
    from diagnose.prove.bench import reopen_bench
    from diagnose.prove.later import for_a_job, last_proof

    record = last_proof(records, bike)
    if record is None:
        return None
    as_proved = world.differing(read_entries(record.options.get("differs") or ()))
    return for_a_job(record, reopen_bench(opened, record), as_proved, now())


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
    from diagnose.kept import change_kept, differs_file
    from diagnose.means import open_knowledge

    try:
        opened = open_knowledge(options.knowledge)
        world = opened.world(journal.record.bike)
        keep = partial(change_kept, differs_file(journal.record.bike, options.folder))
        session = resume_session(journal, world, opened.rulebase, opened.wording, keep_differs=keep)
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


def _hold(session: Session, as_lines: bool, terminal: Terminal, last: LastUsed | None = None) -> int:
    """Hold a session to its end or a pause. last: what an empty line may answer to kit and skill."""
    try:
        if as_lines:
            from diagnose.conversation import lines

            lines.run(session, sys.stdin.buffer, sys.stdout.buffer)
        else:
            converse(session, terminal, {"kit": last.kit, "skill": last.skill} if last else {})
    finally:
        session.close()
    return FAILED if session.state.outcome == "stopped" else DONE


def _ask_bike(options: argparse.Namespace, last: LastUsed) -> LastUsed:
    """Ask which bike it is, before anything heavy is loaded; an empty line takes what was used last.

    returns  the bike; with the kit and skill of last time if the user took all of that
    """
    bikes = bike_names(options.knowledge)
    if options.lines:
        raise UsageError(f"--lines needs --bike; expected one of {', '.join(bikes)}")
    folder = Path(options.knowledge) if options.knowledge else knowledge_folder()
    file = folder / "wording" / "en.yaml"
    terminal: Terminal = PlainTerminal()
    offer = _offer(last, bikes, file)
    terminal.show(wrap(_sentence(file, "ask_bike"), terminal.width()), "question")
    names = [*(bike.replace("_", " ") for bike in bikes), _sentence(file, "ask_bike_unlisted")]
    listed = [f"{number}  {name}" for number, name in enumerate(names, 1)]
    terminal.show("\n".join(wrap(line, terminal.width(), "  ") for line in listed))
    if offer:
        said = ", ".join(offer.values())
        terminal.show(wrap(_sentence(file, "as_last_time").format(used=said), terminal.width()))
    Thread(target=_load, daemon=True).start()
    while True:
        try:
            typed = terminal.ask("> ").strip()
        except EOFError as err:
            raise UsageError(
                f"the input ended before a bike was named; expected one of {', '.join(bikes)}; try --bike"
            ) from err
        if not typed and offer:
            return LastUsed(
                last.bike, last.kit if "kit" in offer else "", last.skill if "skill" in offer else ""
            )
        if typed.isdigit() and 1 <= int(typed) <= len(bikes):
            return LastUsed(bikes[int(typed) - 1])
        if typed == str(len(names)) or typed.lower() in NOT_LISTED:
            return LastUsed(_compose(terminal, options.knowledge))
        if _is_bike_file(typed):
            return LastUsed(typed)
        near = _bikes_named(typed, bikes)
        if len(near) == 1:
            return LastUsed(near[0])
        from diagnose.wording import read_wording

        wording = read_wording(file)
        again = wording.say("ask_bike_again", most=len(names))
        terminal.show(wrap(again, terminal.width()), "problem")


def _compose(terminal: Terminal, knowledge: str | None) -> str:
    """The bike that is made from a few questions, because it is not listed."""
    from diagnose.newbike.command import compose_in_job

    try:
        return compose_in_job(terminal, knowledge)
    except EOFError as err:
        raise UsageError("the input ended before the bike was made; nothing was kept") from err


def _is_bike_file(text: str) -> bool:
    return Path(text).suffix == ".yaml" and Path(text).is_file()


def _bikes_named(typed: str, bikes: list[str]) -> list[str]:
    """The bike of this name, or those whose names hold all words typed."""
    words = typed.lower().replace("_", " ").split()
    whole = [b for b in bikes if b.split("_") == words]
    return whole or [b for b in bikes if words and all(w in b.split("_") for w in words)]


def _offer(last: LastUsed, bikes: list[str], file: Path) -> dict[str, str]:
    """What an empty line would take, in words: bike, kit, skill; empty if that bike is no more."""
    if last.bike not in bikes and not _is_bike_file(last.bike):
        return {}
    name = last.bike if last.bike in bikes else Path(last.bike).stem
    found = {"bike": name.replace("_", " ")}
    for key in ("kit", "skill"):
        word = getattr(last, key)
        if word and (said := _line_of(file, f"{key}_{word}")):
            found[key] = said
    return found


def _sentence(file: Path, sentence: str) -> str:
    """A sentence of the wording, taken from its line: the whole file takes longer than a start may."""
    said = _line_of(file, sentence)
    if said:
        return said
    from diagnose.wording import read_wording

    template = read_wording(file).sentences  # written in another way, or a fault that this names
    return template[sentence]["beginner"]


def _line_of(file: Path, sentence: str) -> str:
    """The text of a sentence that stands in one line of the wording; '' if it does not."""
    with contextlib.suppress(OSError, ValueError):
        for line in file.read_text(encoding="utf-8").split("\n"):
            if line.startswith(f"  {sentence}: "):
                return str(json.loads(line.partition(": ")[2]))
    return ""


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
