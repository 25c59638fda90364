"""The port through which a job asks physics: a bike, its suspects and acts, and an injected predict.

The conversation is written against this protocol; `wiring.open_world` builds the real one, tests a small one.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from typing import Protocol, Self

import numpy as np

from diagnose.bike.model import BikeView, Candidate, Condition, JobState, Measurement, Repair, Wider
from diagnose.bike.way import Stretch
from diagnose.catalogue.differences import Difference
from diagnose.predictions.table import Table


class World(Protocol):
    """Everything a job needs of a bike. Axes: candidates in the order of `candidates`."""

    @property
    def view(self) -> BikeView:
        """All words and lists of the bike."""
        ...

    @property
    def candidates(self) -> tuple[Candidate, ...]:
        """Every candidate, in the order of all axes."""
        ...

    @property
    def measurements(self) -> Mapping[str, Measurement]:
        """Measurements by id."""
        ...

    @property
    def repairs(self) -> Mapping[str, Repair]:
        """Repairs by id."""
        ...

    @property
    def prior(self) -> np.ndarray:
        """(n_candidates,) sums to 1."""
        ...

    @property
    def no_fault(self) -> int:
        """Index of the candidate `no_fault`."""
        ...

    @property
    def unmodelled(self) -> int:
        """Index of the candidate `unmodelled`."""
        ...

    @property
    def latent_sd(self) -> np.ndarray:
        """(n_latents,) prior standard deviation of the shared latents."""
        ...

    @property
    def singles(self) -> int:
        """How many of the candidates are no wider suspects; those follow."""
        ...

    def complaint_likelihood(self, complaints: Sequence[str]) -> np.ndarray:
        """(n_candidates,) chance that a bike with this candidate draws these complaints."""
        ...

    def history_factor(self, facts: Mapping[str, bool]) -> np.ndarray:
        """(n_candidates,) factors on the prior from what happened before it failed."""
        ...

    def history_questions(self) -> Sequence[tuple[str, str]]:
        """(fact id, question) in the order worth asking."""
        ...

    def planned(
        self, complaints: Sequence[str], job: JobState, kit: str = "workshop", *, first: bool = False
    ) -> Sequence[str]:
        """Measurement ids worth considering for these complaints with this kit, most telling first.

        first  for a first step: without what nobody does before another reading
        """
        ...

    def table(self, job: JobState, measurements: Sequence[str]) -> Table:
        """Predictions of these measurements in this job state; computed lazily, cached."""
        ...

    def outlook(self, job: JobState, measurements: Sequence[str]) -> Mapping[str, np.ndarray]:
        """(n_outcomes, n_candidates) of each measurement that can be planned with; columns sum to 1."""
        ...

    @property
    def live_post(self) -> str:
        """Test point of the battery's post that feeds the bike; '' without a battery."""
        ...

    def way(self, points: Sequence[str], condition: Condition) -> tuple[tuple[Stretch, ...], ...]:
        """Parts that the current passes from each test point to the next; () where nothing joins them."""
        ...

    def cures(self, repair: str, done: Sequence[str] = ()) -> np.ndarray:
        """(n_candidates,) chance 0..1 that this repair cures everything that `done` left of the candidate."""
        ...

    def likely_pairs(
        self,
        singles: np.ndarray,
        complaints: Sequence[str],
        readings: Sequence[tuple[np.ndarray | None, np.ndarray]],
    ) -> tuple[tuple[str, str], ...]:
        """Pairs of candidate ids most worth adding.

        singles   (n_singles,) chance of each before any reading
        readings  of each: planning outcomes (n_outcomes, n_singles) or None, ln p(reading | single)
        """
        ...

    def widened(self, wider: Wider) -> World:
        """The same bike with wider suspects after its own."""
        ...

    def blown(self, candidate: int) -> tuple[str, ...]:
        """Fuses that a candidate has blown by the time the bike comes in."""
        ...

    def verify(self, repair: str, complaints: Sequence[str], chances: np.ndarray | None = None) -> str:
        """Id of the measurement that proves this repair.

        chances  (n_candidates,) what is believed before it; None: the prior
        """
        ...

    @property
    def lost(self) -> Sequence[str]:
        """Titles of what the bike as drawn does and this one cannot, differing as it does."""
        ...

    def differing(self, differences: Sequence[Difference]) -> World:
        """The bike as drawn with all these differences; raises UsageError or KnowledgeError."""
        ...


class SingleFaults(ABC):
    """What a small world of single faults and no loom says of pairs and drawings (tests, benchmarks)."""

    candidates: tuple[Candidate, ...]
    live_post = "battery.plus"
    lost: tuple[str, ...] = ()

    @abstractmethod
    def table(self, job: JobState, measurements: Sequence[str]) -> Table:
        """As in World."""

    @property
    def singles(self) -> int:
        """All of them."""
        return len(self.candidates)

    def outlook(self, job: JobState, measurements: Sequence[str]) -> Mapping[str, np.ndarray]:
        """As the table has it."""
        return self.table(job, measurements).outlook()

    def likely_pairs(
        self,
        singles: np.ndarray,
        complaints: Sequence[str],
        readings: Sequence[tuple[np.ndarray | None, np.ndarray]],
    ) -> tuple[tuple[str, str], ...]:
        """None."""
        return ()

    def blown(self, candidate: int) -> tuple[str, ...]:
        """None."""
        return ()

    def widened(self, wider: Wider) -> Self:
        """Itself."""
        return self

    def way(self, points: Sequence[str], condition: Condition) -> tuple[tuple[Stretch, ...], ...]:
        """Nothing in between."""
        return tuple(() for _ in points[1:])


class WiderWorld(World, Protocol):
    """A world with wider suspects."""

    def chance_among(self, singles: np.ndarray) -> np.ndarray:
        """(n_wider,) chance of each wider suspect before any reading, given the singles' (n_singles,)."""
        ...

    def removes(self, repair: str, done: Sequence[str] = ()) -> np.ndarray:
        """(n_candidates,) chance that this repair cures at least one fault of the candidate."""
        ...

    def stays(self, repair: str, complaints: Sequence[str], done: Sequence[str] = ()) -> np.ndarray:
        """(n_candidates,) chance that all these complaints are still there after this repair."""
        ...
