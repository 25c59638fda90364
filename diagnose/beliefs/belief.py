"""A belief as a value: weights over candidates and over what all readings of a job share.

Below the posterior; says what a belief is, how it begins and how to read it, not how readings change it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import NormalDist

import numpy as np

from diagnose.beliefs.likelihood import Stories
from diagnose.errors import NoCandidateExplains
from diagnose.predictions.table import Column

# Gross errors per reading and how sure we are of each rate beforehand (estimates; the posterior learns).
# Trade: mean 4.7 %; beginner: mean 12.6 %.
SKILLS: Mapping[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "trade": ((0.01, 0.04, 0.12), (0.3, 0.5, 0.2)),
    "beginner": ((0.03, 0.10, 0.20), (0.2, 0.4, 0.4)),
}
TEMPER = 1.0  # [1] exponent on the priors of faults (set by a table in DEVELOPERS)
BLIND_SHARE = 0.25  # [1] of the error rate: black lead on paint from the start of a session (estimate)
TINY = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class Observation:
    """One reading and what it said.

    log_given   (n,) ln p(reading | candidate, earlier readings); their sum over readings is exact
    log_before  (n,) ln marginal just before it
    log_peak    (n,) ln density of the reading that the candidate would have liked best
    parts       densities under each story, kept for replay
    gross       (n, n_draws, n_rates) chance that a repeat was a gross error; None: no repeat, see parts
    raised      what a wiggle, heat or load had done to the chance of being active
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
    gross: np.ndarray | None
    raised: float
    log_given: np.ndarray
    log_before: np.ndarray
    log_peak: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """What is believed now. Axes of weights: candidate, draw of the latents, error rate, active, blind.

    weights       (n, n_draws, n_rates, 1|2, 2), sums to 1; active has one layer if nothing is
                  intermittent, else 0 = dormant, 1 = active; blind 1 = black lead on paint this session
    latents/blur  (n_draws, n_latents) stratum means and the spread inside each stratum
    degrees       (n_draws,) -1..1, even: where in the range of its severity a fault lies
    rates         (n_rates,) gross error rates; log_rate their prior
    shows         (n,) chance that the candidate's fault is active in a window
    log_start     (n,) ln prior times every factor from conditions; log_base: ln prior alone
    log_told      (n,) ln prior times what was told of the bike, failed repairs left out: what a fault
                  nobody listed may look like
    spell_ends    chance that between two readings of a window a fault that comes and goes has done so unseen
    log_evidence  ln probability of all readings so far
    """

    weights: np.ndarray
    latents: np.ndarray
    blur: np.ndarray
    degrees: np.ndarray
    rates: np.ndarray
    log_rate: np.ndarray
    shows: np.ndarray
    log_start: np.ndarray
    log_base: np.ndarray
    log_told: np.ndarray
    no_fault: int = -1
    unmodelled: int = -1
    session: str = ""
    window: str = ""
    raised: float = 0.0
    spell_ends: float = 0.0
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
    spell_ends: float = 0.0,
    temper: float = TEMPER,
    n_draws: int = 32,
) -> Belief:
    """Begin a job.

    prior      (n,) [1] not negative; need not sum to 1
    latent_sd  (n_latents,) prior standard deviation of the shared latents
    skill      'trade' or 'beginner', or (rates, their chances): how often readings are grossly wrong
    shows      (n,) chance that a fault is active in a window; None: always
    spell_ends chance that it has come or gone from one reading of a window to the next; 0: never does
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
    log_start = np.log(np.maximum(tempered(prior / prior.sum(), temper, keep), TINY))
    log_start[prior <= 0.0] = -np.inf
    sd = np.asarray(latent_sd, dtype=float)
    draws, inside = normal_strata(n_draws if len(sd) else 1, len(sd))
    rates, weights = (
        np.asarray(x, dtype=float) for x in (SKILLS[skill] if isinstance(skill, str) else skill)
    )
    fixed = np.ones(len(prior)) if shows is None else np.asarray(shows, dtype=float)
    return unread(
        Belief(
            weights=np.zeros(0),
            latents=draws * sd,
            blur=inside * sd,
            degrees=even_strata(len(draws), len(sd)),
            rates=rates,
            log_rate=np.log(weights),
            shows=fixed,
            log_start=log_start,
            log_base=log_start,
            log_told=log_start,
            no_fault=no_fault,
            unmodelled=unmodelled,
            spell_ends=spell_ends,
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
    order = (
        np.array([_lattice(n_draws, j) for j in range(n_latents)], dtype=int).reshape(n_latents, n_draws).T
    )
    return mean[order], np.sqrt(np.maximum(var, 0.0))[order]


def even_strata(n_draws: int, place: int) -> np.ndarray:
    """(n_draws,) middles of n_draws even strata of -1..1, in the order of this place of the lattice."""
    return (2.0 * _lattice(n_draws, place) + 1.0) / n_draws - 1.0


def _lattice(n_draws: int, place: int) -> np.ndarray:
    """(n_draws,) stratum of each draw: one of each, in another order at every place."""
    step = max(1, round(n_draws * 0.6180339887498949))  # golden ratio: successive strata far apart
    while np.gcd(step, n_draws) != 1:
        step += 1
    return (np.arange(n_draws) * pow(step, place, n_draws)) % n_draws


def marginal(belief: Belief) -> np.ndarray:
    """(n,) chance of each candidate, latents summed out; sums to 1."""
    return belief.weights.sum(axis=(1, 2, 3, 4))


def latent_mean(belief: Belief) -> np.ndarray:
    """(n_latents,) what is now expected of the shared latents."""
    return belief.weights.sum(axis=(0, 2, 3, 4)) @ belief.latents


def latent_chances(belief: Belief) -> np.ndarray:
    """(n_draws,) chance of each draw in belief.latents, everything else summed out."""
    return belief.weights.sum(axis=(0, 2, 3, 4))


def error_rate(belief: Belief) -> float:
    """Gross error rate [1] that this observer is now believed to have."""
    return float(belief.weights.sum(axis=(0, 1, 3, 4)) @ belief.rates)


def active(belief: Belief) -> np.ndarray:
    """(n,) chance that each candidate's fault shows itself in the present window."""
    if belief.weights.shape[3] == 1:
        return np.ones(len(belief.shows))
    weights = belief.weights.sum(axis=(1, 2, 4))
    total = weights.sum(axis=1)
    return np.where(total > 0.0, weights[:, 1] / np.where(total > 0.0, total, 1.0), belief.shows)


