"""The two sides of the rate rule, in minutes: measuring on, and repairing now.

Between the scores and the rule; advises nothing itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.choice.problem import Paid, Problem
from diagnose.choice.repairs import after_failure, cost_after, repair_only
from diagnose.choice.score import MINUTE_FLOOR, SMALL, Scores, Situation, entropy, scores, situation, stack
from diagnose.ties import foremost, in_order

NO_NEWS = 1e-6  # [nats] below this a measurement tells nothing
TIE = 0.05  # [1] scores this close are equal: then what is at hand goes first (estimate)
TRIED = 5  # repairs worth comparing, by chance of cure per minute
RUNNERS_UP = 5


@dataclass(frozen=True, slots=True)
class Limits:
    """What stands between a good bet and advice. Chances [1], minutes.

    sure          chance of cure at which work or a part is advised
    lost          chance of `unmodelled` (or of nothing that can be repaired) at which to stop
    likely        below this chance work and parts wait while measuring on is worth its minutes
    dear          it is not once it takes this many times the minutes of repairing at once
    hopeless      a part that costs money is not advised below this chance
    cheap         price up to which a part is ventured like work: a lamp, a terminal
    faint         below this chance no work is advised: stop, if measuring on is not worth its minutes either
    idle          below this chance not even a try is told: what is likelier goes first, or nothing does
    part_of       share of what a part cures from which work without a part is told from it by a test
    tells_apart   total variation of the outcomes from which such a test counts
    separates     a test counts as confirming if its outcomes differ this much in total variation
    patience_min  a confirming test may cost this or the repair's own minutes, whichever is more
    harm_min      minutes that a wrong repair is as bad as, besides its own: what a confirming test may spare
    price_min     minutes that a unit of money spent on a wrong part is as bad as, besides
    second_method a part that cannot be returned wants this many independent readings for it
    support       [nats] by which a reading must speak for it to be counted (as beliefs.evidence.supports)
    exact         search exactly when few candidates and near-certain outcomes remain
    look_ahead    exact look-ahead in the same case with more candidates
    """

    sure: float = 0.95
    lost: float = 0.5
    likely: float = 0.6
    dear: float = 2.0
    hopeless: float = 0.25
    cheap: float = 0.0
    faint: float = 0.1
    idle: float = 0.02
    part_of: float = 0.05
    tells_apart: float = 0.5
    separates: float = 0.15
    patience_min: float = 10.0
    harm_min: float = 60.0
    price_min: float = 1.0
    second_method: int = 2
    support: float = 1.0
    exact: bool = True
    look_ahead: bool = True


DEFAULT = Limits()


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """Both sides of the decision, in minutes to the end.

    cost_to_go  Vhat: if the best measurement comes next
    trying      (n_tried,) if the repair comes next; tried: their indices
    net         (n_measurements,) minutes of each test, less what it opens for the repair that will be wanted
    score       (n_measurements,) nats a minute by the smaller of the two terms, -1 where not available
    nats        (n_measurements,) expected information in the same terms
    price       minutes a nat at today's best price: about the repair, about the candidate
    """

    now: Situation
    belief: np.ndarray
    scores: Scores
    net: np.ndarray
    score: np.ndarray
    nats: np.ndarray
    cost_to_go: float
    tried: np.ndarray
    trying: np.ndarray
    informs: bool
    price: tuple[float, float]


def weigh(problem: Problem, belief: np.ndarray, paid: Paid) -> Weighed:
    """Steps 1 to 4 of the rule.

    cbar = sum_r q_r c_r                       minutes of the repair that will be needed anyway
    c_t' = c_t - sum_r q_r s_tr                what a test opens and the repair needs too is paid once: s_tr
    kappa = min_t c_t' / I_t                   minutes a nat at today's best price
    Vhat = cbar + min(kappa_class H(q), kappa_candidate H(b))
    V_rep(r) = c_r + (1 - q_r) min(Vhat, repair-only) of what is left if r fails, kappas kept
    """
    now = situation(problem, paid)
    b = np.where((now.wants >= 0) & (belief > SMALL), belief, 0.0)
    total = b.sum()
    if total > 0.0:
        b = b / total
    block = stack(problem.measurements)
    found = scores(block, b, now.wants, len(now.repairs))
    open_tests = np.isfinite(now.tests)
    net = np.maximum(now.tests - now.shared @ found.shares, MINUTE_FLOOR)
    by_class = np.where(open_tests, found.by_class / net, 0.0)
    by_candidate = np.where(open_tests, found.by_candidate / net, 0.0)
    least = NO_NEWS if block.table.dtype == np.float64 else 20.0 * NO_NEWS
    informs = bool(
        max(found.by_class[open_tests].max(initial=0.0), found.by_candidate[open_tests].max(initial=0.0))
        > least
    )
    price = (best_price(by_class), best_price(by_candidate))
    cbar = float(found.shares @ now.cost) if len(now.cost) else 0.0
    terms = (minutes_for(price[0], found.class_entropy), minutes_for(price[1], found.candidate_entropy))
    use_class = terms[0] <= terms[1]
    score = np.where(open_tests, by_class if use_class else by_candidate, -1.0)
    tried, trying = try_repairs(now, b, price)
    return Weighed(
        now=now,
        belief=b,
        scores=found,
        net=net,
        score=score,
        nats=found.by_class if use_class else found.by_candidate,
        cost_to_go=cbar + min(terms),
        tried=tried,
        trying=trying,
        informs=informs,
        price=price,
    )


def best_test(weighed: Weighed) -> int:
    """The measurement to take: best nats a minute; among near-ties what is at hand, then the quicker one."""
    score = weighed.score
    top = float(score.max(initial=-1.0))
    if top <= 0.0:
        return foremost(score) if len(score) else -1
    near = [int(t) for t in in_order(score) if score[t] >= (1.0 - TIE) * top]
    now = weighed.now
    return int(
        min(
            near,
            key=lambda t: (now.extra[t] > 0.0, round(float(now.tests[t]), 6) if now.extra[t] > 0 else 0.0),
        )
    )


def try_repairs(
    now: Situation, belief: np.ndarray, price: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray]:
    """The repairs worth comparing, and the minutes to the end if each is done next.

    returns  (n_tried,) indices into now.repairs, (n_tried,) minutes
    """
    if not len(now.repairs) or belief.sum() <= 0.0:
        return np.zeros(0, dtype=int), np.zeros(0)
    chance = now.cures @ belief
    tried = in_order(chance / now.cost)[:TRIED]
    tried = tried[chance[tried] > 0.0]
    trying = np.zeros(len(tried))
    for i, r in enumerate(tried):
        left, works = after_failure(now, belief, int(r))
        trying[i] = now.cost[r]
        if works < 1.0 - 1e-9 and left.sum() > 0.0:
            cost = cost_after(now, int(r))
            q = np.bincount(now.wants[now.wants >= 0], weights=left[now.wants >= 0], minlength=len(now.cost))
            ahead = float(q @ cost) + min(
                minutes_for(price[0], entropy(q)), minutes_for(price[1], entropy(left))
            )
            alone = float(repair_only(now, left[None, :], cost)[0])
            trying[i] += (1.0 - works) * min(ahead, alone)
    return tried, trying


def best_price(rates: np.ndarray) -> float:
    """Minutes a nat from nats a minute; infinite when nothing informs."""
    best = float(rates.max(initial=0.0))
    return 1.0 / best if best > 0.0 else np.inf


def minutes_for(price: float, nats: float) -> float:
    """Price times nats; nothing to learn costs nothing at any price."""
    return 0.0 if nats <= 1e-12 else price * nats
