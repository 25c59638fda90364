"""The netlist of a bike, and the edits that a condition or a job state makes to it.

Third arrow of the flow (composed bike -> netlist). The only module that turns knowledge into circuit
elements. Element ids are `component.element`, device ids `component.device`, node names those of the
composed bike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.bike.dynamo import HELD, PER_1000RPM, Dynamo, armature_volts
from diagnose.bike.model import Condition, JobState
from diagnose.catalogue.model import Kind, Part
from diagnose.catalogue.spec import BikeSpec
from diagnose.catalogue.words import ENGINE_MOVES
from diagnose.circuit.instruments import LAMP_COLD_RATIO
from diagnose.circuit.netlist import Add, Change, Device, Edit, Element, Netlist, Open
from diagnose.errors import UsageError, unknown

# A permanent-magnet alternator's current against revolutions: it starts to charge at about 700 rpm and
# approaches its reactance-limited current with a constant of about 1500 rpm. Estimate: gives a third of
# full current at a 1300 rpm idle and 94 % at 5000, in keeping with the usual "12.2 to 13.2 V at idle
# with lights on is normal".
CHARGE_FROM_RPM = 700.0
CHARGE_RPM_CONSTANT = 1500.0

AC_SUFFIX = "ac_per_1000rpm"
PHASE_SUFFIX = "phase"
TRIGGER_SUFFIX = "trigger_volts"
LOAD_SUFFIX = "rated_load"
WAKE_SUFFIX = "wakes_at"
REACTANCE = "reactance_per_1000rpm"
CHARGE_MOST = "charge_most"
ALTERNATING = "alternating"
SURFACE = "surface_volts"  # of a battery: what it shows above its charge until it has worked


@dataclass(frozen=True, slots=True)
class Flasher:
    """How a flasher answers to what it is loaded with.

    rate   by_heat | by_count | fixed
    load   current it is made for [A]; 0: that of the sound bike
    driven True: its contact is moved by a device of its own, which needs feed and ground
    """

    rate: str
    load: float
    driven: bool


@dataclass(frozen=True, slots=True, eq=False)
class Build:
    """A bike as a circuit.

    netlist   everything at rest: controls in their resting position, engine off, battery on
    contacts  element id -> (control, positions in which it is closed)
    windings  element id -> AC volts per 1000 rpm [V rms]
    batteries element ids of the battery's sources
    generators element id -> full current [A]
    fuses     component id -> element ids of its link
    ways      connector id -> element ids that unplugging opens; wire id, wire id.a, wire id.b -> its core
              (undone at one end)
    phases    element id -> by how much its AC volts lag [degrees]; empty without a many-phase alternator
    flashers  element id of a contact that interrupts the indicators by itself -> what sets its rate
    by_engine element id of a contact -> closed while the engine (stands, turns), whatever its control does
    excited   element id of a winding -> (element id of its field, volts across that at which it wakes)
    sensed    element id of a generator -> (node whose volts it holds, node against which)
    triggers  element id of a contact -> the two nodes and the AC volts between them without which it stays
              open while the engine turns
    dynamos   element id of an armature -> what it makes
    reactances element id of a winding that feeds lamps -> its reactance for each 1000 rpm [ohm]
    clamps    element ids of diodes and sources that act in the AC circuit too (an AC regulator)
    """

    spec: BikeSpec
    netlist: Netlist
    contacts: Mapping[str, tuple[str, tuple[str, ...]]]
    windings: Mapping[str, float]
    batteries: tuple[str, ...]
    generators: Mapping[str, float]
    fuses: Mapping[str, tuple[str, ...]]
    ways: Mapping[str, tuple[str, ...]]
    elements: Mapping[str, Element]
    devices: Mapping[str, Device]
    phases: Mapping[str, float]
    flashers: Mapping[str, Flasher]
    by_engine: Mapping[str, tuple[bool, bool]]
    triggers: Mapping[str, tuple[str, str, float]]
    excited: Mapping[str, tuple[str, float]]
    sensed: Mapping[str, tuple[str, str]]
    dynamos: Mapping[str, Dynamo]
    reactances: Mapping[str, float]
    clamps: frozenset[str]


def kind_of(spec: BikeSpec, component: str) -> Kind:
    """The kind of a component; raises UsageError with near misses."""
    part = spec.parts.get(component)
    if part is None:
        raise UsageError(unknown("component", component, spec.parts))
    return spec.kinds[part.kind]


def node(spec: BikeSpec, component: str, terminal: str) -> str:
    """Node name of an own terminal or inner node ('#x') of a component."""
    if terminal.startswith("#"):
        return f"{component}.{terminal}"
    return spec.nodes[f"{component}.{terminal}"]


def node_of_point(spec: BikeSpec, point: str) -> str:
    """Node name of a test point `component.terminal`; raises UsageError with near misses."""
    found = spec.nodes.get(point)
    if found is None:
        component, _, terminal = point.partition(".")
        if component in spec.parts and terminal.startswith("#"):
            return point
        raise UsageError(unknown("test point", point, spec.nodes))
    return found


def _value_map(part: Part, kind: Kind) -> dict[str, tuple[float, float]]:
    values = {key: (v.number, v.tolerance) for key, v in kind.values.items()}
    values.update({key: (v.number, v.tolerance) for key, v in part.values.items()})
    return values


def build(spec: BikeSpec) -> Build:
    """Make the resting netlist of a composed bike."""
    elements: list[Element] = []
    devices: list[Device] = []
    contacts: dict[str, tuple[str, tuple[str, ...]]] = {}
    windings: dict[str, float] = {}
    phases: dict[str, float] = {}
    flashers: dict[str, Flasher] = {}
    by_engine: dict[str, tuple[bool, bool]] = {}
    triggers: dict[str, tuple[str, str, float]] = {}
    excited: dict[str, tuple[str, float]] = {}
    sensed: dict[str, tuple[str, str]] = {}
    generators: dict[str, float] = {}
    dynamos: dict[str, Dynamo] = {}
    reactances: dict[str, float] = {}
    clamps: set[str] = set()
    fuses: dict[str, tuple[str, ...]] = {}
    battery_part = spec.live_post.partition(".")[0]
    batteries: list[str] = []
    for part in spec.parts.values():
        kind = spec.kinds[part.kind]
        values = _value_map(part, kind)
        names = {e.name for e in kind.elements}
        per_element: dict[str, dict[str, float]] = {e.name: {} for e in kind.elements}
        tolerances: dict[str, dict[str, float]] = {e.name: {} for e in kind.elements}
        for key, (number, tolerance) in values.items():
            owner, _, param = key.partition(".")
            if owner in names:
                per_element[owner][param] = number
                if tolerance:
                    tolerances[owner][param] = tolerance
        for e in kind.elements:
            element_id = f"{part.id}.{e.name}"
            own = per_element[e.name]
            if AC_SUFFIX in own:
                windings[element_id] = own.pop(AC_SUFFIX)
                tolerances[e.name].pop(AC_SUFFIX, None)
            if PHASE_SUFFIX in own:
                phases[element_id] = own.pop(PHASE_SUFFIX)
                tolerances[e.name].pop(PHASE_SUFFIX, None)
            own.pop(SURFACE, None)  # only a fault gives it volts
            tolerances[e.name].pop(SURFACE, None)
            wakes_at = own.pop(WAKE_SUFFIX, 0.0)
            tolerances[e.name].pop(WAKE_SUFFIX, None)
            if e.excited_by:
                excited[element_id] = (f"{part.id}.{e.excited_by}", wakes_at)
            if e.sensed_at:
                sensed[element_id] = (node(spec, part.id, e.sensed_at), node(spec, part.id, e.minus))
            if REACTANCE in own:
                reactances[element_id] = own.pop(REACTANCE)
                tolerances[e.name].pop(REACTANCE, None)
            own.pop(CHARGE_MOST, None)  # a limit, told to the bike
            tolerances[e.name].pop(CHARGE_MOST, None)
            if own.pop(ALTERNATING, 0.0):
                clamps.add(element_id)
            if PER_1000RPM in own:
                sign = 1.0 if spec.ground == "minus" else -1.0
                dynamos[element_id] = Dynamo(own.pop(PER_1000RPM), own.pop(HELD), sign)
                for param in (PER_1000RPM, HELD):
                    tolerances[e.name].pop(param, None)
            if e.law == "contact":
                volts = own.pop(TRIGGER_SUFFIX, 0.0)
                tolerances[e.name].pop(TRIGGER_SUFFIX, None)
                if e.triggered_by:
                    one, other = (node(spec, part.id, t) for t in e.triggered_by)
                    triggers[element_id] = (one, other, volts)
                if e.closed_in:
                    positions = tuple(p for p in e.closed_in if p not in ENGINE_MOVES)
                    own["closed"] = float("standing" in e.closed_in)
                    if positions:
                        contacts[element_id] = (part.control, positions)
                        at_rest = spec.controls[part.control].rest in positions
                        own["closed"] = max(own["closed"], float(at_rest))
                    if len(positions) < len(e.closed_in):
                        by_engine[element_id] = ("standing" in e.closed_in, "turning" in e.closed_in)
                else:
                    own.setdefault("closed", 0.0)
                load = own.pop(LOAD_SUFFIX, 0.0)
                tolerances[e.name].pop(LOAD_SUFFIX, None)
                if kind.word == "flasher":
                    driven = any(e.name in d.roles.get("no", ()) for d in kind.devices)
                    flashers[element_id] = Flasher(kind.flash_rate, load, driven)
            if e.law == "generator":
                generators[element_id] = own["max_current"]
                own["max_current"] = 0.0
                tolerances[e.name].pop("max_current", None)
            if e.law == "source" and part.id == battery_part:
                batteries.append(element_id)
            elements.append(
                Element(
                    element_id,
                    e.law,
                    node(spec, part.id, e.plus),
                    node(spec, part.id, e.minus),
                    own,
                    tolerances[e.name],
                )
            )
        for d in kind.devices:
            roles = {
                role: tuple(
                    node(spec, part.id, m) if role.endswith("_node") else f"{part.id}.{m}" for m in members
                )
                for role, members in d.roles.items()
            }
            own_values = {
                key.partition(".")[2]: number
                for key, (number, _) in values.items()
                if key.partition(".")[0] == d.name and d.name not in names
            }
            devices.append(Device(f"{part.id}.{d.name}", d.law, roles, own_values))
            if d.law == "fuse":
                fuses[part.id] = roles["element"]
    ways: dict[str, tuple[str, ...]] = {}
    for connector, members in spec.connectors.items():
        ways[connector] = tuple(
            f"{m}.{e.name}" for m in members for e in spec.kinds[spec.parts[m].kind].elements
        )
    for wire in spec.wires:
        core = tuple(f"{wire}.{e.name}" for e in spec.kinds[spec.parts[wire].kind].elements)
        ways |= {wire: core, f"{wire}.a": core, f"{wire}.b": core}
    for part in spec.parts.values():  # a unit taken out whole: pins without a plug of the drawing too
        kind = spec.kinds[part.kind]
        if kind.sensitive or part.id in _last_leads(spec):
            ways.setdefault(part.id, tuple(f"{part.id}.{e.name}" for e in kind.elements))
    ground = spec.nodes[spec.ground_post]
    netlist = Netlist(tuple(elements), tuple(devices), ground)
    return Build(
        spec,
        netlist,
        contacts,
        windings,
        tuple(batteries),
        generators,
        fuses,
        ways,
        {e.id: e for e in elements},
        {d.id: d for d in devices},
        phases,
        flashers,
        by_engine,
        triggers,
        excited,
        sensed,
        dynamos,
        reactances,
        frozenset(clamps),
    )


def engine_rpm(spec: BikeSpec, engine: str) -> float:
    """Revolutions per minute of an engine word: off, cranking, idle or a number."""
    if engine == "off":
        return 0.0
    if engine == "cranking":
        return spec.cranking_rpm
    if engine == "idle":
        return spec.idle_rpm
    return float(engine)


def charge_fraction(rpm: float) -> float:
    """Share of the alternator's full current at these revolutions [1]."""
    if rpm <= CHARGE_FROM_RPM:
        return 0.0
    return 1.0 - math.exp(-(rpm - CHARGE_FROM_RPM) / CHARGE_RPM_CONSTANT)


