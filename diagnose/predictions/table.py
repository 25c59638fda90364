"""The one table between physics and belief: what each measurement would show under each candidate.

Fourth arrow of the flow. Frozen, rounded once; candidates x measurements, axes in that order.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

LATENTS = ("battery_emf",)  # shared by all readings of one job; offsets in volts


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """Everything predicted of one measurement.

    numeric kinds
      value   (n_candidates,) [unit], reading expected with the meter in circuit; for ohms, +inf = OL
      spread  (n_candidates,) [unit], standard deviation from component tolerances and instrument
              (for ohms: of ln(value)); without the shared latents
      shift   (n_candidates, n_latents) [unit per unit of latent], first-order effect of shared latents
      scale   'linear' or 'log' (ohms)
      low, high  [unit] range the display can show
    word kinds
      words   (n_candidates, n_choices) probabilities of each answer, rows sum to 1
    both
      degree    what hangs on where in its range a severity lies, alike in all of a job; None: nothing
                numbers: (n_candidates,) [as spread] that part of the spread, + where what is worse reads more
                words: (n_candidates, n_points, n_choices), at even points of the range, the mildest first
      choices   the answers of a word kind, () for numbers
      outcomes  (n_outcomes, n_candidates) probabilities that planning uses, columns sum to 1
    """

    measurement: str
    kind: str
    unit: str
    value: np.ndarray | None = None
    spread: np.ndarray | None = None
    shift: np.ndarray | None = None
    scale: str = "linear"
    low: float = -np.inf
    high: float = np.inf
    words: np.ndarray | None = None
    degree: np.ndarray | None = None
    choices: tuple[str, ...] = ()
    outcomes: np.ndarray | None = None
    neighbours: tuple[str, ...] = ()  # confusable measurements whose value a mis-probe would show


def rounded(column: Column) -> Column:
    """Its numbers to single precision, as they are kept on disk.

    A job must go the same way whether its predictions were computed just now or long ago, near ties too.
    """

    def single(array: np.ndarray | None) -> np.ndarray | None:
        return None if array is None else np.asarray(array, dtype=np.float32)

    words = single(column.words)
    return replace(
        column,
        value=single(column.value),
        spread=single(column.spread),
        shift=single(column.shift),
        words=None if words is None else words.astype(np.float64),
        degree=single(column.degree),
        outcomes=single(column.outcomes),
    )


def taken(column: Column, rows: np.ndarray) -> Column:
    """The column of some of its candidates; outcomes are left to be made anew."""
    return _combined((column,), lambda parts: parts[0][rows])


def stacked(columns: Sequence[Column]) -> Column:
    """One column for the candidates of several, which foretell the same measurement; without outcomes."""
    return _combined(columns, np.concatenate)


def _combined(columns: Sequence[Column], how: Callable[[list[np.ndarray]], np.ndarray]) -> Column:
    def whole(name: str) -> np.ndarray | None:
        parts = [getattr(c, name) for c in columns]
        return None if any(p is None for p in parts) else how(parts)

    return replace(
        columns[0],
        value=whole("value"),
        spread=whole("spread"),
        shift=whole("shift"),
        words=whole("words"),
        degree=whole("degree"),
        outcomes=None,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """candidates: ids in order; columns by measurement id."""

    candidates: tuple[str, ...]
    columns: Mapping[str, Column]

    def outlook(self) -> Mapping[str, np.ndarray]:
        """(n_outcomes, n_candidates) of each measurement that can be planned with."""
        return {k: c.outcomes for k, c in self.columns.items() if c.outcomes is not None}
