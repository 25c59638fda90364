"""A world with wider suspects: pairs of faults, and faults that come and go.

Beside wiring, below the conversation. Made when the single faults of a bike do not explain what was read,
when there are several complaints, or when the fault was seen to come and go. What is read is predicted
exactly for each pair; what might be read next is taken from its two members, which is enough to choose a
measurement and costs nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np

from diagnose.beliefs.doubles import Heard, drawn_together, likely_pairs
from diagnose.bike.acts import STIRS, stir_id, watched_needs
from diagnose.bike.build import Build
from diagnose.bike.candidates import severity_family
from diagnose.bike.currents import Service
from diagnose.bike.model import BikeView, Candidate, Condition, Fault, JobState, Measurement, Repair, Wider
from diagnose.bike.way import Stretch
from diagnose.catalogue.differences import Difference
from diagnose.catalogue.model import Library
from diagnose.catalogue.spec import BikeSpec
from diagnose.catalogue.words import KITS, LOOSE_TAGS
from diagnose.circuit.netlist import Add
from diagnose.conversation.world import World
from diagnose.predictions.complaints import complaint_chance, telling, told
from diagnose.predictions.compute import Predictor
from diagnose.predictions.outcomes import with_outcomes
from diagnose.predictions.readings import STIRRED_BY, STIRRED_BY_CHANCE, stirred_loose
from diagnose.predictions.table import Column, Table, stacked, taken

DEPARTS = 0.3  # [1] total variation of outcomes from which a fault is said to change a reading (estimate)
SAME_PLACE = 2.0  # [1] common-cause weight of two faults at one place (estimate)
SAME_PLUG = 4.0  # [1] of two ways of one plug, two parts at one joint (estimate)
COMES_AND_GOES = 0.25  # [1] of a loose or damp joint's faults, those that come and go (estimate)
SHOWS = 0.4  # [1] chance that such a fault shows in a spell (estimate)
NOW_AND_THEN = "comes_and_goes"


class Base(World, Protocol):
    """What the wider suspects are made from: the world of a bike with its single faults."""

    library: Library
    spec: BikeSpec
    built: Build
    service: Service

    def predictor_of(self, some: Sequence[Candidate]) -> Predictor:
        """Predictions of other candidates of this bike; the first is the sound bike."""
        ...

    def complaint_chance(self, complaint: str) -> np.ndarray:
        """(n_candidates,) chance of one complaint, without the rider's own errors."""
        ...

    def how_common(self, complaint: str) -> float:
        """Chance that some fault of this bike draws this complaint [1]."""
        ...

    def blown(self, candidate: int) -> tuple[str, ...]:
        """Fuses that a candidate has blown by the time the bike comes in."""
        ...

    def differing(self, differences: Sequence[Difference]) -> Base:
        """The bike as drawn with all these differences."""
        ...

    def widened(self, wider: Wider) -> WideWorld:
        """The same bike with wider suspects after its own."""
        ...