def _last_leads(spec: BikeSpec) -> tuple[str, ...]:
    """Parts by which the battery's ground post hangs on the bike: its clamp, or wires bolted to it."""
    if not spec.has_battery:
        return ()
    at, battery = spec.nodes[spec.ground_post], spec.ground_post.partition(".")[0]
    return tuple(
        part.id
        for part in spec.parts.values()
        if part.id != battery
        and len(spec.kinds[part.kind].terminals) == 2
        and any(spec.nodes[f"{part.id}.{t}"] == at for t in spec.kinds[part.kind].terminals)
    )


def last_lead(spec: BikeSpec) -> str:
    """The one part by which the battery's ground post hangs on the bike; '' if several do."""
    leads = _last_leads(spec)
    return leads[0] if len(leads) == 1 else ""


def lamp_nodes(built: Build, part: str) -> tuple[str, str]:
    """The two nodes between which a lamp in place of a fuse or clamp stands."""
    first, second = kind_of(built.spec, part).terminals[:2]
    return node(built.spec, part, first), node(built.spec, part, second)


def lamp_edits(built: Build, lamp: str) -> tuple[Edit, ...]:
    """A lamp in place of a part. lamp: `PART:WATTS`, of the bike's own rated volts."""
    part, _, watts = lamp.partition(":")
    plus, minus = lamp_nodes(built, part)
    values = {
        "rated_volts": built.spec.supply_volts,
        "rated_watts": float(watts),
        "cold_ratio": LAMP_COLD_RATIO,
    }
    taken = [Open(f"{part}.{e.name}") for e in kind_of(built.spec, part).elements]
    return (*taken, Add(Element(f"#lamp_{part}", "lamp", plus, minus, values)))


