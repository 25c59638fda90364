"""How much a job suffers when what it believes is wrong: the same hidden faults, played with and without.

Run by `python -m diagnose.robust [BIKE] [--jobs N] [--seed S] [ROW ...]`. Built on trial and play. Each row
pairs a run with a disturbance with the same jobs without it. Bikes answer from this program's own
predictions with slips laid over, so that only the disturbance differs; ngspice plays `diagnose trial`.
"""

from __future__ import annotations

import argparse
import copy
import platform
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any, cast
from unittest.mock import patch

import numpy as np

from diagnose.beliefs import belief as beliefs
from diagnose.bike.acts import STIRS
from diagnose.bike.model import Candidate, JobState, Measurement
from diagnose.choice.problem import Act, Paid, Problem
from diagnose.choice.rate import next_act
from diagnose.choice.weigh import Limits, weigh
from diagnose.conversation import evidence, planning
from diagnose.means import Opened, open_knowledge
from diagnose.play import Played, play
from diagnose.players import PERSISTS, OwnPlayer
from diagnose.trial import draw_truths
from diagnose.wiring import BikeWorld

FREE = Limits(sure=0.0, likely=0.0, hopeless=0.0, faint=0.0, second_method=0)
CHART_SURE = 0.9  # [1] from which whoever follows a printed chart starts to repair
PRIOR_FACTOR, COST_FACTOR = 3.0, 2.0
BLIND_TO_ERRORS = ((1e-4,), (1.0,))
WAKES, SLEEPS = 0.4, 0.25  # [1] chance that a fault that comes and goes shows in a spell; that a spell ends
BINS = 10


class Slipping:
    """A player that slips at times, over one that does not."""

    def __init__(self, inner: OwnPlayer, rng: np.random.Generator, gross: float):
        self.inner, self.rng, self.gross = inner, rng, gross
        self._given: dict[tuple[JobState, str, tuple[str, ...]], tuple[str, bool]] = {}

    def _key(self, m: Measurement, job: JobState) -> tuple[JobState, str, tuple[str, ...]]:
        left = tuple(f.id for f in self.inner.hidden.faults) if self.inner.index else ()
        return (job, m.id, left)

    def answer(self, m: Measurement, job: JobState) -> str:
        key = self._key(m, job)
        if key not in self._given:
            slip = bool(self.rng.random() < self.gross)
            self._given[key] = (self._slipped(m) if slip else self.inner.answer(m, job), slip)
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

    def repaired(self, repair: str) -> None:
        self.inner.repaired(repair)

    def _slipped(self, m: Measurement) -> str:
        if m.choices:
            return str(self.rng.choice(m.choices))
        if self.rng.random() < 0.5:
            return "OL" if m.kind in ("ohms", "diode") else f"0.02 {m.unit}"
        if m.kind == "ohms":
            return f"{10 ** self.rng.uniform(-1, 6):.3g} ohm"
        top = {"amps": 8.0, "ac_volts": 100.0, "diode": 2.0}.get(m.kind, 13.5)
        return f"{self.rng.uniform(0.0, top):.2f} {m.unit}"


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

    def repaired(self, repair: str) -> None:
        raise NotImplementedError("a fault that comes and goes is played alone")


@dataclass(frozen=True, slots=True)
class Run:
    """One job of a row: minutes as the true costs have them, and how it ended."""

    minutes: float
    found: bool
    wrong: int
    confident: bool
    tools: int
    outcome: str
    stop: str


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


def one(
    opened: Opened,
    world: BikeWorld,
    truth: Candidate,
    complaints: Sequence[str],
    player: Any,
    *,
    true: BikeWorld | None = None,
    skill: str = "trade",
    kit: str = "meter",
    watch: Callable[[Any], None] | None = None,
) -> Run:
    """Play one job in this world and count its minutes by the true one."""
    options = {
        "complaints": list(complaints), "kit": kit, "skill": skill, "history": {},
        "switches": "checked", "others": "skipped",
    }  # fmt: skip
    left = list(truth.faults)

    def cures(repair: str) -> bool:
        return bool(left) and all(repair in f.repairs for f in left)

    def helps(repair: str) -> bool:
        gone = [f for f in left if repair in f.repairs]
        for f in gone:
            left.remove(f)
        return bool(gone)

    played = play(world, opened.rulebase, opened.wording, options, player, cures, helps=helps, watch=watch)
    return _counted(world, true or world, played, truth, skill)


