"""A bike with a hidden fault that answers measurements: what a trial or a demonstration plays against.

Two players. `OwnPlayer` answers from this program's own predictions, without noise (demonstrations).
`NgspicePlayer` builds the bike with component values drawn from their tolerances and lets ngspice, an
independent simulator, say what the instrument reads; words (lit, dim, clicks) follow from ngspice's node
volts. It also has a meter with its own error, and at times a slip.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from diagnose.bike.acts import STIRS, TOLD_IN_WORDS
from diagnose.bike.model import Candidate, JobState, Measurement
from diagnose.circuit.netlist import Element, Netlist
from diagnose.circuit.solve import Solution
from diagnose.circuit.spice import deck
from diagnose.decks import measurement_deck
from diagnose.errors import CircuitError
from diagnose.expect import reading_text
from diagnose.ngspice import node_volts, reading, run_deck
from diagnose.predictions.compute import Predictor
from diagnose.predictions.readings import OHMS_RANGE, STIRRED_BY_CHANCE, STIRRED_LOOSE
from diagnose.quantities import write
from diagnose.wiring import BikeWorld

LEAST_FACTOR = 0.2  # a drawn value stays above this share of its nominal one
METER_GAIN_SD = 0.004  # a handheld meter's own error, the same all day
CLAMP_SD = 0.2  # A, what a clamp drifts after it was set to zero
LEAD_OHMS = 0.1  # what is left of the leads after subtracting
PERSISTS = 0.8  # chance that the same slip is made again at once (estimate, as the beliefs assume)
WAKES, SLEEPS = 0.4, 0.25  # [1] chance that a fault that comes and goes shows in a spell; that a spell ends
SLIP_OPEN = 0.5  # of slips: a lead that does not touch; the others show anything


def with_tolerances(netlist: Netlist, rng: np.random.Generator) -> Netlist:
    """One bike as built: every value with a tolerance drawn anew."""
    drawn = []
    for e in netlist.elements:
        values = dict(e.values)
        for param, tolerance in e.tolerances.items():
            values[param] *= max(LEAST_FACTOR, 1.0 + tolerance * float(rng.standard_normal()))
        drawn.append(Element(e.id, e.law, e.plus, e.minus, values, e.tolerances))
    return Netlist(tuple(drawn), netlist.devices, netlist.ground)


def _two(truth: Candidate) -> tuple[Candidate, ...]:
    healthy = Candidate("no_fault", (), 0.5)
    return (healthy, truth) if truth.is_fault else (healthy,)


class OwnPlayer:
    """Answers from the program's own predictions of one candidate, without noise."""

    def __init__(self, world: BikeWorld, truth: Candidate):
        self.chosen = _two(truth)
        self.index = len(self.chosen) - 1
        self.predictor = Predictor(world.built, world.service, self.chosen, world.library.instruments)

    def answer(self, m: Measurement, job: JobState) -> str:
        """A valid answer to this measurement in this job state."""
        column = self.predictor.columns(job, [m])[m.id]
        return reading_text(column, self.index)[2]

    again = answer
    truth = answer

    def cured(self) -> None:
        """From now on the bike is sound."""
        self.index = 0

    def fails(self) -> bool:
        """Whether its fault is still there."""
        return self.chosen[self.index].is_fault


class NgspicePredictor(Predictor):
    """A predictor whose operating points are ngspice's: same decks, other solver.

    unsolved  operating points that ngspice did not find, taken from our own solver
    """

    unsolved = 0

    def _settled(self, solution: Solution) -> Solution:
        for column in range(solution.size):
            solution = self._by_ngspice(solution, column)
        return solution

    def _by_ngspice(self, own: Solution, column: int) -> Solution:
        text = deck(own, column)
        try:
            volts = node_volts(text, run_deck(text))
        except CircuitError:
            self.unsolved += 1
            return own
        parts = []
        for part in own.parts:
            here = np.flatnonzero(part.sheet.columns == column)
            if len(here):
                inner = part.settled.volts.copy()
                for name, value in volts.items():
                    number = part.sheet.layout.node_of.get(name)
                    if number is not None:
                        inner[number, here[0]] = value
                part = replace(part, settled=replace(part.settled, volts=inner), kept={})
            parts.append(part)
        outer = own.volts.copy()
        for name, value in volts.items():
            if name in own.compiled.layout.node_of:
                outer[own.row(name), column] = value
        return replace(own, volts=outer, parts=tuple(parts))


