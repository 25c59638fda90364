"""The readings of a case against an independent simulator: every number once more by ngspice.

Built on run. What is watched or looked at has no number and is left out, and so is a circuit
that never rests.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.bike.acts import BARE_HANDED
from diagnose.bike.build import node_of_point
from diagnose.cases.rider import Given
from diagnose.circuit.instruments import with_lamp
from diagnose.circuit.thevenin import thevenin
from diagnose.decks import measurement_deck
from diagnose.ngspice import reading, run_deck
from diagnose.predictions.effects import lamp_words
from diagnose.predictions.readings import OHMS_RANGE, lamp_watts
from diagnose.quantities import read_reading

# How far apart the same reading may be: the last digit shown, and the solvers' own tolerances.
RELATIVE = 0.01  # [1]
DIGITS = {"V": 0.02, "ohm": 0.1, "A": 0.002}  # in the unit of the reading
# A point that is fed through a junction alone: the meter's own current counts, and is taken to first order;
# ohms through one depend on the meter's current altogether, and only "next to nothing flows" is compared.
GHOST_OHMS = 1e5
GHOST_RELATIVE = 0.1  # [1]
LEAST_CHANCE = 0.2  # [1] of a lamp's word under the volts that ngspice gives


@dataclass(frozen=True, slots=True)
class Compared:
    """One reading beside ngspice's. agrees: within the limits."""

    measurement: str
    text: str
    ngspice: float
    agrees: bool


def compare(given: Sequence[Given]) -> list[Compared]:
    """Each honest number of a case beside ngspice's; raises CircuitError where ngspice finds none."""
    found = []
    for one in given:
        m = one.measurement
        if not one.honest or m.kind in BARE_HANDED or _is_restless(one):
            continue
        text = measurement_deck(one.by.predictor, one.by.index, one.job, m, m.id)
        value = reading(text, run_deck(text))
        found.append(Compared(m.id, one.text, value, agrees(one, value)))
    return found


def _is_restless(one: Given) -> bool:
    """Whether the circuit buzzes or flickers while it is read: an eye sees the mean, a deck is one phase.

    A lamp in a fuse's place is part of the circuit; whether it then rests is asked with it in.
    """
    m, p = one.measurement, one.by.predictor
    if m.kind in ("ohms", "diode", "ac_volts"):
        return False
    solution = p.solution(one.job, m.condition, "dc")
    if bool(solution.restless[one.by.index]):
        return True
    if m.kind != "lamp":
        return False
    plus, minus = (node_of_point(p.built.spec, x) for x in (m.plus, m.minus))
    case, volts = solution.cases[one.by.index], p.built.spec.supply_volts
    loaded = with_lamp(p.compiled, [case], plus, minus, volts=volts, watts=lamp_watts(p, m))
    return bool(loaded.solution.restless[0])


def _is_ghost(one: Given) -> bool:
    """Whether next to nothing feeds the point, so that a meter's ten megohms pull at what it shows."""
    m, p = one.measurement, one.by.predictor
    plus, minus = (node_of_point(p.built.spec, x) for x in (m.plus, m.minus))
    _, ohms = thevenin(p.solution(one.job, m.condition, "dc"), plus, minus)
    return bool(ohms[one.by.index] > GHOST_OHMS)


def agrees(one: Given, value: float) -> bool:
    """Whether a reading and ngspice's value [V, ohm, A] are the same within what tells them apart."""
    m = one.measurement
    if m.kind == "lamp":
        full = one.by.predictor.built.spec.supply_volts * 1.03
        chances = lamp_words(np.array([value]), full)[0]
        return bool(chances[m.choices.index(one.text)] >= LEAST_CHANCE)
    shown = read_reading(one.text, m.unit).value
    relative = GHOST_RELATIVE if m.kind in ("volts", "drop") and _is_ghost(one) else RELATIVE
    if m.kind in ("ac_volts", "amps"):
        value = abs(value)
    if m.kind == "ohms" and min(shown, value) > GHOST_OHMS and np.isfinite(shown):
        return True
    if np.isinf(shown):
        return value > (OHMS_RANGE if m.kind == "ohms" else 2.0)
    return bool(abs(shown - value) <= relative * abs(value) + DIGITS[m.unit])