def _counted(world: BikeWorld, true: BikeWorld, played: Played, truth: Candidate, skill: str) -> Run:
    factor = 2.25 if skill == "beginner" else 1.0
    minutes = played.minutes
    for m in played.asked:
        minutes += (true.measurements[m].minutes - world.measurements[m].minutes) * factor
    for a in played.advice:
        minutes += (true.repairs[a.repair].minutes - world.repairs[a.repair].minutes) * factor
    first = next((a for a in played.advice if a.sort == "repair"), None)
    return Run(
        minutes,
        any(a.right for a in played.advice) or truth.id in played.causes,
        sum(a.sort == "repair" and not a.right for a in played.advice),
        first is not None and not first.right and first.probability >= 0.9,
        played.tool_steps,
        played.outcome,
        played.stop,
    )


def calibration(points: Iterable[tuple[float, bool]]) -> list[tuple[float, float, float, int]]:
    """(lower edge, mean chance said, share that was right, how many) of each of ten bins."""
    chance, right = (np.array(x, dtype=float) for x in zip(*points, strict=True))
    out = []
    for k in range(BINS):
        inside = (chance >= k / BINS) & (chance < (k + 1) / BINS if k + 1 < BINS else chance <= 1.0)
        if inside.any():
            out.append(
                (k / BINS, float(chance[inside].mean()), float(right[inside].mean()), int(inside.sum()))
            )
    return out


