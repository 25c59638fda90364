"""The operating point of solved cases: every element as a conductance, one elimination for all pairs.

At a solved point an injected unit current gives the Thevenin resistance from the forward half of the
elimination alone,

    R = sum over pivots k of y_k^2 / S_k        y: the injected currents as elimination passes them on,

a sum of positive terms; and the back half gives the adjoint volts that every sensitivity needs.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from diagnose.circuit.edits import Sheet
from diagnose.circuit.elements import FILAMENT_EXPONENT
from diagnose.circuit.eliminate import eliminate, forward, substitute
from diagnose.circuit.netlist import LEAK_OHMS
from diagnose.circuit.newton import Work
from diagnose.circuit.settle import Settled
from diagnose.circuit.stamps import count_branches, stamp_elements

Array = np.ndarray[Any, Any]

# Conductance below which a branch is no path: what leaks through it is less than through LEAK_OHMS.
PATH_SIEMENS = 1.0 / LEAK_OHMS


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Cases solved together, in their own order, with the state they settled in.

    sheet    what was solved; columns of the batch in sheet.columns
    settled  volts by node of sheet.layout (n + 1, B), states (n_devices, B)
    kept     the operating point, made when first asked for
    """

    sheet: Sheet
    settled: Settled
    kept: dict[str, Any] = field(default_factory=dict)


def sub_part(part: Part, numbers: Array) -> Part | None:
    """The cases of a part that get a new number in the batch; None without any.

    numbers  (size of the batch,) new number of each case, -1 leaves it out
    """
    sheet, settled = part.sheet, part.settled
    renumbered = numbers[sheet.columns]
    keep = np.flatnonzero(renumbered >= 0)
    if not len(keep):
        return None
    if len(keep) == sheet.size and np.array_equal(renumbered, sheet.columns):
        return part
    place = np.full(sheet.size, -1)
    place[keep] = np.arange(len(keep))
    path = []
    for at, keys, across in settled.path:
        here = place[at] >= 0
        path.append((place[at[here]], keys[here], np.ascontiguousarray(across[:, here])))
    return Part(
        sheet.only(keep, renumbered[keep]),
        Settled(
            np.ascontiguousarray(settled.volts[:, keep]),
            np.ascontiguousarray(settled.states[:, keep]),
            settled.converged[keep],
            settled.restless[keep],
            settled.rounds[keep],
            {int(place[k]): v for k, v in settled.phases.items() if place[k] >= 0},
            tuple(path),
        ),
    )


class Point:
    """The operating point of a part: every element's conductance and current, and the factors.

    g, current, across  (n_elements, B): small-signal conductance [S], amperes plus to minus, volts
    """

    def __init__(self, part: Part):
        self.part = part
        self.work = work = Work(part.sheet, only_values=True)
        layout = work.layout
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

    @cached_property
    def values(self) -> Array:
        """(n_rows, B) every value of every case, as in Sheet.values."""
        return self.part.sheet.values()

    @cached_property
    def factors(self) -> tuple[Array, Array]:
        """shares and inverse of the elimination (rows in plan order), worked out when first asked for."""
        work, size = self.work, self.part.sheet.size
        edges = np.zeros((work.plan.n_slots, size))
        grounded = np.zeros((work.layout.ground, 2, size))
        grounded[:, 0] = self.leaks
        for stamps, rows in self.stamps:
            stamp_elements(stamps, self.g[rows], edges, grounded)
        shares, inverse = np.empty_like(edges), np.empty((work.layout.ground, size))
        for blocks in work.plan.stages:
            eliminate(blocks, edges, grounded, shares, inverse, work.scratch)
        return shares, inverse

    @cached_property
    def leaks(self) -> Array:
        """(n, B) what leaks from every node to ground. [S]"""
        work = self.work
        degree = np.zeros((work.layout.ground, self.part.sheet.size), dtype=np.int8)
        for stamps, rows in self.stamps:
            count_branches(stamps, self.inside[rows], degree)
        return (degree != 2) / LEAK_OHMS

    def inject(self, plus: int, minus: int) -> dict[int, Array]:
        """Position -> (B,) of a unit current, in at node plus, out at minus, as elimination passes it on."""
        work = self.work
        currents: dict[int, Array] = {}
        for node, sign in ((plus, 1.0), (minus, -1.0)):
            if node != work.layout.ground and plus != minus:
                currents[int(work.position[node])] = np.full(self.part.sheet.size, sign)
        shares, _ = self.factors
        for blocks in work.plan.stages:
            forward(blocks, currents, shares)
        return currents

    def resistance(self, plus: int, minus: int) -> Array:
        """(B,) Thevenin resistance between two nodes. [ohm]

        A ring cut off from everything has no chain end to leak from: it hangs on one leak as a deck's does.
        """
        total = np.zeros(self.part.sheet.size)
        _, inverse = self.factors
        for position, passed in self.inject(plus, minus).items():
            passed = passed * passed
            passed *= np.where(inverse[position] > 0.0, inverse[position], LEAK_OHMS)
            total += passed
        return total

    def adjoint(self, plus: int, minus: int) -> Array:
        """(n_elements, B) volts across every element for a unit current into plus, out of minus. [ohm]"""
        work = self.work
        passed = np.zeros((work.layout.ground, self.part.sheet.size))
        for position, amps in self.inject(plus, minus).items():
            passed[position] = amps
        volts = np.zeros((work.layout.ground + 1, self.part.sheet.size))
        for blocks in reversed(work.plan.stages):
            substitute(blocks, passed, *self.factors, volts, work.scratch)
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
            piece = s.piece
            row = edges[s.slot] if s.slot >= 0 else grounded[max(s.plus, s.minus)]
            row[piece] |= through[rows[s.row], piece]
    blocks = [b for stage in work.plan.stages for b in stage]
    for block in blocks:
        mine = edges[block.slot : block.slot + block.degree * block.count]
        mine = mine.reshape(block.degree, block.count, size)
        for q in range(block.degree):
            for i, j in enumerate(block.neighbours[q].tolist()):
                grounded[j] |= mine[q, i] & grounded[block.first + i]
        for q, r, slots in block.pairs:
            for i, slot in enumerate(slots):
                edges[slot] |= mine[q, i] & mine[r, i]
    reached = np.zeros((work.layout.ground + 1, size), dtype=bool)
    reached[-1] = True
    for block in reversed(blocks):
        a, b = block.first, block.first + block.count
        reached[a:b] = grounded[a:b]
        for q in range(block.degree):
            slot = block.slot + q * block.count
            reached[a:b] |= edges[slot : slot + block.count] & reached[block.neighbours[q]]
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
            piece = s.piece
            amps = point.current[rows[s.row], piece]
            if s.plus >= 0:
                total[s.plus, piece] += amps
            if s.minus >= 0:
                total[s.minus, piece] -= amps
    return np.abs(total).max(axis=0, initial=0.0)


