"""`python -m diagnose.robust [BIKE] [ROW ...]`: prints the rows, with the machine and the seed."""

from __future__ import annotations

import argparse
import platform
import time
from collections.abc import Sequence

from diagnose.robust.rows import ROWS, Bench


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m diagnose.robust", description=__doc__)
    parser.add_argument("bike", nargs="?", default="custom_single")
    parser.add_argument("rows", nargs="*", help=f"any of {', '.join(ROWS)} (default: all)")
    parser.add_argument("--jobs", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kit", default="meter")
    chosen = parser.parse_intermixed_args(arguments)
    unknown = [r for r in chosen.rows if r not in ROWS]
    if unknown:
        parser.error(f"no row {', '.join(unknown)}; expected any of {', '.join(ROWS)}")
    bench = Bench(chosen.bike, chosen.jobs, chosen.seed, chosen.kit)
    machine = f"{platform.machine()}, {platform.python_implementation()} {platform.python_version()}"
    print(f"{chosen.bike}, {chosen.jobs} jobs, seed {chosen.seed}, kit {chosen.kit}, {machine}")
    for row in chosen.rows or ROWS:
        began = time.perf_counter()
        print(f"{row}: {ROWS[row](bench)} [{time.perf_counter() - began:.0f} s]", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
