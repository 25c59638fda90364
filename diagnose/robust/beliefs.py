"""Jobs that believe something else: other priors, costs, error rates, another rule of choice."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import cast
from unittest.mock import patch

import numpy as np

from diagnose.beliefs import belief as beliefs
from diagnose.bike.model import JobState, Measurement
from diagnose.choice.problem import Act, Paid, Problem
from diagnose.choice.rate import next_act
from diagnose.choice.weigh import Limits, weigh
from diagnose.conversation import planning
from diagnose.wiring import BikeWorld

FREE = Limits(sure=0.0, likely=0.0, hopeless=0.0, faint=0.0, idle=0.0, second_method=0)
CHART_SURE = 0.9  # [1] from which whoever follows a printed chart starts to repair
PRIOR_FACTOR, COST_FACTOR = 3.0, 2.0


@contextmanager
def observer(rates: tuple[tuple[float, ...], tuple[float, ...]], skill: str) -> Iterator[None]:
    """Jobs believe in these rates of wrong readings for this skill."""
    with patch.dict(beliefs.SKILLS, {skill: rates}):
        yield


@contextmanager
def policy(choose: Callable[[Problem, np.ndarray, Paid, Limits], Act]) -> Iterator[None]:
    """Jobs choose by another rule."""
    with patch.object(planning, "next_act", choose):
        yield


def free(problem: Problem, belief: np.ndarray, paid: Paid, limits: Limits) -> Act:
    """The rate rule without what stands between it and advice."""
    return next_act(problem, belief, paid, replace(FREE, lost=limits.lost))


def harm_counted(minutes: float) -> Callable[[Problem, np.ndarray, Paid, Limits], Act]:
    """The shipped rule with a wrong repair counted as so many minutes. [min]"""

    def choose(problem: Problem, belief: np.ndarray, paid: Paid, limits: Limits) -> Act:
        return next_act(problem, belief, paid, replace(limits, harm_min=minutes))

    return choose


def chart(order: Sequence[str]) -> Callable[[Problem, np.ndarray, Paid, Limits], Act]:
    """A printed chart: the same checks in the same order for everybody, then repairs by chance a minute."""

    def choose(problem: Problem, belief: np.ndarray, paid: Paid, limits: Limits) -> Act:
        now = weigh(problem, belief, paid).now
        curable = float(belief[now.wants >= 0].sum())
        chance = now.cures @ belief if len(now.repairs) else np.zeros(0)
        best = int(np.argmax(chance)) if len(chance) else -1
        index = {m.id: i for i, m in enumerate(problem.measurements)}
        left = [m for m in order if m in index and np.isfinite(now.tests[index[m]])]
        if best >= 0 and (chance[best] >= CHART_SURE or (not left and curable > 1.0 - limits.lost)):
            pick = best if chance[best] >= CHART_SURE else int(np.argmax(chance / now.cost))
            return Act(now.repairs[pick].sort, now.repairs[pick].id, 0.0)
        return Act("measure", left[0], 0.0) if left else Act("stop", "", 0.0)

    return choose


def printed_order(world: BikeWorld, complaint: str, kit: str) -> tuple[str, ...]:
    """Checks by what they tell a minute before anything is known, as whoever prints a chart would order."""
    weights = world.prior * world.complaint_likelihood((complaint,))
    weights /= weights.sum()
    planned = world.planned((complaint,), JobState(), kit)
    rates = {}
    for mid, outcomes in world.outlook(JobState(), planned).items():
        m = world.measurements[mid]
        shown = outcomes @ weights
        nats = float((outcomes * np.log(np.maximum(outcomes, 1e-30)) @ weights).sum()) - float(
            (shown * np.log(np.maximum(shown, 1e-30))).sum()
        )
        access = sum(world.view.places[p][1] for p in m.places if p in world.view.places)
        rates[mid] = nats / (m.minutes + access + 0.3)
    return tuple(sorted(rates, key=lambda k: -rates[k]))


def with_priors(world: BikeWorld, rng: np.random.Generator) -> BikeWorld:
    """The same bike whose job believes each fault up to three times likelier or less likely than it is."""
    out = copy.copy(world)
    faulty = np.array([c.is_fault for c in world.candidates])
    factor = np.where(faulty, PRIOR_FACTOR ** rng.choice([-1.0, 1.0], len(faulty)), 1.0)
    out.prior = world.prior * factor
    out.prior = out.prior / out.prior.sum()
    out._wide = {}
    return out


def with_costs(world: BikeWorld, rng: np.random.Generator) -> BikeWorld:
    """The same bike whose job believes every minute of work twice or half what it is."""
    out = copy.copy(world)
    factor = {k: COST_FACTOR ** rng.choice([-1.0, 1.0]) for k in (*world.measurements, *world.repairs)}
    own = cast(dict[str, Measurement], copy.copy(world.measurements))
    for k, m in world.measurements.items():
        own[k] = replace(m, minutes=m.minutes * factor[k])
    out.__dict__["measurements"] = own
    out.repairs = {k: replace(r, minutes=r.minutes * factor[k]) for k, r in world.repairs.items()}
    out._wide = {}
    return out


def without_part(world: BikeWorld, part: str) -> BikeWorld:
    """The same bike whose job knows no fault of this part: what is hidden there is on nobody's list."""
    out = copy.copy(world)
    gone = np.array([any(f.component == part for f in c.faults) for c in world.candidates])
    out.prior = np.where(gone, 0.0, world.prior)
    out.prior = out.prior / out.prior.sum()
    out._wide = {}
    return out
