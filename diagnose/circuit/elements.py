"""The laws of the elements, each as numbers in arrays: current, slope, and what a tolerance does.

Every element is a two-terminal branch. Current i is positive from plus to minus through it, v is
plus against minus, and near an operating point i = g v - J with g >= 0. Shapes: (n_elements, B) or
anything that broadcasts. Bottom of this package; knows no netlist.
"""

from __future__ import annotations

from typing import Any

import numpy as np

Array = np.ndarray[Any, np.dtype[np.float64]]

# k T / q at 27 C as ngspice holds it (CODATA 1986 constants), so that both give the same volts.
THERMAL_VOLTS = 0.02586491702306408
# Conductance beside every junction; ngspice's default gmin. [S]
JUNCTION_LEAK = 1e-12
# Filament: I = I0 (V/V0)^0.55. Lamp rerating, Fink & Beaty, Standard Handbook for Electrical
# Engineers, 11th ed. 1978, p. 22-8.
FILAMENT_EXPONENT = 0.55
# An electronic unit below its cut-off draws next to nothing. Estimate.
UNIT_OFF_OHMS = 1e6
# A unit takes constant power; its resistance is held in bands of volts so that each settled piece is
# linear. Width of a band (ratio of its edges) and number of bands above the cut-off. Our choice.
BAND_RATIO = 1.05
BANDS = 24
# Volts above the cut-off at which a unit comes back, as a ratio. Estimate (reset circuits: 2 to 8 %).
WAKE_RATIO = 1.05


def filament_cold_volts(rated_volts: Array, cold_ratio: Array) -> Array:
    """Volts below which the filament is cold: R(v) = R_hot (v/V0)^0.45 reaches R_hot / cold_ratio. [V]"""
    return rated_volts * cold_ratio ** (-1.0 / (1.0 - FILAMENT_EXPONENT))


def filament(v: Array, scale: Array, cold_volts: Array, cold_conductance: Array) -> tuple[Array, Array]:
    """Return current [A] and slope [S] of filaments at v.

    scale             I0 / V0^0.55 [A / V^0.55]
    cold_volts        filament_cold_volts [V]
    cold_conductance  cold_ratio / R_hot [S]; used below cold_volts, where the law meets it
    """
    size = np.abs(v)
    hot = size > cold_volts
    # I / v = scale v^(0.55 - 1); below cold_volts the cold conductance, which equals it there
    np.maximum(size, cold_volts, out=size)
    chord = scale * size ** (FILAMENT_EXPONENT - 1.0)
    chord = np.where(hot, chord, cold_conductance)
    slope = np.where(hot, FILAMENT_EXPONENT * chord, chord)
    return chord * v, slope


def filament_constants(watts: Array, volts: Array, cold_ratio: Array) -> tuple[Array, Array, Array]:
    """Return scale, cold_volts, cold_conductance of `filament` from the rating."""
    scale = watts / volts * volts**-FILAMENT_EXPONENT
    return scale, filament_cold_volts(volts, cold_ratio), cold_ratio * watts / (volts * volts)


def junction(v: Array, saturation: Array, slope_volts: Array) -> tuple[Array, Array]:
    """Return current [A] and slope [S] of diodes at v. Shockley: I = IS (exp(v / (N Vt)) - 1).

    slope_volts  N Vt [V]. The argument is capped at 500 to stay finite; limited_volts keeps it lower.
    """
    growth = np.exp(np.minimum(v / slope_volts, 500.0))
    return saturation * (growth - 1.0) + JUNCTION_LEAK * v, saturation / slope_volts * growth + JUNCTION_LEAK


def limited_volts(new: Array, old: Array, slope_volts: Array, critical: Array) -> Array:
    """Hold a junction's step so that its exponential does not run away.

    critical  N Vt ln(N Vt / (sqrt(2) IS)) [V], where the curve bends most: a step across it stops
              there; above it a step up grows with the logarithm only
    source    junction-voltage limiting as in Nagel, SPICE2, UCB/ERL M520 (1975); stopping at the
              bend first is ours (one iteration instead of seven for a light-emitting diode)
    """
    step = new - old
    limited = (new > critical) & (step > 2.0 * slope_volts)
    if not limited.any():
        return new
    up = old + slope_volts * np.log1p(np.maximum(step, 0.0) / slope_volts)
    return np.where(limited, np.where(old < critical, critical, up), new)


def critical_volts(saturation: Array, slope_volts: Array) -> Array:
    """Volts above which limited_volts acts. [V]"""
    return slope_volts * np.log(slope_volts / (np.sqrt(2.0) * saturation))


def unit_band(v: Array, cut_off: Array, band: Array) -> Array:
    """Band of a constant-power unit at v, given the band it was in: 0 off, 1.. on.

    It dies below cut_off and comes back at WAKE_RATIO x cut_off.
    """
    size = np.abs(v)
    floor = np.maximum(cut_off, 0.05)
    with np.errstate(divide="ignore"):
        now = np.floor(np.log(size / floor) / np.log(BAND_RATIO)) + 1.0
    now = np.clip(now, 0, BANDS)
    asleep = (size < floor) | ((band == 0) & (size < floor * WAKE_RATIO))
    return np.where(asleep, 0, np.maximum(now, 1)).astype(np.int8)


def unit_conductance(band: Array, watts: Array, cut_off: Array) -> Array:
    """Conductance of a unit in a band: P / V^2 at the band's middle, 1 / UNIT_OFF_OHMS when off. [S]"""
    middle = np.maximum(cut_off, 0.05) * BAND_RATIO ** (band - 0.5)
    return np.where(band == 0, 1.0 / UNIT_OFF_OHMS, watts / (middle * middle))
