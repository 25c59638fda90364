"""What the rest of a job will take, in minutes and money, told before work starts.

Part of the conversation. From the policy and the belief (choice.estimate); nothing of it is written by hand.
"""

from __future__ import annotations

import math

from diagnose.choice.estimate import remaining
from diagnose.choice.weigh import weigh
from diagnose.conversation import names, planning
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
    minutes = [rest.minutes_low, rest.minutes, rest.minutes_high]
    prices = [rest.price_low, rest.price, rest.price_high]
    low, mid, high = (names.minutes(max(m, 1.0)) for m in minutes)
    cheap, dear = (_money(p) for p in (rest.price_low, rest.price_high))
    parts = "parts_none" if rest.price_high < 0.5 else "parts_same" if cheap == dear else "parts_range"
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


def _money(price: float) -> str:
    """A price as an estimate says it: whole below 20, then in fives."""
    return f"{math.ceil(price):d}" if price < 20 else f"{5 * round(price / 5):d}"
