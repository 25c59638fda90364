"""What proves a repair: the look or reading that the repaired faults put out most surely.

Beside the last wiring: reads a bike's world, solves nothing of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np

from diagnose.bike.acts import amps, posts, two_point
from diagnose.bike.build import Build
from diagnose.bike.currents import as_condition
from diagnose.bike.model import BikeView, Condition, JobState, Measurement, Repair
from diagnose.catalogue.model import Library
from diagnose.predictions.table import Table

FELT_SPREADS = 3.0  # a reading moved by so many spreads shows a fault, and that it is gone


class Proved(Protocol):
    """What of a bike's world a proof is chosen from."""

    library: Library
    built: Build
    view: BikeView
    prior: np.ndarray
    no_fault: int

    @property
    def singles(self) -> int: ...

    @property
    def measurements(self) -> Mapping[str, Measurement]: ...

    @property
    def repairs(self) -> Mapping[str, Repair]: ...

    def cures(self, repair: str) -> np.ndarray: ...

    def complaint_likelihood(self, complaints: Sequence[str]) -> np.ndarray: ...

    def table(self, job: JobState, measurement_ids: Sequence[str]) -> Table: ...


def verify(world: Proved, repair: str, complaints: Sequence[str], chances: np.ndarray | None) -> str:
    """Watch the complained function, in the condition in which it failed.

    Of several the one that the repaired faults put out most surely: a pump that runs again is heard, no
    plug comes out for it. A complaint of no function (a fuse that blows): what the repaired faults have
    put out of action; else, and of charging, the battery's volts with the engine running; of a drain the
    current with all at rest; without a battery the first thing of the last look.

    chances  (n_candidates,) what is believed before it; None: the prior
    """
    built, instruments = world.built, world.library.instruments
    spoken = dict.fromkeys(look for c in complaints for look in world.view.looks.get(c, ()))
    if spoken:
        planned = [m for m in spoken if m in world.measurements]
        best = _put_out(world, repair, complaints, planned, 1.0, chances) if len(planned) > 1 else ""
        return best or next(iter(spoken))
    symptoms = [s for c in complaints for s in world.library.complaints[c].any_of]
    standing = any(s.standing is not None for s in symptoms)
    charging = any(s.charging_low is not None for s in symptoms)
    quiet = [m for m in world.view.exit_check if world.measurements[m].condition.engine == "off"]
    put_out = "" if standing or charging else _put_out(world, repair, complaints, quiet, 0.5, chances)
    if put_out:
        return put_out
    if not built.spec.has_battery:
        return world.view.exit_check[0]
    charge = next((f for f in built.spec.functions.values() if f.kind == "charge"), None)
    condition = replace(as_condition(built, charge.when), engine="5000") if charge else Condition()
    volts = two_point(built, instruments, "volts", *posts(built), condition).id
    if not standing:
        return volts
    drain = amps(built, instruments, "battery", Condition()).id
    ways = (volts, drain) if charging else (drain, volts)
    felt = {k: _felt(world, repair, complaints, k, chances) for k in ways}
    return max(felt, key=lambda k: round(felt[k], 3))  # the first, if neither feels it


def _weights(world: Proved, repair: str, complaints: Sequence[str], chances: np.ndarray | None) -> np.ndarray:
    """(singles,) weight of each fault that a repair cures, by what is believed, else before any reading."""
    cured = world.cures(repair) if repair in world.repairs else np.zeros(world.singles)
    told = cured * chances[: world.singles] if chances is not None else 0.0 * cured
    if told.sum() > 0.0:
        return told
    drawn = world.complaint_likelihood(complaints)[: world.singles] if complaints else 1.0
    return cured * world.prior * drawn


def _felt(
    world: Proved, repair: str, complaints: Sequence[str], measurement: str, chances: np.ndarray | None
) -> float:
    """[1] chance that a reading is moved by the faults that a repair cures."""
    weights = _weights(world, repair, complaints, chances)
    if not weights.sum() > 0.0:
        return 0.0
    column = world.table(JobState(), (measurement,)).columns[measurement]
    assert column.value is not None and column.spread is not None
    away = np.abs(column.value - column.value[world.no_fault])
    moved = away > FELT_SPREADS * np.maximum(column.spread, column.spread[world.no_fault])
    return float(weights @ moved / weights.sum())


def _put_out(
    world: Proved,
    repair: str,
    complaints: Sequence[str],
    ids: Sequence[str],
    below: float,
    chances: np.ndarray | None,
) -> str:
    """Which of some looks fails most surely under the faults that a repair cures.

    returns  '' if all of them show a sound bike with at least this chance
    """
    weights = _weights(world, repair, complaints, chances)
    if not weights.sum() > 0.0:
        return ""
    columns = world.table(JobState(), ids).columns
    works = {
        k: float(weights @ c.words[:, 0] / weights.sum()) for k, c in columns.items() if c.words is not None
    }
    best = min(works, key=lambda k: round(works[k], 4), default="")
    return best if best and works[best] < below else ""