def unread(belief: Belief) -> Belief:
    """Weights before any reading: start, draws, rates, active and blind independent."""
    n_draws = len(belief.latents)
    start_weight = np.exp(belief.log_start - belief.log_start.max())
    rate = np.exp(belief.log_rate) / n_draws
    weights = (
        start_weight[:, None, None, None, None]
        * rate[None, None, :, None, None]
        * _chance_active(belief)[:, None, None, :, None]
        * _chance_blind(belief)[None, None, :, None, :]
    )
    shape = (weights.shape[0], n_draws, *weights.shape[2:])
    return replace(belief, weights=normalised(np.broadcast_to(weights, shape), "start")[0])


def _chance_active(belief: Belief) -> np.ndarray:
    """(n, 1|2) chance of being dormant, active at the opening of a window."""
    if not np.any(belief.shows < 1.0):
        return np.ones((len(belief.shows), 1))
    chance = belief.shows + (1.0 - belief.shows) * belief.raised
    return np.stack([1.0 - chance, chance], axis=-1)


def _chance_blind(belief: Belief) -> np.ndarray:
    """(n_rates, 2) chance that the black lead sees, does not see, at the opening of a session."""
    return np.stack([1.0 - BLIND_SHARE * belief.rates, BLIND_SHARE * belief.rates], axis=-1)


def resplit_active(belief: Belief, weights: np.ndarray) -> np.ndarray:
    """Forget whether intermittent faults were active: a new window begins."""
    if weights.shape[3] == 1:
        return weights
    return weights.sum(axis=3, keepdims=True) * _chance_active(belief)[:, None, None, :, None]


def drifted(belief: Belief, weights: np.ndarray) -> np.ndarray:
    """The same a reading later: an intermittent fault may have come or gone, and nobody noticed."""
    if weights.shape[3] == 1 or not belief.spell_ends:
        return weights
    anew = resplit_active(replace(belief, raised=0.0), weights)
    return (1.0 - belief.spell_ends) * weights + belief.spell_ends * anew


def resplit_blind(belief: Belief, weights: np.ndarray) -> np.ndarray:
    """Forget whether the black lead saw anything: it has moved."""
    return weights.sum(axis=4, keepdims=True) * _chance_blind(belief)[None, None, :, None, :]


def normalised(weights: np.ndarray, about: str) -> tuple[np.ndarray, float]:
    """Weights that sum to 1, and their sum before; raises NoCandidateExplains if that is zero."""
    total = float(weights.sum())
    if not total > 0.0:
        raise NoCandidateExplains(
            f"{about}: no candidate gives this any chance; expected at least one above zero; "
            "try taking the reading again, or undo"
        )
    return weights / total, total
