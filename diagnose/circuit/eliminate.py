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

from typing import Any

import numpy as np

from diagnose.circuit.plan import Block

Array = np.ndarray[Any, Any]
TINY = 1e-300  # keeps 0 / 0 away without touching any S that occurs


def eliminate(
    blocks: tuple[Block, ...], edges: Array, grounded: Array, shares: Array, inverse: Array
) -> None:
    """Eliminate the pivots of blocks in place; write shares w (n_slots, B) and inverse 1/S (n, B).

    A pivot without any path (S = 0: a ring cut off from everything) gets 1/S = 0 and so 0 V.
    """
    edge_rows = list(edges)
    ground_rows = list(grounded)
    for block in blocks:
        a, b = block.first, block.first + block.count
        m, s = block.degree, block.slot
        total = inverse[a:b]
        if m == 0:
            _invert(grounded[a:b, 0], total)
            continue
        mine = edges[s : s + m * block.count].reshape(m, block.count, -1)
        share = shares[s : s + m * block.count].reshape(m, block.count, -1)
        np.add(grounded[a:b, 0], mine[0], out=total)
        for q in range(1, m):
            np.add(total, mine[q], out=total)
        _invert(total, total)
        np.multiply(mine, total[None], out=share)
        passed = grounded[a:b][None] * share[:, :, None, :]
        for q, i, j in block.scatter:
            row = ground_rows[j]
            np.add(row, passed[q, i], out=row)
        for q, r, places in block.pairs:
            product = mine[q] * share[r]
            for i, slot in places:
                row = edge_rows[slot]
                np.add(row, product[i], out=row)


def _invert(total: Array, out: Array) -> None:
    """1 / S, and 0 where S is 0; S / (S^2 + tiny) is exact to rounding for S above 1e-140."""
    square = total * total
    square += TINY
    np.divide(total, square, out=out)


def substitute(
    blocks: tuple[Block, ...], currents: Array, shares: Array, inverse: Array, volts: Array
) -> None:
    """Fill in the volts of the pivots of blocks, last block first.

    currents  (n, B) J at each pivot as elimination left it; volts (n + 1, B), last row ground
    """
    for block in reversed(blocks):
        a, b = block.first, block.first + block.count
        out = volts[a:b]
        np.multiply(currents[a:b], inverse[a:b], out=out)
        for q in range(block.degree):
            s = block.slot + q * block.count
            across = volts[block.neighbours[q]]
            np.multiply(across, shares[s : s + block.count], out=across)
            np.add(out, across, out=out)


def forward(blocks: tuple[Block, ...], currents: Array, shares: Array) -> None:
    """Carry injected currents (n, ..., B) through an elimination already done, in place."""
    for block in blocks:
        a = block.first
        for q, i, j in block.scatter:
            share = shares[block.slot + q * block.count + i]
            currents[j] += currents[a + i] * share
