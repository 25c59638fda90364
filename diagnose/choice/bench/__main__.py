"""Benchmarks by command: tables with ratios, seeds and machine named."""

from __future__ import annotations

import argparse
import importlib.util
import os
import platform
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType

import numpy as np

from diagnose.choice.bench import network, noisy, speed
from diagnose.choice.bench.baselines import BASELINES, Policy, rate_rule
from diagnose.choice.bench.families import FAMILIES, Instance
from diagnose.choice.estimate import remaining
from diagnose.choice.problem import Paid
from diagnose.choice.weigh import Limits, weigh

BARE = Limits(exact=False, look_ahead=False)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one benchmark; exit code 0."""
    parser = argparse.ArgumentParser(prog="python -m diagnose.choice.bench", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    exact = commands.add_parser("families", help="exact problems against the subset optimum")
    exact.add_argument("--instances", type=int, default=300)
    exact.add_argument("--seed", type=int, default=0)
    exact.add_argument("--baselines", type=int, default=0, help="instances on which baselines run too")
    loud = commands.add_parser("noisy", help="150 modes, 180 tests, gross errors: paired with baselines")
    loud.add_argument("--episodes", type=int, default=500)
    loud.add_argument("--seeds", type=int, nargs="+", default=[3, 4, 5, 6])
    loud.add_argument("--unknown", type=float, default=0.0, help="share of readings replaced unknown to all")
    loud.add_argument("--few", action="store_true", help="only the two baselines with bars")
    loud.add_argument("--world", choices=("weak", "clear", "some"), default="weak", help="see bench/noisy.py")
    fast = commands.add_parser("speed", help="time of a decision and of an update, and how it grows")
    fast.add_argument("--seed", type=int, default=0)
    fast.add_argument("--decisions", type=int, default=200)
    net = commands.add_parser("network", help="the same posterior by a Bayesian-network library (pyagrum)")
    net.add_argument("--bif", type=Path, help="win95pts network in BIF, to compare published posteriors")
    chosen = parser.parse_args(arguments)
    print(machine())
    if chosen.command == "families":
        families(chosen.instances, chosen.seed, chosen.baselines)
    elif chosen.command == "noisy":
        noisy_table(chosen.seeds, chosen.episodes, chosen.unknown, chosen.few, chosen.world)
    elif chosen.command == "speed":
        speed.table(chosen.seed, chosen.decisions)
    else:
        network.table(chosen.bif)
    return 0


def machine() -> str:
    """One line that names the machine and the versions."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        named = [x for x in info.read_text().splitlines() if x.startswith("model name")]
        model = named[0].split(":", 1)[1].strip() if named else model
    return (
        f"machine: {model}, {os.cpu_count()} cores, {platform.system()}; Python {platform.python_version()}, "
        f"numpy {np.__version__}"
    )


def oracles() -> ModuleType:
    """The independent optimum; it lives with the tests, so this benchmark needs a checkout."""
    place = Path(__file__).resolve().parents[3] / "tests" / "decision_oracles.py"
    if not place.exists():
        raise SystemExit(
            f"families: {place} is not there; expected the independent optimum beside the package; "
            "try running from a checkout of the project"
        )
    spec = importlib.util.spec_from_file_location("decision_oracles", place)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def ratio(oracle: ModuleType, instance: Instance, policy: Policy, best: float) -> float:
    """Expected minutes of a policy over the least possible."""
    problem = instance.problem

    def act(belief: np.ndarray, opened: int) -> tuple[str, int]:
        places = frozenset(f"p{k}" for k in range(len(instance.access)) if opened >> k & 1)
        sort, option = policy(problem, belief, Paid(places=places))
        return ("test" if sort == "measure" else "repair", int(option[1:]))

    covers = oracle.Covers(instance.access, instance.test_covers, instance.repair_covers)
    return float(oracle.policy_cost(instance.prior, instance.tests, instance.repairs, act, covers)) / best


def least_minutes(oracle: ModuleType, instance: Instance) -> float:
    """Expected minutes of the optimum, by the independent dynamic program."""
    covers = oracle.Covers(instance.access, instance.test_covers, instance.repair_covers)
    return float(oracle.optimum(instance.prior, instance.tests, instance.repairs, covers)[-1])


