"""`python -m diagnose.yardstick order|handbook|hand`: the program beside the trade, as tables."""

from __future__ import annotations

import argparse
import platform
from collections.abc import Sequence

from diagnose.means import Opened, open_knowledge
from diagnose.wiring import BikeWorld
from diagnose.yardstick import checks, model, order, practitioner

KITS = ("hands", "lamp", "meter", "workshop")


class Worlds:
    """The worlds of the bikes, each opened once."""

    def __init__(self, opened: Opened):
        self.opened = opened
        self._made: dict[str, BikeWorld] = {}

    def of(self, bike: str) -> BikeWorld:
        """The world of one bike."""
        if bike not in self._made:
            self._made[bike] = self.opened.world(bike)
        return self._made[bike]


def print_order(chosen: Sequence[str], at_length: bool) -> int:
    """Every row of causes and deciding tests; 1 if more than the excused ones differ."""
    worlds = Worlds(open_knowledge())
    judged = []
    rows = [r for r in model.rows() if not chosen or r.id in chosen]
    for row in sorted(rows, key=lambda r: r.bike):
        if row.bike:
            judged.append(order.judge(worlds.of(row.bike), row))
            if at_length:
                print(order.detail(judged[-1]), flush=True)
    print(order.table(judged))
    excused = [r for r in rows if r.parts]
    print(f"{len(rows)} rows, {len(excused)} excused, {sum(not j.agrees for j in judged)} differ")
    for row in excused:
        print(f"excused {row.id} ({', '.join(row.parts)}): {row.excused}")
    return int(any(not j.agrees for j in judged))


def print_handbook(chosen: Sequence[str]) -> int:
    """Every check of the published tables; 1 if one differs."""
    worlds = Worlds(open_knowledge())
    found = []
    rows = [r for r in model.handbook() if not chosen or r.id in chosen]
    for row in sorted(rows, key=lambda r: r.bike):
        found += checks.run_row(worlds.of(row.bike), row)
    print(checks.table(found))
    print(f"{len(rows)} rows, {len(found)} checks, {sum(not c.agrees for c in found)} differ")
    for row in rows:
        if row.excused:
            print(f"in part excused {row.id}: {row.excused}")
    return int(any(not c.agrees for c in found))


def print_hand(chosen: Sequence[str], kits: Sequence[str], jobs: int, seed: int) -> int:
    """A good hand's order against the program's; 0 whatever it shows."""
    opened = open_knowledge()
    worlds = Worlds(opened)
    machine = f"{platform.machine()}, {platform.python_implementation()} {platform.python_version()}"
    print(f"{jobs} jobs a row, seed {seed}, own answers without noise, {machine}")
    print(practitioner.HEADING)
    everything = []
    for sequence in model.sequences():
        if chosen and sequence.id not in chosen:
            continue
        for kit in kits:
            world = worlds.of(sequence.bike)
            rows = practitioner.cell(opened, world, sequence, kit, jobs=jobs, seed=seed)
            everything += rows
            print(practitioner.line_of_table(sequence, kit, rows), flush=True)
    print(practitioner.sum_of_table(everything))
    return 0


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m diagnose.yardstick", description=__doc__)
    parser.add_argument("table", choices=("order", "handbook", "hand"))
    parser.add_argument("rows", nargs="*", help="ids of rows or of orders (default: all)")
    parser.add_argument("--kit", action="append", choices=KITS, help="kits of `hand` (default: all)")
    parser.add_argument("--jobs", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--long", action="store_true", help="each row of `order` with its suspects")
    chosen = parser.parse_intermixed_args(arguments)
    if chosen.table == "order":
        return print_order(chosen.rows, chosen.long)
    if chosen.table == "handbook":
        return print_handbook(chosen.rows)
    return print_hand(chosen.rows, chosen.kit or KITS, chosen.jobs, chosen.seed)


if __name__ == "__main__":
    raise SystemExit(main())