class NgspicePlayer:
    """One bike as built, one hidden fault, one user with a meter.

    gross  chance that an answer is a slip: the open lead, the wrong terminal, any word

    What ngspice finds no operating point for is answered from our own solution of the same bike, and counted.
    """

    def __init__(self, world: BikeWorld, truth: Candidate, rng: np.random.Generator, gross: float = 0.0):
        self.rng, self.gross, self.of_twelve = rng, gross, world.spec.of_twelve
        self.gain = 1.0 + METER_GAIN_SD * float(rng.standard_normal())
        drawn = with_tolerances(world.built.netlist, rng)
        built = replace(world.built, netlist=drawn, elements={e.id: e for e in drawn.elements})
        self._built, self._world = built, world
        self.chosen = _two(truth)
        self._unsolved = 0
        self._look_at()
        self._given: dict[tuple[JobState, str, int], str] = {}
        self._slipped_at: set[tuple[JobState, str, int]] = set()
        self.slips = 0

    def _look_at(self) -> None:
        """Be the last of the chosen."""
        self.index = len(self.chosen) - 1
        about = self._built, self._world.service, self.chosen, self._world.library.instruments
        self.decks = Predictor(*about)  # decks need only the states that devices settle in
        self.predictor = NgspicePredictor(*about, None, self.decks.found())

    @property
    def unsolved(self) -> int:
        """How often ngspice found no operating point."""
        return self._unsolved + self.predictor.unsolved

    def cured(self) -> None:
        """From now on the bike is sound."""
        self._unsolved += self.predictor.unsolved
        self.chosen = self.chosen[:1]
        self._look_at()

    def fails(self) -> bool:
        """Whether its fault is still there."""
        return self.chosen[self.index].is_fault

    def answer(self, m: Measurement, job: JobState) -> str:
        """What the user reports; the same question in the same state gets the same answer."""
        key = (job, m.id, self.index)
        if key not in self._given:
            slip = self.rng.random() < self.gross
            self.slips += slip
            if slip:
                self._slipped_at.add(key)
            self._given[key] = slipped(m, self.rng, self.of_twelve) if slip else self._true(m, job)
        return self._given[key]

    def again(self, m: Measurement, job: JobState) -> str:
        """Doubted, the user looks once more; a slip is made again in PERSISTS of the cases."""
        key = (job, m.id, self.index)
        if key in self._slipped_at and self.rng.random() >= PERSISTS:
            self._slipped_at.discard(key)
            self._given[key] = self._true(m, job)
        return self.answer(m, job)

    def truth(self, m: Measurement, job: JobState) -> str:
        """Without a slip: what is seen by whoever tries everything once."""
        return self._true(m, job)

    def _true(self, m: Measurement, job: JobState) -> str:
        if m.kind in TOLD_IN_WORDS:
            column = self.predictor.columns(job, [m])[m.id]
            assert column.words is not None
            row = column.words[self.index]
            return column.choices[int(self.rng.choice(len(row), p=row / row.sum()))]
        text = measurement_deck(self.decks, self.index, job, m, m.id)
        try:
            value = reading(text, run_deck(text))
        except CircuitError:
            self._unsolved += 1
            own = self.decks.columns(job, [m])[m.id].value
            assert own is not None
            value = float(own[self.index])
        return self._shown(m, value)

    def _shown(self, m: Measurement, value: float) -> str:
        """A true value as this meter shows it."""
        rng = self.rng
        if m.kind == "ohms":
            value = abs(value) * self.gain + LEAD_OHMS * abs(float(rng.standard_normal()))
            return "OL" if value > OHMS_RANGE else write(float(f"{max(value, 0.01):.3g}"), "ohm")
        if m.kind == "diode":
            return "OL" if value > 2.5 else write(round(value, 3), "V")
        if m.kind == "ac_volts":
            value = abs(value) * self.gain * (1.0 + 0.1 * float(rng.standard_normal()))
            return write(round(value, 1), "V")
        if m.kind == "clamp":
            return write(round(abs(value) * self.gain + CLAMP_SD * float(rng.standard_normal()), 1), "A")
        if m.kind == "amps":
            return write(round(abs(value) * self.gain, 3), "A")
        return write(round(value * self.gain + 0.01 * float(rng.standard_normal()), 2), "V")


