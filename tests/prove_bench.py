"""The shipped bikes ready to be proved, opened once a session."""

from __future__ import annotations

import math
from functools import cache
from typing import Any

from shipped import opened

from diagnose.prove.bench import Bench, open_bench
from diagnose.prove.run import begin, step
from diagnose.prove.state import State


@cache
def bench(bike: str = "custom_single") -> Bench:
    """The plan of a shipped bike."""
    return open_bench(opened(), bike)


def sound_answer(b: Bench, state: State) -> str:
    """What a sound bike answers to the question that stands."""
    name = str(state.event["question"])
    if name.startswith("stage:"):
        return "yes"
    check = b.plan.by_id[name]
    if check.several:
        return ", ".join(check.limit.words) or "none"
    if check.choices:
        return check.limit.expected
    return "OL" if math.isinf(check.limit.value) else f"{check.limit.value:.6f}"


def until(b: Bench, state: State, check: str) -> State:
    """Answer as a sound bike does until this check stands."""
    for _ in range(400):
        if state.event.get("question") == check:
            return state
        state, _ = step(state, {"answer": sound_answer(b, state)}, b)
    raise AssertionError(f"{check} never came")


def started(b: Bench, **options: Any) -> State:
    """A run with the first stage entered."""
    state, _ = begin({"kit": "workshop", "skill": "trade", **options}, b)
    return step(state, {"answer": "yes"}, b)[0]
