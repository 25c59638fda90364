"""A severity stands for a range of ohms, and all readings of a job see the same place in it.

Oracles: integration of the same formulas over the range on a fine grid, enumeration, and predictions of the
bike with exactly the ohms in question.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from shipped import world

from diagnose.beliefs import posterior
from diagnose.beliefs.likelihood import ROOT_3
from diagnose.bike.candidates import compact, read_fault, severity_family
from diagnose.bike.model import Candidate, JobState
from diagnose.predictions.effects import light_words
from diagnose.predictions.severity import POINTS, Ranges, over_ranges, words_by_degree
from diagnose.predictions.table import Column
from diagnose.quantities import quantity

SURE = ((1e-9,), (1.0,))  # no gross errors
LAMP = 1.44  # ohm, a 100 W lamp at 12 V


def family(n: int = 3, *, opens: bool = False) -> Ranges:
    """Rows 1..n are severities of one fault, mildest first; row 0 is the sound bike, n + 1 the open joint."""
    rows = np.arange(1, n + 1)
    worse = np.minimum(rows + 1, n)
    return Ranges(rows, rows - 1, worse, rows + 1 if opens else worse, np.array([], dtype=int), 0)


def light(ohms: np.ndarray) -> np.ndarray:
    """Light of a lamp of fixed resistance behind a joint: (R / (R + r)) ** 3.4."""
    return (LAMP / (LAMP + ohms)) ** 3.4


def test_words_of_a_joint_are_those_of_all_the_ohms_it_stands_for() -> None:
    """Against the mean of the same words over 400 joints, even in the logarithm of their ohms."""
    ohms = np.array([LAMP * s / (1.0 - s) for s in (0.05, 0.15, 0.40)])
    found = words_by_degree(light_words, (light(np.array([0.0, *ohms])),), family()).mean(axis=1)
    step = np.log(ohms[1:] / ohms[:-1])
    ends = [(-step[0] / 2, step[0] / 2), (-step[0] / 2, step[1] / 2), (-step[1] / 2, step[1] / 2)]
    for row, (r, (low, high)) in enumerate(zip(ohms, ends, strict=True), 1):
        exact = light_words(light(r * np.exp(np.linspace(low, high, 400)))).mean(axis=0)
        assert 0.5 * np.abs(found[row] - exact).sum() < 0.06, (row, found[row], exact)
    # what the worst alone never shows, one at its bad end does
    assert light_words(light(ohms[-1:]))[0, 2] < 0.05 < 0.15 < found[3, 2]


def test_a_relay_that_lets_go_between_two_severities_shows_one_state_or_the_other() -> None:
    """Nothing burns at half light behind a contact that is either closed or open."""
    share = np.array([1.0, 0.98, 0.95, 0.0])
    words = words_by_degree(light_words, (share,), family())
    assert words.shape == (4, POINTS, 4)
    assert words[2, :-1, 3].max() < 0.01 < 0.99 < words[2, -1, 3]
    assert words[:, :, 1:3].max() < 0.05
    turning = words_by_degree(lambda on: np.stack([on, ~on], axis=1).astype(float), (share > 0.5,), family())
    assert turning[3, :, 0].tolist() == [1.0, *[0.0] * (POINTS - 1)]


def test_past_the_worst_severity_a_relay_may_let_go_as_it_does_with_the_joint_open() -> None:
    """Half of the worst sixth, by hand; what is not the worst, or never open, stays as it was."""
    pulled = np.array([True, True, True, True, False])
    words = words_by_degree(
        lambda on: np.stack([on, ~on], axis=1).astype(float), (pulled,), family(opens=True)
    )
    assert words[3, :, 0].tolist() == [*[1.0] * (POINTS - 1), 0.5]
    assert words[2, :, 0].tolist() == [1.0] * POINTS
    share = np.array([1.0, 0.9, 0.7, 0.4, 0.0])
    closed = words_by_degree(light_words, (share,), family())
    opens = words_by_degree(light_words, (share,), family(opens=True))
    assert opens[3, -1] == pytest.approx(0.5 * closed[3, -1] + 0.5 * light_words(share)[4])
    changed = np.any(opens != closed, axis=2)
    assert changed.sum() == 1 and changed[3, -1]


def test_a_sound_bike_and_what_has_no_degrees_have_the_same_words_everywhere() -> None:
    share = np.array([1.0, 0.9, 0.7, 0.4, 0.2])
    words = words_by_degree(light_words, (share,), family())
    for row in (0, 4):
        assert np.allclose(words[row], light_words(share)[row])


def numbers(value: list[float], spread: float, own: Ranges | None) -> Column:
    n = len(value)
    column = Column(
        "v", "volts", "V", np.array(value), np.full(n, spread), np.zeros((n, 1)), low=-60.0, high=60.0
    )
    return over_ranges(column, own) if own else column


def test_the_range_of_a_number_is_part_of_its_spread_and_the_way_to_the_bad_end_has_a_sign() -> None:
    """By hand: ends half way to the neighbours; an even range of this width has width / sqrt(12)."""
    column = numbers([12.0, 11.0, 9.0, 5.0], 0.1, family())
    widths = np.array([0.0, 0.5 + 1.0, 1.0 + 2.0, 2.0 + 2.0])
    assert column.spread == pytest.approx(np.hypot(0.1, widths / math.sqrt(12.0)))
    assert column.degree == pytest.approx(-widths / math.sqrt(12.0))
    turned = numbers([12.0, 11.0, 12.0, 5.0], 0.1, family())
    assert turned.degree[1] == pytest.approx(0.0) and turned.spread[1] == pytest.approx(
        math.hypot(0.1, 1.0 / math.sqrt(12.0))
    )


def test_two_readings_behind_one_joint_agree_on_how_bad_it_is() -> None:
    """Bayes by integration over the joint's place in its range, 2,000 steps."""
    first, second = (
        numbers([12.0, 11.0, 9.0, 5.0], 0.4, family()),
        numbers([0.1, 0.6, 1.9, 4.0], 0.4, family()),
    )
    second = replace(second, measurement="w")
    prior = np.array([0.25, 0.25, 0.25, 0.25])
    now = posterior.start(prior, [0.3], SURE, temper=1.0)
    for y in ((7.6, 2.6), (7.6, 1.6)):  # at one place of the third's range, and at two
        told = posterior.update(posterior.update(now, first, y[0]), second, y[1])
        place = np.linspace(-1.0, 1.0, 2001)
        density = np.ones((4, len(place)))
        for column, seen in zip((first, second), y, strict=True):
            mean = np.asarray(column.value)[:, None] + ROOT_3 * np.asarray(column.degree)[:, None] * place
            density *= np.exp(-0.5 * ((seen - mean) / 0.4) ** 2)
        exact = density.mean(axis=1) * prior
        got = posterior.marginal(told)
        assert got[2] / got[3] == pytest.approx(exact[2] / exact[3], rel=0.1), (got, exact / exact.sum())


