"""Everything that can be measured, watched, looked at or repaired on a bike, made from its own file.

No list of measurements is written by hand: points come from the joints of the loom, conditions from the
functions, windings from the kinds of part, places from where the parts sit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from diagnose.bike.aids import aids
from diagnose.bike.build import Build, node_of_point, part_of_joint
from diagnose.bike.currents import HELD, Service, as_condition, is_lit, need_condition, working_condition
from diagnose.bike.effort import minutes_of, place_of, set_at
from diagnose.bike.hunt import (
    beside_the_lamps,
    carries_starter,
    contacts_at_plugs,
    drain_conditions,
    filaments_at_plugs,
    fuse_conditions,
    is_awake,
    joints_behind,
    joints_of_needs,
    lit_meanwhile,
    switch_joints,
    ways_grounded,
    ways_to_chargers,
)
from diagnose.bike.model import Condition, Measurement
from diagnose.bike.points import (
    charging_path,
    high_tension_nodes,
    lit_conditions,
    point_conditions,
    touchable,
)
from diagnose.catalogue.model import Function, Instrument, TestSpec
from diagnose.catalogue.words import FUNCTION_STATES

FUNCTION_WORDS = FUNCTION_STATES  # kind of a function -> what can be answered of it
LAMP_WORDS = ("bright", "half", "dim", "dark")
TWO_POINT = ("volts", "drop", "ohms", "diode", "ac_volts", "lowest_volts", "worked_volts", "lamp")
STIRS = ("wiggle", "heat", "wet")  # what brings out a fault that comes and goes
OTHERS = ("observe", "inspect", "amps", "clamp", "count", "swap", "gravity", "jumper", *STIRS)
BARE_HANDED = ("observe", "inspect", "count", "swap", *STIRS)  # kinds of measurement that want no tool
TOLD_IN_WORDS = ("lamp", "jumper", "gravity", *BARE_HANDED)  # kinds that no display shows a number of
COMES_AND_GOES = "comes_and_goes"
STIRRED = ("no_change", COMES_AND_GOES)
UNITS = {
    "volts": "V",
    "drop": "V",
    "ac_volts": "V",
    "lowest_volts": "V",
    "worked_volts": "V",
    "diode": "V",
    "ohms": "ohm",
    "amps": "A",
    "clamp": "A",
}
OBSERVE_MINUTES = {"spark": 3.0, "starter": 0.3, "stop": 0.5, "charge": 1.0, "heat": 1.5}
LOOK_AGAIN_MINUTES = 0.3  # a look at a lamp or an ear for a horn (common practice)
LOOK_MINUTES_EACH = 0.15  # a glance and a tug at one more part of a place already open (estimate)
# Earth lead off and on takes 2 minutes (common practice), shared by about three readings (estimate).
BATTERY_OFF_SHARE = 0.7
AND_LOOK_MINUTES = 1.5  # start or turn the engine and look again after a stir (estimate)
ASLEEP_MINUTES = 10.0  # until alarm, dash and module sleep (common practice: 10 to 20)
# With the ammeter in place a fuse is out and in again in a minute; bridging and waiting is shared (estimate).
DRAIN_STEP_MINUTES, DRAIN_STEP_WAIT_MINUTES = 1.5, 2.0
# With a lamp in a fuse's place one branch is undone and looked at in a minute (common practice); putting the
# lamp in is shared by about three looks (estimate).
LAMP_STEP_MINUTES = 1.3
DROP_BELOW = 1.0  # V on a 12 V bike: what a sound bike shows less of is a loss, not a supply
UNPLUG_MINUTES = 1.0  # find and part a connector (common practice: find and probe a plug 1.5)


def two_point(
    built: Build,
    instruments: Mapping[str, Instrument],
    kind: str,
    plus: str,
    minus: str,
    condition: Condition,
) -> Measurement:
    """A reading between two points; minutes count the set-up that the condition itself needs."""
    touched = tuple(dict.fromkeys(p.partition(".")[0] for p in (plus, minus)))
    hunting = kind == "lamp" and bool(condition.apart) and condition.out == touched
    minutes = LAMP_STEP_MINUTES - UNPLUG_MINUTES if hunting else minutes_of(instruments, kind)
    minutes += UNPLUG_MINUTES * len(condition.apart)
    minutes += 0.0 if condition.battery else BATTERY_OFF_SHARE
    places = {place_of(built, c) for c in touched}
    places |= {place_of(built, part_of_joint(built, c)) for c in condition.apart}
    places |= {place_of(built, f) for f in condition.out} | set_at(built, condition)
    turning = condition.engine == "cranking" or ("start", "pressed") in condition.controls
    wait = instruments[kind].values.get("wait")
    return Measurement(
        f"{kind}:{plus}:{minus}@{condition.text}",
        kind,
        condition,
        plus,
        minus,
        unit=UNITS.get(kind, ""),
        choices=LAMP_WORDS if kind == "lamp" else (),
        minutes=minutes + (0.5 if turning else 0.0),
        wait_min=wait.number if wait else 0.0,
        places=tuple(sorted(p for p in places if p)),
        setup=f"{kind}|{condition.text}",
        kit=instruments[kind].kit,
        helper=turning,
        engine_runs=condition.engine not in ("off", "cranking"),
        components=touched,
        disturbs=tuple(sorted({*condition.apart, *condition.out})),
    )


def observe(
    built: Build, instruments: Mapping[str, Instrument], function: str, condition: Condition
) -> Measurement:
    """Watch, hear or feel a function in a condition."""
    f = built.spec.functions[function]
    minutes = OBSERVE_MINUTES.get(f.kind, minutes_of(instruments, "observe"))
    components = tuple(dict.fromkeys(e.partition(".")[0] for e in f.elements))
    # a spark that names its element is seen at that part, behind its cover
    at = {place_of(built, c) for c in components} if f.kind == "spark" else set()
    at |= set_at(built, condition)
    at |= {place_of(built, part_of_joint(built, joint)) for joint in condition.apart}
    return Measurement(
        f"observe:{function}@{condition.text}",
        "observe",
        condition,
        what=function,
        choices=FUNCTION_WORDS[f.kind],
        minutes=minutes + UNPLUG_MINUTES * len(condition.apart),
        places=tuple(sorted(p for p in at if p)),
        setup=f"eyes|{condition.text}",
        kit="hands",
        engine_runs=condition.engine not in ("off", "cranking"),
        text=f.question,
        components=components,
        disturbs=condition.apart,
    )


def inspect_part(built: Build, instruments: Mapping[str, Instrument], component: str) -> Measurement:
    """Look at, feel and tug one part; a wire is followed along its way at its place, tape off."""
    kind = built.spec.kinds[built.spec.parts[component].kind]
    look = (kind.trace if component in built.spec.wires else None) or kind.look
    return Measurement(
        f"inspect:{component}@",
        "inspect",
        Condition(),
        what=component,
        choices=("sound", "damaged"),
        minutes=look.minutes.number if look else minutes_of(instruments, "inspect"),
        places=(place_of(built, component),) if place_of(built, component) else (),
        setup="eyes|",
        kit="hands",
        text=look.text if look else "",
        components=(component,),
    )


def sweep_parts(built: Build, place: str) -> tuple[str, ...]:
    """The parts, wires included, that one sweep of a place looks at."""
    return tuple(p.id for p in built.spec.parts.values() if p.place == place)


def inspect_place(built: Build, instruments: Mapping[str, Instrument], place: str) -> Measurement:
    """One short sweep of a place: look at, feel and tug everything there; say which part is bad."""
    parts = sweep_parts(built, place)
    return Measurement(
        f"inspect:{place}@",
        "inspect",
        Condition(),
        what=place,
        choices=("nothing_found", *parts),
        minutes=minutes_of(instruments, "inspect") + LOOK_MINUTES_EACH * len(parts),
        places=(place,),
        setup="eyes|",
        kit="hands",
        components=parts,
    )


def stir_id(kind: str, place: str, watched: Condition, plus: str = "", minus: str = "") -> str:
    """Id of a stir at a place; watched in a condition: what was complained of, or a meter at two points."""
    points = f":{plus}:{minus}" if plus else ""
    return f"{kind}:{place}{points}@{watched.text}"


def watched_needs(built: Build, f: Function) -> tuple[tuple[str, str, Condition], ...]:
    """(plus, minus, condition) of each need of a function that a meter shows with the engine off.

    Volts with the battery on, ohms with its lead off.
    """
    own = as_condition(built, f.when)
    found = []
    for need in f.needs:
        if need.quantity == "ac_volts" or "#" in need.plus or "#" in need.minus:
            continue
        still = replace(need_condition(built, need, own), engine="off", battery=need.quantity == "volts")
        found.append((need.plus, need.minus, still))
    return tuple(found)


def turns_engine(condition: Condition) -> bool:
    """Whether the engine turns in a condition, by itself or by its starter."""
    return condition.engine != "off" or ("start", "pressed") in condition.controls


def is_stirred_first(m: Measurement) -> bool:
    """Whether a stir is over before one looks: nobody reaches into a turning engine to move a wire."""
    return m.kind in STIRS and turns_engine(m.condition)


def stir(
    built: Build,
    instruments: Mapping[str, Instrument],
    kind: str,
    place: str,
    condition: Condition,
    plus: str = "",
    minus: str = "",
) -> Measurement:
    """Move, warm or wet everything at a place and watch whether the fault comes or goes.

    Where the engine turns in the condition, the place is stirred with the engine at rest and looked at after.
    plus, minus  where a meter stands that is watched; '' for what was complained of itself
    """
    turning = turns_engine(condition)
    touched = {place_of(built, p.partition(".")[0]) for p in (plus, minus) if p}
    at = sorted(filter(None, {place} | touched | set_at(built, condition)))
    points = f":{plus}:{minus}" if plus else ""
    kit = instruments[kind].kit
    more = AND_LOOK_MINUTES if turning else minutes_of(instruments, "volts") if plus else 0.0
    return Measurement(
        f"{kind}:{place}{points}@{condition.text}",
        kind,
        condition,
        plus,
        minus,
        what=place,
        choices=STIRRED,
        minutes=minutes_of(instruments, kind) + more,
        places=tuple(at),
        setup=f"eyes|{condition.text}",
        kit="meter" if plus and kit in ("hands", "lamp") else kit,
        engine_runs=condition.engine not in ("off", "cranking"),
        components=sweep_parts(built, place),
    )


def amps(
    built: Build, instruments: Mapping[str, Instrument], where: str, condition: Condition
) -> Measurement:
    """An ammeter in place of the earth lead (`battery`) or of a fuse."""
    battery = built.spec.live_post.partition(".")[0]
    component = battery if where == "battery" else where
    places = {place_of(built, component)} | set_at(built, condition)
    places |= {place_of(built, part_of_joint(built, c)) for c in condition.apart}
    places |= {place_of(built, f) for f in condition.out}
    standing = where == "battery" and not condition.controls
    hunting = standing and bool(condition.out or condition.apart)
    wait = DRAIN_STEP_WAIT_MINUTES if hunting else ASLEEP_MINUTES if standing else 0.0
    return Measurement(
        f"amps:{where}@{condition.text}",
        "amps",
        condition,
        what=where,
        unit="A",
        minutes=DRAIN_STEP_MINUTES if hunting else minutes_of(instruments, "amps"),
        wait_min=wait,
        places=tuple(sorted(p for p in places if p)),
        setup=f"amps|{condition.text}",
        kit=instruments["amps"].kit,
        components=(component,),
        disturbs=tuple(sorted({*condition.apart, *condition.out})),
    )


def measurements(
    built: Build, service: Service, instruments: Mapping[str, Instrument]
) -> dict[str, Measurement]:
    """Every measurement worth planning with, by id; made from the loom itself."""
    found: dict[str, Measurement] = {}

    def put(m: Measurement) -> None:
        found.setdefault(m.id, m)

    spec = built.spec
    ground, live = spec.ground_post, spec.live_post
    points = touchable(built)
    rows: dict[str, list[int]] = {}
    for i, element in enumerate(built.netlist.elements):
        rows.setdefault(element.plus, []).append(i)
        rows.setdefault(element.minus, []).append(i)
    reference = node_of_point(spec, ground)
    worked = working_condition(built, service)
    if live:
        put(two_point(built, instruments, "volts", *posts(built), Condition()))
    if worked:
        put(two_point(built, instruments, "worked_volts", *posts(built), worked))
    sparking = high_tension_nodes(built)
    for at, point in points.items():
        if at == reference or at in sparking:
            continue
        for j in point_conditions(built, service, at, rows):
            condition = service.conditions[j]
            if point == live and condition == worked:
                continue  # the posts themselves are read after a minute of it
            volts = service.volts[service.nodes[at], j] if at in service.nodes else 0.0
            kind = "drop" if abs(volts) < DROP_BELOW * spec.of_twelve else "volts"
            put(two_point(built, instruments, kind, *spec.tips(point), condition))
            sensitive = spec.kinds[spec.parts[point.partition(".")[0]].kind].sensitive
            if not sensitive:
                if kind == "volts":
                    put(two_point(built, instruments, "lamp", point, ground, condition))
                elif point != ground and live:
                    put(two_point(built, instruments, "lamp", live, point, condition))
    for at, point in points.items():
        if at in (reference, *sparking) or not built.reactances:
            continue
        for condition in lit_conditions(built, service, at, rows):
            put(two_point(built, instruments, "ac_volts", point, ground, condition))
            if not spec.kinds[spec.parts[point.partition(".")[0]].kind].sensitive:
                put(two_point(built, instruments, "lamp", point, ground, condition))
    for point, condition, post in charging_path(built, service, points, rows):
        put(two_point(built, instruments, "drop", *spec.tips(point, post), condition))
    for f in spec.functions.values():
        own = as_condition(built, f.when)
        if f.kind != "charge":
            put(observe(built, instruments, f.id, own))
        else:
            for engine in ("idle", "5000"):
                put(two_point(built, instruments, "volts", *posts(built), replace(own, engine=engine)))
            for plus, minus in ways_to_chargers(built):
                put(two_point(built, instruments, "ac_volts", plus, minus, replace(own, engine="2000")))
        if f.kind == "light" and is_lit(built, own):
            for joint in beside_the_lamps(built):
                put(observe(built, instruments, f.id, replace(own, engine="idle", apart=(joint,))))
        if f.kind == "spark":
            for joint in joints_of_needs(built, f):
                put(observe(built, instruments, f.id, replace(own, apart=(joint,))))
        if f.kind in ("light", "flash", "sound") and own.controls:
            for control, _ in own.controls:
                fewer = replace(own, controls=tuple(p for p in own.controls if p[0] != control))
                if fewer in service.conditions and fewer.controls:
                    put(observe(built, instruments, f.id, fewer))
                    if is_awake(service, fewer):  # unplug the switch: does it go out?
                        for joint in switch_joints(built, control):
                            put(observe(built, instruments, f.id, replace(fewer, apart=(joint,))))
        for need in f.needs:
            if "#" in need.plus or "#" in need.minus:
                continue
            if need.quantity == "ac_volts":
                when = need_condition(built, need, own)
                put(two_point(built, instruments, "ac_volts", need.plus, need.minus, when))
            elif need.quantity == "ohms":
                off = replace(need_condition(built, need, own), engine="off", battery=False)
                put(two_point(built, instruments, "ohms", need.plus, need.minus, off))
            elif f.kind == "spark" and not need.when:
                put(two_point(built, instruments, "volts", need.plus, need.minus, own))
            elif need.when:
                still = replace(need_condition(built, need, own), engine="off")
                put(two_point(built, instruments, "volts", need.plus, need.minus, still))
        if f.kind == "stop":
            for point, rest in ways_grounded(built, f):
                put(two_point(built, instruments, "ohms", point, ground, rest))
        if f.kind == "starter":
            put(two_point(built, instruments, "lowest_volts", *posts(built), own))
            for lamp in lit_meanwhile(built, service, own):
                put(observe(built, instruments, lamp, own))
    for plus, minus, rest in (*contacts_at_plugs(built), *filaments_at_plugs(built)):
        put(two_point(built, instruments, "ohms", plus, minus, rest))
    for part in spec.parts.values():
        own_kind = spec.kinds[part.kind]
        for test in own_kind.tests:
            put(_bench(built, instruments, part.id, test))
        if own_kind.trace if part.id in spec.wires else own_kind.look:
            put(inspect_part(built, instruments, part.id))
    for place in spec.places:
        if len(sweep_parts(built, place)) >= 2:
            put(inspect_place(built, instruments, place))
    _short_hunt(built, service, instruments, points, put)
    for m in aids(built, service, instruments):
        put(m)
    if live:
        put(amps(built, instruments, "battery", Condition()))
        for cut in drain_conditions(built):
            put(amps(built, instruments, "battery", cut))
    return found


def posts(built: Build) -> tuple[str, str]:
    """Plus and minus post of the battery."""
    return built.spec.body["battery_plus"], built.spec.body["battery_minus"]


def own_point(built: Build, component: str, text: str) -> str:
    """`terminal` of a component, or a full `component.terminal`, as a test point that can be touched."""
    return text if "." in text else f"{component}.{text}"


def _bench(
    built: Build, instruments: Mapping[str, Instrument], component: str, test: TestSpec
) -> Measurement:
    part = built.spec.parts[component]
    apart: tuple[str, ...] = ()
    if test.apart and part.unplugs:
        apart = (part.unplugs,)
    passive = test.instrument in ("ohms", "diode")
    # an engine turns by itself only with its ignition on
    sparks = [f for f in built.spec.functions.values() if f.kind == "spark" and test.engine != "off"]
    on = as_condition(built, sparks[0].when).controls if sparks else ()
    on = tuple((c, p) for c, p in on if p not in HELD or test.engine == "cranking")
    condition = Condition(on, test.engine, (), apart, battery=not passive)
    m = two_point(
        built,
        instruments,
        test.instrument,
        own_point(built, component, test.plus),
        own_point(built, component, test.minus),
        condition,
    )
    return replace(m, text=test.text)


def _short_hunt(built: Build, service: Service, instruments, points, put) -> None:
    """Ohms to ground behind each fuse and at each side of each connector way; a lamp for each fuse.

    Both also with each branch behind the fuse undone.
    """
    spec = built.spec
    ground = spec.ground_post
    key_on = [c for c in service.conditions if len(c.controls) == 1 and c.engine == "off"]
    key_on = [c for c in key_on if is_awake(service, c)]  # a lever pulled with the key off joins nothing
    for fuse in built.fuses:
        kind = spec.kinds[spec.parts[fuse].kind]
        first, second = (f"{fuse}.{t}" for t in kind.terminals[:2])
        off = Condition(out=(fuse,), battery=False)
        put(two_point(built, instruments, "ohms", second, ground, off))
        used = fuse_conditions(built, service, fuse)
        for condition in used:
            put(two_point(built, instruments, "lamp", first, second, replace(condition, out=(fuse,))))
        for joint in joints_behind(built, second):
            put(two_point(built, instruments, "ohms", second, ground, replace(off, apart=(joint,))))
            for condition in used[:1]:  # one branch after the other: the lamp dims at the culprit
                cut = replace(condition, out=(fuse,), apart=(joint,))
                put(two_point(built, instruments, "lamp", first, second, cut))
        if used and not carries_starter(service, built, fuse):
            put(amps(built, instruments, fuse, replace(used[0], out=(fuse,))))
    for connector, ways in spec.connectors.items():
        for way in ways:
            kind = spec.kinds[spec.parts[way].kind]
            for terminal in kind.terminals[:2]:
                rest = Condition(apart=(connector,), battery=False)
                put(two_point(built, instruments, "ohms", f"{way}.{terminal}", ground, rest))
                for c in key_on[:1]:
                    with_key = replace(rest, controls=c.controls)
                    put(two_point(built, instruments, "ohms", f"{way}.{terminal}", ground, with_key))
