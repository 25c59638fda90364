"""A circuit as data: elements between named nodes, devices that settle, faults as edits, cases.

Second arrow of the flow. Knows no motorcycle: names are opaque text, quantities SI.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

# law -> the values it needs (SI). Laws themselves are in elements.py.
LAWS: Mapping[str, tuple[str, ...]] = {
    "resistor": ("resistance",),
    # closed: 1 or 0; driven by a control (an edit of `closed`) or by a device
    "contact": ("resistance", "closed"),
    "fuse": ("resistance", "rating"),
    # emf behind resistance; a battery, a logic supply, an AC winding (emf 0 in DC cases)
    "source": ("emf", "resistance"),
    "lamp": ("rated_volts", "rated_watts", "cold_ratio"),
    "diode": ("saturation_current", "emission"),
    # constant-power unit (LED headlamp, dash, CDI supply): resistance by bands, driven by device `electronic`
    "electronic": ("rated_volts", "rated_watts", "cut_off_volts"),
    # armature: resistance in series with back_emf while turning; driven by device `motor`
    "motor": ("resistance", "back_emf"),
    # rectified alternator with regulator; driven by device `generator`
    "generator": ("regulated_volts", "resistance", "max_current"),
}

# device law -> roles (value: element ids, or node names for *_node roles) and parameters
DEVICE_ROLES: Mapping[str, tuple[str, ...]] = {
    # coil: element whose volts count; no: contacts closed when pulled; nc: contacts closed when dropped
    "relay": ("coil", "no", "nc"),
    "fuse": ("element",),
    # a solid-state output: contact `output` closed while supply_plus-supply_minus >= minimum_volts and
    # every input node (if any) is below input_low volts against supply_minus; latches off above limit
    # amperes. load_element: whose current counts (default the output contact)
    "output": ("output", "supply_plus_node", "supply_minus_node", "input_node"),
    "electronic": ("element",),
    "motor": ("element",),
    "generator": ("element",),
}
DEVICE_VALUES: Mapping[str, tuple[str, ...]] = {
    "relay": ("operate_volts", "release_volts"),
    "fuse": ("opens_at",),  # multiple of rating; steady current
    "output": ("minimum_volts", "input_low", "limit"),
    "electronic": (),
    "motor": ("turn_volts",),
    "generator": (),
}

OPEN_OHMS = 1e7  # contract: opens of 10 Mohm and more are left out of a deck
LEAK_OHMS = 1e8  # contract: explicit leakage from each chain end to ground
JOINT_OHMS = 1e-4  # contract: no element below 0.1 mohm


@dataclass(frozen=True, slots=True)
class Element:
    """One ideal branch. Current is positive from plus to minus through it (passive sign)."""

    id: str
    law: str
    plus: str
    minus: str
    values: Mapping[str, float]
    tolerances: Mapping[str, float] = field(default_factory=dict)  # param -> relative standard deviation


@dataclass(frozen=True, slots=True)
class Device:
    """Something that settles: it looks at the solution and sets elements. States are small integers:

    relay 0 dropped 1 pulled; fuse 0 whole 1 opened (stays); output 0 off 1 on 2 latched off (stays);
    electronic 0 off 1.. bands; motor 0 stalled 1 turning; generator 0 blocked 1 regulating 2 limited
    """

    id: str
    law: str
    roles: Mapping[str, tuple[str, ...]]
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Netlist:
    """elements with unique ids; ground: name of the reference node."""

    elements: tuple[Element, ...]
    devices: tuple[Device, ...]
    ground: str


# ---- edits: what a fault, a condition or a job state does to a netlist -----------------------------


@dataclass(frozen=True, slots=True)
class Change:
    """Set one value of an element (`element=id, param, value`) or of a device."""

    target: str
    param: str
    value: float


@dataclass(frozen=True, slots=True)
class Open:
    """Take an element out of circuit."""

    element: str


@dataclass(frozen=True, slots=True)
class Add:
    """Put an extra element in."""

    element: Element


@dataclass(frozen=True, slots=True)
class Move:
    """Take one end (`plus` or `minus`) of an element to another node."""

    element: str
    end: str
    node: str


@dataclass(frozen=True, slots=True)
class Reverse:
    """Swap the ends of an element."""

    element: str


@dataclass(frozen=True, slots=True)
class Force:
    """Hold a contact closed (1) or open (0) whatever drives it."""

    element: str
    closed: int


Edit = Change | Open | Add | Move | Reverse | Force


@dataclass(frozen=True, slots=True)
class Case:
    """One situation to solve: edits in order, and device states to start from (missing = 0).

    given  edits that come before the others; many cases share the one tuple (a condition), read only once
    """

    edits: tuple[Edit, ...] = ()
    states: tuple[tuple[str, int], ...] = ()
    given: tuple[Edit, ...] = ()

    @property
    def every_edit(self) -> tuple[Edit, ...]:
        """All edits in the order in which they act."""
        return (*self.given, *self.edits)
