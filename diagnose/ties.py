"""Order among numbers that are equal but for the last digits of one processor's arithmetic.

Two sides of a bike are alike, and so are two ends of a sound joint: which goes first must not hang on
rounding that differs between machines. Knows nothing of what the numbers mean.
"""

from __future__ import annotations

import numpy as np

NEAR = 1e-4  # [1] relative; tables in single precision leave some 1e-5 of a difference of entropies uncertain


def in_order(values: np.ndarray) -> np.ndarray:
    """Indices, largest value first; values nearer than NEAR to the one before are equal: by index then."""
    order = np.argsort(-values, kind="stable")
    sorted_ = values[order]
    falls = sorted_[:-1] - sorted_[1:] > NEAR * np.abs(sorted_[:-1])
    rank = np.concatenate(([0], np.cumsum(falls)))
    return np.asarray(order[np.lexsort((order, rank[: len(order)]))])


def foremost(values: np.ndarray) -> int:
    """The first index whose value is the largest, or as good as that.

    values  (n,) n >= 1
    """
    top = float(values.max())
    return int(np.argmax(values >= top - NEAR * abs(top)))


def least(values: np.ndarray) -> int:
    """The first index whose value is the smallest, or as good as that.

    values  (n,) n >= 1
    """
    return foremost(-values)
