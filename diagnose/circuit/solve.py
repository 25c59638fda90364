"""Solve many cases of one netlist at once: the door to this package.

Second arrow of the flow. Knows circuits only. Everything is an array whose last axis is the case.

    compiled = compile_netlist(netlist)                  # once a netlist; keeps its plans
    solution = settle_cases(compiled, cases)             # relays, fuses, outputs ... until nothing changes
    solution = settle_cases(compiled, cases, start=Start(healthy, columns))   # begin at another's volts
    solution = solve_cases(compiled, cases)              # device states held as the cases give them
    solution = settle_one(netlist, case)                 # one case; raises DidNotConverge

Small-signal views of a solution are in thevenin.py, instruments in instruments.py, decks in spice.py.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnose.circuit.edits import read_cases
from diagnose.circuit.layout import BENT_LAWS, Compiled, Layout, compile_netlist
from diagnose.circuit.netlist import Case, Netlist
from diagnose.circuit.point import Part, element_view, floating_nodes, sub_part, worst_residual
from diagnose.circuit.settle import ROUNDS, Path, settle
from diagnose.errors import CircuitError, DidNotConverge, unknown

__all__ = ["Part", "Solution", "Start", "compile_netlist", "settle_cases", "settle_one", "solve_cases"]

Array = np.ndarray[Any, Any]


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Solved cases. The last axis of every array is the case, in the order they were given.

    nodes      names, ground last; volts (n_nodes, B) [V] against ground, ground's own row zero
    devices    names; states (n_devices, B) int8, as in netlist.Device
    converged  (B,) False: no operating point was found, the volts mean nothing
    restless   (B,) True: a loop that never rests; volts and states are those of its last phase
    """

    compiled: Compiled
    cases: tuple[Case, ...]
    nodes: tuple[str, ...]
    volts: Array
    devices: tuple[str, ...]
    states: Array
    converged: Array
    restless: Array
    parts: tuple[Part, ...]

    @property
    def size(self) -> int:
        return self.volts.shape[1]

    def at(self, node: str) -> Array:
        """(B,) volts of a node against ground. Raises CircuitError for an unknown node."""
        return self.volts[self.row(node)]

    def row(self, node: str) -> int:
        """Row of a node in volts. Raises CircuitError for an unknown node."""
        number = self.compiled.layout.node_of.get(node)
        if number is None:
            raise CircuitError(f"volts: {unknown('node', node, self.nodes)}")
        return number

    def between(self, plus: str, minus: str) -> Array:
        """(B,) volts of one node against another, no meter in circuit."""
        return self.at(plus) - self.at(minus)

    def across(self, element: str) -> Array:
        """(B,) volts of an element, plus against minus, its ends as edits left them. [V]"""
        return self._gather(element, 0)

    def current(self, element: str) -> Array:
        """(B,) current through an element from plus to minus; 0 where it is out of circuit. [A]"""
        return self._gather(element, 1)

    def power(self, element: str) -> Array:
        """(B,) power an element takes up; negative where it delivers. [W]"""
        return self.across(element) * self.current(element)

    def state(self, device: str) -> Array:
        """(B,) state of a device. Raises CircuitError for an unknown device."""
        if device not in self.compiled.layout.device_of:
            raise CircuitError(f"state: {unknown('device', device, self.devices)}")
        return self.states[self.compiled.layout.device_of[device]]

    def states_of(self, column: int) -> tuple[tuple[str, int], ...]:
        """All device states of one case, as Case.states takes them."""
        return tuple(zip(self.devices, self.states[:, column].tolist(), strict=True))

    def lasting(self, column: int) -> tuple[tuple[str, int], ...]:
        """What stays when the condition goes: fuses opened, outputs latched off; for Case.states."""
        kept = {"fuse": 1, "output": 2}
        return tuple(
            (device.id, int(state))
            for device, state in zip(self.compiled.netlist.devices, self.states[:, column], strict=True)
            if kept.get(device.law) == state
        )

    def opened(self, column: int) -> tuple[str, ...]:
        """Fuse devices that have opened in this case."""
        return self._in_state(column, "fuse", 1)

    def latched(self, column: int) -> tuple[str, ...]:
        """Output devices that have latched off in this case."""
        return self._in_state(column, "output", 2)

    def phases(self, column: int) -> Array:
        """Volts (n_phases, n_nodes) of a loop that never rests; of any other case its one row of volts."""
        part, here = self.part_at(column)
        if here in part.settled.phases:
            return part.settled.phases[here][:, _own_nodes(part.sheet.layout)]
        return self.volts[:, column][None]

    def turns_between(self, plus: str, minus: str) -> Iterator[tuple[int, Array]]:
        """(case, (n_phases,) volts of one node against another) of every case that never rests. [V]"""
        rows = self.row(plus), self.row(minus)
        for part in self.parts:
            ground = part.sheet.layout.ground  # behind the spare nodes there
            a, b = (ground if row == self.compiled.layout.ground else row for row in rows)
            for here, turns in part.settled.phases.items():
                yield int(part.sheet.columns[here]), turns[:, a] - turns[:, b]

    def part_at(self, column: int) -> tuple[Part, int]:
        """The part that holds a case, and its column there. Raises CircuitError if there is no such case."""
        for part in self.parts:
            here = np.flatnonzero(part.sheet.columns == column)
            if len(here):
                return part, int(here[0])
        raise CircuitError(f"case {column} is not in this solution; expected 0 to {self.size - 1}")

    @property
    def floating(self) -> Array:
        """(n_nodes, B) True: no path to ground but leakage, so that a meter shows nothing of worth."""
        out = np.zeros(self.volts.shape, dtype=bool)
        for part in self.parts:
            out[:, part.sheet.columns] = floating_nodes(part)[_own_nodes(part.sheet.layout)]
        return out

    def take(self, columns: Array) -> Solution:
        """These cases, in rising order, as a solution of their own, as if they had been solved alone."""
        numbers = np.full(self.size, -1)
        numbers[columns] = np.arange(len(columns))
        parts = [p for p in (sub_part(part, numbers) for part in self.parts) if p is not None]
        return Solution(
            self.compiled,
            tuple(self.cases[int(i)] for i in columns),
            self.nodes,
            self.volts[:, columns],
            self.devices,
            self.states[:, columns],
            self.converged[columns],
            self.restless[columns],
            tuple(parts),
        )

    def replaced(self, columns: Array, other: Solution) -> Solution:
        """The same with other's cases, in their order, in place of those at columns (rising)."""
        numbers = np.arange(self.size)
        numbers[columns] = -1
        parts = [sub_part(part, numbers) for part in self.parts]
        parts += [sub_part(part, np.asarray(columns)) for part in other.parts]
        cases = list(self.cases)
        for i, case in zip(columns, other.cases, strict=True):
            cases[int(i)] = case

        def put(mine: Array, its: Array) -> Array:
            out = mine.copy()
            out[..., columns] = its
            return out

        return Solution(
            self.compiled,
            tuple(cases),
            self.nodes,
            put(self.volts, other.volts),
            self.devices,
            put(self.states, other.states),
            put(self.converged, other.converged),
            put(self.restless, other.restless),
            tuple(p for p in parts if p is not None),
        )

    def residual(self) -> Array:
        """(B,) worst sum of currents at any node, which should be zero. [A]"""
        out = np.zeros(self.size)
        for part in self.parts:
            out[part.sheet.columns] = worst_residual(part)
        return out

    def _in_state(self, column: int, law: str, state: int) -> tuple[str, ...]:
        return tuple(
            d.id
            for d, s in zip(self.compiled.netlist.devices, self.states[:, column], strict=True)
            if d.law == law and s == state
        )

    def _gather(self, element: str, which: int) -> Array:
        out = np.zeros(self.size)
        known = False
        for part in self.parts:
            view = element_view(part, element)
            if view is not None:
                out[part.sheet.columns] = view[which]
                known = True
        if not known:
            raise CircuitError(f"current: {unknown('element', element, self.compiled.layout.element_of)}")
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """Where to begin: case b goes the way of column columns[b] of another solution of this netlist.

    It changes how fast a case is solved, never what comes out within the solver's tolerance.
    """

    solution: Solution
    columns: Array


