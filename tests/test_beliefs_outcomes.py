"""The few outcomes that planning uses: probabilities that add up and keep most of the information."""

from __future__ import annotations

import math

import decision_oracles as oracle
import numpy as np
import pytest

from diagnose.predictions.outcomes import (
    PLANNED_ERROR,
    log_ohms,
    log_ohms_spread,
    normal_cdf,
    planning_outcomes,
    reading_range,
    with_outcomes,
)
from diagnose.predictions.table import Column


def column(value, spread=0.1, **more):
    value = np.asarray(value, dtype=float)
    more = {"low": -20.0, "high": 20.0} | more
    return Column("m", "volts", "V", value=value, spread=np.full(len(value), spread), **more)


@pytest.mark.parametrize(
    "made",
    [
        column([0.0, 12.4, 12.4, 6.0]),
        column([12.4] * 5),
        column([np.nan, 12.4, 0.0]),
        column([np.nan, np.nan]),
        column([0.6, np.inf, 0.0], low=0.0, high=2.0),
        column([1.0, np.inf, 5e4, np.nan, 3e7], scale="log", low=0.0, high=2e7),
        column(np.linspace(0.0, 14.0, 400)),
        column([3.0, 4.0], low=-np.inf, high=np.inf),
        Column(
            "m", "observe", "", words=np.array([[0.2, 0.3, 0.5], [1.0, 0.0, 0.0]]), choices=("a", "b", "c")
        ),
    ],
)
def test_outcomes_are_chances_that_sum_to_one_for_every_candidate(made):
    """Axioms; at most twelve outcomes."""
    table = planning_outcomes(made, latent_sd=np.array([0.3]))
    n = len(made.words) if made.words is not None else len(made.value)
    assert table.shape[1] == n
    assert 2 <= table.shape[0] <= 12
    assert table.min() >= 0.0
    assert table.sum(axis=0) == pytest.approx(np.ones(n), abs=1e-5)
    assert with_outcomes(made).outcomes.shape[1] == n


def test_the_normal_distribution_function_agrees_with_erf():
    """Oracle: math.erf; bound 8e-8 from Abramowitz & Stegun 26.2.17 (from memory)."""
    x = np.linspace(-9.0, 9.0, 1801)
    exact = np.array([0.5 * (1.0 + math.erf(v / math.sqrt(2.0))) for v in x])
    assert np.abs(normal_cdf(x) - exact).max() < 8e-8


def test_well_separated_values_fall_into_outcomes_of_their_own():
    """Three clusters: each gets all but the error rate, and its part of that; open leads read near zero."""
    table = planning_outcomes(column([0.0, 6.0, 12.4]))
    assert table.max(axis=0).min() >= 1.0 - PLANNED_ERROR
    assert table.max(axis=0)[1:].max() <= 1.0 - PLANNED_ERROR + 0.02
    assert table.max(axis=0)[0] >= 1.0 - PLANNED_ERROR + 0.03
    assert len(set(table.argmax(axis=0).tolist())) == 3


def test_an_open_has_its_own_outcome_and_a_finite_reading_seldom_shows_it():
    """OL is the last outcome; 3 % of true opens show a number (estimate), errors show OL in 40 %."""
    table = planning_outcomes(column([1.0, np.inf], scale="log", low=0.0, high=2e7), error=0.0)
    assert table[-1] == pytest.approx([0.0, 0.97], abs=1e-6)
    wrong = planning_outcomes(column([1.0, np.inf], scale="log", low=0.0, high=2e7), error=0.1)
    assert wrong[-1] == pytest.approx([0.04, 0.9 * 0.97 + 0.04], abs=1e-6)


def test_a_shared_latent_blurs_what_one_reading_can_tell_apart():
    """12.4 and 12.1 V are told apart with a known battery, hardly with one that varies by 0.5 V."""
    made = column([12.4, 12.1], shift=np.ones((2, 1)))
    sharp, blurred = (
        oracle.information([0.5, 0.5], lambda h, t=t: dict(enumerate(t[:, h].tolist())), lambda h: h)
        for t in (planning_outcomes(made), planning_outcomes(made, latent_sd=np.array([0.5])))
    )
    assert sharp > 0.4
    assert blurred < 0.1


@pytest.mark.parametrize("seed", range(4))
def test_the_bins_keep_at_least_nine_tenths_of_the_information(seed):
    """Exact information by quadrature over the reading, no gross errors."""
    rng = np.random.default_rng(seed)
    value = rng.choice([0.0, 4.0, 9.0, 11.6, 12.0, 12.4], 12) + rng.normal(0.0, 0.1, 12)
    table = planning_outcomes(column(value, 0.15), error=0.0)
    binned = oracle.information([1 / 12] * 12, lambda h: dict(enumerate(table[:, h].tolist())), lambda h: h)
    grid = np.linspace(-2.0, 15.0, 2001)
    density = np.array([[oracle.gaussian(y, v, 0.15) for v in value] for y in grid])
    mean = density.mean(axis=1, keepdims=True)
    terms = np.where(
        density > 0, density * np.log(np.maximum(density, 1e-300) / np.maximum(mean, 1e-300)), 0.0
    )
    exact = float(terms.mean(axis=1).sum() * (grid[1] - grid[0]))
    assert 0.9 * exact <= binned <= exact + 1e-4


def test_ohms_are_blurred_near_zero_by_leads_and_last_digit():
    """ln(ohms + 0.2): 0 and 0.1 ohm are near, 0.1 and 10 ohm far; spread of ln passes through above that."""
    assert log_ohms(0.0) == pytest.approx(math.log(0.2))
    assert log_ohms(np.inf) == np.inf
    spread = log_ohms_spread(np.array([0.0, 1000.0, np.inf]), np.array([0.1, 0.1, 0.1]))
    assert spread[:2] == pytest.approx([0.5, 0.1], abs=1e-3)


def test_a_display_without_limits_gets_them_from_what_is_predicted():
    """A third of the span beyond the predictions, at least one volt."""
    assert reading_range(column([0.0, 12.0], low=-np.inf, high=np.inf)) == pytest.approx((-4.0, 16.0))
    assert reading_range(column([0.0, 12.0])) == (-20.0, 20.0)
    low, high = reading_range(column([5.0, np.inf], scale="log", low=-np.inf, high=np.inf))
    assert (low, high) == pytest.approx((math.log(0.2), math.log(1e6 + 0.2)))


def test_a_column_without_predictions_is_refused():
    """The text names the measurement and the remedy."""
    with pytest.raises(
        ValueError, match=r"m: column has neither value and spread nor words; .* try building it"
    ):
        planning_outcomes(Column("m", "volts", "V"))
