"""One settled case as a SPICE deck, so that anyone can check the volts with another simulator.

The deck is one phase: contacts and fuses that are open are left out, closed ones are resistors,
units, motors and generators are the linear pieces they settled in. Comment lines beginning `* @`
say what is what. Values in ohms, volts, amperes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.circuit import elements as law
from diagnose.circuit.netlist import JOINT_OHMS, LAWS, LEAK_OHMS, Add, Element, Move
from diagnose.circuit.point import Part, Point, point_of
from diagnose.circuit.solve import Solution
from diagnose.errors import CircuitError


@dataclass(frozen=True, slots=True)
class Reading:
    """What the instrument shows. volts: between two nodes through a meter of `ohms`; amps: through an
    element; ohms: between two nodes of a dead circuit, by a current of 1 uA; none of the unit's leads."""

    kind: str  # volts | amps | ohms
    plus: str = ""
    minus: str = ""
    element: str = ""
    ohms: float = 1e7


OHMS_TEST_AMPS = 1e-6


def deck(solution: Solution, column: int, reading: Reading | None = None, title: str = "circuit") -> str:
    """A deck of one case of a solution that ngspice solves with `op`.

    reading  the instrument to put in, with a comment that says which quantity it shows
    raises   CircuitError for an unknown node or element of the reading
    source   ngspice manual, chapters on R, V, I, B and D elements
    """
    part, here = solution.part_at(column)
    point = point_of(part)
    names = _node_names(part, here, solution, column)
    known = {name: f"n{number}" for number, name in names.items()} | {solution.nodes[-1]: "0"}
    lines = [f"* {re.sub(r'[^ -~]', '?', title)}"]
    lines += [f"* @node {spice} {name}" for name, spice in known.items()]
    lines += [f"* @state {_state(solution, part, point, here, d)}" for d in range(len(solution.devices))]
    body: list[str] = []
    models: dict[str, str] = {}
    label: dict[str, str] = {}
    for number, element in enumerate(part.sheet.layout.elements):
        if not point.inside[number, here]:
            continue
        plus, minus = (_spice(part, k) for k in part.sheet.ends(number, here))
        if plus == minus:
            continue
        own = f"{number + 1}"
        name = _element_name(solution, column, element)
        body += _element(point, number, here, own, plus, minus, models)
        label[name] = own
        body[-1] += f" ; {name}" if name else ""
        for value, tolerance in element.tolerances.items():
            letter = "v" if value in ("emf", "back_emf", "regulated_volts") else body[-1][0].lower()
            if tolerance and any(line.lower().startswith(f"{letter}{own} ") for line in body[-2:]):
                lines.append(f"* @tolerance {letter}{own} {tolerance:.6g} {value}")
    body += _leaks(part, point, here, {k - 1 for k in names})
    if reading is not None:
        lines += _instrument(reading, known, label, body)
    return "\n".join([*lines, *body, *models.values(), ".temp 27", ".op", ".end", ""])


def _spice(part: Part, node: int) -> str:
    return "0" if node == part.sheet.layout.ground else f"n{node + 1}"


def _node_names(part: Part, here: int, solution: Solution, column: int) -> dict[int, str]:
    """Spice number -> name of every node that is in use in this case."""
    layout = part.sheet.layout
    used = {k for n in range(len(layout.elements)) for k in part.sheet.ends(n, here)} - {layout.ground}
    fresh: list[str] = []
    for edit in solution.cases[column].every_edit:
        wanted: Sequence[str] = ()
        if isinstance(edit, Add):
            wanted = (edit.element.plus, edit.element.minus)
        elif isinstance(edit, Move):
            wanted = (edit.node,)
        fresh += [n for n in wanted if n not in layout.node_of and n not in fresh]
    names = {layout.first_spare_node + i: name for i, name in enumerate(fresh)}
    return {k + 1: names.get(k, layout.nodes[k]) for k in sorted(used)}


