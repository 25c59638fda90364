"""The program beside the trade: order of suspects, worth of deciding tests, published checks, a hand's order.

Sources stand in each row of the yardsticks: trade practice (from memory), common practice (no source), Army
technical manuals, Witte (1922), Page (1917). A row may be excused where the program is right, with
the reason; at most 15 % of the rows are.
"""

from __future__ import annotations

import numpy as np
import pytest
from shipped import world

from diagnose.bike.model import JobState
from diagnose.choice.problem import Act, MeasurementOption, Paid, Problem, RepairOption
from diagnose.choice.weigh import DEFAULT
from diagnose.errors import KnowledgeError
from diagnose.means import open_knowledge
from diagnose.yardstick import checks, model, order, practitioner
from diagnose.yardstick.__main__ import main

MOST_EXCUSED = 0.15
# the two bikes whose predictions other tests make anyway, a few rows of each
SAMPLE = ("one_click_no_crank", "no_spark_points", "no_spark_cdi_fresh", "dash_dead")
CHECKED = ("crank_solenoid_output", "will_not_hold_charge", "plug_first", "terminals_loose_or_dirty")
EVERY_CHECK, EVERY_ROW = model.handbook(), model.rows()
JUDGED = [r for r in EVERY_ROW if r.bike]


def test_the_yardsticks_are_whole_and_few_rows_are_excused() -> None:
    """Every row names its source and what it is compared with; an excuse says which half and why."""
    assert len(EVERY_ROW) >= 25 and len(EVERY_CHECK) >= 25 and len(model.sequences()) >= 14
    excused = [r for r in EVERY_ROW if r.excused or r.parts]
    assert len(excused) <= MOST_EXCUSED * len(EVERY_ROW)
    for row in EVERY_ROW:
        assert row.source and row.causes and row.deciding and (row.complaint or row.seen), row.id
        assert bool(row.excused) == bool(row.parts) and set(row.parts) <= {"causes", "deciding"}, row.id
    assert sum(bool(r.excused) for r in EVERY_CHECK) <= MOST_EXCUSED * len(EVERY_CHECK)
    for name, rows in (("rows", EVERY_ROW), ("checks", EVERY_CHECK), ("orders", model.sequences())):
        ids = [r.id for r in rows]  # type: ignore[attr-defined]
        assert len(set(ids)) == len(ids), name
    assert {s.bike for s in model.sequences()} == {"custom_single", "road_twin"}
    assert all(r.checks and r.source and any(c.points_to for c in r.checks) for r in EVERY_CHECK)


@pytest.mark.parametrize("bike", ["custom_single", "road_twin"])
def test_every_pattern_names_something_of_its_bike(bike: str) -> None:
    """A pattern that matches nothing would compare with nothing."""
    w = world(bike)
    faults = [c.id for c in w.candidates]
    seen = 0
    for row in EVERY_ROW:
        if row.bike == bike:
            # a place is only stirred when a fault comes and goes: not among the plain measurements
            assert row.loose or any(model.matching(p, w.measurements) for p in row.deciding), row.id
            for cause in row.causes:
                assert cause.blows or any(model.matching(p, faults) for p in cause.faults), (
                    row.id,
                    cause.title,
                )
                seen += 1
    for sequence in model.sequences():
        if sequence.bike == bike:
            for line in (*sequence.hands, *sequence.lamp, *sequence.meter):
                assert practitioner.expanded(w, line), (sequence.id, line)
                seen += 1
    assert seen > 100


def agrees(row: model.Row) -> None:
    judged = order.judge(world(row.bike), row)
    assert sum(chance for _, chance in judged.ranking) <= 1.0
    assert "causes" in row.parts or judged.first_stands, order.detail(judged)
    assert "deciding" in row.parts or judged.test_stands, order.detail(judged)
    for part, stands in (("causes", judged.first_stands), ("deciding", judged.test_stands)):
        assert not (part in row.parts and stands), f"{row.id}: {part} agrees; it needs no excuse"


@pytest.mark.parametrize("row", [r for r in JUDGED if r.id in SAMPLE], ids=lambda r: r.id)
def test_the_first_cause_leads_and_the_deciding_test_is_worth_its_minutes(row: model.Row) -> None:
    """First cause among three suspects; deciding test at least half of the best test in nats a minute."""
    agrees(row)


@pytest.mark.long
@pytest.mark.timeout(900)
@pytest.mark.parametrize("row", [r for r in JUDGED if r.id not in SAMPLE], ids=lambda r: r.id)
def test_every_other_row_of_the_trade(row: model.Row) -> None:
    """As above, the rows that are not in the daily lane."""
    agrees(row)


def reads_as_the_table_says(row: model.Handbook) -> None:
    for checked in checks.run_row(world(row.bike), row):
        assert checked.holds, checks.table([checked])
        assert checked.points, checks.table([checked])


@pytest.mark.parametrize("row", [r for r in EVERY_CHECK if r.id in CHECKED], ids=lambda r: r.id)
def test_a_published_check_reads_as_its_table_says_and_points_there(row: model.Handbook) -> None:
    """Limits and verdicts of the source named in the row."""
    reads_as_the_table_says(row)


@pytest.mark.long
@pytest.mark.timeout(900)
@pytest.mark.parametrize("row", [r for r in EVERY_CHECK if r.id not in CHECKED], ids=lambda r: r.id)
def test_every_other_published_check(row: model.Handbook) -> None:
    """As above, the rows that are not in the daily lane."""
    reads_as_the_table_says(row)


