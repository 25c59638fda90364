"""Which cases nothing drives: no source gives volts, no generator a current, no device stirs at 0 V.

Every node of such a case stands at 0 V, exactly, and no device moves, so that there is nothing to solve. Half
of the cases of a job are of this sort: ohms are read with every supply off.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from diagnose.circuit.edits import Sheet

Array = np.ndarray[Any, Any]


def undriven(sheet: Sheet) -> Array:
    """(B,) True where all volts are 0 and all devices stay in the state that the case gives them.

    Cautious: a device that might move at 0 V, or stands in a state that only volts would hold, makes a case
    one to be solved.
    """
    layout, states = sheet.layout, sheet.states
    sources = layout.by_law["source"]
    alive = (sheet.some_values(layout.rows["source", "emf"]) != 0.0) & (
        sheet.some_values(layout.open_rows[sources]) == 0.0
    )
    still = ~alive.any(axis=0)
    still &= (sheet.some_values(layout.rows["generator", "max_current"]) <= 0.0).all(axis=0)
    # a relay pulls in, a motor turns and an output wakes only above 0 V; one without such a limit may wake
    for law, limit in (("relay", "operate_volts"), ("motor", "turn_volts"), ("output", "minimum_volts")):
        numbers = [d for d, device in enumerate(layout.devices) if device.law == law]
        rows = np.array([layout.row_of[layout.devices[d].id, limit] for d in numbers], dtype=np.intp)
        moves = sheet.some_values(rows) <= 0.0
        if law == "output":
            moves &= states[numbers] != 2  # latched off: it stays so
        still &= ~moves.any(axis=0)
    steady = {"fuse": (0, 1), "output": (0, 2)}
    for d, device in enumerate(layout.devices):
        still &= np.isin(states[d], steady.get(device.law, (0,)))
    return still
