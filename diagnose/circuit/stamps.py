"""Where elements go in the arrays of an elimination: at which nodes, between which, in which columns.

Beside newton and point, which stamp with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from diagnose.circuit.edits import Patch
from diagnose.circuit.layout import Layout
from diagnose.circuit.plan import Plan

Array = np.ndarray[Any, Any]

KEPT_STAMPS = 96  # lists of where the elements of a loom go under a plan


@dataclass(frozen=True, slots=True, eq=False)
class Stamp:
    """Where one element goes: positions of its ends (-1 ground), edge slot (-1 none), columns.

    whole  True: all columns, however many are left; piece: the columns as a slice
    """

    row: int
    plus: int
    minus: int
    slot: int
    start: int
    stop: int
    whole: bool
    piece: slice


def place_stamps(
    layout: Layout, plan: Plan, patches: tuple[Patch, ...], size: int, numbers: Array
) -> tuple[Stamp, ...]:
    """Where these elements go in so many columns: as drawn, and where patches move them."""
    patched: dict[int, list[Patch]] = {}
    for patch in patches:
        patched.setdefault(patch.element, []).append(patch)
    as_drawn = _as_drawn(layout, plan, tuple(numbers.tolist()))
    stamps: list[Stamp] = []
    for row, (number, own) in enumerate(zip(numbers.tolist(), as_drawn, strict=True)):
        if number not in patched:
            stamps += own
            continue
        at = 0
        for patch in sorted(patched[number], key=lambda p: p.start):
            stamps += [_cut(s, at, patch.start) for s in own if at < patch.start]
            if patch.plus != patch.minus:
                whole = _stamp(layout, plan, row, patch.plus, patch.minus)
                stamps.append(_cut(whole, patch.start, patch.stop))
            at = patch.stop
        stamps += [_cut(s, at, size) for s in own if at < size]
    return tuple(stamps)


def _stamp(layout: Layout, plan: Plan, row: int, plus: int, minus: int) -> Stamp:
    """Where an element with these ends goes, in every column."""
    ground = layout.ground
    slot = -1 if ground in (plus, minus) else plan.slot_of[min(plus, minus), max(plus, minus)]
    p = -1 if plus == ground else int(plan.position[plus])
    m = -1 if minus == ground else int(plan.position[minus])
    return Stamp(row, p, m, slot, 0, 0, True, slice(None))


def _cut(stamp: Stamp, start: int, stop: int) -> Stamp:
    """The stamp in columns start..stop only."""
    return Stamp(stamp.row, stamp.plus, stamp.minus, stamp.slot, start, stop, False, slice(start, stop))


@lru_cache(maxsize=KEPT_STAMPS)
def _as_drawn(layout: Layout, plan: Plan, numbers: tuple[int, ...]) -> tuple[tuple[Stamp, ...], ...]:
    """The stamps of elements where no edit moves them: one each, none where both ends are one node."""
    ends = zip(layout.plus[list(numbers)].tolist(), layout.minus[list(numbers)].tolist(), strict=True)
    return tuple(
        (_stamp(layout, plan, row, plus, minus),) if plus != minus else ()
        for row, (plus, minus) in enumerate(ends)
    )


def stamp_elements(stamps: tuple[Stamp, ...], g: Array, edges: Array, grounded: Array) -> None:
    """Add the conductances g (n_elements, B) of elements to where they go."""
    for s in stamps:
        piece = s.piece
        # one end on ground (-1): the other is the larger
        row = edges[s.slot, piece] if s.slot >= 0 else grounded[max(s.plus, s.minus), 0, piece]
        row += g[s.row, piece]


def inject_current(s: Stamp, j: Array, grounded: Array) -> None:
    """Add the current j (B,) of one element to where it goes."""
    piece = s.piece
    if s.plus >= 0:
        row = grounded[s.plus, 1, piece]
        row += j[piece]
    if s.minus >= 0:
        row = grounded[s.minus, 1, piece]
        row -= j[piece]


def count_branches(stamps: tuple[Stamp, ...], inside: Array, degree: Array) -> None:
    """Count the elements in circuit at both their ends, in degree (n, B)."""
    for s in stamps:
        piece = s.piece
        here = inside[s.row, piece]
        for node in (s.plus, s.minus):
            if node >= 0:
                row = degree[node, piece]
                row += here


def squeeze_stamps(stamps: tuple[Stamp, ...], mask: Array) -> tuple[Stamp, ...]:
    """Stamps after dropping the columns outside the mask."""
    if all(s.whole for s in stamps):
        return stamps
    before = [0, *np.cumsum(mask).tolist()]
    out = []
    for s in stamps:
        if s.whole:
            out.append(s)
        elif before[s.start] < before[s.stop]:
            a, b = before[s.start], before[s.stop]
            out.append(Stamp(s.row, s.plus, s.minus, s.slot, a, b, False, slice(a, b)))
    return tuple(out)