def tolerance_pieces(part: Part) -> tuple[list[tuple[str, str]], Array, Array]:
    """What one standard deviation of every toleranced value would inject across its element.

    returns  (element, value) names; element numbers (n_tolerances,); amperes (n_tolerances, B):
             minus the change of the element's current at fixed volts, so that the adjoint volts
             of a pair times these amperes are the change of that pair's open volts
    """
    if "tolerances" not in part.kept:
        point = point_of(part)
        known = [
            (number, name, tolerance)
            for number, element in enumerate(part.sheet.layout.elements)
            for name, tolerance in element.tolerances.items()
            if tolerance
        ]
        amps = np.empty((len(known), part.sheet.size))
        for i, (number, name, tolerance) in enumerate(known):
            amps[i] = tolerance * _moved(point, number, name)
        names = [(part.sheet.layout.elements[number].id, name) for number, name, _ in known]
        part.kept["tolerances"] = names, np.array([k[0] for k in known], dtype=np.intp), amps
    return part.kept["tolerances"]


def _moved(point: Point, number: int, name: str) -> Array:
    """(B,) minus the change of an element's current per relative change of one value, at fixed volts. [A]"""
    element = point.part.sheet.layout.elements[number]
    amps, g, across = point.current[number], point.g[number], point.across[number]
    driver = point.work.layout.driver[number]
    state = point.part.settled.states[driver] if driver >= 0 else np.ones(len(amps))
    # i = v / R, or (v - emf) / R = g v - J
    if name == "resistance":
        return np.where(state == 2, 0.0, amps) if element.law == "generator" else amps
    if name in ("emf", "back_emf"):
        return g * across - amps
    if name == "regulated_volts":
        return np.where(state == 1, g * across - amps, 0.0)
    if name == "max_current":
        return np.where(state == 2, -amps, 0.0)
    if element.law == "lamp":
        # i = W / V0 (v / V0)^0.55 while hot; c W v / V0^2 while cold
        hot = np.abs(g * across) < 0.9 * np.abs(amps)
        return {
            "rated_watts": -amps,
            "rated_volts": np.where(hot, 1.0 + FILAMENT_EXPONENT, 2.0) * amps,
            "cold_ratio": np.where(hot, 0.0, -amps),
        }[name]
    if element.law == "diode":
        # i = IS (exp(v / (N Vt)) - 1)
        return -amps if name == "saturation_current" else g * across
    if element.law == "electronic" and name == "rated_watts":
        # i = W v / V_band^2 while awake
        return np.where(state > 0, -amps, 0.0)
    return np.zeros_like(amps)
