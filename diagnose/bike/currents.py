"""What each element of a sound bike carries in service: the scale of "a bad joint" in its circuit.

A joint of 50 milliohm is ruin in a starter cable and nothing at a module input. So severities of series
faults are made from the healthy current, found here by solving the sound bike in every condition of use.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.bike.build import Build, ac_edits, condition_edits
from diagnose.bike.lit import at_right_angles
from diagnose.bike.model import Condition
from diagnose.catalogue.conditions import fitting, parse_condition
from diagnose.catalogue.model import Function, Requirement
from diagnose.circuit.netlist import Case
from diagnose.circuit.solve import Compiled, compile_netlist, settle_cases

RESTING_AMPERES = 0.3  # A: clocks and lamps of the clocks take hours to draw off a surface charge (estimate)
HELD = frozenset({"pressed", "pulled"})  # positions that spring back when they are let go
WORKING_AMPERES = 1.5  # A: a brake lamp's current, the least that tells of a battery in a minute (estimate)


@dataclass(frozen=True, slots=True, eq=False)
class Service:
    """The sound bike in use.

    conditions  DC conditions of use, in the order in which a rider meets them
    ohms        element id -> volts / amperes of its circuit where it carries most: the resistance that
                would take half of the volts [ohm]; absent where no condition sends current through it
    amperes     element id -> largest healthy current [A]
    best        element id -> index of the condition in which it carries most
    nodes       node name -> row in volts
    volts       (n_nodes, n_conditions) [V] against the reference node
    currents    (n_elements, n_conditions) [A], absolute; of direct and alternating the larger
    ac_volts    (n_nodes, n_conditions) effective volts where lighting windings turn [V]; else 0
    ac_currents (n_elements, n_conditions) effective amperes there, absolute [A]; else 0
    """

    conditions: tuple[Condition, ...]
    ohms: Mapping[str, float]
    amperes: Mapping[str, float]
    best: Mapping[str, int]
    nodes: Mapping[str, int]
    volts: np.ndarray
    currents: np.ndarray
    ac_volts: np.ndarray
    ac_currents: np.ndarray


def as_condition(built: Build, text: str) -> Condition:
    """Read the contract's condition text against this bike; raises UsageError with near misses."""
    read = parse_condition(text, built.spec)
    return Condition(read.controls, read.engine, read.out, read.apart, read.battery, read.grounded)


def complained_condition(built: Build, told: str, f: Function) -> Condition:
    """The condition in which a complaint tells of a function; '' is the function's own.

    What the bike lacks is left out; lamps that only burn while the engine runs are looked at running.
    """
    own = as_condition(built, f.when)
    if not told:
        return own
    found = as_condition(built, fitting(told, built.spec.controls))
    return replace(found, engine=own.engine) if is_lit(built, own) and found.engine == "off" else found


def need_condition(built: Build, need: Requirement, condition: Condition) -> Condition:
    """The condition in which a need is judged: its own control positions over those of the function's."""
    if not need.when:
        return condition
    controls = dict(condition.controls) | dict(as_condition(built, need.when).controls)
    return replace(condition, controls=tuple(sorted(controls.items())))


def use_conditions(built: Build) -> tuple[Condition, ...]:
    """Every distinct condition in which some function should work, plus rest and plain key-on ones.

    The plain ones are each function's condition without its last control, so that "stays on" shows.
    """
    texts: list[str] = [""]
    for f in built.spec.functions.values():
        if f.kind == "stop":
            continue
        texts.append(f.when)
    found: dict[str, Condition] = {}
    for text in texts:
        c = as_condition(built, text)
        found.setdefault(c.text, c)
    for c in list(found.values()):
        for control, _ in c.controls:
            fewer = Condition(tuple(p for p in c.controls if p[0] != control), "off")
            if fewer.controls and len(fewer.controls) == len(c.controls) - 1 and len(fewer.controls) <= 1:
                found.setdefault(fewer.text, fewer)
    for f in built.spec.functions.values():
        for need in f.needs if f.kind != "stop" else ():
            if need.when:
                c = replace(need_condition(built, need, as_condition(built, f.when)), engine="off")
                found.setdefault(c.text, c)
    return tuple(sorted(found.values(), key=lambda c: (len(c.controls) + (c.engine != "off"), c.text)))


def is_lit(built: Build, condition: Condition) -> bool:
    """Whether a winding that feeds lamps turns in a condition."""
    return bool(built.reactances) and condition.engine not in ("off", "cranking")


def _wound(built: Build, compiled: Compiled, condition: Condition) -> Case:
    """The sound bike's AC case in a condition in which lighting windings turn."""
    case = Case(condition_edits(built, condition) + ac_edits(built, condition))
    (as_source,) = at_right_angles(built, compiled, [case], condition)
    return Case((*case.edits, *as_source))


