"""In which order to eliminate the nodes of a loom, worked out once on its pattern of branches.

A loom is almost a tree, so minimum degree leaves next to no fill. Pivots of one level are not
neighbours of each other and are eliminated together, as one block of rows.

Nodes come in three stages: those that touch only fixed elements; those that touch something that
settles; those that touch something nonlinear. Each stage can be started again from the end of the
one before, so that settling and Newton's method repeat only what changes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

# Nodes of an earlier stage that have more neighbours than this wait for the next stage (fill).
STAGE_DEGREE = (3, 4)
# How often the stages are run to settle a case: once, every round, every iteration. Measured, rounded.
STAGE_RUNS = (1, 3, 8)


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """`count` pivots of equal degree, at positions first..first+count, eliminated together.

    Edge (q, l) of pivot l lies in slot `slot + q*count + l` and goes to position neighbours[q, l].
    targets  the same as a list, row by row
    pairs    (q, r, slots) for every pair q < r of edges: where their products are added, pivot by pivot
    waves    the same targets as (edge rows, positions), each wave without a position twice
    pair_waves  the same pairs as (edge rows of q, edge rows of r, slots), without a slot twice
    """

    first: int
    count: int
    degree: int
    slot: int
    neighbours: np.ndarray
    targets: tuple[int, ...]
    pairs: tuple[tuple[int, int, tuple[int, ...]], ...]
    waves: tuple[tuple[np.ndarray, np.ndarray], ...]
    pair_waves: tuple[tuple[np.ndarray, np.ndarray, np.ndarray], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """position (n,): node -> place in the order; slot_of: (lower, higher node) -> edge slot.

    stages   blocks of each of the three stages
    bounds   first position and first slot of each stage, and the end: 4 pairs
    """

    position: np.ndarray
    order: np.ndarray
    slot_of: Mapping[tuple[int, int], int]
    stages: tuple[tuple[Block, ...], ...]
    bounds: tuple[tuple[int, int], ...]

    @property
    def n_slots(self) -> int:
        return self.bounds[3][1]

    @property
    def work(self) -> int:
        """Row operations that a case costs, each stage as often as it is usually run."""
        return sum(
            runs * block.count * (4 + 3 * block.degree + block.degree * block.degree)
            for runs, stage in zip(STAGE_RUNS, self.stages, strict=True)
            for block in stage
        )


def plan_elimination(n: int, edges: Iterable[tuple[int, int]], stage: Sequence[int]) -> Plan:
    """Order the n nodes (ground left out) by minimum degree, stage by stage.

    edges  pairs of nodes with a branch between them in at least one case
    stage  (n,) 1, 2 or 3: the earliest stage in which a node may go
    """
    near: list[set[int]] = [set() for _ in range(n)]
    for a, b in edges:
        if a != b:
            near[a].add(b)
            near[b].add(a)
    left = set(range(n))
    levels: list[list[list[tuple[int, tuple[int, ...]]]]] = [[], [], []]
    for now in (1, 2, 3):
        limit = STAGE_DEGREE[now - 1] if now < 3 else n
        while True:
            ready = sorted((len(near[k]), k) for k in left if stage[k] <= now and len(near[k]) <= limit)
            if not ready:
                break
            reach = max(ready[0][0], 2)
            picked: list[tuple[int, tuple[int, ...]]] = []
            barred: set[int] = set()
            for degree, k in ready:
                if degree > reach:
                    break
                if k not in barred:
                    picked.append((k, tuple(sorted(near[k]))))
                    barred |= near[k]
            for k, around in picked:
                left.discard(k)
                for a in around:
                    near[a].discard(k)
                    near[a].update(around)
                    near[a].discard(a)
            levels[now - 1].append(picked)
    return _lay_out(n, levels)


def _lay_out(n: int, levels: list[list[list[tuple[int, tuple[int, ...]]]]]) -> Plan:
    position = np.empty(n, dtype=np.intp)
    slot_of: dict[tuple[int, int], int] = {}
    groups: list[list[tuple[int, int, list[tuple[int, tuple[int, ...]]]]]] = []
    bounds = [(0, 0)]
    at = slot = 0
    for stage_levels in levels:
        stage_groups = []
        for picked in stage_levels:
            for degree in sorted({len(around) for _, around in picked}):
                same = [p for p in picked if len(p[1]) == degree]
                stage_groups.append((at, slot, same))
                for i, (k, around) in enumerate(same):
                    position[k] = at + i
                    for q, j in enumerate(around):
                        slot_of[(k, j) if k < j else (j, k)] = slot + q * len(same) + i
                at += len(same)
                slot += degree * len(same)
        groups.append(stage_groups)
        bounds.append((at, slot))
    stages = []
    for stage_groups in groups:
        blocks = []
        for first, base, same in stage_groups:
            degree, count = len(same[0][1]), len(same)
            pairs = []
            for q in range(degree):
                for r in range(q + 1, degree):
                    # neighbours are sorted by node, so (a, b) is already (lower, higher)
                    places = tuple(slot_of[(around[q], around[r])] for _, around in same)
                    pairs.append((q, r, places))
            near = [[int(position[around[q]]) for _, around in same] for q in range(degree)]
            targets = tuple(j for row in near for j in row)
            products = [
                (q * count + i, r * count + i, slot)
                for q, r, places in pairs
                for i, slot in enumerate(places)
            ]
            blocks.append(
                Block(
                    first,
                    count,
                    degree,
                    base,
                    np.array(near, dtype=np.intp).reshape(degree, count),
                    targets,
                    tuple(pairs),
                    tuple((rows, np.array(targets)[rows]) for rows in _waves(targets)),
                    tuple(
                        (np.array(products)[w, 0], np.array(products)[w, 1], np.array(products)[w, 2])
                        for w in _waves([slot for _, _, slot in products])
                    ),
                )
            )
        stages.append(tuple(blocks))
    return Plan(position, np.argsort(position), slot_of, tuple(stages), tuple(bounds))


def _waves(places: Sequence[int]) -> list[np.ndarray]:
    """Split a list of places into as few lists of indices as there are repeats, none with a place twice."""
    seen: dict[int, int] = {}
    waves: list[list[int]] = []
    for index, place in enumerate(places):
        wave = seen.get(place, 0)
        seen[place] = wave + 1
        if wave == len(waves):
            waves.append([])
        waves[wave].append(index)
    return [np.array(wave, dtype=np.intp) for wave in waves]
