"""A larger problem with noise: 150 fault modes of 60 parts on a random feed tree, 180 tests, 60 repairs.

Three kinds of it, because the ranking of policies depends on how well faults can be told apart at all.
Volt readings with 0.25 V of noise and 3 % gross errors, yes/no questions answered wrongly 5 % of the time,
noisy resistance checks. A test repeated gives the same value. Synthetic: it ranks policies, no more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.choice.bench.baselines import Policy
from diagnose.choice.problem import MeasurementOption, Paid, Problem, RepairOption
from diagnose.predictions.outcomes import planning_outcomes
from diagnose.predictions.table import Column

PARTS, MODES, TESTS = 60, 150, 180
SIGMA_VOLTS, GROSS = 0.25, 0.03
WRONG_WORD = 0.05
LIMIT_STEPS = 300


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """problem: what policies see. means (n_tests, n_modes), spread (n_tests,), kinds v | w | o."""

    problem: Problem
    means: np.ndarray
    spread: np.ndarray
    kinds: tuple[str, ...]
    span: np.ndarray
    part: np.ndarray


@dataclass(frozen=True, slots=True)
class Result:
    """One episode: minutes until fixed, wrong repairs, tests taken."""

    minutes: float
    wrong: int
    tests: int


def build(seed: int, sort: str = "try", kind_of_world: str = "weak") -> World:
    """Draw one bike-like problem.

    sort    'try': no guard before repairs, the bare rule; 'repair': guards on
    kind_of_world
            'weak': of every part the volts behind it, whether it works, and its own ohms; every fifth mode
            shows in nothing but a noisy ohms check of the part itself;
            'clear': the same tests, every mode shows in volts: open, 5, 15 or 40 % stolen, or a short;
            'some': modes as in clear, but tests at random, so that some parts cannot be told apart
    """
    rng = np.random.default_rng([seed, 11])
    parent = np.array([-1] + [int(rng.integers(max(0, i - 6), i)) for i in range(1, PARTS)])
    # every part can go open; the other modes are a resistance, a short, or (weak) a change of its own ohms
    part = np.concatenate([np.arange(PARTS), rng.integers(0, PARTS, MODES - PARTS)])
    last = 4 if kind_of_world == "weak" else 3
    mode = np.concatenate([np.zeros(PARTS, dtype=int), rng.integers(1, last, MODES - PARTS)])
    joint = (
        rng.uniform(1.0, 6.0, MODES)
        if kind_of_world == "weak"
        else 12.4 * rng.choice([0.05, 0.15, 0.40], MODES)  # a bad joint steals 5, 15 or 40 % of the volts
    )
    drop = np.where(mode == 0, 12.4, np.where(mode == 1, joint, 0.0))
    sag = np.where(mode == 2, rng.uniform(4.0, 12.4, MODES), 0.0)  # a short pulls its own feed down
    below = np.zeros((PARTS, PARTS), dtype=bool)  # below[p, q]: q is fed through p (or is p)
    for q in range(PARTS):
        p = q
        while p >= 0:
            below[p, q] = True
            p = parent[p]
    volts = np.zeros((PARTS, MODES))  # at the output of each part
    for m in range(MODES):
        volts[:, m] = np.where(below[part[m]], 12.4 - drop[m] - sag[m], 12.4)
        if mode[m] == 2 and parent[part[m]] >= 0:
            volts[:, m] = np.where(below[parent[part[m]]], 12.4 - sag[m], volts[:, m])
    volts = np.maximum(volts, 0.0)
    means, spread, kinds, span, options = [], [], [], [], []
    for t in range(TESTS):
        if kind_of_world == "some":
            what, kind = int(rng.integers(0, PARTS)), "vvvwwo"[int(rng.integers(0, 6))]
        else:
            what, kind = t % PARTS, "vwo"[t // PARTS]
        minutes = float(rng.uniform(1.0, 5.0) if kind == "w" else rng.uniform(2.0, 12.0))
        if kind == "v":
            mean = volts[what]
            column = Column(
                f"t{t}", "volts", "V", value=mean, spread=np.full(MODES, SIGMA_VOLTS), low=-0.5, high=15.0
            )
            table = planning_outcomes(column, error=GROSS)
            sd, width = SIGMA_VOLTS, 15.5
        elif kind == "o":
            hit = part == what  # ln ohms of the part itself: open is high, a short low
            mean = np.where(hit, np.array([6.0, 2.5, -2.0, 1.5])[mode], 0.0)
            sd, width = 0.8, 12.0
            column = Column(f"t{t}", "volts", "V", value=mean, spread=np.full(MODES, sd), low=-4.0, high=8.0)
            table = planning_outcomes(column, error=GROSS)
        else:
            mean = (volts[what] > 9.0).astype(float)  # "does it work?"
            sd, width = 0.0, 1.0
            right = np.where(mean > 0.5, 1.0 - WRONG_WORD, WRONG_WORD)
            table = np.stack([right, 1.0 - right]).astype(np.float32)
        means.append(mean)
        spread.append(sd)
        span.append(width)
        kinds.append(kind)
        options.append(MeasurementOption(f"t{t}", table, minutes))
    weight = rng.gamma(0.7, size=MODES)
    repair_minutes = rng.uniform(8.0, 90.0, PARTS)
    repairs = tuple(
        RepairOption(f"r{p}", (part == p).astype(float), float(repair_minutes[p]), sort) for p in range(PARTS)
    )
    problem = Problem(weight / weight.sum(), tuple(options), repairs)
    return World(problem, np.array(means), np.array(spread), tuple(kinds), np.array(span), part)


def draw(world: World, rng: np.random.Generator, unknown: float = 0.0) -> tuple[int, np.ndarray]:
    """The truth of an episode and the reading that each test would give, once and for all.

    unknown  additional share of readings replaced by random values that the model knows nothing of
    """
    truth = int(rng.choice(MODES, p=world.problem.prior))
    readings = world.means[:, truth] + rng.normal(0.0, 1.0, TESTS) * world.spread
    kinds = np.array(world.kinds)
    low = np.where(kinds == "v", -0.5, -4.0)
    gross = rng.random(TESTS) < GROSS
    wild = low + rng.random(TESTS) * world.span
    readings = np.where(gross & (kinds != "w"), wild, readings)
    lie = rng.random(TESTS) < WRONG_WORD
    word = np.where(lie, 1.0 - world.means[:, truth], world.means[:, truth])
    readings = np.where(kinds == "w", word, readings)
    spoiled = rng.random(TESTS) < unknown
    noise = np.where(
        kinds == "w", (rng.random(TESTS) < 0.5).astype(float), low + rng.random(TESTS) * world.span
    )
    return truth, np.where(spoiled, noise, readings)


def likelihood(world: World, test: int, reading: float) -> np.ndarray:
    """(n_modes,) exact density of the reading."""
    mean = world.means[test]
    if world.kinds[test] == "w":
        return np.where(np.abs(mean - reading) < 0.5, 1.0 - WRONG_WORD, WRONG_WORD)
    sd = world.spread[test]
    normal = np.exp(-0.5 * ((reading - mean) / sd) ** 2) / (sd * np.sqrt(2.0 * np.pi))
    return (1.0 - GROSS) * normal + GROSS / world.span[test]


def episode(world: World, policy: Policy, truth: int, readings: np.ndarray) -> Result:
    """Play one job to its end."""
    belief = world.problem.prior.copy()
    used: set[str] = set()
    done: set[str] = set()
    minutes, wrong = 0.0, 0
    for _ in range(LIMIT_STEPS):
        sort, option = policy(world.problem, belief, Paid(used=frozenset(used), repairs_done=frozenset(done)))
        index = int(option[1:])
        if sort == "measure":
            minutes += world.problem.measurements[index].minutes
            used.add(option)
            belief = belief * likelihood(world, index, readings[index])
        else:
            minutes += world.problem.repairs[index].minutes
            if world.part[truth] == index:
                return Result(minutes, wrong, len(used))
            wrong += 1
            done.add(option)
            belief = belief * (1.0 - world.problem.repairs[index].cures)
        belief = belief / belief.sum()
    raise RuntimeError(f"noisy: no repair worked in {LIMIT_STEPS} steps; the policy does not end")


def run(
    seed: int,
    episodes: int,
    policies: dict[str, Policy],
    unknown: float = 0.0,
    sort: str = "try",
    kind_of_world: str = "weak",
) -> dict[str, list[Result]]:
    """All policies on the same episodes."""
    world = build(seed, sort, kind_of_world)
    results: dict[str, list[Result]] = {name: [] for name in policies}
    for e in range(episodes):
        truth, readings = draw(world, np.random.default_rng([seed, 13, e]), unknown)
        for name, policy in policies.items():
            results[name].append(episode(world, policy, truth, readings))
    return results
