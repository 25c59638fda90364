"""The rate rule: measure while a nat at today's best price is worth its minutes, else repair.

Sixth arrow of the flow (beliefs -> choice). Knows no motorcycle.
One sentence: the minutes still to come are the repair that will be needed anyway, plus what is not known yet
times the best price of information on offer; a repair is done early when that makes the sum smaller.
"""

from __future__ import annotations

import numpy as np

from diagnose.choice.guards import guarded
from diagnose.choice.problem import Act, Paid, Problem
from diagnose.choice.weigh import DEFAULT, Limits, weigh


def next_act(problem: Problem, belief: np.ndarray, paid: Paid = Paid(), limits: Limits = DEFAULT) -> Act:  # noqa: B008
    """Say what to do next.

    belief   (n_candidates,) [1], marginal of the posterior, sums to 1
    paid     open places, set-up, used measurements, repairs done
    returns  Act: measure | try | repair | stop; option '' for a bare stop
    raises   ValueError if the belief has another length than the prior, or is empty
    source   composite; nearest in print: the entropy cost-to-go of Warnquist & Nyberg (from memory)
    """
    belief = np.asarray(belief, dtype=float)
    if belief.shape != problem.prior.shape or not belief.sum() > 0.0:
        raise ValueError(
            f"next_act: belief has shape {belief.shape} and sum {belief.sum():.3g}; expected "
            f"{problem.prior.shape} summing to 1"
        )
    return guarded(weigh(problem, belief, paid), belief, limits)
