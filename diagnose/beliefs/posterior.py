"""Belief: how probable each candidate is, after every reading so far.

Fifth arrow of the flow (predictions -> beliefs). Sees the table's columns only. What all readings of one job
share (battery volts, how often this observer errs, a black lead on paint, whether an intermittent fault is
active now) are latents: kept jointly with the candidates, summed out when asked for the candidates alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import NormalDist

import numpy as np

from diagnose.beliefs.likelihood import Stories, mixed, repeat_density, stories
from diagnose.errors import NoCandidateExplains
from diagnose.predictions.table import Column

# Gross errors per reading and how sure we are of each rate beforehand (estimates; the posterior learns).
# Trade: mean 4.7 %; beginner: mean 12.6 %.
SKILLS: Mapping[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "trade": ((0.01, 0.04, 0.12), (0.3, 0.5, 0.2)),
    "beginner": ((0.03, 0.10, 0.20), (0.2, 0.4, 0.4)),
}
TEMPER = 0.8  # [1] exponent on the priors of faults: rates from handbooks are only roughly ours (estimate)
SAME_ERROR = 0.8  # [1] chance that a gross error repeats when the same reading is taken again (estimate)
OTHER_METHOD = 0.1  # [1] the same for an independent method (estimate)
DOUBTFUL = 4.0  # [1] factor on the error rate of a reading its taker doubts (estimate)
BLIND_SHARE = 0.25  # [1] of the error rate: black lead on paint from the start of a session (estimate)
UNMODELLED_FLAT = (
    0.25  # [1] share of an unmodelled fault's readings that resemble no known candidate (estimate)
)
WORKS_ANYWAY = 0.02  # [1] chance that a complaint stays away although its fault is active (estimate)
_TINY = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class Observation:
    """One reading and what it said.

    log_given   (n,) ln p(reading | candidate, earlier readings); their sum over readings is exact
    log_before  (n,) ln marginal just before it
    log_peak    (n,) ln density of the reading that the candidate would have liked best
    parts       densities under each story, kept for replay; gross (n, n_draws, n_rates) chance that it was
                a gross error
    """

    measurement: str
    column: Column
    answer: float | str
    doubtful: bool
    session: str
    window: str
    repeat_of: int
    method: str
    parts: Stories
    gross: np.ndarray
    log_given: np.ndarray
    log_before: np.ndarray
    log_peak: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """What is believed now. Axes of log_weights: candidate, draw of the latents, error rate, active, blind.

    log_weights   (n, n_draws, n_rates, 1|2, 2), exp sums to 1; active has one layer if nothing is
                  intermittent, else 0 = dormant, 1 = active; blind 1 = black lead on paint this session
    latents/blur  (n_draws, n_latents) stratum means and the spread inside each stratum
    rates         (n_rates,) gross error rates; log_rate their prior
    shows         (n,) chance that the candidate's fault is active in a window
    log_start     (n,) ln prior times every factor from conditions
    log_evidence  ln probability of all readings so far
    """

    log_weights: np.ndarray
    latents: np.ndarray
    blur: np.ndarray
    rates: np.ndarray
    log_rate: np.ndarray
    shows: np.ndarray
    log_start: np.ndarray
    log_base: np.ndarray
    no_fault: int = -1
    unmodelled: int = -1
    session: str = ""
    window: str = ""
    raised: float = 0.0
    log_evidence: float = 0.0
    observations: tuple[Observation, ...] = ()


def start(
    prior: np.ndarray,
    latent_sd: np.ndarray | Sequence[float] = (),
    skill: str | tuple[Sequence[float], Sequence[float]] = "trade",
    *,
    no_fault: int = -1,
    unmodelled: int = -1,
    shows: np.ndarray | None = None,
    temper: float = TEMPER,
    n_draws: int = 32,
) -> Belief:
    """Begin a job.

    prior      (n,) [1] not negative; need not sum to 1
    latent_sd  (n_latents,) prior standard deviation of the shared latents
    skill      'trade' or 'beginner', or (rates, their chances): how often readings are grossly wrong
    shows      (n,) chance that a fault is active in a window; None: always
    temper     exponent on the faults' priors; no_fault and unmodelled keep their mass
    raises     NoCandidateExplains if the prior is all zero; ValueError for an unknown skill
    """
    if isinstance(skill, str) and skill not in SKILLS:
        raise ValueError(f"start: skill={skill!r} is unknown; expected one of {', '.join(SKILLS)}")
    prior = np.asarray(prior, dtype=float)
    if not np.all(np.isfinite(prior)) or np.any(prior < 0.0):
        raise ValueError("start: prior holds negative or undefined numbers; expected chances of 0 or more")
    if not prior.sum() > 0.0:
        raise NoCandidateExplains("start: every prior is zero; expected at least one candidate above zero")
    keep = [i for i in (no_fault, unmodelled) if i >= 0]
    log_start = np.log(np.maximum(tempered(prior / prior.sum(), temper, keep), _TINY))
    log_start[prior <= 0.0] = -np.inf
    sd = np.asarray(latent_sd, dtype=float)
    draws, inside = normal_strata(n_draws if len(sd) else 1, len(sd))
    rates, weights = (
        np.asarray(x, dtype=float) for x in (SKILLS[skill] if isinstance(skill, str) else skill)
    )
    fixed = np.ones(len(prior)) if shows is None else np.asarray(shows, dtype=float)
    return _fresh(
        Belief(
            log_weights=np.zeros(0),
            latents=draws * sd,
            blur=inside * sd,
            rates=rates,
            log_rate=np.log(weights),
            shows=fixed,
            log_start=log_start,
            log_base=log_start,
            no_fault=no_fault,
            unmodelled=unmodelled,
        )
    )


def tempered(prior: np.ndarray, temper: float, keep: Sequence[int] = ()) -> np.ndarray:
    """Flatten the faults' priors to prior**temper; candidates in `keep` keep their share of the whole."""
    out = np.asarray(prior, dtype=float).copy()
    faults = np.ones(len(out), dtype=bool)
    faults[list(keep)] = False
    mass = out[faults].sum()
    if mass > 0.0:
        flat = out[faults] ** temper * (out[faults] > 0.0)
        out[faults] = flat * (mass / flat.sum())
    return out


