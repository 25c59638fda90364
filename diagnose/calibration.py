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
from diagnose.widening import NOW_AND_THEN
from diagnose.wiring import BikeWorld

BINS = 10

# the chance [1] of the leading repair at one step, and whether it was a right one
Point = tuple[float, bool]
Bin = tuple[float, float, float, int]


def watching(
    world: BikeWorld, complaint: str, truth: Candidate, points: list[Point]
) -> Callable[[Any], None]:
    """What to call with a job's state before each message; adds a point for each new state of belief.

    What a trial hides is one listed fault that draws the complaint in at least half of the cases, so the
    chance is told among those: mistaken riders, sound bikes, pairs and what nobody listed are left out of it.
    """
    drawn = np.asarray(world.complaint_chance(complaint)) >= 0.5
    modes = {mode(c) for c, may in zip(world.candidates, drawn, strict=True) if c.is_fault and may}
    seen: list[Any] = [None]
    hidden: dict[Any, np.ndarray] = {}

    def watch(state: Any) -> None:
        if state.belief is None or state.phase != "working" or state.belief is seen[0]:
            return
        seen[0] = state.belief
        wide = world.widened(state.wider) if state.wider != NOT_WIDER else world
        if state.wider not in hidden:
            hidden[state.wider] = np.array([mode(c) in modes for c in wide.candidates], dtype=float)
        chance = evidence.chances(state.belief) * hidden[state.wider]
        if not chance.sum() > 0.0:
            return
        chance = chance / chance.sum()
        told = {r: float(chance @ helps(wide, r, state.job.done)) for r in wide.repairs}
        best = max(sorted(told), key=lambda r: told[r])
        points.append((told[best], any(best in f.repairs for f in truth.faults)))

    return watch


def mode(candidate: Candidate) -> tuple[str, str] | None:
    """Part and mode of a single fault, whatever its severity, steady or not; None for anything else."""
    if len(candidate.faults) != 1:
        return None
    fault = candidate.faults[0]
    return fault.component, fault.mode.removesuffix(f"_{NOW_AND_THEN}")


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
