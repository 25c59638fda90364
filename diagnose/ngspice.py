"""Run a deck in ngspice, an independent circuit simulator, in a child process.

Never needed to find a fault; used by trials, by checks of the predictions, and by whoever doubts them.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Mapping

from diagnose.errors import CircuitError, UsageError

# Tighter than ngspice's defaults, so that its own tolerance does not show in millivolts.
OPTIONS = ".options reltol=1e-6 abstol=1e-12 vntol=1e-9 gmin=1e-12 itl1=500"
SECONDS = 30.0
_PRINTED = re.compile(r"^\s*([\w.#+\-]+)\s*=\s*([-+0-9.eE]+)\s*$", re.MULTILINE)


def find_ngspice() -> str:
    """Path of the program; raises UsageError that says how to get it."""
    path = shutil.which("ngspice")
    if path is None:
        raise UsageError(
            "ngspice is not installed; expected the program `ngspice` on the path; try "
            "`apt-get install ngspice` on Debian or Ubuntu, or `--player own`"
        )
    return path


def run_deck(deck: str) -> Mapping[str, float]:
    """Operating point of a deck: lower-case names ('n7', 'v3#branch') to volts and amperes.

    raises CircuitError with ngspice's own words when it finds none
    """
    body = re.sub(r"^\.(op|end)\s*$", "", deck, flags=re.MULTILINE | re.IGNORECASE).rstrip()
    full = "\n".join(
        [body, OPTIONS, ".control", "set numdgt=12", "op", "print all", "quit", ".endc", ".end", ""]
    )
    done = subprocess.run(
        [find_ngspice(), "-b", "-n"], input=full, capture_output=True, text=True, timeout=SECONDS
    )
    out = {m[1].lower(): float(m[2]) for m in _PRINTED.finditer(done.stdout)}
    if done.returncode or not out:
        raise CircuitError(f"ngspice found no operating point: {(done.stdout + done.stderr).strip()[-400:]}")
    return out


def node_volts(deck: str, point: Mapping[str, float]) -> dict[str, float]:
    """Volts by the names that the deck's `* @node` lines give."""
    out: dict[str, float] = {}
    for line in deck.splitlines():
        if line.startswith("* @node "):
            _, _, spice, name = line.split(" ", 3)
            out[name] = 0.0 if spice == "0" else point.get(spice, 0.0)
    return out


def reading(deck: str, point: Mapping[str, float]) -> float:
    """The quantity that the deck's `* @reading` line names; raises CircuitError without one."""
    line = next((x for x in deck.splitlines() if x.startswith("* @reading ")), None)
    if line is None:
        raise CircuitError(
            "the deck has no @reading line; expected one such as `* @reading volts v(n7)-v(n2)`"
        )
    text = line.split(" ", 3)[3].strip()
    divisor = 1.0
    if "/" in text:
        text, _, by = text.rpartition("/")
        divisor = float(by)
        text = text.strip("()")
    total = 0.0
    terms = re.findall(r"([+-]?)\s*([vi])\(?([\w#]+)\)?", text)
    if not terms:
        raise CircuitError(f"cannot read the quantity {text!r} of the deck")
    for sign, what, name in terms:
        key = name.lower() if what == "v" else f"{name.lower()}#branch"
        total += (-1.0 if sign == "-" else 1.0) * point.get(key, 0.0)
    return total / divisor