AS_BROUGHT_IN = JobState()
# A metre of 1 mm2 (18 mohm), two clips and the fuse in it (estimate).
JUMPER_OHMS = 0.05


def condition_edits(built: Build, condition: Condition, job: JobState = AS_BROUGHT_IN) -> tuple[Edit, ...]:
    """What a condition, in a job state, changes in the resting netlist (DC)."""
    positions = {c.id: c.rest for c in built.spec.controls.values()}
    positions.update(dict(condition.controls))
    edits: list[Edit] = []
    turning = condition.engine != "off"
    for element_id in (*built.contacts, *(e for e in built.by_engine if e not in built.contacts)):
        control, closed_in = built.contacts.get(element_id, ("", ()))
        by_engine = built.by_engine.get(element_id, (False, False))
        closed = float(positions.get(control) in closed_in or by_engine[turning])
        if closed != built.elements[element_id].values["closed"]:
            edits.append(Change(element_id, "closed", closed))
    for fuse in sorted({*condition.out, *job.out}):
        if fuse not in built.fuses:
            raise UsageError(unknown("fuse", fuse, built.fuses))
        edits.extend(Open(e) for e in built.fuses[fuse])
    for connector in sorted({*condition.apart, *job.apart}):
        if connector not in built.ways:
            raise UsageError(unknown("connector", connector, built.ways))
        edits.extend(Open(e) for e in built.ways[connector])
    if not (condition.battery and job.battery):
        edits.extend(Open(e) for e in built.batteries)
    for lamp in job.lamps:
        edits.extend(lamp_edits(built, lamp))
    for point in condition.grounded:
        ends = node_of_point(built.spec, point), node_of_point(built.spec, built.spec.ground_post)
        edits.append(Add(Element(f"#jumper_{point}", "resistor", *ends, {"resistance": JUMPER_OHMS})))
    rpm = engine_rpm(built.spec, condition.engine)
    fraction = charge_fraction(rpm) if condition.engine not in ("off", "cranking") else 0.0
    if fraction:
        for element_id, full in built.generators.items():
            edits.append(Change(element_id, "max_current", full * fraction))
    if rpm:
        sound = np.ones(1)
        for element_id, d in built.dynamos.items():
            volts = armature_volts(d.per_1000rpm * sound, d.held * sound, rpm, sound, sound)
            edits.append(Change(element_id, "emf", d.sign * float(volts[0])))
    return tuple(edits)