def settle_cases(compiled: Compiled, cases: Sequence[Case], start: Start | None = None) -> Solution:
    """Solve every case and let its devices settle from their start states.

    start    optional volts to begin from (healthy circuit in the same condition)
    returns  Solution; cases without an operating point are flagged, not raised
    raises   CircuitError for an edit or start state of something that is not there
    """
    return _solve(compiled, cases, start, ROUNDS)


def solve_cases(compiled: Compiled, cases: Sequence[Case], start: Start | None = None) -> Solution:
    """Solve every case with its device states held as given (missing = 0). Else as settle_cases."""
    return _solve(compiled, cases, start, 0)


def settle_one(netlist: Netlist | Compiled, case: Case = Case()) -> Solution:  # noqa: B008 (frozen value)
    """Settle a single case. Raises DidNotConverge when no operating point is found."""
    compiled = netlist if isinstance(netlist, Compiled) else compile_netlist(netlist)
    solution = settle_cases(compiled, [case])
    if not solution.converged[0]:
        raise DidNotConverge(int(solution.parts[0].settled.rounds[0]), float(solution.residual()[0]))
    return solution


def _solve(compiled: Compiled, cases: Sequence[Case], start: Start | None, rounds: int) -> Solution:
    layout = compiled.layout
    size = len(cases)
    if start is not None:
        if start.solution.compiled.layout.nodes != layout.nodes:
            raise CircuitError("start: it is a solution of another netlist; expected one of this netlist")
        if len(start.columns) != size:
            raise CircuitError(f"start: {len(start.columns)} columns for {size} cases; expected one a case")
    volts = np.zeros((len(layout.nodes), size))
    states = np.zeros((len(layout.devices), size), dtype=np.int8)
    converged, restless = np.zeros(size, dtype=bool), np.zeros(size, dtype=bool)
    parts = []
    path = None if start is None else _path(start.solution)
    for sheet in read_cases(compiled, cases):
        columns = sheet.columns
        begin = None
        if start is not None and path is not None:
            begin = _with_spares(path, sheet.layout, layout), np.asarray(start.columns)[columns]
        settled = settle(sheet, rounds, begin)
        volts[:, columns] = settled.volts[_own_nodes(sheet.layout)]
        states[:, columns] = settled.states
        converged[columns], restless[columns] = settled.converged, settled.restless
        parts.append(Part(sheet, settled))
    return Solution(
        compiled,
        tuple(cases),
        layout.nodes,
        volts,
        tuple(d.id for d in layout.devices),
        states,
        converged,
        restless,
        tuple(parts),
    )


