"""What a piece of wire, a watch, a hydrometer and a clamp meter tell of a bike, as measurements.

Third arrow of the flow (composed bike -> acts). Reads the loom and the sound bike in use; solves nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from diagnose.bike.build import Build, node_of_point, part_of_joint
from diagnose.bike.currents import Service, as_condition
from diagnose.bike.effort import minutes_of, place_of, set_at
from diagnose.bike.hunt import wires_from
from diagnose.bike.model import Condition, Measurement
from diagnose.bike.points import touchable
from diagnose.catalogue.model import Function, Instrument
from diagnose.catalogue.words import FUNCTION_STATES

# 90 +-30 a minute: Swiss vehicle ordinance (SR 741.41) art. 79
FLASHES = ("sixty_to_120", "over_120", "under_60", "still")
# alike from 1.225, from 1.150, below; one lower than the others by 0.050: Witte, The Automobile Storage
# Battery (1922); US Army TM 5-3740-214-14
GRAVITIES = ("alike_full", "alike_half", "alike_low", "one_low")
# A. A clamp for direct current drifts by some tenths and stray fields of the cable beside it (estimate).
CLAMP_FROM = 5.0
JUMPED = ("light", "flash", "sound", "heat")  # kinds of function whose ground a wire may take over
# A joint of a ground steals less than this on a sound bike; what stands higher is no ground. [V] at 12 V
GROUND_SIDE_BELOW = 1.0


def aids(built: Build, service: Service, instruments: Mapping[str, Instrument]) -> Iterator[Measurement]:
    """Every wire to a load's ground, count of flashes, cable in a clamp, and the battery's acid."""
    points = touchable(built)
    for f in built.spec.functions.values():
        if f.kind in JUMPED and built.spec.ground_post:
            for point in ground_sides(built, service, f, points):
                yield jumper(built, instruments, f.id, point, as_condition(built, f.when))
        if f.kind == "flash":
            yield count(built, instruments, f.id, as_condition(built, f.when))
    for wire, condition in clamped(built, service):
        yield clamp(built, instruments, wire, condition)
    battery = with_filler_caps(built)
    if battery:
        yield gravity(built, instruments, battery)


def ground_sides(built: Build, service: Service, f: Function, points: Mapping[str, str]) -> tuple[str, ...]:
    """Points at which the current of a function's loads goes to ground: where a wire can stand in for it.

    points  node -> the point by which it is touched
    source  common practice: a wire from the battery's ground post to a lamp's ground brings it up, or not
    """
    own = as_condition(built, f.when)
    spec = built.spec
    if own not in service.conditions or own.engine != "off":
        return ()
    grounds = {node_of_point(spec, spec.ground_post), *(spec.nodes[p] for p in spec.body.values())}
    j = service.conditions.index(own)
    found: dict[str, None] = {}
    for element in f.elements:
        e = built.elements[element]
        _, at = min((abs(service.volts[service.nodes[n], j]), n) for n in (e.plus, e.minus))
        at = _terminal(built, element, at, points)
        if at not in points or at in grounds or is_electronics(built, points[at]):
            continue
        volts = abs(service.volts[service.nodes[at], j])
        *_, grounded = wires_from(built, at, through=("wire", "connector", "switch"))
        if grounded and volts < GROUND_SIDE_BELOW * spec.of_twelve:  # not through the lamps of the other side
            found.setdefault(points[at])
    return tuple(found)


def is_electronics(built: Build, point: str) -> bool:
    """Whether a point is one of a unit that no lamp, wire or ohmmeter may touch."""
    return built.spec.kinds[built.spec.parts[point.partition(".")[0]].kind].sensitive


def _terminal(built: Build, element: str, inner: str, points: Mapping[str, str]) -> str:
    """The node by which an inner one of a part, such as a lamp's shell, is reached from outside."""
    if inner in points:
        return inner
    own = f"{element.partition('.')[0]}."
    near = [e for e in built.netlist.elements if e.id.startswith(own) and e.id != element]
    beyond = [e.minus if e.plus == inner else e.plus for e in near if inner in (e.plus, e.minus)]
    return next((n for n in beyond if n in points), inner)


