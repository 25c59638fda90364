"""A fault's edits as they act in a condition: at these revolutions, in this circuit, worked or unworked.

Third arrow of the flow. Adds nothing to the fault; says what it changes in this one circuit.
"""

from __future__ import annotations

from collections.abc import Sequence

from diagnose.bike.build import AC_SUFFIX, SURFACE, Build, charge_fraction, engine_rpm, winding_share
from diagnose.bike.dynamo import HELD, PER_1000RPM
from diagnose.bike.model import Condition
from diagnose.circuit.netlist import Change, Edit


def fault_edits_in(
    built: Build,
    edits: Sequence[Edit],
    condition: Condition,
    *,
    alternating: bool,
    angle: float = 0.0,
    unworked: bool = False,
) -> tuple[Edit, ...]:
    """A fault's edits as they act in a condition.

    A winding's AC volts per 1000 rpm become its emf in the AC circuit and nothing in the DC one; the
    alternator's full current becomes its current at these revolutions. A battery's surface charge stands
    above its emf as long as the battery is unworked.
    """
    rpm = engine_rpm(built.spec, condition.engine)
    turning = condition.engine not in ("off", "cranking")
    out: list[Edit] = []
    for e in edits:
        if isinstance(e, Change) and e.param == AC_SUFFIX:
            if alternating:
                share = winding_share(built, e.target, angle)
                out.append(Change(e.target, "emf", e.value * rpm / 1000.0 * share))
        elif isinstance(e, Change) and e.target in built.generators and e.param == "max_current":
            if turning and not alternating:
                out.append(Change(e.target, e.param, e.value * charge_fraction(rpm)))
        elif isinstance(e, Change) and e.target in built.dynamos and e.param in (PER_1000RPM, HELD):
            continue  # told in the volts of the armature, which situations work out
        elif isinstance(e, Change) and e.param == SURFACE:
            if unworked and not alternating:
                out.append(Change(e.target, "emf", _emf(built, out, e.target) + e.value))
        elif alternating and isinstance(e, Change) and e.param == "emf" and _is_silent(built, e.target):
            continue  # DC sources are silent in the AC circuit, flat or full
        else:
            out.append(e)
    return tuple(out)


def _emf(built: Build, edits: Sequence[Edit], source: str) -> float:
    """A source's volts as these edits leave them. [V]"""
    changed = [e.value for e in edits if isinstance(e, Change) and (e.target, e.param) == (source, "emf")]
    return changed[-1] if changed else built.elements[source].values["emf"]


def _is_silent(built: Build, source: str) -> bool:
    return source not in built.windings and source not in built.clamps