def test_information_of_a_test_is_what_bayes_makes_it() -> None:
    """Expected fall of entropy, enumerated over outcomes (Bayes' rule; Shannon's definition)."""
    row = next(r for r in EVERY_ROW if r.id == "one_click_no_crank")
    w = world(row.bike)
    belief = order.starting_belief(w, row)
    mid = "lowest_volts:battery.plus:battery.minus@key=run,start=pressed"
    outcomes = w.outlook(JobState(), (mid,))[mid].astype(float)

    def open_nats(p: np.ndarray) -> float:
        return float(-(p[p > 0] * np.log(p[p > 0])).sum())

    left = 0.0
    for likelihood in outcomes:
        joint = belief * likelihood
        left += joint.sum() * open_nats(joint / joint.sum())
    worth = order.tests(w, row, belief)[mid]
    assert worth.nats == pytest.approx(open_nats(belief) - left, abs=2e-3)
    seat = sum(w.view.places["seat"][1:])
    assert worth.minutes == pytest.approx(w.measurements[mid].minutes + seat)


def test_a_row_that_ranks_wrongly_is_told() -> None:
    """The comparison can fail: a cause that cannot be, a test that tells nothing."""
    row = next(r for r in EVERY_ROW if r.id == "one_click_no_crank")
    wrong = model.Row(
        "wrong", "none", row.bike, row.complaint, "meter",
        (model.Cause("horn", ("horn.*",)), *row.causes), ("inspect:horn@",), row.seen,
    )  # fmt: skip
    judged = order.judge(world(row.bike), wrong)
    assert not judged.first_stands and not judged.test_stands and not judged.agrees
    assert "DIFFERS" in order.table([judged])
    with pytest.raises(ValueError, match=r"wrong: lowest_volts:.* is answered with a number"):
        mid = "lowest_volts:battery.plus:battery.minus@key=run,start=pressed"
        bad = model.Row("wrong", "none", row.bike, "", "meter", row.causes, row.deciding, {mid: "works"})
        order.starting_belief(world(row.bike), bad)


def problem() -> Problem:
    """Two suspects, a reading that tells them apart, one that tells nothing, a repair each."""
    sharp = np.array([[0.98, 0.02], [0.02, 0.98]])
    blunt = np.full((2, 2), 0.5)
    repairs = tuple(
        RepairOption(name, np.eye(2)[i], minutes, sort)
        for i, (name, minutes, sort) in enumerate((("a.clean", 3.0, "try"), ("b.renew", 30.0, "repair")))
    )
    tests = (MeasurementOption("blunt:x@", blunt, 1.0), MeasurementOption("sharp:x@", sharp, 2.0))
    return Problem(np.array([0.5, 0.5]), tests, repairs)


def test_the_hand_follows_his_list_and_repairs_when_he_knows() -> None:
    """Lines in order, one that tells nothing skipped, a try in its place, repair from nine in ten."""
    p = problem()
    even = np.array([0.5, 0.5])
    hand = practitioner.Hand(("blunt:x@", "sharp:x@", "try:a.clean"))
    assert hand(p, even, Paid(), DEFAULT).option == "sharp:x@"
    assert practitioner.Hand(("try:a.clean", "sharp:x@"))(p, even, Paid(), DEFAULT).option == "a.clean"
    assert hand(p, np.array([0.05, 0.95]), Paid(), DEFAULT).option == "b.renew"
    used = Paid(used=frozenset({"sharp:x@"}))
    assert hand(p, even, used, DEFAULT).option == "a.clean"


def test_a_first_step_stands_if_it_is_among_his_first_or_worth_more() -> None:
    lines = ("lamp:p:q@key=run", "volts:a:b@", "volts:c:d@", "volts:e:f@")
    rates = {"lamp:p:q@key=run": 0.1, "volts:a:b@": 0.2, "volts:c:d@": 0.3, "volts:e:f@": 0.9, "x:y@": 0.25}

    def stands(option: str) -> bool:
        return practitioner.first_stands(lines, practitioner.Watched(Act("measure", option, 0.0), rates))

    assert stands("volts:a:b@") and stands("volts:e:f@")
    assert not stands("x:y@")
    assert practitioner.first_stands(lines, practitioner.Watched(Act("try", "a.clean", 0.0), rates))


def test_one_job_goes_both_ways_to_the_same_cause() -> None:
    """Points that do not make, on the twin with a meter: both find them, the minutes are counted alike."""
    opened, w = open_knowledge(), world("road_twin")
    sequence = next(s for s in model.sequences() if s.id == "twin_no_spark")
    truth = next(c for c in w.candidates if c.id == "left_points.do_not_make")
    found = practitioner.compare(opened, w, sequence, "meter", truth)
    assert found.hand.right and found.ours.right
    assert found.hand.first == "observe:oil_lamp@key=run"
    assert 2.0 < found.ours.minutes < 60.0 and 2.0 < found.hand.minutes < 90.0
    line = practitioner.line_of_table(sequence, "meter", [found])
    assert "road_twin" in line and "no_spark" in line
    summed = practitioner.sum_of_table([found, found])
    assert "all: 2 of 2 jobs" in summed and "first step stands" in summed


def test_the_command_prints_rows_and_checks(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["order", "one_click_no_crank", "--long"]) == 0
    assert "1 rows, 0 excused, 0 differ" in capsys.readouterr().out
    assert main(["handbook", "plug_first"]) == 0
    assert "1 rows, 3 checks, 0 differ" in capsys.readouterr().out


def test_a_yardstick_with_an_unknown_key_is_refused(tmp_path, monkeypatch) -> None:
    (tmp_path / "rows.yaml").write_text("- {id: a, sauce: b}\n")
    monkeypatch.setattr(model, "HERE", tmp_path)
    with pytest.raises(KnowledgeError, match=r"rows\.yaml.*unknown field `sauce`"):
        model.rows()