def winding_share(built: Build, element: str, angle: float) -> float:
    """Share of a winding's AC volts seen at an angle of the turn [1]; a winding without a phase counts as 0.

    The circuit is solved in real numbers; a many-phase one at two angles 90 degrees apart, whose readings
    are the two parts of the phasor.
    angle  [degrees]
    """
    return math.cos(math.radians(built.phases.get(element, 0.0) - angle))


def ac_edits(built: Build, condition: Condition, angle: float = 0.0) -> tuple[Edit, ...]:
    """Further edits that turn the DC circuit into the AC one: windings drive it, DC sources are silent.

    Diodes are left out: what lies behind a rectifier does not load a winding in this first-order picture.
    Volts and amperes are effective ones. What a lighting winding's reactance does to it is `lit`'s to know.
    """
    rpm = engine_rpm(built.spec, condition.engine)
    edits: list[Edit] = []
    for element in built.netlist.elements:
        if element.id in built.windings:
            volts = built.windings[element.id] * rpm / 1000.0
            edits.append(Change(element.id, "emf", volts * winding_share(built, element.id, angle)))
        elif element.id in built.clamps:
            continue
        elif element.law == "source":
            edits.append(Change(element.id, "emf", 0.0))
        elif element.law == "diode":
            edits.append(Open(element.id))
        elif element.law == "generator":
            edits.append(Change(element.id, "max_current", 0.0))
        elif element.law == "motor":
            edits.append(Change(element.id, "back_emf", 0.0))
    return tuple(edits)


