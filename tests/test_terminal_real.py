"""Whole jobs on a real terminal: another program behind a pseudo-terminal, its screen drawn by an emulator.

What must stand on the screen is taken from the same job in plain lines at the same width, so that a word that
is broken, cut or overwritten by the line editor shows.
"""

from __future__ import annotations

import io
import json
import os
import re
import sys
import time
from pathlib import Path

import pexpect
import pyte
import pytest
from fake_world import bench

from diagnose.conversation.session import new_session
from diagnose.conversation.terminal import PlainTerminal, converse

ROOT = Path(__file__).resolve().parent.parent
DRAWN = 0.4  # seconds in which typed letters are drawn on a busy machine
ROWS = 24
TALL = 900  # rows of the emulator: nothing scrolls out of what is compared
# the job of test_terminal, with a why, a wrong answer, a list of others and a remark on the way
JOB = (
    "headlamp", "1", "a meter", "1", "none", "yes", "horn ok, batt 12,6", "why", "banana", "others",
    "12.6", "note after a wash", "done", "yes", "works", "yes",
)  # fmt: skip
EVIL = "\x1b[31mred\x1b[0m\x1b]0;owned\x07\x1b[2J\u202eder"

PROGRAM = """
import sys
from pathlib import Path
from dataclasses import replace
sys.path.insert(0, sys.argv[1])
from fake_world import bench
from diagnose.conversation.session import new_session, resume_session
from diagnose.conversation.terminal import converse, open_terminal
from diagnose.journal import find_job, list_jobs, open_journal
folder, how = Path(sys.argv[2]), sys.argv[3]
world, rulebase, wording = bench()
if how == "evil":
    name = sys.argv[4].encode().decode("unicode_escape")
    world.view = replace(
        world.view,
        title=name,
        complaints={c: (title + name, says) for c, (title, says) in world.view.complaints.items()},
        components={c: (part[0] + name, *part[1:]) for c, part in world.view.components.items()},
    )
if how == "resume":
    journal = open_journal(find_job(folder, list_jobs(folder)[0][0].job))
    session = resume_session(journal, world, rulebase, wording)
else:
    session = new_session(folder, "bench_lamp", {}, world, rulebase, wording)
converse(session, open_terminal())
session.close()
"""


class Seen:
    """A program on a pseudo-terminal, and the screen that it draws."""

    def __init__(self, folder, columns, how="new", *more):
        env = {
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "TERM": "xterm",
            "NO_COLOR": "1",
            "PROMPT_TOOLKIT_NO_CPR": "1",
            "COLUMNS": "77",  # exported by somebody, and not true
        }
        self.child = pexpect.spawn(
            sys.executable,
            ["-c", PROGRAM, str(ROOT / "tests"), str(folder), how, *more],
            env=env,
            dimensions=(ROWS, columns),
            timeout=60,
        )
        self.child.logfile_read = io.BytesIO()
        self.columns = columns
        self.wait()

    def wait(self):
        """Until a prompt waits for input: pasting is switched on, then the cursor shown."""
        self.child.expect_exact("\x1b[?2004h")
        self.child.expect_exact("\x1b[?25h")

    def type(self, *lines):
        """Type lines, each after the prompt that it answers."""
        for line in lines:
            self.child.send(line + "\r")
            self.wait()

    def end(self, key=""):
        """Press a key, if any, and wait for the end of the program."""
        if key:
            self.child.send(key)
        self.child.expect(pexpect.EOF)
        self.child.close()
        assert self.child.exitstatus == 0, self.raw[-2000:]

    @property
    def raw(self):
        return self.child.logfile_read.getvalue()

    def lines(self):
        """The lines on the screen, top to bottom, without empty ones."""
        screen = pyte.Screen(self.columns, TALL)
        pyte.ByteStream(screen).feed(self.raw)
        return [line.rstrip() for line in screen.display if line.strip()]


def in_plain_lines(folder, columns, typed):
    """What the same job prints on plain lines, and its session."""
    session = new_session(folder, "bench_lamp", {}, *bench())
    sink = io.StringIO()
    converse(session, PlainTerminal(io.StringIO("\n".join(typed) + "\n"), sink, columns))
    session.close()
    return [line.rstrip() for line in sink.getvalue().split("\n") if line.strip()], session


def journal_of(folder):
    """Messages of the only job in a folder, as they lie on the disk."""
    (path,) = folder.glob("*.jsonl")
    entries = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    return [e["message"] for e in entries if "message" in e]