def families(instances: int, seed: int, baselines: int) -> None:
    """Expected minutes over the optimum: mean (worst), exact search off."""
    oracle = oracles()
    rules = {
        "rate rule with narrow look-ahead": (rate_rule(Limits(exact=False)), instances),
        "rate rule alone": (rate_rule(BARE), instances),
        **{name: (policy, baselines) for name, policy in BASELINES.items() if baselines},
    }
    print(f"expected minutes / optimum, {instances} instances a family, seed {seed}, exact search off")
    for family, make in FAMILIES.items():
        made = [make(np.random.default_rng([seed, i, 17])) for i in range(instances)]
        began = time.perf_counter()
        best = [least_minutes(oracle, m) for m in made]
        took = time.perf_counter() - began
        print(f"{family}: optimum {1000 * took / instances:.0f} ms an instance")
        for name, (policy, count) in rules.items():
            began = time.perf_counter()
            r = np.array([ratio(oracle, m, policy, b) for m, b in zip(made[:count], best, strict=False)])
            took = time.perf_counter() - began
            print(
                f"  {name:48s} mean {r.mean():.4f}  p95 {np.quantile(r, 0.95):.4f}  worst {r.max():.4f}"
                f"  ({count} instances, {1000 * took / count:.0f} ms each)",
                flush=True,
            )


def noisy_table(seeds: Sequence[int], episodes: int, unknown: float, few: bool, kind_of_world: str) -> None:
    """Minutes a job, wrong repairs, tests; differences paired with the shipped rule."""
    guarded = "rate rule, guards on (shipped)"
    others: dict[str, Policy] = {
        name: policy
        for name, policy in BASELINES.items()
        if "only" not in name and (not few or "0.80" in name or "one-step" in name)
    }
    print(
        f"world {kind_of_world}, {episodes} episodes a seed, unknown errors {unknown:.0%}; "
        "+- one standard error; paired differences"
    )
    gathered: dict[str, list[np.ndarray]] = {}
    wrongs: dict[str, list[float]] = {}
    for seed in seeds:
        results = noisy.run(seed, episodes, {guarded: rate_rule(BARE)}, unknown, "repair", kind_of_world)
        results |= noisy.run(
            seed,
            episodes,
            {"rate rule, guards off": rate_rule(BARE), **others},
            unknown,
            kind_of_world=kind_of_world,
        )
        if not few:
            results |= noisy.run(
                seed,
                min(episodes, 50),
                {"repairs only, chance a minute": BASELINES["repairs only, chance a minute"]},
                kind_of_world=kind_of_world,
            )
        ours = np.array([r.minutes for r in results[guarded]])
        world = noisy.build(seed, "repair", kind_of_world).problem
        first = remaining(weigh(world, world.prior, Paid()))
        inside = np.mean((first.minutes_low <= ours) & (ours <= first.minutes_high))
        print(
            f"seed {seed}: estimate at the start {first.minutes:.0f} min, range {first.minutes_low:.0f} to "
            f"{first.minutes_high:.0f}; {inside:.0%} of the jobs fell inside"
        )
        for name, rows in results.items():
            minutes = np.array([r.minutes for r in rows])
            gathered.setdefault(name, []).append(minutes)
            wrongs.setdefault(name, []).append(float(np.mean([r.wrong for r in rows])))
            print(
                f"{_row(name, minutes, ours[: len(minutes)], wrongs[name][-1])}"
                f"  p90 {np.quantile(minutes, 0.9):4.0f}  tests {np.mean([r.tests for r in rows]):4.1f}",
                flush=True,
            )
    print("all seeds together")
    for name, parts in gathered.items():
        if len(parts[0]) != episodes:
            continue
        ours = np.concatenate(gathered[guarded])
        print(_row(name, np.concatenate(parts), ours, float(np.mean(wrongs[name]))))


def _row(name: str, minutes: np.ndarray, ours: np.ndarray, wrong: float) -> str:
    more = minutes - ours
    return (
        f"  {name:46s} {minutes.mean():6.1f} +-{_error(minutes):4.1f} min  wrong {wrong:5.2f}"
        f"  ours less by {more.mean():6.1f} +-{_error(more):4.1f} ({more.mean() / minutes.mean():6.1%})"
    )


def _error(values: np.ndarray) -> float:
    return float(values.std(ddof=1) / np.sqrt(len(values)))


if __name__ == "__main__":
    raise SystemExit(main())
