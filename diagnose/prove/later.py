"""What a proving run says in later jobs of that bike: passed checks rule out what was wrong from the start.

A passed check is evidence about the day of the proof. A mistake of assembly that it would have shown is ruled
out until the loom is altered; a fault of use may have come since, and the longer ago the proof, the likelier.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np

from diagnose.bike.model import Fault
from diagnose.circuit.netlist import Change
from diagnose.journal import Record
from diagnose.predictions.compute import Found, Predictor
from diagnose.predictions.store import Store, key_of
from diagnose.predictions.table import Column
from diagnose.prove.bench import Bench
from diagnose.prove.model import Check
from diagnose.wiring import BikeWorld

MADE = frozenset({"assembly", "assembly_care"})  # tags of faults that only work on the loom makes
MADE_SINCE = 0.02  # [1] chance that such a fault has come since although nobody said so (estimate)
HALF_DAYS = 30.0  # [days] after which half of the faults of use have come since the proof (estimate)
LEAST_SINCE = 0.1  # [1] of a fault of use, however fresh the proof (estimate)
TOLD_FROM = 0.02  # [1] change of a chance that is worth writing down
SORTS = ("ground", "to_ground", "kill", "switch", "apart", "contact", "joined", "rating", "observe")


def last_proof(records: Sequence[Record], bike: str) -> Record | None:
    """The newest proving run of a bike among journals (newest first) that still counts.

    A later job in which the loom was said to be altered takes its word away.
    """
    for record in records:
        if record.bike != bike:
            continue
        if any(m.get("differs", {}).get("loom") == "altered" for m in record.messages):
            return None
        if record.options.get("prove"):
            return record if passed(record) else None
    return None


def passed(record: Record) -> tuple[str, ...]:
    """Ids of the checks whose last result in a run was a pass."""
    last = {str(t["id"]): t["result"] for t in record.told if t.get("event") == "check"}
    return tuple(check for check, result in last.items() if result == "pass")


def for_a_job(record: Record, bench: Bench, world: BikeWorld, now: str) -> dict[str, Any]:
    """What the options of a later job keep of a proving run: run, by, when, checks, factors by fault."""
    done = passed(record)
    when = record.entries[-1].at if record.entries else record.started
    checks = [bench.plan.by_id[c] for c in done if c in bench.plan.by_id]
    chance = _chance(bench, world, [c for c in checks if c.sort in SORTS])
    since = _since(when, now)
    factors: dict[str, float] = {}
    for i, candidate in enumerate(world.candidates):
        if not candidate.faults:
            factors[candidate.id] = since
            continue
        (fault,) = candidate.faults
        later = MADE_SINCE if fault.tags and MADE.issuperset(fault.tags) else since
        factors[candidate.id] = later + (1.0 - later) * float(chance[i])
    told = {k: round(f, 4) for k, f in factors.items() if abs(f - 1.0) > TOLD_FROM}
    by = str(record.options.get("by") or "")
    return {"run": record.job, "by": by, "when": when, "checks": len(checks), "factors": told}


def _since(when: str, now: str) -> float:
    """Chance that a fault of use came after the proof."""
    try:
        days = (datetime.fromisoformat(now) - datetime.fromisoformat(when)).total_seconds() / 86400.0
    except (ValueError, TypeError):
        return 1.0
    return max(LEAST_SINCE, max(days, 0.0) / (max(days, 0.0) + HALF_DAYS))


def _chance(bench: Bench, world: BikeWorld, checks: Sequence[Check]) -> np.ndarray:
    """(n_candidates,) chance that a bike with each fault passes all these checks, over a sound one's."""
    store = Store(key_of(world._key, "proved", [*(c.id for c in checks), *(c.id for c in world.candidates)]))
    kept = store.get("chance")
    if kept is not None and len(kept) == len(world.candidates):
        return np.asarray(kept)
    predictor = Predictor(
        world.built,
        world.service,
        world.candidates,
        world.library.instruments,
        world.latent_sd,
        Found({}, {}),
    )
    total = np.zeros(len(world.candidates))
    for stage in bench.plan.stages:
        here = [c for c in checks if c.stage == stage.id]
        columns = predictor.columns(stage.job, [m for c in here if (m := bench.measurement(c)) is not None])
        for check in (c for c in here if c.measurement in columns):
            total += np.log(np.maximum(pass_chance(check, columns[check.measurement]), 1e-6))
    found = np.exp(np.minimum(total - total[world.no_fault], 0.0))
    read = {c.about for c in checks if c.sort == "rating"}  # a fuse whose number was read is the right one
    for i, candidate in enumerate(world.candidates):
        if any(f.component in read and _rates(f) for f in candidate.faults):
            found[i] = 0.0
    found[world.unmodelled] = 1.0
    store.put("chance", found)
    store.save()
    return found


def _rates(fault: Fault) -> bool:
    return any(isinstance(e, Change) and e.param == "rating" for e in fault.edits)


def pass_chance(check: Check, column: Column) -> np.ndarray:
    """(n_candidates,) chance that a reading lies within a check's limit; 1 where nothing is predicted."""
    limit = check.limit
    if column.words is not None:
        within = [i for i, c in enumerate(column.choices) if c in (*limit.words, *limit.doubtful)]
        return np.asarray(column.words)[:, within].sum(axis=1)
    value, spread = np.asarray(column.value, dtype=float), np.asarray(column.spread, dtype=float)
    out = np.ones(len(value))
    for i, (v, s) in enumerate(zip(value, spread, strict=True)):
        if math.isnan(v):
            continue
        if math.isinf(v):
            out[i] = float(math.isinf(limit.high))
            continue
        s = max(s, 1e-3)
        high = 1.0 if math.isinf(limit.high) else _below((limit.high - v) / s)
        out[i] = max(high - _below((limit.low - v) / s), 0.0)
    return out


def _below(z: float) -> float:
    """Share of a normal distribution below z standard deviations."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))
