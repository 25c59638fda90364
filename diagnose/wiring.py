"""Put the pieces together: a knowledge folder and a bike become the World that a job asks.

Sits below the conversation and above the command line; the only module that knows both physics and the
job's port.
"""

from __future__ import annotations

import copy
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np

from diagnose.bike.acts import measurements
from diagnose.bike.asked import parse_measurement
from diagnose.bike.build import build
from diagnose.bike.candidates import candidates, single_faults
from diagnose.bike.currents import Service, as_condition, need_condition, service
from diagnose.bike.fuse_lamp import fuse_lamps, is_later
from diagnose.bike.mending import repairs
from diagnose.bike.model import Candidate, Condition, Fault, JobState, Measurement, Repair, Wider
from diagnose.bike.swaps import Twins, swaps
from diagnose.bike.view import spoken_of, view
from diagnose.bike.way import Stretch, way
from diagnose.catalogue.differences import Difference
from diagnose.catalogue.model import Library
from diagnose.catalogue.spec import BikeSpec
from diagnose.differing import ELECTRIC, lay_over
from diagnose.errors import UsageError, unknown
from diagnose.predictions.complaints import complaint_chance, how_common, told
from diagnose.predictions.compute import Found, Predictor
from diagnose.predictions.planned import kept, nats
from diagnose.predictions.situations import Solved
from diagnose.predictions.store import Store, key_of
from diagnose.predictions.swapping import twins
from diagnose.predictions.table import Table
from diagnose.ties import in_order
from diagnose.verifying import verify
from diagnose.widening import WideWorld, choose_pairs

# What a job does not know of a sound battery before it is measured: full or half full, warm or cold.
BATTERY_EMF_SD = 0.25  # V of a 12 V battery (estimate: 12.4 to 12.9 V rested)
PLANNED_AT_MOST = 300
LEAST_NATS = 0.001  # a measurement that tells less than this about the plausible suspects is not planned
DIFFERING_KEPT = 3  # of one bike as it was said to be, kept with their predictions
PLANS_KEPT = 64  # lists of what is worth measuring, by complaints, state of the job and kit
WIDE_KEPT = 4  # sets of wider suspects kept with their predictions
SUSPICION = 0.97  # share of the suspicion whose surroundings are worth measuring at
KITS = ("hands", "lamp", "meter", "workshop")


