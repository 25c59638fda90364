"""How long a step takes: `python -m diagnose.conversation.bench [RULES WORDING]`.

A made-up bike of 400 candidates and 300 measurements (numbers drawn with a printed seed), a job with its
journal on disk; time from an answer read to the next question made, rules and fsync included. Knows no
physics: the table is made up, everything else is the real thing.
"""

from __future__ import annotations

import os
import platform
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from diagnose.bike.model import (
    BikeView,
    Candidate,
    Condition,
    Fault,
    FunctionView,
    JobState,
    Measurement,
    PointView,
    Repair,
)
from diagnose.catalogue.differences import Difference
from diagnose.conversation.session import Session, new_session
from diagnose.conversation.world import SingleFaults
from diagnose.predictions.outcomes import planning_outcomes
from diagnose.predictions.table import Column, Table
from diagnose.rules.base import load_rules
from diagnose.wording import read_wording

SEED = 20261125
CANDIDATES, MEASUREMENTS, PARTS = 400, 300, 120
LIGHT = ("works", "weak", "very_weak", "dead")


class MadeUpWorld(SingleFaults):
    """A World of any size. Each part is seen by a few measurements, which read low when it is at fault."""

    def __init__(self, n_candidates: int = CANDIDATES, n_measurements: int = MEASUREMENTS, seed: int = SEED):
        rng = np.random.default_rng(seed)
        n_faults = n_candidates - 2
        parts = [f"part_{i % PARTS}" for i in range(n_faults)]
        faults = [
            Fault(
                f"{p}.mode_{i}",
                p,
                f"mode_{i}",
                "",
                "broken",
                (),
                1 / n_faults,
                (f"{p}.renew",),
                0.5,
                "seat",
                "wire",
            )
            for i, p in enumerate(parts)
        ]
        self.candidates: tuple[Candidate, ...] = (
            Candidate("no_fault", (), 0.02),
            *(Candidate(f.id, (f,), 0.95 / n_faults) for f in faults),
            Candidate("unmodelled", (), 0.03),
        )
        self.no_fault, self.unmodelled = 0, n_candidates - 1
        self.prior = np.array([c.prior for c in self.candidates])
        self.prior = self.prior / self.prior.sum()
        self.latent_sd = np.array([0.2])
        points = {
            f"{p}.{end}": PointView(f"{p}.{end}", f"{p} {end}", "seat", "BU") for p in parts for end in "ab"
        }
        points["battery.minus"] = PointView("battery.minus", "minus post", "seat", "")
        made: dict[str, Measurement] = {}
        self.columns: dict[str, Column] = {}
        for k in range(n_measurements):
            at = Condition((("key", "on"), ("lights", f"position_{k % 7}")))
            sees = rng.random(n_candidates) < 0.15
            if k % 3:
                point = list(points)[k % len(points)]
                mid = f"volts:{point}:battery.minus@{at.text}"
                m = Measurement(
                    mid, "volts", at, point, "battery.minus", unit="V", minutes=0.7, places=("seat",),
                    setup=at.text, kit="meter", components=(point.partition(".")[0],),
                )  # fmt: skip
                value = np.where(sees, rng.uniform(0.0, 11.0, n_candidates), 12.3)
                value[[0, -1]] = 12.3, np.nan
                column = Column(
                    mid,
                    "volts",
                    "V",
                    value,
                    np.full(n_candidates, 0.1),
                    np.ones((n_candidates, 1)),
                    low=-20,
                    high=20,
                )
            else:
                mid = f"observe:function_{k}@{at.text}"
                m = Measurement(
                    mid, "observe", at, what=f"function_{k}", choices=LIGHT, minutes=0.3, setup=at.text,
                    text="Is it lit?",
                )  # fmt: skip
                words = np.full((n_candidates, 4), 0.02)
                words[np.arange(n_candidates), np.where(sees, rng.integers(0, 4, n_candidates), 0)] = 0.94
                words[-1] = 0.25
                column = Column(mid, "observe", "", words=words, choices=LIGHT)
            made[mid] = m
            self.columns[mid] = _with_outcomes(column, self.latent_sd)
        self.measurements: Mapping[str, Measurement] = made
        self.repairs: Mapping[str, Repair] = {
            f"{p}.renew": Repair(f"{p}.renew", p, "renew", "repair", 10.0, 5.0, "seat", "Fit a new one.")
            for p in dict.fromkeys(parts)
        }
        owner = np.array(["", *parts, ""])
        self._cures = {r.id: (owner == r.component).astype(float) for r in self.repairs.values()}
        self.view = BikeView(
            "made_up", "made up", "", points,
            {m.what: FunctionView(m.what, m.what, "light", m.condition, LIGHT)
             for m in made.values() if m.what},
            {"key": ("key", {"on": "ON"}), "lights": ("lights", {})},
            {"seat": ("seat", 1.0, 1.0)},
            {"battery": ("battery", "battery", "seat"), **{p: (p, "wire", "seat") for p in parts}},
            {"dead": ("something is dead", ("dead",))}, {}, home_points=("battery.minus",),
        )  # fmt: skip

    def complaint_likelihood(self, complaints: Sequence[str]) -> np.ndarray:
        """Every fault draws the complaint alike."""
        return np.ones(len(self.candidates))

    def history_factor(self, facts: Mapping[str, bool]) -> np.ndarray:
        """Nothing weighs."""
        return np.ones(len(self.candidates))

    def history_questions(self) -> Sequence[tuple[str, str]]:
        """None."""
        return ()

    def planned(
        self, complaints: Sequence[str], job: JobState, kit: str = "workshop", *, first: bool = False
    ) -> Sequence[str]:
        """Everything."""
        return tuple(self.measurements)

    def table(self, job: JobState, measurements: Sequence[str]) -> Table:
        """The same in every job state."""
        return Table(tuple(c.id for c in self.candidates), {m: self.columns[m] for m in measurements})

    def cures(self, repair: str, done: Sequence[str] = ()) -> np.ndarray:
        """(n_candidates,) of this part."""
        return self._cures[repair]

    def verify(self, repair: str, complaints: Sequence[str], chances: np.ndarray | None = None) -> str:
        """None."""
        return ""

    def differing(self, differences: Sequence[Difference]) -> MadeUpWorld:
        """The same."""
        return self


