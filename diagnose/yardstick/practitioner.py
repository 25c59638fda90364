"""Play jobs in the order in which a good hand tests, and as the program does: same faults, answers, minutes.

The hand reads as well as the program does: the same belief weighs what is read. Only the order is his. A line
that would tell him next to nothing now is skipped; he repairs from VERDICT on; when his list is through
he goes on as the program would, so what differs is the order of the list alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from diagnose.bike.model import Candidate
from diagnose.choice.problem import Act, Paid, Problem
from diagnose.choice.rate import next_act
from diagnose.choice.weigh import Limits, weigh
from diagnose.means import Opened
from diagnose.play import AS_KNOWN, Played, play
from diagnose.players import OwnPlayer
from diagnose.robust.beliefs import policy
from diagnose.wiring import BikeWorld
from diagnose.yardstick.model import Sequence as Order
from diagnose.yardstick.model import matching

VERDICT = 0.9  # [1] chance of cure from which the hand repairs (estimate)
TELLS = 0.05  # [nats] below this a line is skipped: the hand knows its answer (estimate)
HOPE = 0.05  # [1] chance of cure below which a cheap try in the list is skipped (estimate)
FIRST_LINES = 3
TRY = "try:"


@dataclass(slots=True)
class Watched:
    """What was known at the first decision of a job: the act, and what each measurement was worth then."""

    act: Act | None = None
    rates: Mapping[str, float] = field(default_factory=dict)

    def see(self, act: Act, problem: Problem, belief: np.ndarray, paid: Paid) -> Act:
        """Remember the first act; returns the act."""
        if self.act is None:
            weighed = weigh(problem, belief, paid)
            self.act = act
            with np.errstate(invalid="ignore"):
                rates = weighed.scores.by_candidate / weighed.now.tests
            self.rates = {m.id: float(r) for m, r in zip(problem.measurements, rates, strict=True)}
        return act


class Hand:
    """Chooses the next act as a list says."""

    def __init__(self, lines: Sequence[str]):
        self.lines = tuple(lines)

    def __call__(self, problem: Problem, belief: np.ndarray, paid: Paid, limits: Limits) -> Act:
        weighed = weigh(problem, belief, paid)
        now = weighed.now
        chance = now.cures @ belief if len(now.repairs) else np.zeros(0)
        if len(chance) and chance.max() >= VERDICT:
            best = now.repairs[int(np.argmax(chance))]
            return Act(best.sort, best.id, 0.0)
        index = {m.id: i for i, m in enumerate(problem.measurements)}
        open_repairs = {r.id: i for i, r in enumerate(now.repairs)}
        for line in self.lines:
            if line.startswith(TRY):
                i = open_repairs.get(line.removeprefix(TRY), -1)
                if i >= 0 and chance[i] >= HOPE:
                    return Act(now.repairs[i].sort, now.repairs[i].id, 0.0)
                continue
            i = index.get(line, -1)
            if i >= 0 and np.isfinite(now.tests[i]) and weighed.scores.by_candidate[i] >= TELLS:
                return Act("measure", line, 0.0)
        return next_act(problem, belief, paid, limits)


@dataclass(frozen=True, slots=True)
class Went:
    """One job: minutes until the right repair was advised (to the end if it never was), and how it went.

    first  the first measurement after the questions of the start, '' if there was none
    """

    minutes: float
    right: bool
    tries: int
    first: str


@dataclass(frozen=True, slots=True)
class Compared:
    """One fault played by both. first_stands: our first step is among his first, or worth more a minute."""

    fault: str
    hand: Went
    ours: Went
    first_stands: bool


def lines_of(world: BikeWorld, order: Order, kit: str) -> tuple[str, ...]:
    """The hand's lines with a kit, each as one measurement or try; what the bike's plan lacks is left out."""
    return tuple(m for line in order.lines(kit) for m in expanded(world, line))


def expanded(world: BikeWorld, line: str) -> tuple[str, ...]:
    """One line of a list as measurement ids of this bike, or as a try."""
    if line.startswith(TRY):
        return tuple(TRY + r for r in matching(line.removeprefix(TRY), world.repairs))
    return matching(line, world.measurements)


def compare(opened: Opened, world: BikeWorld, order: Order, kit: str, truth: Candidate) -> Compared:
    """Play one hidden fault both ways."""
    lines = lines_of(world, order, kit)
    hand, _ = _played(opened, world, order, kit, truth, Hand(lines))
    ours, seen = _played(opened, world, order, kit, truth, next_act)
    return Compared(truth.id, hand, ours, first_stands(lines, seen))


def first_stands(lines: Sequence[str], seen: Watched) -> bool:
    """Whether a first act is a try, among the first lines, or tells more a minute than the best of them."""
    if seen.act is None or seen.act.sort != "measure":
        return True
    leading = [m for m in lines if not m.startswith(TRY) and m in seen.rates][:FIRST_LINES]
    alike = {_point(m) for m in leading}
    if _point(seen.act.option) in alike:
        return True
    return seen.rates[seen.act.option] >= max((seen.rates[m] for m in leading), default=0.0)


def _point(measurement: str) -> str:
    """What is looked at or read, whatever is switched on meanwhile."""
    return measurement.partition("@")[0]


def _played(
    opened: Opened, world: BikeWorld, order: Order, kit: str, truth: Candidate, chooser: object
) -> tuple[Went, Watched]:
    seen = Watched()
    reached: list[float] = []

    def choose(problem: Problem, belief: np.ndarray, paid: Paid, limits: Limits) -> Act:
        return seen.see(chooser(problem, belief, paid, limits), problem, belief, paid)  # type: ignore[operator]

    def cures(repair: str) -> bool:
        return any(repair in f.repairs for f in truth.faults)

    def watch(state: object) -> None:
        opened_ = state.open  # type: ignore[attr-defined]
        if opened_ is not None and opened_.sort == "advice" and cures(opened_.id) and not reached:
            reached.append(float(state.hands_minutes))  # type: ignore[attr-defined]

    options = {**AS_KNOWN, "complaints": [order.complaint], "kit": kit}
    with policy(choose):
        played = play(
            world, opened.rulebase, opened.wording, options, OwnPlayer(world, truth), cures, watch=watch
        )
    return _went(played, truth, reached, seen), seen


def _went(played: Played, truth: Candidate, reached: Sequence[float], seen: Watched) -> Went:
    right = bool(reached) or truth.id in played.causes
    minutes = reached[0] if reached else played.minutes
    first = seen.act.option if seen.act is not None and seen.act.sort == "measure" else ""
    return Went(minutes, right, sum(not a.right for a in played.advice), first)


def draw(world: BikeWorld, complaint: str, jobs: int, rng: np.random.Generator) -> list[Candidate]:
    """Hidden faults of so many jobs, by prior, of those that cause the complaint."""
    chance = world.complaint_chance(complaint)
    faulty = np.array([c.is_fault for c in world.candidates], dtype=float)
    weights = world.prior * np.where(chance >= 0.5, chance, 0.0) * faulty
    return [world.candidates[int(i)] for i in rng.choice(len(weights), size=jobs, p=weights / weights.sum())]


def cell(opened: Opened, world: BikeWorld, order: Order, kit: str, *, jobs: int, seed: int) -> list[Compared]:
    """Several hidden faults of one order of testing with one kit; a fault drawn twice is played once."""
    rng = np.random.default_rng([seed, *order.id.encode()])
    played: dict[str, Compared] = {}
    out = []
    for truth in draw(world, order.complaint, jobs, rng):
        if truth.id not in played:
            played[truth.id] = compare(opened, world, order, kit, truth)
        out.append(played[truth.id])
    return out


HEADING = (
    f"{'bike':<14} {'complaint':<18} {'kit':<9} jobs  hand min  ours min ratio  first "
    "found h/o vain h/o our first step"
)


def line_of_table(order: Order, kit: str, rows: Sequence[Compared]) -> str:
    """One row for the screen."""
    hand = np.array([r.hand.minutes for r in rows])
    ours = np.array([r.ours.minutes for r in rows])
    share = sum(r.first_stands for r in rows) / len(rows)
    return (
        f"{order.bike:<14} {order.complaint:<18} {kit:<9} {len(rows):>4} {hand.mean():>9.1f} "
        f"{ours.mean():>9.1f} {ours.mean() / max(hand.mean(), 1e-9):>5.2f} {share:>6.0%} "
        f"{sum(r.hand.right for r in rows):>5}/{sum(r.ours.right for r in rows):<3} "
        f"{sum(r.hand.tries for r in rows):>4}/{sum(r.ours.tries for r in rows):<3} {rows[0].ours.first}"
    )


def sum_of_table(rows: Sequence[Compared]) -> str:
    """All rows together: minutes where both came to the right repair, and how often they did."""
    both = [r for r in rows if r.hand.right and r.ours.right]
    hand = np.array([r.hand.minutes for r in both])
    ours = np.array([r.ours.minutes for r in both])
    apart = ours - hand
    error = float(apart.std(ddof=1) / len(apart) ** 0.5) if len(apart) > 1 else float("nan")
    return (
        f"all: {len(both)} of {len(rows)} jobs in which both came to the right repair: hand "
        f"{hand.mean():.1f} min, ours {ours.mean():.1f} min, ratio {ours.mean() / hand.mean():.2f} (goal "
        f"1.0; {apart.mean():+.1f} +- {error:.1f} min); first step stands in "
        f"{np.mean([r.first_stands for r in rows]):.0%}; right repair advised "
        f"{np.mean([r.hand.right for r in rows]):.0%} / {np.mean([r.ours.right for r in rows]):.0%}; in vain "
        f"{np.mean([r.hand.tries for r in rows]):.2f} / {np.mean([r.ours.tries for r in rows]):.2f} a job"
    )
