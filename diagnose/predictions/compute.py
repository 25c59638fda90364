"""Fill the table: read every instrument under every candidate, round once.

Fourth arrow of the flow. Lazy: only what the next questions need is solved; results are kept in memory
and, for the bike as brought in, on disk (`predictions.store`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from diagnose.bike.acts import STIRS
from diagnose.bike.build import (
    Build,
)
from diagnose.bike.currents import Service
from diagnose.bike.model import Candidate, Condition, JobState, Measurement
from diagnose.catalogue.model import Instrument
from diagnose.predictions.functions import Functions
from diagnose.predictions.outcomes import with_outcomes
from diagnose.predictions.readings import mode_of, read_group
from diagnose.predictions.severity import over_ranges, ranges
from diagnose.predictions.situations import Found, Mode, Solved
from diagnose.predictions.table import Column, rounded

__all__ = ["Found", "Predictor", "mode_of"]

GROUPS_AT_ONCE = 12  # groups of measurements whose conditions are solved in one batch


class Predictor(Functions):
    """Predictions of one bike for one list of candidates; hides only caches, answers are frozen."""

    def __init__(
        self,
        built: Build,
        service: Service,
        candidates: Sequence[Candidate],
        instruments: Mapping[str, Instrument],
        latent_sd: np.ndarray | None = None,
        found: Found | None = None,
        solved: Solved | None = None,
        *,
        graded: bool = False,
    ):
        """graded: a severity stands for the range around it; False: for exactly its ohms."""
        super().__init__(built, service, candidates, instruments, latent_sd, found, solved)
        self._columns: dict[tuple[JobState, str], Column] = {}
        self._parts: dict[bytes, Predictor] = {}
        self._graded = graded
        if graded:
            self.ranges = ranges(self.candidates, self.healthy)

    def columns(self, job: JobState, measurements: Sequence[Measurement]) -> dict[str, Column]:
        """Column of each measurement, by id.

        What was repaired needs no new solution: the candidates it cures are out of question. What was
        renewed concerns only the candidates that had blown it, and only those are solved again.
        """
        job = replace(job, done=(), said=())
        if job.renewed:
            return self._renewed_columns(job, measurements)
        return self._plain_columns(job, measurements)

    def _renewed_columns(self, job: JobState, measurements: Sequence[Measurement]) -> dict[str, Column]:
        renewed = set(job.renewed)
        masks = [m for d, m in self.found().opened.items() if d.partition(".")[0] in renewed]
        base = self._plain_columns(replace(job, renewed=()), measurements)
        rows = np.flatnonzero(np.any(masks, axis=0)) if masks else np.array([], dtype=int)
        todo = [m for m in measurements if (job, m.id) not in self._columns]
        if len(rows) and todo:
            part = self._part(rows)._plain_columns(job, todo)
            for m in todo:
                known = _with_rows(base[m.id], part[m.id], rows)
                self._columns[(job, m.id)] = rounded(with_outcomes(known, latent_sd=self.latent_sd))
        return {m.id: self._columns.get((job, m.id), base[m.id]) for m in measurements}

    def _part(self, rows: np.ndarray) -> Predictor:
        """A predictor of the sound bike and these candidates only."""
        key = rows.tobytes()
        if key not in self._parts:
            keep = np.zeros(len(self.candidates), dtype=bool)
            keep[[self.healthy, *rows]] = True
            chosen = [c for c, k in zip(self.candidates, keep, strict=True) if k]
            self._parts[key] = Predictor(
                self.built,
                self.service,
                chosen,
                self.instruments,
                self.latent_sd,
                self.found().only(keep),
                graded=self._graded,
            )
        return self._parts[key]

    def known_columns(self) -> dict[str, Column]:
        """Columns computed for the bike as brought in (for the store)."""
        return {m: c for (job, m), c in self._columns.items() if job == JobState()}

    def adopt(self, columns: Mapping[str, Column]) -> None:
        """Take columns that were computed before."""
        for name, column in columns.items():
            self._columns.setdefault((JobState(), name), column)

    def _plain_columns(self, job: JobState, measurements: Sequence[Measurement]) -> dict[str, Column]:
        groups: dict[tuple[str, str], list[Measurement]] = {}
        for m in measurements:
            if (job, m.id) not in self._columns:
                # these are solved with the instrument in circuit, all of a kind in one batch
                loaded = m.kind in ("lamp", "amps")
                groups.setdefault((m.kind, "" if loaded else m.condition.text), []).append(m)
        ordered = sorted(groups.values(), key=lambda g: (g[0].kind == "lamp", g[0].condition.text))
        for first in range(0, len(ordered), GROUPS_AT_ONCE):
            some = ordered[first : first + GROUPS_AT_ONCE]
            self.prepare(job, [each for group in some for m in group for each in self._read_at(m)])
            for group in some:
                for column in read_group(self, job, group):
                    known = over_ranges(self._without_unmodelled(column), self.ranges)
                    planned = with_outcomes(known, latent_sd=self.latent_sd)
                    self._columns[(job, column.measurement)] = rounded(planned)
        return {m.id: self._columns[(job, m.id)] for m in measurements}

    def _read_at(self, m: Measurement) -> list[tuple[Condition, Mode]]:
        """The solutions of the bare circuit that a measurement is read from."""
        if m.kind in ("inspect", "lamp", "amps", "swap", "gravity", *STIRS):
            return []
        if m.kind in ("observe", "count", "jumper"):
            return self.seen_at(m.what, m.condition)
        if m.kind == "ac_volts":
            return [(m.condition, mode) for mode in self.ac_modes()]
        return [(m.condition, mode_of(m))]  # a clamp reads the bare circuit too

    def _without_unmodelled(self, column: Column) -> Column:
        """`unmodelled` predicts nothing: NaN for numbers, every word alike."""
        rows = [i for i, c in enumerate(self.candidates) if c.id == "unmodelled"]
        if not rows:
            return column
        if column.value is not None:
            value = column.value.copy()
            value[rows] = np.nan
            return replace(column, value=value)
        assert column.words is not None
        words = column.words.copy()
        words[rows] = 1.0 / words.shape[1]
        degree = None if column.degree is None else column.degree.copy()
        if degree is not None:
            degree[rows] = 1.0 / words.shape[1]
        return replace(column, words=words, degree=degree)


def _with_rows(base: Column, part: Column, rows: np.ndarray) -> Column:
    """The base column with these candidates' rows from a part whose first row is the sound bike."""

    def merged(whole: np.ndarray | None, some: np.ndarray | None) -> np.ndarray | None:
        if whole is None or some is None:
            return whole
        out = whole.copy()
        out[rows] = some[1:]
        return out

    return replace(
        base,
        value=merged(base.value, part.value),
        spread=merged(base.spread, part.spread),
        shift=merged(base.shift, part.shift),
        words=merged(base.words, part.words),
        degree=merged(base.degree, part.degree),
    )