def normal_strata(n_draws: int, n_latents: int) -> tuple[np.ndarray, np.ndarray]:
    """Strata of equal chance of standard normal latents: their means, and the spread left inside each.

    The means' variance and the mean inside variance add to 1 exactly (law of total variance). With several
    latents each is stratified, paired by a fixed lattice.
    returns  two arrays (n_draws, n_latents)
    """
    normal = NormalDist()
    cuts = [-np.inf, *(normal.inv_cdf(i / n_draws) for i in range(1, n_draws)), np.inf]

    def density(x: float) -> float:
        return 0.0 if np.isinf(x) else normal.pdf(x)

    def weighted(x: float) -> float:
        return 0.0 if np.isinf(x) else x * normal.pdf(x)

    # mean and variance of a normal cut to (a, b) with chance 1/n: closed form
    mean = np.array([n_draws * (density(a) - density(b)) for a, b in pairwise(cuts)])
    var = np.array(
        [
            1.0 + n_draws * (weighted(a) - weighted(b)) - m * m
            for a, b, m in zip(cuts, cuts[1:], mean, strict=False)
        ]
    )
    step = max(1, round(n_draws * 0.6180339887498949))  # golden ratio: successive strata far apart
    while np.gcd(step, n_draws) != 1:
        step += 1
    rows = np.arange(n_draws)
    order = np.zeros((n_draws, n_latents), dtype=int)
    for j in range(n_latents):
        order[:, j] = (rows * pow(step, j, n_draws)) % n_draws
    return mean[order], np.sqrt(np.maximum(var, 0.0))[order]


def marginal(belief: Belief) -> np.ndarray:
    """(n,) chance of each candidate, latents summed out; sums to 1."""
    return np.exp(belief.log_weights).sum(axis=(1, 2, 3, 4))


