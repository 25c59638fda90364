"""What wrong beliefs cost: the bookkeeping of the rows, by hand; the rows themselves run by command."""

from __future__ import annotations

import numpy as np
import pytest
from shipped import opened, world

from diagnose.bike.acts import STIRS
from diagnose.bike.model import JobState
from diagnose.calibration import calibration
from diagnose.play import AS_KNOWN, play
from diagnose.players import PERSISTS, OwnPlayer, dozing
from diagnose.robust.__main__ import main
from diagnose.robust.beliefs import COST_FACTOR, printed_order, with_costs, with_priors, without_part
from diagnose.robust.riders import Slipping
from diagnose.robust.rows import ROWS

LAMP = "observe:tail_light@key=run"
FAULT = "rear_plug_tail.backed_out"


def faulty():
    w = world()
    return w, next(c for c in w.candidates if c.id == FAULT)


def test_calibration_counts_what_was_said_against_what_was_so():
    """By hand: four at 0.25 of which one was right, two at 0.95 of which both were; a job counts once."""
    wrong = (0.25, False)
    jobs = [[(0.25, True), (0.95, True)], [wrong, wrong, wrong, (0.95, True)], [wrong], [wrong]]
    (low, said, right, n), (high, sure, all_right, m) = calibration(jobs)
    assert (low, said, right, n) == (0.2, pytest.approx(0.25), pytest.approx(0.25), 4)
    assert (high, sure, all_right, m) == (0.9, pytest.approx(0.95), 1.0, 2)


def test_a_slipping_rider_errs_as_often_as_told_and_mostly_repeats_it():
    """Binomial: 400 readings at 15 % are 60 +- 7; a slip is repeated in 80 % of the cases."""
    w, truth = faulty()
    m = w.measurements["volts:rear_plug_tail.a:battery.minus@key=run"]
    inner = OwnPlayer(w, truth)
    right = inner.answer(m, JobState())
    slips = repeated = 0
    for seed in range(400):
        rider = Slipping(inner, np.random.default_rng(seed), 0.15)
        said = rider.answer(m, JobState())
        assert rider.answer(m, JobState()) == said
        if said != right:
            slips += 1
            repeated += rider.again(m, JobState()) == said
        assert rider.truth(m, JobState()) == right
    assert abs(slips - 60) < 4 * 7.2
    assert abs(repeated / slips - PERSISTS) < 0.2


def test_a_dozing_fault_is_woken_at_its_own_place_only_and_stays_mended():
    w, truth = faulty()
    here = w.measurements[f"wiggle:{truth.faults[0].place}@key=run"]
    other = w.measurements["wiggle:headstock@key=run"]
    woken = [dozing(w, truth, np.random.default_rng(s)).answer(here, JobState()) for s in range(60)]
    assert 30 < woken.count("comes_and_goes") < 58
    elsewhere = [dozing(w, truth, np.random.default_rng(s)).answer(other, JobState()) for s in range(20)]
    assert set(elsewhere) == {"no_change"}
    bike = dozing(w, truth, np.random.default_rng(1))
    bike.cured()
    assert {bike.answer(here, JobState()), bike.answer(w.measurements[LAMP], JobState())} == {
        "no_change",
        "works",
    }


def test_wrong_beliefs_are_wrong_by_what_they_say_and_the_bike_stays_as_it_is():
    w, truth = faulty()
    rng = np.random.default_rng(3)
    ratio = with_priors(w, rng).prior / w.prior
    faults = [i for i, c in enumerate(w.candidates) if c.is_fault]
    assert ratio[faults].max() / ratio[faults].min() == pytest.approx(9.0)
    dear = with_costs(w, rng)
    changed = {dear.measurements[k].minutes / m.minutes for k, m in w.measurements.items() if m.minutes}
    assert {round(c, 6) for c in changed} == {COST_FACTOR, 1 / COST_FACTOR}
    blind = without_part(w, truth.faults[0].component)
    gone = [i for i, c in enumerate(w.candidates) if c.faults and c.faults[0].component == "rear_plug_tail"]
    assert not blind.prior[gone].any() and blind.prior.sum() == pytest.approx(1.0) and w.prior[gone].all()


def test_a_printed_chart_has_each_check_once_and_the_most_telling_first():
    w, _ = faulty()
    order = printed_order(w, "running_light_dead", "hands")
    assert len(order) == len(set(order)) > 5
    assert all(w.measurements[m].kit == "hands" for m in order)


def test_an_unknown_row_is_named_with_those_that_there_are(capsys):
    with pytest.raises(SystemExit):
        main(["custom_single", "moods"])
    said = capsys.readouterr().err
    assert "no row moods" in said and all(row in said for row in ROWS)


class Enough(Exception):
    """What was to be seen was seen."""


class Sleeper:
    """A bike whose wire hangs by a strand: broken at the first looks, whole while the tools are out."""

    def __init__(self, w, truth):
        self.sick, self.well = OwnPlayer(w, truth), OwnPlayer(w, w.candidates[w.no_fault])
        self.asked, self.then = False, None

    def answer(self, m, job):
        if self.asked:
            self.then = m
            raise Enough
        return (self.sick if m.kind == "observe" else self.well).answer(m, job)

    again = answer

    def fails(self):
        self.asked = True
        return False


def test_before_giving_up_the_rider_is_asked_whether_it_fails_at_all_just_now():
    """Seen broken, measured whole: no steady fault does that. What comes and goes does, and is stirred."""
    w, o = world(), opened()
    truth = next(c for c in w.candidates if c.id == "tail_feed.broken")
    bike = Sleeper(w, truth)
    options = {**AS_KNOWN, "complaints": ["running_light_dead"]}
    with pytest.raises(Enough):
        play(w, o.rulebase, o.wording, options, bike, lambda r: False)
    assert bike.then.kind in (*STIRS, "inspect")
