"""Where to hunt a short or a grounded wire: what can be undone one by one, and what to switch on meanwhile.

Third arrow of the flow (composed bike -> acts). Reads the loom and the sound bike in use; solves nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from diagnose.bike.build import Build, node_of_point, part_of_joint
from diagnose.bike.currents import Service, as_condition
from diagnose.bike.model import Condition
from diagnose.catalogue.model import Function
from diagnose.circuit.netlist import Element

CARRYING = ("wire", "connector", "switch", "relay")  # words of parts that only pass current on
AWAKE_AMPERES = 0.1  # from here on something is switched on (the smallest lamp draws 0.1 A)
OWN_LOAD_AMPERES = 0.2  # from here on a switched load counts as a branch of its fuse


def joints_behind(built: Build, point: str) -> tuple[str, ...]:
    """Connectors and wires that can be undone one by one to see which branch behind a point is at fault.

    Walks the loom from the point as if every switch were closed, never through the battery, a body or a
    coil's way back; a wire at a connector is left to it. Where a wire branches off a
    joint of several wires it can be undone there too.
    """
    spec = built.spec
    stop = {spec.nodes[p] for p in spec.body.values()}
    start = node_of_point(spec, point)
    joints: dict[str, None] = {}
    connector_of = {way: c for c, ways in spec.connectors.items() for way in ways}
    carriers = ("resistor", "contact")
    near: dict[str, list[Element]] = {}
    for e in built.netlist.elements:
        if e.law in carriers and spec.kinds[spec.parts[e.id.partition(".")[0]].kind].word in CARRYING:
            near.setdefault(e.plus, []).append(e)
            near.setdefault(e.minus, []).append(e)
    seen, todo = {start}, [start]
    while todo:
        at = todo.pop(0)
        for e in near.get(at, ()):
            component = e.id.partition(".")[0]
            other = e.minus if e.plus == at else e.plus
            if other in stop:
                continue
            if component in connector_of:
                joints.setdefault(connector_of[component])
            elif component in spec.wires:
                if not _at_a_way(built, component, connector_of):
                    joints.setdefault(component)
                joints |= dict.fromkeys(_branch_ends(built, component, connector_of))
            if other not in seen:
                seen.add(other)
                todo.append(other)
    return tuple(joints)


def _at_a_way(built: Build, wire: str, connector_of: Mapping[str, str]) -> bool:
    ends = (built.spec.wires[wire].start, built.spec.wires[wire].end)
    return any(end.partition(".")[0] in connector_of for end in ends)


def _branch_ends(built: Build, wire: str, connector_of: Mapping[str, str]) -> list[str]:
    """WIRE.a, WIRE.b: its ends at no connector that meet at least two other wires, if not the handier end."""
    spec = built.spec
    found = []
    for end, point in (("a", spec.wires[wire].start), ("b", spec.wires[wire].end)):
        part = point.partition(".")[0]
        if part in connector_of or part == part_of_joint(built, wire):
            continue
        here = node_of_point(spec, point)
        others = [w.id for w in spec.wires.values() if here in (spec.nodes[w.start], spec.nodes[w.end])]
        if len(others) > 2:
            found.append(f"{wire}.{end}")
    return found


def switch_joints(built: Build, control: str) -> tuple[str, ...]:
    """What to undo to take each switch of a control out of the loom: its plug, else its first wire."""
    spec = built.spec
    found: dict[str, None] = {}
    for part in spec.parts.values():
        if part.control != control:
            continue
        own = {spec.nodes[f"{part.id}.{t}"] for t in spec.kinds[part.kind].terminals}
        plugs = [c for c, ways in spec.connectors.items() if any(spec.nodes[f"{w}.b"] in own for w in ways)]
        wires = [w.id for w in spec.wires.values() if {spec.nodes[w.start], spec.nodes[w.end]} & own]
        found |= dict.fromkeys((plugs or wires)[:1])
    return tuple(found)


def contacts_at_plugs(built: Build) -> tuple[tuple[str, str, Condition], ...]:
    """(plus, minus, condition) of each contact of a switch, read in ohms at the switch's own plug.

    The plug apart, once with the contact closed and once with it open: tells the switch from its wires.
    source  common practice: a switch is proved at its plug, in each position
    """
    spec = built.spec
    found = []
    for element, (control, closed_in) in built.contacts.items():
        if control not in spec.controls or spec.parts[element.partition(".")[0]].control != control:
            continue
        plugged = _at_plugs(built, built.elements[element])
        if plugged is None:
            continue
        plus, minus, apart = plugged
        own = spec.controls[control]
        by_ease = (own.rest, *own.positions)  # as it stands, where that will do
        closed = [p for p in by_ease if p in closed_in][:1]
        parted = [p for p in by_ease if p not in closed_in][:1]
        for position in (*closed, *parted):
            moved = ((control, position),) if position != own.rest else ()
            found.append((plus, minus, Condition(moved, apart=apart, battery=False)))
    return tuple(found)


def filaments_at_plugs(built: Build) -> tuple[tuple[str, str, Condition], ...]:
    """(plus, minus, condition) of each filament read in ohms at the lamp's own plug, the plug apart.

    source  common practice: a lamp is proved with the meter before a new one is bought
    """
    lamps = (e for e in built.netlist.elements if e.law == "lamp")
    plugged = (_at_plugs(built, e) for e in lamps)
    return tuple((p[0], p[1], Condition(apart=p[2], battery=False)) for p in plugged if p is not None)


def _at_plugs(built: Build, element: Element) -> tuple[str, str, tuple[str, ...]] | None:
    """Part's side of both connector ways that an element hangs between, and their plugs; None if not so."""
    spec = built.spec
    way_at = {spec.nodes[f"{w}.b"]: (f"{w}.b", c) for c, ways in spec.connectors.items() for w in ways}
    plus, minus = way_at.get(element.plus), way_at.get(element.minus)
    if plus is None or minus is None:
        return None
    return plus[0], minus[0], tuple(sorted({plus[1], minus[1]}))


