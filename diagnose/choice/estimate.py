"""How long and how much money the rest of the job will take, with a range."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.choice.score import stack
from diagnose.choice.weigh import Weighed
from diagnose.ties import in_order


@dataclass(frozen=True, slots=True)
class Estimate:
    """Expected minutes and price to the end; low and high should hold four jobs in five."""

    minutes: float
    minutes_low: float
    minutes_high: float
    price: float
    price_low: float
    price_high: float


LOW, HIGH = 0.1, 0.9
# Minutes spent on finding out, over the minutes that the best tests would need if none misled: means of the
# ten tenths of 360 jobs, noisy benchmark with seeds 3, 4, 5. The last tenth (21 there) is cut to 13.
MISLED = np.array([0.24, 0.45, 0.57, 0.76, 0.97, 1.43, 2.02, 2.86, 5.25, 13.0])
NOISY = 0.045  # [1] chance of an unlikely outcome in the best tests there; with less the factors shrink to 1
_FEW = 10  # tests looked at to judge the noise


def remaining(weighed: Weighed) -> Estimate:
    """Estimate the rest of the job from both sides of the decision.

    What is not known is taken away by the best tests, one after the other, each giving what it gives today;
    that is the time of a job in which no reading misleads. Noise stretches it by the factors above. Where
    tests tell little for their minutes, repairs one after the other are the most it takes.
    """
    now, shares = weighed.now, weighed.scores.shares
    wanted = np.flatnonzero(shares > 0.0)
    if not len(wanted):
        return Estimate(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    q, cost = shares[wanted], now.cost[wanted]
    order = np.argsort(-q / cost, kind="stable")
    in_turn = np.empty(len(q))
    in_turn[order] = np.cumsum(cost[order])
    if weighed.informs:
        spread = MISLED ** min(1.0, _noise(weighed) / NOISY)
        finding = cost[:, None] + _learning(weighed) * spread[None, :]
        minutes = np.minimum(finding, in_turn[:, None]).ravel()
        weight = np.repeat(q / len(MISLED), len(MISLED))
        # a repair worth trying first shortens the whole
        if len(weighed.trying):
            minutes = minutes * min(1.0, float(weighed.trying.min()) / weighed.cost_to_go)
    else:
        minutes, weight = in_turn, q
    money = np.array([now.repairs[r].price for r in wanted])
    return Estimate(
        float(weight @ minutes),
        _quantile(minutes, weight, LOW),
        _quantile(minutes, weight, HIGH),
        float(q @ money),
        _quantile(money, q, LOW),
        _quantile(money, q, HIGH),
    )


def _learning(weighed: Weighed) -> float:
    """Minutes of the best tests until their nats add up to what is not known."""
    about_repair = weighed.nats is weighed.scores.by_class
    need = weighed.scores.class_entropy if about_repair else weighed.scores.candidate_entropy
    total = 0.0
    for t in in_order(weighed.score):
        if weighed.score[t] <= 0.0 or need <= 0.0:
            break
        nats = float(weighed.nats[t])
        total += float(weighed.net[t]) * min(1.0, need / nats)
        need -= nats
    return total


def _noise(weighed: Weighed) -> float:
    """Chance that one of the best tests shows another than the likeliest outcome, given the candidate."""
    block = stack(weighed.now.problem.measurements)
    best = [t for t in in_order(weighed.score)[:_FEW] if weighed.score[t] > 0.0]
    rows = block.table.reshape(-1, block.n_measurements, block.n_outcomes)[:, best, :]
    return float(np.mean(1.0 - weighed.belief @ rows.max(axis=2)))


def _quantile(values: np.ndarray, weights: np.ndarray, level: float) -> float:
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order])
    return float(values[order][int(min(np.searchsorted(reached, level * reached[-1]), len(values) - 1))])