Seen = OwnPlayer | NgspicePlayer


class Dozing:
    """A player whose fault comes and goes: it shows in spells, and moving the right place wakes it."""

    def __init__(self, sick: Seen, well: Seen, rng: np.random.Generator, *, shows: bool = True):
        """sick, well: one bike with its fault and without; shows: whether it is there when the job begins."""
        self.sick, self.well = sick, well
        self.rng, self.shows, self.mended = rng, shows, False

    @property
    def slips(self) -> int:
        """How often whoever answered slipped."""
        return sum(p.slips for p in (self.sick, self.well) if isinstance(p, NgspicePlayer))

    @property
    def unsolved(self) -> int:
        """How often ngspice found no operating point for either."""
        return sum(p.unsolved for p in (self.sick, self.well) if isinstance(p, NgspicePlayer))

    def fails(self) -> bool:
        """Whether it is there now."""
        return self.shows and not self.mended

    def back(self) -> bool:
        """Whether whoever tries to bring it back succeeds."""
        self.shows = not self.mended and bool(self.rng.random() < WAKES)
        return self.shows

    def _spell(self) -> None:
        if self.rng.random() < SLEEPS:
            self.shows = bool(self.rng.random() < WAKES)

    def _reached(self, m: Measurement, job: JobState) -> bool:
        """Whether this stir gets at the fault, and what is watched shows it."""
        words = self.sick.predictor.columns(job, [m])[m.id].words
        return words is not None and bool(words[self.sick.index, 1] > 2.0 * STIRRED_BY_CHANCE)

    def answer(self, m: Measurement, job: JobState) -> str:
        if self.mended:
            return self.well.answer(m, job)
        self._spell()
        if m.kind in STIRS:
            if self._reached(m, job) and self.rng.random() < STIRRED_LOOSE:
                self.shows = True
                return "comes_and_goes"
            return "no_change"
        if m.kind == "inspect":  # a look finds it, asleep or not
            return self.sick.answer(m, job)
        told = (self.sick if self.shows else self.well).answer(m, job)
        if m.kind == "observe" and not self.shows and told != self.sick.answer(m, job):
            return "works_now"  # it failed when the bike was brought, and now it does not
        return told

    def again(self, m: Measurement, job: JobState) -> str:
        return (self.sick if self.shows and not self.mended else self.well).again(m, job)

    def truth(self, m: Measurement, job: JobState) -> str:
        return self.well.truth(m, job)

    def cured(self) -> None:
        self.mended = True


def dozing(
    world: BikeWorld,
    truth: Candidate,
    rng: np.random.Generator,
    *,
    shows: bool = True,
    player: str = "own",
    gross: float = 0.0,
) -> Dozing:
    """A bike whose fault comes and goes, played by our own circuit or by ngspice on one bike as built."""
    sound = world.candidates[world.no_fault]
    if player != "ngspice":
        return Dozing(OwnPlayer(world, truth), OwnPlayer(world, sound), rng, shows=shows)
    seed = int(rng.integers(2**32))  # the same tolerances and the same meter, with the fault and without
    sick, well = (NgspicePlayer(world, c, np.random.default_rng(seed), gross) for c in (truth, sound))
    return Dozing(sick, well, rng, shows=shows)


def slipped(m: Measurement, rng: np.random.Generator, of_twelve: float = 1.0) -> str:
    """A wrong answer that looks like an answer: an open lead, or anything in the range.

    of_twelve  the bike's rated volts against 12 V [1]
    """
    if m.choices:
        return str(rng.choice(m.choices))
    if rng.random() < SLIP_OPEN:
        return (
            "OL"
            if m.kind in ("ohms", "diode")
            else write(round(abs(0.02 * float(rng.standard_normal())), 2), m.unit)
        )
    if m.kind == "ohms":
        return write(float(f"{math.exp(rng.uniform(math.log(0.1), math.log(1e6))):.3g}"), "ohm")
    top = {"amps": 8.0, "clamp": 30.0, "ac_volts": 100.0, "diode": 2.0}.get(m.kind, 13.5 * of_twelve)
    return write(round(float(rng.uniform(0.0, top)), 2), m.unit)
