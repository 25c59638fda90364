"""From the rule's numbers to advice: guards before work and parts, honest stops, ties, runners-up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from diagnose.choice.exact import Plan, narrow, reduce, solve
from diagnose.choice.problem import Act
from diagnose.choice.score import Stack, stack
from diagnose.choice.weigh import RUNNERS_UP, Limits, Weighed, best_test
from diagnose.ties import foremost, in_order, least

HOPE = 0.05  # [1] chance below which even what costs nothing is not tried in a part's stead (estimate)


def guarded(weighed: Weighed, belief: np.ndarray, limits: Limits) -> Act:
    """Step 5 with its guards.

    belief  (n_candidates,) with `unmodelled` in it
    """
    now = weighed.now
    curable = float(belief[now.wants >= 0].sum() / belief.sum())
    runners = _runners_up(weighed)
    if weighed.belief.sum() <= 0.0 or 1.0 - curable > limits.lost:
        return Act(
            "stop", "", 0.0, f"nothing known fits: {1 - curable:.0%} for a fault nobody listed", runners
        )
    if not len(weighed.tried):
        if not weighed.informs:
            return Act("stop", "", 0.0, "nothing is left to measure or to repair", runners)
        return _measure(weighed, best_test(weighed), weighed.cost_to_go, "most information a minute")
    plan = _plan(weighed, limits)
    if plan is not None:
        if plan.kind == "measure":
            return _measure(weighed, plan.index, plan.minutes, "first step of the cheapest plan")
        repair, value = plan.index, plan.minutes
    else:
        best = least(weighed.trying)
        repair, value = int(weighed.tried[best]), float(weighed.trying[best])
        if weighed.informs and value > weighed.cost_to_go + 1e-9:
            return _measure(weighed, best_test(weighed), weighed.cost_to_go, "most information a minute")
    option = now.repairs[repair]
    # the unmodelled share counts against being sure
    chance = float(now.cures[repair] @ belief / belief.sum())
    if option.sort != "try":
        if chance < limits.sure and weighed.informs:
            worth = weighed.cost_to_go <= limits.dear * value
            if option.sort == "repair" and chance < limits.likely and worth:
                return _measure(
                    weighed, best_test(weighed), weighed.cost_to_go, "no work on less than a likely cause"
                )
            confirm = _confirming(weighed, repair, limits)
            if confirm >= 0:
                return _measure(weighed, confirm, value, f"confirms or clears {option.id} before work on it")
        if option.price > limits.cheap and chance < limits.hopeless:
            return _instead_of_a_part(weighed, option.id, chance, value)
        telling = _part_or_not(weighed, belief, repair, limits)
        if telling >= 0:
            return _measure(weighed, telling, value, f"tells whether {option.id} is needed at all")
        free = _without_a_part(weighed, belief, repair)
        if free >= 0:
            spared = now.repairs[free]
            cure = float(now.cures[free] @ belief / belief.sum())
            if spared.sort != "try" and cure < limits.sure and weighed.informs:
                confirm = _confirming(weighed, free, limits)
                if confirm >= 0:
                    return _measure(weighed, confirm, value, f"confirms or clears {spared.id} before it")
            return Act(spared.sort, spared.id, value, f"{cure:.0%} to cure, and no part is bought", runners)
        if not option.returnable and now.paid.supports.get(option.id, 0) < limits.second_method:
            confirm = _second_method(weighed, repair, limits)
            if confirm >= 0:
                reason = f"second method before {option.id}, which cannot be returned"
                return _measure(weighed, confirm, value, reason)
        if chance < limits.faint:
            left = "no test is worth its minutes" if weighed.informs else "no test is left"
            return Act("stop", "", value, f"{option.id} is only {chance:.0%} likely, {left}", runners)
    if chance < limits.idle:
        # cheap as it is, it is hardly ever it: what is likelier goes first, if anybody would begin that
        hope = now.cures @ belief / belief.sum()
        option = now.repairs[foremost(hope)]
        chance = float(hope.max())
        if chance < (limits.idle if option.sort == "try" else limits.hopeless):
            return Act("stop", "", value, f"no repair is likelier than {chance:.1%}", runners)
    return Act(option.sort, option.id, value, f"{chance:.0%} to cure", runners)


def _instead_of_a_part(weighed: Weighed, part: str, chance: float, value: float) -> Act:
    """Nobody buys a part on a faint suspicion: try what costs nothing and has some hope, else stop."""
    now = weighed.now
    hope = now.cures[weighed.tried] @ weighed.belief / weighed.belief.sum()
    free = [
        k
        for k, r in enumerate(weighed.tried)
        if now.repairs[r].sort == "try" and now.repairs[r].price <= 0.0 and hope[k] >= HOPE
    ]
    if free:
        best = free[least(weighed.trying[free])]
        option = now.repairs[int(weighed.tried[best])]
        cure = float(now.cures[int(weighed.tried[best])] @ weighed.belief / weighed.belief.sum())
        return Act("try", option.id, float(weighed.trying[best]), f"{cure:.0%} to cure, at no cost")
    return Act("stop", "", value, f"{part} is {chance:.0%} likely and costs money; no test here is left")


def _plan(weighed: Weighed, limits: Limits) -> Plan | None:
    """The exact plan, or the narrow search, where few candidates and near-certain outcomes remain."""
    if not (limits.exact or limits.look_ahead):
        return None
    small = reduce(
        replace(weighed.now, tests=weighed.net), weighed.belief, stack(weighed.now.problem.measurements)
    )
    if small is None:
        return None
    plan = solve(small) if limits.exact else None
    return plan or (narrow(small) if limits.look_ahead else None)


def _measure(weighed: Weighed, test: int, value: float, reason: str) -> Act:
    option = weighed.now.problem.measurements[test]
    return Act("measure", option.id, value, reason, _runners_up(weighed, test))


def _runners_up(weighed: Weighed, leave: int = -1) -> tuple[tuple[str, float, float], ...]:
    order = [t for t in in_order(weighed.score) if weighed.score[t] > 0.0 and t != leave]
    options = weighed.now.problem.measurements
    return tuple(
        (options[t].id, float(weighed.nats[t]), float(weighed.now.tests[t])) for t in order[:RUNNERS_UP]
    )


def _confirming(weighed: Weighed, repair: int, limits: Limits) -> int:
    """The affordable test that tells this repair's candidates from all others; -1 if none does.

    All that is won is the chance that the work is in vain and the test says so; that is worth `harm_min`, and
    what the part costs.
    """
    now = weighed.now
    block = stack(now.problem.measurements)
    cured = weighed.belief * now.cures[repair]
    apart = _apart(block, cured, weighed.belief * (1.0 - now.cures[repair]))
    if apart is None:
        return -1
    limit = max(limits.patience_min, float(now.cost[repair]))
    fit = (apart >= limits.separates) & (weighed.net <= limit)
    wrong = weighed.belief * (1.0 - now.cures[repair])
    harm = limits.harm_min + limits.price_min * now.repairs[repair].price
    fit &= harm * _spared(block, cured, wrong) >= weighed.net
    if not fit.any():
        return -1
    # information grows roughly with the square of the distance
    return foremost(np.where(fit, apart**2 / weighed.net, -1.0))


def _second_method(weighed: Weighed, repair: int, limits: Limits) -> int:
    """The affordable test that can count as one more independent reading for a repair; -1 if none can.

    It must tell the suspects of the repair from what the prior would put in their place, and, if they are at
    fault, be likely to speak for them against all that is left by as much as a reading must to be counted.
    """
    now = weighed.now
    block = stack(now.problem.measurements)
    cured = weighed.belief * now.cures[repair]
    others = 1.0 - now.cures[repair]
    apart = _apart(block, cured, np.where(now.wants >= 0, now.problem.prior, 0.0) * others)
    counts = _counts(block, cured, weighed.belief * others, limits.support)
    if apart is None or counts is None:
        return -1
    limit = max(limits.patience_min, float(now.cost[repair]))
    fit = (apart >= limits.separates) & (counts >= 0.5) & (weighed.net <= limit)
    if not fit.any():
        return -1
    return foremost(np.where(fit, apart**2 / weighed.net, -1.0))


def _part_or_not(weighed: Weighed, belief: np.ndarray, part: int, limits: Limits) -> int:
    """The test within one's patience that best tells what needs the part from what work alone cures; or -1.

    A battery that may be low is not replaced before it was read under a load.
    """
    now = weighed.now
    if now.repairs[part].price <= 0.0 or not weighed.informs:
        return -1
    cured = now.cures[part]
    free = [k for k, r in enumerate(now.repairs) if r.price <= 0.0 and bool(np.all(now.cures[k] <= cured))]
    shares = [float(now.cures[k] @ belief) for k in free]
    if not free or max(shares) < limits.part_of * float(cured @ belief):
        return -1
    alone = now.cures[free[foremost(np.array(shares))]]
    block = stack(now.problem.measurements)
    apart = _apart(block, weighed.belief * alone, weighed.belief * (cured - alone))
    if apart is None:
        return -1
    fit = (apart >= limits.tells_apart) & (weighed.net <= limits.patience_min)
    return foremost(np.where(fit, apart**2 / weighed.net, -1.0)) if fit.any() else -1


def _without_a_part(weighed: Weighed, belief: np.ndarray, part: int) -> int:
    """A repair without a part that cures most of what a dear one would in no more minutes; -1 if none."""
    now = weighed.now
    if now.repairs[part].price <= 0.0:
        return -1
    chance = now.cures @ belief
    shared = np.minimum(now.cures, now.cures[part]) @ belief
    free = [
        i
        for i, r in enumerate(now.repairs)
        if r.price <= 0.0 and now.cost[i] <= now.cost[part] and shared[i] > 0.5 * chance[part]
    ]
    return max(free, key=lambda i: (shared[i], -now.cost[i], -i), default=-1)


def _spared(block: Stack, cured: np.ndarray, wrong: np.ndarray) -> np.ndarray:
    """(n_measurements,) chance that the repair is wrong and the outcome says so: nobody would begin it then.

    cured, wrong  (n_candidates,) chance of each candidate that the repair cures, and that it does not
    """
    pair = np.stack([cured, wrong]).astype(block.table.dtype)
    shown = pair @ block.table / max(float(cured.sum() + wrong.sum()), 1e-300)
    spared = np.where(shown[1] > shown[0], shown[1], 0.0)
    return np.asarray(spared.reshape(block.n_measurements, -1).sum(axis=1), dtype=float)


def _apart(block: Stack, cured: np.ndarray, rest: np.ndarray) -> np.ndarray | None:
    """(n_measurements,) total variation between two groups' outcomes; None if one of them is empty."""
    if cured.sum() <= 0.0 or rest.sum() <= 0.0:
        return None
    pair = np.stack([cured / cured.sum(), rest / rest.sum()]).astype(block.table.dtype)
    shown = pair @ block.table
    return 0.5 * np.abs(shown[0] - shown[1]).reshape(block.n_measurements, -1).sum(axis=1)


def _counts(block: Stack, cured: np.ndarray, rest: np.ndarray, nats: float) -> np.ndarray | None:
    """(n_measurements,) chance that a reading speaks for the one group by at least so much, if it is true."""
    if cured.sum() <= 0.0 or rest.sum() <= 0.0:
        return None
    pair = np.stack([cured / cured.sum(), rest / rest.sum()]).astype(block.table.dtype)
    shown = (pair @ block.table).reshape(2, block.n_measurements, -1)
    speaks = shown[0] >= shown[1] * np.exp(nats)
    return np.where(speaks, shown[0], 0.0).sum(axis=1)
