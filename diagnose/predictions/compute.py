"""Fill the table: solve the bike under every candidate, read every instrument, round once.

Fourth arrow of the flow. Lazy: only the conditions that the next questions need are solved, all missing
ones of a call in one batch; results are kept in memory and, for the bike as brought in, on disk
(`predictions.store`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.bike.build import (
    Build,
    ac_edits,
    charge_fraction,
    condition_edits,
    engine_rpm,
    fault_edits_in,
    node_of_point,
)
from diagnose.bike.currents import Service, as_condition, need_condition
from diagnose.bike.model import Candidate, Condition, JobState, Measurement
from diagnose.catalogue.model import Function, Instrument
from diagnose.circuit.netlist import Case, Change, Edit
from diagnose.circuit.solve import Solution, Start, compile_netlist, settle_cases
from diagnose.circuit.thevenin import thevenin
from diagnose.predictions import effects
from diagnose.predictions.outcomes import with_outcomes
from diagnose.predictions.readings import read_group
from diagnose.predictions.table import Column

HARMLESS_VOLTS = 0.02  # V: no meter of the trade shows less for certain on its 20 V range
HARMLESS_WORDS = 0.02
GROUPS_AT_ONCE = 12  # groups of measurements whose conditions are solved in one batch
KEPT_SOLUTIONS = 32  # a solved condition of 500 candidates takes some 10 MB; columns are what is kept
FLICKER_SHARE = 0.3  # share of its volts that a thing must gain and lose to be seen to flicker or chatter

# 'dc', 'ac' (windings drive it) or 'ac@DEGREES' of the turn, 'dead' (battery off, for ohms), 'dark' (between
# two flashes), 'found' (before any damage)
Mode = str


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


class Predictor:
    """Predictions of one bike for one list of candidates; hides only caches, answers are frozen."""

    def __init__(
        self,
        built: Build,
        service: Service,
        candidates: Sequence[Candidate],
        instruments: Mapping[str, Instrument],
        latent_sd: np.ndarray | None = None,
        found: Found | None = None,
    ):
        self.latent_sd = latent_sd
        self.built = built
        self.service = service
        self.candidates = tuple(candidates)
        self.instruments = instruments
        self.compiled = compile_netlist(built.netlist)
        self.healthy = next(i for i, c in enumerate(self.candidates) if not c.is_fault)
        self._solved: dict[tuple[JobState, str, Mode], Solution] = {}
        self._found: Found | None = found
        self._charge: dict[tuple[JobState, str], np.ndarray] = {}
        self._columns: dict[tuple[JobState, str], Column] = {}
        self._parts: dict[bytes, Predictor] = {}
        self._own_edits = tuple(tuple(e for f in c.faults for e in f.edits) for c in self.candidates)
        # only changed values can mean something else in the AC circuit or at other revolutions
        self._alike_everywhere = [not any(isinstance(e, Change) for e in own) for own in self._own_edits]
        self._used: np.ndarray | None = None

    # ---- cases ---------------------------------------------------------------------------------

    def _fault_edits(self, index: int, job: JobState) -> tuple[Edit, ...]:
        if not job.done:
            return self._own_edits[index]
        cured = set(job.done)
        faults = self.candidates[index].faults
        return tuple(e for f in faults if not cured.intersection(f.repairs) for e in f.edits)

    def _states(self, index: int, job: JobState) -> tuple[tuple[str, int], ...]:
        if self._found is None:
            return ()  # finding out what has blown
        renewed = set(job.renewed)
        out = []
        for device, mask in self._found.opened.items():
            if mask[index] and device.partition(".")[0] not in renewed:
                out.append((device, 1))
        for device, mask in self._found.latched.items():
            if mask[index]:
                out.append((device, 2))
        return tuple(out)

    def _cases(self, job: JobState, condition: Condition, mode: Mode) -> list[Case]:
        base = condition_edits(self.built, condition, job)
        if mode == "dead":
            base = condition_edits(self.built, replace(condition, battery=False, engine="off"), job)
        if mode == "dark":
            base = base + tuple(Change(e, "closed", 0.0) for e in self.built.flashers)
        alternating, angle = mode.startswith("ac"), angle_of(mode)
        if alternating:
            base = base + ac_edits(self.built, condition, angle)
        charge = None
        if mode == "dc" and condition.engine not in ("off", "cranking") and self.built.generators:
            charge = self.charge_share(job, condition)
        cases = []
        for i in range(len(self.candidates)):
            own = self._fault_edits(i, job)
            if not self._alike_everywhere[i]:
                own = fault_edits_in(self.built, own, condition, alternating=alternating, angle=angle)
            edits = base + own
            if charge is not None:
                edits += self._weakened_charge(condition, float(charge[i]), edits)
            cases.append(Case(edits, self._states(i, job)))
        return cases

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

    def charge_share(self, job: JobState, condition: Condition) -> np.ndarray:
        """(n_candidates,) share of the healthy AC volts that reach the regulator [1]."""
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
            self._charge[key] = np.clip(share, 0.0, 1.0)
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
        for (_, mode), condition in missing.items():
            cases.extend(self._cases(job, condition, mode))
        only = next(iter(missing.items())) if len(missing) == 1 else None
        start = self._start(only[1], only[0][1]) if only else None
        whole = settle_cases(self.compiled, cases, start)
        n = len(self.candidates)
        for k, (text, mode) in enumerate(missing):
            while len(self._solved) >= max(KEPT_SOLUTIONS, len(missing)):
                self._solved.pop(next(iter(self._solved)))
            part = whole if len(missing) == 1 else whole.take(k * n, (k + 1) * n)
            self._solved[(job, text, mode)] = part

    def bare_cases(self, job: JobState, condition: Condition) -> tuple[list[Case], Start | None]:
        """Every candidate's case in a condition, to be solved with an instrument in it, and a start."""
        self.found()
        return self._cases(job, condition, "dc"), self._start(condition, "dc")

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
            self._used = used.volts.reshape(len(used.nodes), *(len(conditions), len(self.candidates)))
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
            self._found = Found(opened, latched)
        return self._found

    def changes_something(self) -> np.ndarray:
        """(n_candidates,) bool: the candidate moves some node, some word, or is no matter of circuits.

        A chafe of a ground wire against the frame, a leak beside a lamp: real, and without effect. Such
        faults are left out of a job, which could neither see them nor be caused by them.
        """
        self.found()
        assert self._used is not None
        reference = self._used[:, :, self.healthy]
        moved = np.abs(self._used - reference[:, :, None]).max(axis=(0, 1)) > HARMLESS_VOLTS
        for c_index, c in enumerate(self.candidates):
            if not c.is_fault or not any(f.edits for f in c.faults):
                moved[c_index] = True
        for mask in (*self.found().opened.values(), *self.found().latched.values()):
            moved |= mask
        for f in self.built.spec.functions.values():
            condition = as_condition(self.built, f.when)
            words = self.function_words(JobState(), f.id, condition)
            moved |= np.abs(words - words[self.healthy]).max(axis=1) > HARMLESS_WORDS
        return moved

    def solutions(self) -> tuple[Solution, ...]:
        """Everything solved so far."""
        return tuple(self._solved.values())

    def as_new(self) -> None:
        """Take the bike as not used since the fault came: nothing has blown or latched yet."""
        self._found = Found({}, {})

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

    # ---- functions -----------------------------------------------------------------------------

    def function_words(self, job: JobState, function: str, condition: Condition) -> np.ndarray:
        """(n_candidates, n_words) what the function does in a condition; words of bike.acts."""
        f = self.built.spec.functions[function]
        own = as_condition(self.built, f.when)
        reference_job = JobState()
        if f.kind in ("spark", "stop"):
            return self._need_words(job, f, condition)
        here = self.solution(job, condition)
        healthy = self.solution(reference_job, own)
        match f.kind:
            case "light":
                shares = self._light_shares(f, here, healthy)
                return effects.light_words(shares.min(axis=0))
            case "sound":
                return effects.sound_words(self._current_share(f.element, here, healthy))
            case "unit":
                awake = here.state(self._device_of(f.element)) > 0
                return effects.unit_words(awake, self._comes_and_goes(f.element, here))
            case "starter":
                return self._starter_words(f, job, condition, here, healthy)
            case "flash":
                shares = self._light_shares(f, here, healthy)
                current = np.mean([self._current_share(e, here, healthy) for e in f.elements], axis=0)
                steady = self._lit_between_flashes(f, job, condition, healthy)
                stalls = bool(self.built.flashers)
                return effects.flash_words(shares, current, self._counts_load() or stalls, steady, stalls)
            case "charge":
                return effects.grade(self._charging_share(condition), effects.CHARGE_EDGES)
        raise ValueError(f"function {function} has kind {f.kind!r}")

    def _charging_share(self, condition: Condition) -> np.ndarray:
        """(n_candidates,) how far charging lifts the posts at 5000 rpm, against a sound bike [1]."""
        job = JobState()
        plus, minus = (
            self.built.spec.nodes[self.built.spec.body[r]] for r in ("battery_plus", "battery_minus")
        )
        running = self.solution(job, replace(condition, engine="5000")).between(plus, minus)
        standing = self.solution(job, replace(condition, engine="off")).between(plus, minus)
        lift = running - standing[self.healthy]
        return np.clip(lift / max(float(lift[self.healthy]), 0.1), 0.0, None)

    def _lit_between_flashes(
        self, f: Function, job: JobState, condition: Condition, healthy: Solution
    ) -> np.ndarray:
        """(n_candidates,) bool: some lamp burns although the flasher's contact is open."""
        if not self.built.flashers:
            return np.zeros(len(self.candidates), dtype=bool)
        dark = self._light_shares(f, self.solution(job, condition, "dark"), healthy)
        return dark.max(axis=0) > effects.LIGHT_EDGES[1]

    def ac_modes(self) -> tuple[Mode, ...]:
        """Solutions that make up AC volts: one, or with a many-phase alternator two at right angles."""
        return ("ac", "ac@90") if self.built.phases else ("ac",)

    def _counts_load(self) -> bool:
        return any(d.law == "output" for d in self.built.netlist.devices)

    def _device_of(self, element: str) -> str:
        return next(d.id for d in self.built.netlist.devices if element in d.roles.get("element", ()))

    def _light_shares(self, f: Function, here: Solution, healthy: Solution) -> np.ndarray:
        """(n_lamps, n_candidates) light of each lamp against a sound bike's."""
        shares = []
        for element in f.elements:
            e = self.built.elements[element]
            if e.law == "lamp":
                # by watts, not volts: supply volts stand across a broken filament too
                watts = np.abs(here.across(element) * here.current(element))
                full = abs(float((healthy.across(element) * healthy.current(element))[self.healthy]))
                shares.append((watts / max(full, 1e-6)) ** effects.LIGHT_OF_WATTS)
            elif e.law == "electronic":
                awake = here.state(self._device_of(element)) > 0
                shares.append(awake.astype(float))
            else:
                shares.append(self._current_share(element, here, healthy))
        return np.array(shares)

    def _current_share(self, element: str, here: Solution, healthy: Solution) -> np.ndarray:
        amperes = np.abs(here.current(element))
        full = abs(float(healthy.current(element)[self.healthy]))
        return amperes / max(full, 1e-9)

    def _starter_words(
        self, f: Function, job: JobState, condition: Condition, here: Solution, healthy: Solution
    ) -> np.ndarray:
        turning = here.state(self._device_of(f.element)) == 1
        volts = np.abs(here.across(f.element))
        full = abs(float(healthy.across(f.element)[self.healthy]))
        rest = self.solution(job, Condition())
        pulled = np.zeros(len(self.candidates), dtype=bool)
        for d in self.built.netlist.devices:
            if d.law == "relay" and f.element.partition(".")[0] != d.id.partition(".")[0]:
                woke = healthy.state(d.id)[self.healthy] == 1
                asleep = self.service_state(d.id, condition) == 0
                if woke and asleep:
                    pulled |= (here.state(d.id) == 1) & (rest.state(d.id) == 0)
        chatters = self._comes_and_goes(f.element, here)
        return effects.starter_words(turning, volts / max(full, 1e-6), pulled, chatters)

    def _comes_and_goes(self, element: str, here: Solution) -> np.ndarray:
        """(n_candidates,) bool: its volts differ between the phases of a loop that never rests."""
        out = np.zeros(here.size, dtype=bool)
        e = self.built.elements[element]
        plus, minus = here.row(e.plus), here.row(e.minus)
        for column in np.flatnonzero(here.restless):
            phases = here.phases(int(column))
            across = np.abs(phases[:, plus] - phases[:, minus])
            out[column] = across.max() - across.min() > FLICKER_SHARE * max(across.max(), 1.0)
        return out

    def service_state(self, device: str, condition: Condition) -> int:
        """State of a device on the sound bike with the last-pressed control released."""
        momentary = Condition(tuple(p for p in condition.controls if p[1] != "pressed"))
        solution = self.solution(JobState(), momentary)
        return int(solution.state(device)[self.healthy])

    def _need_words(self, job: JobState, f: Function, condition: Condition) -> np.ndarray:
        words = []
        for need in f.needs:
            here = need_condition(self.built, need, condition)
            modes = {"ac_volts": self.ac_modes(), "ohms": ("dead",)}.get(need.quantity, ("dc",))
            plus = node_of_point(self.built.spec, need.plus)
            minus = node_of_point(self.built.spec, need.minus)
            seen = [thevenin(self.solution(job, here, mode), plus, minus) for mode in modes]
            value = seen[0][1] if need.quantity == "ohms" else np.sqrt(sum(v**2 for v, _ in seen))
            words.append(effects.need_words(value, need.weak, need.dead, need.below))
        return effects.worst_of(words) if f.kind == "spark" else effects.stop_words(words)

    # ---- columns -------------------------------------------------------------------------------

    def columns(self, job: JobState, measurements: Sequence[Measurement]) -> dict[str, Column]:
        """Column of each measurement, by id.

        What was repaired needs no new solution: the candidates it cures are out of question. What was
        renewed concerns only the candidates that had blown it, and only those are solved again.
        """
        job = replace(job, done=(), said=())
        if job.renewed:
            return self._renewed_columns(job, measurements)
        return self._plain_columns(job, measurements)

    def _renewed_columns(self, job: JobState, measurements: Sequence[Measurement]) -> dict[str, Column]:
        renewed = set(job.renewed)
        masks = [m for d, m in self.found().opened.items() if d.partition(".")[0] in renewed]
        base = self._plain_columns(replace(job, renewed=()), measurements)
        rows = np.flatnonzero(np.any(masks, axis=0)) if masks else np.array([], dtype=int)
        todo = [m for m in measurements if (job, m.id) not in self._columns]
        if len(rows) and todo:
            part = self._part(rows)._plain_columns(job, todo)
            for m in todo:
                merged = _with_rows(base[m.id], part[m.id], rows)
                known = self._without_unmodelled(merged)
                self._columns[(job, m.id)] = with_outcomes(known, latent_sd=self.latent_sd)
        return {m.id: self._columns.get((job, m.id), base[m.id]) for m in measurements}

    def _part(self, rows: np.ndarray) -> Predictor:
        """A predictor of the sound bike and these candidates only."""
        key = rows.tobytes()
        if key not in self._parts:
            keep = np.zeros(len(self.candidates), dtype=bool)
            keep[[self.healthy, *rows]] = True
            chosen = [c for c, k in zip(self.candidates, keep, strict=True) if k]
            self._parts[key] = Predictor(
                self.built, self.service, chosen, self.instruments, self.latent_sd, self.found().only(keep)
            )
        return self._parts[key]

    def known_columns(self) -> dict[str, Column]:
        """Columns computed for the bike as brought in (for the store)."""
        return {m: c for (job, m), c in self._columns.items() if job == JobState()}

    def adopt(self, columns: Mapping[str, Column]) -> None:
        """Take columns that were computed before."""
        for name, column in columns.items():
            self._columns.setdefault((JobState(), name), column)

    def _plain_columns(self, job: JobState, measurements: Sequence[Measurement]) -> dict[str, Column]:
        groups: dict[tuple[str, str], list[Measurement]] = {}
        for m in measurements:
            if (job, m.id) not in self._columns:
                # lamps are solved with the lamp in circuit, all of them in one batch
                groups.setdefault((m.kind, "" if m.kind == "lamp" else m.condition.text), []).append(m)
        ordered = sorted(groups.values(), key=lambda g: (g[0].kind == "lamp", g[0].condition.text))
        for first in range(0, len(ordered), GROUPS_AT_ONCE):
            some = ordered[first : first + GROUPS_AT_ONCE]
            self.prepare(job, [(g[0].condition, mode_of(g[0])) for g in some if self._reads_solution(g[0])])
            for group in some:
                for column in read_group(self, job, group):
                    known = self._without_unmodelled(column)
                    planned = with_outcomes(known, latent_sd=self.latent_sd)
                    self._columns[(job, column.measurement)] = planned
        return {m.id: self._columns[(job, m.id)] for m in measurements}

    def _reads_solution(self, m: Measurement) -> bool:
        """Whether a measurement is read at the bare circuit's own operating point."""
        if m.kind in ("inspect", "lamp", "amps"):
            return False
        if m.kind in ("observe", "count"):
            return self.built.spec.functions[m.what].kind not in ("spark", "stop", "charge")
        return True

    def _without_unmodelled(self, column: Column) -> Column:
        """`unmodelled` predicts nothing: NaN for numbers, every word alike."""
        rows = [i for i, c in enumerate(self.candidates) if c.id == "unmodelled"]
        if not rows:
            return column
        if column.value is not None:
            value = column.value.copy()
            value[rows] = np.nan
            return replace(column, value=value)
        assert column.words is not None
        words = column.words.copy()
        words[rows] = 1.0 / words.shape[1]
        return replace(column, words=words)


def _with_rows(base: Column, part: Column, rows: np.ndarray) -> Column:
    """The base column with these candidates' rows from a part whose first row is the sound bike."""

    def merged(whole: np.ndarray | None, some: np.ndarray | None) -> np.ndarray | None:
        if whole is None or some is None:
            return whole
        out = whole.copy()
        out[rows] = some[1:]
        return out

    return replace(
        base,
        value=merged(base.value, part.value),
        spread=merged(base.spread, part.spread),
        shift=merged(base.shift, part.shift),
        words=merged(base.words, part.words),
    )


def angle_of(mode: Mode) -> float:
    """Degrees of the turn at which an AC solution is taken; 0 where the mode names none."""
    return float(mode.partition("@")[2] or 0.0)


def mode_of(m: Measurement) -> Mode:
    """Which solution of its condition a measurement reads."""
    if m.kind == "ac_volts":
        return "ac"
    if m.kind in ("ohms", "diode"):
        return "dead"
    return "dc"


def _between(built: Build, solution: Solution, plus: str, minus: str) -> np.ndarray:
    return solution.between(node_of_point(built.spec, plus), node_of_point(built.spec, minus))
