"""What each measurement would tell, and what each act costs now.

Between the abstract problem and the rate rule: probabilities in, nats and minutes out.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from diagnose.choice.problem import MeasurementOption, Paid, Problem, RepairOption

SMALL = 1e-6  # [1] candidates below this chance are left out of planning (the belief keeps them)
MINUTE_FLOOR = 0.05  # [min] nothing is free: keeps nats per minute finite
MANY = 1000  # candidates beyond which the least likely are left out of the scores
HELD = 0.999  # [1] chance that those kept must hold
_FEW_CLASSES = 1e-4  # [1] repairs wanted with less than this are lumped together while scoring


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """All measurements' outcome tables in one block.

    table    (n_candidates, n_measurements * n_outcomes), short tables padded with zeros; a candidate's row is
             contiguous, so leaving candidates out is cheap
    plogp    (n_candidates, n_measurements) sum over outcomes of P ln P
    """

    table: np.ndarray
    plogp: np.ndarray
    n_measurements: int
    n_outcomes: int


@lru_cache(maxsize=4)
def stack(measurements: tuple[MeasurementOption, ...]) -> Stack:
    """Put the outcome tables of these options into one block; kept for the next decisions."""
    if not measurements:
        return Stack(np.zeros((0, 0)), np.zeros((0, 0)), 0, 1)
    n_outcomes = max(m.outcomes.shape[0] for m in measurements)
    n_candidates = measurements[0].outcomes.shape[1]
    size = len(measurements) * n_outcomes * n_candidates
    # small problems in double precision: there exact ties and tiny gains decide
    block = np.zeros(
        (len(measurements), n_outcomes, n_candidates), dtype=np.float64 if size < 200_000 else np.float32
    )
    for i, option in enumerate(measurements):
        block[i, : option.outcomes.shape[0]] = option.outcomes
    logs = np.log(np.maximum(block, 1e-30))
    logs *= block
    plogp = np.ascontiguousarray(logs.sum(axis=1).T)
    table = np.ascontiguousarray(block.reshape(-1, n_candidates).T)
    return Stack(table, plogp, len(measurements), n_outcomes)


@dataclass(frozen=True, slots=True, eq=False)
class Situation:
    """The problem as it stands: what may be done, at what cost, and which repair each candidate wants.

    tests        (n_measurements,) minutes, inf where not allowed, used or impossible
    extra        (n_measurements,) minutes of it for access and set-up
    shared       (n_measurements, n_repairs) minutes of it for access that the repair would need too
    repairs      options still open, in the problem's order
    cost         (n_repairs,) minutes with unpaid access
    cures        (n_repairs, n_candidates); removing one fault of a pair counts as its cure here
    wants        (n_candidates,) index into repairs of the cheapest cure, -1 if none
    """

    problem: Problem
    paid: Paid
    tests: np.ndarray
    extra: np.ndarray
    shared: np.ndarray
    repairs: tuple[RepairOption, ...]
    cost: np.ndarray
    cures: np.ndarray
    wants: np.ndarray


def situation(problem: Problem, paid: Paid) -> Situation:
    """Work out present costs.

    c_t = minutes + asking + unpaid access + set-up change + waiting * its weight
    c_r = minutes + asking + unpaid access
    A candidate wants the repair with the least minutes per chance of cure.
    """
    n_tests = len(problem.measurements)
    tests, extra = np.full(n_tests, np.inf), np.zeros(n_tests)
    for i, option in enumerate(problem.measurements):
        more = unpaid(problem, paid, option.places) + setup_change(problem, paid.setup, option.setup)
        extra[i] = more
        if option.id not in paid.used and problem.allowed.get(option.id, True):
            act = option.minutes + problem.asking_min + problem.wait_weight * option.wait_min
            tests[i] = max(act + more, MINUTE_FLOOR)
    repairs = tuple(
        r for r in problem.repairs if r.id not in paid.repairs_done and problem.allowed.get(r.id, True)
    )
    cost = np.array(
        [max(r.minutes + problem.asking_min + unpaid(problem, paid, r.places), MINUTE_FLOOR) for r in repairs]
    )
    n = len(problem.prior)
    cures = _cure_matrix(repairs) if repairs else np.zeros((0, n))
    wants = np.full(n, -1)
    if len(repairs):
        with np.errstate(divide="ignore"):
            price = np.where(cures > 1e-3, cost[:, None] / cures, np.inf)
        best = np.argmin(price, axis=0)
        wants = np.where(np.isfinite(price[best, np.arange(n)]), best, -1)
    if problem.unmodelled >= 0:
        wants[problem.unmodelled] = -1
    shared = _shared_access(problem, paid, repairs)
    return Situation(problem, paid, tests, extra, shared, repairs, cost, cures, wants)


def _shared_access(problem: Problem, paid: Paid, repairs: tuple[RepairOption, ...]) -> np.ndarray:
    """(n_measurements, n_repairs) minutes to open what both need and is still closed."""
    closed = {p: m for p, m in problem.access.items() if p not in paid.places and m > 0.0}
    minutes = np.array(list(closed.values()))
    opens = np.array([[p in option.places for p in closed] for option in problem.measurements], dtype=float)
    needs = np.array([[p in option.places for p in closed] for option in repairs], dtype=float)
    shape = len(problem.measurements), len(repairs)
    return (opens * minutes) @ needs.T if closed and all(shape) else np.zeros(shape)


@lru_cache(maxsize=4)
def _cure_matrix(repairs: tuple[RepairOption, ...]) -> np.ndarray:
    """(n_repairs, n_candidates); kept for the next decisions, so nobody writes into it."""
    matrix = np.array([_progress(r) for r in repairs], dtype=float)
    matrix.setflags(write=False)
    return matrix


def _progress(repair: RepairOption) -> np.ndarray:
    """(n_candidates,) chance that the repair cures the candidate, or at least removes one of its faults."""
    return repair.cures if repair.removes is None else np.maximum(repair.cures, repair.removes)


def unpaid(problem: Problem, paid: Paid, places: tuple[str, ...]) -> float:
    """Minutes to open those of the places that are still closed."""
    return sum(problem.access.get(p, 0.0) for p in places if p not in paid.places)


def setup_change(problem: Problem, present: str, wanted: str) -> float:
    """Minutes to bring key, engine, load and instrument from one set-up to another."""
    if not wanted or not present or wanted == present:
        return 0.0
    return problem.setups.get((present, wanted), problem.setup_min)


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """Expected information [nats] of each measurement, and the entropies it can come from.

    by_class  (n_measurements,) about which repair is wanted; by_candidate about which candidate it is
    shares    (n_repairs,) chance that each repair is the wanted one
    """

    by_class: np.ndarray
    by_candidate: np.ndarray
    class_entropy: float
    candidate_entropy: float
    shares: np.ndarray


def scores(block: Stack, belief: np.ndarray, wants: np.ndarray, n_repairs: int) -> Scores:
    """Score all measurements at once.

    belief   (n_candidates,) sums to 1, zero where wants < 0
    formula  I_t = sum_or Q ln Q - sum_o P ln P - sum_r q ln q,  Q_or = sum_{h: r(h)=r} b_h P(o|h)
             J_t = sum_h b_h sum_o P(o|h) ln P(o|h) - sum_o P_o ln P_o
    """
    shares = np.bincount(wants[wants >= 0], weights=belief[wants >= 0], minlength=n_repairs)
    class_entropy, candidate_entropy = entropy(shares), entropy(belief)
    n_tests, n_outcomes = block.n_measurements, block.n_outcomes
    kind = block.table.dtype
    if n_tests == 0:
        none = np.zeros(0)
        return Scores(none, none, class_entropy, candidate_entropy, shares)
    present = _leading(belief)
    table, plogp, weights, classes = block.table, block.plogp, belief, wants
    if len(present) < 0.85 * len(belief):
        table, plogp = table[present], plogp[present]
        weights, classes = belief[present], wants[present]
    # classes worth a column of their own; the rest share one (a lower bound, off by less than 1e-3 nats each)
    own = np.flatnonzero(shares > _FEW_CLASSES)
    row = np.full(n_repairs + 1, len(own))
    row[own] = np.arange(len(own))
    spread = np.zeros((len(own) + 1, len(weights)), dtype=kind)
    spread[row[classes], np.arange(len(weights))] = weights
    joint = spread @ table  # (n_classes, T*K)
    outcome = joint.sum(axis=0)
    outcome_term = _xlogx(outcome).reshape(n_tests, n_outcomes).sum(axis=1)
    joint_term = _xlogx(joint).sum(axis=0).reshape(n_tests, n_outcomes).sum(axis=1)
    class_term = float(_xlogx(spread.sum(axis=1).astype(float)).sum())
    by_class = joint_term - outcome_term - class_term
    by_candidate = weights.astype(kind) @ plogp - outcome_term
    return Scores(
        np.maximum(by_class.astype(float), 0.0),
        np.maximum(by_candidate.astype(float), 0.0),
        class_entropy,
        candidate_entropy,
        shares,
    )


def _leading(belief: np.ndarray) -> np.ndarray:
    """Candidates worth scoring with: all above zero; of very many, those that hold nearly all the chance."""
    present = np.flatnonzero(belief > 0.0)
    if len(present) <= MANY:
        return present
    order = np.argsort(-belief, kind="stable")
    count = int(np.searchsorted(np.cumsum(belief[order]), HELD)) + 1
    return np.sort(order[:count])


def entropy(weights: np.ndarray) -> float:
    """Entropy [nats] of chances that sum to 1."""
    return float(-_xlogx(np.asarray(weights, dtype=float)).sum())


def _xlogx(x: np.ndarray) -> np.ndarray:
    return x * np.log(np.maximum(x, 1e-30))
