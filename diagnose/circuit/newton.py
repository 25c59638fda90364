"""One sheet of cases at work: stamp the elements, eliminate, and let the nonlinear ones settle.

What only edits change is stamped and eliminated once (stage 1); what devices change once a round
(stage 2); lamps and junctions once an iteration of Newton's method (stage 3).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from diagnose.circuit import elements as law
from diagnose.circuit.edits import Patch, Sheet
from diagnose.circuit.eliminate import eliminate, scratch_here, substitute
from diagnose.circuit.layout import Layout
from diagnose.circuit.netlist import DEVICE_VALUES, JOINT_OHMS, LEAK_OHMS, OPEN_OHMS
from diagnose.circuit.stamps import (
    count_branches,
    inject_current,
    place_stamps,
    squeeze_stamps,
    stamp_elements,
)

Array = np.ndarray[Any, Any]

# Newton's method stops when no nonlinear branch moves by more than this: relative, and in volts.
# Quadratic convergence leaves the currents then far below the residual limits.
STEP_RELATIVE = 1e-6
STEP_VOLTS = 1e-6
# Current by which an element's law and its linear piece may still differ: amperes, and relative.
RESIDUAL_AMPERES = 1e-7
RESIDUAL_RELATIVE = 1e-6
ITERATIONS = 60
# From this iteration on, every second step is halved: breaks a hop to and fro between two pieces.
HALVE_AFTER = 16


# Arrays of Work that have a column a case.
CASE_ARRAYS = (
    *("columns", "present", "forced", "fixed_g", "source_j", "bent_present"),
    *("shares", "inverse", "edges1", "grounded1", "degree", "present_driven", "driven_g", "cold_ratio"),
)
# Laws with a resistance of their own; values that are asked for in every round.
RESISTIVE = ("resistor", "contact", "fuse", "source", "motor", "generator")
SETTLING = (
    *(("fuse", "rating"), ("electronic", "rated_watts"), ("electronic", "cut_off_volts")),
    *(("motor", "back_emf"), ("generator", "regulated_volts"), ("generator", "max_current")),
    ("generator", "resistance"),
)


class Work:
    """Arrays of one sheet. The last axis is the case; keep() drops cases from every array.

    order of rows: nodes by position in the plan, ground last
    """

    def __init__(self, sheet: Sheet, only_values: bool = False):
        """only_values: leave stage 1 alone (for an operating point, which stamps everything itself)."""
        self.scratch = scratch_here()
        self.sheet, self.layout, self.plan = sheet, sheet.layout, sheet.plan
        layout = self.layout
        self.columns = np.arange(sheet.size)
        self.patches: tuple[Patch, ...] = sheet.patches
        self.position = np.append(self.plan.position, layout.ground)
        driven = layout.driver >= 0
        self.fixed = _of(layout, driven, ("resistor", "contact", "fuse", "source"), False)
        self.switched = _of(layout, driven, ("contact", "fuse"), True)
        self.units, self.motors, self.generators = (
            layout.by_law[name] for name in ("electronic", "motor", "generator")
        )
        self.driven = np.concatenate([self.switched, self.units, self.motors, self.generators])
        self.bent = np.concatenate([layout.by_law["lamp"], layout.by_law["diode"]])
        self.n_lamps = len(layout.by_law["lamp"])
        # element -> row among the fixed ones, or -1; row among the switched ones -> row among the fuses
        self.fixed_row = np.full(len(layout.elements), -1, dtype=np.intp)
        self.fixed_row[self.fixed] = np.arange(len(self.fixed))
        fuse_row = {int(e): i for i, e in enumerate(layout.by_law["fuse"])}
        self.fuse_rows = [fuse_row.get(int(e), -1) for e in self.switched]
        self.ends = np.stack([self.position[layout.plus], self.position[layout.minus]])
        self._load(sheet.values())
        self._place_stamps()
        self.present_driven = self.present[self.driven]
        self.driven_g = np.where(self.present_driven, self.conductance[self.driven], 0.0)
        if not only_values:
            self._start()

    # ---- values --------------------------------------------------------------------------------

    def _load(self, table: Array) -> None:
        layout = self.layout
        n = len(layout.elements)
        forced = table[layout.force_rows]
        self.present = (table[layout.open_rows] == 0.0) & (forced != 0.0)
        self.forced = forced[self.switched]
        self.table = {key: table[layout.rows[key]] for key in SETTLING}
        self.device_values = {
            (d, name): table[layout.row_of[device.id, name]]
            for d, device in enumerate(layout.devices)
            for name in DEVICE_VALUES[device.law]
        }
        resistive = np.concatenate([layout.by_law[name] for name in RESISTIVE])
        rows = np.concatenate([layout.rows[name, "resistance"] for name in RESISTIVE])
        ohms = table[rows]
        # left out: opens. Contact at rest: its own `closed`, unless something drives or forces it.
        self.present[resistive] &= ~(ohms >= OPEN_OHMS)
        contacts = layout.by_law["contact"]
        resting = layout.driver[contacts] < 0
        closed = table[layout.rows["contact", "closed"][resting]] != 0.0
        self.present[contacts[resting]] &= closed | (forced[contacts[resting]] == 1.0)
        self.conductance = np.full((n, table.shape[1]), np.nan)
        self.conductance[resistive] = np.divide(1.0, np.maximum(ohms, JOINT_OHMS, out=ohms), out=ohms)

        self.fixed_g = np.where(self.present[self.fixed], self.conductance[self.fixed], 0.0)
        sources = layout.by_law["source"]
        emf = table[layout.rows["source", "emf"]]
        self.source_j = np.where(self.present[sources], self.conductance[sources], 0.0) * emf

        watts, volts, self.cold_ratio = (
            table[layout.rows["lamp", name]] for name in ("rated_watts", "rated_volts", "cold_ratio")
        )
        self.lamp = law.filament_constants(watts, volts, self.cold_ratio)
        slope_volts = table[layout.rows["diode", "emission"]] * law.THERMAL_VOLTS
        saturation = table[layout.rows["diode", "saturation_current"]]
        self.diode = (saturation, slope_volts, law.critical_volts(saturation, slope_volts))
        self.bent_present = self.present[self.bent]

    # ---- where elements go ---------------------------------------------------------------------

    def _place_stamps(self) -> None:
        self.stamps_fixed, self.stamps_driven, self.stamps_bent = (
            place_stamps(self.layout, self.plan, self.patches, len(self.columns), numbers)
            for numbers in (self.fixed, self.driven, self.bent)
        )

    def branch_volts(self, numbers: Array, volts: Array) -> Array:
        """(len(numbers), B) volts of elements, plus against minus, ends as edits left them."""
        # nodes not solved yet are never an end of what is asked for
        across = volts[self.ends[0, numbers]]
        across -= volts[self.ends[1, numbers]]
        if self.patches:
            row_of = {int(e): i for i, e in enumerate(numbers)}
            for patch in self.patches:
                if (row := row_of.get(patch.element)) is not None:
                    piece = slice(patch.start, patch.stop)
                    p, m = self.position[patch.plus], self.position[patch.minus]
                    across[row, piece] = volts[p, piece] - volts[m, piece]
        return across

    def branch_current(self, number: int, volts: Array, states: Array) -> Array:
        """(B,) current of one element, plus to minus. [A]"""
        across = self.branch_volts(np.array([number]), volts)
        if (row := self.fixed_row[number]) >= 0:
            j = (
                self.source_j[list(self.layout.by_law["source"]).index(number)]
                if self.layout.elements[number].law == "source"
                else 0.0
            )
            return self.fixed_g[row] * across[0] - j
        if number in self.driven:
            g, offset, _ = self.driven_pieces(states)
            row = int(np.flatnonzero(self.driven == number)[0])
            return g[row] * across[0] - offset[row]
        every = np.zeros((len(self.bent), across.shape[1]))
        row = int(np.flatnonzero(self.bent == number)[0])
        every[row] = across[0]
        return self.bent_pieces(every)[0][row]

    # ---- stage 1 -------------------------------------------------------------------------------

    def _start(self) -> None:
        plan, size = self.plan, len(self.columns)
        n, slots = self.layout.ground, plan.n_slots
        self.shares = np.empty((slots, size))
        self.inverse = np.empty((n, size))
        self.edges1, self.grounded1 = np.zeros((slots, size)), np.zeros((n, 2, size))
        stamp_elements(self.stamps_fixed, self.fixed_g, self.edges1, self.grounded1)
        sources = {int(e): i for i, e in enumerate(self.layout.by_law["source"])}
        for stamp in self.stamps_fixed:
            row = sources.get(int(self.fixed[stamp.row]))
            if row is not None:
                inject_current(stamp, self.source_j[row], self.grounded1)
        # branches in circuit at every node, without those that devices switch
        self.degree = np.zeros((n, size), dtype=np.int8)
        count_branches(self.stamps_fixed, self.present[self.fixed], self.degree)
        count_branches(self.stamps_bent, self.bent_present, self.degree)
        steady = np.concatenate([self.units, self.motors])
        first = len(self.switched)
        steady_stamps = tuple(s for s in self.stamps_driven if first <= s.row < first + len(steady))
        count_branches(steady_stamps, self.present[self.driven], self.degree)
        self.stamps_switched = tuple(
            s for s in self.stamps_driven if not first <= s.row < first + len(steady)
        )
        touched = {k for s in self.stamps_switched for k in (s.plus, s.minus) if k >= 0}
        self.leaky = np.array(sorted(touched), dtype=np.intp)
        settled = np.array([k for k in range(n) if k not in touched], dtype=np.intp)
        self.grounded1[settled, 0] += (self.degree[settled] != 2) / LEAK_OHMS
        eliminate(plan.stages[0], self.edges1, self.grounded1, self.shares, self.inverse, self.scratch)

    # ---- stage 2 -------------------------------------------------------------------------------

    def driven_pieces(self, states: Array) -> tuple[Array, Array, Array]:
        """Conductance, current J and in-circuit mask of every driven element in these device states."""
        layout = self.layout
        g = np.where(self.present_driven, self.driven_g, 0.0)
        j = np.zeros_like(g)
        a = len(self.switched)
        of = states[layout.driver[self.driven]]
        closed = of[:a] == layout.closes_at[self.switched][:, None]
        closed = np.where(self.forced >= 0.0, self.forced == 1.0, closed)
        g[:a] *= closed
        inside = self.present_driven.copy()
        inside[:a] &= closed
        b = a + len(self.units)
        g[a:b] = inside[a:b] * law.unit_conductance(
            of[a:b], self.table["electronic", "rated_watts"], self.table["electronic", "cut_off_volts"]
        )
        c = b + len(self.motors)
        j[b:c] = g[b:c] * (of[b:c] == 1) * self.table["motor", "back_emf"]
        regulating, limited = of[c:] == 1, of[c:] == 2
        j[c:] = g[c:] * regulating * self.table["generator", "regulated_volts"]
        j[c:] += inside[c:] * limited * self.table["generator", "max_current"]
        g[c:] *= regulating
        inside[c:] &= regulating | limited
        return g, j, inside

    def settle_linear(self, states: Array) -> None:
        """Stamp what devices drive and eliminate stage 2."""
        plan = self.plan
        (p1, s1) = plan.bounds[1]
        self.edges2 = self.scratch.take("edges2", *self.edges1.shape)
        self.grounded2 = self.scratch.take("grounded2", *self.grounded1.shape)
        self.edges2[s1:] = self.edges1[s1:]
        self.grounded2[p1:] = self.grounded1[p1:]
        g, j, inside = self.driven_pieces(states)
        stamp_elements(self.stamps_driven, g, self.edges2, self.grounded2)
        first = len(self.switched) + len(self.units)
        for stamp in self.stamps_driven:
            if stamp.row >= first:
                inject_current(stamp, j[stamp.row], self.grounded2)
        if len(self.leaky):
            degree = self.degree.copy()
            count_branches(self.stamps_switched, inside, degree)
            self.grounded2[self.leaky, 0] += (degree[self.leaky] != 2) / LEAK_OHMS
        eliminate(plan.stages[1], self.edges2, self.grounded2, self.shares, self.inverse, self.scratch)

    # ---- stage 3 -------------------------------------------------------------------------------

    def bent_pieces(self, across: Array, rows: Array | slice = slice(None)) -> tuple[Array, Array]:
        """Current and slope of lamps, then diodes, at these branch volts."""
        k = self.n_lamps
        current, slope = np.empty_like(across), np.empty_like(across)
        if k:
            current[:k], slope[:k] = law.filament(across[:k], *(x[:, rows] for x in self.lamp))
        if k < len(across):
            current[k:], slope[k:] = law.junction(across[k:], *(x[:, rows] for x in self.diode[:2]))
        mask = self.bent_present[:, rows]
        return current * mask, slope * mask

    def newton(self, across: Array, fresh: Array) -> tuple[Array, Array, Array]:
        """Solve with the driven elements as stamped, from these branch volts of the nonlinear ones.

        fresh    (B,) True: the volts are no good guess; lamps that are off are first tried hot
        returns  volts (n + 1, B) of stages 2 and 3 (stage 1 not filled in), branch volts, converged (B,)
        """
        plan, size, take = self.plan, across.shape[1], self.scratch.take
        p2, s2 = plan.bounds[2]
        volts = np.zeros((self.layout.ground + 1, size))
        converged = np.zeros(size, dtype=bool)
        final = across.copy()
        active = np.arange(size)
        edges2, grounded2 = self.edges2[s2:], self.grounded2[p2:]
        stamps, patches = self.stamps_bent, self.patches
        whole = self.patches
        k = self.n_lamps
        for iteration in range(ITERATIONS):
            everyone = len(active) == size
            columns: Array | slice = slice(None) if everyone else active
            current, slope = self.bent_pieces(across, columns)
            tried = np.zeros(0, dtype=bool)
            if iteration == 0 and k and fresh.any():
                tried = fresh & (np.abs(across[:k]) < self.lamp[1]) & self.bent_present[:k]
                hot = self.lamp[2] / self.cold_ratio
                slope[:k] = np.where(tried, hot, slope[:k])
                current[:k] = np.where(tried, hot * across[:k], current[:k])
            offset = slope * across - current
            edges = take("edges", plan.n_slots, len(active))
            grounded = take("grounded", self.layout.ground, 2, len(active))
            edges[s2:], grounded[p2:] = edges2, grounded2
            stamp_elements(stamps, slope, edges, grounded)
            for stamp in stamps:
                inject_current(stamp, offset[stamp.row], grounded)
            shares = take("shares", plan.n_slots, len(active))
            inverse = take("inverse", self.layout.ground, len(active))
            eliminate(plan.stages[2], edges, grounded, shares, inverse, self.scratch)
            now = take("volts", self.layout.ground + 1, len(active))
            now[-1] = 0.0
            substitute(plan.stages[2], grounded[:, 1], shares, inverse, now, self.scratch)
            self.patches = patches
            new = self.branch_volts(self.bent, now)
            self.patches = whole
            off = self._still_off(across, new, columns) & self.bent_present[:, columns]
            if tried.size:
                off[:k] |= tried & (np.abs(new[:k]) > STEP_VOLTS)
            done = ~off.any(axis=0)
            if done.any():
                volts[p2:, active[done]] = now[p2:, done]
                final[:, active[done]] = new[:, done]
                converged[active[done]] = True
            if done.all():
                break
            if k:
                # a filament that would change sign is first tried cold: v^0.55 sends Newton to and fro
                new[:k][new[:k] * across[:k] < 0.0] = 0.0
            if k < len(across):
                slope_volts, critical = self.diode[1][:, columns], self.diode[2][:, columns]
                new[k:] = law.limited_volts(new[k:], across[k:], slope_volts, critical)
            if iteration >= HALVE_AFTER and iteration % 2:
                new = 0.5 * (new + across)
            keep = ~done
            if done.mean() > 0.25:
                across, active = new[:, keep], active[keep]
                edges2, grounded2 = edges2[:, keep], grounded2[:, :, keep]
                stamps, patches = squeeze_stamps(stamps, keep), _squeeze(patches, keep)
            else:
                across = new
        else:
            left = ~converged[active]
            volts[p2:, active[left]] = now[p2:, left]
            final[:, active[left]] = new[:, left]
        substitute(plan.stages[1], self.grounded2[:, 1], self.shares, self.inverse, volts, self.scratch)
        return volts, final, converged

    def _still_off(self, across: Array, new: Array, columns: Array | slice) -> Array:
        """Branches (n_bent, B) whose volts are still further from the solution than the limits allow.

        Newton's method squares the error: after a step d what is left is at most d^2 |I''| / (2 I'),
        which is 0.225 d^2 / v for a filament, nothing while it stays cold, and d^2 / (2 N Vt) for a
        junction; elsewhere in a passive network it is less.
        """
        k = self.n_lamps
        step = np.abs(new - across)
        size = np.abs(new)
        left = step * step
        low, high = np.minimum(size[:k], np.abs(across[:k])), np.maximum(size[:k], np.abs(across[:k]))
        cold = self.lamp[1][:, columns]
        left[:k] *= 0.5 * (1.0 - law.FILAMENT_EXPONENT) / np.maximum(low, cold)
        left[:k][high <= cold] = 0.0
        slope_volts = self.diode[1][:, columns]
        left[k:] /= 2.0 * slope_volts
        # the square law holds for small steps that do not cross a filament's kink
        near = np.concatenate(
            [((step[:k] < 0.05 * low) & (low > cold)) | (high <= cold), step[k:] < 0.2 * slope_volts]
        )
        return np.where(near, left, step) > STEP_VOLTS + STEP_RELATIVE * size

    def fill_in(self, volts: Array, columns: Array | slice = slice(None)) -> None:
        """Fill in the volts of stage 1, for these columns."""
        first = self.plan.bounds[1]
        substitute(
            self.plan.stages[0],
            self.grounded1[: first[0], 1][:, columns],
            self.shares[: first[1]][:, columns],
            self.inverse[: first[0]][:, columns],
            volts,
            self.scratch,
        )

    def keep(self, mask: Array) -> None:
        """Go on with the cases in mask only."""
        for name in CASE_ARRAYS:
            setattr(self, name, getattr(self, name)[..., mask])
        self.table = {k: v[:, mask] for k, v in self.table.items()}
        self.device_values = {k: v[mask] for k, v in self.device_values.items()}
        a, b, c = self.lamp
        self.lamp = a[:, mask], b[:, mask], c[:, mask]
        a, b, c = self.diode
        self.diode = a[:, mask], b[:, mask], c[:, mask]
        self.patches = _squeeze(self.patches, mask)
        for name in ("stamps_driven", "stamps_switched", "stamps_bent"):
            setattr(self, name, squeeze_stamps(getattr(self, name), mask))


def _of(layout: Layout, driven: Array, laws: tuple[str, ...], wanted: bool) -> Array:
    numbers = np.concatenate([layout.by_law[name] for name in laws])
    return np.sort(numbers[driven[numbers] == wanted])


def _squeeze(patches: tuple[Patch, ...], mask: Array) -> tuple[Patch, ...]:
    """Patches after dropping the columns outside the mask; empty ones vanish."""
    if not patches:
        return patches
    before = [0, *np.cumsum(mask).tolist()]
    return tuple(
        Patch(p.element, p.plus, p.minus, before[p.start], before[p.stop])
        for p in patches
        if before[p.start] < before[p.stop]
    )
