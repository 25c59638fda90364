"""Recorded jobs and cases, run again and compared."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from shipped import opened, world

from diagnose.bike.candidates import read_fault
from diagnose.bike.model import Candidate
from diagnose.cases.read import EXPECT_KEYS, Case, read_case
from diagnose.conversation.session import new_session
from diagnose.errors import KnowledgeError, UsageError
from diagnose.play import reply
from diagnose.players import OwnPlayer
from diagnose.replay import replay_files

FAULT = "horn_button.does_not_make"
CASE = """\
case: {name}
title: "horn stays silent"
bike: custom_single
complaints: [horn_dead]
kit: hands
truth: [{fault}]
expect: {expect}
"""


@pytest.fixture(autouse=True)
def one_world(monkeypatch: pytest.MonkeyPatch) -> None:
    """The session's world instead of a new one for each replay."""
    single = world()
    monkeypatch.setattr(type(opened()), "world", lambda self, bike: single)


def case(folder: Path, expect: str, fault: str = FAULT, name: str = "silent_horn") -> Path:
    path = folder / f"{name}.yaml"
    path.write_text(CASE.format(name=name, fault=fault, expect=expect), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The journal of one job, played to its end by the program's own predictions."""
    o, w = opened(), world()
    fault = read_fault(w.built, w.service, FAULT)
    player = OwnPlayer(w, Candidate(FAULT, (fault,), 0.5))
    options = Case("recorded", "", "custom_single", ("horn_dead",), kit="hands").options
    session = new_session(tmp_path_factory.mktemp("jobs"), "custom_single", options, w, o.rulebase, o.wording)
    events, trouble = session.events, None
    for _ in range(100):
        if session.is_closed:
            break
        message = reply(w, session.state, player, lambda r: r in fault.repairs, [], [], trouble)
        events = session.take(message)
        trouble = next((e for e in events if e["event"] == "problem"), None)
    session.close()
    assert session.is_closed and session.state.outcome == "repaired"
    return Path(session.journal.record.path)


def test_a_journal_comes_to_the_advice_that_it_recorded(recorded: Path) -> None:
    (result,) = replay_files([str(recorded)], opened())
    assert result["same"] is True and result["file"] == str(recorded)
    assert re.fullmatch(r"\d+ messages, the same advice: .*(horn_button\.[a-z_]+)", result["text"]), result


def test_other_advice_than_recorded_is_a_difference(recorded: Path, tmp_path: Path) -> None:
    """The last piece of advice is changed in the record: as if the knowledge had changed since."""
    rows = [json.loads(x) for x in recorded.read_text(encoding="utf-8").splitlines()]
    text = recorded.read_text(encoding="utf-8")
    last = [r for r in rows if "horn_button." in json.dumps(r) and "advice" in json.dumps(r)][-1]
    changed = json.dumps(last)
    name = re.search(r"horn_button\.\w+", changed)
    assert name is not None
    copy = tmp_path / recorded.name
    line = next(x for x in text.splitlines()[::-1] if '"advice"' in x and name[0] in x)
    copy.write_text(text.replace(line, line.replace(name[0], "horn.renew")), encoding="utf-8")
    (result,) = replay_files([str(copy)], opened())
    assert result["same"] is False
    assert "then " in result["text"] and "; now " in result["text"] and name[0] in result["text"]


def test_a_case_that_comes_out_as_it_says_is_the_same(tmp_path: Path) -> None:
    path = case(tmp_path, f"{{cause: {FAULT}, repair: horn_button.open_clean, outcome: repaired}}")
    (result,) = replay_files([str(path)], opened())
    assert result["same"] is True, result
    assert result["text"].startswith("repaired, ") and "horn_button.open_clean" in result["text"]


def test_a_case_that_comes_out_otherwise_says_what_was_expected(tmp_path: Path) -> None:
    path = case(tmp_path, "{repair: battery.charge, outcome: stopped, tool_steps_at_most: -1}")
    (result,) = replay_files([str(path)], opened())
    assert result["same"] is False
    for words in (
        "expected the repair battery.charge",
        "expected the outcome stopped",
        "expected at most -1",
    ):
        assert words in result["text"]


def test_files_of_other_sorts_and_missing_ones_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"none\.yaml: no such file; expected a journal"):
        replay_files([str(tmp_path / "none.yaml")], opened())
    (tmp_path / "x.txt").write_text("x")
    with pytest.raises(UsageError, match=r"x\.txt: neither a journal nor a case"):
        replay_files([str(tmp_path / "x.txt")], opened())


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        ("- a\n", 1, r"a case is a mapping; expected keys such as case, bike"),
        ("case: c\nbike: custom_single\n", 1, r"key 'complaints' is missing"),
        (
            "case: c\nbike: custom_single\ncomplaints: [a]\nbikee: x\n",
            4,
            r"unknown key 'bikee'; expected one of case",
        ),
        (
            "case: d\nbike: custom_single\ncomplaints: [a]\n",
            1,
            r"case='d' differs from the file name; expected 'c'",
        ),
        (
            "case: c\nbike: custom_single\ncomplaints: [a]\nexpect:\n  cause: x\n  causes: y\n",
            6,
            r"unknown key 'causes'; expected one of cause, repair",
        ),
    ],
)
def test_a_wrong_case_is_told_with_file_and_line(tmp_path: Path, text: str, line: int, message: str) -> None:
    path = tmp_path / "c.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(KnowledgeError, match=message) as caught:
        read_case(path)
    assert line in [p.line for p in caught.value.problems]
    assert f"c.yaml:{line}:" in str(caught.value)


