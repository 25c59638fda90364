"""`diagnose prove`: start a proving run or go on with one, hold it, write its sheet."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from diagnose.catalogue.differences import as_entry
from diagnose.conversation import lines
from diagnose.conversation.terminal import open_terminal
from diagnose.errors import UsageError
from diagnose.journal import Journal, jobs_folder
from diagnose.kept import differs_file, kept_differences
from diagnose.means import open_knowledge
from diagnose.output import DONE, FAILED
from diagnose.prove.bench import open_bench, reopen_bench
from diagnose.prove.session import ProveSession, new_session, resume_session
from diagnose.prove.sheet import SUFFIXES, facts, write_sheet
from diagnose.prove.talk import converse


def prove(options: argparse.Namespace) -> int:
    """`diagnose prove`: a new run."""
    for output in options.output:
        if output != "-" and Path(output).suffix.lower() not in SUFFIXES:
            raise UsageError(
                f"{output}: no sheet ends like that; expected {', '.join(SUFFIXES)}; try --output sheet.html"
            )
        if output == "-" and options.lines:
            raise UsageError("--output - and --lines both want standard output; try --output sheet.md")
    known: dict[str, Any] = {"kit": options.kit, "skill": options.skill, "by": options.by}
    differences = kept_differences(differs_file(options.bike, options.folder))
    known["differs"] = [as_entry(d) for d in differences]
    bench = open_bench(open_knowledge(options.knowledge), options.bike, differences)
    session = new_session(jobs_folder(options.folder), {k: v for k, v in known.items() if v}, bench)
    return hold(session, options.lines, options.plain, options.output)


def go_on(journal: Journal, options: argparse.Namespace) -> int:
    """`diagnose resume` of a proving run."""
    try:
        bench = reopen_bench(open_knowledge(options.knowledge), journal.record)
        session = resume_session(journal, bench)
    except BaseException:
        journal.close()
        raise
    return hold(session, options.lines, options.plain, getattr(options, "output", []) or [])


def hold(session: ProveSession, as_lines: bool, plain: bool, outputs: list[str]) -> int:
    """Lead the run; write its sheets however it ends."""
    try:
        if as_lines:
            lines.run(session, sys.stdin.buffer, sys.stdout.buffer)  # type: ignore[arg-type]
        else:
            converse(session, open_terminal(plain))
    finally:
        session.close()
    told = facts(session.bench, session.state, session.when)
    for output in outputs:
        write_sheet(told, output)
    return FAILED if session.state.result in ("stopped", "open") else DONE
