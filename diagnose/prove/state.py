"""Where a proving run stands, as one frozen value: a fold over the messages of its journal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from diagnose.conversation import state as jobs
from diagnose.prove.model import Outcome


@dataclass(frozen=True, slots=True)
class Given:
    """What is known from the start. by: who reads, for the sheet."""

    kit: str = "meter"
    skill: str = "beginner"
    by: str = ""
    helper: bool = True


@dataclass(frozen=True, slots=True)
class State:
    """One moment of a proving run.

    queue      ids of the checks to come, in order
    outcomes   how each check came out, the latest of each, in the order in which they were made
    stage      the stage the bike is in; '' before the first
    places     places opened in this stage
    asked      events asked so far
    event      the question that stands
    first      a number outside its limit, waiting to be read once more
    job        the fault finding under way; job_check: the check that called for it
    waiting    checks to be made before the search for the cause begins
    left       a failed check was left as it is: what still fails is written down, not searched
    repairs    (check, repair) done for a failed check
    hands      minutes of the checks done, trade
    """

    given: Given = field(default_factory=Given)
    queue: tuple[str, ...] = ()
    outcomes: tuple[Outcome, ...] = ()
    stage: str = ""
    places: tuple[str, ...] = ()
    asked: int = 0
    event: Mapping[str, Any] = field(default_factory=dict)
    first: float | None = None
    job: jobs.State | None = None
    job_world: Any = None
    job_check: str = ""
    waiting: tuple[str, ...] = ()
    left: bool = False
    repairs: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    hands: float = 0.0
    result: str = ""  # proved | open | stopped | paused
    log: tuple[Mapping[str, Any], ...] = ()
    before: State | None = field(default=None, repr=False, compare=False)

    @property
    def setting(self) -> Given:
        """Kit and skill, under the name that a job's terminal knows."""
        return self.given

    @property
    def steps(self) -> int:
        """Checks made so far."""
        return len(self.outcomes)

    def outcome(self, check: str) -> Outcome | None:
        """How a check came out last."""
        return next((o for o in self.outcomes if o.check == check), None)
