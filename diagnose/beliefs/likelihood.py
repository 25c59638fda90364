"""How probable a reading is under each candidate, given the shared unknowns of the job.

Between prediction and posterior; sees only the table. A reading is a mixture of three stories: taken well,
taken at the wrong place, or plain wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.errors import ObservationError
from diagnose.predictions.outcomes import (
    GROSS_OL,
    MISPROBE_SHARE,
    OHMS_FLOOR,
    OPEN_LEAD_VOLTS,
    OPEN_READS,
    log_ohms,
    log_ohms_spread,
    open_chance,
    reading_range,
)
from diagnose.predictions.table import Column

ROOT_3 = float(np.sqrt(3.0))  # an even -1..1 has 1 / sqrt(3) as standard deviation
_ROOT_2PI = float(np.sqrt(2.0 * np.pi))
OPEN_DECADES = 2.0 * np.log(10.0)  # [ln ohm] an open that shows a number shows one of the top two decades
REPEAT_SPREAD = 0.25  # [1] of the smallest spread: how closely a reading repeats at the same place (estimate)
BLACK_LEAD_ZERO = 0.7  # [1] chance that a reading with the black lead on paint shows nothing (estimate)


@dataclass(frozen=True, slots=True, eq=False)
class Stories:
    """Densities of one reading under each way it may have come about.

    good      (n_candidates, n_draws) taken well; per volt, per ln ohm, or a probability for words and OL
    slip      (n_candidates,) taken at the wrong place or with an open lead
    wrong     anything in the range
    blind     black lead on paint: nothing reaches the meter; NaN = this reading has no black lead
    peak      (n_candidates,) density of the best possible reading taken well
    """

    good: np.ndarray
    slip: np.ndarray
    wrong: float
    blind: float
    peak: np.ndarray


def is_open(answer: float | str) -> bool:
    """Whether the answer is the meter's OL."""
    if isinstance(answer, str):
        return answer.strip().upper() in {"OL", "O.L", "0L"}
    return bool(np.isposinf(answer))


def stories(
    column: Column,
    answer: float | str,
    latents: np.ndarray,
    blur: np.ndarray,
    neighbours: tuple[Column, ...] = (),
    degrees: np.ndarray | None = None,
) -> Stories:
    """Densities of `answer` under each candidate and each draw of the shared latents.

    latents     (n_draws, n_latents) draws, in the latents' own units
    blur        (n_draws, n_latents) standard deviation inside the stratum that each draw stands for
    neighbours  columns of the measurements this one is easily confused with
    degrees     (n_draws,) -1..1, even: where in its range each draw puts a severity; None: anywhere
    raises      ObservationError for a word that is not among the choices, or a number that is none
    """
    if column.words is not None:
        return _words(column, answer, len(latents), degrees)
    return _number(column, answer, latents, blur, neighbours, degrees)


def mixed(parts: Stories, rates: np.ndarray) -> np.ndarray:
    """(n_candidates, n_draws, n_rates) density for each rate of gross errors.

    p(y) = (1 - e) good + e (m slip + (1 - m) wrong), m the share of mis-probes
    """
    gross = MISPROBE_SHARE * parts.slip + (1.0 - MISPROBE_SHARE) * parts.wrong  # (n,)
    return (1.0 - rates) * parts.good[:, :, None] + rates * gross[:, None, None]


def repeat_density(column: Column, answer: float | str, earlier: float | str) -> float:
    """Density of reading the same again at the same place: nothing new is learnt from the agreement."""
    if column.words is not None:
        return 1.0 if answer == earlier else 0.0
    if is_open(answer) or is_open(earlier):
        return 1.0 if is_open(answer) and is_open(earlier) else 0.0
    y, before = _as_number(column, answer), _as_number(column, earlier)
    spread = np.asarray(column.spread, dtype=float)
    if column.scale == "log":
        y, before = float(log_ohms(y)), float(log_ohms(before))
        spread = log_ohms_spread(np.asarray(column.value, dtype=float), spread)
    sd = max(REPEAT_SPREAD * float(np.nanmin(spread)), 1e-4)
    return float(_normal(np.asarray(y), np.asarray(before), np.asarray(sd)))


def _words(column: Column, answer: float | str, n_draws: int, degrees: np.ndarray | None) -> Stories:
    assert column.words is not None
    if not isinstance(answer, str) or answer not in column.choices:
        raise ObservationError(str(answer), f"one of {', '.join(column.choices)}", column.choices[0])
    words = np.asarray(column.words, dtype=float)
    said = column.choices.index(answer)
    chance = words[:, said]
    flat = 1.0 / len(column.choices)
    good = np.broadcast_to(chance[:, None], (len(chance), n_draws))
    if column.degree is not None and degrees is not None and n_draws > 1:
        points = column.degree.shape[1]
        nearest = np.minimum((0.5 * (degrees + 1.0) * points).astype(int), points - 1)
        good = np.asarray(column.degree, dtype=float)[:, nearest, said]
    return Stories(
        good=good,
        slip=np.full(len(chance), flat),
        wrong=flat,
        blind=np.nan,
        peak=words.max(axis=1),
    )


