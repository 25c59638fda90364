"""Independent answers for tests of beliefs and choice. Never imports diagnose.beliefs or diagnose.choice.

Slow and plain on purpose: brute force over orders, dynamic programming over subsets, Bayes by enumeration.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable, Hashable, Iterable, Sequence
from fractions import Fraction
from functools import cache

import numpy as np

Number = int | float | Fraction


# ---- repairing without tests -------------------------------------------------------------------------------


def order_cost(order: Sequence[int], p: Sequence[Number], c: Sequence[Number]) -> Number:
    """Expected cost of disjoint perfect repairs in this order until fixed: sum c_i (1 - done before)."""
    total: Number = 0
    left: Number = 1
    for i in order:
        total = total + c[i] * left
        left = left - p[i]
    return total


def best_order(p: Sequence[Number], c: Sequence[Number]) -> tuple[Number, tuple[int, ...]]:
    """Brute force over all orders."""
    return min((order_cost(o, p, c), o) for o in itertools.permutations(range(len(p))))


def best_order_with_service(
    p: Sequence[Number], c: Sequence[Number], service: Number
) -> tuple[Number, tuple[int, ...]]:
    """Brute force over orders and the moment to call a service that always cures."""
    best: tuple[Number, tuple[int, ...]] | None = None
    for size in range(len(p) + 1):
        for order in itertools.permutations(range(len(p)), size):
            left = 1 - sum(p[i] for i in order)
            cost = order_cost(order, p, c) + (left * service if size < len(p) else 0)
            if best is None or (cost, order) < best:
                best = (cost, order)
    assert best is not None
    return best


def best_inspection(
    p: Sequence[Number], look: Sequence[Number], mend: Sequence[Number]
) -> list[tuple[Number, tuple[int, ...]]]:
    """All orders of inspect-then-repair with their costs, cheapest first."""
    found = []
    for order in itertools.permutations(range(len(p))):
        left: Number = 1
        total: Number = 0
        for i in order:
            total = total + left * look[i] + p[i] * mend[i]
            left = left - p[i]
        found.append((total, order))
    return sorted(found)


def best_identification(p: Sequence[Number], c: Sequence[Number]) -> Number:
    """Inspect until the culprit is known; the last one is convicted by elimination."""
    best: Number | None = None
    for order in itertools.permutations(range(len(p))):
        total: Number = 0
        left: Number = 1
        for i in order[:-1]:
            total = total + c[i] * left
            left = left - p[i]
        best = total if best is None or total < best else best
    assert best is not None
    return best


def overlapping_order_cost(
    order: Sequence[int], p: Sequence[Number], cures: Sequence[Sequence[Number]], c: Sequence[Number]
) -> Number:
    """Expected cost of imperfect, overlapping actions in this order; cures[action][cause]."""
    left = list(p)
    total: Number = 0
    for a in order:
        total = total + c[a] * sum(left)
        left = [x * (1 - k) for x, k in zip(left, cures[a], strict=True)]
    return total


# ---- tests and repairs: the exact optimum ------------------------------------------------------------------


class Covers:
    """Covers over tests and repairs: opened once, at a cost, and then open.

    access   cost of each cover; tests, repairs: the index of the cover over each, -1 for none
    """

    def __init__(self, access: Sequence[float] = (), tests: Sequence[int] = (), repairs: Sequence[int] = ()):
        self.access, self._tests, self._repairs = access, tests, repairs

    def test(self, t: int, opened: int) -> tuple[float, int]:
        """(cost to open what covers a test, set of open covers after it); opened: a set as bits."""
        return self._open(self._tests[t] if self._tests else -1, opened)

    def repair(self, r: int, opened: int) -> tuple[float, int]:
        """The same for a repair."""
        return self._open(self._repairs[r] if self._repairs else -1, opened)

    def _open(self, cover: int, opened: int) -> tuple[float, int]:
        if cover < 0 or opened >> cover & 1:
            return 0.0, opened
        return self.access[cover], opened | 1 << cover


def optimum(
    p: np.ndarray,
    tests: Sequence[tuple[np.ndarray, float]],
    repairs: Sequence[tuple[np.ndarray, float]],
    covers: Covers | None = None,
) -> np.ndarray:
    """Least expected cost until fixed, for every subset of candidates that may remain; all covers closed.

    p        (n,) chances
    tests    (label of the outcome that each candidate gives (n,), cost): deterministic, many-valued
    repairs  (which candidates it cures (n,) bool, cost)
    returns  (2**n,) W[S] = P(S) * least expected cost from S; W[-1] is the whole problem (P = 1)
             W(S, open) = min( min_t c_t P(S) + sum_o W(S & o, open'), min_r c_r P(S) + W(S \\ cured, open') )
             where c counts the cover that is still closed, and open' has it open
    """
    covers = covers or Covers()
    every_opened = range(1 << len(covers.access))
    n = len(p)
    size = 1 << n
    masks = np.arange(size)
    mass = np.zeros(size)
    bits = np.zeros(size, dtype=np.int64)
    for i in range(n):
        has = (masks >> i) & 1
        mass += has * p[i]
        bits += has
    work = np.full((len(every_opened), size), np.inf)
    work[:, 0] = 0.0
    test_masks = [
        ([sum(1 << i for i in range(n) if label[i] == v) for v in np.unique(label)], cost)
        for label, cost in tests
    ]
    repair_masks = [(sum(1 << i for i in range(n) if cured[i]), cost) for cured, cost in repairs]
    by_count = np.argsort(bits, kind="stable")
    bounds = np.searchsorted(bits[by_count], np.arange(n + 2))
    for k in range(1, n + 1):
        these = by_count[bounds[k] : bounds[k + 1]]
        for opened in every_opened:
            best = np.full(len(these), np.inf)
            for t, (parts, cost) in enumerate(test_masks):
                more, after = covers.test(t, opened)
                total = (cost + more) * mass[these]
                for part in parts:
                    inside = these & part
                    # a part that is the whole set still holds inf: the test tells nothing there
                    total = total + work[after, inside]
                np.minimum(best, total, out=best)
            for r, (cured, cost) in enumerate(repair_masks):
                more, after = covers.repair(r, opened)
                np.minimum(best, (cost + more) * mass[these] + work[after, these & ~cured], out=best)
            work[opened, these] = best
    return work[0]


def policy_cost(
    p: np.ndarray,
    tests: Sequence[tuple[np.ndarray, float]],
    repairs: Sequence[tuple[np.ndarray, float]],
    act: Callable[[np.ndarray, int], tuple[str, int]],
    covers: Covers | None = None,
) -> float:
    """Exact expected cost of a policy on such a problem, by following every outcome.

    act  from the belief over candidates (n,) and the open covers (bits) to ('test' or 'repair', index)
    """
    n = len(p)
    over = covers or Covers()

    @cache
    def cost_from(state: tuple[int, ...], opened: int) -> float:
        chance = np.zeros(n)
        chance[list(state)] = p[list(state)]
        total = float(chance.sum())
        kind, k = act(chance / total, opened)
        if kind == "test":
            label, cost = tests[k]
            more, after = over.test(k, opened)
            parts: dict[int, list[int]] = {}
            for i in state:
                parts.setdefault(int(label[i]), []).append(i)
            if len(parts) < 2:
                raise AssertionError("the policy measures what it already knows")
            return (
                cost
                + more
                + sum(float(p[part].sum()) / total * cost_from(tuple(part), after) for part in parts.values())
            )
        cured, cost = repairs[k]
        more, after = over.repair(k, opened)
        left = tuple(i for i in state if not cured[i])
        if len(left) == len(state):
            raise AssertionError("the policy repairs what cannot be broken")
        return cost + more + (float(p[list(left)].sum()) / total * cost_from(left, after) if left else 0.0)

    return cost_from(tuple(i for i in range(n) if p[i] > 0), 0)


def optimal_tests(
    p: Sequence[Fraction],
    rows: Sequence[str],
    costs: Sequence[Fraction] | None = None,
) -> tuple[Fraction, tuple[int, ...]]:
    """Identification only: least expected cost of a test tree for a 0/1 matrix; the optimal first tests."""
    n_tests = len(rows[0])
    price = costs or [Fraction(1)] * n_tests

    @cache
    def best(state: frozenset[int]) -> tuple[Fraction, tuple[int, ...]]:
        if len({rows[i] for i in state}) <= 1:
            return Fraction(0), ()
        mass = sum((p[i] for i in state), Fraction(0))
        found: list[tuple[Fraction, int]] = []
        for t in range(n_tests):
            zero = frozenset(i for i in state if rows[i][t] == "0")
            one = state - zero
            if zero and one:
                weight = sum((p[i] for i in zero), Fraction(0))
                found.append((price[t] * mass + best(zero)[0] + best(one)[0], t))
                assert weight <= mass
        least = min(found)[0]
        return least, tuple(t for cost, t in found if cost == least)

    return best(frozenset(range(len(rows))))


def tree_cost(p: Sequence[Fraction], rows: Sequence[str], first: Callable[[frozenset[int]], int]) -> Fraction:
    """Expected number of tests when `first` names the test for each remaining set; identification only."""

    def walk(state: frozenset[int]) -> Fraction:
        if len(state) <= 1:
            return Fraction(0)
        t = first(state)
        zero = frozenset(i for i in state if rows[i][t] == "0")
        one = state - zero
        assert zero and one, "a test that splits nothing"
        return sum((p[i] for i in state), Fraction(0)) + walk(zero) + walk(one)

    return walk(frozenset(range(len(rows))))


def huffman(p: Iterable[Fraction]) -> Fraction:
    """Weighted length of the Huffman tree: lower bound on the expected number of yes/no tests."""
    heap = sorted(p)
    total = Fraction(0)
    while len(heap) > 1:
        joined = heapq.heappop(heap) + heapq.heappop(heap)
        total += joined
        heapq.heappush(heap, joined)
    return total


# ---- Bayes by enumeration ----------------------------------------------------------------------------------


def bayes(prior: Sequence[Number], *likelihoods: Sequence[Number]) -> list[Number]:
    """Posterior by multiplication, exactly when given fractions."""
    joint = []
    for i, p in enumerate(prior):
        x: Number = p
        for like in likelihoods:
            x = x * like[i]
        joint.append(x)
    total = math.fsum(joint) if any(isinstance(x, float) for x in joint) else sum(joint)
    return [x / total for x in joint]


def entropy(p: Iterable[Number], base: float = math.e) -> float:
    """Entropy of chances."""
    return -math.fsum(float(x) * math.log(float(x), base) for x in p if x > 0)


def information(
    prior: Sequence[float], outcome: Callable[[int], dict[Hashable, float]], group: Callable[[int], Hashable]
) -> float:
    """Expected information [nats] of one test about group(h), by enumeration of all outcomes."""
    joint: dict[tuple[Hashable, Hashable], float] = {}
    for h, p in enumerate(prior):
        for o, q in outcome(h).items():
            joint[o, group(h)] = joint.get((o, group(h)), 0.0) + p * q
    p_o: dict[Hashable, float] = {}
    p_r: dict[Hashable, float] = {}
    for (o, r), x in joint.items():
        p_o[o] = p_o.get(o, 0.0) + x
        p_r[r] = p_r.get(r, 0.0) + x
    return math.fsum(x * math.log(x / (p_o[o] * p_r[r])) for (o, r), x in joint.items() if x > 0)


def gaussian(y: float, mean: float, sd: float) -> float:
    """Normal density."""
    return math.exp(-0.5 * ((y - mean) / sd) ** 2) / (sd * math.sqrt(2.0 * math.pi))


def two_gaussians_information(separation: float, steps: int = 40001) -> float:
    """Bits that one reading tells about which of two equal candidates it is; trapezoid rule on +-12 sd."""
    lo, hi = -12.0, separation + 12.0
    width = (hi - lo) / (steps - 1)
    total = []
    for i in range(steps):
        y = lo + i * width
        a, b = gaussian(y, 0.0, 1.0), gaussian(y, separation, 1.0)
        mean = 0.5 * (a + b)
        bits = sum(0.5 * x * math.log2(x / mean) for x in (a, b) if x > 0.0)
        total.append(bits * (0.5 if i in (0, steps - 1) else 1.0))
    return math.fsum(total) * width