class Bench:
    """Rows of one bike: the same hidden faults for all of them."""

    def __init__(self, bike: str, jobs: int, seed: int, kit: str = "meter"):
        self.opened = open_knowledge()
        self.world = self.opened.world(bike)
        self.jobs, self.seed, self.kit = jobs, seed, kit
        rng = np.random.default_rng(seed)
        self.truths = draw_truths(self.world, jobs, rng)
        self._base: dict[tuple[str, float], list[Run]] = {}

    def rng(self, row: str, job: int) -> np.random.Generator:
        """Dice of one job of a row, the same in every run."""
        return np.random.default_rng([self.seed, job, *row.encode()])

    def runs(
        self,
        row: str,
        gross: float,
        *,
        world: Callable[[int], BikeWorld] | None = None,
        skill: str = "trade",
        watch: Callable[[int], Callable[[Any], None]] | None = None,
    ) -> list[Run]:
        """Every job of the bench once. The slips of a job are the same for every row with this rate."""
        out = []
        for n, (i, complaint) in enumerate(self.truths):
            truth = self.world.candidates[i]
            player = Slipping(OwnPlayer(self.world, truth), self.rng(f"slip{gross}", n), gross)
            here = world(n) if world else self.world
            out.append(
                one(
                    self.opened, here, truth, (complaint,), player, true=self.world, skill=skill,
                    kit=self.kit, watch=watch(n) if watch else None,
                )
            )  # fmt: skip
        return out

    def base(self, gross: float = 0.05, skill: str = "trade") -> list[Run]:
        """The jobs as they are, at this rate of wrong readings."""
        if (skill, gross) not in self._base:
            self._base[skill, gross] = self.runs("base", gross, skill=skill)
        return self._base[skill, gross]

    # ---- rows -------------------------------------------------------------------------------------------

    def priors(self) -> str:
        made = self.runs("priors", 0.05, world=lambda n: with_priors(self.world, self.rng("priors", n)))
        return _paired("priors x 3 either way", made, self.base(), "+25 %")

    def costs(self) -> str:
        made = self.runs("costs", 0.05, world=lambda n: with_costs(self.world, self.rng("costs", n)))
        return _paired("costs x 2 either way", made, self.base(), "+25 %")

    def errors(self) -> str:
        with observer(BLIND_TO_ERRORS, "trade"):
            clean = self.runs("errors", 0.0)
            made = self.runs("errors", 0.05)
        return _paired("5 % wrong readings the job knows nothing of", made, clean, "+25 %")

    def beginner(self) -> str:
        made = self.runs("beginner", 0.15, skill="beginner")
        return _paired("15 % wrong readings of a beginner", made, self.base(0.0, "beginner"), "+35 %")

    def unconstrained(self) -> str:
        with policy(free):
            made = self.runs("free", 0.05)
        return _paired("shipped rule against the rule without guards", self.base(), made, "+3 %")

    def printed(self) -> str:
        orders = {c: printed_order(self.world, c, self.kit) for c in {c for _, c in self.truths}}
        made = []
        for n, (i, complaint) in enumerate(self.truths):
            truth = self.world.candidates[i]
            player = Slipping(OwnPlayer(self.world, truth), self.rng("slip0.05", n), 0.05)
            with policy(chart(orders[complaint])):
                made.append(one(self.opened, self.world, truth, (complaint,), player, kit=self.kit))
        return _paired("shipped rule against a printed chart", self.base(), made, "-50 %")

    def pairs(self) -> str:
        both, alone = [], []
        for n in range(0, self.jobs - 1, 2):
            (i, first), (j, second) = self.truths[n], self.truths[n + 1]
            a, b = self.world.candidates[i], self.world.candidates[j]
            if a.faults[0].component == b.faults[0].component or first == second:
                continue
            truth = Candidate("pair", (*a.faults, *b.faults), 0.5)
            player = OwnPlayer(self.world, truth)
            both.append(one(self.opened, self.world, truth, (first, second), player, kit=self.kit))
            for c, complaint in ((a, first), (b, second)):
                single = OwnPlayer(self.world, c)
                alone.append(one(self.opened, self.world, c, (complaint,), single, kit=self.kit))
        together, apart = np.mean([r.minutes for r in both]), 2.0 * np.mean([r.minutes for r in alone])
        right, mended = _share(r.found for r in both), _share(r.outcome == "repaired" for r in both)
        return (
            f"true pair against its two single jobs: {together:.1f} / {apart:.1f} min = "
            f"{together / apart:.2f} (goal 1.25), {len(both)} pairs, something right {right}, "
            f"repaired {mended}, wrong repairs {_mean(r.wrong for r in both)}"
        )

    def intermittent(self) -> str:
        made, plain = [], []
        for n, (i, complaint) in enumerate(self.truths):
            truth = self.world.candidates[i]
            if not {"vibration", "heat", "wet"}.intersection(truth.faults[0].tags):
                continue
            dozing = Dozing(self.world, truth, self.rng("dozing", n))
            made.append(one(self.opened, self.world, truth, (complaint,), dozing, kit=self.kit))
            plain.append(
                one(self.opened, self.world, truth, (complaint,), OwnPlayer(self.world, truth), kit=self.kit)
            )
        return _paired("a fault that comes and goes", made, plain, "+50 %")

    def unmodelled(self) -> str:
        made = []
        for i, complaint in self.truths:
            truth = self.world.candidates[i]
            blind = without_part(self.world, truth.faults[0].component)
            made.append(
                one(self.opened, blind, truth, (complaint,), OwnPlayer(self.world, truth), kit=self.kit)
            )
        lost = [r for r in made if not r.found]
        said = _share(r.outcome == "stopped" and r.tools <= 10 for r in lost)
        return (
            f"a fault on nobody's list (the part's own faults unknown to the job): stops and says so within "
            f"10 tool steps {said} (goal 80 %) of {len(lost)} jobs whose repair was not hit upon, "
            f"wrong repairs {_mean(r.wrong for r in made)}, {np.mean([r.minutes for r in made]):.1f} min"
        )

    def healthy(self) -> str:
        sound = self.world.candidates[self.world.no_fault]
        made = []
        for complaint in self.world.spec.complaints:
            player = OwnPlayer(self.world, sound)
            made.append(one(self.opened, self.world, sound, (complaint,), player, kit=self.kit))
        return (
            f"a sound bike, every complaint: stopped {_share(r.outcome == 'stopped' for r in made)}, work "
            f"advised {sum(r.wrong for r in made)} times (goal 0), tool steps at most "
            f"{max(r.tools for r in made)} (goal 8)"
        )

    def calibrated(self) -> str:
        points: list[tuple[float, bool]] = []

        def watching(n: int) -> Callable[[Any], None]:
            truth = self.world.candidates[self.truths[n][0]]

            def watch(state: Any) -> None:
                if state.belief is None or state.phase != "working" or state.wider.pairs:
                    return
                chance = evidence.chances(state.belief)
                for repair in _leading(self.world, chance):
                    cured = self.world.cures(repair)
                    points.append((float(chance @ cured), any(repair in f.repairs for f in truth.faults)))

            return watch

        self.runs("calibrated", 0.05, watch=watching)
        rows = calibration(points)
        lines = [
            f"  {low:.1f}-{low + 0.1:.1f}  said {said:.3f}  right {right:.3f}  off {right - said:+.3f}  n {n}"
            for low, said, right, n in rows
        ]
        worst = max((abs(right - said) for _, said, right, n in rows if n >= 100), default=float("nan"))
        return "\n".join(
            [f"chance of the leading repair at every step (goal within 0.05; worst {worst:.3f})", *lines]
        )


