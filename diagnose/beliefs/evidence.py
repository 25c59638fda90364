"""What the readings say for and against a candidate, and which of them fits least.

Beside the posterior; reads a Belief, changes nothing.
"""

from __future__ import annotations

import numpy as np

from diagnose.beliefs.posterior import Belief, marginal, replay


def surprise(belief: Belief) -> tuple[tuple[str, float], ...]:
    """How unexpected each reading was to the candidate that now explains best.

    returns  (measurement, nats) in the order taken; 0 = exactly what it would have liked, that is
             -ln p(y | best, earlier readings) above the best density it could have had
    """
    best = _best(belief)
    return tuple(
        (o.measurement, max(0.0, float(o.log_peak[best] - o.log_given[best]))) for o in belief.observations
    )


def leave_one_out(belief: Belief) -> tuple[tuple[str, float], ...]:
    """How much of the belief hangs on each reading.

    returns  (measurement, total variation distance 0..1 between the belief with and without it)
    """
    now = marginal(belief)
    return tuple(
        (o.measurement, 0.5 * float(np.abs(now - marginal(replay(belief, (i,)))).sum()))
        for i, o in enumerate(belief.observations)
    )


def for_against(belief: Belief, candidate: int) -> tuple[tuple[str, float], ...]:
    """Log-likelihood ratio of one candidate against all others, reading by reading.

    returns  (measurement, nats), above 0 speaks for it; the others are weighed as they stood before that
             reading, so the sum is exactly how much the log odds have moved by readings
    """
    return tuple((o.measurement, _ratio(o.log_given, o.log_before, [candidate])) for o in belief.observations)


def supports(belief: Belief, members: np.ndarray, *, nats: float = 1.0) -> int:
    """Count the independent readings that speak for a group of candidates by at least `nats`.

    members  (n,) bool, such as the candidates that one repair cures; repeats by the same method do not count,
             and however much is watched counts once: one eye judges all of it
    """
    group = np.flatnonzero(members)
    kinds = [
        o.column.kind
        for o in belief.observations
        if (o.repeat_of < 0 or o.method == "other") and _ratio(o.log_given, o.log_before, group) >= nats
    ]
    return sum(kind != "observe" for kind in kinds) + ("observe" in kinds)


def is_surprising(belief: Belief, *, nats: float = 4.0, unmodelled: float = 0.2) -> bool:
    """Whether the evidence asks for wider candidates: the worst reading is too odd, or nothing known fits."""
    if not belief.observations:
        return False
    if belief.unmodelled >= 0 and marginal(belief)[belief.unmodelled] > unmodelled:
        return True
    return max(s for _, s in surprise(belief)) > nats


def to_check(belief: Belief) -> str:
    """The reading whose independent re-check would matter most; '' if there is none.

    Largest product of surprise and of how much hangs on it; when nothing surprises, how much hangs on it.
    """
    if not belief.observations:
        return ""
    odd = dict(surprise(belief))
    weight = leave_one_out(belief)
    return max(weight, key=lambda pair: (pair[1] * (0.1 + odd[pair[0]]), pair[0]))[0]


def _best(belief: Belief) -> int:
    chance = marginal(belief).copy()
    if belief.unmodelled >= 0:
        chance[belief.unmodelled] = -1.0
    return int(np.argmax(chance))


def implicated(chance: np.ndarray, members: np.ndarray) -> np.ndarray:
    """Chance that each part is at fault, over all candidates that contain it.

    chance   (n,) belief; members (n, n_parts) 1 where the candidate has a fault in the part
    returns  (n_parts,); need not sum to 1: a part may be in several candidates without leading any
    source   health state of Stern, Kalech, Rogov & Feldman (2017)
    """
    return np.asarray(chance) @ np.asarray(members, dtype=float)


def _ratio(log_given: np.ndarray, log_before: np.ndarray, group: list[int] | np.ndarray) -> float:
    inside = np.zeros(len(log_given), dtype=bool)
    inside[np.asarray(group, dtype=int)] = True
    return _mean_log(log_given, log_before, inside) - _mean_log(log_given, log_before, ~inside)


def _mean_log(log_given: np.ndarray, log_before: np.ndarray, mask: np.ndarray) -> float:
    """ln of the weighted mean likelihood over the masked candidates."""
    weights, like = log_before[mask], log_given[mask]
    if not np.any(np.isfinite(weights)):
        weights = np.zeros(len(weights))
    joint = weights + like

    def log_sum(x: np.ndarray) -> float:
        top = float(np.max(x))
        return top if not np.isfinite(top) else top + float(np.log(np.exp(x - top).sum()))

    return log_sum(joint) - log_sum(weights)