class WideWorld:
    """The World protocol over a bike's world and the wider suspects, which follow its own in every axis."""

    def __init__(self, base: Base, wider: Wider):
        self.base = base
        self.wider = wider
        self.library, self.spec, self.built = base.library, base.spec, base.built
        index = {c.id: i for i, c in enumerate(base.candidates)}
        known = [(index[a], index[b]) for a, b in wider.pairs if a in index and b in index]
        self._members = np.array(known, dtype=int).reshape(-1, 2)
        self._twins = np.array(loose_rows(base.candidates) if wider.loose else [], dtype=int)
        pairs = tuple(_pair(base.candidates[a], base.candidates[b]) for a, b in self._members)
        twins = tuple(_twin(base.candidates[i]) for i in self._twins)
        self.candidates: tuple[Candidate, ...] = (*base.candidates, *pairs, *twins)
        self.singles = base.singles
        self.prior = np.concatenate((base.prior, [c.prior for c in (*pairs, *twins)]))
        self.no_fault, self.unmodelled = base.no_fault, base.unmodelled
        self.latent_sd = base.latent_sd
        healthy = base.candidates[base.no_fault]
        self._pairs = base.predictor_of((healthy, *pairs)) if pairs else None

    @property
    def view(self) -> BikeView:
        return self.base.view

    @property
    def measurements(self) -> Mapping[str, Measurement]:
        return self.base.measurements

    @property
    def repairs(self) -> Mapping[str, Repair]:
        return self.base.repairs

    def history_questions(self) -> Sequence[tuple[str, str]]:
        return self.base.history_questions()

    def planned(
        self, complaints: Sequence[str], job: JobState, kit: str = "workshop", *, first: bool = False
    ) -> Sequence[str]:
        own = self.base.planned(complaints, job, kit, first=first)
        if not self.wider.loose:
            return own
        within = KITS[: KITS.index(kit) + 1]
        return (*own, *(m for m in self._stirs(complaints) if self.measurements[m].kit in within))

    def _stirs(self, complaints: Sequence[str]) -> tuple[str, ...]:
        """Where to move, warm or wet something while watching what was complained of."""
        tagged = {
            (kind, f.place)
            for i in self._twins
            for f in self.base.candidates[int(i)].faults
            for kind, tag in STIRRED_BY.items()
            if tag in f.tags and f.place
        }
        stirs = (
            stir_id(kind, place, condition, plus, minus)
            for kind, place in sorted(tagged)
            for plus, minus, condition in self._watched(complaints)
        )
        return tuple(stirs)

    def _watched(self, complaints: Sequence[str]) -> Sequence[tuple[str, str, Condition]]:
        """(plus, minus, condition) of what is watched meanwhile; no points: what was complained of."""
        if any(s.opened for c in complaints for s in self.library.complaints[c].any_of):
            used = self.base.service
            one = [j for j, c in enumerate(used.conditions) if len(c.controls) == 1 and c.engine == "off"]
            key_on = max(one, key=lambda j: float(used.currents[:, j].sum()), default=None)
            return () if key_on is None else [("", "", used.conditions[key_on])]
        shown = self.measurements[self.base.verify("", complaints)]
        if shown.kind != "observe":  # what only a meter shows, on the road: no stir at the stand shows it
            return ()
        own = ("", "", shown.condition)
        if shown.condition.engine == "off":
            return (own,)
        return (own, *watched_needs(self.built, self.spec.functions[shown.what]))

    def verify(self, repair: str, complaints: Sequence[str], chances: np.ndarray | None = None) -> str:
        return self.base.verify(repair, complaints, chances)

    def blown(self, candidate: int) -> tuple[str, ...]:
        """Of a pair what either has blown; what comes and goes has blown nothing."""
        if candidate < self.singles:
            return self.base.blown(candidate)
        pair = candidate - self.singles
        members = self._members[pair] if pair < len(self._members) else ()
        return tuple(dict.fromkeys(f for i in members for f in self.base.blown(int(i))))

    @property
    def lost(self) -> Sequence[str]:
        return self.base.lost

    def differing(self, differences: Sequence[Difference]) -> Base:
        """The bike as drawn with these differences, without any wider suspects."""
        return self.base.differing(differences)

    def likely_pairs(
        self,
        singles: np.ndarray,
        complaints: Sequence[str],
        readings: Sequence[tuple[np.ndarray | None, np.ndarray]],
    ) -> tuple[tuple[str, str], ...]:
        """As of the bike itself."""
        return self.base.likely_pairs(singles, complaints, readings)

    @property
    def live_post(self) -> str:
        return self.base.live_post

    def way(self, points: Sequence[str], condition: Condition) -> tuple[tuple[Stretch, ...], ...]:
        return self.base.way(points, condition)

    def widened(self, wider: Wider) -> WideWorld:
        """The same bike with other wider suspects."""
        return self.base.widened(wider)

    def complaint_likelihood(self, complaints: Sequence[str]) -> np.ndarray:
        own = self.base.complaint_likelihood(complaints)
        parts = [own]
        known = [self.library.complaints[c] for c in complaints]
        common = [self.base.how_common(c) for c in complaints]
        if self._pairs is not None:
            p = self._pairs
            chances = [complaint_chance(p, c) for c in known]
            parts.append(told(p.candidates, known, chances, common)[1:])
        if not len(self._twins):
            return np.concatenate(parts)
        twins = [self.base.complaint_chance(c)[self._twins] for c in complaints]
        return np.concatenate((*parts, telling(twins, [False] * len(twins), common)))

    def history_factor(self, facts: Mapping[str, bool]) -> np.ndarray:
        own = self.base.history_factor(facts)
        both = own[self._members].prod(axis=1)
        return np.concatenate((own, both, own[self._twins]))

    def chance_among(self, singles: np.ndarray) -> np.ndarray:
        """(n_wider,) chance of each wider suspect before any reading, from that of the single faults."""
        own = np.asarray(singles, dtype=float)
        fault = np.maximum(1.0 - own[[self.no_fault, self.unmodelled]].sum(), 1e-9)
        given = own / fault
        first, last = self._members[:, 0], self._members[:, 1]
        both = drawn_together(given[first], given[last]) * common_cause(self.base)[first, last]
        return np.concatenate((both * fault, COMES_AND_GOES * own[self._twins]))

    def table(self, job: JobState, measurement_ids: Sequence[str]) -> Table:
        """Predictions of these measurements, exact for every suspect."""
        own = self.base.table(job, measurement_ids).columns
        exact = self._exact(job, measurement_ids)
        columns = {}
        for mid in measurement_ids:
            rows = [own[mid]]
            if exact is not None:
                rows.append(self._as_left(own[mid], exact[mid], job.done))
            rows.append(taken(own[mid], self._twins))
            whole = self._woken(mid, stacked(rows))
            columns[mid] = with_outcomes(whole, latent_sd=self.latent_sd)
        return Table(tuple(c.id for c in self.candidates), columns)

    def _woken(self, measurement: str, column: Column) -> Column:
        """A stir wakes a fault that comes and goes more often than it makes a steady one flicker."""
        m = self.measurements[measurement]
        if m.kind not in STIRS or column.words is None:
            return column
        words = np.array(column.words)
        twins = np.arange(len(words) - len(self._twins), len(words))
        woken = twins[words[twins, 1] > STIRRED_BY_CHANCE]
        words[woken] = [1.0 - stirred_loose(m), stirred_loose(m)]
        return replace(column, words=words)

    def outlook(self, job: JobState, measurement_ids: Sequence[str]) -> Mapping[str, np.ndarray]:
        """(n_outcomes, n_candidates) of each measurement that is planned with; pairs from their members."""
        stirs = [k for k in measurement_ids if self.measurements[k].kind in STIRS]
        own = self.base.outlook(job, [k for k in measurement_ids if k not in stirs])
        members = self._left(job.done)
        found = {}
        for mid, outcomes in own.items():
            away = 0.5 * np.abs(outcomes - outcomes[:, [self.no_fault]]).sum(axis=0)
            first, last = members[:, 0], members[:, 1]
            leading = np.where(away[first] >= away[last], first, last)
            found[mid] = np.concatenate((outcomes, outcomes[:, leading], outcomes[:, self._twins]), axis=1)
        return found | dict(self.table(job, stirs).outlook())

    def cures(self, repair: str, done: Sequence[str] = ()) -> np.ndarray:
        own = self.base.cures(repair)
        left = self._left(tuple(done))
        cured = own.copy()
        cured[self.no_fault] = 1.0  # nothing left of this member
        both = cured[left].min(axis=1) * (left != self.no_fault).any(axis=1)
        return np.concatenate((own, both, own[self._twins]))

    def stays(self, repair: str, complaints: Sequence[str], done: Sequence[str] = ()) -> np.ndarray:
        """(n_candidates,) chance that all these complaints are still there after this repair.

        What a repair leaves of a pair must by itself be complained of in the same way.
        """
        alone = np.ones(self.singles)
        for complaint in complaints:
            alone = alone * self.base.complaint_chance(complaint)
        cured = self.base.cures(repair)
        left = self._left(tuple(done))
        each = np.where(left == self.no_fault, 1.0, cured[left])  # (n_pairs, 2) cured, or gone before
        first, last = left[:, 0], left[:, 1]
        one = each[:, 0] * (1.0 - each[:, 1]) * alone[last] + (1.0 - each[:, 0]) * each[:, 1] * alone[first]
        pairs = one + (1.0 - each).prod(axis=1)
        own = 1.0 - cured
        return np.concatenate((own, pairs, own[self._twins]))

    def removes(self, repair: str, done: Sequence[str] = ()) -> np.ndarray:
        """(n_candidates,) chance that this repair cures at least one fault of the candidate."""
        own = self.base.cures(repair)
        left = self._left(tuple(done))
        return np.concatenate((own, own[left].max(axis=1, initial=0.0), own[self._twins]))

    def _exact(self, job: JobState, ids: Sequence[str]) -> Mapping[str, Column] | None:
        if self._pairs is None:
            return None
        return self._pairs.columns(job, [self.measurements[k] for k in ids])

    def _left(self, done: tuple[str, ...]) -> np.ndarray:
        """(n_pairs, 2) rows of what each pair still has; the sound bike's for a member that was repaired."""
        if not done or not len(self._members):
            return self._members
        cured = np.any([self.base.cures(r) > 0.5 for r in done if r in self.repairs], axis=0)
        return np.where(cured[self._members], self.no_fault, self._members)

    def _as_left(self, own: Column, exact: Column, done: tuple[str, ...]) -> Column:
        """Rows of the pairs as they are after these repairs: both faults, the one that is left, or none."""
        left = self._left(done)
        whole = (left != self.no_fault).all(axis=1)
        other = np.where(left[:, 0] == self.no_fault, left[:, 1], left[:, 0])

        def rows(single: np.ndarray | None, pair: np.ndarray | None) -> np.ndarray | None:
            if single is None or pair is None:
                return None
            keep = whole.reshape((-1,) + (1,) * (single.ndim - 1))
            return np.where(keep, pair[1:], single[other])

        return replace(
            own,
            value=rows(own.value, exact.value),
            spread=rows(own.spread, exact.spread),
            shift=rows(own.shift, exact.shift),
            words=rows(own.words, exact.words),
            degree=rows(own.degree, exact.degree),
            outcomes=None,
        )


