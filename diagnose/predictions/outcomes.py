"""Outcome probabilities that planning uses: each predicted reading sorted into a few bins.

Between prediction and belief. The update uses the exact density (beliefs.likelihood); these bins only
decide what to measure next. Knows no bike, no circuit: numbers in, probabilities out.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from diagnose.predictions.table import Column

# One commented place for the model of wrong readings; beliefs.likelihood uses the same numbers.
MISPROBE_SHARE = 0.6  # [1] of all gross errors: tip on the wrong terminal, open lead, key left off (estimate)
OPEN_LEAD_VOLTS = (
    0.15  # [V] standard deviation of what a meter with an open lead shows around zero (estimate)
)
OHMS_FLOOR = 0.2  # [ohm] ohms are read as ln(ohms + floor): leads and the last digit blur below it (estimate)
OHMS_DIGIT = 0.1  # [ohm] contact and last digit of a common meter (estimate)
OHMS_EDGE = 0.3  # [ln ohm] softness of the edge between the highest number and OL (estimate)
OPEN_READS = 0.03  # [1] chance that a true open shows a high number instead of OL: damp, fingers (estimate)
GROSS_OL = 0.4  # [1] share of gross errors of an ohms or diode reading that show OL (estimate)
PLANNED_ERROR = 0.05  # [1] gross error rate that planning assumes; the update learns the observer's own

_ORDERED = 6  # decimals that put predictions in order: what is below them differs between processors
_GOOD_BINS = 10  # clusters at most; with OL and the wrong readings' bin 12 outcomes


def log_ohms(ohms: np.ndarray | float) -> np.ndarray:
    """Write ohms as ln(ohms + floor); +inf stays +inf (OL)."""
    return np.log(np.maximum(np.asarray(ohms, dtype=float), 0.0) + OHMS_FLOOR)


def log_ohms_spread(ohms: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Standard deviation of ln(ohms + floor) when ln(ohms) has `spread` and the last digit its own."""
    finite = np.where(np.isfinite(ohms), np.maximum(ohms, 0.0), 0.0)
    # d ln(x + f) = x / (x + f) d ln x ;  digit / (x + f)
    return np.hypot(spread * finite / (finite + OHMS_FLOOR), OHMS_DIGIT / (finite + OHMS_FLOOR))


def reading_range(column: Column) -> tuple[float, float]:
    """Range over which a wrong reading may fall, in the column's own scale (ln for ohms).

    Limits that the column leaves infinite are taken from its predictions, one third wider.
    """
    assert column.value is not None
    value = np.asarray(column.value, dtype=float)
    if column.scale == "log":
        low = 0.0 if not np.isfinite(column.low) else max(column.low, 0.0)
        finite = value[np.isfinite(value)]
        top = column.high if np.isfinite(column.high) else max(float(finite.max(initial=1.0)) * 10.0, 1e6)
        return float(log_ohms(low)), float(log_ohms(top))
    finite = value[np.isfinite(value)]
    bottom, top = float(finite.min(initial=0.0)), float(finite.max(initial=1.0))
    margin = max((top - bottom) / 3.0, 1.0)
    low = column.low if np.isfinite(column.low) else bottom - margin
    high = column.high if np.isfinite(column.high) else top + margin
    return float(low), float(max(high, low + 1e-6))


def open_chance(value: np.ndarray, scale: str, high: float) -> np.ndarray:
    """(n_candidates,) chance that a well-taken reading shows OL; high in the column's own scale."""
    chance = np.where(value == np.inf, 1.0 - OPEN_READS, 0.0)
    if scale == "log":
        finite = np.isfinite(value)
        chance[finite] = normal_cdf((log_ohms(value[finite]) - high) / OHMS_EDGE)
    return chance


def normal_cdf(x: np.ndarray) -> np.ndarray:
    """Standard normal distribution function, absolute error below 8e-8.

    source: Abramowitz & Stegun (1964), formula 26.2.17 (from memory; checked against math.erf in the tests)
    """
    x = np.asarray(x)
    t = 1.0 / (1.0 + 0.2316419 * np.abs(x))
    poly = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    upper = np.exp(-0.5 * np.minimum(x * x, 170.0)) * (0.3989422804014327 * poly)
    return np.where(x >= 0.0, 1.0 - upper, upper)


