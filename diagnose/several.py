"""Jobs with several faults and several complaints, drawn at random, played and counted.

    python -m diagnose.several custom_single [own|ngspice] [--pairs 20] [--triples 10] [--seed 1]

A pair: two faults of different parts, each of which alone draws one of the complaints that the bike with both
shows. A triple: three complaints; every other one has a single cause where the bike has one that draws
all three, the others have as many faults as it takes.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from diagnose.bike.model import Candidate, Fault, JobState, Measurement
from diagnose.play import AS_KNOWN, Mended, Played, play
from diagnose.players import NgspicePlayer, OwnPlayer
from diagnose.predictions.complaints import complaint_chance
from diagnose.rules.base import RuleBase
from diagnose.wiring import BikeWorld
from diagnose.wording import Wording

SHOWS = 0.5  # [1] chance from which a bike is said to have a complaint
TRIES = 400


@dataclass(slots=True, eq=False)
class SeveralPlayer:
    """One bike with several faults; a repair takes those that it cures. One meter, one bike as built.

    rng  None: this program's own solver, nominal values; else ngspice, tolerances and a meter that errs
    """

    world: BikeWorld
    faults: tuple[Fault, ...]
    complaints: tuple[str, ...]
    rng_seed: int | None = None
    inner: Any = field(init=False)
    left: tuple[Fault, ...] = field(init=False)

    def __post_init__(self) -> None:
        self.left = self.faults
        self._make()

    def _make(self) -> None:
        truth = together(self.left)
        if self.rng_seed is None:
            self.inner = OwnPlayer(self.world, truth)
        else:  # the same seed draws the same bike and the same meter again
            self.inner = NgspicePlayer(self.world, truth, np.random.default_rng(self.rng_seed))

    def answer(self, m: Measurement, job: JobState) -> str:
        return str(self.inner.answer(m, job))

    def again(self, m: Measurement, job: JobState) -> str:
        return str(self.inner.again(m, job))

    def truth(self, m: Measurement, job: JobState) -> str:
        return str(self.inner.truth(m, job))

    def cured(self) -> None:
        """Not used: repairs go through mend."""

    def fails(self) -> bool:
        """Whether any of the complaints is left."""
        return bool(self.left_over(self.complaints))

    def mend(self, repair: str) -> Mended:
        """What a repair does, and what the rider says of it."""
        before = self.left_over(self.complaints)
        kept = tuple(f for f in self.left if repair not in f.repairs)
        right = len(kept) < len(self.left)
        if right:
            self.left = kept
            self._make()
        after = self.left_over(before)
        works = "yes" if not after else "no" if after == before or len(self.complaints) < 2 else "some"
        self.complaints = tuple(after) or self.complaints
        return Mended(right, works)

    def left_over(self, complaints: Sequence[str]) -> list[str]:
        """Of these complaints those that the bike with what is left shows."""
        return shown(self.world, self.left, complaints) if self.left else []


def together(faults: Sequence[Fault]) -> Candidate:
    """These faults as one candidate; the sound bike for none."""
    ordered = tuple(sorted(faults, key=lambda f: f.id))
    return Candidate("+".join(f.id for f in ordered) or "no_fault", ordered, 0.5)


def shown(world: BikeWorld, faults: Sequence[Fault], complaints: Sequence[str]) -> list[str]:
    """Which of these complaints a bike with these faults has."""
    predictor = world.predictor_of((world.candidates[world.no_fault], together(faults)))
    return [c for c in complaints if complaint_chance(predictor, world.library.complaints[c])[1] >= SHOWS]


@dataclass(frozen=True, slots=True)
class Drawn:
    """One job to play: what is hidden and what is complained of."""

    faults: tuple[Fault, ...]
    complaints: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Result:
    """How it went. missed: ids of faults that no repair took and no end named."""

    drawn: Drawn
    played: Played
    missed: tuple[str, ...]
    seconds: float


def _causes(world: BikeWorld, complaint: str) -> np.ndarray:
    """(n_candidates,) chance of each single, repairable fault given a complaint; zeros without one."""
    chance = np.where(world.complaint_chance(complaint) >= SHOWS, world.complaint_chance(complaint), 0.0)
    usable = np.array([len(c.faults) == 1 and bool(c.faults[0].repairs) for c in world.candidates])
    weight = world.prior * chance * usable
    return weight / weight.sum() if weight.sum() > 0 else weight


def draw_pair(world: BikeWorld, rng: np.random.Generator) -> Drawn:
    """Two faults of different parts, and the complaints of those drawn that the bike with both shows."""
    names = [c for c in sorted(world.spec.complaints) if _causes(world, c).any()]
    for _ in range(TRIES):
        both = [str(c) for c in rng.choice(names, 2, replace=False)]
        faults = []
        for c in both:
            weight = _causes(world, c)
            faults.append(world.candidates[int(rng.choice(len(weight), p=weight))].faults[0])
        if faults[0].component == faults[1].component:
            continue
        told = shown(world, faults, both)
        if told and all(shown(world, [f], told) for f in faults):
            return Drawn(tuple(faults), tuple(told))
    raise ValueError("no two faults of different parts of this bike draw a complaint")


def draw_triple(world: BikeWorld, rng: np.random.Generator, *, shared: bool) -> Drawn:
    """Three complaints and what causes them. shared: one fault that draws all three, if there is one."""
    names = [c for c in sorted(world.spec.complaints) if _causes(world, c).any()]
    for _ in range(TRIES):
        three = [str(c) for c in rng.choice(names, 3, replace=False)]
        weights = [_causes(world, c) for c in three]
        common = weights[0] * (weights[1] > 0) * (weights[2] > 0)
        if shared:
            if not common.any():
                continue
            i = int(rng.choice(len(common), p=common / common.sum()))
            return Drawn(world.candidates[i].faults, tuple(three))
        faults: list[Fault] = []
        for c, weight in zip(three, weights, strict=True):
            if not faults or c not in shown(world, faults, three):
                faults.append(world.candidates[int(rng.choice(len(weight), p=weight))].faults[0])
        if len({f.component for f in faults}) == len(faults) and len(shown(world, faults, three)) == 3:
            return Drawn(tuple(faults), tuple(three))
    raise ValueError("no three complaints of this bike go together")


def play_one(
    world: BikeWorld, rulebase: RuleBase, wording: Wording, drawn: Drawn, seed: int | None = None
) -> Result:
    """Play one job to its end. seed: of the bike as built, played by ngspice; None: own solver."""
    player = SeveralPlayer(world, drawn.faults, drawn.complaints, seed)
    began = time.perf_counter()
    options = {**AS_KNOWN, "complaints": list(drawn.complaints)}
    played = play(world, rulebase, wording, options, player, player.mend)
    ends = (
        {part for cause in played.causes for part in cause.split("+")}
        if played.outcome == "stopped"
        else set()
    )
    missed = tuple(f.id for f in player.left if f.id not in ends)
    return Result(drawn, played, missed, time.perf_counter() - began)


def draw(world: BikeWorld, pairs: int, triples: int, seed: int) -> list[Drawn]:
    """The jobs of a run. Same seed, same jobs."""
    rng = np.random.default_rng(seed)
    two = [draw_pair(world, rng) for _ in range(pairs)]
    return [*two, *(draw_triple(world, rng, shared=i % 2 == 0) for i in range(triples))]


def main(argv: Sequence[str]) -> int:
    """Play and count; a line for each job as it ends."""
    from diagnose.means import open_knowledge

    parser = argparse.ArgumentParser(prog="python -m diagnose.several")
    parser.add_argument("bike")
    parser.add_argument("player", nargs="?", choices=("own", "ngspice"), default="own")
    parser.add_argument("--pairs", type=int, default=20)
    parser.add_argument("--triples", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(list(argv))
    opened = open_knowledge()
    world = opened.world(options.bike)
    print(f"{options.bike}, {options.player}, seed {options.seed}")
    results = []
    for i, drawn in enumerate(draw(world, options.pairs, options.triples, options.seed)):
        seed = 1000 * options.seed + i if options.player == "ngspice" else None
        r = play_one(world, opened.rulebase, opened.wording, drawn, seed)
        results.append(r)
        end = "all found" if not r.missed else f"MISSED {', '.join(r.missed)}"
        print(
            f"{'+'.join(f.id for f in drawn.faults)} | {', '.join(drawn.complaints)} | {r.played.outcome}, "
            f"{r.played.steps} steps, {r.played.minutes:.0f} min, told {r.played.estimate} | {end} | "
            f"{r.seconds:.1f} s",
            flush=True,
        )
    for name, some in (("pairs", results[: options.pairs]), ("triples", results[options.pairs :])):
        if some:
            all_found = sum(not r.missed for r in some)
            wrong = sum(a.sort == "repair" and not a.right for r in some for a in r.played.advice)
            held = [r for r in some if r.played.estimate]
            within = sum(r.played.estimate[0] <= r.played.minutes <= r.played.estimate[2] for r in held)
            print(
                f"{name}: all causes found {all_found} of {len(some)}, wrong repairs {wrong}, "
                f"minutes within the estimate {within} of {len(held)}"
            )
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
