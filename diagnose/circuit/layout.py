"""A netlist laid out as rows of arrays: which row holds which value, who touches which node.

compile_netlist checks a netlist once. Spare elements and spare nodes at the end are what Add and
new node names in edits are put into. Knows nothing of single cases.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from diagnose.circuit.netlist import (
    DEVICE_ROLES,
    DEVICE_VALUES,
    LAWS,
    Device,
    Element,
    Netlist,
)
from diagnose.errors import CircuitError, unknown

# Laws that only edits and conditions change; laws that devices drive; laws that bend.
FIXED_LAWS = ("resistor", "contact", "fuse", "source")
BENT_LAWS = ("lamp", "diode")
DEVICE_LAWS = ("electronic", "motor", "generator")
# Values that may be left out.
DEFAULTS: Mapping[str, float] = {"limit": math.inf, "input_low": -math.inf, "minimum_volts": -math.inf}
POSITIVE = {"rated_volts", "rated_watts", "cold_ratio", "saturation_current", "emission", "rating"}
NOT_NEGATIVE = {"resistance", "cut_off_volts", "max_current", "opens_at"}
OPENED, FORCED = "#opened", "#forced"  # rows that Open and Force write
OPTIONAL_ROLES: Mapping[str, tuple[str, ...]] = {"output": ("load_element",)}


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Rows of one netlist, with spare elements and nodes.

    nodes      names, spare nodes after the netlist's own, ground last
    plus/minus (n_elements,) node numbers
    base       (n_rows,) value of every row when no edit touches it
    row_of     (element or device id, parameter) -> row
    open_rows, force_rows   (n_elements,): 1 = taken out; -1 free, 0 held open, 1 held closed
    by_law     law -> element numbers; rows: (law, parameter) -> rows of those elements
    driver     (n_elements,) device number that closes this contact or fuse, or -1
    closes_at  (n_elements,) its state in which the element is closed
    watched    nodes that some device looks at
    spare      law -> numbers of its spare elements
    ground     number of the reference node, the last
    needs      (n_elements,) stage of elimination that an element's ends must wait for: 1 fixed, 2 what
               settles, 3 what bends; stage (n,): that of every node
    pairs      (lower, higher) nodes joined by an element
    """

    netlist: Netlist
    nodes: tuple[str, ...]
    node_of: Mapping[str, int]
    elements: tuple[Element, ...]
    element_of: Mapping[str, int]
    plus: np.ndarray
    minus: np.ndarray
    devices: tuple[Device, ...]
    device_of: Mapping[str, int]
    base: np.ndarray
    row_of: Mapping[tuple[str, str], int]
    open_rows: np.ndarray
    force_rows: np.ndarray
    by_law: Mapping[str, np.ndarray]
    rows: Mapping[tuple[str, str], np.ndarray]
    driver: np.ndarray
    closes_at: np.ndarray
    watched: frozenset[int]
    spare: Mapping[str, tuple[int, ...]]
    first_spare_node: int
    ground: int
    needs: tuple[int, ...]
    stage: tuple[int, ...]
    pairs: frozenset[tuple[int, int]]


@dataclass(frozen=True, slots=True, eq=False)
class Compiled:
    """A checked netlist. layout: without spares; layouts and plans are kept for reuse.

    plans  also used by other netlists that differ in values only
    """

    netlist: Netlist
    layout: Layout
    layouts: dict[Any, Layout] = field(default_factory=dict)
    plans: dict[Any, Any] = field(default_factory=dict)

    @property
    def nodes(self) -> tuple[str, ...]:
        return self.layout.nodes


def compile_netlist(netlist: Netlist) -> Compiled:
    """Check a netlist and lay it out; the last few are kept.

    raises  CircuitError naming the element or device at fault
    """
    kept = _COMPILED.get(id(netlist))
    if kept is not None and kept.netlist is netlist:
        return kept
    _check(netlist)
    pattern = (
        tuple((e.id, e.law, e.plus, e.minus) for e in netlist.elements),
        tuple((d.id, d.law, *sorted(d.roles.items())) for d in netlist.devices),
        netlist.ground,
    )
    compiled = Compiled(
        netlist, _lay_out(netlist, {}, 0), {}, _keep(_PLANS, pattern, _PLANS.get(pattern, {}))
    )
    return _keep(_COMPILED, id(netlist), compiled)


# The same loom is asked for again and again: by every list of suspects, and with other values drawn for it.
KEPT_NETLISTS = 8
_COMPILED: dict[int, Compiled] = {}
_PLANS: dict[Any, dict[Any, Any]] = {}