def _element_name(solution: Solution, column: int, element: Element) -> str:
    """Name of an element; of a spare one, the name it was added under."""
    if not element.id.startswith("#"):
        return element.id
    added = [
        e.element.id
        for e in solution.cases[column].every_edit
        if isinstance(e, Add) and e.element.law == element.law
    ]
    which = int(element.id.removeprefix(f"#{element.law}"))
    return added[which] if which < len(added) else ""


def _element(
    point: Point, number: int, here: int, own: str, plus: str, minus: str, models: dict[str, str]
) -> list[str]:
    """Lines of one element. A source is a V behind an R, with a node of its own between."""
    element = point.part.sheet.layout.elements[number]
    value = _values(point, number, here)
    if element.law in ("resistor", "contact", "fuse"):
        return [f"R{own} {plus} {minus} {max(value['resistance'], JOINT_OHMS):.15g}"]
    if element.law in ("source", "motor", "generator"):
        state = int(_driver_state(point, number, here))
        if element.law == "generator" and state == 2:
            return [f"I{own} {minus} {plus} {value['max_current']:.15g}"]
        emf = {
            "source": value.get("emf", 0.0),
            "motor": value.get("back_emf", 0.0) if state == 1 else 0.0,
            "generator": value.get("regulated_volts", 0.0),
        }[element.law]
        ohms = max(value["resistance"], JOINT_OHMS)
        if emf == 0.0:
            return [f"R{own} {plus} {minus} {ohms:.15g}"]
        return [f"V{own} x{own} {minus} {emf:.15g}", f"R{own} {plus} x{own} {ohms:.15g}"]
    if element.law == "electronic":
        return [f"R{own} {plus} {minus} {1.0 / float(point.g[number, here]):.15g}"]
    if element.law == "lamp":
        rating = (np.array(value[name]) for name in ("rated_watts", "rated_volts", "cold_ratio"))
        scale, cold_volts, cold_g = (float(x) for x in law.filament_constants(*rating))
        v = f"V({plus},{minus})"
        power = law.FILAMENT_EXPONENT - 1.0
        return [
            f"B{own} {plus} {minus} I = abs({v}) > {cold_volts:.15g} ? "
            f"{scale:.15g}*{v}*pow(max(abs({v}),{cold_volts:.15g}),{power:.15g}) : {cold_g:.15g}*{v}"
        ]
    model = f"d{own}"
    models[model] = (
        f".model {model} D(IS={value['saturation_current']:.15g} N={value['emission']:.15g} "
        f"RS=0 BV=1e9 TNOM=27)"
    )
    return [f"D{own} {plus} {minus} {model}"]


def _values(point: Point, number: int, here: int) -> dict[str, float]:
    layout = point.part.sheet.layout
    kind = layout.elements[number].law
    at = int(np.searchsorted(layout.by_law[kind], number))
    return {name: float(point.values[layout.rows[kind, name][at], here]) for name in LAWS[kind]}


def _driver_state(point: Point, number: int, here: int) -> int:
    driver = point.work.layout.driver[number]
    return int(point.part.settled.states[driver, here]) if driver >= 0 else 0


def _leaks(part: Part, point: Point, here: int, used: set[int]) -> list[str]:
    """100 Mohm from each chain end; a ring cut off from everything gets one, where the solver reads 0 V."""
    order = point.work.plan.order
    leaky = {int(order[k]) for k in np.flatnonzero(point.leaks[:, here] > 0.0)} & used
    volts = np.abs(part.settled.volts[:, here])
    for island in _islands(part, point, here, used):
        if not island & leaky and part.sheet.layout.ground not in island:
            leaky.add(min(island, key=lambda k: (volts[k], k)))
    return [f"Rleak{k + 1} n{k + 1} 0 {LEAK_OHMS:.15g}" for k in sorted(leaky)]


def _islands(part: Part, point: Point, here: int, used: set[int]) -> list[set[int]]:
    """Nodes joined by anything in circuit."""
    island = {k: {k} for k in used | {part.sheet.layout.ground}}
    for number in np.flatnonzero(point.inside[:, here]).tolist():
        plus, minus = part.sheet.ends(number, here)
        if island[plus] is not island[minus]:
            island[plus] |= island[minus]
            for k in island[minus]:
                island[k] = island[plus]
    return list({id(nodes): nodes for nodes in island.values()}.values())