@pytest.mark.parametrize("columns", [40, 100])
def test_a_whole_job_stands_on_the_screen_word_for_word(tmp_path, columns):
    seen = Seen(tmp_path / "real", columns)
    seen.type(*JOB[:-1])
    seen.child.send(JOB[-1] + "\r")
    seen.end()
    expected, session = in_plain_lines(tmp_path / "plain", columns, JOB)
    assert session.state.outcome == "repaired" and len(expected) > 60
    assert seen.lines() == expected
    assert max(map(len, expected)) <= columns
    assert [{k: v for k, v in m.items() if k != "question"} for m in journal_of(tmp_path / "real")] == [
        {k: v for k, v in m.items() if k != "question"} for m in session.state.log
    ]


def test_ctrl_c_and_ctrl_d_pause_and_the_job_goes_on_with_its_question(tmp_path):
    """Ctrl-C on a phone's width with half an answer typed; gone on at a desk, and left there by Ctrl-D."""
    seen = Seen(tmp_path, 40)
    seen.type(*JOB[:7])
    seen.child.send("12")  # typed and not sent
    time.sleep(DRAWN)
    seen.end("\x03")
    assert any(line.startswith("Paused. Go on with: diagnose") for line in seen.lines())
    told = ["lamp_dead", "a meter", "beginner", "none", "yes", "horn ok, batt 12,6"]
    assert [m["answer"] for m in journal_of(tmp_path)] == told
    again = Seen(tmp_path, 100, "resume")
    # the question that stood is asked again, whole
    asked = [line for line in seen.lines() if line.startswith("Red tip")][-1]
    assert asked in " ".join(again.lines())
    again.type("12.6")
    again.end("\x04")
    assert [m["answer"] for m in journal_of(tmp_path)] == [*told, "12.6"]
    assert any(line.startswith("Paused. Go on with: diagnose") for line in again.lines())


def test_a_change_of_the_windows_width_in_the_middle_of_an_answer_survives(tmp_path):
    seen = Seen(tmp_path, 100)
    seen.type(*JOB[:6])
    seen.child.send("horn ok, ba")
    time.sleep(DRAWN)
    at = len(seen.raw)
    seen.child.setwinsize(ROWS, 40)
    time.sleep(DRAWN)
    seen.child.send("tt 12,6\r")
    seen.wait()
    seen.type("why", "others")
    seen.end("\x03")
    assert {"answer": "horn ok, batt 12,6", "question": "others"} in journal_of(tmp_path)
    # everything after the change is written for the new width
    screen = pyte.Screen(100, TALL)
    pyte.ByteStream(screen).feed(seen.raw[at:])
    shown = [line.rstrip() for line in screen.display if line.strip()]
    assert len(shown) > 20 and max(map(len, shown)) <= 40
    plain, _ = in_plain_lines(tmp_path / "plain", 40, [*JOB[:7], "why", "others"])
    words = set(re.findall(r"[A-Za-z]{4,}", " ".join(plain)))
    assert set(re.findall(r"[A-Za-z]{4,}", " ".join(shown[2:]))) - words <= {"diagnose"}


def test_names_notes_and_pasted_lines_stay_text_and_answer_no_question_by_themselves(tmp_path):
    seen = Seen(tmp_path, 40, "evil", EVIL.encode("unicode_escape").decode())
    seen.type("list", *JOB[:5])
    pasted = f"yes\nhorn dead\nbatt 12,6\n{EVIL}\nyes\nyes"
    seen.type(f"\x1b[200~{pasted}\x1b[201~", f"\x1b[200~note {EVIL}\x1b[201~", JOB[5], "others")
    seen.end("\x04")
    raw = seen.raw.decode("utf-8", "replace")
    for sequence in ("\x1b[31m", "\x1b]0;", "\x1b[2J", "\u202e"):
        assert sequence not in raw, sequence
    assert "[31mred[0m]0;owned" in "".join(seen.lines())
    kept, heard, remark = (m for m in journal_of(tmp_path) if "note" in m or "observe" in m)
    as_text = re.sub("[\x1b\x07\u202e]", "", pasted)
    assert kept["note"] == heard["observe"] == as_text
    assert remark["note"].startswith("[31mred") and "\x1b" not in remark["note"]
    shown = " ".join(seen.lines())
    assert "kept as a note" in shown and "battery volts: 12.6 V" in shown
    # none of the three yes answered a question
    answered = [m.get("question") for m in journal_of(tmp_path) if "answer" in m]
    assert answered == ["complaint", "kit", "skill", "history", "switches"]
