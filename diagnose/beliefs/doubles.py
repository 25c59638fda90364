"""Pairs of faults on demand: when no single fault explains the readings, which two together might.

Sees chances only; whoever asks predicts the pairs and hands them to posterior.extend.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

SECOND_FAULT = 0.05  # [1] chance that a bike with one fault has a second, unrelated one (estimate)


def likely_pairs(
    marginal: np.ndarray,
    prior: np.ndarray,
    *,
    around: int = 30,
    limit: int = 300,
    factor: Callable[[int, int], float] | np.ndarray | None = None,
    second: float = SECOND_FAULT,
    leave: Sequence[int] = (),
) -> tuple[tuple[tuple[int, int], ...], np.ndarray]:
    """Choose the pairs most worth adding: one of the leading singles with any other.

    marginal  (n,) present belief; its `around` leading singles are widened
    prior     (n,) chance of each single, given that something is wrong
    factor    common-cause weight of a pair (same connector, same ground, same wet area weigh more; a short
              and the fuse that it blew weighs 0: one cause and its effect): function or (n, n); None: 1
    second    chance of a second fault at all
    leave     indices that are no faults (no_fault, unmodelled)
    returns   pairs (i < j), at most `limit`, likeliest first, and their priors (n_pairs,):
              second * (p_i p_j (1 / (1 - p_i) + 1 / (1 - p_j))) * factor, the chance of drawing i and j
              one after the other
    """
    marginal, prior = np.asarray(marginal, dtype=float), np.asarray(prior, dtype=float)
    usable = (prior > 0.0) & ~np.isin(np.arange(len(prior)), list(leave))
    leading = [int(i) for i in np.argsort(-marginal, kind="stable") if usable[i]][:around]
    others = np.flatnonzero(usable)
    found: dict[tuple[int, int], tuple[float, float]] = {}
    for i in leading:
        for j in others:
            pair = (min(i, int(j)), max(i, int(j)))
            if i == j or pair in found:
                continue
            a, b = prior[pair[0]], prior[pair[1]]
            chance = second * a * b * (1.0 / max(1.0 - a, 1e-9) + 1.0 / max(1.0 - b, 1e-9))
            if factor is not None:
                chance *= factor(*pair) if callable(factor) else float(factor[pair])
            if chance > 0.0:
                # a pair whose members both explain something is tried before one that needs a stranger
                rank = chance * (marginal[pair[0]] + marginal[pair[1]]) / max(a + b, 1e-12)
                found[pair] = (chance, rank)
    chosen = sorted(found, key=lambda p: (-found[p][1], p))[:limit]
    return tuple(chosen), np.array([found[p][0] for p in chosen])