def _keep(kept: dict[Any, Any], key: Any, value: Any) -> Any:
    """Put a value last among the few that are kept."""
    kept.pop(key, None)
    kept[key] = value
    while len(kept) > KEPT_NETLISTS:
        kept.pop(next(iter(kept)))
    return value


def with_spares(compiled: Compiled, elements: Mapping[str, int], nodes: int) -> Layout:
    """The layout with so many spare elements of each law and so many spare nodes."""
    key = (tuple(sorted((k, v) for k, v in elements.items() if v)), nodes)
    if key == ((), 0):
        return compiled.layout
    if key not in compiled.layouts:
        compiled.layouts[key] = _lay_out(compiled.netlist, dict(key[0]), nodes)
    return compiled.layouts[key]


def check_element(element: Element) -> None:
    """Raise CircuitError unless the law is known and its values are there and physical."""
    if element.law not in LAWS:
        raise CircuitError(f"element {element.id}: {unknown('law', element.law, LAWS)}")
    for name in LAWS[element.law]:
        if name not in element.values:
            raise CircuitError(
                f"element {element.id}: law {element.law} needs {name}; "
                f"expected {', '.join(LAWS[element.law])}"
            )
    for name, value in element.values.items():
        check_value(element.id, name, value)


def check_value(owner: str, name: str, value: float) -> None:
    """Raise CircuitError when a value is not a number or not physical."""
    if not math.isfinite(value) and name not in DEFAULTS and name not in ("limit", "resistance"):
        raise CircuitError(f"{owner}: {name}={value} is not a number; expected a finite value")
    if math.isnan(value) or (name in POSITIVE and value <= 0.0) or (name in NOT_NEGATIVE and value < 0.0):
        wanted = "a value above 0" if name in POSITIVE else "0 or more"
        raise CircuitError(f"{owner}: {name}={value} is not physical; expected {wanted}")


def _check(netlist: Netlist) -> None:
    seen: dict[str, Element] = {}
    for element in netlist.elements:
        if element.id in seen:
            raise CircuitError(f"element {element.id}: there are two of this name; expected unique ids")
        seen[element.id] = element
        check_element(element)
    nodes = {n for e in netlist.elements for n in (e.plus, e.minus)}
    if netlist.ground not in nodes:
        raise CircuitError(
            f"ground {netlist.ground}: nothing is joined to it; {unknown('node', netlist.ground, nodes)}"
        )
    driven: dict[str, str] = {}
    ids: set[str] = set()
    for device in netlist.devices:
        if device.id in ids:
            raise CircuitError(f"device {device.id}: there are two of this name; expected unique ids")
        ids.add(device.id)
        _check_device(device, seen, nodes, driven)
    for element in netlist.elements:
        if element.law in DEVICE_LAWS and element.id not in driven:
            raise CircuitError(
                f"element {element.id}: law {element.law} settles by a device; expected a device "
                f"{element.law} with role element=({element.id},)"
            )


def _check_device(
    device: Device, elements: Mapping[str, Element], nodes: set[str], driven: dict[str, str]
) -> None:
    if device.law not in DEVICE_ROLES:
        raise CircuitError(f"device {device.id}: {unknown('law', device.law, DEVICE_ROLES)}")
    allowed = DEVICE_ROLES[device.law] + OPTIONAL_ROLES.get(device.law, ())
    for role, targets in device.roles.items():
        if role not in allowed:
            raise CircuitError(f"device {device.id}: {unknown('role', role, allowed)}")
        for target in targets:
            if role.endswith("_node"):
                if target not in nodes:
                    raise CircuitError(f"device {device.id}: {role}: {unknown('node', target, nodes)}")
                continue
            if target not in elements:
                raise CircuitError(f"device {device.id}: {role}: {unknown('element', target, elements)}")
            if role in ("no", "nc", "output", "element"):
                if target in driven:
                    raise CircuitError(
                        f"device {device.id}: {role}={target} is already driven by {driven[target]}; "
                        f"expected one device to an element"
                    )
                driven[target] = device.id
    needed = {"relay": "coil", "output": "output"}.get(device.law, "element")
    if not device.roles.get(needed):
        raise CircuitError(
            f"device {device.id}: law {device.law} needs role {needed}; expected an element id"
        )
    if device.law == "output" and not (
        device.roles.get("supply_plus_node") and device.roles.get("supply_minus_node")
    ):
        raise CircuitError(f"device {device.id}: an output needs supply_plus_node and supply_minus_node")
    for role in ("no", "nc", "output", "element"):
        for target in device.roles.get(role, ()):
            law = elements[target].law
            right = {"relay": ("contact",), "output": ("contact",)}.get(device.law, (device.law,))
            if law not in right:
                raise CircuitError(
                    f"device {device.id}: {role}={target} has law {law}; expected {' or '.join(right)}"
                )
    for name in DEVICE_VALUES[device.law]:
        if name not in device.values and name not in DEFAULTS:
            raise CircuitError(f"device {device.id}: law {device.law} needs {name}")
    for name, value in device.values.items():
        check_value(device.id, name, value)