def test_a_case_becomes_the_options_of_a_job() -> None:
    options = Case("c", "", "custom_single", ("horn_dead",), kit="lamp", history=("wet",)).options
    assert options["complaints"] == ["horn_dead"] and options["history"] == {"wet": True}
    assert (options["kit"], options["skill"]) == ("lamp", "trade")
    assert {"cause", "repair", "tool_steps_at_most", "outcome"} <= set(EXPECT_KEYS)


SLIPPED = """\
case: silent_horn
bike: custom_single
complaints: [horn_dead]
truth: [horn_button.does_not_make]
slips:
  - {slip}
expect: {{repair: horn_button.open_clean, outcome: repaired, wrong_repairs_at_most: 0{more}}}
"""


def test_a_wrong_reading_of_a_case_is_made_once_and_survived(tmp_path: Path) -> None:
    """The battery is read as if a tip did not touch; doubted, it is read again and right."""
    path = tmp_path / "silent_horn.yaml"
    slip = '{measurement: "volts:battery.plus:battery.minus@", reads: "0.03 V"}'
    path.write_text(SLIPPED.format(slip=slip, more=", doubts_at_least: 1"), encoding="utf-8")
    (result,) = replay_files([str(path)], opened())
    assert result["same"] is True, result["text"]


def test_a_slip_that_is_never_made_is_a_difference(tmp_path: Path) -> None:
    path = tmp_path / "silent_horn.yaml"
    path.write_text(SLIPPED.format(slip='{step: 99, reads: "0 V"}', more=""), encoding="utf-8")
    (result,) = replay_files([str(path)], opened())
    assert result["same"] is False and "a slip was never made" in result["text"]


@pytest.mark.parametrize(
    ("slip", "message"),
    [
        ("{reads: 0 V}", r"expected what it reads, and either its step or its measurement"),
        ("{step: 1, reads: 0 V, when: now}", r"unknown key 'when'; expected one of step"),
        ("{step: one, reads: 0 V}", r"step='one' is no whole number"),
        ("{step: 1, reads: 0 V, again: maybe}", r"again='maybe' is unknown; expected right or same"),
        ("soon", r"slip 'soon' is no mapping"),
    ],
)
def test_a_slip_is_read_strictly(tmp_path: Path, slip: str, message: str) -> None:
    path = tmp_path / "silent_horn.yaml"
    path.write_text(SLIPPED.format(slip=slip, more=""), encoding="utf-8")
    with pytest.raises(KnowledgeError, match=message):
        read_case(path)


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ("shows: later\ntruth: [a.b]\n", r"shows='later' is unknown; expected one of now, stirred"),
        ("messages: [yes]\n", r"is no mapping; expected such as"),
        ("kit: meter\n", r"neither truth nor messages; expected what is hidden, or what was said"),
    ],
)
def test_what_a_case_says_is_read_strictly(tmp_path: Path, more: str, message: str) -> None:
    path = tmp_path / "c.yaml"
    path.write_text(f"case: c\nbike: custom_single\ncomplaints: [horn_dead]\n{more}", encoding="utf-8")
    with pytest.raises(KnowledgeError, match=message):
        read_case(path)


def test_what_the_rider_says_first_is_said_and_a_refused_message_is_a_difference(
    tmp_path: Path,
) -> None:
    path = tmp_path / "silent_horn.yaml"
    text = CASE.format(name="silent_horn", fault=FAULT, expect="{outcome: repaired}")
    path.write_text(text + 'messages: [{observe: "low beam ok"}]\n', encoding="utf-8")
    (result,) = replay_files([str(path)], opened())
    assert result["same"] is True, result["text"]
    path.write_text(text + "messages: [{take: nonsense}]\n", encoding="utf-8")
    (result,) = replay_files([str(path)], opened())
    assert result["same"] is False and "a message was refused: " in result["text"]


def test_a_case_without_hidden_faults_is_what_was_said_and_what_it_came_to(
    tmp_path: Path, recorded: Path
) -> None:
    """The messages of a recorded job as a case: the same end."""
    rows = [json.loads(x) for x in recorded.read_text(encoding="utf-8").splitlines()]
    said = [r["message"] for r in rows if "message" in r]
    assert len(said) >= 3
    path = tmp_path / "said.yaml"
    head = "case: said\nbike: custom_single\ncomplaints: [horn_dead]\nkit: hands\n"
    path.write_text(f"{head}messages: {json.dumps(said)}\nexpect: {{outcome: repaired}}\n", encoding="utf-8")
    (result,) = replay_files([str(path)], opened())
    assert result["same"] is True, result["text"]
    path.write_text(f"{head}messages: {json.dumps(said)}\nexpect: {{outcome: stopped}}\n", encoding="utf-8")
    (result,) = replay_files([str(path)], opened())
    assert result["same"] is False and "expected the outcome stopped" in result["text"]


def test_a_case_whose_faults_do_not_draw_its_complaint_is_refused(tmp_path: Path) -> None:
    path = case(tmp_path, "{outcome: repaired}", fault="rear_lamp.tail_open")
    with pytest.raises(UsageError, match=r"silent_horn: its faults do not draw the complaint horn_dead"):
        replay_files([str(path)], opened())
