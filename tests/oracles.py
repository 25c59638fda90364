"""Slow independent answers. Nothing here imports the solver; only the data types of a netlist."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable, Iterable, Sequence
from fractions import Fraction

# ---- linear networks, exactly ----------------------------------------------------------------------

Branch = tuple[str, str, Fraction, Fraction]  # plus, minus, conductance, current J pushed into plus


def exact_volts(branches: Iterable[Branch], ground: str) -> dict[str, Fraction]:
    """Node volts by nodal analysis in rational numbers: G v = J, Gauss elimination with pivoting.

    Every branch carries i = g v - J from plus to minus. Raises ZeroDivisionError on a floating network.
    source: Kirchhoff's current law; no rounding anywhere.
    """
    branches = list(branches)
    names = sorted({n for p, m, _, _ in branches for n in (p, m)} - {ground})
    at = {n: i for i, n in enumerate(names)}
    size = len(names)
    rows = [[Fraction(0)] * (size + 1) for _ in range(size)]
    for plus, minus, g, j in branches:
        for here, there, sign in ((plus, minus, 1), (minus, plus, -1)):
            if here == ground:
                continue
            row = rows[at[here]]
            row[at[here]] += g
            if there != ground:
                row[at[there]] -= g
            row[size] += sign * j
    for k in range(size):
        best = max(range(k, size), key=lambda r: abs(rows[r][k]))
        rows[k], rows[best] = rows[best], rows[k]
        pivot = rows[k][k]
        rows[k] = [x / pivot for x in rows[k]]
        for r in range(size):
            if r != k and rows[r][k]:
                factor = rows[r][k]
                rows[r] = [a - factor * b for a, b in zip(rows[r], rows[k], strict=True)]
    return {n: rows[i][size] for n, i in at.items()} | {ground: Fraction(0)}


def exact_resistance(branches: Iterable[Branch], plus: str, minus: str) -> Fraction:
    """Resistance between two nodes, all sources dead: volts for a unit current."""
    dead = [(p, m, g, Fraction(0)) for p, m, g, _ in branches]
    dead.append((plus, minus, Fraction(0), Fraction(1)))
    volts = exact_volts(dead, minus)
    return volts[plus] - volts[minus]


# ---- one filament in a loop ------------------------------------------------------------------------


def root(function: Callable[[float], float], low: float, high: float) -> float:
    """Where an increasing function crosses zero, by bisection to the last bit."""
    for _ in range(200):
        middle = 0.5 * (low + high)
        if function(middle) > 0.0:
            high = middle
        else:
            low = middle
    return 0.5 * (low + high)


def filament_amps(volts: float, rated_volts: float, rated_watts: float) -> float:
    """I = I0 (V / V0)^0.55. Lamp rerating, Fink & Beaty, Standard Handbook, 11th ed. 1978, p. 22-8."""
    return rated_watts / rated_volts * (volts / rated_volts) ** 0.55


def filament_behind(emf: float, ohms: float, rated_volts: float, rated_watts: float) -> tuple[float, float]:
    """Volts and amperes of one lamp fed through a resistance."""
    volts = root(lambda v: filament_amps(v, rated_volts, rated_watts) * ohms + v - emf, 0.0, emf)
    return volts, filament_amps(volts, rated_volts, rated_watts)


def filaments_in_series(
    emf: float, ohms: float, ratings: Sequence[tuple[float, float]]
) -> tuple[float, list[float]]:
    """Current and volts of lamps (rated volts, rated watts) in series behind a resistance."""

    def volts(amps: float) -> list[float]:
        return [v0 * (amps * v0 / w) ** (1 / 0.55) for v0, w in ratings]

    top = max(w / v0 * 4 for v0, w in ratings)
    amps = root(lambda i: sum(volts(i)) + i * ohms - emf, 0.0, top)
    return amps, volts(amps)


# ---- ngspice in a child process --------------------------------------------------------------------

SPICE_OPTIONS = "reltol=1e-7 abstol=1e-13 vntol=1e-10 gmin=1e-12 itl1=500 temp=27 tnom=27"


class SpiceFailed(RuntimeError):
    """ngspice did not find an operating point or refused the deck."""


def spice_operating_points(decks: Sequence[str], timeout: float = 60.0) -> list[dict[str, float] | None]:
    """Node volts of several decks, each solved by `op` in one ngspice child process; None where it failed.

    A deck is a list of elements and models and comments, as written by circuit.spice.
    """
    out: list[dict[str, float] | None] = []
    for text in decks:
        try:
            out.append(spice_operating_point(text, timeout))
        except SpiceFailed:
            out.append(None)
    return out


def spice_operating_point(deck: str, timeout: float = 30.0) -> dict[str, float]:
    """Node volts (lower-case names) of one deck. Raises SpiceFailed with what ngspice said."""
    body = [line for line in deck.splitlines() if line.strip().lower() not in (".op", ".end")]
    control = [".control", "set numdgt=14", "op", "print all", "quit", ".endc", ".end", ""]
    text = "\n".join([*body, f".options {SPICE_OPTIONS}", *control])
    run = subprocess.run(
        ["ngspice", "-b", "-n"], input=text, capture_output=True, text=True, timeout=timeout, check=False
    )
    found = {
        m[1].lower(): float(m[2])
        for m in re.finditer(r"^\s*([\w.#+\-]+)\s*=\s*([-+0-9.eE]+)\s*$", run.stdout, re.M)
    }
    if run.returncode or not found or "singular" in run.stderr.lower():
        raise SpiceFailed((run.stdout + run.stderr)[-800:])
    return found


def spice_ac_volts(lines: Sequence[str], node: str, hertz: float, timeout: float = 30.0) -> float:
    """Effective volts at a node in ngspice's AC analysis. Raises SpiceFailed with what ngspice said."""
    control = [
        ".control",
        f"ac lin 1 {hertz:.9g} {hertz:.9g}",
        f"print vm({node})",
        "quit",
        ".endc",
        ".end",
        "",
    ]
    done = subprocess.run(
        ["ngspice", "-b", "-n"],
        input="\n".join([*lines, *control]),
        capture_output=True,
        text=True,
        timeout=timeout,
        check=False,
    )
    found = re.search(rf"^vm\({node}\)\s*=\s*([-+0-9.eE]+)", done.stdout, re.MULTILINE)
    if found is None:
        raise SpiceFailed((done.stdout + done.stderr).strip()[-400:])
    return float(found[1])
