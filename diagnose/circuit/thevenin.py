"""What two points look like to an instrument, and how tolerances move a reading: small signals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from diagnose.circuit.point import Part, point_of, tolerance_pieces
from diagnose.circuit.solve import Solution
from diagnose.errors import CircuitError, unknown

Array = np.ndarray[Any, Any]

# How a value of an element moves its small-signal ohms: power of the value in 1 / g, sign left out.
_OHMS_POWER = {"resistance": 1.0, "rated_watts": 1.0, "cold_ratio": 1.0, "rated_volts": 2.0}


def thevenin(solution: Solution, plus: str, minus: str) -> tuple[Array, Array]:
    """Open volts (B,) [V] and resistance (B,) [ohm] of the circuit between two points.

    Small-signal at the operating point: exact while the instrument moves no state and bends no lamp.
    Raises CircuitError for an unknown node.
    """
    volts, ohms = thevenin_many(solution, [(plus, minus)])
    return volts[0], ohms[0]


def thevenin_many(solution: Solution, pairs: Sequence[tuple[str, str]]) -> tuple[Array, Array]:
    """Open volts and resistances (n_pairs, B) of many pairs of points. As thevenin."""
    rows = [(solution.row(plus), solution.row(minus)) for plus, minus in pairs]
    volts = np.empty((len(pairs), solution.size))
    ohms = np.empty_like(volts)
    for i, (plus, minus) in enumerate(rows):
        np.subtract(solution.volts[plus], solution.volts[minus], out=volts[i])
    for part in solution.parts:
        point = point_of(part)
        for i, pair in enumerate(rows):
            plus, minus = (_node(part, solution, k) for k in pair)
            ohms[i, part.sheet.columns] = point.resistance(plus, minus)
    return volts, ohms


def sensitivities(
    solution: Solution, plus: str, minus: str, source: str | None = None
) -> tuple[Array, Array]:
    """How component tolerances and a source's emf move the open volts between two points.

    returns  spread (B,) [V], one standard deviation from Element.tolerances, first order, independent;
             shift (B,) [V/V], d V / d emf of the named source (zeros without one)
    The named source's own emf takes no part in the spread: it is a latent of its own.
    source   adjoint network method: Director & Rohrer, IEEE Trans. Circuit Theory 16 (1969)
    """
    spread, shift = sensitivities_many(solution, [(plus, minus)], source)
    return spread[0], shift[0]


def sensitivities_many(
    solution: Solution, pairs: Sequence[tuple[str, str]], source: str | None = None
) -> tuple[Array, Array]:
    """Spreads and shifts (n_pairs, B) of many pairs of points. As sensitivities."""
    rows = [(solution.row(plus), solution.row(minus)) for plus, minus in pairs]
    spread, shift = np.zeros((len(pairs), solution.size)), np.zeros((len(pairs), solution.size))
    known = solution.compiled.layout.element_of
    if source is not None and source not in known:
        raise CircuitError(f"shift: {unknown('source', source, known)}")
    for part in solution.parts:
        point = point_of(part)
        names, numbers, amps = tolerance_pieces(part)
        if (source, "emf") in names:
            others = np.array([name != (source, "emf") for name in names])
            numbers, amps = numbers[others], amps[others]
        for i, pair in enumerate(rows):
            plus, minus = (_node(part, solution, k) for k in pair)
            unit = point.adjoint(plus, minus)
            change = unit[numbers]
            change *= amps
            spread[i, part.sheet.columns] = np.sqrt(np.einsum("tb,tb->b", change, change))
            if source is not None:
                shift[i, part.sheet.columns] = point.g[known[source]] * unit[known[source]]
    return spread, shift


def resistance_spread(solution: Solution, plus: str, minus: str) -> tuple[Array, Array]:
    """Thevenin resistance (B,) [ohm] and the standard deviation of its logarithm (B,) from tolerances."""
    rows = (solution.row(plus), solution.row(minus))
    ohms, spread = np.zeros(solution.size), np.zeros(solution.size)
    for part in solution.parts:
        point = point_of(part)
        a, b = (_node(part, solution, k) for k in rows)
        unit, here = point.adjoint(a, b), point.resistance(a, b)
        total = np.zeros(part.sheet.size)
        for number, element in enumerate(part.sheet.layout.elements):
            for name, tolerance in element.tolerances.items():
                # d R / d ln R_e = g_e (adjoint volts)^2
                weight = tolerance * _OHMS_POWER.get(name, 0.0)
                if weight:
                    total += (weight * point.g[number] * unit[number] ** 2) ** 2
        ohms[part.sheet.columns] = here
        spread[part.sheet.columns] = np.sqrt(total) / np.maximum(here, 1e-12)
    return ohms, spread


def _node(part: Part, solution: Solution, row: int) -> int:
    """Node number within a part's layout (ground stands behind the spare nodes there)."""
    return part.sheet.layout.ground if row == solution.compiled.layout.ground else row
