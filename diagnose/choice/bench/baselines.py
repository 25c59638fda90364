"""Policies to compare the rule with; each from (problem, belief, paid) to (sort, option id).

All see the same problem and the same belief; only the choice differs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from diagnose.choice.problem import Paid, Problem
from diagnose.choice.rate import next_act
from diagnose.choice.repairs import _disjoint
from diagnose.choice.score import Situation, scores, situation, stack
from diagnose.choice.weigh import Limits

Policy = Callable[[Problem, np.ndarray, Paid], tuple[str, str]]


def rate_rule(limits: Limits = Limits()) -> Policy:  # noqa: B008
    """The rule of this program, with these limits.

    Where it would stop and say so, the harness goes on: here a job ends with a cure, and its minutes count.
    """

    def policy(problem: Problem, belief: np.ndarray, paid: Paid) -> tuple[str, str]:
        act = next_act(problem, belief, paid, limits)
        if act.sort == "stop":
            return _best_repair(situation(problem, paid), belief)
        return act.sort, act.option

    return policy


def repairs_only(problem: Problem, belief: np.ndarray, paid: Paid) -> tuple[str, str]:
    """Never measure: the repair with the best chance of cure a minute."""
    return _best_repair(situation(problem, paid), belief)


def until_confident(confidence: float, score: str = "candidate") -> Policy:
    """Measure by information a minute until one repair is this likely to cure, then repair.

    score  'candidate': information about the candidate; 'class': about the repair
    """

    def policy(problem: Problem, belief: np.ndarray, paid: Paid) -> tuple[str, str]:
        now = situation(problem, paid)
        if (now.cures @ belief).max(initial=0.0) >= confidence:
            return _best_repair(now, belief)
        found = scores(stack(problem.measurements), belief, now.wants, len(now.repairs))
        nats = found.by_candidate if score == "candidate" else found.by_class
        return _best_test(now, nats) or _best_repair(now, belief)

    return policy


def one_step_cost(problem: Problem, belief: np.ndarray, paid: Paid) -> tuple[str, str]:
    """Measure what most lowers the expected cost of repairing without further tests; else repair.

    source  one-step look-ahead with expected cost of repair, Heckerman, Breese & Rommelse (1995), from memory
    """
    now = situation(problem, paid)
    costs, alone = _look_ahead(now, belief)
    if len(costs) and costs.min() < alone - 1e-9:
        return "measure", problem.measurements[int(np.argmin(costs))].id
    return _best_repair(now, belief)


def information_with_cost_stop(problem: Problem, belief: np.ndarray, paid: Paid) -> tuple[str, str]:
    """Information about the repair a minute, for as long as some test lowers the expected cost of repair."""
    now = situation(problem, paid)
    costs, alone = _look_ahead(now, belief)
    if len(costs) and costs.min() < alone - 1e-9:
        found = scores(stack(problem.measurements), belief, now.wants, len(now.repairs))
        best = _best_test(now, found.by_class)
        if best:
            return best
    return _best_repair(now, belief)


def edge_cutting_with_cost_stop(problem: Problem, belief: np.ndarray, paid: Paid) -> tuple[str, str]:
    """Expected normalised weight of cut edges between repairs (EffECXtive) a minute, with the same stop.

    source  Golovin, Krause & Ray (2010), this form from memory; the plain EC2 weight takes noise for news
    """
    now = situation(problem, paid)
    costs, alone = _look_ahead(now, belief)
    if len(costs) and costs.min() < alone - 1e-9:
        best = _best_test(now, edges_cut(problem, belief, now.wants, len(now.repairs))[1])
        if best:
            return best
    return _best_repair(now, belief)


def edges_cut(
    problem: Problem, belief: np.ndarray, wants: np.ndarray, n_repairs: int
) -> tuple[np.ndarray, np.ndarray]:
    """Expected weight of edges between different repairs that each measurement cuts.

    EC2:         1/2 [ (1 - sum_r q_r^2) - sum_o P_o (P_o^2 - sum_r Q_or^2) ]
    EffECXtive:  sum_o sum_r Q_or^2 / P_o - sum_r q_r^2
    returns  both, (n_measurements,) each
    source   Golovin, Krause & Ray (2010)
    """
    block = stack(problem.measurements)
    joint = np.zeros((n_repairs, len(belief)))
    known = wants >= 0
    joint[wants[known], np.flatnonzero(known)] = belief[known]
    shown = joint @ block.table  # (n_repairs, T*K)
    outcome, squares = shown.sum(axis=0), (shown**2).sum(axis=0)
    whole = float((joint.sum(axis=1) ** 2).sum())

    def by_test(x: np.ndarray) -> np.ndarray:
        return x.reshape(block.n_measurements, -1).sum(axis=1)

    plain = 0.5 * ((1.0 - whole) - by_test(outcome * (outcome**2 - squares)))
    return plain, by_test(squares / np.maximum(outcome, 1e-30)) - whole


def _look_ahead(now: Situation, belief: np.ndarray) -> tuple[np.ndarray, float]:
    """(n_measurements,) c_t + expected repair cost after it; and the repair cost without it."""
    block = stack(now.problem.measurements)
    known = now.wants >= 0
    joint = np.zeros((len(belief), len(now.cost)))
    joint[np.flatnonzero(known), now.wants[known]] = belief[known]
    # repairs that may be the wanted one; the others add nothing to any cost
    own = np.flatnonzero(joint.sum(axis=0) > 1e-6)
    cost = now.cost[own]
    shares = block.table.T @ joint[:, own].astype(block.table.dtype)  # (T*K, n_repairs), unnormalised
    order = np.argsort(-shares / cost, axis=1, kind="stable")
    sorted_share = np.take_along_axis(shares, order, axis=1)
    total = sorted_share.sum(axis=1, keepdims=True)
    before = total - np.cumsum(sorted_share, axis=1) + sorted_share
    worth = np.where(sorted_share > 0.0, cost[order] * before, 0.0).sum(axis=1)
    after = now.tests + worth.reshape(block.n_measurements, block.n_outcomes).sum(axis=1)
    alone = float(_disjoint(now, belief[None, :], now.cost)[0])
    return after, alone


def _best_repair(now: Situation, belief: np.ndarray) -> tuple[str, str]:
    chance = now.cures @ belief
    best = int(np.argmax(chance / now.cost))
    return now.repairs[best].sort, now.repairs[best].id


def _best_test(now: Situation, nats: np.ndarray) -> tuple[str, str] | None:
    rate = np.where(np.isfinite(now.tests) & (nats > 1e-5), nats / now.tests, 0.0)
    if rate.max(initial=0.0) <= 0.0:
        return None
    return "measure", now.problem.measurements[int(np.argmax(rate))].id


BASELINES: Mapping[str, Policy] = {
    "repairs only, chance a minute": repairs_only,
    "information a minute to 0.80, then repair": until_confident(0.80),
    "information a minute to 0.95, then repair": until_confident(0.95),
    "one-step expected cost of repair": one_step_cost,
    "information on the repair a minute, cost stop": information_with_cost_stop,
    "edges cut (EffECXtive) a minute, cost stop": edge_cutting_with_cost_stop,
}
