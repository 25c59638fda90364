"""A measurement from its id, for any points and condition, not only the planned ones.

Third arrow of the flow; the other way round from the ids that the makers in `acts` give.
"""

from __future__ import annotations

from collections.abc import Mapping

from diagnose.bike.acts import (
    OTHERS,
    STIRS,
    TWO_POINT,
    amps,
    inspect_part,
    inspect_place,
    observe,
    stir,
    two_point,
)
from diagnose.bike.aids import clamp, count, gravity, jumper, with_filler_caps
from diagnose.bike.build import Build, node_of_point
from diagnose.bike.currents import as_condition
from diagnose.bike.model import Condition, Measurement
from diagnose.catalogue.model import Instrument
from diagnose.errors import UsageError, unknown


def parse_measurement(built: Build, instruments: Mapping[str, Instrument], text: str) -> Measurement:
    """A measurement from its id, for any points and condition, not only the planned ones.

    raises UsageError naming what is unknown, with near misses
    """
    body, at, condition_text = text.partition("@")
    if not at:
        raise UsageError(
            f"{text!r} has no condition; expected kind:PLUS:MINUS@condition, such as "
            "volts:battery.plus:battery.minus@key=run (an empty condition after @ means everything at rest)"
        )
    kind, _, rest = body.partition(":")
    condition = as_condition(built, condition_text)
    if kind in TWO_POINT:
        plus, _, minus = rest.partition(":")
        if not minus:
            raise UsageError(f"{text!r}: {kind} needs two points; expected {kind}:PLUS:MINUS@condition")
        node_of_point(built.spec, plus)
        node_of_point(built.spec, minus)
        return two_point(built, instruments, kind, plus, minus, condition)
    if kind in ("observe", "count", "jumper"):
        function, _, point = rest.partition(":")
        if function not in built.spec.functions:
            raise UsageError(unknown("function", function, built.spec.functions))
        if kind == "observe":
            return observe(built, instruments, function, condition)
        if kind == "jumper":
            return _jumper(built, instruments, function, point, condition)
        if built.spec.functions[function].kind != "flash":
            flashing = [f.id for f in built.spec.functions.values() if f.kind == "flash"]
            raise UsageError(f"{text!r}: {function} does not flash; expected {' or '.join(flashing)}")
        return count(built, instruments, function, condition)
    if kind == "clamp":
        if rest not in built.spec.wires:
            raise UsageError(unknown("wire", rest, built.spec.wires))
        return clamp(built, instruments, rest, condition)
    if kind == "gravity":
        battery = with_filler_caps(built)
        if rest != battery or not battery:
            raise UsageError(f"{text!r}: expected a battery with filler caps: {battery or 'none here'}")
        return gravity(built, instruments, battery)
    if kind == "inspect":
        if rest in built.spec.places:
            return inspect_place(built, instruments, rest)
        if rest in built.spec.parts:
            return inspect_part(built, instruments, rest)
        raise UsageError(unknown("place or component", rest, [*built.spec.places, *built.spec.parts]))
    if kind == "amps":
        own = ("battery",) if built.batteries else ()
        if rest not in (*own, *built.fuses):
            raise UsageError(unknown("place for the ammeter", rest, [*own, *built.fuses]))
        return amps(built, instruments, rest, condition)
    if kind == "swap":
        raise UsageError(f"{text!r}: this bike has no such twin parts; its swaps are among what a job plans")
    if kind in STIRS:
        place, _, points = rest.partition(":")
        if place not in built.spec.places:
            raise UsageError(unknown("place", place, built.spec.places))
        plus, _, minus = points.partition(":")
        if points and not minus:
            raise UsageError(
                f"{text!r}: a meter needs two points; expected {kind}:{place}:PLUS:MINUS@condition"
            )
        for point in filter(None, (plus, minus)):
            node_of_point(built.spec, point)
        return stir(built, instruments, kind, place, condition, plus, minus)
    raise UsageError(unknown("kind of measurement", kind, [*TWO_POINT, *OTHERS]))


def _jumper(
    built: Build, instruments: Mapping[str, Instrument], function: str, point: str, condition: Condition
) -> Measurement:
    if not built.spec.ground_post:
        raise UsageError("this bike has no battery, so no ground post for a wire")
    node_of_point(built.spec, point)
    return jumper(built, instruments, function, point, condition)