ROWS: Mapping[str, Callable[[Bench], str]] = {
    name: getattr(Bench, name)
    for name in (
        "priors", "costs", "errors", "beginner", "unconstrained", "printed", "pairs", "intermittent",
        "unmodelled", "healthy", "calibrated",
    )
}  # fmt: skip


def _leading(world: BikeWorld, chance: np.ndarray) -> list[str]:
    best = sorted(world.repairs, key=lambda r: -float(chance @ world.cures(r)))
    return best[:1]


def _paired(title: str, made: Sequence[Run], base: Sequence[Run], goal: str) -> str:
    a, b = (np.array([r.minutes for r in runs]) for runs in (made, base))
    apart = a - b
    error = float(apart.std(ddof=1) / len(apart) ** 0.5) if len(apart) > 1 else float("nan")
    return (
        f"{title}: {a.mean():.1f} against {b.mean():.1f} min, {100 * (a.mean() / b.mean() - 1):+.1f} % "
        f"(goal {goal}; difference {apart.mean():+.2f} +- {error:.2f}), found {_share(r.found for r in made)}"
        f" against {_share(r.found for r in base)}, wrong repairs {_mean(r.wrong for r in made)} against "
        f"{_mean(r.wrong for r in base)}, wrong and confident {_share(r.confident for r in made)}, "
        f"{len(made)} jobs"
    )


def _share(flags: Iterable[bool]) -> str:
    found = list(flags)
    return f"{100 * sum(found) / len(found):.1f} %" if found else "-"


def _mean(numbers: Iterable[float]) -> str:
    found = list(numbers)
    return f"{sum(found) / len(found):.3f}" if found else "-"


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m diagnose.robust", description=__doc__.split("\n\n")[0])
    parser.add_argument("bike", nargs="?", default="custom_single")
    parser.add_argument("rows", nargs="*", help=f"any of {', '.join(ROWS)} (default: all)")
    parser.add_argument("--jobs", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kit", default="meter")
    chosen = parser.parse_args(arguments)
    unknown = [r for r in chosen.rows if r not in ROWS]
    if unknown:
        parser.error(f"no row {', '.join(unknown)}; expected any of {', '.join(ROWS)}")
    bench = Bench(chosen.bike, chosen.jobs, chosen.seed, chosen.kit)
    machine = f"{platform.machine()}, {platform.python_implementation()} {platform.python_version()}"
    print(f"{chosen.bike}, {chosen.jobs} jobs, seed {chosen.seed}, kit {chosen.kit}, {machine}")
    for row in chosen.rows or ROWS:
        began = time.perf_counter()
        print(f"{row}: {ROWS[row](bench)} [{time.perf_counter() - began:.0f} s]", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
