"""What the rest of a job will take, in minutes and money, told before work starts.

Part of the conversation. From the policy and the belief (choice.estimate); nothing of it is written by hand.
"""

from __future__ import annotations

import math

import numpy as np

from diagnose.choice.estimate import HIGH, remaining
from diagnose.choice.weigh import weigh
from diagnose.conversation import evidence, names, planning
from diagnose.conversation.means import Event, Means, is_closed, judge
from diagnose.conversation.state import State


def told(means: Means, state: State) -> Event:
    """The estimate as things stand.

    minutes  hands-on, to the proof; price: of parts. low and high should hold four jobs in five
    """
    acts = [means.world.measurements[m.id] for m in planning.options(means.world, state)[0]]
    found = judge(means, state, acts)
    blocked = {mid: is_closed(p, state) for mid, p in found.items() if p.blocked}
    problem, belief, paid, _ = planning.problem_of(means.world, state, blocked)
    rest = remaining(weigh(problem, belief, paid))
    more, most = further_faults(means, state)
    minutes = [rest.minutes_low, rest.minutes * (1.0 + more), rest.minutes_high * (1.0 + most)]
    prices = [rest.price_low, rest.price * (1.0 + more), rest.price_high * (1.0 + most)]
    low, mid, high = (names.minutes(max(m, 1.0)) for m in minutes)
    cheap, dear = (_money(p) for p in (prices[0], prices[2]))
    parts = "parts_none" if prices[2] < 0.5 else "parts_same" if cheap == dear else "parts_range"
    priced = {"parts_range": {"low": cheap, "high": dear}, "parts_same": {"high": dear}}.get(parts, {})
    text = means.say(
        state, "estimate", minutes=mid, low=low, high=high, parts=means.say(state, parts, **priced)
    )
    keys = ("low", "expected", "high")
    return {
        "event": "estimate",
        "minutes": dict(zip(keys, (round(m, 1) for m in minutes), strict=True)),
        "price": dict(zip(keys, (round(p, 2) for p in prices), strict=True)),
        "text": text,
    }


def further_faults(means: Means, state: State) -> tuple[float, int]:
    """Faults besides the first: expected, and as many as there are not in nine cases of ten.

    Several complaints that nothing known explains together (`unmodelled`) are taken as a cause each.
    """
    count = len(state.all_complaints)
    if count < 2:
        return 0.0, 0
    chance = evidence.chances(state.belief)
    further = np.array([max(len(c.faults) - 1, 0) for c in means.world.candidates])
    further[means.world.unmodelled] = count - 1
    later = len(state.later)
    expected = float(chance @ further) + later
    most = int(max(f for f in set(further.tolist()) if chance[further >= f].sum() >= 1.0 - HIGH)) + later
    return expected, most


def _money(price: float) -> str:
    """A price as an estimate says it: whole below 20, then in fives."""
    return f"{math.ceil(price):d}" if price < 20 else f"{5 * round(price / 5):d}"
