"""The line protocol: exact shapes, any input answered, nothing acknowledged is ever lost."""

from __future__ import annotations

import io
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from fake_world import DROP_GROUND, HEAR_HORN, KNOWN, SEE_LAMP, VOLTS_FEED, VOLTS_FUSE, bench, true_answer
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose import journal
from diagnose.conversation import lines
from diagnose.conversation.session import new_session, resume_session
from diagnose.errors import JournalError, UsageError

TOOLS = bench()
DRIVER = Path(__file__).with_name("lines_driver.py")


def begun(folder, **options):
    return new_session(folder, "bench_lamp", {**KNOWN, "complaints": ["lamp_dead"], **options}, *TOOLS)


@pytest.fixture
def session(tmp_path):
    s = begun(tmp_path)
    yield s
    s.close()


def talk(session, *sent):
    """Bytes or JSON values in, decoded events out."""
    source = io.BytesIO(b"".join(x if isinstance(x, bytes) else json.dumps(x).encode() + b"\n" for x in sent))
    sink = io.BytesIO()
    assert lines.run(session, source, sink) == 0
    return [json.loads(line) for line in sink.getvalue().splitlines()]


def names(events):
    return [e["event"] for e in events]


def test_the_first_lines_are_hello_and_the_first_question(session):
    hello, question, closed = talk(session)
    assert hello.pop("title") == "bench lamp (invented)"
    assert hello == {
        "event": "hello",
        "protocol": 1,
        "job": session.job,
        "bike": "bench_lamp",
        "resumed": False,
    }
    assert (question["event"], question["step"], question["protocol"]) == ("question", 1, 1)
    assert (closed["event"], closed["outcome"]) == ("closed", "paused")


def test_a_whole_job_goes_over_the_lines(session):
    """Answers from the hand-made table of the bench with a broken filament."""
    sent, repaired = [], False
    events = session.events
    for _ in range(20):
        last = events[-1]
        if last["event"] == "closed":
            break
        if last["event"] == "advice":
            repaired = last["repair"] == "lamp.renew"
            message = {"done": last["repair"], "works": "yes" if repaired else "no"}
        elif last["measurement"]:
            message = {"answer": true_answer(last["measurement"], "no_fault" if repaired else "lamp.open")}
        else:
            message = {"answer": "yes"}
        sent.append(message)
        events = [json.loads(lines.encode(e)) for e in session.take(message)]
    assert (last["outcome"], last["causes"]) == ("repaired", ["lamp.open"])
    assert [
        {k: v for k, v in m.items() if k != "question"} for m in journal.read(session.journal.path).messages
    ] == sent
    assert journal.read(session.journal.path).outcome == "repaired"


def test_each_answer_is_on_disk_before_the_next_question_is_written(session, monkeypatch):
    order = []
    append = journal.Journal.append
    monkeypatch.setattr(
        journal.Journal, "append", lambda self, kind, data: (append(self, kind, data), order.append(kind))
    )

    class Sink(io.BytesIO):
        def write(self, data):
            order.append(json.loads(data)["event"])
            return super().write(data)

    lines.run(session, io.BytesIO(b'{"answer":"works"}\n{"do":"why"}\n{"note":"n"}\n'), Sink())
    asked = ["hello", "question", "message", "question", "why", "message", "noted", "told", "closed"]
    assert order == asked


@pytest.mark.parametrize(
    ("line", "text"),
    [
        (b"nonsense\n", "'nonsense' is not JSON; expected one object a line"),
        (b'{"answer": \n', "is not JSON"),
        (b"[" * 5000 + b"\n", "is not JSON"),
        (b"1" * 5000 + b"\n", "is not JSON"),
        (b"\xff\xfe\n", "the line is not UTF-8"),
        (b"[1,2]\n", "expected a JSON object"),
        (b"null\n", "'None' is not understood; expected a JSON object"),
        (b"{}\n", "expected one of the keys answer, observe, do, take, note, done with works, wait, differs"),
        (b'{"answer":"1","note":"2"}\n', "expected one of the keys"),
        (b'{"anwser":"1"}\n', "expected one of the keys"),
        (b'{"answer":true}\n', "expected text under 'answer'"),
        (b'{"answer":null}\n', "expected text under 'answer'"),
        (b'{"answer":""}\n', "expected some text under 'answer'"),
        (b'{"answer":NaN}\n', "expected a finite number"),
        (b'{"answer":1e300}\n', "expected a number a meter can show"),
        (b'{"answer":"12","sure":"yes"}\n', "expected true or false under 'sure'"),
        (b'{"answer":"12","question":5}\n', "expected text under 'question'"),
        (b'{"do":"dance"}\n', "others, estimate, where, differs, undo, pause, back, reopen under 'do'"),
        (b'{"done":"lamp.renew"}\n', "expected also 'works': yes, no or some"),
        (b'{"done":"lamp.renew","works":"perhaps"}\n', "expected one of yes, no, some under 'works'"),
        (b'{"differs":{}}\n', "expected an object under 'differs'"),
        (b'{"differs":{"tank":"red"}}\n', "expected one of kit, skill, helper, engine, price_limit"),
        (b'{"note":"' + b"x" * 5000 + b'"}\n', "expected at most 4000 characters under 'note', not 5000"),
        (b'{"note":"' + b"x" * 70000 + b'"}\n', "the line is too long; expected at most 65536 bytes"),
    ],
)  # fmt: skip
def test_a_line_that_is_no_message_is_a_problem_and_the_question_stands(session, line, text):
    events = talk(session, line, {"take": VOLTS_FEED})
    assert names(events) == ["hello", "question", "problem", "question", "closed"]
    assert text in events[2]["message"] and events[2]["doubt"] is None


