"""A bike under every candidate, solved in whatever condition is asked for: found state first, then lazily.

Fourth arrow of the flow, its physical half. All missing conditions of a call are solved in one batch.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.bike.acting import fault_edits_in
from diagnose.bike.build import (
    Build,
    ac_edits,
    charge_fraction,
    condition_edits,
    engine_rpm,
    hanging,
    node_of_point,
)
from diagnose.bike.currents import Service, battery_rests, is_lit
from diagnose.bike.dynamo import HELD, PER_1000RPM, armature_volts
from diagnose.bike.lit import at_right_angles
from diagnose.bike.model import Candidate, Condition, JobState
from diagnose.catalogue.model import Instrument
from diagnose.circuit.netlist import Case, Change, Edit, Force
from diagnose.circuit.solve import Solution, Start, compile_netlist, settle_cases

KEPT_SOLUTIONS = 32  # a solved condition of 500 candidates takes some 10 MB; columns are what is kept

# 'dc', 'ac' (windings drive it) or 'ac@DEGREES' of the turn, 'dead' (battery off, for ohms), 'dark' (between
# two flashes), 'found' (before any damage); of an excited alternator 'silent' (turning, giving nothing) and
# 'full' (giving all it can); 'sound_dynamo' (a dynamo giving what a sound one does)
Mode = str

# A regulator that senses elsewhere is followed in rounds: each raises the output by what is missing there.
SENSE_ROUNDS = 3
# [1] of a sound winding's AC volts: fewer than these never lift a diode above the battery (estimate). What
# comes through leaks to a plug that is off is far below it.
CHARGES_FROM = 0.05
# An alternator at full field drives its battery to some 16 to 18 V (owners' forum guide: above 15.5 to 16 V
# is runaway); as a share of the volts it should hold. Estimate.
SENSE_MOST = 1.25


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """The bike as the user meets it: what each candidate has already done.

    opened, latched  device id -> (n_candidates,) bool
    """

    opened: Mapping[str, np.ndarray]
    latched: Mapping[str, np.ndarray]

    def only(self, keep: np.ndarray) -> Found:
        """The same for a part of the candidates. keep (n_candidates,) bool."""
        return Found(
            {d: m[keep] for d, m in self.opened.items()}, {d: m[keep] for d, m in self.latched.items()}
        )


Solved = Mapping[tuple[JobState, str, Mode], Solution]  # by job state, condition and mode


class Situations:
    """Operating points of one bike for one list of candidates; hides only caches."""

    def __init__(
        self,
        built: Build,
        service: Service,
        candidates: Sequence[Candidate],
        instruments: Mapping[str, Instrument],
        latent_sd: np.ndarray | None = None,
        found: Found | None = None,
        solved: Solved | None = None,
    ):
        """solved: what another list of this bike's candidates has solved, already cut to these."""
        self.latent_sd = latent_sd
        self.built = built
        self.service = service
        self.candidates = tuple(candidates)
        self.instruments = instruments
        self._solved: dict[tuple[JobState, str, Mode], Solution] = dict(solved or {})
        known = next(iter(self._solved.values()), None)
        self.compiled = known.compiled if known is not None else compile_netlist(built.netlist)
        self.healthy = next(i for i, c in enumerate(self.candidates) if not c.is_fault)
        self._found: Found | None = found
        self._charge: dict[tuple[JobState, str], np.ndarray] = {}
        self._raised: dict[tuple[JobState, str], np.ndarray] = {}
        self._own_edits = tuple(tuple(e for f in c.faults for e in f.edits) for c in self.candidates)
        # only changed values can mean something else in the AC circuit or at other revolutions
        self._alike_everywhere = [not any(isinstance(e, Change) for e in own) for own in self._own_edits]
        self._used: Solution | None = None  # in use until something blew, condition after condition
        self._sound: dict[tuple[str, Mode], Solution] = {}
        self._started: dict[tuple[str, ...], list[tuple[tuple[str, int], ...]]] = {}

    # ---- cases ---------------------------------------------------------------------------------

    def _fault_edits(self, index: int, job: JobState) -> tuple[Edit, ...]:
        if not job.done:
            return self._own_edits[index]
        cured = set(job.done)
        faults = self.candidates[index].faults
        return tuple(e for f in faults if not cured.intersection(f.repairs) for e in f.edits)

    def _states(self, job: JobState) -> Sequence[tuple[tuple[str, int], ...]]:
        """What each candidate's devices start in: what had blown and was not renewed, what had latched."""
        if self._found is None:
            return [()] * len(self.candidates)  # finding out what has blown
        if job.renewed not in self._started:
            out: list[tuple[tuple[str, int], ...]] = [()] * len(self.candidates)
            found = [
                (d, 1, m) for d, m in self._found.opened.items() if d.partition(".")[0] not in job.renewed
            ]
            for device, state, mask in (*found, *((d, 2, m) for d, m in self._found.latched.items())):
                for i in np.flatnonzero(mask).tolist():
                    out[i] += ((device, state),)
            self._started[job.renewed] = out
        return self._started[job.renewed]

    def _cases(
        self,
        job: JobState,
        condition: Condition,
        mode: Mode,
        rows: Sequence[int] | None = None,
        raised: np.ndarray | None = None,
    ) -> list[Case]:
        """The netlist cases of candidates in a condition.

        rows    of these only
        raised  (n_candidates,) volts more that a regulator holds at its output, where it is known. [V]
        """
        base = condition_edits(self.built, condition, job)
        if mode == "silent":
            base = base + tuple(Change(e, "max_current", 0.0) for e in self.built.generators)
        if mode == "dead":
            base = condition_edits(self.built, replace(condition, battery=False, engine="off"), job)
        if mode == "dark":
            base = base + tuple(
                Force(e, 0) if f.driven else Change(e, "closed", 0.0) for e, f in self.built.flashers.items()
            )
        alternating, angle = mode.startswith("ac"), angle_of(mode)
        if alternating:
            base = base + ac_edits(self.built, condition, angle)
        charge = None
        if mode == "dc" and condition.engine not in ("off", "cranking") and self.built.generators:
            charge = self.charge_share(job, condition)
            if self.built.sensed and raised is None:
                raised = self.sense_raise(job, condition)
        field = self.field_share(job, condition) if alternating and self.built.excited else None
        idle: dict[str, np.ndarray] = {}
        if mode == "dc" and condition.engine != "off" and self.built.triggers:
            idle = self.untriggered(job, condition)
        made: dict[str, np.ndarray] = {}
        if mode == "dc" and condition.engine != "off" and self.built.dynamos:
            made = self.dynamo_volts(job, condition)
        apart = [j for j in (*condition.apart, *job.apart) if j in self.built.spec.wires]
        states = self._states(job)
        unworked = battery_rests(self.built, self.service, condition)
        cases = []
        for i in range(len(self.candidates)) if rows is None else rows:
            own = self._fault_edits(i, job)
            if not self._alike_everywhere[i]:
                own = fault_edits_in(
                    self.built, own, condition, alternating=alternating, angle=angle, unworked=unworked
                )
            if apart:
                own = hanging(self.built, own, apart)
            if charge is not None:
                own += self._weakened_charge(condition, float(charge[i]), own)
            if raised is not None:
                own += tuple(
                    Change(e, "regulated_volts", self._held(e, (*base, *own)) + float(raised[i]))
                    for e in self.built.generators
                )
            if field is not None and field[i] < 1.0:
                own += tuple(
                    Change(e, "emf", _last((*base, *own), e, "emf", 0.0) * float(field[i]))
                    for e in self.built.excited
                )
            for e, mask in idle.items():
                if mask[i]:
                    own += (Change(e, "closed", 0.0),)
            own += tuple(Change(e, "emf", float(volts[i])) for e, volts in made.items())
            cases.append(Case(own, states[i], base))
        if mode != "ac" or not self.built.reactances:
            return cases
        more = at_right_angles(self.built, self.compiled, cases, condition)
        return [Case((*c.edits, *e), c.states, c.given) for c, e in zip(cases, more, strict=True)]

    def _weakened_charge(self, condition: Condition, share: float, edits: Sequence[Edit]) -> tuple[Edit, ...]:
        """The alternator's AC side limits what its rectifier can deliver; a dead regulator stays dead."""
        fraction = charge_fraction(engine_rpm(self.built.spec, condition.engine))
        out: list[Edit] = []
        for element, full in self.built.generators.items():
            current = full * fraction
            for e in edits:
                if isinstance(e, Change) and e.target == element and e.param == "max_current":
                    current = min(current, e.value)
            out.append(Change(element, "max_current", current * share))
        return tuple(out)

    def _held(self, generator: str, edits: Sequence[Edit]) -> float:
        """Volts that a regulator holds in a case. [V]"""
        return _last(
            edits, generator, "regulated_volts", self.built.elements[generator].values["regulated_volts"]
        )

    def field_share(self, job: JobState, condition: Condition) -> np.ndarray:
        """(n_candidates,) AC volts of an excited alternator against a sound one's, by its field [1].

        It wakes only where the field gets some volts before it gives any (the charge lamp's current does
        that); awake, its volts follow what current the field then draws.
        """
        if condition.engine == "off":
            return np.ones(len(self.candidates))
        silent, full = (self.solution(job, condition, mode) for mode in ("silent", "full"))
        share = np.ones(len(self.candidates))
        for field, least in self.built.excited.values():
            amperes = np.abs(full.current(field))
            sound = max(float(amperes[self.healthy]), 1e-9)
            awake = np.abs(silent.across(field)) >= least
            share = np.minimum(share, awake * np.clip(amperes / sound, 0.0, 1.0))
        return share

    def sense_raise(self, job: JobState, condition: Condition) -> np.ndarray:
        """(n_candidates,) volts by which a regulator that senses elsewhere raises its output, 0 and more. [V]

        It holds its volts, less its own droop, at the sensed terminal: so its output stands higher in the
        ratio of the two, up to what the machine can drive.
        """
        key = (job, condition.text)
        if key not in self._raised:
            raised = np.zeros(len(self.candidates))
            for _ in range(SENSE_ROUNDS):
                cases = self._cases(job, condition, "dc", raised=raised)
                here = settle_cases(self.compiled, cases)
                for generator, (plus, minus) in self.built.sensed.items():
                    held = np.array([self._held(generator, c.every_edit) for c in cases]) - raised
                    ohms = self.built.elements[generator].values["resistance"]
                    droop = np.abs(here.current(generator)) * ohms
                    ratio = np.abs(here.across(generator)) / np.maximum(
                        np.abs(here.between(plus, minus)), 1e-3
                    )
                    raised = np.clip((held - droop) * (ratio - 1.0), 0.0, (SENSE_MOST - 1.0) * held)
            self._raised[key] = raised
        return self._raised[key]

    def dynamo_volts(self, job: JobState, condition: Condition) -> dict[str, np.ndarray]:
        """Armature -> (n_candidates,) volts it makes: by its own faults, its field and its regulator's coil.

        The charge function's needs say where both are felt: volts of the field are worse when less, those of
        the coil (`below: false`) hold the dynamo down.
        """
        sound = self.solution(job, condition, "sound_dynamo")
        shares = {True: np.ones(sound.size), False: np.ones(sound.size)}
        for f in self.built.spec.functions.values():
            for need in f.needs if f.kind == "charge" else ():
                if need.quantity == "volts":
                    volts = np.abs(_between(self.built, sound, need.plus, need.minus))
                    shares[need.below] = volts / max(float(volts[self.healthy]), 1e-9)
        out: dict[str, np.ndarray] = {}
        for element, d in self.built.dynamos.items():
            own = {
                p: self._changed(element, p, v, job)
                for p, v in ((PER_1000RPM, d.per_1000rpm), (HELD, d.held))
            }
            rpm = engine_rpm(self.built.spec, condition.engine)
            out[element] = d.sign * armature_volts(
                own[PER_1000RPM], own[HELD], rpm, shares[True], shares[False]
            )
        return out

    def _changed(self, element: str, param: str, sound: float, job: JobState) -> np.ndarray:
        """(n_candidates,) a value that is no part of the netlist, under each candidate's faults."""
        out = np.full(len(self.candidates), sound)
        for i in range(len(self.candidates)):
            for e in self._fault_edits(i, job):
                if isinstance(e, Change) and e.target == element and e.param == param:
                    out[i] = e.value
        return out

    def untriggered(self, job: JobState, condition: Condition) -> dict[str, np.ndarray]:
        """Contact -> (n_candidates,) bool: its trigger gives too few AC volts, so it stays open.

        What an igniter without its pickup does: with the engine turning it never feeds its coil.
        """
        out: dict[str, np.ndarray] = {}
        for element, (plus, minus, least) in self.built.triggers.items():
            parts = [self.solution(job, condition, mode).between(plus, minus) for mode in self.ac_modes()]
            out[element] = np.sqrt(np.sum(np.square(parts), axis=0)) < least
        return out

    def driven(self, job: JobState, condition: Condition) -> tuple[Solution, ...]:
        """Operating points that heat a filament: the direct one, and with a lighting winding the other."""
        return tuple(self.solution(job, condition, mode) for mode in self._modes(condition))

    def _modes(self, condition: Condition) -> tuple[Mode, ...]:
        return ("dc", "ac") if is_lit(self.built, condition) else ("dc",)

    def ac_modes(self) -> tuple[Mode, ...]:
        """Solutions that make up AC volts: one, or with a many-phase alternator two at right angles."""
        return ("ac", "ac@90") if self.built.phases else ("ac",)

    def charge_share(self, job: JobState, condition: Condition) -> np.ndarray:
        """(n_candidates,) share of the healthy AC volts that reach the regulator [1]; 0 for too few."""
        key = (job, condition.text)
        if key not in self._charge:
            share = np.ones(len(self.candidates))
            for f in self.built.spec.functions.values():
                for need in f.needs if f.kind == "charge" else ():
                    if need.quantity != "ac_volts":
                        continue
                    parts = [
                        _between(self.built, self.solution(job, condition, mode), need.plus, need.minus)
                        for mode in self.ac_modes()
                    ]
                    volts = np.sqrt(np.sum(np.square(parts), axis=0))
                    share = np.minimum(share, volts / max(float(volts[self.healthy]), 1e-9))
            self._charge[key] = np.where(share < CHARGES_FROM, 0.0, np.clip(share, 0.0, 1.0))
        return self._charge[key]

    # ---- solving -------------------------------------------------------------------------------

    def solution(self, job: JobState, condition: Condition, mode: Mode = "dc") -> Solution:
        """Every candidate's operating point in a condition; (n_nodes, n_candidates) inside."""
        self.prepare(job, [(condition, mode)])
        return self._solved[(job, condition.text, mode)]

    def prepare(self, job: JobState, wanted: Iterable[tuple[Condition, Mode]]) -> None:
        """Solve what is missing of these in one batch: one call for many conditions costs far less."""
        self.found()
        missing: dict[tuple[str, Mode], Condition] = {}
        for condition, mode in wanted:
            if (job, condition.text, mode) not in self._solved:
                missing.setdefault((condition.text, mode), condition)
        if not missing:
            return
        cases: list[Case] = []
        like: list[tuple[Solution | None, np.ndarray]] = []
        for (_, mode), condition in missing.items():
            base, rows = self._like_in_use(job, condition, mode)
            like.append((base, rows))
            cases.extend(self._cases(job, condition, mode, rows.tolist()))
        only = next(iter(missing.items())) if len(missing) == 1 else None
        start = self._start(only[1], only[0][1]) if only else None
        if start is not None:
            start = Start(start.solution, start.columns[like[0][1]])
        whole = settle_cases(self.compiled, cases, start)
        first = 0
        for (text, mode), (base, rows) in zip(missing, like, strict=True):
            while len(self._solved) >= max(KEPT_SOLUTIONS, len(missing)):
                self._solved.pop(next(iter(self._solved)))
            own = np.arange(first, first + len(rows))
            first += len(rows)
            part = whole if len(missing) == 1 else whole.take(own)
            part = part if base is None else base.replaced(rows, part)
            self._solved[(job, text, mode)] = self._settled(part)

    def _settled(self, solution: Solution) -> Solution:
        """What is kept of a solved condition: all of it."""
        return solution

    def _like_in_use(
        self, job: JobState, condition: Condition, mode: Mode
    ) -> tuple[Solution | None, np.ndarray]:
        """The condition as it was while the bike was used, and the candidates that have changed since.

        Nothing has for a candidate that blew nothing, as long as no alternator charges.
        """
        everyone = np.arange(len(self.candidates))
        if self._used is None or mode != "dc" or job != JobState():
            return None, everyone
        if condition.engine not in ("off", "cranking") or condition not in self.service.conditions:
            return None, everyone
        if condition.engine != "off" and self.built.dynamos:
            return None, everyone
        changed = np.zeros(len(everyone), dtype=bool)
        for mask in (*self.found().opened.values(), *self.found().latched.values()):
            changed |= mask
        if condition.engine != "off":
            for mask in self.untriggered(job, condition).values():
                changed |= mask
        base = self._used.take(self.service.conditions.index(condition) * len(everyone) + everyone)
        return base, np.flatnonzero(changed)

    def sound(self, condition: Condition, mode: Mode = "dc") -> Solution:
        """The sound bike alone, as brought in; one case."""
        key = (condition.text, mode)
        if key not in self._sound:
            among = self._solved.get((JobState(), *key))
            if among is not None:
                own = among.take(np.array([self.healthy]))
            else:
                (case,) = self._cases(JobState(), condition, mode, [self.healthy])
                own = self._settled(settle_cases(self.compiled, [case]))
            self._sound[key] = own
        return self._sound[key]

    def sound_driven(self, condition: Condition) -> tuple[Solution, ...]:
        """As `driven`, of the sound bike alone."""
        return tuple(self.sound(condition, mode) for mode in self._modes(condition))

    def solved_for(self, keep: np.ndarray) -> Solved:
        """Everything solved so far of some of the candidates. keep (n_candidates,) bool."""
        return {key: solution.take(np.flatnonzero(keep)) for key, solution in self._solved.items()}

    def bare_cases(
        self, job: JobState, condition: Condition, mode: Mode = "dc"
    ) -> tuple[list[Case], Start | None]:
        """Every candidate's case in a condition, to be solved with an instrument in it, and a start."""
        self.found()
        return self._cases(job, condition, mode), self._start(condition, mode)

    def _start(self, condition: Condition, mode: Mode) -> Start | None:
        """The solved condition most like this one: where Newton's method begins is no matter of result."""
        best: tuple[int, Solution] | None = None
        wanted = set(condition.controls)
        for (_, text, other), solution in self._solved.items():
            if other != mode:
                continue
            near = -len(wanted.symmetric_difference(tuple(p.split("=")) for p in text.split(",") if p))
            if best is None or near > best[0]:
                best = (near, solution)
        return Start(best[1], np.arange(len(self.candidates))) if best else None

    def found(self) -> Found:
        """Use the bike in every condition of its functions; keep what opened or latched on the way."""
        if self._found is None:
            conditions = self.service.conditions
            cases = [c for condition in conditions for c in self._cases(JobState(), condition, "found")]
            used = settle_cases(self.compiled, cases)
            shape = (len(conditions), len(self.candidates))
            opened: dict[str, np.ndarray] = {}
            latched: dict[str, np.ndarray] = {}
            for device in self.built.netlist.devices:
                if device.law not in ("fuse", "output"):
                    continue
                target, value = (opened, 1) if device.law == "fuse" else (latched, 2)
                mask = (used.state(device.id) == value).reshape(shape).any(axis=0)
                if mask.any():
                    target[device.id] = mask
            self._used, self._found = used, Found(opened, latched)
        return self._found

    def solutions(self) -> tuple[Solution, ...]:
        """Everything solved so far."""
        return tuple(self._solved.values())

    def as_new(self) -> None:
        """Take the bike as not used since the fault came: nothing has blown or latched yet."""
        self._found = Found({}, {})
        self._started.clear()

    def found_of(self, index: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """(fuses found blown, outputs found latched off) of one candidate; component ids, outputs."""
        found = self.found()
        opened = tuple(sorted(d.partition(".")[0] for d, mask in found.opened.items() if mask[index]))
        latched = tuple(sorted(d for d, mask in found.latched.items() if mask[index]))
        return opened, latched

    def case(self, job: JobState, condition: Condition, mode: Mode, index: int) -> Case:
        """The netlist case behind one prediction."""
        self.found()
        return self._cases(job, condition, mode)[index]


def angle_of(mode: Mode) -> float:
    """Degrees of the turn at which an AC solution is taken; 0 where the mode names none."""
    return float(mode.partition("@")[2] or 0.0)


def _last(edits: Sequence[Edit], target: str, param: str, default: float) -> float:
    """A value as the last of these edits leaves it."""
    found = default
    for e in edits:
        if isinstance(e, Change) and e.target == target and e.param == param:
            found = e.value
    return found


def _between(built: Build, solution: Solution, plus: str, minus: str) -> np.ndarray:
    return solution.between(node_of_point(built.spec, plus), node_of_point(built.spec, minus))