def _lay_out(netlist: Netlist, spare_elements: Mapping[str, int], spare_nodes: int) -> Layout:
    names = dict.fromkeys(n for e in netlist.elements for n in (e.plus, e.minus) if n != netlist.ground)
    first_spare = len(names)
    nodes = (*names, *(f"#node{i}" for i in range(spare_nodes)), netlist.ground)
    node_of = {name: i for i, name in enumerate(nodes)}
    elements = list(netlist.elements)
    spare: dict[str, tuple[int, ...]] = {}
    for law, count in spare_elements.items():
        spare[law] = tuple(range(len(elements), len(elements) + count))
        blank = dict.fromkeys(LAWS[law], 1.0)
        elements += [Element(f"#{law}{i}", law, netlist.ground, netlist.ground, blank) for i in range(count)]

    base: list[float] = []
    row_of: dict[tuple[str, str], int] = {}

    def put(owner: str, name: str, value: float) -> None:
        row_of[owner, name] = len(base)
        base.append(value)

    own = len(netlist.elements)
    for element in elements[:own]:
        for name in LAWS[element.law]:
            put(element.id, name, element.values[name])
    for device in netlist.devices:
        for name in DEVICE_VALUES[device.law]:
            put(device.id, name, device.values.get(name, DEFAULTS.get(name, math.nan)))
    for name, free in ((OPENED, 0.0), (FORCED, -1.0)):
        for element in elements[:own]:
            put(element.id, name, free)
    # spares come last, so that rows of the netlist's own values never move
    for element in elements[own:]:
        for name in LAWS[element.law]:
            put(element.id, name, 1.0)
        put(element.id, OPENED, 1.0)
        put(element.id, FORCED, -1.0)

    by_law = {
        law: np.array([i for i, e in enumerate(elements) if e.law == law], dtype=np.intp) for law in LAWS
    }
    rows = {
        (law, name): np.array([row_of[elements[i].id, name] for i in by_law[law]], dtype=np.intp)
        for law in LAWS
        for name in LAWS[law]
    }
    element_of = {e.id: i for i, e in enumerate(elements)}
    driver = np.full(len(elements), -1, dtype=np.intp)
    closes_at = np.ones(len(elements), dtype=np.int8)
    watched: set[int] = set()
    for d, device in enumerate(netlist.devices):
        for role, targets in device.roles.items():
            for target in targets:
                if role.endswith("_node"):
                    watched.add(node_of[target])
                    continue
                e = element_of[target]
                watched |= {node_of[elements[e].plus], node_of[elements[e].minus]}
                if role in ("no", "nc", "output", "element"):
                    driver[e] = d
                    closes_at[e] = 0 if role == "nc" or device.law == "fuse" else 1
    ground = len(nodes) - 1
    watched.discard(ground)
    plus = [node_of[e.plus] for e in elements]
    minus = [node_of[e.minus] for e in elements]
    needs = [3 if e.law in BENT_LAWS else 2 if driver[i] >= 0 else 1 for i, e in enumerate(elements)]
    stage = [2 if k in watched else 1 for k in range(ground)]
    for need, *ends in zip(needs, plus, minus, strict=True):
        for k in ends:
            if k != ground:
                stage[k] = max(stage[k], need)
    return Layout(
        netlist,
        nodes,
        node_of,
        tuple(elements),
        element_of,
        np.array(plus, dtype=np.intp),
        np.array(minus, dtype=np.intp),
        netlist.devices,
        {d.id: i for i, d in enumerate(netlist.devices)},
        np.array(base),
        row_of,
        np.array([row_of[e.id, OPENED] for e in elements], dtype=np.intp),
        np.array([row_of[e.id, FORCED] for e in elements], dtype=np.intp),
        by_law,
        rows,
        driver,
        closes_at,
        frozenset(watched),
        spare,
        first_spare,
        ground,
        tuple(needs),
        tuple(stage),
        frozenset(
            (min(a, b), max(a, b))
            for a, b in zip(plus, minus, strict=True)
            if a != b and ground not in (a, b)
        ),
    )