def loose_rows(candidates: Sequence[Candidate]) -> list[int]:
    """Faults that may come and go: of each loose, damp or heat-struck mode its worst severity.

    Of a short every one: welded to the frame it blows the fuse, smouldering it dims what it robs.
    """
    worst: dict[tuple[str, str, str], int] = {}
    for i, c in enumerate(candidates):
        if len(c.faults) == 1 and LOOSE_TAGS.intersection(c.faults[0].tags) and not c.faults[0].lasting:
            # severities come with rising ohms: a joint's last is its worst, a leak's its first
            (fault,) = c.faults
            short = any(isinstance(e, Add) for e in fault.edits) and severity_family(fault) is None
            mode = (fault.component, fault.mode, fault.value if short else "")
            if mode not in worst or not any(isinstance(e, Add) for e in fault.edits):
                worst[mode] = i
    return list(worst.values())


def _twin(candidate: Candidate) -> Candidate:
    (fault,) = candidate.faults
    value = fault.value if any(isinstance(e, Add) for e in fault.edits) else ""
    own = replace(
        fault,
        id=f"{fault.component}.{fault.mode}_{NOW_AND_THEN}" + (f"={value}" if value else ""),
        mode=f"{fault.mode}_{NOW_AND_THEN}",
        value=value,
        prior=fault.prior * COMES_AND_GOES,
        intermittent=min(SHOWS, fault.intermittent),
    )
    return Candidate(own.id, (own,), candidate.prior * COMES_AND_GOES)


