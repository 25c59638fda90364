"""Families of small exact problems: deterministic many-valued tests, perfect shared repairs.

Only generates; the optimum is computed by an independent program that lives with the tests.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from diagnose.choice.problem import MeasurementOption, Problem, RepairOption


@dataclass(frozen=True, slots=True, eq=False)
class Instance:
    """prior (n,); tests: (labels (n,), minutes); repairs: (cures (n,) bool, minutes).

    access         minutes to open each cover, paid once; () where nothing is covered
    test_covers    index of the cover over each test, -1 for none; repair_covers: over each repair
    """

    prior: np.ndarray
    tests: tuple[tuple[np.ndarray, float], ...]
    repairs: tuple[tuple[np.ndarray, float], ...]
    access: tuple[float, ...] = ()
    test_covers: tuple[int, ...] = ()
    repair_covers: tuple[int, ...] = ()

    @property
    def problem(self) -> Problem:
        """The same as the abstract decision problem; every repair is a `try`, so no guard interferes."""
        return Problem(
            prior=self.prior,
            measurements=tuple(
                MeasurementOption(
                    f"t{i}",
                    (label[None, :] == np.unique(label)[:, None]).astype(float),
                    minutes,
                    places=_behind(self.test_covers, i),
                )
                for i, (label, minutes) in enumerate(self.tests)
            ),
            repairs=tuple(
                RepairOption(
                    f"r{i}", cured.astype(float), minutes, "try", places=_behind(self.repair_covers, i)
                )
                for i, (cured, minutes) in enumerate(self.repairs)
            ),
            access={f"p{k}": minutes for k, minutes in enumerate(self.access)},
        )


def _behind(covers: tuple[int, ...], i: int) -> tuple[str, ...]:
    return (f"p{covers[i]}",) if covers and covers[i] >= 0 else ()


def random_tests(rng: np.random.Generator) -> Instance:
    """Tests that split at random into 2 to 4 outcomes; each repair cures one to three candidates."""
    n = int(rng.integers(14, 17))
    tests = tuple(
        (rng.integers(0, rng.integers(2, 5), n), float(rng.uniform(1.0, 20.0)))
        for _ in range(rng.integers(12, 25))
    )
    return _finish(rng, n, tests, _shared(rng, n, (5.0, 60.0)))


def chain(rng: np.random.Generator) -> Instance:
    """Wiring in a chain with branches: a volt reading tells whether the fault lies before its point."""
    n = int(rng.integers(14, 17))
    branch = int(rng.integers(3, n - 3))  # candidates from here on lie on a side branch
    fork = int(rng.integers(1, branch))
    tests = []
    for point in range(1, n):
        if rng.random() < 0.8:
            where = np.arange(n)
            before = where < point
            if point > branch:  # on the branch: what lies between fork and branch does not matter
                before = (where < fork) | ((where >= branch) & (where < point))
            tests.append((before.astype(int), float(rng.uniform(1.0, 20.0))))
    for _ in range(4):  # a look at a stretch
        a = int(rng.integers(0, n - 1))
        stretch = (np.arange(n) >= a) & (np.arange(n) < a + rng.integers(1, 4))
        tests.append((stretch.astype(int), float(rng.uniform(1.0, 20.0))))
    works_beyond = np.where(np.arange(n) < fork, 0, np.where(np.arange(n) < branch, 1, 2))
    tests.append((works_beyond, float(rng.uniform(1.0, 4.0))))  # which consumers are dead
    return _finish(rng, n, tuple(tests), _shared(rng, n, (5.0, 40.0), neighbours=True))


def expensive(rng: np.random.Generator) -> Instance:
    """Repairs that cost many times a test."""
    n = int(rng.integers(14, 17))
    tests = tuple(
        (rng.integers(0, rng.integers(2, 4), n), float(rng.uniform(1.0, 20.0)))
        for _ in range(rng.integers(12, 25))
    )
    return _finish(rng, n, tests, _shared(rng, n, (60.0, 300.0)))


def parity(rng: np.random.Generator) -> Instance:
    """Complementary tests: which repair is wanted shows only in two readings taken together."""
    bits = (np.arange(16)[:, None] >> np.arange(4)) & 1
    tests = [(bits[:, i], float(rng.uniform(1.0, 20.0))) for i in range(4) for _ in range(2)]
    for _ in range(3):
        a, b = rng.choice(4, 2, replace=False)
        tests.append((bits[:, a] & bits[:, b], float(rng.uniform(1.0, 20.0))))
    groups = (bits[:, 0] ^ bits[:, 1]) + 2 * (bits[:, 2] ^ bits[:, 3])
    repairs = tuple((groups == g, float(rng.uniform(20.0, 60.0))) for g in range(4))
    prior = rng.dirichlet(np.full(16, 20.0))  # nearly even: single tests tell almost nothing of the repair
    return Instance(prior, tuple(tests), repairs)


def covered(rng: np.random.Generator) -> Instance:
    """Wiring in a chain behind three covers: what opens a test opens the repairs and tests beside it."""
    n = 12
    access = tuple(float(m) for m in rng.uniform(3.0, 12.0, 3))
    at = np.sort(rng.integers(-1, 3, n))  # neighbours on the wire lie behind one cover; -1 lies open
    points = [i for i in range(1, n) if rng.random() < 0.8]
    tests = [((np.arange(n) < i).astype(int), float(rng.uniform(0.5, 4.0))) for i in points]
    repairs, places, start = [], [], 0
    while start < n:
        size = int(rng.integers(1, 3))
        cured = (np.arange(n) >= start) & (np.arange(n) < start + size)
        repairs.append((cured, float(rng.uniform(3.0, 25.0))))
        places.append(int(at[start]))
        start += size
    return Instance(
        rng.dirichlet(np.ones(n)),
        tuple(tests),
        tuple(repairs),
        access,
        tuple(int(at[i]) for i in points),
        tuple(places),
    )


FAMILIES: Mapping[str, Callable[[np.random.Generator], Instance]] = {
    "random": random_tests,
    "chain": chain,
    "expensive": expensive,
    "parity": parity,
    "covered": covered,
}


def _shared(
    rng: np.random.Generator, n: int, minutes: tuple[float, float], neighbours: bool = False
) -> tuple[tuple[np.ndarray, float], ...]:
    """Repairs that cover all candidates in groups of one to three, and two that cover more."""
    order = np.arange(n) if neighbours else rng.permutation(n)
    repairs, start = [], 0
    while start < n:
        size = int(rng.integers(1, 4))
        cured = np.zeros(n, dtype=bool)
        cured[order[start : start + size]] = True
        repairs.append((cured, float(rng.uniform(*minutes))))
        start += size
    for _ in range(2):
        first = int(rng.integers(0, n - 4))
        cured = np.zeros(n, dtype=bool)
        cured[order[first : first + 4]] = True
        repairs.append((cured, float(rng.uniform(minutes[0], 1.5 * minutes[1]))))
    return tuple(repairs)


def _finish(
    rng: np.random.Generator,
    n: int,
    tests: tuple[tuple[np.ndarray, float], ...],
    repairs: tuple[tuple[np.ndarray, float], ...],
) -> Instance:
    useful = tuple((label, minutes) for label, minutes in tests if len(np.unique(label)) > 1)
    return Instance(rng.dirichlet(np.ones(n)), useful, repairs)
