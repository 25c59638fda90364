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
import threading
from typing import Any

import numpy as np

from diagnose.circuit.plan import Block

Array = np.ndarray[Any, Any]
# With fewer cases than this, gathering and scattering many rows at once beats going row by row, if there
# are at least so many rows to a call. Measured.
GATHER_BELOW = 700
GATHER_FROM = 5
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


_HERE = threading.local()


def scratch_here() -> Scratch:
    """This thread's scratch memory."""
    if not hasattr(_HERE, "scratch"):
        _HERE.scratch = Scratch()
    return _HERE.scratch


def eliminate(
    blocks: tuple[Block, ...], edges: Array, grounded: Array, shares: Array, inverse: Array, scratch: Scratch
) -> None:
    """Eliminate the pivots of blocks in place; write shares w (n_slots, B) and inverse 1/S (n, B).

    A pivot without any path (S = 0: a ring cut off from everything) gets 1/S = 0 and so 0 V.
    """
    size = edges.shape[1]
    most = max((block.count * max(block.degree, 1) for block in blocks), default=0)
    squares, passing = scratch.take("square", most, size), scratch.take("passed", most, 2, size)
    # in-place += on views: the shortest way into numpy's loops, which matters with few cases
    for block in blocks:
        a, b = block.first, block.first + block.count
        m, s, count = block.degree, block.slot, block.count
        total, square = inverse[a:b], squares[:count]
        if m == 0:
            total[...] = grounded[a:b, 0]
        else:
            np.add(grounded[a:b, 0], edges[s : s + count], total)
            for q in range(1, m):
                total += edges[s + q * count : s + (q + 1) * count]
        # 1 / S, and 0 where S is 0: S / (S^2 + tiny) is exact to rounding for S above 1e-140
        np.multiply(total, total, square)
        square += TINY
        total /= square
        if m == 0:
            continue
        mine, share = edges[s : s + m * count], shares[s : s + m * count]
        for q in range(m):
            k = q * count
            np.multiply(mine[k : k + count], total, share[k : k + count])
            np.multiply(grounded[a:b], share[k : k + count, None], passing[k : k + count])
        few = size < GATHER_BELOW
        if few and len(block.targets) >= GATHER_FROM * len(block.waves):
            for rows, positions in block.waves:
                grounded[positions] += passing[rows]
        else:
            for j, passed in zip(block.targets, passing, strict=False):
                row = grounded[j]
                row += passed
        if few and m > 1 and m * (m - 1) // 2 * count >= GATHER_FROM * len(block.pair_waves):
            for first, second, slots in block.pair_waves:
                edges[slots] += mine[first] * share[second]
            continue
        for q, r, places in block.pairs:
            product = np.multiply(
                mine[q * count : (q + 1) * count], share[r * count : (r + 1) * count], square
            )
            for slot, added in zip(places, product, strict=True):
                row = edges[slot]
                row += added


def substitute(
    blocks: tuple[Block, ...], currents: Array, shares: Array, inverse: Array, volts: Array, scratch: Scratch
) -> None:
    """Fill in the volts of the pivots of blocks, last block first.

    currents  (n, B) J at each pivot as elimination left it; volts (n + 1, B), last row ground
    """
    size = volts.shape[1]
    most = max((block.count for block in blocks), default=0)
    buffer = scratch.take("across", most, size)
    for block in reversed(blocks):
        a, b, count = block.first, block.first + block.count, block.count
        out, across = volts[a:b], buffer[:count]
        np.multiply(currents[a:b], inverse[a:b], out)
        for q in range(block.degree):
            s = block.slot + q * count
            volts.take(block.neighbours[q], 0, across, "clip")
            across *= shares[s : s + count]
            out += across


def forward(blocks: tuple[Block, ...], currents: dict[int, Array], shares: Array) -> None:
    """Carry currents injected at a few positions through an elimination already done.

    currents  position -> (B,); those that elimination passes them on to are added
    """
    for block in blocks:
        for i in range(block.count):
            mine = currents.get(block.first + i)
            if mine is None:
                continue
            for q in range(block.degree):
                k = q * block.count + i
                j = block.targets[k]
                passed = mine * shares[block.slot + k]
                if j in currents:
                    currents[j] = currents[j] + passed
                else:
                    currents[j] = passed
