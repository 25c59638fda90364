"""Whether what a job says is likely turns out so often: chances told, against what was hidden.

Built on the conversation; trial and the rows of wrong beliefs collect points while they play.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np

from diagnose.bike.model import NOT_WIDER, Candidate
from diagnose.conversation import evidence
from diagnose.conversation.planning import helps
from diagnose.conversation.world import World

BINS = 10

Point = tuple[
    float, bool
]  # the chance [1] of the leading repair at one step, and whether it was the right one
Bin = tuple[float, float, float, int]


def watching(world: World, truth: Candidate, points: list[Point]) -> Callable[[Any], None]:
    """What to call with a job's state before each message; adds a point for each new state of belief."""
    seen: list[Any] = [None]

    def watch(state: Any) -> None:
        if state.belief is None or state.phase != "working" or state.belief is seen[0]:
            return
        seen[0] = state.belief
        wide = world.widened(state.wider) if state.wider != NOT_WIDER else world
        chance = evidence.chances(state.belief)
        told = {r: float(chance @ helps(wide, r, state.job.done)) for r in wide.repairs}
        best = max(sorted(told), key=lambda r: told[r])
        points.append((told[best], any(best in f.repairs for f in truth.faults)))

    return watch


def calibration(points: Iterable[Point]) -> list[Bin]:
    """(lower edge, mean chance said, share that was right, how many) of each of ten bins."""
    known = list(points)
    if not known:
        return []
    chance, right = (np.array(x, dtype=float) for x in zip(*known, strict=True))
    number = np.minimum((chance * BINS).astype(int), BINS - 1)
    return [
        (k / BINS, float(chance[number == k].mean()), float(right[number == k].mean()), int(n))
        for k in range(BINS)
        if (n := int(np.sum(number == k)))
    ]


def calibration_lines(bins: Iterable[Bin]) -> list[str]:
    """The table for the screen, a line each bin."""
    return [
        f"  {low:.1f}-{low + 1 / BINS:.1f}  said {said:.3f}  right {right:.3f}"
        f"  off {right - said:+.3f}  n {n}"
        for low, said, right, n in bins
    ]