def test_empty_lines_and_a_last_line_without_end_are_fine(session):
    assert names(talk(session, b"\n  \n", b'{"note":"n"}')) == ["hello", "question", "noted", "closed"]


def test_a_line_too_long_without_an_end_is_one_problem(session):
    assert names(talk(session, b"x" * 200_000)) == ["hello", "question", "problem", "closed"]


def test_pause_ends_the_loop(session):
    assert names(talk(session, {"do": "pause"}, {"note": "never read"})) == ["hello", "question", "closed"]


def test_a_closed_job_ends_without_a_second_end(session):
    done = [{"done": "lamp.renew", "works": "yes"}, {"answer": "works"}, {"answer": "yes"}]
    assert names(talk(session, *done))[-1] == "closed"
    assert [e for e in journal.read(session.journal.path).told if e["event"] == "closed"][-1][
        "outcome"
    ] == "repaired"


def test_nobody_listening_is_no_traceback(session):
    class Gone(io.BytesIO):
        def flush(self):
            raise BrokenPipeError

    assert lines.run(session, io.BytesIO(b'{"note":"n"}\n'), Gone()) == 0
    assert journal.read(session.journal.path).outcome == "paused"


def test_numbers_that_json_does_not_have_are_written_as_text():
    out = json.loads(
        lines.encode({"event": "x", "a": [float("inf"), -float("inf"), float("nan"), 1.5], "b": (1,)})
    )
    assert out == {"event": "x", "protocol": 1, "a": ["OL", None, None, 1.5], "b": [1]}


def test_an_answer_that_could_not_be_recorded_is_not_taken(session, monkeypatch):
    def full(self, kind, data):
        raise JournalError("j: cannot be written (the disk is full)")

    before = session.state
    monkeypatch.setattr(journal.Journal, "append", full)
    (event,) = session.take({"note": "n"})
    assert event["event"] == "problem" and "the disk is full" in event["message"]
    assert session.state is before


def test_an_ending_that_could_not_be_recorded_is_told_and_the_answer_kept(session, monkeypatch):
    append = journal.Journal.append

    def full(self, kind, data):
        if kind == "told":
            raise JournalError("j: cannot be written (the disk is full)")
        append(self, kind, data)

    monkeypatch.setattr(journal.Journal, "append", full)
    events = session.take({"do": "pause"})
    assert names(events) == ["closed", "problem"]


def test_a_job_with_unknown_options_makes_no_journal(tmp_path):
    with pytest.raises(UsageError, match="unknown complaint 'x'"):
        begun(tmp_path, complaints=["x"])
    assert list(tmp_path.iterdir()) == []


# --- resume ------------------------------------------------------------------------------------


def test_a_job_goes_on_where_it_was(tmp_path):
    first = begun(tmp_path)
    first.take({"take": VOLTS_FUSE})
    first.take({"answer": "12.6 V"})
    asked = first.state.open.event
    first.close()
    second = resume_session(journal.open_journal(first.journal.path), *TOOLS)
    events = talk(second, {"do": "undo"})
    assert events[0]["resumed"] is True
    assert (
        events[1]["question"] == asked.get("question", asked.get("repair"))
        or events[1]["repair"] == asked["repair"]
    )
    assert names(events[2:4]) == ["undone", "question"] and events[3]["measurement"] == VOLTS_FUSE
    second.close()


def test_a_closed_job_shows_its_end_again_and_can_be_taken_back(tmp_path):
    first = begun(tmp_path)
    for message in ({"done": "lamp.renew", "works": "yes"}, {"answer": "works"}, {"answer": "yes"}):
        first.take(message)
    first.close()
    second = resume_session(journal.open_journal(first.journal.path), *TOOLS)
    events = talk(second, {"do": "undo"})
    assert names(events)[:2] == ["hello", "closed"] and names(events)[2:4] == ["undone", "question"]
    second.close()


def test_a_message_that_is_no_longer_understood_is_told(tmp_path):
    first = begun(tmp_path)
    first.journal.append("message", {"take": "volts:gone:battery.minus@"})
    first.close()
    second = resume_session(journal.open_journal(first.journal.path), *TOOLS)
    _, problem, *_ = talk(second)
    assert "message 1 is no longer understood and was left out" in problem["message"]
    second.close()