def latent_mean(belief: Belief) -> np.ndarray:
    """(n_latents,) what is now expected of the shared latents."""
    return np.exp(belief.log_weights).sum(axis=(0, 2, 3, 4)) @ belief.latents


def error_rate(belief: Belief) -> float:
    """Gross error rate [1] that this observer is now believed to have."""
    return float(np.exp(belief.log_weights).sum(axis=(0, 1, 3, 4)) @ belief.rates)


def active(belief: Belief) -> np.ndarray:
    """(n,) chance that each candidate's fault shows itself in the present window."""
    if belief.log_weights.shape[3] == 1:
        return np.ones(len(belief.shows))
    weights = np.exp(belief.log_weights).sum(axis=(1, 2, 4))
    total = weights.sum(axis=1)
    return np.where(total > 0.0, weights[:, 1] / np.where(total > 0.0, total, 1.0), belief.shows)


def update(
    belief: Belief,
    column: Column,
    answer: float | str,
    *,
    doubtful: bool = False,
    repeat_of: str | None = None,
    method: str = "same",
    neighbours: tuple[Column, ...] = (),
    session: str = "",
    window: str = "",
) -> Belief:
    """Weigh each candidate by how well it predicted the reading.

    column      predictions of the measurement, in the order of the belief's candidates
    answer      number in the column's unit, +inf or 'OL' for an open ohms reading, or one of its choices
    doubtful    the taker doubts it: gross errors four times as likely
    repeat_of   measurement id of an earlier reading that this one checks
    method      'same': taken again the same way (its error repeats with 0.8); 'other': independent (0.1)
    neighbours  columns of measurements that are easily taken instead of this one
    session     readings with the same key share one black lead; '' = no black lead involved
    window      readings with the same key see an intermittent fault in the same state; '' = as before
    raises      NoCandidateExplains if nothing gives the reading any chance; ObservationError for an answer
                that is no answer; ValueError for an unknown method or repeat_of
    source      Bayes' rule over candidates and latents, as in de Kleer & Williams (1987)
    """
    earlier = -1
    if repeat_of is not None:
        earlier = next((i for i, o in enumerate(belief.observations) if o.measurement == repeat_of), -1)
        if earlier < 0:
            raise ValueError(
                f"update: repeat_of={repeat_of!r} was never measured; expected one of "
                f"{', '.join(o.measurement for o in belief.observations) or 'none so far'}"
            )
    if method not in ("same", "other"):
        raise ValueError(f"update: method={method!r} is unknown; expected 'same' or 'other'")
    parts = stories(column, answer, belief.latents, belief.blur, neighbours)
    return _weigh(belief, column, answer, doubtful, earlier, method, session, window, parts)


def condition(belief: Belief, factor: np.ndarray) -> Belief:
    """Multiply each candidate's chance by a factor: complaints, history, 1 - cures after a failed repair.

    factor  (n,) not negative
    raises  NoCandidateExplains if nothing is left
    """
    factor = np.asarray(factor, dtype=float)
    if factor.shape != belief.shows.shape or np.any(factor < 0.0) or np.any(np.isnan(factor)):
        raise ValueError(
            f"condition: factor has shape {factor.shape} or negative numbers; expected "
            f"{belief.shows.shape} chances of 0 or more"
        )
    log_factor = np.log(np.maximum(factor, _TINY))
    log_factor[factor <= 0.0] = -np.inf
    log_weights, _ = _normalised(belief.log_weights + log_factor[:, None, None, None, None], "condition")
    return replace(belief, log_weights=log_weights, log_start=belief.log_start + log_factor)


def new_window(belief: Belief, window: str, *, raised: float = 0.0) -> Belief:
    """Forget whether an intermittent fault was active: time has passed, or something was wiggled or heated.

    raised  0..1, how much of the chance of being dormant the wiggle, heat, load or rain takes away
    """
    belief = replace(belief, window=window, raised=raised)
    return replace(belief, log_weights=_resplit_active(belief, belief.log_weights))