def _number(
    column: Column,
    answer: float | str,
    latents: np.ndarray,
    blur: np.ndarray,
    neighbours: tuple[Column, ...],
    degrees: np.ndarray | None,
) -> Stories:
    y = np.inf if is_open(answer) else _as_number(column, answer)
    low, high = reading_range(column)
    if np.isfinite(y) and column.scale == "log":
        y = float(log_ohms(y))
    flat = 1.0 / (high - low)
    can_open = column.scale == "log" or bool(np.isposinf(np.asarray(column.value)).any())
    good, peak = _good(column, y, low, high, latents, blur, degrees)
    if np.isposinf(y):
        wrong = GROSS_OL if can_open else 1e-3
        lead, blind = wrong, (BLACK_LEAD_ZERO if can_open else 1e-3)
    else:
        wrong = flat * (1.0 - GROSS_OL if can_open else 1.0)
        if column.scale == "log":
            lead, blind = wrong, (1.0 - BLACK_LEAD_ZERO) * flat
        else:
            zero = float(_normal(np.asarray(y), np.asarray(0.0), np.asarray(OPEN_LEAD_VOLTS)))
            lead, blind = zero, BLACK_LEAD_ZERO * zero + (1.0 - BLACK_LEAD_ZERO) * flat
    slip = np.full(len(good), lead)
    alike = [n for n in neighbours if n.value is not None and n.scale == column.scale]
    if alike:
        beside = np.mean(
            [_good(n, y, low, high, latents, blur, degrees)[0].mean(axis=1) for n in alike], axis=0
        )
        slip = 0.5 * slip + 0.5 * beside
    return Stories(good=good, slip=slip, wrong=wrong, blind=blind, peak=peak)


def _good(
    column: Column,
    y: float,
    low: float,
    high: float,
    latents: np.ndarray,
    blur: np.ndarray,
    degrees: np.ndarray | None,
) -> tuple[np.ndarray, np.ndarray]:
    """(n, n_draws) density of a well-taken reading in the column's own scale, and (n,) its peak."""
    value = np.asarray(column.value, dtype=float)
    spread = np.asarray(column.spread, dtype=float)
    unknown = np.isnan(value)
    known = np.where(unknown, 0.0, value)
    opened = open_chance(known, column.scale, high)
    flat = 1.0 / (high - low)
    degree = np.zeros(len(value)) if column.degree is None else np.nan_to_num(column.degree.astype(float))
    if column.scale == "log":
        finite = np.where(np.isfinite(known), np.maximum(known, 0.0), 0.0)
        degree = degree * finite / (finite + OHMS_FLOOR)  # as log_ohms_spread takes the spread
        center, spread = log_ohms(known), log_ohms_spread(known, spread)
    else:
        center = known
    never = ~np.isfinite(center)
    center = np.where(never, 0.0, center)
    spread = np.maximum(np.nan_to_num(spread, nan=1.0), 1e-6)
    n_draws = len(latents)
    if column.shift is None or latents.shape[1] == 0:
        mean = np.broadcast_to(center[:, None], (len(center), n_draws))
        sd = np.broadcast_to(spread[:, None], mean.shape)
    else:
        shift = np.nan_to_num(np.asarray(column.shift, dtype=float))
        mean = center[:, None] + shift @ latents.T
        sd = np.sqrt(spread[:, None] ** 2 + (shift**2) @ (blur.T**2))
    if degrees is not None and degree.any():
        mean = mean + ROOT_3 * degree[:, None] * degrees
        known_part = degree**2 * (1.0 - 1.0 / n_draws**2)  # even strata leave the rest inside each
        sd = np.sqrt(np.maximum(sd**2 - known_part[:, None], 1e-12))
    peak_number = (1.0 - opened) / (sd.mean(axis=1) * _ROOT_2PI)
    if np.isposinf(y):
        density = np.broadcast_to(opened[:, None], mean.shape).copy()
        density[unknown] = flat
    else:
        density = (1.0 - opened)[:, None] * _normal(np.asarray(y), mean, sd)
        # a true open that shows a number shows a high one
        density[never] = OPEN_READS / OPEN_DECADES if y > high - OPEN_DECADES else 0.0
        density[unknown] = flat
    peak = np.where(unknown, flat, np.maximum(opened, np.where(never, 0.0, peak_number)))
    return density, peak


def _normal(y: np.ndarray, mean: np.ndarray, sd: np.ndarray) -> np.ndarray:
    z = (y - mean) / sd
    return np.exp(-0.5 * z * z) / (sd * _ROOT_2PI)


def _as_number(column: Column, answer: float | str) -> float:
    try:
        number = float(answer)
    except ValueError as err:
        raise ObservationError(str(answer), f"a number in {column.unit or 'the unit asked'}", "12.4") from err
    if np.isnan(number):
        raise ObservationError(str(answer), f"a number in {column.unit or 'the unit asked'}", "12.4")
    return number