def planning_outcomes(
    column: Column, *, latent_sd: np.ndarray | None = None, error: float = PLANNED_ERROR
) -> np.ndarray:
    """Sort the predictions of one measurement into 2 to 12 outcomes.

    column     value/spread/shift (numbers) or words, see Column
    latent_sd  (n_latents,) spread of the shared latents, added to each candidate's own; None: ignore shift
    error      [1] chance of a gross error, mis-probe included
    returns    (n_outcomes, n_candidates) float32, columns sum to 1
    """
    if column.words is not None:
        words = np.asarray(column.words, dtype=float)
        mixed = (1.0 - error) * words + error / words.shape[1]
        return np.ascontiguousarray(mixed.T, dtype=np.float32)
    if column.value is None or column.spread is None:
        raise ValueError(
            f"{column.measurement}: column has neither value and spread nor words; expected one of the two; "
            "try building it with predictions.compute"
        )
    low, high = reading_range(column)
    center, spread, opened, unknown = _in_scale(column, high, latent_sd)
    edges = _edges(center[~unknown & np.isfinite(center)], spread[~unknown & np.isfinite(center)], low, high)
    # P(bin) = cdf(upper edge) - cdf(lower edge), the two outer bins take the tails
    broad = unknown | ~np.isfinite(center)
    some_broad = bool(broad.any())
    where = np.where(broad, 0.0, center) if some_broad else center
    away = ((edges[:, None] - where) / spread).astype(np.float32)
    has_open = column.scale == "log" or bool(opened.max() > 1e-6)
    out = np.empty((len(edges) + 1 + has_open, len(center)), dtype=np.float32)
    good = out[: len(edges) + 1]
    good[:-1] = normal_cdf(away)
    good[-1] = 1.0
    good[1:] -= good[:-1].copy()
    width = np.diff(np.concatenate(([low], np.clip(edges, low, high), [high])))
    flat = width / width.sum()  # a reading of no meaning, spread over the range
    if some_broad:
        good[:, broad] = flat[:, None]
    if has_open:
        good *= 1.0 - opened
        out[-1] = opened
    out *= 1.0 - error
    out += (error * _wrong(flat, edges, has_open)).astype(np.float32)[:, None]
    return np.maximum(out, 0.0, out=out)


def with_outcomes(
    column: Column, *, latent_sd: np.ndarray | None = None, error: float = PLANNED_ERROR
) -> Column:
    """The same column with its `outcomes` filled by planning_outcomes."""
    return replace(column, outcomes=planning_outcomes(column, latent_sd=latent_sd, error=error))


def _in_scale(
    column: Column, high: float, latent_sd: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Centres, spreads, chances of OL in the column's own scale; unknown marks NaN predictions."""
    value = np.asarray(column.value, dtype=float)
    spread = np.asarray(column.spread, dtype=float)
    unknown = np.isnan(value)
    known = np.where(unknown, 0.0, value)
    opened = open_chance(known, column.scale, high)
    if column.scale == "log":
        center, spread = log_ohms(known), log_ohms_spread(known, spread)
    else:
        center = known
    if latent_sd is not None and column.shift is not None:
        spread = np.sqrt(spread**2 + (np.asarray(column.shift) ** 2) @ (np.asarray(latent_sd) ** 2))
    return center, np.maximum(np.nan_to_num(spread, nan=1.0), 1e-6), opened, unknown


def _edges(center: np.ndarray, spread: np.ndarray, low: float, high: float) -> np.ndarray:
    """Edges in the widest gaps between predicted values, gap measured in local spreads."""
    if len(center) < 2:
        return np.array([0.5 * (low + high)])
    # equal values by their spreads: neither the order of the candidates nor a last digit may move an edge
    order = np.lexsort((np.round(spread, _ORDERED), np.round(center, _ORDERED)))
    c, s = center[order], spread[order]
    gap = np.diff(c) / (0.5 * (s[1:] + s[:-1]))
    candidates = np.flatnonzero(gap > 1.0)
    if len(candidates) > _GOOD_BINS - 1:
        candidates = np.sort(candidates[np.argsort(-gap[candidates], kind="stable")[: _GOOD_BINS - 1]])
    # between two clusters the edge sits where both are equally many spreads away
    edges = (c[candidates] * s[candidates + 1] + c[candidates + 1] * s[candidates]) / (
        s[candidates] + s[candidates + 1]
    )
    # a run of values without gaps but wider than its spreads is cut into steps of about two spreads
    bounds = np.concatenate(([c[0]], edges, [c[-1]]))
    extra: list[float] = []
    typical = float(np.median(s))
    room = _GOOD_BINS - 1 - len(edges)
    runs = sorted(
        ((bounds[i + 1] - bounds[i]) / (2.0 * typical), bounds[i], bounds[i + 1])
        for i in range(len(bounds) - 1)
    )
    for steps, left, right in reversed(runs):
        pieces = min(int(steps), room + 1)
        if pieces < 2:
            break
        inside = c[(c > left) & (c < right)]
        if len(inside) < 2:
            continue
        extra.extend(np.linspace(left, right, pieces + 1)[1:-1])
        room -= pieces - 1
    merged = np.unique(np.concatenate((edges, extra)))
    if not len(merged):
        merged = np.array([0.5 * (c[0] + c[-1])])
    # where few clusters overlap, one edge throws information away: two more beside it keep most of it
    beside = np.concatenate((merged - typical, merged + typical))
    overlap = c[-1] - c[0] > 0.1 * typical and np.min(gap[candidates], initial=6.0 - gap.max()) < 6.0
    if overlap and len(merged) + len(beside) <= _GOOD_BINS - 1:
        merged = np.unique(np.concatenate((merged, beside)))
    return merged


def _wrong(flat: np.ndarray, edges: np.ndarray, has_open: bool) -> np.ndarray:
    """Outcome probabilities of a gross error: an open lead, or anything in the range."""
    if has_open:
        return np.concatenate((flat * (1.0 - GROSS_OL), [GROSS_OL]))
    zero = np.diff(np.concatenate(([0.0], normal_cdf(edges / OPEN_LEAD_VOLTS) if len(edges) else [], [1.0])))
    return MISPROBE_SHARE * zero + (1.0 - MISPROBE_SHARE) * flat
