"""Exact answers where outcomes are nearly certain: subset dynamic programming, and a narrow search of it.

Beside the rate rule, for the last few candidates. Everything is reduced to: which candidates give which
outcome, which repair cures which; a state is the set of candidates that remain, written as bits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.choice.score import Situation, Stack
from diagnose.ties import least

CERTAIN = 0.9  # [1] an outcome this likely counts as certain (a few percent of gross errors are let pass)
FULL = 12  # candidates at most for the full dynamic program
NARROW = 24  # candidates at most for the narrow search
HELD = 0.999  # [1] chance that the chosen candidates must hold together
STATES = 6000  # states at most in the narrow search; beyond it leaves are estimated
_WORK = 2_000_000  # states times outcomes at most in the full program: keeps it within some 60 ms


@dataclass(frozen=True, slots=True, eq=False)
class Reduced:
    """A small problem without noise.

    chance   (n,)
    parts    (n_tests, n_outcomes) bit sets of the candidates that give each outcome
    tests    original indices (n_tests,), cheapest of each kind; minutes (n_tests,)
    cured    (n_repairs,) bit sets; repairs: original indices; cost (n_repairs,)
    wants    (n,) index into repairs
    """

    chance: np.ndarray
    parts: np.ndarray
    tests: np.ndarray
    minutes: np.ndarray
    cured: np.ndarray
    repairs: np.ndarray
    cost: np.ndarray
    wants: np.ndarray


@dataclass(frozen=True, slots=True)
class Plan:
    """First act of a plan and its expected minutes. kind: measure | repair; index in the situation."""

    kind: str
    index: int
    minutes: float


def reduce(now: Situation, belief: np.ndarray, stacked: Stack, limit: int = NARROW) -> Reduced | None:
    """Keep the leading candidates if few hold nearly all and every outcome is nearly certain; else None.

    belief  (n_candidates,) sums to 1
    """
    order = np.argsort(-belief, kind="stable")
    held = np.cumsum(belief[order])
    count = int(np.searchsorted(held, HELD)) + 1
    if count > limit or count > len(order):
        return None
    chosen = np.sort(order[:count])
    usable = np.flatnonzero(np.isfinite(now.tests))
    if len(usable):
        rows = stacked.table[chosen].reshape(count, stacked.n_measurements, stacked.n_outcomes)
        block = rows.transpose(1, 2, 0)[usable]
    else:
        block = np.zeros((0, 1, count))
    sure = block.max(axis=1).min(axis=1) >= CERTAIN
    label = block.argmax(axis=1)
    informing = label.max(axis=1) != label.min(axis=1)
    if np.any(informing & ~sure):
        return None
    cures = now.cures[:, chosen]
    if np.any((cures > 1.0 - CERTAIN) & (cures < CERTAIN)):
        return None
    kept: dict[bytes, int] = {}
    for t in np.flatnonzero(informing):
        # the same split under other names is the same test: keep the cheapest
        _, same = np.unique(label[t], return_inverse=True)
        first = np.full(same.max() + 1, -1)
        for position, group in enumerate(same):
            if first[group] < 0:
                first[group] = position
        key = first[same].astype(np.int8).tobytes()
        if key not in kept or now.tests[usable[t]] < now.tests[usable[kept[key]]]:
            kept[key] = int(t)
    tests = np.array(sorted(kept.values()), dtype=int)
    bit = np.int64(1) << np.arange(count, dtype=np.int64)
    parts = np.zeros((len(tests), block.shape[1]), dtype=np.int64)
    for i, t in enumerate(tests):
        np.add.at(parts[i], label[t], bit)
    cured = (cures >= CERTAIN) @ bit
    repairs = np.flatnonzero(cured)
    place = np.full(len(now.repairs), -1)
    place[repairs] = np.arange(len(repairs))
    wants = place[now.wants[chosen]]
    if len(repairs) == 0 or np.any(wants < 0):
        return None
    return Reduced(
        chance=belief[chosen] / belief[chosen].sum(),
        parts=_tight(parts),
        tests=usable[tests],
        minutes=now.tests[usable[tests]],
        cured=cured[repairs],
        repairs=repairs,
        cost=now.cost[repairs],
        wants=wants,
    )


def solve(small: Reduced) -> Plan | None:
    """The optimal first act, or None where the full program would take too long.

    W(S) = min( min_t c_t P(S) + sum_o W(S and o),  min_r c_r P(S) + W(S without what r cures) )
    """
    n = len(small.chance)
    if n > FULL or (1 << n) * max(small.parts.size, 1) > _WORK * 8:
        return None
    sets = np.arange(1 << n, dtype=np.int64)
    member = ((sets[:, None] >> np.arange(n)) & 1).astype(bool)
    mass = member @ small.chance
    work = np.full(1 << n, np.inf)
    work[0] = 0.0
    size = member.sum(axis=1)
    test = repair = np.zeros(0)
    for k in range(1, n + 1):
        these = sets[size == k]
        # (n_tests, n_outcomes, n_these): a part that is the whole set is still infinite
        test = (work[these[None, None, :] & small.parts[:, :, None]]).sum(axis=1)
        test += small.minutes[:, None] * mass[these]
        repair = work[these[None, :] & ~small.cured[:, None]] + small.cost[:, None] * mass[these]
        work[these] = np.minimum(test.min(axis=0) if len(test) else np.inf, repair.min(axis=0))
    return _first(small, test[:, 0] if len(test) else np.zeros(0), repair[:, 0])


def narrow(small: Reduced, *, tests: int = 2, wide_tests: int = 8, wide_repairs: int = 5) -> Plan:
    """The best first act when every later step takes one of the few that the simple rules would take.

    Later steps: the `tests` best about the repair, as many about the candidate (nats a minute, both), the
    best repair (chance a minute). The first step is chosen among more. So the plan is never worse than
    following any of those rules to the end.
    """
    n = len(small.chance)
    whole = np.int64((1 << n) - 1)
    known: dict[int, int] = {0: 0}
    nodes: list[np.ndarray] = [np.zeros(1, dtype=np.int64)]
    acts: list[tuple[np.ndarray, np.ndarray]] = [(np.zeros((1, 3), dtype=int), np.zeros((1, 2), dtype=int))]
    level = np.array([whole], dtype=np.int64)
    first = True
    cut: set[int] = set()
    while len(level):
        follow, repairs = _promising(
            small, level, wide_tests if first else tests, wide_repairs if first else 1
        )
        if first:
            root_tests, root_repairs = follow[0], repairs[0]
        for state in level:
            known[int(state)] = len(known)
        nodes.append(level)
        acts.append((follow, repairs))
        children = [level[:, None] & ~small.cured[repairs]]
        if len(small.tests):
            children.append((level[:, None, None] & small.parts[follow]).reshape(len(level), -1))
        fresh = np.unique(np.concatenate([c.ravel() for c in children]))
        level = np.array([s for s in fresh if int(s) not in known], dtype=np.int64)
        if len(known) + len(level) > STATES:
            cut = {int(s) for s in level}
            break
        first = False
    value = _backward(small, nodes, acts, cut)
    # the root among its wider choice
    mass = 1.0
    test = np.array(
        [
            small.minutes[t] * mass
            + (
                np.inf
                if np.any(small.parts[t] == whole)
                else sum(value[int(s)] for s in (whole & small.parts[t]))
            )
            for t in root_tests
        ]
    )
    repair = np.array([small.cost[r] * mass + value[int(whole & ~small.cured[r])] for r in root_repairs])
    if len(test) and test.min() < repair.min() - 1e-9:
        return Plan("measure", int(small.tests[root_tests[least(test)]]), float(test.min()))
    return Plan("repair", int(small.repairs[root_repairs[least(repair)]]), float(repair.min()))


def _promising(
    small: Reduced, states: np.ndarray, n_tests: int, n_repairs: int
) -> tuple[np.ndarray, np.ndarray]:
    """(n_states, 2 n_tests) tests and (n_states, n_repairs) repairs worth following from each state."""
    n, classes = len(small.chance), len(small.repairs)
    member = ((states[:, None] >> np.arange(n)) & 1) * small.chance
    weight = member / member.sum(axis=1, keepdims=True)
    cures = ((small.cured[:, None] >> np.arange(n)) & 1).astype(float)
    rate = (weight @ cures.T) / small.cost
    repairs = np.argsort(-rate, axis=1, kind="stable")[:, : min(n_repairs, classes)]
    if not len(small.tests):
        return np.zeros((len(states), 0), dtype=int), repairs
    shape = small.parts.shape
    gives = ((small.parts.reshape(-1)[:, None] >> np.arange(n)) & 1).astype(float)  # (T*K, n)
    wanted = np.zeros((n, classes))
    wanted[np.arange(n), small.wants] = 1.0
    both = (gives.T[:, :, None] * wanted[:, None, :]).reshape(n, -1)
    joint = weight @ both
    outcome = joint.reshape(len(states), shape[0] * shape[1], classes).sum(axis=2)
    spread = -_xlogx(outcome).reshape(len(states), *shape).sum(axis=2)
    inside = _xlogx(joint).reshape(len(states), shape[0], -1).sum(axis=2)
    shares = weight @ wanted
    by_class = (inside + spread - _xlogx(shares).sum(axis=1)[:, None]) / small.minutes
    by_candidate = spread / small.minutes
    each = min(n_tests, shape[0])
    return (
        np.concatenate(
            [
                np.argsort(-by_class, axis=1, kind="stable")[:, :each],
                np.argsort(-by_candidate, axis=1, kind="stable")[:, :each],
            ],
            axis=1,
        ),
        repairs,
    )


def _backward(
    small: Reduced,
    nodes: list[np.ndarray],
    acts: list[tuple[np.ndarray, np.ndarray]],
    cut: set[int],
) -> dict[int, float]:
    """Minutes times chance of every state, smallest sets first."""
    n = len(small.chance)
    value: dict[int, float] = {0: 0.0}
    for state in cut:
        value[state] = _estimate(small, state)
    flat = [
        (int(state), tests[i], repairs[i])
        for level, (tests, repairs) in zip(nodes[1:], acts[1:], strict=True)
        for i, state in enumerate(level)
    ]
    flat.sort(key=lambda row: row[0].bit_count())
    parts, cured = small.parts.tolist(), small.cured.tolist()
    minutes, cost = small.minutes.tolist(), small.cost.tolist()
    chance = small.chance.tolist()
    for state, tests, repairs in flat:
        mass = sum(chance[i] for i in range(n) if state >> i & 1)
        best = np.inf
        for t in dict.fromkeys(tests.tolist()):
            pieces = [state & part for part in parts[t]]
            if state in pieces:
                continue
            total = minutes[t] * mass + sum(value[piece] for piece in pieces)
            best = min(best, total)
        for r in repairs.tolist():
            if state & cured[r]:
                best = min(best, cost[r] * mass + value[state & ~cured[r]])
        value[state] = best
    return value


def _estimate(small: Reduced, state: int) -> float:
    """Repair-only cost of a state that was not searched further."""
    left, total = state, 0.0
    n = len(small.chance)

    def mass(s: int) -> float:
        return float(sum(small.chance[i] for i in range(n) if s >> i & 1))

    while left:
        rate = [mass(left & int(c)) / k for c, k in zip(small.cured, small.cost, strict=True)]
        r = int(np.argmax(rate))
        total += float(small.cost[r]) * mass(left)
        left &= ~int(small.cured[r])
    return total


def _first(small: Reduced, test: np.ndarray, repair: np.ndarray) -> Plan:
    if len(test) and test.min() < repair.min() - 1e-9:
        return Plan("measure", int(small.tests[least(test)]), float(test.min()))
    return Plan("repair", int(small.repairs[least(repair)]), float(repair.min()))


def _tight(parts: np.ndarray) -> np.ndarray:
    """Drop outcome columns that nobody gives, by sorting each row's sets to the front."""
    ordered = -np.sort(-parts, axis=1)
    return ordered[:, : max(1, int((ordered > 0).sum(axis=1).max(initial=1)))]


def _xlogx(x: np.ndarray) -> np.ndarray:
    return x * np.log(np.maximum(x, 1e-300))