# --- any input ---------------------------------------------------------------------------------

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=30),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
KEYS = st.sampled_from(
    ["answer", "sure", "observe", "do", "take", "note", "done", "works", "differs", "question"]
)
WORDS = st.sampled_from(
    ["yes", "no", "skip", "works_now", "not_fitted", "12.4 V", "OL", "-1", "why", "undo", "lamp.renew",
     "works", VOLTS_FUSE, DROP_GROUND, SEE_LAMP, HEAR_HORN, "horn ok; batt 12,4", "dead", "meter"]
)  # fmt: skip
MESSAGES = st.lists(st.dictionaries(KEYS, WORDS | JSON, min_size=1, max_size=2) | JSON, max_size=8)


@settings(derandomize=True, max_examples=40, deadline=None)
@given(MESSAGES)
def test_any_messages_in_any_order_are_answered(tmp_path_factory, messages):
    session = begun(tmp_path_factory.mktemp("any"))
    for message in messages:
        events = session.take(message)
        assert events and all(e["event"] in EVENTS for e in events)
        assert (session.state.open is None) == session.is_closed
    again = resume_session_of(session)
    assert again.state.log == session.state.log and again.state.phase == session.state.phase
    assert (again.state.open and again.state.open.id) == (session.state.open and session.state.open.id)
    again.close()


EVENTS = {"question", "advice", "suspects", "why", "others", "noted", "undone", "closed", "problem"}


def resume_session_of(session):
    session.close()
    return resume_session(journal.open_journal(session.journal.path), *TOOLS)


@settings(derandomize=True, max_examples=40, deadline=None)
@given(st.lists(st.binary(max_size=60), max_size=6))
def test_any_bytes_are_answered(tmp_path_factory, chunks):
    session = begun(tmp_path_factory.mktemp("bytes"))
    events = talk(session, b"\n".join(chunks))
    assert names(events)[0] == "hello" and names(events)[-1] == "closed"
    session.close()


# --- kill --------------------------------------------------------------------------------------

ANSWERS = ["works", "12.6 V", "12.6 V", "dead", "sound", "skip", "0.5 ohm", "bright"]


def driver(folder, *job):
    env = {**os.environ, "PYTHONPATH": str(DRIVER.parent.parent)}
    return subprocess.Popen(
        [sys.executable, str(DRIVER), str(folder), *job],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=env,
    )  # fmt: skip


def killed(tmp_path, seed):
    """Notes are sent as fast as they go; each one whose `noted` came back must be in the journal."""
    chance = random.Random(seed)
    process = driver(tmp_path)
    assert json.loads(process.stdout.readline())["event"] == "hello"
    process.stdout.readline()
    process.stdin.write(b"".join(json.dumps({"note": f"note {i}"}).encode() + b"\n" for i in range(400)))
    process.stdin.flush()
    time.sleep(chance.uniform(0.0, 0.15))
    os.kill(process.pid, signal.SIGKILL)
    out = process.communicate()[0]
    acknowledged = sum(
        1 for line in out.splitlines() if line.startswith(b'{"event": "noted"') and line.endswith(b"}")
    )
    (path,) = tmp_path.glob("*.jsonl")
    record = journal.read(path)
    notes = [m["note"] for m in record.messages]
    assert notes == [f"note {i}" for i in range(len(notes))]
    assert len(notes) >= acknowledged
    again = resume_session(journal.open_journal(path), *TOOLS)
    assert len(again.state.notes) == len(notes)
    again.close()


@pytest.mark.parametrize("seed", range(5))
def test_kill_9_at_any_moment_loses_no_acknowledged_answer(tmp_path, seed):
    killed(tmp_path, seed)


@pytest.mark.long
@pytest.mark.timeout(600)
def test_a_hundred_kills_lose_no_acknowledged_answer(tmp_path):
    """By command: python -m pytest -m long tests/test_lines.py"""
    for seed in range(100, 200):
        folder = tmp_path / str(seed)
        folder.mkdir()
        killed(folder, seed)


def test_a_job_killed_after_an_answer_goes_on_with_the_next_question(tmp_path):
    process = driver(tmp_path)
    process.stdout.readline()
    process.stdout.readline()
    process.stdin.write(json.dumps({"take": VOLTS_FUSE}).encode() + b"\n" + b'{"answer":"12.6 V"}\n')
    process.stdin.flush()
    process.stdout.readline()
    next_question = json.loads(process.stdout.readline())
    os.kill(process.pid, signal.SIGKILL)
    process.communicate()
    again = driver(tmp_path, "lamp-dead")
    out, err = again.communicate(b"")
    hello, question, closed = (json.loads(line) for line in out.splitlines())
    assert err == b"" and hello["resumed"] and closed["outcome"] == "paused"
    assert question["step"] and question.get("measurement") == next_question.get("measurement")


def test_a_closed_pipe_is_silent(tmp_path):
    process = driver(tmp_path)
    process.stdout.readline()
    process.stdout.close()
    process.stdin.write(b'{"note":"n"}\n' * 3)
    process.stdin.close()
    err = process.stderr.read()
    process.stderr.close()
    assert process.wait(30) in (0, 120) and b"Traceback" not in err
