"""Run the line protocol over the small world in a process of its own, so that it can be killed.

usage: lines_driver.py FOLDER [JOB]     with JOB: go on with it
"""

from __future__ import annotations

import sys
from pathlib import Path

from fake_world import KNOWN, bench

from diagnose import journal
from diagnose.conversation.lines import run
from diagnose.conversation.session import new_session, resume_session

if __name__ == "__main__":
    folder = Path(sys.argv[1])
    if len(sys.argv) > 2:
        session = resume_session(journal.open_journal(journal.find_job(folder, sys.argv[2])), *bench())
    else:
        options = {**KNOWN, "complaints": ["lamp_dead"]}
        session = new_session(folder, "bench_lamp", options, *bench())
    sys.exit(run(session, sys.stdin.buffer, sys.stdout.buffer))