class BikeWorld:
    """The World of one bike (see conversation.world); holds caches, gives out frozen values."""

    def __init__(self, library: Library, spec: BikeSpec, lost: tuple[str, ...] = ()):
        self.library = library
        self.spec = spec
        self.lost = lost  # titles of functions that this bike cannot have, differing as it does
        self.built = build(spec)
        self._key = key_of(spec, library.instruments, library.complaints)
        self._kept = Store(self._key)
        self._lock = threading.RLock()  # predictions may be made ahead by a thread of the session
        self.service = self._kept_service()
        self.faults = single_faults(self.built, self.service)
        matters, found, solved = self._kept_found(self.faults)
        self.harmless = tuple(f.id for f, m in zip(self.faults, matters[1:-1], strict=True) if not m)
        chosen = [f for f, m in zip(self.faults, matters[1:-1], strict=True) if m]
        self.candidates: tuple[Candidate, ...] = candidates(chosen)
        self.prior = np.array([c.prior for c in self.candidates])
        self.no_fault = 0
        self.unmodelled = len(self.candidates) - 1
        self.latent_sd = np.array([BATTERY_EMF_SD * spec.of_twelve])
        self.predictor = Predictor(
            self.built,
            self.service,
            self.candidates,
            library.instruments,
            self.latent_sd,
            found,
            solved,
            graded=True,
        )
        self._kept.save()
        self.view = view(
            self.built, library.complaints, library.instruments, fuse_lamps(self.built, self.service)
        )
        self.repairs: dict[str, Repair] = repairs(self.built, self.faults)
        self._wide: dict[Wider, WideWorld] = {}
        self._drawn: BikeWorld | None = None  # the bike that this one differs from
        self._differing: dict[str, BikeWorld] = {}
        self._cures: dict[str, np.ndarray] = {}
        self._chances: dict[str, np.ndarray] = {}
        self._plans: dict[tuple[tuple[str, ...], JobState, str, bool], tuple[str, ...]] = {}

    @property
    def singles(self) -> int:
        """How many of the candidates are single faults (with `no_fault` and `unmodelled`): here all."""
        return len(self.candidates)

    def store(self, *names: Any) -> Store:
        """What is kept on disk of this bike, as it is and by this program, under these names."""
        return Store(key_of(self._key, *names))

    def _kept_service(self) -> Service:
        """The sound bike in use, from the store or computed."""
        texts, numbers = self._kept.value("service.conditions"), self._kept.value("service.numbers")
        volts, currents = self._kept.get("service.volts"), self._kept.get("service.currents")
        lit = self._kept.get("service.ac_volts"), self._kept.get("service.ac_currents")
        if texts is not None and numbers is not None and volts is not None and currents is not None:
            conditions = tuple(as_condition(self.built, t) for t in texts)
            ohms, amperes, best, nodes = numbers
            if lit[0] is not None and lit[1] is not None:
                return Service(conditions, ohms, amperes, best, nodes, volts, currents, lit[0], lit[1])
        own = service(self.built)
        self._kept.put_value("service.conditions", [c.text for c in own.conditions])
        self._kept.put_value("service.numbers", [own.ohms, own.amperes, own.best, own.nodes])
        self._kept.put("service.volts", own.volts)
        self._kept.put("service.currents", own.currents)
        self._kept.put("service.ac_volts", own.ac_volts)
        self._kept.put("service.ac_currents", own.ac_currents)
        return own

    def _kept_found(self, faults: Sequence[Fault]) -> tuple[np.ndarray, Found, Solved]:
        """(which candidates matter, what those have done to the bike, what was solved to see it).

        From the store, then nothing was solved, or computed.
        """
        matters, names = self._kept.get("matters"), self._kept.value("found")
        if matters is None or names is None:
            everything = Predictor(self.built, self.service, candidates(faults), self.library.instruments)
            matters = everything.changes_something()
            found = everything.found().only(matters)
            self._kept.put("matters", matters)
            self._kept.put_value("found", [sorted(found.opened), sorted(found.latched)])
            for device, mask in (*found.opened.items(), *found.latched.items()):
                self._kept.put(f"found.{device}", mask)
            return matters, found, everything.solved_for(matters)
        opened, latched = ({d: self._kept.array(f"found.{d}") for d in group} for group in names)
        return matters, Found(opened, latched), {}

    @cached_property
    def measurements(self) -> Mapping[str, Measurement]:
        """Every planned measurement by id; any other id of the contract's form is made when asked."""
        instruments = self.library.instruments
        made = measurements(self.built, self.service, instruments)
        told = {k for looks in self.view.looks.values() for k in looks} - made.keys()
        made |= {look: replace(self.parse(look), told=True) for look in sorted(told)}
        return _Measurements({**made, **swaps(self.built, instruments, self._twins())}, self)

    def _twins(self) -> tuple[Twins, ...]:
        """Parts that can change places, from the store or computed."""
        kept = self._kept.value("twins")
        if kept is None:
            kept = [[t.part, t.other, t.watch, t.watch_other] for t in twins(self.predictor)]
            self._kept.put_value("twins", kept)
        return tuple(Twins(*t) for t in kept)

    def parse(self, text: str) -> Measurement:
        """A measurement from its id; raises UsageError."""
        return parse_measurement(self.built, self.library.instruments, text)

    def complaint_chance(self, complaint: str) -> np.ndarray:
        """(n_candidates,) chance of one complaint, without the rider's own errors."""
        if complaint not in self._chances:
            if complaint not in self.library.complaints:
                raise UsageError(unknown("complaint", complaint, self.spec.complaints))
            kept = self._kept.get(f"chance.{complaint}")
            if kept is None:
                kept = complaint_chance(self.predictor, self.library.complaints[complaint])
                self._kept.put(f"chance.{complaint}", kept)
            self._chances[complaint] = kept
        return self._chances[complaint]

    def complaint_likelihood(self, complaints: Sequence[str]) -> np.ndarray:
        return told(
            self.candidates,
            [self.library.complaints[c] for c in complaints],
            [self.complaint_chance(c) for c in complaints],
            [self.how_common(c) for c in complaints],
        )

    def how_common(self, complaint: str) -> float:
        """Chance that some fault of this bike draws this complaint [1]."""
        return how_common(self.candidates, self.complaint_chance(complaint))

    def history_factor(self, facts: Mapping[str, bool]) -> np.ndarray:
        out = np.ones(len(self.candidates))
        for fact, is_so in facts.items():
            if fact not in self.library.history:
                raise UsageError(unknown("history fact", fact, self.library.history))
            if not is_so:
                continue
            factors = self.library.history[fact].factors
            for i, c in enumerate(self.candidates):
                for f in c.faults:
                    for tag in f.tags:
                        out[i] *= factors.get(tag, 1.0)
        return out

    def history_questions(self) -> Sequence[tuple[str, str]]:
        return [(h.id, h.question) for h in self.library.history.values()]

    def complaint_functions(self, complaints: Sequence[str]) -> set[str]:
        """Functions that the complaints speak of."""
        return {f for c in complaints for f in spoken_of(self.spec, self.library.complaints[c])}

    def planned(
        self, complaints: Sequence[str], job: JobState, kit: str = "workshop", *, first: bool = False
    ) -> Sequence[str]:
        key = (tuple(complaints), job, kit, first)
        known = self._plans.get(key)
        if known is not None:  # not behind a thread that makes the next one
            return known
        with self._lock:
            if key not in self._plans:
                while len(self._plans) >= PLANS_KEPT:
                    self._plans.pop(next(iter(self._plans)))
                self._plans[key] = tuple(self._planned(complaints, job, kit, first))
            return self._plans[key]

    def _planned(self, complaints: Sequence[str], job: JobState, kit: str, first: bool) -> Sequence[str]:
        name = "first" if first else "planned"
        store = self.store(tuple(complaints), kit) if job == JobState() else None
        if store is not None and store.value(name) is not None:
            self.predictor.adopt(store.columns("columns"))
            return tuple(store.value(name))
        weights = self.prior * self.complaint_likelihood(complaints)
        weights /= weights.sum()
        worth = self._worth_computing(complaints, weights, kit)
        chosen = [m.id for m in worth if not (first and is_later(m))]
        table = self.table(job, chosen)
        gains = {k: nats(weights, table.columns[k].outcomes) for k in chosen}
        telling = [k for k in chosen if gains[k] >= LEAST_NATS]
        rates = np.array([gains[k] / (self.measurements[k].minutes + 0.3) for k in telling])
        outcomes = [np.asarray(table.columns[k].outcomes) for k in telling]
        keep = [telling[i] for i in kept(weights, outcomes, rates, PLANNED_AT_MOST)]
        if store is not None:
            store.put_value(name, keep)
            known = store.columns("columns")  # a first plan's, beside a later one's
            store.put_columns("columns", {**known, **{k: table.columns[k] for k in keep}})
            store.save()
            self._kept.save()
        return keep

    def _worth_computing(
        self, complaints: Sequence[str], weights: np.ndarray, kit: str
    ) -> Iterator[Measurement]:
        """Measurements that could tell something: at, beside, or watching what is under suspicion.

        Only a filter on what is solved; what a measurement is worth is computed, not guessed.
        """
        within = KITS.index(kit)
        near = self._suspect_nodes(weights)
        functions = [self.spec.functions[f] for f in self.complaint_functions(complaints)]
        conditions = {as_condition(self.built, f.when).text for f in functions}
        looks = {k for c in complaints for k in self.view.looks.get(c, ())}
        conditions |= {k.partition("@")[2] for k in looks}
        for f in functions:  # points closed, say
            own = as_condition(self.built, f.when)
            conditions |= {replace(need_condition(self.built, n, own), engine="off").text for n in f.needs}
        conditions |= {c.text for c in self.service.conditions if len(c.controls) <= 1 and c.engine == "off"}
        stands = any(self.library.complaints[c].engine == "stands" for c in complaints)
        for m in self.measurements.values():
            if (stands and m.engine_runs) or (m.told and m.id not in looks):
                continue
            meterless = m.kind == "jumper" or (m.kind == "lamp" and not m.condition.out)
            if KITS.index(m.kit) > within or (meterless and kit != "lamp"):
                continue
            if m.kind in ("inspect", "ac_volts", "lowest_volts", "worked_volts", "clamp"):
                yield m
                continue
            if m.kind == "observe" and not m.condition.apart:
                yield m
                continue
            if m.kind in ("swap", "jumper"):
                if near.intersection(self._part_nodes(m.components)):
                    yield m
                continue
            if m.condition.apart and not near.intersection(self._way_nodes(m.condition.apart)):
                continue
            if m.condition.out and not near.intersection(self._part_nodes(m.condition.out)):
                continue
            if m.kind in ("ohms", "diode", "amps") or (m.kind == "lamp" and m.condition.out):
                yield m
                continue
            driven = replace(m.condition, out=(), apart=(), battery=True).text
            if m.condition.engine not in ("off", "cranking") or driven in conditions or not driven:
                yield m

    def _suspect_nodes(self, weights: np.ndarray) -> frozenset[str]:
        """Nodes of the parts that hold nearly all of the suspicion."""
        order = in_order(weights)
        enough = order[: int(np.searchsorted(np.cumsum(weights[order]), SUSPICION)) + 1]
        parts = {f.component for i in enough for f in self.candidates[int(i)].faults}
        return self._part_nodes(parts)

    def _part_nodes(self, parts: Iterable[str]) -> frozenset[str]:
        return frozenset().union(*(self._nodes_by_part.get(p, frozenset()) for p in parts))

    def _way_nodes(self, connectors: Iterable[str]) -> frozenset[str]:
        return self._part_nodes(
            w for c in connectors for w in self.spec.connectors.get(c, (c.partition(".")[0],))
        )

    @cached_property
    def _nodes_by_part(self) -> Mapping[str, frozenset[str]]:
        """Nodes of each part, but for the ground, the bodies and the posts, which all share."""
        shared = {self.spec.nodes[p] for p in self.spec.body.values()}
        found: dict[str, set[str]] = {}
        for point, at in self.spec.nodes.items():
            if at not in shared:
                found.setdefault(point.partition(".")[0], set()).add(at)
        return {p: frozenset(n) for p, n in found.items()}

    def table(self, job: JobState, measurement_ids: Sequence[str]) -> Table:
        wanted = [self.measurements[k] for k in measurement_ids]
        with self._lock:
            columns = self.predictor.columns(job, wanted)
        return Table(tuple(c.id for c in self.candidates), columns)

    @property
    def live_post(self) -> str:
        return self.spec.live_post

    def way(self, points: Sequence[str], condition: Condition) -> tuple[tuple[Stretch, ...], ...]:
        return way(self.built, points, condition)

    def outlook(self, job: JobState, measurement_ids: Sequence[str]) -> Mapping[str, np.ndarray]:
        return self.table(job, measurement_ids).outlook()

    def likely_pairs(
        self,
        singles: np.ndarray,
        complaints: Sequence[str],
        readings: Sequence[tuple[np.ndarray | None, np.ndarray]],
    ) -> tuple[tuple[str, str], ...]:
        return choose_pairs(self, singles, complaints, readings)

    def predictor_of(self, some: Sequence[Candidate]) -> Predictor:
        """Predictions of other candidates of this bike; the first is the sound bike."""
        return Predictor(self.built, self.service, some, self.library.instruments, self.latent_sd)

    def widened(self, wider: Wider) -> WideWorld:
        """The same bike with wider suspects; the last few are kept."""
        if wider not in self._wide:
            while len(self._wide) >= WIDE_KEPT:
                self._wide.pop(next(iter(self._wide)))
            self._wide[wider] = WideWorld(self, wider)
        return self._wide[wider]

    def cures(self, repair: str, done: Sequence[str] = ()) -> np.ndarray:
        if repair not in self._cures:
            if repair not in self.repairs:
                raise UsageError(unknown("repair", repair, self.repairs))
            cured = set(self.repairs[repair].cures)
            out = np.zeros(len(self.candidates))
            rows = {i for f in cured for i in self._rows_by_fault.get(f, ())}
            for i in rows:
                out[i] = float(all(f.id in cured for f in self.candidates[i].faults))
            self._cures[repair] = out
        return self._cures[repair]

    @cached_property
    def _rows_by_fault(self) -> Mapping[str, tuple[int, ...]]:
        found: dict[str, list[int]] = {}
        for i, c in enumerate(self.candidates):
            for f in c.faults:
                found.setdefault(f.id, []).append(i)
        return {f: tuple(rows) for f, rows in found.items()}

    def blown(self, candidate: int) -> tuple[str, ...]:
        """Fuses that a candidate has blown by the time the bike comes in."""
        return self.predictor.found_of(candidate)[0]

    def verify(self, repair: str, complaints: Sequence[str], chances: np.ndarray | None = None) -> str:
        return verify(self, repair, complaints, chances)

    def differing(self, differences: Sequence[Difference]) -> BikeWorld:
        """The bike as drawn with these differences; the last one asked for is kept.

        raises  UsageError for what this bike cannot differ in, KnowledgeError for an unreadable addition
        """
        drawn = self._drawn or self
        if not differences:
            return drawn
        key = repr(tuple(differences))
        kept = drawn._differing
        if key not in kept:
            spec, lost = lay_over(self.library, self.spec.path, differences)
            electric = [d for d in differences if d.key in ELECTRIC]
            if len(electric) < len(differences):  # other colours or places: not a number changes
                world = drawn.differing(electric)._called(spec)
            else:
                world = type(self)(self.library, spec, lost)
            world._drawn = drawn
            while len(kept) >= DIFFERING_KEPT:
                kept.pop(next(iter(kept)))
            kept[key] = world
        return kept[key]

    def _called(self, spec: BikeSpec) -> BikeWorld:
        """This world with other colours and places, its predictions taken along."""
        out = copy.copy(self)
        for lazy in ("measurements", "_rows_by_fault", "_nodes_by_part"):
            out.__dict__.pop(lazy, None)
        out.spec, out.built = spec, replace(self.built, spec=spec)
        places = {id: p.place for id, p in spec.parts.items()}
        if places != {id: p.place for id, p in self.spec.parts.items()}:
            out._key = key_of(self._key, places)  # what is planned hangs on what must be opened
        out.faults = single_faults(out.built, self.service)
        harmless = set(self.harmless)
        out.candidates = candidates([f for f in out.faults if f.id not in harmless])
        out.view = view(out.built, self.library.complaints, self.library.instruments, self.view.fuse_lamps)
        out.repairs = repairs(out.built, out.faults)
        out._wide, out._cures = {}, {}
        return out


class _Measurements(dict[str, Measurement]):
    """The planned measurements; any other well-formed id is parsed on demand.

    What was parsed is found again, but is none of those that are listed: what is planned must not hang on
    what was once asked for.
    """

    def __init__(self, planned: Mapping[str, Measurement], world: BikeWorld):
        super().__init__(planned)
        self._world = world
        self._parsed: dict[str, Measurement] = {}

    def __missing__(self, key: str) -> Measurement:
        if key not in self._parsed:
            m = self._world.parse(key)
            self._parsed[m.id] = self._parsed[key] = m
        return self._parsed[key]

    def __contains__(self, key: object) -> bool:
        return super().__contains__(key) or key in self._parsed

    def get(self, key: str, default: Any = None) -> Any:
        """As of a dict; also what was parsed before."""
        return super().get(key, self._parsed.get(key, default))
