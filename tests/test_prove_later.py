"""A series of readings in one answer; what a proving run says in later jobs of that bike."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from prove_bench import bench, sound_answer, started

from diagnose.journal import Record, list_jobs
from diagnose.predictions.table import Column
from diagnose.prove import later
from diagnose.prove.model import Check, Limit
from diagnose.prove.order import series
from diagnose.prove.run import several_readings, step
from diagnose.prove.session import new_session


def first_series(skill="trade"):
    """A run that stands at a question with several readings."""
    b = bench()
    state = started(b, skill=skill)
    while len(state.event.get("series", ())) < 3:
        state, _ = step(state, {"answer": sound_answer(b, state)}, b)
    return b, state


def readings(b, state):
    return [sound_answer(b, replace(state, event={"question": c})) for c in state.event["series"]]


# ---- a series ----------------------------------------------------------------------------------------


def test_readings_with_one_setting_are_one_question_and_each_is_a_check_of_its_own():
    b, state = first_series()
    row = state.event["series"]
    after, events = step(state, {"answer": "; ".join(readings(b, state))}, b)
    assert [e["id"] for e in events if e["event"] == "check"] == row
    assert all(e["result"] == "pass" for e in events if e["event"] == "check")
    assert [e["event"] for e in events].count("question") == 1
    assert not set(row) & set(after.queue)
    back, _ = step(after, {"do": "undo"}, b)
    assert back.event["question"] == row[0]


def test_a_series_changes_nothing_but_the_place_of_the_red_lead():
    plan = bench().plan
    queue = [c.id for c in plan.checks if c.sort != "by_meter"]
    asked = 0
    while queue:
        row = series(plan, queue)
        checks = [plan.by_id[c] for c in row]
        for what in ("stage", "place"):
            assert len({getattr(c, what) for c in checks}) == 1
        assert len({c.measurement.partition("@")[2] for c in checks}) == 1
        assert len(row) == 1 or len({c.points[-1] for c in checks}) == 1
        asked += 1
        queue = queue[len(row) :]
    assert asked < 0.75 * len(plan.checks)


def test_a_reading_of_a_series_that_is_outside_is_asked_again_before_the_next_counts():
    b, state = first_series()
    said = readings(b, state)
    check = b.plan.by_id[state.event["series"][1]]
    wrong = "0.1 ohm" if math.isinf(check.limit.high) else "OL"
    after, events = step(state, {"answer": "; ".join([said[0], wrong, *said[2:]])}, b)
    assert events[0]["event"] == "noted" and f"the last {len(said) - 2}." in events[0]["text"]
    assert after.event["question"] == check.id and after.event["again"]
    assert after.outcome(state.event["series"][2]) is None


@pytest.mark.parametrize(
    ("text", "most", "parts"),
    [
        ("0.1; OL ;2", 3, ("0.1", "OL", "2")),
        ("0,1, 0,2", 2, ("0,1", "0,2")),  # a comma inside a number is a decimal comma
        ("0,1", 3, ("0,1",)),
        ("all OL", 3, ("OL", "OL", "OL")),
        ("all OL", 1, ()),
    ],
)
def test_readings_of_a_series_are_parted_by_semicolons_or_commas_with_a_space(text, most, parts):
    assert several_readings(text, most) == parts


def test_more_readings_than_points_are_not_taken():
    b, state = first_series()
    row = readings(b, state)
    after, (told,) = step(state, {"answer": "; ".join([*row, "1"])}, b)
    assert after is state and f"expected at most {len(row)} readings here" in told["message"]


def test_a_beginner_gets_the_points_of_a_series_in_a_list():
    _, state = first_series("beginner")
    assert "the first tip on each of these" in state.event["text"] and "\n2: " in state.event["text"]


@pytest.mark.parametrize("message", [{"wait": "charger"}, {"do": "back"}])
def test_a_proving_run_pauses_and_does_not_wait(message):
    b = bench()
    state = started(b)
    after, (told,) = step(state, message, b)
    assert after is state and "expected pause: a proving run is resumed where it stands" in told["message"]


# ---- later jobs --------------------------------------------------------------------------------------


def record(bike="custom_single", job="r", options=(), messages=(), told=()):
    from diagnose.journal import Entry

    entries = [Entry(1, "2026-01-01T10:00:00Z", "message", m) for m in messages]
    entries += [Entry(2, "2026-01-01T10:00:00Z", "told", t) for t in told]
    return Record("p", job, bike, "2026-01-01T09:00:00Z", dict(options), tuple(entries))


def passing(*checks):
    return [{"event": "check", "id": c, "result": r} for c, r in checks]


def test_the_newest_proof_counts_until_the_loom_is_said_to_be_altered():
    old = record(job="old", options={"prove": True}, told=passing(("a", "pass")))
    new = record(
        job="new", options={"prove": True}, told=passing(("a", "fail"), ("a", "pass"), ("b", "open"))
    )
    job = record(job="job", messages=[{"answer": "1"}])
    altered = record(job="job", messages=[{"differs": {"loom": "altered"}}])
    assert later.last_proof([job, new, old], "custom_single") is new
    assert later.passed(new) == ("a",)
    assert later.last_proof([altered, new], "custom_single") is None
    assert later.last_proof([new], "road_twin") is None
    failing = record(options={"prove": True}, told=passing(("a", "fail")))
    assert later.last_proof([failing, old], "custom_single") is None


def test_the_chance_to_pass_is_the_share_of_readings_within_the_limit():
    """Normal distribution: 68.27 % within one standard deviation (handbook table)."""
    check = Check("c", "s", 1, "to_ground", "m", Limit("V", 12.0, 11.0, 13.0))
    column = Column("m", "volts", "V", np.array([12.0, 13.0, 20.0, np.inf, np.nan]), np.ones(5))
    assert later.pass_chance(check, column) == pytest.approx([0.6827, 0.4772, 0.0, 0.0, 1.0], abs=2e-4)
    words = Column("m", "observe", "", choices=("works", "dead"), words=np.array([[0.9, 0.1], [0.2, 0.8]]))
    lit = replace(check, limit=Limit(words=("works",)))
    assert later.pass_chance(lit, words) == pytest.approx([0.9, 0.2])


def test_a_proof_rules_out_mistakes_for_good_and_wear_for_a_while(tmp_path):
    b = bench()
    session = new_session(tmp_path, {"kit": "workshop", "skill": "trade", "by": "Kim"}, b)
    while not str(session.state.event["question"]).startswith("stage:battery_posts"):
        session.take({"answer": sound_answer(b, session.state)})
    session.close()
    (found,), _ = list_jobs(tmp_path)
    want = {"in_low_wire.crossed=in_high_wire", "engine_strap.off", "acc_fuse.wrong_rating", "horn.seized"}
    world = b.world
    keep = np.array([c.id in want or not c.faults for c in world.candidates])
    small = world.only(keep)
    fresh = later.for_a_job(found, b, small, found.entries[-1].at)
    aged = later.for_a_job(found, b, small, "2126-01-01T00:00:00Z")
    assert (fresh["by"], fresh["run"]) == ("Kim", found.job) and fresh["checks"] > 60
    crossed = "in_low_wire.crossed=in_high_wire"
    assert fresh["factors"][crossed] == aged["factors"][crossed] == pytest.approx(later.MADE_SINCE, abs=1e-3)
    assert fresh["factors"]["acc_fuse.wrong_rating"] == pytest.approx(later.MADE_SINCE, abs=1e-3)
    assert fresh["factors"]["engine_strap.off"] == pytest.approx(later.LEAST_SINCE, abs=1e-3)
    assert "engine_strap.off" not in aged["factors"]  # a hundred years later it says nothing of wear


def test_how_much_of_wear_has_come_since_grows_with_the_days():
    assert later._since("2026-01-01T00:00:00Z", "2026-01-31T00:00:00Z") == pytest.approx(0.5)
    assert later._since("2026-01-01T00:00:00Z", "2026-01-01T00:01:00Z") == later.LEAST_SINCE
    assert later._since("some day", "2026-01-01T00:00:00Z") == 1.0
