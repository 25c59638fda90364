"""Cases read into columns: which values they change, which ends they move, where devices start.

A case is edits in order. Edits that change values become entries of a sparse table; edits that
change the pattern (Add, Move, Reverse) become patches, and cases are grouped so that those with the
same patches stand side by side and the big rest keeps its tree.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any

import numpy as np

from diagnose.circuit.layout import Compiled, Layout, check_element, check_value, with_spares
from diagnose.circuit.netlist import Add, Case, Change, Edit, Force, Move, Open, Reverse
from diagnose.circuit.plan import Plan, plan_elimination
from diagnose.errors import CircuitError, unknown

# What a row operation costs beside its data: cases whose handling takes as long as the call itself.
CALL_COST_CASES = 600
KEPT_PLANS = 400  # of one loom, some 50 kB each; then all are worked out anew
# Cases worked on at a time, so that the work stays in the processor's cache.
CHUNK = 4096

Ends = tuple[int, int, int]  # element, plus node, minus node


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """In columns start..stop the element has these ends instead of its own."""

    element: int
    plus: int
    minus: int
    start: int
    stop: int


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """Cases worked on together: one plan, values as a sparse table.

    columns  (B,) their numbers in the batch
    entries  rows, columns (within the sheet) and values that differ from the layout's base
    states   (n_devices, B) device states to start from
    """

    layout: Layout
    plan: Plan
    patches: tuple[Patch, ...]
    columns: np.ndarray
    entries: tuple[np.ndarray, np.ndarray, np.ndarray]
    states: np.ndarray

    @property
    def size(self) -> int:
        return len(self.columns)

    def ends(self, element: int, column: int) -> tuple[int, int]:
        """Plus and minus node of an element in one of this sheet's cases."""
        for patch in self.patches:
            if patch.element == element and patch.start <= column < patch.stop:
                return patch.plus, patch.minus
        return int(self.layout.plus[element]), int(self.layout.minus[element])

    def values(self) -> np.ndarray:
        """(n_rows, B) every value of every case."""
        table = np.empty((len(self.layout.base), self.size))
        table[:] = self.layout.base[:, None]
        table[self.entries[0], self.entries[1]] = self.entries[2]
        return table

    def some_values(self, rows: np.ndarray) -> np.ndarray:
        """(len(rows), B) these rows of `values`."""
        table = np.repeat(self.layout.base[rows][:, None], self.size, axis=1)
        place = np.full(len(self.layout.base), -1)
        place[rows] = np.arange(len(rows))
        at = place[self.entries[0]]
        hit = at >= 0
        table[at[hit], self.entries[1][hit]] = self.entries[2][hit]
        return table

    def only(self, keep: np.ndarray, columns: np.ndarray) -> Sheet:
        """The cases at keep (rising), numbered as columns in their batch."""
        place = np.full(self.size, -1)
        place[keep] = np.arange(len(keep))
        spans = np.array([(p.start, p.stop) for p in self.patches], dtype=np.intp).reshape(-1, 2)
        now = np.searchsorted(keep, spans).tolist()  # all at once: a batch with a lamp has hundreds
        patches = [
            Patch(p.element, p.plus, p.minus, low, high)
            for p, (low, high) in zip(self.patches, now, strict=True)
            if high > low
        ]
        rows, at, values = self.entries
        mine = place[at] >= 0
        return Sheet(
            self.layout,
            self.plan,
            tuple(patches),
            columns,
            (rows[mine], place[at[mine]], values[mine]),
            np.ascontiguousarray(self.states[:, keep]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """A tuple of edits as read: rows and values it writes, and edits of the pattern or of extras."""

    rows: np.ndarray
    values: np.ndarray
    shaped: tuple[Edit, ...]


def read_cases(compiled: Compiled, cases: Sequence[Case]) -> list[Sheet]:
    """Sort cases into sheets. Raises CircuitError for an edit of something that is not there."""
    base = compiled.layout
    # conditions and faults repeat their edits: each tuple is read once, cases are then only looked up
    pairs = [(case.given, case.edits) for case in cases]
    tuples = {id(edits): edits for pair in pairs for edits in pair}
    pieces = _pieces(base, tuples.values())
    number_of = {key: i for i, key in enumerate(tuples)}
    used = np.array([number_of[id(edits)] for pair in pairs for edits in pair], dtype=np.intp)
    row_array, value_array, counts = _gathered([(p.rows, p.values) for p in pieces], used)
    column_array = np.repeat(np.arange(len(used)) // 2, counts)

    has_shape = np.array([bool(p.shaped) for p in pieces], dtype=bool)[used].reshape(-1, 2)
    shaped = np.flatnonzero(has_shape.any(axis=1))
    kinds, kind_of = np.unique(
        np.where(has_shape, used.reshape(-1, 2), -1)[shaped], axis=0, return_inverse=True
    )
    kind_of = kind_of.reshape(-1)
    layout, ends, extra = _shape(
        compiled, [[e for i in kind.tolist() if i >= 0 for e in pieces[i].shaped] for kind in kinds]
    )
    if len(shaped):
        rows, values, counts = _gathered(extra, kind_of)
        row_array = np.concatenate([row_array, rows])
        column_array = np.concatenate([column_array, np.repeat(shaped, counts)])
        value_array = np.concatenate([value_array, values])
        order = np.argsort(column_array, kind="stable")
        row_array, column_array, value_array = row_array[order], column_array[order], value_array[order]

    states = _starts(layout, cases)
    offsets = np.searchsorted(column_array, np.arange(len(cases) + 1))
    sheets = []
    for plan, columns, patches in _groups(compiled, layout, len(cases), shaped, [ends[k] for k in kind_of]):
        for start in range(0, len(columns), CHUNK):
            part = columns[start : start + CHUNK]
            sizes = offsets[part + 1] - offsets[part]
            take = _ranges(offsets[part], sizes)
            sheets.append(
                Sheet(
                    layout,
                    plan,
                    _cut(patches, start, start + len(part)),
                    part,
                    (row_array[take], np.repeat(np.arange(len(part)), sizes), value_array[take]),
                    np.ascontiguousarray(states[:, part]),
                )
            )
    return sheets


def _pieces(layout: Layout, tuples: Iterable[tuple[Edit, ...]]) -> list[_Piece]:
    codes: dict[int, tuple[int, float] | None] = {}
    pieces = []
    for edits in tuples:
        rows, values, shaped = [], [], []
        for edit in edits:
            if id(edit) not in codes:
                codes[id(edit)] = _encode(layout, edit)
            code = codes[id(edit)]
            if code is None:
                shaped.append(edit)
            else:
                rows.append(code[0])
                values.append(code[1])
        pieces.append(_Piece(np.array(rows, dtype=np.intp), np.array(values), tuple(shaped)))
    return pieces


def _gathered(
    lists: Sequence[tuple[np.ndarray, np.ndarray]], which: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows and values of the lists named by which, one after the other, and how many each has."""
    if not lists:
        return np.zeros(0, dtype=np.intp), np.zeros(0), np.zeros(0, dtype=np.intp)
    sizes = np.array([len(rows) for rows, _ in lists], dtype=np.intp)
    counts = sizes[which]
    take = _ranges((np.cumsum(sizes) - sizes)[which], counts)
    rows, values = (np.concatenate([each[i] for each in lists]) for i in (0, 1))
    return rows[take], values[take], counts


def _ranges(starts: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    """The numbers of ranges that begin at starts and have these sizes, one after the other."""
    within = np.arange(int(sizes.sum())) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    return np.repeat(starts, sizes) + within


def _encode(layout: Layout, edit: Edit) -> tuple[int, float] | None:
    """Row and value of an edit of the netlist's own values; None for edits of the pattern or of extras."""
    if isinstance(edit, Change):
        row = layout.row_of.get((edit.target, edit.param))
        if row is None:
            if edit.target in layout.element_of or edit.target in layout.device_of:
                known = [name for owner, name in layout.row_of if owner == edit.target and name[0] != "#"]
                raise CircuitError(f"change of {edit.target}: {unknown('value', edit.param, known)}")
            return None
        check_value(edit.target, edit.param, edit.value)
        return row, edit.value
    if isinstance(edit, Open | Force):
        number = layout.element_of.get(edit.element)
        if number is None:
            return None
        if isinstance(edit, Open):
            return int(layout.open_rows[number]), 1.0
        return int(layout.force_rows[number]), float(edit.closed)
    return None


def _shape(
    compiled: Compiled, kinds: Sequence[Sequence[Edit]]
) -> tuple[Layout, list[tuple[Ends, ...]], list[tuple[np.ndarray, np.ndarray]]]:
    """Work out lists of edits of the pattern: a layout with enough spares, ends and entries of each."""
    base = compiled.layout
    need: dict[str, int] = {}
    need_nodes = 0
    for edits in kinds:
        laws: dict[str, int] = {}
        fresh: set[str] = set()
        for edit in edits:
            if isinstance(edit, Add):
                laws[edit.element.law] = laws.get(edit.element.law, 0) + 1
                fresh |= {n for n in (edit.element.plus, edit.element.minus) if n not in base.node_of}
            elif isinstance(edit, Move) and edit.node not in base.node_of:
                fresh.add(edit.node)
        for law, count in laws.items():
            need[law] = max(need.get(law, 0), count)
        need_nodes = max(need_nodes, len(fresh))
    layout = with_spares(compiled, need, need_nodes)
    ends: list[tuple[Ends, ...]] = []
    extra: list[tuple[np.ndarray, np.ndarray]] = []
    for edits in kinds:
        own, entries = _shape_one(layout, edits)
        ends.append(own)
        extra.append((np.array([r for r, _ in entries], dtype=np.intp), np.array([v for _, v in entries])))
    return layout, ends, extra


def _shape_one(layout: Layout, edits: Iterable[Edit]) -> tuple[tuple[Ends, ...], list[tuple[int, float]]]:
    nodes: dict[str, int] = {}
    added: dict[str, int] = {}
    used: dict[str, int] = {}
    now: dict[int, tuple[int, int]] = {}
    entries: list[tuple[int, float]] = []

    def node(name: str) -> int:
        if name in layout.node_of:
            return layout.node_of[name]
        if name not in nodes:
            nodes[name] = layout.first_spare_node + len(nodes)
        return nodes[name]

    def element(name: str, doing: str) -> int:
        if name in added:
            return added[name]
        if name not in layout.element_of:
            raise CircuitError(f"{doing} {name}: {unknown('element', name, [*layout.element_of, *added])}")
        return layout.element_of[name]

    for edit in edits:
        if isinstance(edit, Add):
            check_element(edit.element)
            law = edit.element.law
            if law not in ("resistor", "contact", "fuse", "source", "lamp", "diode"):
                raise CircuitError(
                    f"added element {edit.element.id}: law {law} settles by a device; expected resistor, "
                    f"contact, fuse, source, lamp or diode"
                )
            if edit.element.id in layout.element_of or edit.element.id in added:
                raise CircuitError(f"added element {edit.element.id}: there is one of this name already")
            slot = layout.spare[law][used.get(law, 0)]
            used[law] = used.get(law, 0) + 1
            added[edit.element.id] = slot
            now[slot] = (node(edit.element.plus), node(edit.element.minus))
            entries.append((int(layout.open_rows[slot]), 0.0))
            for name, value in edit.element.values.items():
                row = layout.row_of.get((layout.elements[slot].id, name))
                if row is not None:
                    entries.append((row, value))
        elif isinstance(edit, Move):
            number = element(edit.element, "move of")
            plus, minus = now.get(number, (int(layout.plus[number]), int(layout.minus[number])))
            if edit.end not in ("plus", "minus"):
                raise CircuitError(f"move of {edit.element}: end={edit.end!r}; expected 'plus' or 'minus'")
            now[number] = (node(edit.node), minus) if edit.end == "plus" else (plus, node(edit.node))
        elif isinstance(edit, Reverse):
            number = element(edit.element, "reversal of")
            plus, minus = now.get(number, (int(layout.plus[number]), int(layout.minus[number])))
            now[number] = (minus, plus)
        elif isinstance(edit, Open):
            entries.append((int(layout.open_rows[element(edit.element, "opening of")]), 1.0))
        elif isinstance(edit, Force):
            entries.append((int(layout.force_rows[element(edit.element, "force on")]), float(edit.closed)))
        else:
            if edit.target not in added:
                names = [*layout.element_of, *layout.device_of, *added]
                raise CircuitError(
                    f"change of {edit.target}: {unknown('element or device', edit.target, names)}"
                )
            check_value(edit.target, edit.param, edit.value)
            row = layout.row_of.get((layout.elements[added[edit.target]].id, edit.param))
            if row is None:
                raise CircuitError(f"change of {edit.target}: its law has no value {edit.param!r}")
            entries.append((row, edit.value))
    return tuple(sorted((e, p, m) for e, (p, m) in now.items())), entries


def _starts(layout: Layout, cases: Sequence[Case]) -> np.ndarray:
    states = np.zeros((len(layout.devices), len(cases)), dtype=np.int8)
    for number, case in enumerate(cases):
        for device, state in case.states:
            if device not in layout.device_of:
                raise CircuitError(f"start state: {unknown('device', device, layout.device_of)}")
            states[layout.device_of[device], number] = state
    return states


def _plan(compiled: Compiled, layout: Layout, ends: frozenset[Ends]) -> Plan:
    extra = frozenset((min(p, m), max(p, m)) for _, p, m in ends if p != m and layout.ground not in (p, m))
    stage = list(layout.stage)
    for number, plus, minus in ends:
        for node in (plus, minus):
            if node != layout.ground:
                stage[node] = max(stage[node], layout.needs[number])
    key = (len(layout.nodes), len(layout.elements), extra - layout.pairs, tuple(stage))
    plan = compiled.plans.get(key)
    if plan is None:
        plan = plan_elimination(layout.ground, sorted(layout.pairs | extra), stage)
        _keep_plan(compiled, key, plan)
    return plan


def _keep_plan(compiled: Compiled, key: Any, plan: Any) -> None:
    if len(compiled.plans) >= KEPT_PLANS:
        compiled.plans.clear()
    compiled.plans[key] = plan


def _groups(
    compiled: Compiled, layout: Layout, count: int, shaped: np.ndarray, ends: Sequence[tuple[Ends, ...]]
) -> list[tuple[Plan, np.ndarray, list[Patch]]]:
    """Plans with the columns they serve. Patterns share a plan while that is cheaper than two.

    shaped  the cases whose pattern differs, and ends how; the others are as drawn
    """
    by_shape: dict[tuple[Ends, ...], list[int]] = {}
    as_drawn = np.ones(count, dtype=bool)
    as_drawn[shaped] = False
    if as_drawn.any():
        by_shape[()] = np.flatnonzero(as_drawn).tolist()
    for number, own in zip(shaped.tolist(), ends, strict=True):
        by_shape.setdefault(own, []).append(number)
    shapes = sorted(by_shape)
    # sizes to a factor of two, so that batches alike share what was worked out once; the laws of the spares
    # too: a lamp and a resistor may take the same number, but a lamp's ends are eliminated later
    sizes = tuple(len(by_shape[shape]).bit_length() for shape in shapes)
    key = (len(layout.nodes), tuple(layout.spare.items()), tuple(shapes), sizes)
    shared = compiled.plans.get(key)
    if shared is None:
        shared = _shared(compiled, layout, shapes, by_shape)
        _keep_plan(compiled, key, shared)
    groups: list[tuple[Plan, np.ndarray, list[Patch]]] = []
    for plan, together in shared:
        columns: list[int] = []
        patches: list[Patch] = []
        for shape in together:
            start = len(columns)
            columns += by_shape[shape]
            patches += [Patch(e, p, m, start, len(columns)) for e, p, m in shape]
        groups.append((plan, np.array(columns, dtype=np.intp), patches))
    return groups


def _shared(
    compiled: Compiled,
    layout: Layout,
    shapes: list[tuple[Ends, ...]],
    by_shape: dict[tuple[Ends, ...], list[int]],
) -> list[tuple[Plan, list[tuple[Ends, ...]]]]:
    """Split patterns into groups while two plans are cheaper than one for all."""
    if not shapes:
        return []

    def cost(some: list[tuple[Ends, ...]]) -> float:
        size = sum(len(by_shape[s]) for s in some)
        plan = _plan(compiled, layout, frozenset(chain.from_iterable(some)))
        return plan.work * float(CALL_COST_CASES + size)

    # the cases as drawn are most: they go alone when that pays, else the patterns are halved
    half = 1 if shapes[0] == () else len(shapes) // 2
    if len(shapes) == 1 or cost(shapes) <= cost(shapes[:half]) + cost(shapes[half:]):
        return [(_plan(compiled, layout, frozenset(chain.from_iterable(shapes))), shapes)]
    first = _shared(compiled, layout, shapes[:half], by_shape)
    return first + _shared(compiled, layout, shapes[half:], by_shape)


def _cut(patches: Iterable[Patch], start: int, stop: int) -> tuple[Patch, ...]:
    cut = []
    for p in patches:
        a, b = max(p.start, start), min(p.stop, stop)
        if a < b:
            cut.append(Patch(p.element, p.plus, p.minus, a - start, b - start))
    return tuple(cut)