def ways_to_chargers(built: Build) -> tuple[tuple[str, str], ...]:
    """(terminal, terminal) of what lies between a winding and its charger: each plug, and the wire after it.

    Volts lost across it, engine running and all joined, tell a bad way from winding and charger: an ohmmeter
    would have to go to the charger's own pins while it is plugged in, and what stands there against ground
    hangs on how the charger holds it.
    """
    spec = built.spec
    bodies = {spec.nodes[p] for p in spec.body.values()}
    chargers = [p for p in spec.parts.values() if spec.kinds[p.kind].word == "charger"]
    pins = [f"{p.id}.{t}" for p in chargers for t in spec.kinds[p.kind].terminals]
    found: dict[tuple[str, str], None] = {}
    for winding in built.windings:
        for end in (built.elements[winding].plus, built.elements[winding].minus):
            met, joined, _ = wires_from(built, end)
            entry = next((pin for pin in pins if spec.nodes[pin] in joined - bodies), "")
            if entry and met:
                found |= dict.fromkeys((f"{way}.a", f"{way}.b") for way, _ in met)
                last, near = met[-1]
                beyond = f"{last}.{'b' if near == 'a' else 'a'}"
                if spec.nodes[beyond] != spec.nodes[entry]:
                    found.setdefault((beyond, entry))
    return tuple(found)


def ways_grounded(built: Build, f: Function) -> tuple[tuple[str, Condition], ...]:
    """(point, condition) along the wire by which a switch stops the engine: is it grounded at each plug?

    Each plug on the way apart but the switch's own, the side towards the switch read to ground. None where
    the switch cuts a feed instead.
    """
    spec = built.spec
    own = dict(as_condition(built, f.when).controls)
    connector_of = {way: c for c, ways in spec.connectors.items() for way in ways}
    found: dict[tuple[str, Condition], None] = {}
    for element, (control, closed_in) in built.contacts.items():
        part = spec.parts[element.partition(".")[0]]
        if part.control != control or own.get(control) not in closed_in:
            continue
        own_ends = built.elements[element].plus, built.elements[element].minus
        ways = [wires_from(built, end) for end in own_ends]
        grounded = [at_ground for *_, at_ground in ways]
        if sorted(grounded) != [False, True]:
            continue
        for way, terminal in ways[grounded.index(False)][0]:
            if connector_of[way] != part.unplugs:
                position = ((control, own[control]),)
                rest = Condition(position, apart=(connector_of[way],), battery=False)
                found.setdefault((f"{way}.{terminal}", rest))
    return tuple(found)


def wires_from(
    built: Build, start: str, through: Collection[str] = ("wire", "connector")
) -> tuple[list[tuple[str, str]], set[str], bool]:
    """Along the wires from a node: connector ways (way, terminal on this side), nodes, whether to ground."""
    spec = built.spec
    bodies = {spec.nodes[p] for p in spec.body.values()}
    met, seen, todo, at_ground = [], {start}, [start], False
    while todo:
        at = todo.pop(0)
        at_ground = at_ground or at in bodies
        for e in built.netlist.elements:
            if at not in (e.plus, e.minus) or e.law not in ("resistor", "contact"):
                continue
            component = e.id.partition(".")[0]
            word = spec.kinds[spec.parts[component].kind].word
            other = e.minus if e.plus == at else e.plus
            at_ground = at_ground or word == "ground"
            if word not in through or other in seen:
                continue
            if word == "connector" and f"{component}.a" in spec.nodes:
                met.append((component, "a" if spec.nodes[f"{component}.a"] == at else "b"))
            seen.add(other)
            todo.append(other)
    return met, seen, at_ground


