"""How long the rules take: `python -m diagnose.rules.bench [FOLDER]`.

Prints times of the shipped rules over 300 made-up steps with both engines, with the machine named.
Knows no bike: the steps are drawn from the vocabulary with a printed seed.
"""

from __future__ import annotations

import platform
import random
import sys
import time
from collections.abc import Callable
from pathlib import Path

from diagnose.rules.base import ENGINES, RuleBase, load_rules
from diagnose.rules.vocabulary import NUMBER, TEXT, VOCABULARY

STEPS = 300
SEED = 20260
# of 300 steps of a bike some 60 differ for the rules; the rest differ in points and titles only
CLASSES = 60


def made_up_steps(seed: int, classes: int) -> list[list[dict[str, str | int]]]:
    """Steps with one act and two touched parts each, drawn evenly from the vocabulary's words."""
    rng = random.Random(seed)

    def fact(kind: str) -> dict[str, str | int]:
        made: dict[str, str | int] = {"kind": kind}
        for name, allowed in VOCABULARY[kind].items():
            if allowed == TEXT:
                made[name] = rng.choice(["front", "rear", "unit"])
            elif allowed == NUMBER:
                made[name] = rng.randrange(4)
            else:
                made[name] = rng.choice(allowed)
        return made

    return [[fact("act"), fact("touch"), fact("touch")] for _ in range(classes)]


def job_of(rules: RuleBase, rng: random.Random) -> list[dict[str, str | int]]:
    """Facts of a job that do not change from step to step."""
    facts: list[dict[str, str | int]] = [
        {"kind": "bike", "starter": "yes", "supply": "twelve", "ignition": "cdi", "first_power": "no"},
        {"kind": "user", "skill": "beginner", "kit": "meter"},
        {"kind": "complaint", "what": "no_spark"},
    ]
    facts += [{"kind": "said", "what": q, "answer": rng.choice(["yes", "no"])} for q in rules.questions]
    return facts


def _milliseconds(run: Callable[[], object], times: int) -> float:
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        run()
        best = min(best, time.perf_counter() - start)
    return best * 1e3


def report(folder: Path, echo: Callable[[str], object] = print, runs: int = 5) -> None:
    """Measure and print the best of some runs."""
    echo(f"{platform.machine()}, Python {platform.python_version()}, seed {SEED}")
    classes = made_up_steps(SEED, CLASSES)
    steps = [classes[i % CLASSES] for i in range(STEPS)]
    for engine in ENGINES[1:]:
        start = time.perf_counter()
        rules = load_rules([folder], engine=engine)
        load = (time.perf_counter() - start) * 1e3
        job = job_of(rules, random.Random(SEED))

        def one_by_one(rules: RuleBase = rules, job: list = job) -> None:
            for step in steps:
                rules.forget()
                rules.conclude([*step, *job])

        def together(rules: RuleBase = rules, job: list = job) -> None:
            rules.forget()
            rules.conclude_each(steps, job)

        def again(rules: RuleBase = rules, job: list = job) -> None:
            rules.conclude_each(steps, job)

        single, batch = _milliseconds(one_by_one, max(1, runs // 2)), _milliseconds(together, runs)
        again()
        warm = _milliseconds(again, runs)
        echo(f"{engine}: {len(rules.rules)} rules read and compiled in {load:.1f} ms")
        echo(f"  {STEPS} steps of {CLASSES} classes: one by one {single:.1f} ms, together {batch:.1f} ms,")
        echo(f"  nothing changed {warm:.2f} ms (together {single / batch:.0f} times faster than one by one)")


if __name__ == "__main__":
    report(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("knowledge/rules"))