def _pair(a: Candidate, b: Candidate) -> Candidate:
    faults: tuple[Fault, ...] = tuple(sorted((*a.faults, *b.faults), key=lambda f: f.id))
    return Candidate("+".join(f.id for f in faults), faults, a.prior * b.prior)


def choose_pairs(
    base: Base,
    singles: np.ndarray,
    complaints: Sequence[str],
    readings: Sequence[tuple[np.ndarray | None, np.ndarray]],
) -> tuple[tuple[str, str], ...]:
    """The pairs most worth predicting for what was complained of and read.

    singles   (n,) chance of each single before any reading
    readings  of each: planning outcomes (n_outcomes, n) of its measurement, ln p(reading | single) (n,)
    """
    sound = base.no_fault
    given, departs = [], []
    for complaint in complaints:
        own = base.complaint_likelihood((complaint,))
        given.append(np.log(np.maximum(own, 1e-12)))
        departs.append(own > 0.5 * own.max())
    for outcomes, log_given in readings:
        if outcomes is None:
            continue
        away = 0.5 * np.abs(outcomes - outcomes[:, [sound]]).sum(axis=0)
        given.append(log_given)
        departs.append(away > DEPARTS)
    n = len(base.candidates)
    heard = Heard(np.array(given).reshape(-1, n), np.array(departs, dtype=bool).reshape(-1, n))
    fault = np.maximum(1.0 - singles[[sound, base.unmodelled]].sum(), 1e-9)
    pairs, _ = likely_pairs(
        singles / fault, heard, sound=sound, leave=(base.unmodelled,), factor=common_cause(base)
    )
    return tuple((base.candidates[a].id, base.candidates[b].id) for a, b in pairs)


def common_cause(base: Base) -> np.ndarray:
    """(n, n) how much likelier two faults are together than by chance; 0 within one part."""
    n = len(base.candidates)
    part = np.array([c.faults[0].component if c.faults else f"#{i}" for i, c in enumerate(base.candidates)])
    place = np.array([c.faults[0].place if c.faults else f"#{i}" for i, c in enumerate(base.candidates)])
    plug_of = {way: name for name, ways in base.spec.connectors.items() for way in ways}
    plug = np.array([plug_of.get(p, f"#{i}") for i, p in enumerate(part)])
    out = np.ones((n, n))
    out[(place[:, None] == place[None, :]) & (place != "")[:, None]] = SAME_PLACE
    out[plug[:, None] == plug[None, :]] = SAME_PLUG
    out[part[:, None] == part[None, :]] = 0.0
    return out
