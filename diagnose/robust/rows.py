"""How much a job suffers when what it believes is wrong: the same hidden faults, played with and without.

Built on trial and play. Each row
pairs a run with a disturbance with the same jobs without it. Bikes answer from this program's own
predictions with slips laid over, so that only the disturbance differs; ngspice plays `diagnose trial`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnose.bike.model import Candidate
from diagnose.calibration import Point, calibration, calibration_lines, watching
from diagnose.choice.weigh import DEFAULT
from diagnose.conversation.state import BEGINNER_FACTOR
from diagnose.means import Opened, open_knowledge
from diagnose.play import AS_KNOWN, Played, play
from diagnose.players import OwnPlayer, dozing
from diagnose.robust.beliefs import (
    chart,
    free,
    harm_counted,
    observer,
    policy,
    printed_order,
    with_costs,
    with_priors,
    without_part,
)
from diagnose.robust.riders import Slipping
from diagnose.several import SeveralPlayer, shown, together
from diagnose.trial import CONFIDENT, draw_truths
from diagnose.wiring import BikeWorld

BLIND_TO_ERRORS = ((1e-4,), (1.0,))


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
    options = {**AS_KNOWN, "complaints": list(complaints), "kit": kit, "skill": skill}

    def cures(repair: str) -> bool:
        return all(repair in f.repairs for f in truth.faults) and truth.is_fault

    mended = player.mend if isinstance(player, SeveralPlayer) else cures
    played = play(world, opened.rulebase, opened.wording, options, player, mended, watch=watch)
    return _counted(world, true or world, played, truth, skill)


def _counted(world: BikeWorld, true: BikeWorld, played: Played, truth: Candidate, skill: str) -> Run:
    factor = BEGINNER_FACTOR if skill == "beginner" else 1.0
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
        first is not None and not first.right and first.probability >= CONFIDENT,
        played.tool_steps,
        played.outcome,
        played.stop,
    )


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

    def harm(self) -> str:
        """What a wrong repair is counted as, half and twice: what Limits.harm_min was set by."""
        told = []
        for minutes in (0.5 * DEFAULT.harm_min, 2.0 * DEFAULT.harm_min):
            with policy(harm_counted(minutes)):
                made = self.runs("harm", 0.05)
            told.append(_paired(f"a wrong repair counted as {minutes:g} min", made, self.base(), "none"))
        return "\n".join(told)

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
            if len(shown(self.world, (*a.faults, *b.faults), (first, second))) < 2:
                continue  # one hides the other's complaint
            truth = together((*a.faults, *b.faults))
            player = SeveralPlayer(self.world, truth.faults, (first, second))
            both.append(one(self.opened, self.world, truth, (first, second), player, kit=self.kit))
            for c, complaint in ((a, first), (b, second)):
                single = OwnPlayer(self.world, c)
                alone.append(one(self.opened, self.world, c, (complaint,), single, kit=self.kit))
        minutes, apart = np.mean([r.minutes for r in both]), 2.0 * np.mean([r.minutes for r in alone])
        right, mended = _share(r.found for r in both), _share(r.outcome == "repaired" for r in both)
        return (
            f"true pair against its two single jobs: {minutes:.1f} / {apart:.1f} min = "
            f"{minutes / apart:.2f} (goal 1.25), {len(both)} pairs, something right {right}, "
            f"repaired {mended}, wrong repairs {_mean(r.wrong for r in both)}"
        )

    def intermittent(self) -> str:
        made, plain = [], []
        for n, (i, complaint) in enumerate(self.truths):
            truth = self.world.candidates[i]
            if not {"vibration", "heat", "wet"}.intersection(truth.faults[0].tags):
                continue
            sleepy = dozing(self.world, truth, self.rng("dozing", n))
            made.append(one(self.opened, self.world, truth, (complaint,), sleepy, kit=self.kit))
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
        points: list[list[Point]] = [[] for _ in self.truths]
        hidden = [(complaint, self.world.candidates[i]) for i, complaint in self.truths]
        self.runs("calibrated", 0.05, watch=lambda n: watching(self.world, *hidden[n], points[n]))
        rows = calibration(points)
        worst = max((abs(right - said) for _, said, right, n in rows if n >= 100), default=float("nan"))
        title = f"chance of the leading repair among the listed faults (goal within 0.05; worst {worst:.3f})"
        return "\n".join([title, *calibration_lines(rows)])


ROWS: Mapping[str, Callable[[Bench], str]] = {
    name: getattr(Bench, name)
    for name in (
        "priors", "costs", "errors", "beginner", "unconstrained", "harm", "printed", "pairs", "intermittent",
        "unmodelled", "healthy", "calibrated",
    )
}  # fmt: skip


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
