"""A direct-current dynamo: the volts its armature makes at given revolutions, field and regulator.

Third arrow of the flow, arithmetic only. A dynamo excites itself: its field hangs on its own volts. So the
circuit is solved twice, first with the volts of a sound one; what then reaches field winding and regulator
coil says what this one makes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

Array = np.ndarray[Any, np.dtype[np.float64]]

PER_1000RPM, HELD = "dc_per_1000rpm", "held_volts"  # values of the armature, which is a source
# Residual magnetism gives some tenth of the volts at full field, enough to begin with (common practice:
# 0.5 to 1.5 V at the brush with the field wire off, by revolutions).
RESIDUAL = 0.1
# With less than this share of its field current the volts do not build up on the residual ones (estimate).
BUILDS_UP_FROM = 0.35
# A field that nobody regulates saturates the iron, and the armature's own field works against it: the volts
# do not rise to more than this many times the held ones (estimate).
SATURATES_AT = 1.5


@dataclass(frozen=True, slots=True)
class Dynamo:
    """A source element that is an armature.

    per_1000rpm  volts at full field for each 1000 revolutions of the engine [V]
    held         volts at which its regulator holds it [V]
    sign         +1 where the live brush is plus, -1 on a bike with plus at the frame: a dynamo has the poles
                 that it was last magnetised with
    """

    per_1000rpm: float
    held: float
    sign: float


def armature_volts(per_1000rpm: Array, held: Array, rpm: float, field: Array, coil: Array) -> Array:
    """(n,) volts behind the armature's own ohms, without sign [V].

    field, coil  volts at field winding and at the regulator's coil, as shares of a sound bike's [1]; a coil
                 that gets less lets the volts rise until it has its own
    """
    full = per_1000rpm * rpm / 1000.0
    built_up = np.clip((field - BUILDS_UP_FROM) / (1.0 - BUILDS_UP_FROM), 0.0, 1.0)
    regulated = np.minimum(held / np.maximum(coil, 1e-3), held * SATURATES_AT)
    return np.maximum(np.minimum(full * built_up, regulated), np.minimum(full * RESIDUAL, regulated))
