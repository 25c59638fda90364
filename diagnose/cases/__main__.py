"""`python -m diagnose.cases FILE... [--ngspice] [--rules] [--readings]`: play cases, print how each came out.

With --ngspice every number that the bike gave is computed once more by ngspice; with --rules a line for each
rule says where it fired and what it changed.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from pathlib import Path

from diagnose.cases.check import compare
from diagnose.cases.coverage import Fired, counting, judge_bike, summed_up, table
from diagnose.cases.read import read_case
from diagnose.cases.run import run_case
from diagnose.errors import DiagnoseError
from diagnose.means import open_knowledge
from diagnose.wiring import BikeWorld


def main(arguments: Sequence[str] | None = None) -> int:
    """0 if every case came out as it says, else 1."""
    parser = argparse.ArgumentParser(prog="python -m diagnose.cases", description=__doc__)
    parser.add_argument("files", nargs="+")
    parser.add_argument("--ngspice", action="store_true")
    parser.add_argument("--rules", action="store_true")
    parser.add_argument("--readings", action="store_true", help="print what was asked and answered")
    chosen = parser.parse_args(arguments)
    opened = open_knowledge()
    worlds: dict[str, BikeWorld] = {}
    fired = Fired()
    bad = compared = apart = 0
    cases = sorted((read_case(Path(f)) for f in chosen.files), key=lambda c: (c.bike, c.id))
    for case in cases:
        began = time.perf_counter()
        if case.bike not in worlds:
            worlds[case.bike] = opened.world(case.bike)
            if chosen.rules:
                judge_bike(worlds[case.bike], opened, fired)
        world = worlds[case.bike]
        told, watch = counting(fired, world, opened) if chosen.rules else (None, None)
        try:
            result = run_case(case, world, opened, told, watch)
        except DiagnoseError as err:
            bad += 1
            print(f"FAIL {case.id} [{case.bike}]: {err}", flush=True)
            continue
        bad += not result.same
        seconds = time.perf_counter() - began
        print(
            f"{'ok  ' if result.same else 'DIFF'} {case.id} [{case.bike}]: {result.text} ({seconds:.1f} s)",
            flush=True,
        )
        for one in result.given if chosen.readings else ():
            print(f"       {one.measurement.id} = {one.text}{'' if one.honest else ' (slip)'}")
        for c in compare(result.given) if chosen.ngspice else ():
            compared += 1
            if not c.agrees:
                apart += 1
                print(f"       APART {c.measurement}: {c.text}, ngspice {c.ngspice:.4g}", flush=True)
    print(f"{len(cases)} cases, {bad} otherwise than they say")
    if chosen.ngspice:
        print(f"{compared} readings beside ngspice's, {apart} apart")
    all_fired = True
    if chosen.rules:
        for line in table(opened, fired):
            print(line)
        text, all_fired = summed_up(opened, fired)
        print(text)
    return 1 if bad or apart or not all_fired else 0


if __name__ == "__main__":
    raise SystemExit(main())
