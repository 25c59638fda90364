"""From volts and amperes to what a rider sees, hears and feels: probabilities of each word.

Part of the fourth arrow (solved circuit -> table). Pure arithmetic on arrays whose last axis is the
candidates; thresholds below are the only numbers, each with its reason.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

# Light of a filament goes as (V/V0)^3.4 (lamp rerating; Fink & Beaty, Standard Handbook for Electrical
# Engineers, 11th ed., p. 22-8).
LIGHT_EXPONENT = 3.4
# ... and watts as V^1.55 (same source, 1.55 to 1.6), so light as watts^2.2
LIGHT_OF_WATTS = LIGHT_EXPONENT / 1.55

# Shares of the healthy effect at which the word changes. Common practice, no source: 70 % of the light
# is noticed by nobody, half of it is "dim", a glow is a few per cent, below 0.4 % a filament is dark by day.
LIGHT_EDGES = (0.60, 0.12, 0.004)
SOUND_EDGES = (0.72, 0.25)  # share of the horn's current; below a quarter it only ticks
HEAT_EDGES = (0.55, 0.12)  # share of the watts below which a hand finds it lukewarm, cold (estimate)
CHARGE_EDGES = (0.90, 0.30)  # share of the healthy charging current
STARTER_SLOW = 0.88  # share of the healthy volts across the motor below which cranking sounds slow
FAST_FLASH_BELOW = 0.70  # share of the healthy lamp current below which a lamp-out check doubles the rate
# A flasher heated by the lamp current hurries or holds still when a lamp is missing, by construction (trade
# texts): about even at half the current, and hardly ever flashing at a quarter (estimate).
FLASHER_STALLS_BELOW = 0.50
# Less current heats such a flasher more slowly: flashes that lag tell of low volts (trade texts; estimate).
FLASHER_SLOW_BELOW = 0.85
# A cell of 1.250 to 1.280 is good, below 1.150 replaced (US Army TM 5-3740-214-14); 1.225 is three quarters
# full (from memory). A float, its temperature and the rule from volts to gravity: +-0.012 (estimate). A dead
# cell that reads like the others, or a sound one that does not: 4 in 100 (estimate).
GRAVITY_EDGES = (1.225, 1.150)
GRAVITY_BLUR, ODD_CELL_STRAYS = 0.012, 0.04
BLUR = 0.20  # standard deviation of a judgement by eye or ear, in ln(share) (estimate)
# A needle a quarter of its way off is told to be wrong, one below an eighth to lie at its stop (estimate).
NEEDLE_OFF, NEEDLE_AT_STOP = 0.25, 0.125
NEEDLE_BLUR = 0.04  # of its way, standard deviation of a judgement by eye (estimate)
MIN_SHARE = 1e-9


def grade(share: np.ndarray, edges: Sequence[float], blur: float = BLUR) -> np.ndarray:
    """Probabilities of the words between falling edges of a share of the healthy effect.

    share    (n,) [1], 1 = as healthy
    edges    k falling limits [1]
    returns  (n, k+1), best word first, rows sum to 1; logistic blur in ln(share)
    """
    ln_share = np.log(np.maximum(share, MIN_SHARE))
    below = np.stack([_more_than(np.log(e), ln_share, blur) for e in edges], axis=1)
    at_least = np.concatenate([np.ones((len(share), 1)), below, np.zeros((len(share), 1))], axis=1)
    return at_least[:, :-1] - at_least[:, 1:]


def _more_than(value: np.ndarray | float, edge: np.ndarray | float, blur: float) -> np.ndarray:
    """Chance that a value is judged above an edge; logistic, of this standard deviation."""
    scale = blur * np.sqrt(3.0) / np.pi
    return np.asarray(1.0 / (1.0 + np.exp(np.clip((edge - value) / scale, -60, 60))))


def light_words(share_of_light: np.ndarray) -> np.ndarray:
    """(n, 4): works, weak, very_weak, dead."""
    return grade(share_of_light, LIGHT_EDGES)


def sound_words(share_of_current: np.ndarray) -> np.ndarray:
    """(n, 3): works, weak, dead."""
    return grade(share_of_current, SOUND_EDGES)


def heat_words(share_of_current: np.ndarray) -> np.ndarray:
    """(n, 3): works, weak, dead of what warms; its watts go as the square of the current."""
    return grade(share_of_current**2, HEAT_EDGES)


def gauge_words(shown: np.ndarray, due: float) -> np.ndarray:
    """(n, 4): works, reads_low, reads_high, dead of a needle drawn by current.

    shown  (n,) its current, as a share of a sound one's at the top of its way [1]
    due    the same of a sound bike in this condition [1]
    """

    def more_than(edge: float) -> np.ndarray:
        return _more_than(shown, edge, NEEDLE_BLUR)

    high = more_than(due + NEEDLE_OFF)
    not_low = more_than(due - NEEDLE_OFF)
    stirs = more_than(min(NEEDLE_AT_STOP, due - NEEDLE_OFF)) if due > NEEDLE_OFF else np.ones_like(shown)
    low = stirs - not_low
    return np.stack([not_low - high, np.maximum(low, 0.0), high, 1.0 - np.maximum(stirs, not_low)], axis=1)


def unit_words(awake: np.ndarray, restless: np.ndarray) -> np.ndarray:
    """(n, 3): works, flickers, dead; a unit that wakes and drops out in turn flickers."""
    out = np.zeros((len(awake), 3))
    out[:, 0] = awake & ~restless
    out[:, 1] = restless
    out[:, 2] = ~awake & ~restless
    return out


def starter_words(
    turning: np.ndarray, share_of_volts: np.ndarray, pulled: np.ndarray, restless: np.ndarray
) -> np.ndarray:
    """(n, 5): works, slow, clicks, chatters, dead."""
    turns = turning & ~restless
    slow = grade(share_of_volts, (STARTER_SLOW,), blur=0.05)
    out = np.zeros((len(turning), 5))
    out[:, 0] = turns * slow[:, 0]
    out[:, 1] = turns * slow[:, 1]
    out[:, 2] = ~turns & pulled & ~restless
    out[:, 3] = restless
    out[:, 4] = ~turns & ~pulled & ~restless
    return out


def flash_words(
    share_of_light: np.ndarray,
    share_of_current: np.ndarray,
    counts_load: bool,
    steady: np.ndarray,
    stalls: bool = False,
) -> np.ndarray:
    """(n, 5): works, fast, weak, steady, dead.

    share_of_light    (n_lamps, n) of each lamp of the side
    share_of_current  (n,) of the flashing circuit
    counts_load       a lamp missing changes the rate
    steady            (n,) bool, lit without being switched by the flasher
    stalls            a flasher heated by the lamp current: too little of it may hold it still
    """
    dark, still, fast = _flashing(share_of_light, share_of_current, counts_load, steady, stalls)
    all_good = grade(share_of_light.min(axis=0), LIGHT_EDGES)[:, 0]
    out = np.zeros((len(dark), 5))
    out[:, 3] = (1.0 - dark) * still
    going = (1.0 - dark) * (1.0 - still)
    out[:, 1] = going * fast
    out[:, 0] = going * (1.0 - fast) * all_good
    out[:, 2] = going * (1.0 - fast) * (1.0 - all_good)
    out[:, 4] = dark
    return out


def count_words(
    share_of_light: np.ndarray,
    share_of_current: np.ndarray,
    counts_load: bool,
    steady: np.ndarray,
    stalls: bool = False,
) -> np.ndarray:
    """(n, 4): 60 to 120 a minute, more, fewer, no flashing at all; arguments as of flash_words."""
    dark, still, fast = _flashing(share_of_light, share_of_current, counts_load, steady, stalls)
    slow = grade(share_of_current, (FLASHER_SLOW_BELOW,), blur=0.1)[:, 1] if stalls else 0.0 * dark
    still = dark + (1.0 - dark) * still
    out = np.zeros((len(dark), 4))
    out[:, 3] = still
    out[:, 1] = (1.0 - still) * fast
    out[:, 2] = (1.0 - still) * (1.0 - fast) * slow
    out[:, 0] = (1.0 - still) * (1.0 - fast) * (1.0 - slow)
    return out


def _flashing(
    share_of_light: np.ndarray,
    share_of_current: np.ndarray,
    counts_load: bool,
    steady: np.ndarray,
    stalls: bool,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(n,) each: no lamp lights; lit, it holds still; flashing, it hurries. Chances."""
    dark = grade(share_of_light.max(axis=0), LIGHT_EDGES)[:, 3]
    still = grade(share_of_current, (FLASHER_STALLS_BELOW,), blur=0.25)[:, 1] if stalls else 0.0 * dark
    fast = grade(share_of_current, (FAST_FLASH_BELOW,), blur=0.05)[:, 1] if counts_load else 0.0 * dark
    return dark, np.where(steady, 1.0, still), fast


