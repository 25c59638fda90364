"""Expected cost of repairing without further tests, and of trying one repair first."""

from __future__ import annotations

import numpy as np

from diagnose.choice.score import Situation

_MANY = 40  # repairs beyond which overlaps between them are ignored in the estimate
_LEFT = 1e-4  # [1] chance of still being broken at which the sum is cut off


def repair_only(now: Situation, beliefs: np.ndarray, cost: np.ndarray | None = None) -> np.ndarray:
    """Expected minutes of doing repairs by chance of cure per minute until one has cured.

    beliefs  (n_states, n_candidates), rows sum to 1, zero for candidates without repair
    cost     (n_repairs,) minutes; None: present cost
    returns  (n_states,) minutes
    source   p/c order: Kadane & Simon, quoted by Ottosen & Jensen (2010); optimal when repairs do not overlap
    """
    price = now.cost if cost is None else cost
    n_states, n_repairs = len(beliefs), len(price)
    if n_repairs == 0:
        return np.zeros(n_states)
    if n_repairs > _MANY:
        return _disjoint(now, beliefs, price)
    left = beliefs.copy()
    done = np.zeros((n_states, n_repairs), dtype=bool)
    total = np.zeros(n_states)
    rows = np.arange(n_states)
    for _ in range(n_repairs):
        remaining = left.sum(axis=1)
        if remaining.max() < _LEFT:
            break
        rate = np.where(done, -1.0, (left @ now.cures.T) / price)
        pick = np.argmax(rate, axis=1)
        going = (remaining > _LEFT) & (rate[rows, pick] > 0.0)
        if not going.any():
            break
        total += np.where(going, price[pick] * remaining, 0.0)
        done[rows, pick] = True
        left = np.where(going[:, None], left * (1.0 - now.cures[pick]), left)
    return total


def _disjoint(now: Situation, beliefs: np.ndarray, price: np.ndarray) -> np.ndarray:
    """The same with each candidate counted for its wanted repair only: one sort a state."""
    known = now.wants >= 0
    classes = np.zeros((len(beliefs), len(price)))
    for i, row in enumerate(beliefs):
        classes[i] = np.bincount(now.wants[known], weights=row[known], minlength=len(price))
    order = np.argsort(-classes / price, axis=1, kind="stable")
    sorted_share = np.take_along_axis(classes, order, axis=1)
    before = 1.0 - np.cumsum(sorted_share, axis=1) + sorted_share
    return np.where(sorted_share > 0.0, price[order] * before, 0.0).sum(axis=1)


def after_failure(now: Situation, belief: np.ndarray, repair: int) -> tuple[np.ndarray, float]:
    """Belief when this repair has been done and the bike still fails, and the chance that it works.

    returns  (n_candidates,) sums to 1 (or all zero when failure is impossible), chance of cure
    """
    left = belief * (1.0 - now.cures[repair])
    mass = float(left.sum())
    return (left / mass if mass > 1e-12 else np.zeros_like(left)), 1.0 - mass


def cost_after(now: Situation, repair: int) -> np.ndarray:
    """(n_repairs,) minutes of each repair once this one has left its places open."""
    opened = [p for p in now.repairs[repair].places if p not in now.paid.places]
    if not opened:
        return now.cost
    access = now.problem.access
    saved = np.array([sum(access.get(p, 0.0) for p in opened if p in r.places) for r in now.repairs])
    return np.maximum(now.cost - saved, 0.05)