def is_awake(service: Service, condition: Condition) -> bool:
    """Whether the sound bike draws current in a condition: it is not that the key is off."""
    return float(service.currents[:, service.conditions.index(condition)].max()) > AWAKE_AMPERES


def drain_conditions(built: Build) -> tuple[Condition, ...]:
    """Everything off and one fuse out, or a charger's plug apart: does the standing current go away?"""
    spec = built.spec
    chargers = [p for p in spec.parts.values() if spec.kinds[p.kind].word == "charger" and p.unplugs]
    fuses = (Condition(out=(fuse,)) for fuse in built.fuses)
    return (*fuses, *(Condition(apart=(p.unplugs,)) for p in chargers))


def beside_the_lamps(built: Build) -> tuple[str, ...]:
    """Plugs of what lies across a lighting winding: undone at idle, do the lamps come up?"""
    spec = built.spec
    return tuple(p.unplugs for p in spec.parts.values() if spec.kinds[p.kind].word == "charger" and p.unplugs)


def fuse_conditions(built: Build, service: Service, fuse: str) -> list[Condition]:
    """Conditions for a lamp in place of a fuse: the plainest, the most loaded, and each of its own switches.

    Its own are those whose load no other fuse behind it carries.
    """
    row_of = {e.id: i for i, e in enumerate(built.netlist.elements)}
    rows = {f: row_of[elements[0]] for f, elements in built.fuses.items()}
    own = service.currents[rows[fuse]]
    loaded = [
        j for j, c in enumerate(service.conditions) if c.engine == "off" and c.controls and own[j] > 1e-3
    ]
    if not loaded:
        return []
    plain = min(loaded, key=lambda j: (len(service.conditions[j].controls), j))
    most = max(loaded, key=lambda j: own[j])
    behind = [service.currents[r] for f, r in rows.items() if f != fuse]
    behind = [other for other in behind if other[plain] <= own[plain]]

    def switches(j: int) -> bool:
        more = own[j] - own[plain]
        shared = any(other[j] - other[plain] > 0.5 * more for other in behind)
        return more > OWN_LOAD_AMPERES and not shared

    chosen = dict.fromkeys((plain, most, *(j for j in loaded if switches(j))))
    return [service.conditions[j] for j in chosen]


def joints_of_needs(built: Build, f: Function) -> tuple[str, ...]:
    """Joints around the parts that a function's AC needs are read at: undone, does it come back?

    The way to find a grounded kill branch without any instrument. A joint that the function needs tells
    nothing when it is undone, and is not planned for; nor is any where a cut feed stops the engine.
    """
    stopped = {n.plus for s in built.spec.functions.values() if s.kind == "stop" for n in s.needs}
    needed = [n.plus for n in f.needs if n.quantity == "ac_volts"]
    if not stopped.intersection(needed):
        return ()
    parts = dict.fromkeys(plus.partition(".")[0] for plus in needed)
    found: dict[str, None] = {}
    for part in parts:
        for terminal in built.spec.kinds[built.spec.parts[part].kind].terminals:
            found |= dict.fromkeys(joints_behind(built, f"{part}.{terminal}"))
    # and each wire by itself where it enters the part's own plug
    ways = {w for c, members in built.spec.connectors.items() if c in found for w in members}
    plugs = {built.spec.parts[p].unplugs for p in parts}
    own = {w for c in plugs if c in built.spec.connectors for w in built.spec.connectors[c]} & ways
    for wire in built.spec.wires.values():
        if {end.partition(".")[0] for end in (wire.start, wire.end)} & own:
            found.setdefault(wire.id)
    return tuple(found)


def lit_meanwhile(built: Build, service: Service, when: Condition) -> tuple[str, ...]:
    """The function of the strongest lamp that is lit in a condition anyway; () if none is.

    What it does as the starter is pressed tells battery, contacts and motor apart without any instrument.
    """

    def amperes(f: Function) -> float:
        return sum(service.amperes.get(e, 0.0) for e in f.elements)

    lit = [
        f
        for f in built.spec.functions.values()
        if f.kind == "light" and (c := as_condition(built, f.when)).controls and c.engine == "off"
        if set(c.controls) < set(when.controls) and amperes(f) > 0.0
    ]
    return (max(lit, key=amperes).id,) if lit else ()


def carries_starter(service: Service, built: Build, fuse: str) -> bool:
    """Whether more than a meter can bear runs through a fuse in use."""
    return service.amperes.get(built.fuses[fuse][0], 0.0) > 10.0  # the ammeter's own limit
