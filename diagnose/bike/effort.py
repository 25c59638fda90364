"""What an act costs besides itself: where its parts sit, which places its switches want open, its minutes.

Third arrow of the flow (composed bike -> acts).
"""

from __future__ import annotations

from collections.abc import Mapping

from diagnose.bike.build import Build
from diagnose.bike.model import Condition
from diagnose.catalogue.model import Instrument


def place_of(built: Build, component: str) -> str:
    """Id of the place a part sits in; '' if it has none."""
    return built.spec.parts[component].place


def set_at(built: Build, condition: Condition) -> set[str]:
    """Places that must be open to put the controls of a condition where it wants them."""
    places = {built.spec.controls[control].place for control, _ in condition.controls}
    return places - {""}


def minutes_of(instruments: Mapping[str, Instrument], kind: str) -> float:
    """Hands-on minutes of an instrument's own act."""
    return instruments[kind].values["minutes"].number