def works_now(belief: Belief, window: str) -> Belief:
    """Take in 'it works now': only a dormant intermittent, or no fault, explains it well.

    window  key of the spell in which it works
    """
    fresh = new_window(belief, window)
    layers = fresh.log_weights.shape[3]
    chance = np.full((len(fresh.shows), layers), WORKS_ANYWAY)
    if layers == 2:
        chance[:, 0] = 1.0
    if fresh.no_fault >= 0:
        chance[fresh.no_fault] = 1.0
    if fresh.unmodelled >= 0:
        chance[fresh.unmodelled] = 0.5  # an unknown fault may come and go: neither for nor against
    log_weights, _ = _normalised(fresh.log_weights + np.log(chance)[:, None, None, :, None], "works_now")
    # kept as part of the start for later replays of single readings
    share = active(fresh)[:, None] * np.array([[0.0, 1.0]]) + (1.0 - active(fresh))[:, None] * np.array(
        [[1.0, 0.0]]
    )
    factor = (chance * share[:, -layers:]).sum(axis=1) if layers == 2 else chance[:, 0]
    return replace(fresh, log_weights=log_weights, log_start=fresh.log_start + np.log(factor))


def replay(belief: Belief, leave_out: Sequence[int] = ()) -> Belief:
    """Weigh all readings again, without those in `leave_out` (and without repeats of them)."""
    again = _fresh(replace(belief, observations=(), log_evidence=0.0, session="", window="", raised=0.0))
    place: dict[int, int] = {}
    for i, seen in enumerate(belief.observations):
        if i in leave_out or (seen.repeat_of >= 0 and seen.repeat_of not in place):
            continue
        earlier = place[seen.repeat_of] if seen.repeat_of >= 0 else -1
        place[i] = len(again.observations)
        again = _weigh(
            again,
            seen.column,
            seen.answer,
            seen.doubtful,
            earlier,
            seen.method,
            seen.session,
            seen.window,
            seen.parts,
        )
    return again


def extend(
    belief: Belief,
    prior: np.ndarray,
    columns: Mapping[str, Column],
    *,
    shows: np.ndarray | None = None,
) -> Belief:
    """Add candidates in the middle of a job: every reading so far is weighed for them too.

    prior    (n_new,) [1] on the scale of the present prior and conditions: chance before any reading
    columns  measurement id -> predictions of the new candidates only, one for each reading so far
    raises   ValueError naming missing columns; NoCandidateExplains as update
    """
    missing = [o.measurement for o in belief.observations if o.measurement not in columns]
    if missing:
        raise ValueError(
            f"extend: no predictions of the new candidates for {', '.join(missing)}; expected a column for "
            "every reading so far"
        )
    log_new = np.log(np.maximum(np.asarray(prior, dtype=float), _TINY))
    first = _fresh(replace(belief, observations=(), log_evidence=0.0, session="", window="", raised=0.0))
    both = replace(
        belief,
        log_start=np.concatenate((belief.log_start, log_new)),
        log_base=np.concatenate((belief.log_base, np.full(len(log_new), -np.inf))),
        shows=np.concatenate((belief.shows, np.ones(len(log_new)) if shows is None else shows)),
        observations=(),
        log_evidence=0.0,
        session="",
        window="",
        raised=0.0,
    )
    if first.log_weights.shape[3] == 1 and np.any(both.shows < 1.0):
        raise ValueError(
            "extend: shows below 1 for new candidates, but the job was started without intermittent ones; "
            "try start(..., shows=...)"
        )
    again = _fresh(both)
    for seen in belief.observations:
        column = _joined(seen.column, columns[seen.measurement])
        new = stories(columns[seen.measurement], seen.answer, belief.latents, belief.blur)
        parts = replace(
            seen.parts,
            good=np.concatenate((seen.parts.good, new.good)),
            slip=np.concatenate((seen.parts.slip, new.slip)),
            peak=np.concatenate((seen.parts.peak, new.peak)),
        )
        again = _weigh(
            again,
            column,
            seen.answer,
            seen.doubtful,
            seen.repeat_of,
            seen.method,
            seen.session,
            seen.window,
            parts,
        )
    return again


