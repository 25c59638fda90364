"""The rider of a case: hidden faults, the slips that the case names, a fault that may be asleep."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from diagnose.bike.acts import COMES_AND_GOES, STIRRED, STIRS
from diagnose.bike.candidates import read_fault
from diagnose.bike.model import JobState, Measurement
from diagnose.cases.read import Case, Slip
from diagnose.errors import UsageError
from diagnose.play import Mended
from diagnose.players import OwnPlayer
from diagnose.predictions.readings import STIRRED_BY_CHANCE
from diagnose.several import SeveralPlayer, shown
from diagnose.wiring import BikeWorld


@dataclass(frozen=True, slots=True)
class Given:
    """One reading of a case. honest: as the bike shows it, no slip; by: the bike that gave it."""

    measurement: Measurement
    job: JobState
    text: str
    honest: bool
    by: OwnPlayer


@dataclass(slots=True, eq=False)
class CaseRider:
    """Answers as the case says; keeps what was answered.

    sick  the bike with what is left of its faults; well: without
    """

    world: BikeWorld
    case: Case
    sick: SeveralPlayer = field(init=False)
    well: OwnPlayer = field(init=False)
    given: list[Given] = field(default_factory=list)
    slipped: list[Slip] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Raises UsageError for a fault or complaint that the bike does not have, or that do not fit."""
        faults = tuple(read_fault(self.world.built, self.world.service, f) for f in self.case.truth)
        unknown = set(self.case.complaints) - set(self.world.spec.complaints)
        if unknown:
            raise UsageError(
                f"{self.case.id}: {self.case.bike} has no complaint {', '.join(sorted(unknown))}"
            )
        missing = set(self.case.complaints) - set(shown(self.world, faults, self.case.complaints))
        if missing:
            raise UsageError(
                f"{self.case.id}: its faults do not draw the complaint {', '.join(sorted(missing))}"
            )
        self.sick = SeveralPlayer(self.world, faults, self.case.complaints)
        self.well = OwnPlayer(self.world, self.world.candidates[self.world.no_fault])

    def fails(self) -> bool:
        """Whether what is complained of is there now; one that must be stirred sleeps."""
        return not self._asleep and self.sick.fails()

    def back(self) -> bool:
        """Whether it can be brought back by trying."""
        return self.fails()

    def answer(self, m: Measurement, job: JobState) -> str:
        """What the rider reports."""
        number = len(self.given) + 1
        slip = next((s for s in self._slips_left() if s.step == number or s.measurement == m.id), None)
        if slip is not None:
            self.slipped.append(slip)
        text = self._true(m, job) if slip is None else slip.reads
        self.given.append(
            Given(
                m,
                job,
                text,
                slip is None,
                self.well if self._asleep and m.kind != "inspect" else self.sick.inner,
            )
        )
        return text

    def again(self, m: Measurement, job: JobState) -> str:
        """Doubted, the rider looks once more."""
        slip = next((s for s in self.slipped if m.id == s.measurement or self._at(s) == m.id), None)
        return slip.reads if slip is not None and slip.again else self._true(m, job)

    def truth(self, m: Measurement, job: JobState) -> str:
        """What a careful rider reports."""
        return self._true(m, job)

    def cured(self) -> None:
        """Not used: repairs go through mend."""

    def mend(self, repair: str) -> Mended:
        """What a repair does, and what the rider says of it."""
        return self.sick.mend(repair)

    def left_over(self, complaints: Sequence[str]) -> list[str]:
        """Of these complaints those that the bike still has."""
        return self.sick.left_over(complaints)

    @property
    def _asleep(self) -> bool:
        return self.case.shows == "stirred"

    def _slips_left(self) -> list[Slip]:
        return [s for s in self.case.slips if s not in self.slipped]

    def _at(self, slip: Slip) -> str:
        """Id of the measurement at whose step a slip was made."""
        return self.given[slip.step - 1].measurement.id if 0 < slip.step <= len(self.given) else ""

    def _true(self, m: Measurement, job: JobState) -> str:
        if m.kind in STIRS:
            return COMES_AND_GOES if self._stirred_by(m, job) else STIRRED[0]
        hidden = self._asleep and m.kind != "inspect"  # a look finds it, asleep or not
        return str((self.well if hidden else self.sick).answer(m, job))

    def _stirred_by(self, m: Measurement, job: JobState) -> bool:
        """Whether this stir reaches a fault of the bike, and what is watched shows it."""
        words = self.sick.inner.predictor.columns(job, [m])[m.id].words
        return words is not None and bool(words[self.sick.inner.index, 1] > 2.0 * STIRRED_BY_CHANCE)
