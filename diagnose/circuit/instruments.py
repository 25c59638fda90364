"""What instruments show: meter, test lamp, ammeter, diode test. Every one for all cases at once.

Volts and ohms come from the two-terminal view of a solution. Where an instrument loads the circuit
so that lamps bend or devices move, it is put in as an element and everything is settled again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnose.circuit.layout import Compiled
from diagnose.circuit.netlist import Add, Case, Edit, Element, Move, Open, Reverse
from diagnose.circuit.point import element_view
from diagnose.circuit.solve import Solution, Start, settle_cases
from diagnose.circuit.thevenin import resistance_spread, sensitivities_many, thevenin_many
from diagnose.errors import CircuitError, unknown

Array = np.ndarray[Any, Any]

# Above this an ohmmeter shows OL. Usual top range of a handheld meter; common practice.
OHMS_TOP = 4e7
# Diode test: 3.0 V open (meters up to 3.2 V), about 1 mA (0.7 to 1.5 mA); OL above this reading.
DIODE_TEST_VOLTS = 3.0
DIODE_TEST_OHMS = 3000.0
DIODE_TEST_TOP = 2.5
# A signal lamp's hot over cold resistance, also that of a test lamp.
LAMP_COLD_RATIO = 13.0

INSTRUMENT = "#instrument"


@dataclass(frozen=True, slots=True, eq=False)
class Loaded:
    """A full solve with the instrument, of this law, as the element added first in every case."""

    solution: Solution
    law: str

    @property
    def volts(self) -> Array:
        """(B,) volts of the instrument, plus against minus."""
        return self._own(0)

    @property
    def amps(self) -> Array:
        """(B,) current of the instrument, plus to minus."""
        return self._own(1)

    def _own(self, which: int) -> Array:
        out = np.zeros(self.solution.size)
        for part in self.solution.parts:
            layout = part.sheet.layout
            view = element_view(part, layout.elements[layout.spare[self.law][0]].id)
            assert view is not None
            out[part.sheet.columns] = view[which]
        return out


def read_volts(solution: Solution, pairs: Sequence[tuple[str, str]], meter_ohms: float) -> Array:
    """(n_pairs, B) volts that a meter of this resistance shows, plus tip on the first of each pair."""
    volts, ohms = thevenin_many(solution, pairs)
    return volts * (meter_ohms / (meter_ohms + ohms))


def read_volts_with_spread(
    solution: Solution, pairs: Sequence[tuple[str, str]], meter_ohms: float, source: str | None = None
) -> tuple[Array, Array, Array]:
    """Readings, spreads from tolerances and shifts per volt of a source's emf, each (n_pairs, B)."""
    volts, ohms = thevenin_many(solution, pairs)
    spread, shift = sensitivities_many(solution, pairs, source)
    load = meter_ohms / (meter_ohms + ohms)
    return volts * load, spread * load, shift * load


def read_ohms(solution: Solution, pairs: Sequence[tuple[str, str]]) -> Array:
    """(n_pairs, B) ohms that a meter shows on a dead circuit, inf for OL; its leads not included.

    solution  of the circuit with every supply off: filaments are cold and junctions nearly open,
              as a digital meter's small test volts leave them
    """
    _, ohms = thevenin_many(solution, pairs)
    return np.where(ohms > OHMS_TOP, np.inf, ohms)


def read_ohms_with_spread(solution: Solution, pairs: Sequence[tuple[str, str]]) -> tuple[Array, Array]:
    """Ohms as read_ohms, and standard deviations of their logarithm from tolerances, each (n_pairs, B)."""
    each = [resistance_spread(solution, plus, minus) for plus, minus in pairs]
    ohms = np.array([r for r, _ in each]).reshape(len(pairs), solution.size)
    spread = np.array([s for _, s in each]).reshape(len(pairs), solution.size)
    return np.where(ohms > OHMS_TOP, np.inf, ohms), spread


def with_element(
    compiled: Compiled,
    cases: Sequence[Case],
    element: Element,
    start: Start | None = None,
    instead_of: str | None = None,
) -> Loaded:
    """Settle every case again with one more element, or with it in place of another.

    instead_of  element that is taken out (a pulled fuse); the new one goes between its ends
    """
    known = compiled.layout.element_of
    out: tuple[Edit, ...] = ()
    if instead_of is not None:
        if instead_of not in known:
            raise CircuitError(f"in place of {instead_of}: {unknown('element', instead_of, known)}")
        out = (Open(instead_of),)
    return _loaded(compiled, cases, [element] * len(cases), out, start)


def with_elements(
    compiled: Compiled, cases: Sequence[Case], elements: Sequence[Element], start: Start | None = None
) -> Loaded:
    """Settle each case with its own added element, all of one law, in one batch."""
    return _loaded(compiled, cases, elements, (), start)