def test_without_draws_a_range_is_as_wide_as_its_spread() -> None:
    """One draw stands for the whole range: the density is that of a column without degrees."""
    spread_over = numbers([12.0, 11.0, 9.0, 5.0], 0.1, family())
    plain = replace(spread_over, degree=None)
    now = posterior.start(np.full(4, 0.25), [0.3], SURE, temper=1.0, n_draws=1)
    for y in (10.7, 8.0, 4.0):
        assert posterior.marginal(posterior.update(now, spread_over, y)) == pytest.approx(
            posterior.marginal(posterior.update(now, plain, y)), rel=1e-6
        )


def test_lamps_behind_one_joint_are_weak_together() -> None:
    """By enumeration over the points of the range: three looks in a row, not three independent chances."""
    degree = np.zeros((2, POINTS, 2))
    degree[0] = (0.5, 0.5)
    degree[1, :, 1] = np.linspace(0.0, 0.9, POINTS)
    degree[1, :, 0] = 1.0 - degree[1, :, 1]
    looks = [
        Column(f"look{k}", "observe", "", words=degree.mean(axis=1), degree=degree, choices=("works", "weak"))
        for k in range(3)
    ]
    now = posterior.start(np.array([0.5, 0.5]), [0.2], SURE, temper=1.0, n_draws=8 * POINTS)
    for look in looks:
        now = posterior.update(now, look, "weak")
    joint = (degree[:, :, 1] ** 3).mean(axis=1)
    assert posterior.marginal(now) == pytest.approx(joint / joint.sum(), abs=1e-6)
    apart = degree[:, :, 1].mean(axis=1) ** 3
    assert abs(joint[1] / joint.sum() - apart[1] / apart.sum()) > 0.01


def test_the_places_in_a_range_are_even_and_pair_with_every_battery() -> None:
    now = posterior.start(np.array([0.5, 0.5]), [0.3])
    assert np.sort(now.degrees) == pytest.approx((2.0 * np.arange(32) + 1.0) / 32 - 1.0)
    assert abs(np.corrcoef(now.degrees, now.latents[:, 0])[0, 1]) < 0.2


@pytest.mark.parametrize("bike", ["trail_single_no_battery", "road_twin"])
def test_no_joint_within_its_range_shows_a_word_that_was_ruled_out(bike: str) -> None:
    """Against the bike with exactly these ohms: the bad end of each worst severity, in every look."""
    w = world(bike)
    families: dict[tuple[str, str, str], list[tuple[float, int]]] = {}
    for i, c in enumerate(w.candidates):
        own = severity_family(c.faults[0]) if len(c.faults) == 1 else None
        if own is not None and own[1] > 0.0:
            families.setdefault(own[0], []).append((own[1], i))
    looks = [m for m in w.measurements.values() if m.kind == "observe" and not m.condition.apart]
    ends, rows = [], []
    for members in sorted(families.values(), key=lambda each: each[-1][1])[::3]:
        (before, _), (worst, row) = sorted(members)[-2:]
        fault = w.candidates[row].faults[0]
        ohms = worst * (worst / before) ** 0.45
        made = read_fault(w.built, w.service, f"{fault.component}.{fault.mode}={compact(ohms)}")
        assert quantity(made.value, "ohm") == pytest.approx(ohms, rel=0.1)
        ends.append(Candidate(made.id, (made,), 0.1))
        rows.append(row)
    exact = w.predictor_of((w.candidates[w.no_fault], *ends)).columns(JobState(), looks)
    own = w.table(JobState(), [m.id for m in looks]).columns
    checked = surprising = 0
    for m in looks:
        for k, row in enumerate(rows, 1):
            word = int(np.argmax(exact[m.id].words[k]))
            if exact[m.id].words[k, word] > 0.9:
                checked += 1
                surprising += own[m.id].words[row, word] < 0.02
    assert checked > 60
    assert surprising <= 0.01 * checked, (surprising, checked)
