"""A failed check becomes a job: the fault finding as a function, with every reading so far as evidence.

Uses the conversation as it is; only the bike it asks is one that has not been used yet, so nothing has blown,
and only the suspects that the readings leave are taken along.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from diagnose.bike.candidates import candidates
from diagnose.bike.mending import repairs
from diagnose.bike.model import Candidate, JobState, Measurement
from diagnose.catalogue.model import Library
from diagnose.catalogue.spec import BikeSpec
from diagnose.conversation import evidence
from diagnose.conversation.coming import Turn, advance
from diagnose.conversation.means import Event, Means
from diagnose.conversation.state import Evidence, Failed, Reading, Setting, State
from diagnose.predictions.compute import Found, Predictor
from diagnose.prove.assembly import assembly_faults
from diagnose.prove.loom import units
from diagnose.prove.model import Check, Outcome, Plan
from diagnose.rules.base import RuleBase
from diagnose.wiring import BikeWorld
from diagnose.wording import Wording

MOST_SUSPECTS = 60  # taken into the job; more are not told apart in a job anyway (measured: speed)
LEAST_CHANCE = 1e-6  # [1] of a suspect after the readings that screen it
FRESH = (("fresh_wiring", True),)
MOST_OHMS = 80  # measurements planned in a job with the battery off


class UnusedWorld(BikeWorld):
    """The world of a bike whose loom has never been used: no fuse has blown, no output latched off."""

    def __init__(self, library: Library, spec: BikeSpec, lost: tuple[str, ...] = ()):
        super().__init__(library, spec, lost)
        self.check_ids: tuple[str, ...] = ()
        own = [c.faults[0] for c in self.candidates if c.is_fault]
        more = assembly_faults(self.built, self.faults)
        self.candidates = candidates([*own, *more])
        self.prior = np.array([c.prior for c in self.candidates])
        self.no_fault, self.unmodelled = 0, len(self.candidates) - 1
        self.repairs = repairs(self.built, [*self.faults, *more])
        self._fresh_predictor()

    def _fresh_predictor(self) -> None:
        self.predictor = Predictor(
            self.built,
            self.service,
            self.candidates,
            self.library.instruments,
            self.latent_sd,
            Found({}, {}),
        )

    def predictor_of(self, some: Sequence[Candidate]) -> Predictor:
        """Predictions of other candidates of this bike, which has not been used either."""
        return Predictor(
            self.built, self.service, some, self.library.instruments, self.latent_sd, Found({}, {})
        )

    def only(self, keep: np.ndarray) -> UnusedWorld:
        """The same bike with some of its suspects. keep (n_candidates,) bool; the ends always stay."""
        keep = keep.copy()
        keep[[self.no_fault, self.unmodelled]] = True
        out = copy.copy(self)
        out.__dict__.pop("_rows_by_fault", None)
        out.candidates = tuple(c for c, k in zip(self.candidates, keep, strict=True) if k)
        out.prior = self.prior[keep] / self.prior[keep].sum()
        out.no_fault, out.unmodelled = 0, len(out.candidates) - 1
        out._cures, out._chances, out._wide = {}, {}, {}
        out._fresh_predictor()
        return out

    def planned(
        self, complaints: Sequence[str], job: JobState, kit: str = "workshop", *, first: bool = False
    ) -> Sequence[str]:
        """With the battery off only ohms, junctions and eyes tell anything; with it on, the checks' own
        measurements and what the job plans elsewhere."""
        if job.battery:
            own = [k for k in self.check_ids if not self._is_dead(k)]
            near = [
                m.id
                for m in self._worth_computing((), self.prior, kit)
                if m.kind not in ("ohms", "diode") and m.condition.battery and m.condition.engine == "off"
            ]
            return tuple(dict.fromkeys([*own, *near[:MOST_OHMS]]))
        around = self._suspect_nodes(self.prior)
        chosen = [k for k in self.check_ids if self._is_dead(k)]
        for m in self.measurements.values():
            if m.kind == "inspect":
                chosen.append(m.id)
            elif m.kind in ("ohms", "diode") and not m.condition.battery:
                points = {self.spec.nodes[p] for p in (m.plus, m.minus)}
                if points & around or around & self._way_nodes(m.condition.apart):
                    chosen.append(m.id)
        return tuple(dict.fromkeys(chosen))[: 4 * MOST_OHMS]

    def _is_dead(self, measurement: str) -> bool:
        return "battery=off" in measurement

    def history_factor(self, facts: Mapping[str, bool]) -> np.ndarray:
        return super().history_factor({k: v for k, v in facts.items() if k in self.library.history})


def readings_of(
    plan: Plan, outcomes: Iterable[Outcome], functions: Iterable[str], world: BikeWorld | None = None
) -> tuple[Reading, ...]:
    """What was read so far, as evidence: passed checks count as well as failed ones."""
    out: list[Reading] = []
    for o in outcomes:
        if o.result == "open" or o.value is None or o.check not in plan.by_id:
            continue
        check = plan.by_id[o.check]
        job = plan.stage(check.stage).job
        if check.sort == "wakes":
            out += _woken(check, o, job, world)
        elif check.sort == "rating":
            if o.result == "fail":
                out.append(Reading(f"inspect:{check.about}@", "damaged", o.text, job))
        elif isinstance(o.value, (float, str)):
            out += [Reading(check.measurement, o.value, o.text, job)] * o.times  # read twice: a repetition
    return tuple(out)


def _woken(check: Check, o: Outcome, job: JobState, world: BikeWorld | None) -> list[Reading]:
    """Which functions woke, as one observation each; only where it is not as expected, and what should."""
    said = {w for w in o.text.split(",") if w}
    condition = check.measurement.partition("@")[2]
    out = []
    for function in check.choices:
        expected = function in check.limit.words
        if function in check.limit.doubtful or (not expected and function not in said):
            continue
        out.append(
            Reading(
                f"observe:{function}@{condition}",
                "works" if function in said else "dead",
                "works" if function in said else "dead",
                job,
            )
        )
    return out


def begin_job(
    world: UnusedWorld,
    rulebase: RuleBase,
    wording: Wording,
    plan: Plan,
    failed: Check,
    outcomes: Sequence[Outcome],
    repairs: Sequence[str],
    kit: str,
    skill: str,
    helper: bool = True,
) -> tuple[State, tuple[Event, ...], UnusedWorld]:
    """Start the job that a failed check calls for.

    outcomes  every check so far, the failed one among them
    repairs   repairs done for this check that did not make it pass
    returns   the job's state, its first events, and the world it asks
    """
    stage = plan.stage(failed.stage)
    readings = readings_of(plan, outcomes, ())
    known = [r for r in readings if _known(world, r)]
    whole: Any = world  # the port of a job, which names its attributes a little wider
    setting = Setting(
        kit=kit,
        skill=skill,
        history=FRESH,
        switches="checked",
        others="skipped",
        meter="proved",
        helper=helper,
        engine_may_run=stage.phase == 4,
    )
    # a first sieve with the readings of one situation, which share one solution of every suspect
    condition = failed.measurement.partition("@")[2]
    sieve = [r for r in known if r.measurement.partition("@")[2] == condition and r.job == stage.job]
    ends = [Failed(r) for r in repairs]
    belief = evidence.rebuild(whole, setting, [*sieve, *ends])
    chance = evidence.chances(belief)
    floor = np.sort(chance)[-min(MOST_SUSPECTS, len(chance))]
    small = world.only((chance >= floor) & (chance > LEAST_CHANCE))
    small.check_ids = tuple(
        c.measurement for c in plan.checks if c.stage == failed.stage and c.sort not in ("wakes", "rating")
    )
    heard: tuple[Evidence, ...] = (*known, *ends)
    said = tuple(
        f"unit_unplugged_{u}" for u in units(world.built) if set(stage.job.apart) & {u, *_plugs(world, u)}
    )
    if not stage.job.battery:
        said = (*said, "battery_off")
    if stage.phase <= 3:
        said = (*said, "current_limited")
    job = JobState(
        out=stage.job.out,
        apart=stage.job.apart,
        battery=stage.job.battery,
        said=said,
        lamps=stage.job.lamps,
    )
    asked: Any = small
    believed = evidence.rebuild(asked, setting, heard)
    state = State("working", setting, evidence=heard, job=job, belief=believed, held=job)
    turn = advance(Turn(Means(asked, rulebase, wording), state))
    return turn.state, turn.events, small


def _plugs(world: BikeWorld, unit: str) -> tuple[str, ...]:
    return world.view.plugs.get(unit, ())


def _known(world: BikeWorld, reading: Reading) -> bool:
    """Whether the world can predict it; every id of a check can be parsed, so this only guards words."""
    m: Measurement = world.measurements[reading.measurement]
    return not m.choices or reading.value in m.choices
