"""Time of one step: update with a reading, decide; and how it grows with candidates and measurements."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from diagnose.beliefs import posterior
from diagnose.choice.problem import MeasurementOption, Paid, Problem, RepairOption
from diagnose.choice.rate import next_act
from diagnose.predictions.outcomes import planning_outcomes
from diagnose.predictions.table import Column

LATENT_SD = np.array([0.3])
REPAIRS = 150
SIZES = ((100, 300), (200, 300), (400, 75), (400, 150), (400, 300), (400, 600), (1500, 300), (5000, 300))


def build(seed: int, n_candidates: int, n_measurements: int) -> tuple[Problem, tuple[Column, ...]]:
    """A problem shaped like a bike's: volts in a few clusters, most candidates reading healthy."""
    rng = np.random.default_rng([seed, n_candidates, n_measurements])
    columns, options = [], []
    for t in range(n_measurements):
        healthy = float(rng.choice([0.0, 12.3]))
        value = np.full(n_candidates, healthy)
        touched = rng.random(n_candidates) < 0.15
        value[touched] = rng.choice(
            [0.0, 3.0, 6.0, 8.0, 9.5, 11.0, 11.6, 12.0, 12.3, 12.6, 14.0], touched.sum()
        )
        column = Column(
            f"volts:p{t}:frame@",
            "volts",
            "V",
            value=value + rng.normal(0.0, 0.05, n_candidates),
            spread=rng.uniform(0.05, 0.15, n_candidates),
            shift=value[:, None] / 12.3,
            low=-20.0,
            high=20.0,
        )
        columns.append(column)
        table = planning_outcomes(column, latent_sd=LATENT_SD)
        options.append(
            MeasurementOption(
                column.measurement,
                table,
                float(rng.uniform(0.5, 6.0)),
                places=("seat",) if t % 3 == 0 else (),
            )
        )
    wants = rng.integers(0, REPAIRS, n_candidates)
    repairs = tuple(
        RepairOption(f"r{r}", (wants == r).astype(float), float(rng.uniform(5.0, 60.0)), "repair")
        for r in range(REPAIRS)
    )
    prior = rng.gamma(0.7, size=n_candidates)
    return Problem(prior / prior.sum(), tuple(options), repairs, access={"seat": 2.0}), tuple(columns)


def steps(seed: int, n_candidates: int, n_measurements: int, decisions: int) -> dict[str, np.ndarray]:
    """Milliseconds of each update and each decision while jobs are played with this problem."""
    problem, columns = build(seed, n_candidates, n_measurements)
    by_id = {c.measurement: c for c in columns}
    rng = np.random.default_rng([seed, 5])
    next_act(problem, problem.prior)  # warm: the block of tables is built once a job
    update_ms: list[float] = []
    decide_ms: list[float] = []
    while len(decide_ms) < decisions:
        truth = int(rng.choice(n_candidates, p=problem.prior))
        belief = posterior.start(problem.prior, LATENT_SD)
        used: frozenset[str] = frozenset()
        battery = rng.normal(0.0, float(LATENT_SD[0]))
        for _ in range(12):
            chance = posterior.marginal(belief)
            began = time.perf_counter()
            act = next_act(problem, chance, Paid(used=used))
            decide_ms.append(1000.0 * (time.perf_counter() - began))
            if act.sort != "measure":
                break
            column = by_id[act.option]
            assert column.value is not None and column.spread is not None and column.shift is not None
            reading = (
                column.value[truth] + column.shift[truth, 0] * battery + rng.normal() * column.spread[truth]
            )
            began = time.perf_counter()
            belief = posterior.update(belief, column, float(reading), session="frame")
            update_ms.append(1000.0 * (time.perf_counter() - began))
            used |= {act.option}
    return {"update": np.array(update_ms), "decide": np.array(decide_ms)}


def table(seed: int, decisions: int) -> None:
    """Print the growth table, planning tables included, with a matrix product as the yardstick."""
    yardstick = _best(
        lambda: np.ones((1000, 1000), dtype=np.float32) @ np.ones((1000, 1000), dtype=np.float32)
    )
    print(
        f"yardstick in the same run: product of two 1000 x 1000 single-precision matrices {yardstick:.1f} ms"
    )
    print(
        "candidates x measurements   decide p50 / p95   (p95 / yardstick)   update p50 / p95   planning table"
    )
    for n_candidates, n_measurements in SIZES:
        found = steps(
            seed, n_candidates, n_measurements, decisions if n_candidates <= 1500 else decisions // 4
        )
        columns = build(seed, n_candidates, n_measurements)[1]
        began = time.perf_counter()
        for column in columns:
            planning_outcomes(column, latent_sd=LATENT_SD)
        planning = 1000.0 * (time.perf_counter() - began)
        d, u = found["decide"], found["update"]
        p95 = float(np.quantile(d, 0.95))
        print(
            f"{n_candidates:10d} x {n_measurements:<4d}           {np.median(d):6.1f} / {p95:6.1f} ms  "
            f"({p95 / yardstick:7.1f})         {np.median(u):6.1f} / {np.quantile(u, 0.95):6.1f} ms"
            f"  {planning:7.0f} ms",
            flush=True,
        )


def _best(work: Callable[[], object], times: int = 5) -> float:
    best = np.inf
    for _ in range(times):
        began = time.perf_counter()
        work()
        best = min(best, 1000.0 * (time.perf_counter() - began))
    return best
