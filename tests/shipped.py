"""The shipped single, opened once a session, with short ways to ask it something.

The pieces behind it are on trial elsewhere; here are only the questions.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

from diagnose.bike.asked import parse_measurement
from diagnose.bike.build import Build, build, node_of_point
from diagnose.bike.currents import Service, as_condition, service
from diagnose.bike.model import Measurement
from diagnose.catalogue.compose import compose_bike
from diagnose.expect import Situation, expect, reading_text, situation
from diagnose.means import Opened, open_knowledge
from diagnose.wiring import BikeWorld

KNOWLEDGE = Path(__file__).resolve().parent.parent / "knowledge"
BIKE, LED = "custom_single", "custom_single_led"
FUSES = ("acc_fuse", "charge_fuse", "main_fuse", "module_fuse")


@cache
def opened() -> Opened:
    """The shipped knowledge."""
    return open_knowledge(KNOWLEDGE)


@cache
def world(bike: str = BIKE) -> BikeWorld:
    """The world of a shipped bike."""
    return opened().world(bike)


@cache
def loom(bike: str = BIKE) -> tuple[Build, Service]:
    """A bike's netlist and its service, without its suspects."""
    if bike == BIKE:
        return world().built, world().service
    built = build(compose_bike(opened().library, bike))
    return built, service(built)


def parse(measurement: str, bike: str = BIKE) -> Measurement:
    """A measurement from its id."""
    return parse_measurement(loom(bike)[0], opened().library.instruments, measurement)


@cache
def bike_with(
    faults: tuple[str, ...] = (), found: bool = True, done: tuple[str, ...] = (), bike: str = BIKE
) -> Situation:
    """A bike with these faults, as `expect` sees it."""
    built, in_use = loom(bike)
    return situation(built, in_use, opened().library.instruments, faults, found=found, done=done)


def shown(
    condition: str,
    *faults: str,
    measurements: Sequence[Measurement] = (),
    found: bool = True,
    done: tuple[str, ...] = (),
    bike: str = BIKE,
    black: str = "",
) -> dict[str, Any]:
    """The `expect` object."""
    s = bike_with(tuple(faults), found, done, bike)
    return expect(s, as_condition(loom(bike)[0], condition), measurements, black)


def volts(condition: str, point: str, *faults: str, black: str = "battery.minus", **how: Any) -> float:
    """Volts of a point against another, before any rounding."""
    solution, column = solved(condition, *faults, **how)
    spec = loom(how.get("bike", BIKE))[0].spec
    ends = (node_of_point(spec, p) for p in (point, black))
    return float(solution.between(*ends)[column])


def state(condition: str, function: str, *faults: str, **how: Any) -> str:
    """The word of a function."""
    return {f["function"]: f["state"] for f in shown(condition, *faults, **how)["functions"]}[function]


def awake(condition: str, *faults: str, **how: Any) -> set[str]:
    """Functions that do anything at all, those without an engine and without the ignition."""
    kinds = {f.id: f.kind for f in loom(how.get("bike", BIKE))[0].spec.functions.values()}
    electric = {"light", "flash", "sound", "unit", "starter"}
    seen = shown(condition, *faults, **how)["functions"]
    return {f["function"] for f in seen if f["state"] != "dead" and kinds[f["function"]] in electric}


def given(measurement: str, *faults: str, **how: Any) -> tuple[float | str | None, float | None, str]:
    """(value, spread, text) of a reading."""
    bike = how.get("bike", BIKE)
    s = bike_with(tuple(faults), how.get("found", True), how.get("done", ()), bike)
    m = parse(measurement, bike)
    return reading_text(s.predictor.columns(s.job, [m])[m.id], s.index)


def reading(measurement: str, *faults: str, **how: Any) -> float:
    """What the meter shows, rounded as its display; inf for OL."""
    value, _, _ = given(measurement, *faults, **how)
    assert not isinstance(value, str)
    return float("inf") if value is None else value


def word(measurement: str, *faults: str, **how: Any) -> str:
    """The likeliest word of a measurement without a number."""
    value, _, _ = given(measurement, *faults, **how)
    assert isinstance(value, str)
    return value


def solved(condition: str, *faults: str, mode: str = "dc", **how: Any) -> tuple[Any, int]:
    """(solution, column) behind a prediction, for what is finer than a display."""
    bike = how.get("bike", BIKE)
    s = bike_with(tuple(faults), how.get("found", True), how.get("done", ()), bike)
    return s.predictor.solution(s.job, as_condition(loom(bike)[0], condition), mode), s.index


def amperes(condition: str, element: str, *faults: str, **how: Any) -> float:
    """Current of an element, without sign [A]."""
    solution, column = solved(condition, *faults, **how)
    return abs(float(solution.current(element)[column]))
