"""Do the checks of published trouble tables read as the tables say, and point where they say?

The reading is the program's prediction on the bike with the fault in it; where it points is Bayes' rule on
the belief that the complaint alone leaves.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fnmatch import fnmatchcase

import numpy as np

from diagnose.bike.model import JobState
from diagnose.predictions.table import Column
from diagnose.quantities import quantity, write
from diagnose.wiring import BikeWorld
from diagnose.yardstick.model import Check, Handbook

LIKELIER = 1.5  # [1] a check speaks for a cause if it makes it this much likelier, or HELD of the chance
HELD = 0.5


@dataclass(frozen=True, slots=True)
class Checked:
    """One check. reads: what the program foretells; holds: within the table's limits.

    before, after  [1] chance of what the check points to, before and after the reading
    """

    row: Handbook
    check: Check
    fault: str
    reads: str
    holds: bool
    before: float
    after: float

    @property
    def points(self) -> bool:
        """Whether the reading speaks for what the table says."""
        return not self.check.points_to or self.after >= min(HELD, LIKELIER * self.before)

    @property
    def agrees(self) -> bool:
        """Whether reading and conclusion are the table's."""
        return self.holds and self.points


def run_row(world: BikeWorld, row: Handbook) -> list[Checked]:
    """Every check of a row on its bike; raises ValueError for a fault that the bike has not."""
    belief = world.prior * world.complaint_likelihood((row.complaint,))
    belief = belief / belief.sum()
    return [_run(world, row, check, belief) for check in row.checks]


def _run(world: BikeWorld, row: Handbook, check: Check, belief: np.ndarray) -> Checked:
    ids = [c.id for c in world.candidates]
    wanted = (
        [i for i, c in enumerate(ids) if fnmatchcase(c, check.fault)] if check.fault else [world.no_fault]
    )
    if not wanted:
        raise ValueError(f"{row.id}: no fault of {row.bike} is {check.fault!r}")
    at = wanted[-1]  # severities come from mild to bad
    column = world.table(JobState(), (check.measurement,)).columns[check.measurement]
    reads, holds = _reading(column, at, check)
    meant = np.array([any(fnmatchcase(c, p) for p in check.points_to) for c in ids])
    outcomes = world.outlook(JobState(), (check.measurement,))[check.measurement]
    after = belief * outcomes[int(np.argmax(outcomes[:, at]))]
    return Checked(
        row, check, ids[at], reads, holds, float(belief[meant].sum()), float(after[meant].sum() / after.sum())
    )


def _reading(column: Column, at: int, check: Check) -> tuple[str, bool]:
    if column.words is not None:
        word = column.choices[int(np.argmax(column.words[at]))]
        return word, word == check.word
    assert column.value is not None
    value = float(column.value[at])
    unit = column.unit
    low = quantity(check.low, unit) if check.low else -np.inf
    high = quantity(check.high, unit) if check.high else np.inf
    shown = "OL" if np.isinf(value) else write(float(f"{value:.3g}"), unit)
    return shown, bool(low <= value <= high)


def table(rows: Iterable[Checked]) -> str:
    """The checks for the screen."""
    lines = []
    for c in rows:
        limits = c.check.word or " to ".join(x for x in (c.check.low or "-", c.check.high or "-"))
        mark = "" if c.agrees else "  DIFFERS"
        speaks = f", {c.before:.0%} -> {c.after:.0%}" if c.check.points_to else ""
        lines.append(
            f"{c.row.id:<28} {c.fault:<30} {c.reads:>9} (table {limits}{speaks})  {c.check.measurement}{mark}"
        )
    return "\n".join(lines)