def _fresh(belief: Belief) -> Belief:
    """Weights before any reading: start, draws, rates, active and blind independent."""
    n_draws = len(belief.latents)
    log_active = _log_active(belief)
    log_blind = np.log(np.stack([1.0 - BLIND_SHARE * belief.rates, BLIND_SHARE * belief.rates], axis=-1))
    log_weights = (
        belief.log_start[:, None, None, None, None]
        - np.log(n_draws)
        + belief.log_rate[None, None, :, None, None]
        + log_active[:, None, None, :, None]
        + log_blind[None, None, :, None, :]
    )
    log_weights = np.broadcast_to(
        log_weights, (len(belief.shows), n_draws, len(belief.rates), log_active.shape[1], 2)
    )
    return replace(belief, log_weights=_normalised(log_weights, "start")[0])


def _log_active(belief: Belief) -> np.ndarray:
    """(n, 1|2) ln chance of being dormant, active at the opening of a window."""
    if not np.any(belief.shows < 1.0):
        return np.zeros((len(belief.shows), 1))
    chance = belief.shows + (1.0 - belief.shows) * belief.raised
    with np.errstate(divide="ignore"):
        return np.log(np.stack([1.0 - chance, chance], axis=-1))


def _resplit_active(belief: Belief, log_weights: np.ndarray) -> np.ndarray:
    if log_weights.shape[3] == 1:
        return log_weights
    whole = _log_sum(log_weights, 3)
    return whole[:, :, :, None, :] + _log_active(belief)[:, None, None, :, None]


def _resplit_blind(belief: Belief, log_weights: np.ndarray) -> np.ndarray:
    whole = _log_sum(log_weights, 4)
    log_blind = np.log(np.stack([1.0 - BLIND_SHARE * belief.rates, BLIND_SHARE * belief.rates], axis=-1))
    return whole[..., None] + log_blind[None, None, :, None, :]


def _weigh(
    belief: Belief,
    column: Column,
    answer: float | str,
    doubtful: bool,
    earlier: int,
    method: str,
    session: str,
    window: str,
    parts: Stories,
) -> Belief:
    log_before_cells = belief.log_weights
    # the latents of a session or window are forgotten when another begins
    if session and session != belief.session:
        if belief.session:
            log_before_cells = _resplit_blind(belief, log_before_cells)
        belief = replace(belief, session=session)
    if window and window != belief.window:
        if belief.window:
            belief = replace(belief, raised=0.0)
            log_before_cells = _resplit_active(belief, log_before_cells)
        belief = replace(belief, window=window)
    rates = np.minimum(belief.rates * (DOUBTFUL if doubtful else 1.0), 0.5)
    density, gross = _density(belief, column, answer, parts, rates, earlier, method)
    layers = log_before_cells.shape[3]
    if layers == 1:
        seeing = density[:, :, :, None]
    else:
        dormant = (
            np.broadcast_to(density[belief.no_fault], density.shape) if belief.no_fault >= 0 else density
        )
        seeing = np.stack([dormant, density], axis=-1)
    blinded = bool(session) and not np.isnan(parts.blind)
    with np.errstate(divide="ignore"):
        log_seeing = np.log(seeing)
    log_like = np.empty((*log_seeing.shape, 2))
    log_like[..., 0] = log_seeing
    log_like[..., 1] = np.log(max(parts.blind, _TINY)) if blinded else log_seeing
    log_joint = log_before_cells + log_like
    log_weights, log_norm = _normalised(log_joint, f"{column.measurement}={answer}")
    with np.errstate(divide="ignore"):
        log_before = np.log(np.exp(log_before_cells).sum(axis=(1, 2, 3, 4)))
        log_after = np.log(np.exp(log_weights).sum(axis=(1, 2, 3, 4)))
        # ln p(y | h, before) = ln p(h, y) - ln p(h); where h is impossible already, what it would have said
        log_given = np.where(
            np.isfinite(log_before) & np.isfinite(log_after),
            log_after + log_norm - log_before,
            np.log(np.maximum(density.mean(axis=(1, 2)), _TINY)),
        )
        log_peak = np.log(np.maximum(parts.peak, _TINY))
    seen = Observation(
        measurement=column.measurement,
        column=column,
        answer=answer,
        doubtful=doubtful,
        session=session,
        window=window,
        repeat_of=earlier,
        method=method,
        parts=parts,
        gross=gross,
        log_given=log_given,
        log_before=log_before,
        log_peak=log_peak,
    )
    return replace(
        belief,
        log_weights=log_weights,
        log_evidence=belief.log_evidence + log_norm,
        observations=(*belief.observations, seen),
    )


