"""Riders who err, and bikes whose fault comes and goes, over a player that does neither."""

from __future__ import annotations

import numpy as np

from diagnose.bike.model import JobState, Measurement
from diagnose.players import PERSISTS, OwnPlayer, slipped


class Slipping:
    """A player that slips at times, over one that does not."""

    def __init__(self, inner: OwnPlayer, rng: np.random.Generator, gross: float):
        self.inner, self.rng, self.gross = inner, rng, gross
        self._given: dict[tuple[JobState, str, int], tuple[str, bool]] = {}

    def _key(self, m: Measurement, job: JobState) -> tuple[JobState, str, int]:
        return (job, m.id, self.inner.index)

    def answer(self, m: Measurement, job: JobState) -> str:
        key = self._key(m, job)
        if key not in self._given:
            slip = bool(self.rng.random() < self.gross)
            self._given[key] = (slipped(m, self.rng) if slip else self.inner.answer(m, job), slip)
        return self._given[key][0]

    def again(self, m: Measurement, job: JobState) -> str:
        key = self._key(m, job)
        if self._given.get(key, ("", False))[1] and self.rng.random() >= PERSISTS:
            self._given[key] = (self.inner.answer(m, job), False)
        return self.answer(m, job)

    def truth(self, m: Measurement, job: JobState) -> str:
        return self.inner.answer(m, job)

    def cured(self) -> None:
        self.inner.cured()

    def fails(self) -> bool:
        return self.inner.fails()