def gravity_words(gravity: np.ndarray, one_cell: np.ndarray) -> np.ndarray:
    """(n, 4): all cells alike and full, half, low; one lower than the others.

    gravity   (n,) specific gravity of the acid in a good cell [1]
    one_cell  (n,) bool, a fault that spoils one cell only
    """
    below = [_more_than(e, gravity, GRAVITY_BLUR) for e in GRAVITY_EDGES]
    alike = np.stack([1.0 - below[0], below[0] - below[1], below[1]], axis=1)
    odd = np.where(one_cell, 1.0 - ODD_CELL_STRAYS, ODD_CELL_STRAYS)[:, None]
    return np.concatenate([alike * (1.0 - odd), odd], axis=1)


def need_words(value: np.ndarray, weak: float, dead: float, below: bool) -> np.ndarray:
    """(n, 3): works, weak, dead of one electrical need, judged on ohms or volts.

    below True: less is worse (volts), False: more is worse (ohms)
    """
    finite = np.where(np.isinf(value), 1e12, value)
    share = np.maximum(finite, MIN_SHARE) if below else 1.0 / np.maximum(finite, MIN_SHARE)
    edges = (weak, dead) if below else (1.0 / weak, 1.0 / dead)
    return grade(share, edges, blur=0.1)


def worst_of(words: Sequence[np.ndarray]) -> np.ndarray:
    """(n, 3): all needs together; as good as the worst of them, needs independent given the candidate."""
    works = np.prod([w[:, 0] for w in words], axis=0)
    not_dead = np.prod([1.0 - w[:, 2] for w in words], axis=0)
    return np.stack([works, not_dead - works, 1.0 - not_dead], axis=1)


def stop_words(words: Sequence[np.ndarray]) -> np.ndarray:
    """(n, 2): works (the engine is stopped: at least one need is dead), dead (it runs on)."""
    runs = np.prod([1.0 - w[:, 2] for w in words], axis=0)
    return np.stack([1.0 - runs, runs], axis=1)


# Words of a 12 V 5 W test lamp between two points, by share of the light it gives on the battery.
LAMP_EDGES = (0.60, 0.15, 0.01)


def lamp_words(volts: np.ndarray, full_volts: float) -> np.ndarray:
    """(n, 4): bright, half, dim, dark of a test lamp that sees these volts."""
    share = (np.abs(volts) / full_volts) ** LIGHT_EXPONENT
    return grade(share, LAMP_EDGES)
