"""Pairs of faults on demand: when no single fault explains the readings, which two together might.

Sees chances only; whoever asks predicts the chosen pairs exactly and weighs every reading for them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

SECOND_FAULT = 0.05  # [1] chance that a bike with one fault has a second, unrelated one (estimate)
PAIRS = 120  # predicted exactly at most
LEAST = np.log(1e-12)


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """What was read, as each single fault foretold it.

    given    (n_readings, n) ln p(reading | single fault)
    departs  (n_readings, n) bool: the fault changes what is read there, against a sound bike
    """

    given: np.ndarray
    departs: np.ndarray


def drawn_together(a: np.ndarray, b: np.ndarray, second: float = SECOND_FAULT) -> np.ndarray:
    """Chance of two faults together: one drawn, and with `second` another one from what is left.

    formula  second * p_i p_j (1 / (1 - p_i) + 1 / (1 - p_j))
    """
    rest_a, rest_b = np.maximum(1.0 - a, 1e-9), np.maximum(1.0 - b, 1e-9)
    return np.asarray(second * a * b * (1.0 / rest_a + 1.0 / rest_b))


def likely_pairs(
    chance: np.ndarray,
    heard: Heard,
    *,
    sound: int,
    limit: int = PAIRS,
    factor: np.ndarray | None = None,
    second: float = SECOND_FAULT,
    leave: Sequence[int] = (),
) -> tuple[tuple[tuple[int, int], ...], np.ndarray]:
    """Choose the pairs that probably explain most.

    Where only one of two faults changes a reading, the pair reads as that one does; where both do, it is
    taken as the better of the two (whoever predicts the chosen pairs finds out); where none does, as sound.

    chance   (n,) chance of each single before any reading, given that something is wrong
    sound    index of the sound bike; never part of a pair
    factor   (n, n) common-cause weight (same plug, same ground, same wet place weigh more; 0: no pair,
             such as a short and the fuse that it blew, which is one cause and its effect); None: 1
    second   chance of a second fault at all
    leave    further indices that are no faults
    returns  pairs (i < j), at most `limit`, likeliest first, and their chances before any reading (n_pairs,)
    """
    chance = np.asarray(chance, dtype=float)
    n = len(chance)
    usable = chance > 0.0
    usable[[sound, *leave]] = False
    rows = np.flatnonzero(usable)
    own = chance[rows]
    prior = drawn_together(own[:, None], own[None, :], second)
    if factor is not None:
        prior *= np.asarray(factor, dtype=float)[np.ix_(rows, rows)]
    with np.errstate(divide="ignore"):
        score = np.log(prior)
    for given, departs in zip(heard.given, heard.departs, strict=True):
        mine, there = np.maximum(given[rows], LEAST), departs[rows]
        neither = max(float(given[sound]), LEAST)
        alone = np.where(there, mine, neither)
        best = np.maximum(alone[:, None], alone[None, :])
        first = there[:, None] & ~there[None, :]
        last = ~there[:, None] & there[None, :]
        score += np.where(first, alone[:, None], np.where(last, alone[None, :], best))
    score[np.tril_indices(len(rows))] = -np.inf
    flat = np.argsort(-score, axis=None, kind="stable")[: min(limit, n * n)]
    chosen = [divmod(int(k), len(rows)) for k in flat if np.isfinite(score.flat[k])]
    pairs = tuple((int(rows[i]), int(rows[j])) for i, j in chosen)
    return pairs, np.array([prior[i, j] for i, j in chosen])
