"""A severity stands for a range: what lies between the ohms that were solved blurs every prediction.

Part of the fourth arrow, between readings and outcomes. A real joint has any resistance; three of them are
solved. What a reading would be between two of them is taken from both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.bike.candidates import severity_family
from diagnose.bike.model import Candidate
from diagnose.circuit.netlist import Change
from diagnose.predictions.outcomes import log_ohms
from diagnose.predictions.table import Column

BESIDE = 0.2  # [1] share of a severity's range in which a word is rather that of the next severity (estimate)
WORN_SPREAD = 0.15  # [1] of how far a worn value takes a reading from sound: no two wear alike (estimate)
EVEN = 12.0**0.5  # a value anywhere in a range has this part of its width as standard deviation


@dataclass(frozen=True, slots=True, eq=False)
class Ranges:
    """Which candidates are milder and worse severities of each other.

    rows    (k,) candidates that come in degrees
    milder  (k,) row of the next milder severity; the sound bike's for the mildest
    worse   (k,) row of the next worse one; its own for the worst
    worn    (m,) candidates whose part has a wrong value, of which only one is solved
    healthy row of the sound bike
    """

    rows: np.ndarray
    milder: np.ndarray
    worse: np.ndarray
    worn: np.ndarray
    healthy: int

    def within(self, some: np.ndarray) -> Ranges:
        """The same for some of the candidates only."""
        keep = np.isin(self.rows, some)
        worn = self.worn[np.isin(self.worn, some)]
        return Ranges(self.rows[keep], self.milder[keep], self.worse[keep], worn, self.healthy)


def ranges(candidates: Sequence[Candidate], healthy: int = 0) -> Ranges:
    """Sort the severities of each fault by how far they are from sound."""
    families: dict[tuple[str, str, str], list[tuple[float, int]]] = {}
    for i, c in enumerate(candidates):
        own = severity_family(c.faults[0]) if len(c.faults) == 1 else None
        if own is not None:
            families.setdefault(own[0], []).append((own[1], i))
    rows, milder, worse = [], [], []
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
    lists = [np.array(x, dtype=int) for x in (rows, milder, worse, worn)]
    return Ranges(lists[0], lists[1], lists[2], lists[3], healthy)


def over_ranges(column: Column, own: Ranges) -> Column:
    """The column with each severity's reading spread over the range it stands for.

    Numbers: the range ends half way to the neighbours' readings (beyond the worst, as far as on its milder
    side) and adds width / sqrt(12) to the spread; ohms in the logarithm. Words: a share of the neighbours'.
    A wrong value without degrees (an overcharging regulator) is as uncertain as WORN_SPREAD says.
    """
    if not len(own.rows) and not len(own.worn):
        return column
    if column.words is not None:
        words = np.array(column.words, dtype=float)
        old = np.asarray(column.words, dtype=float)
        words[own.rows] = (
            (1.0 - 2.0 * BESIDE) * old[own.rows] + BESIDE * old[own.milder] + BESIDE * old[own.worse]
        )
        return replace(column, words=words)
    value = np.asarray(column.value, dtype=float)
    shown = log_ohms(value) if column.scale == "log" else value
    here, below, above = shown[own.rows], shown[own.milder], shown[own.worse]
    with np.errstate(invalid="ignore"):
        down = 0.5 * np.abs(here - below)
        up = np.where(own.worse == own.rows, down, 0.5 * np.abs(above - here))
    width = np.where(np.isfinite(down), down, 0.0) + np.where(np.isfinite(up), up, 0.0)
    width = np.where(np.isfinite(here), width, 0.0)
    spread = np.array(column.spread, dtype=float)
    spread[own.rows] = np.hypot(spread[own.rows], width / EVEN)
    with np.errstate(invalid="ignore"):
        off = np.abs(shown[own.worn] - shown[own.healthy])
    off = np.where(np.isfinite(off), off, 0.0)
    spread[own.worn] = np.hypot(spread[own.worn], WORN_SPREAD * off)
    return replace(column, spread=spread)