def _with_outcomes(column: Column, latent_sd: np.ndarray) -> Column:
    from dataclasses import replace

    return replace(column, outcomes=planning_outcomes(column, latent_sd=latent_sd))


def answer_of(world: MadeUpWorld, measurement: str, truth: int) -> str:
    """What a bike with this candidate would show."""
    column = world.columns[measurement]
    if column.words is not None:
        return column.choices[int(np.argmax(column.words[truth]))]
    assert column.value is not None
    return f"{column.value[truth]:.2f} V"


def steps(session: Session, world: MadeUpWorld, truth: int) -> list[float]:
    """Milliseconds of each answered measurement of one job, from answer to next event."""
    took = []
    for _ in range(40):
        asked = session.state.open
        if asked is None:
            break
        if asked.sort == "advice":
            session.take({"done": asked.id, "works": "yes" if world.cures(asked.id)[truth] else "no"})
            continue
        message = {
            "answer": answer_of(world, asked.measurement, truth) if asked.measurement else "yes",
            "sure": True,
        }
        start = time.perf_counter()
        session.take(message)
        took.append((time.perf_counter() - start) * 1e3)
    return took


def main(arguments: Sequence[str]) -> int:
    """Print the times of 12 jobs, beside one append with fsync in the same run."""
    shipped = Path(__file__).resolve().parents[2] / "knowledge"
    rules, wording = arguments or (str(shipped / "rules"), str(shipped / "wording" / "en.yaml"))
    rulebase, words = load_rules([rules]), read_wording(wording)
    world = MadeUpWorld()
    rng = np.random.default_rng(SEED)
    took: list[float] = []
    firsts: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(12):
            known = {"complaints": ["dead"], "kit": "meter", "skill": "trade", "history": {}}
            done = {"switches": True, "others": True, "meter": True}
            start = time.perf_counter()
            session = new_session(Path(folder), "made_up", {**known, **done}, world, rulebase, words)
            firsts.append((time.perf_counter() - start) * 1e3)
            took += steps(session, world, int(rng.integers(1, CANDIDATES - 1)))
            start = time.perf_counter()
            session.journal.append("told", {"event": "bench"})
            synced = (time.perf_counter() - start) * 1e3
            session.close()
    p50, p95 = np.percentile(took, [50, 95])
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, seed {SEED}")
    print(f"{CANDIDATES} candidates x {MEASUREMENTS} measurements, rules by {rulebase.engine}")
    print(f"first question {firsts[0]:.0f} ms, next jobs {np.median(firsts[1:]):.0f} ms")
    print(f"{len(took)} steps: median {p50:.1f} ms, 95th percentile {p95:.1f} ms, longest {max(took):.1f} ms")
    print(f"one append with fsync {synced:.2f} ms; a step is {p50 / synced:.0f} of it")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