def _density(
    belief: Belief,
    column: Column,
    answer: float | str,
    parts: Stories,
    rates: np.ndarray,
    earlier: int,
    method: str,
) -> tuple[np.ndarray, np.ndarray]:
    """(n, n_draws, n_rates) density of the reading if the black lead sees, and chance that it is gross.

    A reading that checks an earlier one shares its error: if that was gross, this is gross again with
    chance r; if both were taken well at the same place, they agree whatever the candidate.
    """
    plain = mixed(parts, rates)
    well = (1.0 - rates) * parts.good[:, :, None]
    if earlier < 0:
        density = plain
        gross = 1.0 - well / np.maximum(plain, _TINY)
    else:
        first = belief.observations[earlier]
        was_gross = first.gross
        share = SAME_ERROR if method == "same" else OTHER_METHOD
        stray = (plain - well) / rates  # density of a gross error
        if method == "same":
            again = repeat_density(column, answer, first.answer)
            both_well = (1.0 - rates) * again
            same_error = share * again
        else:
            both_well = well
            same_error = share * stray
        density = (1.0 - was_gross) * (both_well + rates * stray) + was_gross * (
            same_error + (1.0 - share) * plain
        )
        good_now = (1.0 - was_gross) * both_well + was_gross * (1.0 - share) * well
        gross = 1.0 - good_now / np.maximum(density, _TINY)
    if belief.unmodelled >= 0:
        density = density.copy()
        density[belief.unmodelled] = _unmodelled(belief, plain, parts)
    return density, np.clip(gross, 0.0, 1.0)


def _unmodelled(belief: Belief, plain: np.ndarray, parts: Stories) -> np.ndarray:
    """(n_draws, n_rates) density under a fault nobody thought of.

    Each reading for itself looks like that of some candidate, or like none; no candidate fits them all.
    """
    weights = np.exp(belief.log_base - belief.log_base.max())
    weights = np.where(np.isfinite(belief.log_base), weights, 0.0)
    weights[belief.unmodelled] = 0.0
    total = weights.sum()
    flat = parts.wrong
    if total <= 0.0:
        return np.full(plain.shape[1:], flat)
    typical = np.tensordot(weights / total, plain, axes=(0, 0))
    return UNMODELLED_FLAT * flat + (1.0 - UNMODELLED_FLAT) * typical


def _joined(old: Column, new: Column) -> Column:
    def both(a: np.ndarray | None, b: np.ndarray | None) -> np.ndarray | None:
        return None if a is None or b is None else np.concatenate((a, b))

    return replace(
        old,
        value=both(old.value, new.value),
        spread=both(old.spread, new.spread),
        shift=both(old.shift, new.shift),
        words=both(old.words, new.words),
        outcomes=None,
    )


def _normalised(log_weights: np.ndarray, about: str) -> tuple[np.ndarray, float]:
    top = float(np.max(log_weights))
    if not np.isfinite(top):
        raise NoCandidateExplains(
            f"{about}: no candidate gives this any chance; expected at least one above zero; "
            "try taking the reading again, or undo"
        )
    log_norm = top + float(np.log(np.exp(log_weights - top).sum()))
    return log_weights - log_norm, log_norm


def _log_sum(log_weights: np.ndarray, axis: int) -> np.ndarray:
    top = np.max(log_weights, axis=axis, keepdims=True)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return np.squeeze(safe, axis=axis) + np.log(np.exp(log_weights - safe).sum(axis=axis))
