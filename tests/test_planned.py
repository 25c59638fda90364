"""What a job keeps to measure: what decides between two suspects is not crowded out by the common ones."""

from __future__ import annotations

import numpy as np
import pytest
from shipped import world

from diagnose.bike.model import JobState
from diagnose.predictions.planned import kept, nats


def split(*labels: int) -> np.ndarray:
    """(n_outcomes, n_candidates) of a test that surely gives each candidate this outcome."""
    return np.array([[1.0 if label == k else 0.0 for label in labels] for k in range(max(labels) + 1)])


def test_information_is_the_entropy_that_a_sure_split_takes_away():
    weights = np.array([0.5, 0.25, 0.25])
    assert nats(weights, split(0, 1, 1)) == pytest.approx(np.log(2.0))
    assert nats(weights, split(0, 0, 0)) == pytest.approx(0.0)
    assert nats(weights, None) == 0.0


def test_with_room_for_all_everything_is_kept_best_rate_first():
    rates = np.array([0.1, 0.5, 0.3])
    assert kept(np.array([0.5, 0.5]), [split(0, 1)] * 3, rates, 3) == [1, 2, 0]


def test_what_tells_two_rare_suspects_apart_is_kept_before_the_fourth_look_at_a_common_one():
    weights = np.array([0.9, 0.06, 0.04])
    common, rare = split(0, 1, 1), split(0, 0, 1)
    outcomes = [common] * 5 + [rare] * 2
    rates = np.array([nats(weights, o) for o in outcomes]) / np.array([1.0, 1.1, 1.2, 1.3, 1.4, 3.0, 9.0])
    assert (rates[:5] > rates[5:].max()).all()  # by rate alone the five common looks would fill the room
    chosen = kept(weights, outcomes, rates, 4)
    assert chosen == [0, 1, 5, 6]


def test_a_glance_that_often_misses_does_not_stand_in_for_what_tells_two_suspects_for_certain():
    weights = np.array([0.5, 0.5])
    glance = np.array([[0.6, 0.02], [0.4, 0.98]])
    certain = np.array([[0.93, 0.02], [0.07, 0.98]])
    outcomes = [glance] * 4 + [certain]
    rates = np.array([nats(weights, o) for o in outcomes]) / np.array([0.5, 0.6, 0.7, 0.8, 6.0])
    assert (rates[:4] > rates[4]).all()
    assert kept(weights, outcomes, rates, 3) == [0, 1, 4]
    assert kept(weights, outcomes[:4], rates[:4], 3) == [0, 1, 2]  # where there is nothing better


@pytest.mark.parametrize(("bike", "complaint"), [("road_twin", "lamp_dim"), ("tourer_relays", "dash_dead")])
def test_likely_suspects_of_a_shipped_bike_that_any_measurement_tells_apart_are_told_apart_by_a_planned_one(
    bike, complaint
):
    """Against all measurements of the bike that its kit can take, not only those that were chosen."""
    own = world(bike)
    weights = own.prior * own.complaint_likelihood([complaint])
    weights = weights / weights.sum()
    leading = np.argsort(-weights, kind="stable")[:60]
    planned = own.planned((complaint,), JobState(), "meter")
    computable = [m.id for m in own._worth_computing((complaint,), weights, "meter")]

    def apart(ids) -> np.ndarray:
        seen = np.zeros((len(leading), len(leading)), dtype=bool)
        for c in own.table(JobState(), ids).columns.values():
            if c.outcomes is not None:
                label = np.asarray(c.outcomes)[:, leading].argmax(axis=0)
                seen |= label[:, None] != label[None, :]
        return seen

    assert len(planned) < len(computable)
    lost = apart(computable) & ~apart(planned)
    assert not lost.any(), [
        (own.candidates[leading[i]].id, own.candidates[leading[j]].id) for i, j in np.argwhere(lost)
    ][:5]


@pytest.mark.parametrize("complaint", ["fuse_blows", "dash_dead"])
def test_a_first_plan_leaves_out_only_what_nobody_does_first(complaint):
    """Common practice, no source: a lamp for the fuse and key on, then branch by branch."""
    own = world("custom_single")
    everything = set(own.planned((complaint,), JobState(), "meter"))
    first = set(own.planned((complaint,), JobState(), "meter", first=True))
    lamps = [own.measurements[m] for m in first if own.measurements[m].kind == "lamp"]
    assert {m.condition.out for m in lamps} >= {("main_fuse",), ("acc_fuse",)}
    assert all(len(m.condition.controls) == 1 and not m.condition.apart for m in lamps if m.condition.out)
    left_out = [
        own.measurements[m] for m in everything - first if own.measurements[m].kind in ("lamp", "amps")
    ]
    assert left_out and all(m.condition.out for m in left_out)
