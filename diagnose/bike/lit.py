"""Lamps straight from a winding: its ohms and its reactance stand at right angles to each other.

Third arrow of the flow. The circuit is solved in real numbers with effective volts. What lies behind a
winding is lamps, horns and joints, so its current is in step with its terminal volts V, and of its emf E the
part I X at right angles to that is lost without heat:

    (V + I R)^2 + (I X)^2 = E^2        (triangle of volts of a series circuit, in any textbook)

That curve is bent; the circuit wants an emf behind ohms. So each winding stands in it by its tangent at the
current that it gives, and is solved again until that current rests.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from diagnose.bike.build import Build, engine_rpm
from diagnose.bike.model import Condition
from diagnose.circuit.netlist import Case, Change, Edit
from diagnose.circuit.solve import Compiled, settle_cases

Array = np.ndarray[Any, np.dtype[np.float64]]

# No winding gives more than E / X, its current into a short; there the tangent would stand upright.
MOST_OF_SHORT = 0.99
RESTS_WITHIN = 0.002  # of the current into a short, far finer than any meter on a running engine
ROUNDS_MOST = 12


def tangent(emf: Array, resistance: Array, reactance: float, amperes: Array) -> tuple[Array, Array]:
    """(emf [V], ohms) of the straight source that gives the same volts and the same slope at a current.

    emf, resistance, amperes  (n,) of a winding [V, ohm, A]; reactance [ohm], at least 0
    """
    most = MOST_OF_SHORT * emf / reactance if reactance > 0 else amperes
    lost = np.minimum(np.abs(amperes), most) * reactance
    in_step = np.sqrt(np.maximum(emf**2 - lost**2, 1e-12))
    return emf**2 / in_step, resistance + reactance * lost / in_step


def at_right_angles(
    built: Build, compiled: Compiled, cases: Sequence[Case], condition: Condition
) -> list[tuple[Edit, ...]]:
    """Further edits of each AC case of a condition: every lighting winding as the source that it is there.

    cases  with the windings' emf and plain ohms; the first is a sound bike's, or near one, and is settled
           before the others, which begin where it rests
    """
    thousands = engine_rpm(built.spec, condition.engine) / 1000.0
    reactances = {e: x * thousands for e, x in built.reactances.items()}
    if not reactances or not thousands or not cases:
        return [()] * len(cases)
    first = {e: MOST_OF_SHORT * _value(built, cases[0], e, "emf") / x for e, x in reactances.items()}
    begins = _rested(built, compiled, cases[:1], reactances, {e: np.full(1, i) for e, i in first.items()})
    spread = {e: np.full(len(cases), float(i[0])) for e, i in begins.items()}
    rested = _rested(built, compiled, cases, reactances, spread)
    return [
        _as_sources(built, case, reactances, {e: i[n] for e, i in rested.items()})
        for n, case in enumerate(cases)
    ]


def _rested(
    built: Build,
    compiled: Compiled,
    cases: Sequence[Case],
    reactances: Mapping[str, float],
    amperes: Mapping[str, Array],
) -> dict[str, Array]:
    """Winding -> (n_cases,) its current once it rests. [A]"""
    out = {e: i.copy() for e, i in amperes.items()}
    short = {e: np.array([_value(built, c, e, "emf") for c in cases]) / x for e, x in reactances.items()}
    moving = np.arange(len(cases))
    for _ in range(ROUNDS_MOST):
        given = []
        for n in moving.tolist():
            more = _as_sources(built, cases[n], reactances, _at(out, n))
            given.append(Case((*cases[n].edits, *more), cases[n].states, cases[n].given))
        here = settle_cases(compiled, given)
        moved = np.zeros(len(moving), dtype=bool)
        for e in reactances:
            now = np.minimum(np.abs(here.current(e)), MOST_OF_SHORT * short[e][moving])
            moved |= np.abs(now - out[e][moving]) > RESTS_WITHIN * short[e][moving]
            out[e][moving] = now
        moving = moving[moved]
        if not len(moving):
            break
    return out


def _at(amperes: Mapping[str, Array], case: int) -> dict[str, float]:
    return {e: float(i[case]) for e, i in amperes.items()}


def _as_sources(
    built: Build, case: Case, reactances: Mapping[str, float], amperes: Mapping[str, float]
) -> tuple[Edit, ...]:
    edits: list[Edit] = []
    for e, x in reactances.items():
        emf, ohms = tangent(
            np.array([_value(built, case, e, "emf")]),
            np.array([_value(built, case, e, "resistance")]),
            x,
            np.array([amperes[e]]),
        )
        edits += [Change(e, "emf", float(emf[0])), Change(e, "resistance", float(ohms[0]))]
    return tuple(edits)


def _value(built: Build, case: Case, element: str, param: str) -> float:
    """A winding's value as the last edit of a case leaves it."""
    found = built.elements[element].values[param]
    for e in case.every_edit:
        if isinstance(e, Change) and e.target == element and e.param == param:
            found = e.value
    return found