def part_of_joint(built: Build, joint: str) -> str:
    """A part that says where a connector is parted, or a wire undone: at the end that is reached sooner.

    WIRE.a or WIRE.b is the wire undone at that end.
    """
    ways = built.spec.connectors.get(joint)
    if ways:
        return ways[0]
    name, _, end = joint.partition(".")
    wire = built.spec.wires[name]
    if end:
        return (wire.start if end == "a" else wire.end).partition(".")[0]
    ends = [end.partition(".")[0] for end in (wire.start, wire.end)]
    placed = [p for p in ends if built.spec.parts[p].place] or [joint]
    return min(placed, key=lambda p: built.spec.places[built.spec.parts[p].place].access_min)


def hanging(built: Build, edits: tuple[Edit, ...], apart: Sequence[str]) -> tuple[Edit, ...]:
    """A fault's edits when wires are undone at one end: what rubs through along a wire hangs at the other."""
    moves: dict[str, tuple[str, str]] = {}
    for joint in apart:
        wire = built.spec.wires.get(joint.partition(".")[0])
        if wire is not None:
            undone, other = wire.start, wire.end
            if part_of_joint(built, joint) == other.partition(".")[0]:
                undone, other = other, undone
            moves[f"{wire.id}.#"] = (built.spec.nodes[undone], built.spec.nodes[other])
    if not moves:
        return edits
    out: list[Edit] = []
    for e in edits:
        if isinstance(e, Add):
            ends = next((m for prefix, m in moves.items() if e.element.id.startswith(prefix)), None)
            if ends is not None and ends[0] in (e.element.plus, e.element.minus):
                plus = ends[1] if e.element.plus == ends[0] else e.element.plus
                minus = ends[1] if e.element.minus == ends[0] else e.element.minus
                e = Add(replace(e.element, plus=plus, minus=minus))
        out.append(e)
    return tuple(out)
