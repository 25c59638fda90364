"""What two points look like to an instrument, and how tolerances move a reading: small signals.

At a solved operating point every element is a conductance, so one elimination serves any number of
pairs: an injected unit current gives the Thevenin resistance from the forward half alone,

    R = sum over pivots k of y_k^2 / S_k        y: the injected currents as elimination passes them on,

a sum of positive terms; and the back half gives the adjoint volts that every sensitivity needs.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from diagnose.circuit.eliminate import eliminate, forward, substitute
from diagnose.circuit.newton import Work, stamp_elements
from diagnose.circuit.netlist import LEAK_OHMS
from diagnose.circuit.solve import Part, Solution

Array = np.ndarray[Any, Any]

# Conductance below which a branch is no path: what leaks through it is less than through LEAK_OHMS.
PATH_SIEMENS = 1.0 / LEAK_OHMS


class Point:
    """The operating point of a part: every element's conductance and current, and the factors.

    g, current, across  (n_elements, B): small-signal conductance [S], amperes plus to minus, volts
    shares, inverse     of the elimination (rows in plan order)
    """

    def __init__(self, part: Part):
        self.part = part
        self.work = work = Work(part.sheet)
        plan, layout = work.plan, work.layout
        size = part.sheet.size
        numbers = np.arange(len(layout.elements))
        ordered = np.empty_like(part.settled.volts)
        ordered[work.position] = part.settled.volts
        self.across = work.branch_volts(numbers, ordered)
        g, j, inside = work.driven_pieces(part.settled.states)
        self.g = np.zeros((len(numbers), size))
        self.current = np.zeros_like(self.g)
        self.inside = work.present.copy()
        self.inside[work.driven] = inside
        self.g[work.fixed] = work.fixed_g
        self.g[work.driven] = g
        sources = layout.by_law["source"]
        offset = np.zeros_like(self.g)
        offset[sources] = work.source_j
        offset[work.driven] = j
        linear = np.concatenate([work.fixed, work.driven])
        self.current[linear] = self.g[linear] * self.across[linear] - offset[linear]
        amps, slope = work.bent_pieces(self.across[work.bent])
        self.g[work.bent], self.current[work.bent] = slope, amps
        self.stamps = (
            (work.stamps_fixed, work.fixed),
            (work.stamps_driven, work.driven),
            (work.stamps_bent, work.bent),
        )
        self.leaks = self._leaks()
        edges = np.zeros((plan.n_slots, size))
        grounded = np.zeros((layout.ground, 2, size))
        grounded[:, 0] = self.leaks
        for stamps, rows in self.stamps:
            stamp_elements(stamps, self.g[rows], edges, grounded)
        self.shares, self.inverse = np.empty_like(edges), np.empty((layout.ground, size))
        for blocks in plan.stages:
            eliminate(blocks, edges, grounded, self.shares, self.inverse)

    def _leaks(self) -> Array:
        work = self.work
        degree = np.zeros((work.layout.ground, self.part.sheet.size), dtype=np.int8)
        for stamps, rows in self.stamps:
            for s in stamps:
                for node in (s.plus, s.minus):
                    if node >= 0:
                        degree[node, s.start : s.stop] += self.inside[rows[s.row], s.start : s.stop]
        return (degree != 2) / LEAK_OHMS

    def inject(self, plus: int, minus: int) -> Array:
        """(n, B) a unit current into node plus, out of node minus, as elimination passes it on."""
        work = self.work
        currents = np.zeros((work.layout.ground, self.part.sheet.size))
        for node, sign in ((plus, 1.0), (minus, -1.0)):
            if node != work.layout.ground:
                currents[work.position[node]] += sign
        for blocks in work.plan.stages:
            forward(blocks, currents, self.shares)
        return currents

    def resistance(self, plus: int, minus: int) -> Array:
        """(B,) Thevenin resistance between two nodes. [ohm]"""
        passed = self.inject(plus, minus)
        np.multiply(passed, passed, out=passed)
        return np.einsum("kb,kb->b", passed, self.inverse)

    def adjoint(self, plus: int, minus: int) -> Array:
        """(n_elements, B) volts across every element for a unit current into plus, out of minus. [ohm]"""
        work = self.work
        passed = self.inject(plus, minus)
        volts = np.zeros((work.layout.ground + 1, self.part.sheet.size))
        for blocks in reversed(work.plan.stages):
            substitute(blocks, passed, self.shares, self.inverse, volts)
        return work.branch_volts(np.arange(len(work.layout.elements)), volts)


def point_of(part: Part) -> Point:
    """The operating point of a part, worked out once."""
    if "point" not in part.kept:
        part.kept["point"] = Point(part)
    return part.kept["point"]


def element_view(part: Part, name: str) -> tuple[Array, Array] | None:
    """(B,) volts and (B,) current of an element; None if this part has none of this name."""
    number = part.sheet.layout.element_of.get(name)
    if number is None:
        return None
    point = point_of(part)
    return point.across[number], point.current[number]


def thevenin(solution: Solution, plus: str, minus: str) -> tuple[Array, Array]:
    """Open volts (B,) [V] and resistance (B,) [ohm] of the circuit between two points.

    Small-signal at the operating point: exact while the instrument moves no state and bends no lamp.
    """
    volts, ohms = thevenin_many(solution, [(plus, minus)])
    return volts[0], ohms[0]


def thevenin_many(solution: Solution, pairs: Sequence[tuple[str, str]]) -> tuple[Array, Array]:
    """Open volts and resistances (n_pairs, B) of many pairs of points. As thevenin."""
    volts = np.empty((len(pairs), solution.size))
    ohms = np.empty_like(volts)
    rows = [(solution.row(plus), solution.row(minus)) for plus, minus in pairs]
    for i, (plus, minus) in enumerate(rows):
        np.subtract(solution.volts[plus], solution.volts[minus], out=volts[i])
    for part in solution.parts:
        point = point_of(part)
        for i, (plus, minus) in enumerate(rows):
            ohms[i, part.sheet.columns] = point.resistance(*(_node(part, solution, k) for k in (plus, minus)))
    return volts, ohms


def sensitivities(
    solution: Solution, plus: str, minus: str, source: str | None = None
) -> tuple[Array, Array]:
    """How component tolerances and a source's emf move the open volts between two points.

    returns  spread (B,) [V], one standard deviation from Element.tolerances, first order, independent;
             shift (B,) [V/V], dV / d emf of the named source (zeros without one)
    The shared source's own emf tolerance takes no part in the spread: it is a latent of its own.
    source   adjoint network method: Director & Rohrer, IEEE Trans. Circuit Theory 16 (1969)
    """
    spread, shift = np.zeros(solution.size), np.zeros(solution.size)
    for part in solution.parts:
        point = point_of(part)
        layout = part.sheet.layout
        unit = point.adjoint(
            _node(part, solution, solution.row(plus)), _node(part, solution, solution.row(minus))
        )
        total = np.zeros(part.sheet.size)
        for number, name, tolerance in _tolerances(part):
            if layout.elements[number].id == source and name == "emf":
                continue
            # dV / d ln p = - (adjoint volts) x (d i / d ln p at fixed volts)
            change = unit[number] * _moved(point, number, name)
            total += (tolerance * change) ** 2
        spread[part.sheet.columns] = np.sqrt(total)
        if source is not None:
            number = layout.element_of[source]
            shift[part.sheet.columns] = point.g[number] * unit[number]
    return spread, shift


def resistance_spread(solution: Solution, plus: str, minus: str) -> tuple[Array, Array]:
    """Thevenin resistance (B,) [ohm] and the standard deviation of its logarithm (B,) from tolerances."""
    ohms, spread = np.zeros(solution.size), np.zeros(solution.size)
    for part in solution.parts:
        point = point_of(part)
        a, b = (_node(part, solution, solution.row(k)) for k in (plus, minus))
        unit = point.adjoint(a, b)
        here = point.resistance(a, b)
        total = np.zeros(part.sheet.size)
        for number, name, tolerance in _tolerances(part):
            # d R / d ln R_e = g (adjoint volts)^2; a filament's ohms go down with its watts
            share = point.g[number] * unit[number] ** 2
            weight = {"resistance": 1.0, "rated_watts": 1.0, "cold_ratio": 1.0, "rated_volts": 2.0}.get(
                name, 0.0
            )
            total += (tolerance * weight * share) ** 2
        ohms[part.sheet.columns] = here
        spread[part.sheet.columns] = np.sqrt(total) / np.maximum(here, 1e-12)
    return ohms, spread


def floating_nodes(part: Part) -> Array:
    """(n + 1, B) nodes without a path to ground through anything better than leakage, by node."""
    if "floating" not in part.kept:
        part.kept["floating"] = _floating(point_of(part))
    return part.kept["floating"]


def _floating(point: Point) -> Array:
    # the same elimination in yes and no: g > 0 becomes "joined"
    work, size = point.work, point.part.sheet.size
    edges = np.zeros((work.plan.n_slots, size), dtype=bool)
    grounded = np.zeros((work.layout.ground, size), dtype=bool)
    through = point.inside & ((point.g > PATH_SIEMENS) | (np.abs(point.current) > PATH_SIEMENS))
    for stamps, rows in point.stamps:
        for s in stamps:
            piece = slice(s.start, s.stop)
            row = edges[s.slot] if s.slot >= 0 else grounded[max(s.plus, s.minus)]
            row[piece] |= through[rows[s.row], piece]
    blocks = [b for stage in work.plan.stages for b in stage]
    for block in blocks:
        mine = edges[block.slot : block.slot + block.degree * block.count]
        mine = mine.reshape(block.degree, block.count, size)
        for q, i, j in block.scatter:
            grounded[j] |= mine[q, i] & grounded[block.first + i]
        for q, r, places in block.pairs:
            for i, slot in places:
                edges[slot] |= mine[q, i] & mine[r, i]
    reached = np.zeros((work.layout.ground + 1, size), dtype=bool)
    reached[-1] = True
    for block in reversed(blocks):
        a, b = block.first, block.first + block.count
        reached[a:b] = grounded[a:b]
        for q in range(block.degree):
            s = block.slot + q * block.count
            reached[a:b] |= edges[s : s + block.count] & reached[block.neighbours[q]]
    return ~reached[work.position]


def worst_residual(part: Part) -> Array:
    """(B,) worst sum of currents at a node, leakage included. [A]"""
    point = point_of(part)
    work = point.work
    ordered = np.empty_like(part.settled.volts)
    ordered[work.position] = part.settled.volts
    total = point.leaks * ordered[:-1]
    for stamps, rows in point.stamps:
        for s in stamps:
            piece = slice(s.start, s.stop)
            amps = point.current[rows[s.row], piece]
            if s.plus >= 0:
                total[s.plus, piece] += amps
            if s.minus >= 0:
                total[s.minus, piece] -= amps
    return np.abs(total).max(axis=0, initial=0.0)


def _node(part: Part, solution: Solution, row: int) -> int:
    """Node number within a part's layout (ground moves behind spare nodes)."""
    return part.sheet.layout.ground if row == solution.compiled.layout.ground else row