def _own_nodes(layout: Layout) -> Array:
    """Rows of the netlist's own nodes and ground, spares left out."""
    return np.append(np.arange(layout.first_spare_node), layout.ground)


def _path(solution: Solution) -> Path:
    """The rounds of a solution as arrays over its columns, netlist's own nonlinear elements only."""
    n_rounds = max((len(part.settled.path) for part in solution.parts), default=0)
    n_bent = sum(len(solution.compiled.layout.by_law[name]) for name in BENT_LAWS)
    keys = np.full((n_rounds, solution.size), -1, dtype=np.int64)
    across = np.zeros((n_rounds, n_bent, solution.size))
    for part in solution.parts:
        own = _own_bent(part.sheet.layout, solution.compiled.layout)
        for number, (columns, its_keys, its_across) in enumerate(part.settled.path):
            keys[number, part.sheet.columns[columns]] = its_keys
            across[number][:, part.sheet.columns[columns]] = its_across[own]
    return Path(keys, across)


def _own_bent(layout: Layout, own: Layout) -> Array:
    """Rows of the netlist's own nonlinear elements among those of a layout with spares."""
    lamps, all_lamps, diodes = len(own.by_law["lamp"]), len(layout.by_law["lamp"]), len(own.by_law["diode"])
    return np.concatenate([np.arange(lamps), all_lamps + np.arange(diodes)])


def _with_spares(path: Path, layout: Layout, own: Layout) -> Path:
    """The path with rows of zeros for spare elements."""
    if layout is own:
        return path
    n_bent = sum(len(layout.by_law[name]) for name in BENT_LAWS)
    across = np.zeros((len(path.across), n_bent, path.across.shape[2]))
    across[:, _own_bent(layout, own)] = path.across
    return Path(path.keys, across)