def _loaded(
    compiled: Compiled,
    cases: Sequence[Case],
    elements: Sequence[Element],
    edits: tuple[Edit, ...],
    start: Start | None,
) -> Loaded:
    """Settle each case with its element added before all else, and these edits after all."""
    given: dict[tuple[int, int], tuple[Edit, ...]] = {}
    loaded = []
    for case, element in zip(cases, elements, strict=True):
        key = id(case.given), id(element)
        if key not in given:
            given[key] = (Add(element), *case.given)
        loaded.append(Case((*case.edits, *edits) if edits else case.edits, case.states, given[key]))
    return Loaded(settle_cases(compiled, loaded, start), elements[0].law)


def lamp_between(plus: str, minus: str, *, volts: float = 12.0, watts: float = 5.0) -> Element:
    """A test lamp between two nodes, for with_elements."""
    return _lamp(plus, minus, volts, watts)


def with_lamp(
    compiled: Compiled,
    cases: Sequence[Case],
    plus: str,
    minus: str,
    *,
    volts: float = 12.0,
    watts: float = 5.0,
    start: Start | None = None,
) -> Loaded:
    """Put a test lamp between two nodes of every case and settle again."""
    return with_element(compiled, cases, _lamp(plus, minus, volts, watts), start)


def lamp_for_fuse(
    compiled: Compiled,
    cases: Sequence[Case],
    fuse: str,
    *,
    volts: float = 12.0,
    watts: float = 21.0,
    start: Start | None = None,
) -> Loaded:
    """Put a lamp in place of a fuse (an element id) in every case and settle again."""
    plus, minus = _ends(compiled, fuse)
    return with_element(compiled, cases, _lamp(plus, minus, volts, watts), start, fuse)


def read_amps(
    compiled: Compiled, cases: Sequence[Case], element: str, shunt_ohms: float, start: Start | None = None
) -> Loaded:
    """Put an ammeter in place of an element (a pulled fuse, an undone lead); amps from its plus to minus."""
    plus, minus = _ends(compiled, element)
    shunt = Element(INSTRUMENT, "resistor", plus, minus, {"resistance": shunt_ohms})
    return with_element(compiled, cases, shunt, start, element)


def read_amps_in_series(
    compiled: Compiled, cases: Sequence[Case], element: str, shunt_ohms: float, start: Start | None = None
) -> Loaded:
    """Put an ammeter in series with an element, where its plus end is at rest; amps from there into it.

    The lead that is undone for it stays the same one when a fault has turned the element round.
    """
    between = f"{INSTRUMENT}.inner"
    shunts: dict[str, Element] = {}  # one for each place it goes to: what cases share is read only once
    placed: list[Element] = []
    opened: list[Case] = []
    for case in cases:
        at, end = _undone_end(compiled, case, element)
        if at not in shunts:
            shunts[at] = Element(INSTRUMENT, "resistor", at, between, {"resistance": shunt_ohms})
        placed.append(shunts[at])
        opened.append(Case((*case.edits, Move(element, end, between)), case.states, case.given))
    return with_elements(compiled, opened, placed, start)


def _undone_end(compiled: Compiled, case: Case, element: str) -> tuple[str, str]:
    """(node, end) at which an element is undone: what stands where its plus end is at rest, else its plus."""
    ends = list(_ends(compiled, element))
    rest = ends[0]
    for edit in case.every_edit:
        if isinstance(edit, Reverse) and edit.element == element:
            ends.reverse()
        elif isinstance(edit, Move) and edit.element == element:
            ends[edit.end == "minus"] = edit.node
    return (rest, "minus") if rest == ends[1] else (ends[0], "plus")


def read_diode_test(compiled: Compiled, cases: Sequence[Case], pairs: Sequence[tuple[str, str]]) -> Array:
    """(n_pairs, B) volts that the diode range shows on a dead circuit, red tip on the first; inf for OL."""
    values = {"emf": DIODE_TEST_VOLTS, "resistance": DIODE_TEST_OHMS}
    sources = [Element(INSTRUMENT, "source", plus, minus, values) for plus, minus in pairs]
    each = [source for source in sources for _ in cases]
    volts = with_elements(compiled, [*cases] * len(pairs), each).volts.reshape(len(pairs), len(cases))
    return np.where(volts > DIODE_TEST_TOP, np.inf, volts)


def _lamp(plus: str, minus: str, volts: float, watts: float) -> Element:
    values = {"rated_volts": volts, "rated_watts": watts, "cold_ratio": LAMP_COLD_RATIO}
    return Element(INSTRUMENT, "lamp", plus, minus, values)


def _ends(compiled: Compiled, element: str) -> tuple[str, str]:
    number = compiled.layout.element_of.get(element)
    if number is None:
        known = compiled.layout.element_of
        raise CircuitError(f"instrument at {element}: {unknown('element', element, known)}")
    own = compiled.layout.elements[number]
    return own.plus, own.minus