def jumper(
    built: Build, instruments: Mapping[str, Instrument], function: str, point: str, condition: Condition
) -> Measurement:
    """A wire from the battery's ground post to a point, while a function is watched."""
    f = built.spec.functions[function]
    joined = replace(condition, grounded=(point,))
    component = point.partition(".")[0]
    at = {place_of(built, component), place_of(built, built.spec.ground_post.partition(".")[0])}
    return Measurement(
        f"jumper:{function}:{point}@{condition.text}",
        "jumper",
        joined,
        point,
        built.spec.ground_post,
        function,
        choices=FUNCTION_STATES[f.kind],
        minutes=minutes_of(instruments, "jumper"),
        places=tuple(sorted(p for p in at | set_at(built, condition) if p)),
        setup=f"jumper|{condition.text}",
        kit=instruments["jumper"].kit,
        text=f.question,
        components=(component,),
    )


def count(
    built: Build, instruments: Mapping[str, Instrument], function: str, condition: Condition
) -> Measurement:
    """Flashes of an indicator counted against a watch."""
    f = built.spec.functions[function]
    return Measurement(
        f"count:{function}@{condition.text}",
        "count",
        condition,
        what=function,
        choices=FLASHES,
        minutes=minutes_of(instruments, "count"),
        places=tuple(sorted(set_at(built, condition))),
        setup=f"eyes|{condition.text}",
        kit="hands",
        components=tuple(dict.fromkeys(e.partition(".")[0] for e in f.elements)),
    )


def clamped(built: Build, service: Service) -> Iterator[tuple[str, Condition]]:
    """Cables whose current a clamp meter shows well, and when: at its most with the engine off, and charging.

    Never while something flashes: the display would not rest.
    """
    flashing = {as_condition(built, f.when).text for f in built.spec.functions.values() if f.kind == "flash"}
    steady = [j for j, c in enumerate(service.conditions) if c.text not in flashing]
    turning = {j: service.conditions[j].engine not in ("off", "cranking") for j in steady}
    row_of = {e.id: i for i, e in enumerate(built.netlist.elements)}
    for wire in built.spec.wires:
        row = row_of.get(core_of(wire))
        if row is None or not place_of(built, part_of_joint(built, wire)):
            continue
        for running in (False, True):
            some = [j for j, t in turning.items() if t == running]
            most = max(some, key=lambda j: service.currents[row, j], default=None)
            if most is None or service.currents[row, most] < CLAMP_FROM:
                continue
            condition = service.conditions[most]
            yield wire, replace(condition, engine="5000") if running else condition


def core_of(wire: str) -> str:
    """Element of the netlist that is the wire itself."""
    return f"{wire}.core"


def clamp(
    built: Build, instruments: Mapping[str, Instrument], wire: str, condition: Condition
) -> Measurement:
    """A clamp meter around one cable: its current without undoing anything."""
    place = place_of(built, part_of_joint(built, wire))
    turning = condition.engine == "cranking" or ("start", "pressed") in condition.controls
    return Measurement(
        f"clamp:{wire}@{condition.text}",
        "clamp",
        condition,
        what=wire,
        unit="A",
        minutes=minutes_of(instruments, "clamp"),
        places=tuple(sorted(p for p in {place} | set_at(built, condition) if p)),
        setup=f"clamp|{condition.text}",
        kit=instruments["clamp"].kit,
        helper=turning,
        engine_runs=condition.engine not in ("off", "cranking"),
        components=(wire,),
    )


def with_filler_caps(built: Build) -> str:
    """The battery, if its acid can be reached; else ''."""
    spec = built.spec
    found = [p.id for p in spec.parts.values() if spec.kinds[p.kind].filler_caps]
    return found[0] if found else ""


def gravity(built: Build, instruments: Mapping[str, Instrument], battery: str) -> Measurement:
    """A hydrometer in each cell of a battery with filler caps."""
    place = place_of(built, battery)
    return Measurement(
        f"gravity:{battery}@",
        "gravity",
        Condition(),
        what=battery,
        choices=GRAVITIES,
        minutes=minutes_of(instruments, "gravity"),
        places=(place,) if place else (),
        setup="eyes|",
        kit=instruments["gravity"].kit,
        components=(battery,),
    )
