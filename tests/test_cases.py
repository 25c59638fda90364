"""Every case in cases/: played from its complaint to its end, and what must come out comes out.

A sample here, all of them in the long lane and by `diagnose replay cases/*.yaml`; the readings of a few
beside ngspice's in the oracle lane, of all by `python -m diagnose.cases cases/*.yaml --ngspice`.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from shipped import BIKE, opened, world

from diagnose.bike.model import JobState
from diagnose.cases.check import agrees, compare
from diagnose.cases.coverage import Fired, counting, judge_bike, summed_up, table
from diagnose.cases.read import read_case
from diagnose.cases.rider import Given
from diagnose.cases.run import run_case
from diagnose.errors import KnowledgeError
from diagnose.replay import replay_files

ROOT = Path(__file__).resolve().parent.parent
CASES = sorted((ROOT / "cases").glob("*.yaml"))
FEWEST = 100
# One of each sort: a slip, several complaints, a back-feed, a joint that reads well without load, an honest
# end, a fault that is there while the bars are held and one that is asleep, a new loom.
SAMPLE = (
    "black_clip_on_paint",
    "one_fuse_three_complaints",
    "all_four_flash_through_a_lost_rear_ground",
    "joint_reads_full_volts_unloaded",
    "no_start_not_electrical",
    "cuts_out_when_the_bars_turn",
    "horn_fails_as_the_bars_turn",
    "dash_ground_pin_backed_out",
)
BESIDE_NGSPICE = (
    "joint_reads_full_volts_unloaded",
    "drain_overnight_regulator_leaks",
    "starter_silent_neutral_switch",
)


def case(name: str):
    return read_case(ROOT / "cases" / f"{name}.yaml")


def test_there_are_cases_of_many_complaints_on_every_ready_bike():
    read = [read_case(p) for p in CASES]
    assert len(read) >= FEWEST
    assert len({c for one in read for c in one.complaints}) >= 70
    assert len({t.partition("=")[0].partition(".")[2] for one in read for t in one.truth}) >= 30
    per_bike = Counter(c.bike for c in read)
    assert len(per_bike) >= 14 and min(per_bike.values()) >= 2
    assert sum(bool(c.slips) for c in read) >= 3
    assert sum(bool(c.shows) for c in read) >= 8
    assert sum(len(c.truth) > 1 for c in read) >= 2


@pytest.mark.parametrize("name", SAMPLE)
def test_a_case_comes_out_as_it_says(name):
    one = case(name)
    assert one.bike == BIKE, "the sample is of the one bike that this lane opens anyway"
    result = run_case(one, world(), opened())
    assert result.same, result.text


@pytest.mark.long
@pytest.mark.timeout(600)
@pytest.mark.parametrize("path", CASES, ids=lambda p: p.stem)
def test_every_case_comes_out_as_it_says(path):
    one = read_case(path)
    result = run_case(one, world(one.bike), opened())
    assert result.same, result.text


@pytest.mark.oracle
@pytest.mark.parametrize("name", BESIDE_NGSPICE)
def test_the_readings_of_a_case_are_ngspices(name):
    """Numbers to 1 % and the last digit shown, a test lamp's word by ngspice's volts across it."""
    result = run_case(case(name), world(), opened())
    compared = compare(result.given)
    assert compared
    assert [(c.measurement, c.text, c.ngspice) for c in compared if not c.agrees] == []


def test_ohms_through_a_junction_are_compared_as_next_to_nothing_only():
    """A meter's current sets what a junction shows above 100 kohm (common practice, no source)."""
    m = world().parse("ohms:horn.plus:battery.minus@battery=off")

    def same(text: str, ohms: float) -> bool:
        return agrees(Given(m, JobState(), text, True, None), ohms)

    assert same("2.08 Mohm", 1.8e5) and same("470 ohm", 471.0)
    assert not same("2.08 Mohm", 5e3) and not same("5 kohm", 1.8e5) and not same("470 ohm", 490.0)


def test_what_rules_change_in_cases_and_steps_is_counted():
    """Two cases and the steps of one bike: most rules about steps, readings and causes come up there."""
    fired = Fired()
    for name in ("meter_tip_slips_on_the_first_reading", "dash_ground_pin_backed_out"):
        run_case(case(name), world(), opened(), *counting(fired, world(), opened()))
    assert fired.in_jobs["battery_reads_zero"]["doubted a reading"] == 1
    assert fired.in_jobs["rings_and_watches"]["shown before a step"] >= 1
    assert fired.would["negative_volts"]["doubts a slip"] >= 1
    judge_bike(world(), opened(), fired)
    assert fired.would["ohms_while_engine_runs"]["keeps a step back"] >= 1
    assert fired.would["get_home_only"]["limits the way home"] >= 1
    assert fired.would["wet_advice"]["is said with advice"] >= 1
    lines = list(table(opened(), fired))
    assert len(lines) == len(opened().rulebase.rules)
    never = [x for x in lines if x.endswith("NEVER")]
    assert any("six_volt_limits" in x for x in never)  # no bike of 6 V here
    assert len(never) < 60
    text, everything = summed_up(opened(), fired)
    assert not everything and text.startswith(f"{len(lines)} rules: ") and "six_volt_limits" in text


def test_a_case_with_an_unknown_key_is_refused_with_its_line(tmp_path):
    path = tmp_path / "odd.yaml"
    path.write_text("case: odd\nbike: custom_single\ncomplaints: [no_spark]\ntruht: []\n")
    with pytest.raises(KnowledgeError, match=r"odd\.yaml:4:.*unknown key 'truht'"):
        read_case(path)


def test_a_case_that_lacks_its_bike_is_refused(tmp_path):
    path = tmp_path / "bare.yaml"
    path.write_text("case: bare\ncomplaints: [no_spark]\n")
    with pytest.raises(KnowledgeError, match="key 'bike' is missing"):
        read_case(path)


def test_a_case_must_bear_the_name_of_its_file(tmp_path):
    path = tmp_path / "here.yaml"
    path.write_text("case: there\nbike: custom_single\ncomplaints: [no_spark]\n")
    with pytest.raises(KnowledgeError, match="differs from the file name; expected 'here'"):
        read_case(path)


def test_a_replay_of_a_case_file_opens_its_own_bike(tmp_path):
    """The command's own way in, with a case that has nothing to compare but its words."""
    path = tmp_path / "said.yaml"
    path.write_text(
        "case: said\nbike: custom_single\ncomplaints: [horn_dead]\nmessages: [{do: pause}]\n"
        "expect: {outcome: paused}\n"
    )
    (result,) = replay_files([str(path)], opened())
    assert result["same"], result["text"]