def battery_amperes(built: Build, service: Service, condition: Condition) -> float | None:
    """Current of a sound bike's battery in a condition, all fuses and plugs in [A]; None if unknown."""
    whole = replace(condition, out=(), apart=())
    if whole not in service.conditions or not built.batteries:
        return None
    ids = [e.id for e in built.netlist.elements]
    rows = [ids.index(cell) for cell in built.batteries]
    return float(service.currents[rows, service.conditions.index(whole)].max())


def battery_rests(built: Build, service: Service, condition: Condition) -> bool:
    """Whether next to nothing is drawn in a condition, so that a battery keeps its surface charge."""
    if condition.engine != "off" or not condition.battery:
        return False
    amperes = battery_amperes(built, service, condition)
    return not condition.controls if amperes is None else amperes < RESTING_AMPERES


def is_held(condition: Condition) -> bool:
    """Whether a button or lever must be held for a condition."""
    return bool(HELD & {position for _, position in condition.controls})


def working_condition(built: Build, service: Service) -> Condition | None:
    """How lamps load the battery most with the engine off: the headlamp on, or what stays on for a minute.

    A lamp that has to be held on is only taken where no other draws enough; None if none does, or no battery.
    """
    functions = built.spec.functions.values()
    flashing = {as_condition(built, f.when).text for f in functions if f.kind == "flash"}
    lamps = [as_condition(built, f.when) for f in functions if f.kind == "light"]
    lamps = [c for c in lamps if c.text not in flashing]
    drawn = [(c, battery_amperes(built, service, c) or 0.0) for c in lamps if c.engine == "off"]
    enough = [(c, amperes) for c, amperes in drawn if amperes >= WORKING_AMPERES]
    by_itself = [(c, amperes) for c, amperes in enough if not is_held(c)]
    found = max(by_itself or enough, key=lambda each: (each[1], each[0].text), default=None)
    return found[0] if found else None


def _winding_currents(
    built: Build, compiled: Compiled, chosen: Sequence[Condition]
) -> Iterator[tuple[float, np.ndarray]]:
    """(effective volts, (n_elements,) effective amperes) at cranking speed, each winding part by itself.

    A plug of the charging winding is judged by that winding, whatever a source coil beside it gives.
    """
    turning = next((c for c in chosen if c.engine == "cranking"), Condition((), "cranking"))
    parts: dict[str, dict[str, float]] = {}
    for winding, volts in built.windings.items():
        parts.setdefault(winding.partition(".")[0], {})[winding] = volts
    for own in parts.values():
        alone = replace(built, windings=own)
        solved = settle_cases(compiled, [_wound(alone, compiled, turning)])
        amperes = np.abs([float(solved.current(e.id)[0]) for e in built.netlist.elements])
        yield max(own.values()) * built.spec.cranking_rpm / 1000.0, amperes


def service(built: Build, conditions: Sequence[Condition] | None = None) -> Service:
    """Solve the sound bike in each condition of use, DC and (for the windings) AC."""
    chosen = tuple(conditions) if conditions is not None else use_conditions(built)
    compiled = compile_netlist(built.netlist)
    cases = [Case(condition_edits(built, c)) for c in chosen]
    solution = settle_cases(compiled, cases)
    direct = np.abs([solution.current(e.id) for e in built.netlist.elements])  # (n_elements, n_conditions)
    ac_volts, ac_currents = np.zeros(solution.volts.shape), np.zeros(direct.shape)
    lit = [j for j, c in enumerate(chosen) if is_lit(built, c)]
    if lit:
        wound = [_wound(built, compiled, chosen[j]) for j in lit]
        alternating = settle_cases(compiled, wound)
        ac_volts[:, lit] = alternating.volts
        ac_currents[:, lit] = np.abs([alternating.current(e.id) for e in built.netlist.elements])
    amperes = np.maximum(direct, ac_currents)
    ohms: dict[str, float] = {}
    largest: dict[str, float] = {}
    best: dict[str, int] = {}
    for i, element in enumerate(built.netlist.elements):
        j = int(np.argmax(amperes[i]))
        largest[element.id], best[element.id] = float(amperes[i, j]), j
        if amperes[i, j] > 1e-5:
            ohms[element.id] = built.spec.supply_volts / float(amperes[i, j])
    most = dict(largest)
    for drive, currents in _winding_currents(built, compiled, chosen):
        for i, element in enumerate(built.netlist.elements):
            if currents[i] > max(1e-6, most[element.id]):
                ohms[element.id], most[element.id] = drive / float(currents[i]), float(currents[i])
    nodes = {name: i for i, name in enumerate(solution.nodes)}
    return Service(chosen, ohms, largest, best, nodes, solution.volts, amperes, ac_volts, ac_currents)
