"""Riders who err, and bikes whose fault comes and goes, over a player that does neither."""

from __future__ import annotations

import numpy as np

from diagnose.bike.acts import STIRS
from diagnose.bike.model import Candidate, JobState, Measurement
from diagnose.players import PERSISTS, OwnPlayer, slipped
from diagnose.wiring import BikeWorld

WAKES, SLEEPS = 0.4, 0.25  # [1] chance that a fault that comes and goes shows in a spell; that a spell ends


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


class Dozing:
    """A player whose fault comes and goes: it shows in spells, and moving the right place wakes it."""

    def __init__(self, world: BikeWorld, truth: Candidate, rng: np.random.Generator):
        self.sick, self.well = OwnPlayer(world, truth), OwnPlayer(world, world.candidates[world.no_fault])
        self.places = {f.place for f in truth.faults}
        self.rng, self.shows, self.mended = rng, True, False

    def _spell(self) -> None:
        if self.rng.random() < SLEEPS:
            self.shows = bool(self.rng.random() < WAKES)

    def answer(self, m: Measurement, job: JobState) -> str:
        if self.mended:
            return self.well.answer(m, job)
        self._spell()
        if m.kind in STIRS:
            if m.what in self.places and self.rng.random() < 0.75:
                self.shows = True
                return "comes_and_goes"
            return "no_change"
        told = (self.sick if self.shows else self.well).answer(m, job)
        if m.kind == "observe" and not self.shows and told != self.sick.answer(m, job):
            return "works_now"  # it failed when the bike was brought, and now it does not
        return told

    def again(self, m: Measurement, job: JobState) -> str:
        return (self.sick if self.shows and not self.mended else self.well).answer(m, job)

    def truth(self, m: Measurement, job: JobState) -> str:
        return self.well.answer(m, job)

    def cured(self) -> None:
        self.mended = True
