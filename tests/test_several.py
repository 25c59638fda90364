"""Several complaints in one job, what is told before work starts, and jobs that wait."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import numpy as np
import pytest
from fake_world import HEAR_HORN, KNOWN, VOLTS_POST, bench, play, true_answer

from diagnose.cli import main
from diagnose.conversation import lines
from diagnose.conversation.session import new_session, resume_session
from diagnose.conversation.state import Failed, Proved, with_setting
from diagnose.conversation.step import begin, step
from diagnose.conversation.terminal import PlainTerminal, converse
from diagnose.errors import UsageError
from diagnose.journal import minutes_between, open_journal, read

TOOLS = bench()


def started(*complaints, **more):
    return begin({**KNOWN, "complaints": list(complaints), **more}, *TOOLS)


def until(state, events, fault, sort, **said):
    """Answer as a bench with this fault does until a question of this sort stands."""
    for _ in range(30):
        if state.open.sort == sort:
            return state, events
        answer = "yes" if state.open.event.get("kind") == "confirm" else true_answer(state.open.id, fault)
        state, events = step(state, {"answer": answer, **said}, *TOOLS)
        if events[0]["event"] == "problem":
            state, events = step(state, {"answer": answer, "sure": True}, *TOOLS)
    raise AssertionError(f"no question of sort {sort} came")


# ---- several complaints ------------------------------------------------------------------------------


def test_complaints_are_taken_by_number_or_in_words_several_at_once(tmp_path):
    session = new_session(tmp_path, "bench_lamp", {}, *TOOLS)
    assert session.events[-1]["several"] is True
    converse(session, PlainTerminal(io.StringIO("1, 3\npause\n"), io.StringIO(), 60))
    session.close()
    assert session.state.setting.complaints == ("lamp_dead", "horn_dead")
    state, _ = begin({}, *TOOLS)
    state, _ = step(state, {"answer": "no headlight and the horn is dead"}, *TOOLS)
    assert state.setting.complaints == ("lamp_dead", "horn_dead")


def test_after_a_repair_of_some_of_it_the_search_goes_on_with_what_is_left():
    state, events = until(*started("lamp_dead", "horn_dead"), "lamp.open", "advice")
    repair = state.open.id
    state, (asked,) = step(state, {"done": repair, "works": "some"}, *TOOLS)
    assert asked["question"] == "remaining" and asked["choices"] == ["lamp_dead", "horn_dead"]
    before = state
    state, events = step(state, {"answer": "horn_dead"}, *TOOLS)
    assert state.setting.complaints == ("horn_dead",) and state.repaired == (repair,)
    assert events[0]["event"] == "noted" and state.phase in ("working", "advised")
    assert Failed(repair) in state.evidence and not any(e in state.evidence for e in state.past)
    # all of it is left: the repair did not help; nothing is left: it is proved
    again, _ = step(before, {"answer": "lamp_dead, horn_dead"}, *TOOLS)
    assert again.repaired == () and again.setting.complaints == ("lamp_dead", "horn_dead")
    proved, (proof,) = step(before, {"answer": "none"}, *TOOLS)
    assert proved.phase == "proving" and proof["measurement"] == HEAR_HORN
    _, (exit_check,) = step(before, {"answer": "skip"}, *TOOLS)
    assert exit_check["question"] == "exit_check"
    same, (told,) = step(before, {"answer": ";"}, *TOOLS)
    assert same is before and "any of lamp_dead, horn_dead, or none" in told["message"]


def test_some_of_a_single_complaint_is_no_answer():
    state, _ = until(*started("lamp_dead"), "lamp.open", "advice")
    after, (told,) = step(state, {"done": state.open.id, "works": "some"}, *TOOLS)
    assert after is state and "'some' is for several complaints" in told["message"]


# ---- the estimate ------------------------------------------------------------------------------------


def test_minutes_and_parts_are_told_with_a_range_at_the_first_step_and_once():
    _, events = started("lamp_dead")
    told = events[-1]["estimate"]
    for what in ("minutes", "price"):
        assert told[what]["low"] <= told[what]["expected"] <= told[what]["high"]
    assert 4.0 < told["minutes"]["high"] < 200.0 and told["price"]["high"] <= 6.0
    assert "Estimate:" in told["text"]
    _, later = play(*started("lamp_dead"), "lamp.open", TOOLS)
    assert sum("estimate" in e for e in later) == 1
    state, _ = started("lamp_dead")
    same, (asked,) = step(state, {"do": "estimate"}, *TOOLS)
    assert same is state and asked["event"] == "estimate" and asked["minutes"] == told["minutes"]


def test_a_dearer_part_makes_a_dearer_estimate():
    """A lamp costs 6, a horn 25 (the bench's own prices)."""
    lamp = started("lamp_dead")[1][-1]["estimate"]["price"]
    horn = started("horn_dead")[1][-1]["estimate"]["price"]
    assert horn["expected"] > 2 * lamp["expected"] and horn["high"] == 25.0


# ---- a price limit -----------------------------------------------------------------------------------


def test_a_part_above_the_limit_waits_for_the_customers_word():
    state, (asked,) = until(*started("horn_dead", price_limit="20"), "horn.seized", "agreement")
    assert asked["repair"] == "horn.renew" and "25" in asked["text"] and "20" in asked["text"]
    _, (advice,) = step(state, {"answer": "yes"}, *TOOLS)
    assert advice["repair"] == "horn.renew"
    no, events = step(state, {"answer": "no"}, *TOOLS)
    assert "horn.renew" in no.declined and all(e.get("repair") != "horn.renew" for e in events)
    same, (told,) = step(state, {"answer": "perhaps"}, *TOOLS)
    assert same is state and "expected yes (agreed) or no" in told["message"]


def test_a_limit_can_be_set_changed_and_taken_away():
    state, _ = started("horn_dead")
    state, _ = step(state, {"differs": {"price_limit": "80"}}, *TOOLS)
    assert state.setting.price_limit == 80.0
    state, _ = step(state, {"differs": {"price_limit": "none"}}, *TOOLS)
    assert state.setting.price_limit is None
    _, (told,) = step(state, {"differs": {"price_limit": "-3"}}, *TOOLS)
    assert "a price of at least 0, or none" in told["message"]
    with pytest.raises(UsageError, match="price limit 'dear' is not understood"):
        started("horn_dead", price_limit="dear")


# ---- waiting -----------------------------------------------------------------------------------------


class Clock:
    """Times of a day, each a step later."""

    def __init__(self, *times):
        self.times = list(times)

    def __call__(self):
        return self.times.pop(0) if len(self.times) > 1 else self.times[0]


def test_a_job_waits_over_night_and_goes_on_with_both_times_apart(tmp_path, capsys):
    clock = Clock("2026-01-01T18:00:00Z")
    session = new_session(
        tmp_path / "jobs", "bench_lamp", {**KNOWN, "complaints": ["lamp_dim"]}, *TOOLS, clock=clock
    )
    session.journal._clock = clock
    session.take({"take": VOLTS_POST})
    session.take({"answer": "12.53 V", "sure": True})
    hands, heard = session.state.hands_minutes, session.state.evidence
    clock.times = ["2026-01-01T18:10:00Z"]
    waiting, closed = session.take({"wait": "charger"})
    assert waiting["event"] == "waiting" and waiting["for"] == "charger"
    assert (closed["outcome"], closed["waiting"], closed["elapsed_minutes"]) == ("paused", "charger", 10.0)
    assert closed["hands_minutes"] == pytest.approx(hands, abs=0.05)
    session.close()
    record = read(session.journal.path)
    assert (record.outcome, record.waiting) == ("paused", "charger")
    assert main(["jobs", "--folder", str(tmp_path)]) == 0
    assert "waits: charger (" in capsys.readouterr().out
    assert main(["jobs", "--json", "--folder", str(tmp_path)]) == 0
    (row,) = json.loads(capsys.readouterr().out)["jobs"]
    assert (row["waiting"], row["elapsed_minutes"]) == ("charger", 10.0)

    morning = Clock("2026-01-02T08:10:00Z")
    again = resume_session(open_journal(session.journal.path, clock=morning), *TOOLS, clock=morning)
    back, question = again.events[0], again.events[-1]
    assert back["event"] == "back" and back["waited_minutes"] == 14 * 60.0
    # what was read with the flat battery is kept in the record only, and the posts are read anew
    assert heard and again.state.past == heard and again.state.evidence == ()
    assert question["measurement"] == "volts:battery.plus:battery.minus@"
    assert again.state.waited_minutes == 14 * 60.0 and again.state.hands_minutes == hands
    (paused,) = again.pause()
    assert paused["elapsed_minutes"] == 14 * 60.0 + 10.0 and paused["waited_minutes"] == 14 * 60.0
    again.close()
    assert read(session.journal.path).waiting == ""
    # the same from the messages alone
    third = resume_session(open_journal(session.journal.path), *TOOLS)
    third.close()
    assert third.state.evidence == () and third.state.waited_minutes == 14 * 60.0


def test_nothing_is_taken_while_a_job_waits_but_coming_back_and_undo():
    state, _ = started("horn_dead")
    waiting, _ = step(state, {"wait": "customer"}, *TOOLS)
    same, (told,) = step(waiting, {"answer": "12 V"}, *TOOLS)
    assert same is waiting and "back first: the job waits" in told["message"]
    _, events = step(waiting, {"do": "back", "waited": 30}, *TOOLS)
    assert events[0]["for"] == "customer" and events[-1]["question"] == state.open.event["question"]
    undone, _ = step(waiting, {"do": "undo"}, *TOOLS)
    assert undone.waiting == "" and undone.open == state.open
    _, (told,) = step(state, {"do": "back"}, *TOOLS)
    assert "'back' has nothing to come back from" in told["message"]
    for bad, says in (
        ({"wait": "godot"}, "charger, customer, ride, part"),
        ({"do": "back", "waited": -1}, "minutes"),
    ):
        _, (told,) = step(state, bad, *TOOLS)
        assert says in told["message"]


def test_after_a_ride_it_is_asked_whether_it_fails_again():
    state, _ = started("horn_dead")
    state, _ = step(state, {"wait": "ride"}, *TOOLS)
    state, events = step(state, {"do": "back", "waited": 200.0}, *TOOLS)
    assert "3 h" in events[0]["text"] and events[-1]["question"] == "reproduce"
    failing, events = step(state, {"answer": "yes"}, *TOOLS)
    assert failing.phase in ("working", "advised")


@pytest.mark.parametrize(
    ("waited", "said"), [(0.0, "1 min"), (89.0, "89 min"), (840.0, "14 h"), (4320.0, "3 days")]
)
def test_a_wait_is_said_as_a_person_says_it(waited, said):
    state, _ = started("horn_dead")
    state, _ = step(state, {"wait": "part"}, *TOOLS)
    _, events = step(state, {"do": "back", "waited": waited}, *TOOLS)
    assert said in events[0]["text"]


def test_the_lines_of_a_waiting_job_end_as_a_pause(tmp_path):
    session = new_session(tmp_path, "bench_lamp", {**KNOWN, "complaints": ["horn_dead"]}, *TOOLS)
    out = io.BytesIO()
    lines.run(session, io.BytesIO(b'{"wait":"part"}\n{"answer":"1"}\n'), out)
    session.close()
    events = [json.loads(line)["event"] for line in out.getvalue().splitlines()]
    assert events[-2:] == ["waiting", "closed"]


def test_minutes_between_two_times_of_a_journal():
    assert minutes_between("2026-01-01T23:59:00Z", "2026-01-02T00:01:30Z") == 2.5
    assert minutes_between("2026-01-02T00:00:00Z", "2026-01-01T00:00:00Z") == 0.0
    assert minutes_between("yesterday", "2026-01-01T00:00:00Z") == 0.0


# ---- a loom that was proved --------------------------------------------------------------------------


def test_what_was_proved_is_told_counts_and_is_taken_back_when_the_loom_was_altered():
    proved = {
        "run": "r1",
        "by": "Kim",
        "when": "2026-01-02T03:04:05Z",
        "checks": 12,
        "factors": {"lamp.open": 0.01},
    }
    plain, _ = started("lamp_dead")
    state, events = started("lamp_dead", proved=proved)
    assert events[0]["event"] == "noted" and "2026-01-02 by Kim (12 checks)" in events[0]["text"]
    _, (few,) = step(state, {"do": "suspects"}, *TOOLS)
    _, (all_of,) = step(plain, {"do": "suspects"}, *TOOLS)

    def chance(event):
        return next((s["probability"] for s in event["list"] if s["candidate"] == "lamp.open"), 0.0)

    assert chance(few) < 0.1 * chance(all_of)
    state, _ = step(state, {"differs": {"loom": "altered"}}, *TOOLS)
    assert state.setting.proved is None
    assert np.allclose(np.exp(state.belief.log_start), np.exp(plain.belief.log_start))
    _, (told,) = step(state, {"differs": {"loom": "painted"}}, *TOOLS)
    assert "expected altered under 'loom'" in told["message"]


def test_a_proof_without_factors_changes_nothing():
    plain, _ = started("lamp_dead")
    known = with_setting(plain, proved=Proved("r", "", "", 1))
    assert replace(known, setting=plain.setting) == plain
