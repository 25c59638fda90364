"""A severity stands for a range: what lies between the ohms that were solved blurs every prediction.

Part of the fourth arrow, between readings and outcomes. A real joint has any resistance; three of them are
solved. What a reading would be between two of them is taken from both.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.bike.candidates import severity_family
from diagnose.bike.model import Candidate
from diagnose.circuit.netlist import Change, Open
from diagnose.predictions.outcomes import log_ohms
from diagnose.predictions.table import Column

BESIDE = 0.2  # [1] share of a severity's range in which a word is rather that of the next severity (estimate)
WORN_SPREAD = 0.15  # [1] of how far a worn value takes a reading from sound: no two wear alike (estimate)
STEPS = (1 / 6, 3 / 6, 5 / 6)  # [1] of the way to either end of a range: even points at which words are known
POINTS = 2 * len(STEPS)
JUMP = 3.0  # [ln] shares further apart are two states of a relay or unit, nothing between (estimate)
PARTED = 0.5  # [1] chance that a joint at the bad end of its worst range acts like an open one (estimate)
LEAST_SHARE = 1e-6  # [1] of an effect: what is less is none (ohms: what is more than its inverse is open)
EVEN = 12.0**0.5  # a value anywhere in a range has this part of its width as standard deviation


@dataclass(frozen=True, slots=True, eq=False)
class Ranges:
    """Which candidates are milder and worse severities of each other.

    rows    (k,) candidates that come in degrees
    milder  (k,) row of the next milder severity; the sound bike's for the mildest
    worse   (k,) row of the next worse one; its own for the worst
    parted  (k,) as worse, but for the worst the row of the suspect in which the same joint is open, if any is
    worn    (m,) candidates whose part has a wrong value, of which only one is solved
    healthy row of the sound bike
    """

    rows: np.ndarray
    milder: np.ndarray
    worse: np.ndarray
    parted: np.ndarray
    worn: np.ndarray
    healthy: int


_NONE = np.array([], dtype=int)
NO_RANGES = Ranges(_NONE, _NONE, _NONE, _NONE, _NONE, 0)


def ranges(candidates: Sequence[Candidate], healthy: int = 0) -> Ranges:
    """Sort the severities of each fault by how far they are from sound."""
    families: dict[tuple[str, str, str], list[tuple[float, int]]] = {}
    for i, c in enumerate(candidates):
        own = severity_family(c.faults[0]) if len(c.faults) == 1 else None
        if own is not None:
            families.setdefault(own[0], []).append((own[1], i))
    opened = _opened(candidates)
    rows, milder, worse, parted = [], [], [], []
    worn = [
        i
        for i, c in enumerate(candidates)
        if len(c.faults) == 1
        and severity_family(c.faults[0]) is None
        and any(isinstance(e, Change) for e in c.faults[0].edits)
    ]
    for members in families.values():
        order = [i for _, i in sorted(members)]
        for place, row in enumerate(order):
            rows.append(row)
            milder.append(order[place - 1] if place else healthy)
            worse.append(order[place + 1] if place + 1 < len(order) else row)
            joints = [e.target for e in candidates[row].faults[0].edits if isinstance(e, Change)]
            at_last = next((opened[j] for j in joints if j in opened), row)
            parted.append(at_last if worse[-1] == row else worse[-1])
    lists = [np.array(x, dtype=int) for x in (rows, milder, worse, parted, worn)]
    return Ranges(lists[0], lists[1], lists[2], lists[3], lists[4], healthy)


def _opened(candidates: Sequence[Candidate]) -> dict[str, int]:
    """Row of the suspect in which nothing but this element is open, by element."""
    found: dict[str, int] = {}
    for i, c in enumerate(candidates):
        edits = c.faults[0].edits if len(c.faults) == 1 else ()
        if len(edits) == 1 and isinstance(edits[0], Open):
            found.setdefault(edits[0].element, i)
    return found


def words_by_degree(
    words_of: Callable[..., np.ndarray], shares: Sequence[np.ndarray], own: Ranges
) -> np.ndarray:
    """Words of shares at even points of the range that each severity stands for, the mildest first.

    words_of  from shares to (n_candidates, n_words)
    shares    (..., n_candidates) each: an effect, volts or ohms (not negative), or bool
    returns   (n_candidates, POINTS, n_words)
    formula   the points lie STEPS of the way to either end of the range. It ends half way to the neighbour,
              in the logarithm; beyond the worst as far again as its milder neighbour is away. Where two
              neighbours are further apart than JUMP (or bool), the outermost point is the neighbour itself.
              At the bad end of the worst a relay may let go or a unit fall asleep, which nothing milder
              tells: PARTED of its words are those of the same joint open.
    """
    if not len(own.rows):
        return np.repeat(np.asarray(words_of(*shares), dtype=float)[:, None], POINTS, axis=1)
    points = [*((0, step) for step in reversed(STEPS)), *((1, step) for step in STEPS)]
    words = np.stack([words_of(*(_toward(x, own, *point) for x in shares)) for point in points], axis=1)
    last = own.parted != own.worse
    rows, opened = own.rows[last], np.asarray(words_of(*shares), dtype=float)[own.parted[last]]
    words[rows, -1] = (1.0 - PARTED) * words[rows, -1] + PARTED * opened
    return words


def _toward(share: np.ndarray, own: Ranges, side: int, step: float) -> np.ndarray:
    """The share with each severity moved a step toward its milder (0) or its worse (1) end of the range."""
    share = np.asarray(share)
    here, milder, worse = share[..., own.rows], share[..., own.milder], share[..., own.worse]
    out = share.copy()
    beside = worse if side else milder
    outermost = step == STEPS[-1]
    if share.dtype == bool:
        out[..., own.rows] = beside if outermost else here
        return out
    at, mild, end = (np.log(np.clip(x, LEAST_SHARE, 1.0 / LEAST_SHARE)) for x in (here, milder, beside))
    jumps = np.abs(end - at) > JUMP
    way = 0.5 * (end - at)
    if side:
        past = at - mild
        way = np.where(own.worse == own.rows, np.where(np.abs(past) > JUMP, 0.0, past), way)
    out[..., own.rows] = np.where(jumps, beside if outermost else here, here * np.exp(step * way))
    return out


def over_ranges(column: Column, own: Ranges) -> Column:
    """The column with each severity's reading spread over the range it stands for.

    Numbers: the range ends half way to the neighbours' readings (beyond the worst, as far as on its milder
    side) and adds width / sqrt(12) to the spread; ohms in the logarithm. What of it is the way from the mild
    end to the bad one is kept apart as the column's degree. Words that come by degrees stay as they are, of
    others a share is the neighbours'.
    A wrong value without degrees (an overcharging regulator) is as uncertain as WORN_SPREAD says.
    """
    if column.words is not None:
        if column.degree is not None or not len(own.rows):
            return column
        words = np.array(column.words, dtype=float)
        old = np.asarray(column.words, dtype=float)
        words[own.rows] = (
            (1.0 - 2.0 * BESIDE) * old[own.rows] + BESIDE * old[own.milder] + BESIDE * old[own.worse]
        )
        return replace(column, words=words)
    value = np.asarray(column.value, dtype=float)
    degree = np.zeros(len(value))
    if not len(own.rows) and not len(own.worn):
        return replace(column, degree=degree)
    shown = log_ohms(value) if column.scale == "log" else value
    here, below, above = shown[own.rows], shown[own.milder], shown[own.worse]
    with np.errstate(invalid="ignore"):
        down = 0.5 * (here - below)
        up = np.where(own.worse == own.rows, down, 0.5 * (above - here))
    ends = np.isfinite(here) & np.isfinite(down), np.isfinite(here) & np.isfinite(up)
    down, up = np.where(ends[0], down, 0.0), np.where(ends[1], up, 0.0)
    spread = np.array(column.spread, dtype=float)
    spread[own.rows] = np.hypot(spread[own.rows], (np.abs(down) + np.abs(up)) / EVEN)
    degree[own.rows] = (down + up) / EVEN
    with np.errstate(invalid="ignore"):
        off = shown[own.worn] - shown[own.healthy]
    off = np.where(np.isfinite(off), off, 0.0)
    spread[own.worn] = np.hypot(spread[own.worn], WORN_SPREAD * off)
    degree[own.worn] = WORN_SPREAD * off
    return replace(column, spread=spread, degree=degree)
