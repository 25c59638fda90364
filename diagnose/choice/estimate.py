"""How long and how much money the rest of the job will take, with a range."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.choice.weigh import Weighed


@dataclass(frozen=True, slots=True)
class Estimate:
    """Expected minutes and price to the end; low and high hold four jobs in five."""

    minutes: float
    minutes_low: float
    minutes_high: float
    price: float
    price_low: float
    price_high: float


LOW, HIGH = 0.1, 0.9


def remaining(weighed: Weighed) -> Estimate:
    """Estimate the rest of the job from both sides of the decision.

    If repair r is the one that will be needed, what is still to be learnt is -ln q_r nats at today's price:
    minutes_r = c_r + kappa (-ln q_r). Averaged over r this is the rule's own cost to go.
    """
    now, shares = weighed.now, weighed.scores.shares
    wanted = np.flatnonzero(shares > 0.0)
    if not len(wanted):
        return Estimate(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    q = shares[wanted]
    entropy = float(-(q * np.log(q)).sum())
    learning = weighed.cost_to_go - float(q @ now.cost[wanted])
    # nothing informs: repairs one after the other
    if not np.isfinite(learning):
        order = np.argsort(-q / now.cost[wanted], kind="stable")
        minutes = np.empty(len(wanted))
        minutes[order] = np.cumsum(now.cost[wanted][order])
    else:
        price = learning / entropy if entropy > 1e-12 else 0.0
        minutes = now.cost[wanted] + price * -np.log(q)
    expected = float(q @ minutes)
    if len(weighed.trying):
        best = min(expected, float(weighed.trying.min()))
        minutes = minutes * (best / expected)
        expected = best
    money = np.array([now.repairs[r].price for r in wanted])
    return Estimate(
        expected,
        _quantile(minutes, q, LOW),
        _quantile(minutes, q, HIGH),
        float(q @ money),
        _quantile(money, q, LOW),
        _quantile(money, q, HIGH),
    )


def _quantile(values: np.ndarray, weights: np.ndarray, level: float) -> float:
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order])
    return float(values[order][int(min(np.searchsorted(reached, level * reached[-1]), len(values) - 1))])
