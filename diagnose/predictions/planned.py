"""Which of the computed measurements a job plans with: what tells most a minute, and what tells apart.

Fourth arrow of the flow (acts -> predictions). Knows no bike: weights and outcome tables in, an order out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from diagnose.ties import in_order

PLAUSIBLE = 0.995  # share of the suspicion whose members must be told from one another later in the job
APART = 2  # measurements kept for each two of them, cheapest first: one may be closed, or read wrongly
SURELY = 0.7  # [1] chance of its likeliest outcome from which a suspect is told by it; a glance often misses


def nats(weights: np.ndarray, outcomes: np.ndarray | None) -> float:
    """Expected information about the candidates of one measurement, in nats; 0 for one not planned with."""
    if outcomes is None:
        return 0.0
    joint = outcomes * weights
    total = joint.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(joint > 0, joint * np.log(outcomes / total[:, None]), 0.0)
    return float(terms.sum())


def kept(weights: np.ndarray, outcomes: Sequence[np.ndarray], rates: np.ndarray, most: int) -> list[int]:
    """Indices of at most `most` measurements, best rate first.

    weights   (n_candidates,) suspicion, sums to 1
    outcomes  one (n_outcomes, n_candidates) for each measurement
    rates     (n_measurements,) nats a minute today
    returns   first those that tell two plausible candidates apart for certain, the quickest APART for each
              two; if none does, those that rather tell them apart; what is left of the room goes by rate. By
              rate alone, what decides between rare suspects was left out, and when the common ones were
              cleared nothing was planned that told these from each other.
    """
    order = in_order(rates)
    if len(order) <= most:
        return [int(t) for t in order]
    by_weight = in_order(weights)
    count = int(np.searchsorted(np.cumsum(weights[by_weight]), PLAUSIBLE)) + 1
    plausible = by_weight[:count]
    wanting = np.full((len(plausible), len(plausible)), APART, dtype=np.int8)
    np.fill_diagonal(wanting, 0)
    telling: dict[int, None] = {}  # in the order found
    for for_certain in (True, False):
        for t in order:
            own = outcomes[t][:, plausible]
            label = own.argmax(axis=0)
            apart = (label[:, None] != label[None, :]) & (wanting > 0)
            if for_certain:
                surely = own.max(axis=0) >= SURELY
                apart &= surely[:, None] & surely[None, :]
            if apart.any():
                wanting -= apart
                telling[int(t)] = None
        wanting[wanting < APART] = 0  # the second round is for what nothing tells for certain
    rest = [int(t) for t in order if int(t) not in telling]
    chosen = set([*telling, *rest][:most])
    return [int(t) for t in order if int(t) in chosen]