def _state(solution: Solution, part: Part, point: Point, here: int, number: int) -> str:
    """What settles, with what an outside simulator needs to settle it itself; the state word comes last."""
    device = solution.compiled.netlist.devices[number]
    state = int(part.settled.states[number, here])
    work, layout = point.work, part.sheet.layout

    def own(name: str) -> str:
        return f"{float(work.device_values[number, name][here]):g}"

    def ends(role: str) -> str:
        places = []
        for name in device.roles.get(role, ()):
            plus, minus = (_spice(part, k) for k in part.sheet.ends(layout.element_of[name], here))
            ohms = 1.0 / float(work.conductance[layout.element_of[name], here])
            places.append(f"{plus},{minus}" if role == "coil" else f"{plus},{minus},{ohms:g}")
        return ";".join(places)

    def nodes(role: str) -> str:
        return ",".join(_spice(part, layout.node_of[name]) for name in device.roles.get(role, ()))

    if device.law == "fuse":
        rating = _values(point, layout.element_of[device.roles["element"][0]], here)["rating"]
        word = "opened" if state else "closed"
        return f"fuse {device.id} rating={rating:g} opens_at={own('opens_at')} at={ends('element')} {word}"
    if device.law == "relay":
        coil = layout.elements[layout.element_of[device.roles["coil"][0]]]
        contacts = "".join(f" {role}={ends(role)}" for role in ("no", "nc") if device.roles.get(role))
        return (
            f"relay {device.id} coil={coil.values.get('resistance', 0.0):g} operate={own('operate_volts')} "
            f"release={own('release_volts')} at={ends('coil')}{contacts} {'pulled' if state else 'dropped'}"
        )
    if device.law == "output":
        inputs = f" inputs={nodes('input_node')}" if device.roles.get("input_node") else ""
        return (
            f"output {device.id} minimum={own('minimum_volts')} input_low={own('input_low')} "
            f"limit={own('limit')} supply={nodes('supply_plus_node')},{nodes('supply_minus_node')}{inputs} "
            f"at={ends('output')} {('off', 'on', 'latched')[state]}"
        )
    if device.law == "electronic":
        return f"electronic {device.id} {'band' + str(state) if state else 'off'}"
    if device.law == "motor":
        return f"motor {device.id} turn={own('turn_volts')} {'turning' if state else 'stalled'}"
    return f"generator {device.id} {('blocked', 'regulating', 'limited')[state]}"


def _instrument(reading: Reading, known: dict[str, str], label: dict[str, str], body: list[str]) -> list[str]:
    if reading.kind == "amps":
        if reading.element not in label:
            raise CircuitError(f"deck: no element {reading.element} in circuit to read amperes of")
        own = label[reading.element]
        at = next(i for i, line in enumerate(body) if line.startswith(f"R{own} "))
        name, plus, rest = body[at].split(" ", 2)
        body[at] = f"{name} xamps {rest}"
        body.append(f"Vamps {plus} xamps 0")
        return ["* @reading amps i(vamps)"]
    for node in (reading.plus, reading.minus):
        if node not in known:
            raise CircuitError(f"deck: no node {node} in this case to read at")
    plus, minus = known[reading.plus], known[reading.minus]
    difference = f"v({plus})-v({minus})"
    for zero in ("v(0)-", "-v(0)"):
        difference = difference.replace(zero, "-" if zero == "v(0)-" else "")
    if reading.kind == "volts":
        body.append(f"Rmeter {plus} {minus} {reading.ohms:.15g}")
        return [f"* @reading volts {difference}"]
    if reading.kind == "ohms":
        body.append(f"Imeter {minus} {plus} {OHMS_TEST_AMPS:g}")
        return [f"* @reading ohms ({difference})/{OHMS_TEST_AMPS:g}"]
    raise CircuitError(f"deck: reading of kind {reading.kind!r}; expected volts, amps or ohms")
