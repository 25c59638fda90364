"""Candidates that nothing on offer can tell apart, and whether another test would change the advice."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from diagnose.choice.problem import Paid, Problem
from diagnose.choice.score import situation, stack
from diagnose.choice.weigh import Weighed, best_test, try_repairs
from diagnose.ties import least

ALIKE = 0.2  # [1] total variation distance up to which two candidates count as not told apart (estimate)
_RARE = 1e-3  # [1] outcomes rarer than this are left out of the same-decision check


def distances(problem: Problem, candidates: Sequence[int], paid: Paid = Paid()) -> np.ndarray:  # noqa: B008
    """How far the best allowed measurement separates each two candidates.

    candidates  indices, at most some hundred: work grows with their square
    returns     (n, n) [1] greatest total variation distance over the measurements that can still be taken
    """
    now = situation(problem, paid)
    block = stack(problem.measurements)
    n = len(candidates)
    usable = np.flatnonzero(np.isfinite(now.tests))
    if not len(usable):
        return np.zeros((n, n))
    rows = block.table[list(candidates)].reshape(n, block.n_measurements, block.n_outcomes)[:, usable]
    out = np.zeros((n, n))
    for i in range(n):
        apart = 0.5 * np.abs(rows[i] - rows[i + 1 :]).sum(axis=2)
        out[i, i + 1 :] = apart.max(axis=1, initial=0.0)
    return out + out.T


def ambiguity_groups(
    problem: Problem,
    candidates: Sequence[int],
    paid: Paid = Paid(),  # noqa: B008
    *,
    alike: float = ALIKE,
) -> tuple[tuple[int, ...], ...]:
    """Sort candidates into groups that no allowed measurement separates.

    candidates  indices, leading first; each group gathers round the first that is in none yet, and all its
                members are inseparable from one another
    returns     groups in that order; a candidate told apart from all others is a group of one
    """
    apart = distances(problem, candidates, paid)
    groups: list[list[int]] = []
    for i in range(len(candidates)):
        for group in groups:
            if all(apart[i, j] <= alike for j in group):
                group.append(i)
                break
        else:
            groups.append([i])
    return tuple(tuple(int(candidates[i]) for i in group) for group in groups)


def same_decision(weighed: Weighed) -> tuple[float, str]:
    """Chance that the favoured repair stays favoured after the best remaining test.

    returns  (chance, measurement id); (1, '') when nothing that informs is left
    source   same-decision probability: Darwiche & Choi (2010), name and idea from memory
    """
    now = weighed.now
    if not weighed.informs or not len(weighed.tried):
        return 1.0, ""
    test = best_test(weighed)
    favoured = int(weighed.tried[least(weighed.trying)])
    block = stack(now.problem.measurements)
    rows = block.table.reshape(-1, block.n_measurements, block.n_outcomes)[:, test, :]  # (n, K)
    joint = rows.T.astype(float) * weighed.belief
    chance = joint.sum(axis=1)
    stays = 0.0
    for o in np.flatnonzero(chance > _RARE):
        tried, trying = try_repairs(now, joint[o] / chance[o], weighed.price)
        if len(tried) and int(tried[least(trying)]) == favoured:
            stays += float(chance[o])
    return min(1.0, stays / float(chance[chance > _RARE].sum())), now.problem.measurements[test].id
