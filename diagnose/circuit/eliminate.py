"""Elimination of nodes by star-mesh steps, for all cases of a sheet at once.

Eliminating node k with branches g_kj to its remaining neighbours j (ground is kept apart as one
conductance per node) turns the star around it into a mesh:

    S = g_k0 + sum_j g_kj          w_j = g_kj / S
    g_ij += g_ki w_j               g_j0 += g_k0 w_j               J_j += J_k w_j
    v_k = J_k / S + sum_j w_j v_j  (afterwards, last pivot first)

Conductances are only ever added, never subtracted, so nothing cancels: an open of 1e-10 S beside a
joint of 1e4 S keeps its last digits, which Gaussian elimination on a stored diagonal would lose.
source: star-mesh transformation, Rosen (1924); the same numbers as Kron reduction.

Arrays, batch last: edges (n_slots, B), grounded (n, 2, B) holding g_k0 and J_k.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from diagnose.circuit.plan import Block

Array = np.ndarray[Any, Any]
TINY = 1e-300  # keeps 0 / 0 away without touching any S that occurs


class Scratch:
    """Memory used again and again: fresh pages would cost more than the arithmetic done in them."""

    def __init__(self) -> None:
        self.held: dict[str, Array] = {}

    def take(self, name: str, *shape: int) -> Array:
        """An uninitialised array of this shape; it overwrites what was taken under this name before."""
        size = math.prod(shape)
        held = self.held.get(name)
        if held is None or held.size < size:
            held = self.held[name] = np.empty(size)
        return held[:size].reshape(shape)


def eliminate(
    blocks: tuple[Block, ...], edges: Array, grounded: Array, shares: Array, inverse: Array, scratch: Scratch
) -> None:
    """Eliminate the pivots of blocks in place; write shares w (n_slots, B) and inverse 1/S (n, B).

    A pivot without any path (S = 0: a ring cut off from everything) gets 1/S = 0 and so 0 V.
    """
    size = edges.shape[1]
    edge_rows, ground_rows = list(edges), list(grounded)
    for block in blocks:
        a, b = block.first, block.first + block.count
        m, s, count = block.degree, block.slot, block.count
        total = inverse[a:b]
        if m == 0:
            np.copyto(total, grounded[a:b, 0])
        else:
            np.add(grounded[a:b, 0], edges[s : s + count], out=total)
            for q in range(1, m):
                np.add(total, edges[s + q * count : s + (q + 1) * count], out=total)
        # 1 / S, and 0 where S is 0: S / (S^2 + tiny) is exact to rounding for S above 1e-140
        square = scratch.take("square", count, size)
        np.multiply(total, total, out=square)
        np.add(square, TINY, out=square)
        np.divide(total, square, out=total)
        if m == 0:
            continue
        mine = edges[s : s + m * count].reshape(m, count, size)
        share = shares[s : s + m * count].reshape(m, count, size)
        np.multiply(mine, total[None], out=share)
        passed = scratch.take("passed", m, count, 2, size)
        np.multiply(grounded[a:b][None], share[:, :, None, :], out=passed)
        for q, i, j in block.scatter:
            row = ground_rows[j]
            np.add(row, passed[q, i], out=row)
        product = scratch.take("product", count, size)
        for q, r, places in block.pairs:
            np.multiply(mine[q], share[r], out=product)
            for i, slot in places:
                row = edge_rows[slot]
                np.add(row, product[i], out=row)


def substitute(
    blocks: tuple[Block, ...], currents: Array, shares: Array, inverse: Array, volts: Array, scratch: Scratch
) -> None:
    """Fill in the volts of the pivots of blocks, last block first.

    currents  (n, B) J at each pivot as elimination left it; volts (n + 1, B), last row ground
    """
    size = volts.shape[1]
    for block in reversed(blocks):
        a, b = block.first, block.first + block.count
        out = volts[a:b]
        np.multiply(currents[a:b], inverse[a:b], out=out)
        across = scratch.take("across", block.count, size)
        for q in range(block.degree):
            s = block.slot + q * block.count
            np.take(volts, block.neighbours[q], axis=0, out=across, mode="clip")
            np.multiply(across, shares[s : s + block.count], out=across)
            np.add(out, across, out=out)


def forward(blocks: tuple[Block, ...], currents: Array, shares: Array) -> None:
    """Carry injected currents (n, B) through an elimination already done, in place."""
    for block in blocks:
        a = block.first
        for q, i, j in block.scatter:
            currents[j] += currents[a + i] * shares[block.slot + q * block.count + i]
