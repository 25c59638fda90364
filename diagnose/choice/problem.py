"""The abstract decision problem: no bike in sight. Contract of `diagnose.choice`.

Sixth arrow of the flow (beliefs -> choice).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True, slots=True, eq=False)
class MeasurementOption:
    """outcomes (n_outcomes, n_candidates): probabilities, columns sum to 1. minutes: act only."""

    id: str
    outcomes: np.ndarray
    minutes: float
    places: tuple[str, ...] = ()
    setup: str = ""
    wait_min: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class RepairOption:
    """cures (n_candidates,) in 0..1. minutes include the re-test. sort: try | repair | stop.

    removes  (n_candidates,) in 0..1 or None: chance that it removes one of several faults of a candidate,
             though the bike will not work yet; planning takes a pair as on its way once either is removed
    """

    id: str
    cures: np.ndarray
    minutes: float
    sort: str
    price: float = 0.0
    places: tuple[str, ...] = ()
    returnable: bool = True
    removes: np.ndarray | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """What may be done, what it tells and what it costs.

    prior    (n_candidates,) sums to 1
    no_fault / unmodelled  index of these candidates, or -1. no_fault's act is the proof (its RepairOption
             has sort 'stop'); unmodelled takes no part in expected repair cost and has only the stop
    access   place -> minutes, paid once while open; a tool to fetch or a question to answer first is
             written as a place too
    setups   (from, to) -> minutes to change the set-up; missing = setup_min; '' on either side costs nothing
    allowed  measurement id -> allowed now (missing = True)
    asking_min  minutes that any act takes besides: to read what is asked or advised, and to answer
    """

    prior: np.ndarray
    measurements: tuple[MeasurementOption, ...]
    repairs: tuple[RepairOption, ...]
    access: Mapping[str, float] = field(default_factory=dict)
    allowed: Mapping[str, bool] = field(default_factory=dict)
    no_fault: int = -1
    unmodelled: int = -1
    wait_weight: float = 0.1
    setup_min: float = 0.3
    asking_min: float = 0.0
    setups: Mapping[tuple[str, str], float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Paid:
    """What is already paid for: open places, present set-up, measurements already used.

    supports  repair id -> how many independent readings speak for it (beliefs.evidence.supports); a part
              that cannot be returned wants two
    """

    places: frozenset[str] = frozenset()
    setup: str = ""
    used: frozenset[str] = frozenset()
    repairs_done: frozenset[str] = frozenset()
    supports: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Act:
    """sort: measure | try | repair | stop. option: measurement or repair id ('' for a bare stop).

    value_min     expected minutes to the end if this is done
    runners_up    (id, expected nats, minutes) of other good acts, best first
    """

    sort: str
    option: str
    value_min: float
    reason: str = ""
    runners_up: tuple[tuple[str, float, float], ...] = ()