def _tolerances(part: Part) -> list[tuple[int, str, float]]:
    return [
        (number, name, tolerance)
        for number, element in enumerate(part.sheet.layout.elements)
        for name, tolerance in element.tolerances.items()
        if tolerance
    ]


def _moved(point: Point, number: int, name: str) -> Array:
    """(B,) minus the change of an element's current per relative change of one value, at fixed volts. [A]"""
    element = point.part.sheet.layout.elements[number]
    amps, g, across = point.current[number], point.g[number], point.across[number]
    if name == "resistance":
        if element.law == "generator":
            return np.where(point.part.settled.states[point.work.layout.driver[number]] == 1, amps, 0.0)
        return amps
    if name in ("emf", "back_emf", "regulated_volts"):
        # J = g emf wherever it acts, and i = g v - J
        return g * across - amps
    if element.law == "lamp":
        # I = W / V0 (v / V0)^0.55 when hot; cold it is c W v / V0^2
        hot = g * across < 0.9 * amps * np.sign(amps) * np.sign(amps)
        hot = np.abs(g * across) < 0.9 * np.abs(amps)
        if name == "rated_watts":
            return -amps
        if name == "rated_volts":
            return np.where(hot, 1.55, 2.0) * amps
        return np.where(hot, 0.0, -amps)
    if element.law == "diode":
        return -amps if name == "saturation_current" else g * across
    if element.law == "electronic":
        return -amps if name == "rated_watts" else np.zeros_like(amps)
    if element.law == "generator" and name == "max_current":
        return np.where(point.part.settled.states[point.work.layout.driver[number]] == 2, -amps, 0.0)
    return np.zeros_like(amps)
