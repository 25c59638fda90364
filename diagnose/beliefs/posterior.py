"""Belief after readings: how probable each candidate is, and why nothing is lost on the way.

Fifth arrow of the flow (predictions -> beliefs). Sees the table's columns only. What all readings of one job
share (battery volts, how often this observer errs, a black lead on paint, whether an intermittent fault is
active now) are latents: kept jointly with the candidates, summed out when asked for the candidates alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from diagnose.beliefs.belief import (
    TINY,
    Belief,
    Observation,
    active,
    drifted,
    error_rate,
    latent_chances,
    latent_mean,
    marginal,
    normal_strata,
    normalised,
    resplit_active,
    resplit_blind,
    start,
    tempered,
    unread,
)
from diagnose.beliefs.likelihood import Stories, mixed, repeat_density, stories
from diagnose.predictions.table import Column, stacked

# one door for whoever holds a belief
__all__ = [
    "Belief",
    "Observation",
    "active",
    "condition",
    "error_rate",
    "extend",
    "latent_chances",
    "latent_mean",
    "marginal",
    "new_window",
    "normal_strata",
    "replay",
    "start",
    "tempered",
    "update",
    "works_now",
]

SAME_ERROR = 0.8  # [1] chance that a gross error repeats when the same reading is taken again (estimate)
OTHER_METHOD = 0.1  # [1] the same for an independent method (estimate)
DOUBTFUL = 4.0  # [1] factor on the error rate of a reading its taker doubts (estimate)
# a fault nobody listed, of two kinds [1] (estimates): beside a known one, nearly all readings are as that
# one's; strange, each reading for itself looks like that of some known one, or like none
BESIDE, BESIDE_FLAT, STRANGE_FLAT = 0.5, 0.05, 0.25
LOOKS = ("inspect",)  # kinds of reading that see a fault whether it is active or not
NEVER_MENDS = 0.0005  # [1] the same for a fault that cannot mend by itself: the rider has erred (estimate)
WORKS_ANYWAY = 0.02  # [1] chance that a complaint stays away although its fault is active (estimate)


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
    parts = stories(column, answer, belief.latents, belief.blur, neighbours, belief.degrees)
    return _weigh(belief, column, answer, doubtful, earlier, method, session, window, parts)


def condition(belief: Belief, factor: np.ndarray, *, repaired: bool = False) -> Belief:
    """Multiply each candidate's chance by a factor: complaints, history, 1 - cures after a failed repair.

    factor    (n,) not negative
    repaired  it says which faults a repair has ruled out, not what the bike looks like: a fault nobody
              listed may still resemble those
    raises    NoCandidateExplains if nothing is left
    """
    factor = np.asarray(factor, dtype=float)
    if factor.shape != belief.shows.shape or np.any(factor < 0.0) or np.any(np.isnan(factor)):
        raise ValueError(
            f"condition: factor has shape {factor.shape} or negative numbers; expected "
            f"{belief.shows.shape} chances of 0 or more"
        )
    log_factor = np.log(np.maximum(factor, TINY))
    log_factor[factor <= 0.0] = -np.inf
    weights, _ = normalised(belief.weights * factor[:, None, None, None, None], "condition")
    told = belief.log_told if repaired else belief.log_told + log_factor
    return replace(belief, weights=weights, log_start=belief.log_start + log_factor, log_told=told)


def new_window(belief: Belief, window: str, *, raised: float = 0.0) -> Belief:
    """Forget whether an intermittent fault was active: time has passed, or something was wiggled or heated.

    raised  0..1, how much of the chance of being dormant the wiggle, heat, load or rain takes away
    """
    belief = replace(belief, window=window, raised=raised)
    return replace(belief, weights=resplit_active(belief, belief.weights))


def works_now(belief: Belief, window: str, lasting: np.ndarray | None = None) -> Belief:
    """Take in 'it works now': only a dormant intermittent, or no fault, explains it well.

    window   key of the spell in which it works
    lasting  (n_candidates,) candidates that cannot mend by themselves; None: all may, now and then
    """
    fresh = new_window(belief, window)
    layers = fresh.weights.shape[3]
    chance = np.full((len(fresh.shows), layers), WORKS_ANYWAY)
    if lasting is not None:
        chance[lasting] = NEVER_MENDS
    if layers == 2:
        chance[:, 0] = 1.0
    if fresh.no_fault >= 0:
        chance[fresh.no_fault] = 1.0
    if fresh.unmodelled >= 0:
        chance[fresh.unmodelled] = 0.5  # an unknown fault may come and go: neither for nor against
    weights, _ = normalised(fresh.weights * chance[:, None, None, :, None], "works_now")
    # kept as part of the start for later replays of single readings
    shown = active(fresh)
    factor = (1.0 - shown) * chance[:, 0] + shown * chance[:, 1] if layers == 2 else chance[:, 0]
    return replace(fresh, weights=weights, log_start=fresh.log_start + np.log(factor))


def replay(belief: Belief, leave_out: Sequence[int] = ()) -> Belief:
    """Weigh all readings again, without those in `leave_out` (and without repeats of them)."""
    again = unread(replace(belief, observations=(), log_evidence=0.0, session="", window="", raised=0.0))
    place: dict[int, int] = {}
    for i, seen in enumerate(belief.observations):
        if i in leave_out or (seen.repeat_of >= 0 and seen.repeat_of not in place):
            continue
        earlier = place[seen.repeat_of] if seen.repeat_of >= 0 else -1
        place[i] = len(again.observations)
        again = _again(again, seen, seen.column, earlier, seen.parts)
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
    log_new = np.log(np.maximum(np.asarray(prior, dtype=float), TINY))
    both = replace(
        belief,
        log_start=np.concatenate((belief.log_start, log_new)),
        log_base=np.concatenate((belief.log_base, np.full(len(log_new), -np.inf))),
        log_told=np.concatenate((belief.log_told, np.full(len(log_new), -np.inf))),
        shows=np.concatenate((belief.shows, np.ones(len(log_new)) if shows is None else shows)),
        observations=(),
        log_evidence=0.0,
        session="",
        window="",
        raised=0.0,
    )
    again = unread(both)
    for seen in belief.observations:
        column = stacked((seen.column, columns[seen.measurement]))
        own = columns[seen.measurement]
        new = stories(own, seen.answer, belief.latents, belief.blur, degrees=belief.degrees)
        parts = replace(
            seen.parts,
            good=np.concatenate((seen.parts.good, new.good)),
            slip=np.concatenate((seen.parts.slip, new.slip)),
            peak=np.concatenate((seen.parts.peak, new.peak)),
        )
        again = _again(again, seen, column, seen.repeat_of, parts)
    return again


def _again(belief: Belief, seen: Observation, column: Column, earlier: int, parts: Stories) -> Belief:
    """Weigh a reading of before once more, in the window and session it was taken in."""
    if seen.raised > 0.0 and seen.window != belief.window:
        belief = new_window(belief, seen.window, raised=seen.raised)
    return _weigh(
        belief,
        column,
        seen.answer,
        seen.doubtful,
        earlier,
        seen.method,
        seen.session,
        seen.window,
        parts,
    )


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
    before = belief.weights
    # the latents of a session or window are forgotten when another begins
    if session and session != belief.session:
        if belief.session:
            before = resplit_blind(belief, before)
        belief = replace(belief, session=session)
    if window and window != belief.window:
        if belief.window:
            belief = replace(belief, raised=0.0)
            before = resplit_active(belief, before)
        belief = replace(belief, window=window)
    elif belief.observations and belief.observations[-1].window == belief.window:
        before = drifted(belief, before)
    rates = np.minimum(belief.rates * (DOUBTFUL if doubtful else 1.0), 0.5)
    density, gross = _density(belief, column, answer, parts, rates, earlier, method)
    if before.shape[3] == 1:
        seeing = density[:, :, :, None]
    else:
        same = belief.no_fault < 0 or column.kind in LOOKS
        dormant = density if same else np.broadcast_to(density[belief.no_fault], density.shape)
        seeing = np.stack([dormant, density], axis=-1)
    if session and not np.isnan(parts.blind):
        joint = np.empty_like(before)
        np.multiply(before[..., 0], seeing, out=joint[..., 0])
        np.multiply(before[..., 1], parts.blind, out=joint[..., 1])
    else:
        joint = before * seeing[..., None]
    weights, norm = normalised(joint, f"{column.measurement}={answer}")
    log_norm = float(np.log(norm))
    with np.errstate(divide="ignore"):
        log_before = np.log(before.sum(axis=(1, 2, 3, 4)))
        log_after = np.log(weights.sum(axis=(1, 2, 3, 4)))
    # ln p(y | h, before) = ln p(h, y) - ln p(h); where h is impossible already, what it would have said
    possible = np.isfinite(log_before) & np.isfinite(log_after)
    log_given = np.log(np.maximum(density.mean(axis=(1, 2)), TINY))
    log_given[possible] = log_after[possible] + log_norm - log_before[possible]
    log_peak = np.log(np.maximum(parts.peak, TINY))
    seen = Observation(
        measurement=column.measurement,
        column=column,
        answer=answer,
        doubtful=doubtful,
        session=session,
        window=belief.window,
        repeat_of=earlier,
        method=method,
        parts=parts,
        gross=gross,
        raised=belief.raised,
        log_given=log_given,
        log_before=log_before,
        log_peak=log_peak,
    )
    return replace(
        belief,
        weights=weights,
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
) -> tuple[np.ndarray, np.ndarray | None]:
    """(n, n_draws, n_rates) density of the reading if the black lead sees, and chance that a repeat is gross.

    A reading that checks an earlier one shares its error: if that was gross, this is gross again with
    chance r; if both were taken well at the same place, they agree whatever the candidate.
    """
    plain = mixed(parts, rates)
    density, gross = plain, None
    if earlier >= 0:
        well = (1.0 - rates) * parts.good[:, :, None]
        was_gross = _was_gross(belief, earlier)
        share = SAME_ERROR if method == "same" else OTHER_METHOD
        stray = (plain - well) / rates  # density of a gross error
        if method == "same":
            again = repeat_density(column, answer, belief.observations[earlier].answer)
            both_well = (1.0 - rates) * again
            same_error = share * again
        else:
            both_well = well
            same_error = share * stray
        density = (1.0 - was_gross) * (both_well + rates * stray) + was_gross * (
            same_error + (1.0 - share) * plain
        )
        good_now = (1.0 - was_gross) * both_well + was_gross * (1.0 - share) * well
        gross = np.clip(1.0 - good_now / np.maximum(density, TINY), 0.0, 1.0)
    if belief.unmodelled >= 0:
        density = density.copy()
        density[belief.unmodelled] = _unmodelled(belief, plain, parts)
    return density, gross


def _was_gross(belief: Belief, earlier: int) -> np.ndarray:
    """(n, n_draws, n_rates) chance that an earlier reading was a gross error."""
    first = belief.observations[earlier]
    if first.gross is not None:
        return first.gross
    rates = np.minimum(belief.rates * (DOUBTFUL if first.doubtful else 1.0), 0.5)
    plain = mixed(first.parts, rates)
    well = (1.0 - rates) * first.parts.good[:, :, None]
    return np.clip(1.0 - well / np.maximum(plain, TINY), 0.0, 1.0)


def _unmodelled(belief: Belief, plain: np.ndarray, parts: Stories) -> np.ndarray:
    """(n_draws, n_rates) density under a fault nobody thought of.

    Of one kind it sits beside some known fault and reads as that one does; what was told and read so far says
    beside which, and only repairs tell the two apart. Of the other kind no known fault fits them all.
    """
    log = belief.log_told.copy()
    log[belief.unmodelled] = -np.inf
    if not np.isfinite(log).any():
        return np.full(plain.shape[1:], parts.wrong)
    told = np.exp(log - log.max())
    told /= told.sum()
    beside, strange = told * BESIDE, 1.0 - BESIDE
    for seen in belief.observations:
        if seen.repeat_of < 0:
            given, flat = np.exp(seen.log_given), seen.parts.wrong
            beside = beside * ((1.0 - BESIDE_FLAT) * given + BESIDE_FLAT * flat)
            strange *= (1.0 - STRANGE_FLAT) * float(told @ given) + STRANGE_FLAT * flat
            total = beside.sum() + strange
            beside, strange = beside / total, strange / total
    alike = (1.0 - BESIDE_FLAT) * beside + (1.0 - STRANGE_FLAT) * strange * told
    flat = BESIDE_FLAT * beside.sum() + STRANGE_FLAT * strange
    return np.asarray(flat * parts.wrong + np.tensordot(alike, plain, axes=(0, 0)))
