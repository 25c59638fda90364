"""Whether what a job says is likely turns out so often: chances told, against what was hidden.

Built on the conversation; trial and the rows of wrong beliefs collect points while they play.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
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
    """What to call with a job's state before each message; adds a point for each new state of belief.

    What is hidden is always a listed fault, so the chance is told among those: a sound bike and a fault that
    nobody listed are left out of it.
    """
    seen: list[Any] = [None]

    def watch(state: Any) -> None:
        if state.belief is None or state.phase != "working" or state.belief is seen[0]:
            return
        seen[0] = state.belief
        wide = world.widened(state.wider) if state.wider != NOT_WIDER else world
        chance = np.array(evidence.chances(state.belief))
        chance[[wide.no_fault, wide.unmodelled]] = 0.0
        if not chance.sum() > 0.0:
            return
        chance /= chance.sum()
        told = {r: float(chance @ helps(wide, r, state.job.done)) for r in wide.repairs}
        best = max(sorted(told), key=lambda r: told[r])
        points.append((told[best], any(best in f.repairs for f in truth.faults)))

    return watch


def calibration(jobs: Iterable[Sequence[Point]]) -> list[Bin]:
    """(lower edge, mean chance said, share that was right, how many jobs) of each of ten bins.

    A job counts once in a bin, with the mean of its points there: a long search for what is not found would
    else be told as many times as it has steps.
    """
    found: dict[int, list[tuple[float, float]]] = {}
    for points in jobs:
        own: dict[int, list[Point]] = {}
        for point in points:
            own.setdefault(min(int(point[0] * BINS), BINS - 1), []).append(point)
        for k, inside in own.items():
            mean = np.array(inside, dtype=float).mean(axis=0)
            found.setdefault(k, []).append((float(mean[0]), float(mean[1])))
    bins = []
    for k in sorted(found):
        said, right = (float(x) for x in np.mean(found[k], axis=0))
        bins.append((k / BINS, said, right, len(found[k])))
    return bins


def calibration_lines(bins: Iterable[Bin]) -> list[str]:
    """The table for the screen, a line each bin."""
    return [
        f"  {low:.1f}-{low + 1 / BINS:.1f}  said {said:.3f}  right {right:.3f}"
        f"  off {right - said:+.3f}  n {n}"
        for low, said, right, n in bins
    ]
