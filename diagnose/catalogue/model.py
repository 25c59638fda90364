"""Knowledge as frozen data: kinds of part, sections of loom, bikes, complaints, sources.

First arrow of the flow (YAML -> these values). Holds no laws, no circuits, no probabilities beyond
the weights written in the files. Quantities are SI floats unless the name carries a unit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from diagnose.errors import Mark as Mark


@dataclass(frozen=True, slots=True)
class Value:
    """A number with its unit, spread and provenance.

    number     SI
    unit       as written: ohm, V, A, W, F, m, mm2, min, 1 (pure number)
    tolerance  relative standard deviation [1]
    source     id in sources.yaml; `estimate` needs a why
    """

    number: float
    unit: str
    tolerance: float = 0.0
    source: str = ""
    why: str = ""
    mark: Mark = field(default=Mark(), compare=False)


@dataclass(frozen=True, slots=True)
class Source:
    """Where numbers come from. status: read | from_memory | common_practice | estimate."""

    id: str
    title: str
    status: str
    issuer: str = ""
    year: str = ""
    clause: str = ""


@dataclass(frozen=True, slots=True)
class ElementSpec:
    """One ideal branch inside a kind of part.

    law        a key of circuit.netlist.LAWS
    plus/minus own terminal, or own inner node written with a leading '#'
    closed_in  for law `contact`: positions of the part's control in which it is closed; `standing` and
               `turning` speak of the engine
    triggered_by  for law `contact`: own two terminals between which its trigger_volts AC must stand while the
               engine turns, or it stays open
    excited_by  for law `source`: the own element (the rotor's winding) without whose current it gives no AC
    sensed_at  for law `generator`: the own terminal whose volts it holds, where that is not its plus
    """

    name: str
    law: str
    plus: str
    minus: str
    closed_in: tuple[str, ...] = ()
    triggered_by: tuple[str, ...] = ()
    excited_by: str = ""
    sensed_at: str = ""


@dataclass(frozen=True, slots=True)
class DeviceSpec:
    """A thing with memory or logic inside a kind of part: relay, fuse, output, electronic, motor, generator.

    roles  role -> own element names (or, for node roles, own terminals); see circuit.netlist.DEVICE_ROLES
    """

    name: str
    law: str
    roles: Mapping[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class EditSpec:
    """One change that a fault makes to the netlist, in the part's own names; bike.build resolves it.

    op is one of
      open       target=element
      set        target=element.param or device.param, to=number (SI)
      scale      target=element.param, by=factor
      series     target=element (resistive): adds the severity's ohms in series
      bridge     target=terminal, other=terminal: joins two own terminals by the severity's ohms
      to_ground  target=terminal, joined to the frame by the severity's ohms
      to_supply  target=terminal, joined to battery plus by the severity's ohms
      to_neighbour  target=terminal, joined to each neighbour in turn by the severity's ohms
      cross      target=terminal: its joint swapped with a neighbour's, one candidate a neighbour
      move       target=element.plus|minus, to_point=component.terminal
      reverse    target=element: ends swapped
      force      target=element (contact), state=closed|open, whatever its control or relay does
    """

    op: str
    target: str
    other: str = ""
    number: float = 0.0
    state: str = ""
    to_point: str = ""


@dataclass(frozen=True, slots=True)
class ModeSpec:
    """A way in which a kind of part fails.

    share      share of this kind's failures [1]; the shares of a kind need not sum to one (normalised)
    handbook   the handbook's share beside it, or None
    severity   none | series (scaled by circuit current) | leak (1 k to 100 kohm) | short (0 to 2 ohm)
    repair     id in the kind's repairs
    visible    chance that a look at the part shows it [1]
    traced     of a wire: chance that it shows once the wire is followed, tape off; None: visible
    fresh      factor on the prior when the wiring is new or altered [1]
    tags       words history.yaml can weigh: wet, vibration, heat, age, assembly, overload, load
    intermittent  chance that it shows at any one reading; 1 = always
    """

    id: str
    title: str
    edits: tuple[EditSpec, ...]
    share: Value
    repair: str
    handbook: Value | None = None
    severity: str = "none"
    visible: Value | None = None
    traced: Value | None = None
    fresh: float = 1.0
    tags: tuple[str, ...] = ()
    intermittent: float = 1.0
    get_home: str = ""


@dataclass(frozen=True, slots=True)
class RepairSpec:
    """Work that cures modes of a kind.

    sort     try (at most 10 min, no part) | repair | stop (not electrical: what to do instead)
    cures    mode ids, or ('*',) for all
    minutes  hands-on, without access and without the re-test
    price    [currency units, only gates]
    """

    id: str
    title: str
    sort: str
    cures: tuple[str, ...]
    minutes: Value
    price: Value
    text: str = ""
    get_home: str = ""
    parts: tuple[str, ...] = ()
    returnable: bool = True
    tool: str = "hands"


@dataclass(frozen=True, slots=True)
class LookSpec:
    """How a part is inspected with eyes and fingers. false_alarm: chance that a sound part looks bad."""

    minutes: Value
    text: str
    false_alarm: float = 0.03


@dataclass(frozen=True, slots=True)
class SwapSpec:
    """How a part changes places with a like one of the same bike, and back.

    minutes  hands-on, both ways, without access and without looking
    stays    modes that belong to its place and stay behind (its holder, its blades)
    """

    minutes: Value
    text: str
    stays: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TestSpec:
    """A bench reading that belongs to a kind of part (winding ohms, diode test ...).

    instrument  ohms | diode | ac_volts | volts | lowest_volts
    plus/minus  own terminals, or component.terminal
    apart       True: the part's own connector (or this part's wires) is unplugged first
    engine      off | cranking | rpm number as text
    """

    id: str
    instrument: str
    plus: str
    minus: str
    text: str = ""
    apart: bool = True
    engine: str = "off"


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of part: its terminals, electrical elements, failures, repairs.

    word   what rules and wording call it: wire connector ground fuse switch lamp led relay coil
           winding battery unit motor horn ignition module charger body engine
    rate   relative weight of failing, before shares and history
    flash_rate  of a flasher: by_heat | by_count | fixed, what sets its rate
    shared the rate is that of all such parts of a bike together, not of each
    filler_caps  of a battery: its cells can be opened and their acid read
    trace  of a wire: how it is followed at its place, tape off; `look` is a glance at what lies open
    sides  terminal -> how a person is told which it is, where its name alone does not say
    """

    id: str
    title: str
    word: str
    terminals: tuple[str, ...]
    elements: tuple[ElementSpec, ...]
    devices: tuple[DeviceSpec, ...]
    values: Mapping[str, Value]
    modes: tuple[ModeSpec, ...]
    repairs: tuple[RepairSpec, ...]
    rate: Value
    look: LookSpec | None = None
    trace: LookSpec | None = None
    tests: tuple[TestSpec, ...] = ()
    sensitive: bool = False
    high_tension: tuple[str, ...] = ()
    flash_rate: str = "by_heat"
    shared: bool = False
    filler_caps: bool = False
    swap: SwapSpec | None = None
    sides: Mapping[str, str] = field(default_factory=dict)
    mark: Mark = field(default=Mark(), compare=False)


@dataclass(frozen=True, slots=True)
class Place:
    """Where parts sit. access/close: hands-on minutes to open and to close again; turns: with the bars."""

    id: str
    title: str
    access_min: float
    close_min: float
    breaks: str = ""
    mark: Mark = field(default=Mark(), compare=False)
    turns: bool = field(default=False, compare=False)


@dataclass(frozen=True, slots=True)
class Control:
    """Something the user sets: key, kill switch, dip switch, lever, gear. rest is its resting position."""

    id: str
    title: str
    positions: tuple[str, ...]
    rest: str
    words: Mapping[str, str] = field(default_factory=dict)
    place: str = ""
    mark: Mark = field(default=Mark(), compare=False)


@dataclass(frozen=True, slots=True)
class Part:
    """One component of a bike: an instance of a kind. values overrides the kind's, keyed alike.

    connector  id of the housing this part is a way of, or ''
    neighbours component ids beside it in the same connector or bundle
    unplugs    id of the connector that takes this part out of the loom, or ''
    unused     terminals meant to stay free
    """

    id: str
    kind: str
    title: str
    place: str
    control: str = ""
    values: Mapping[str, Value] = field(default_factory=dict)
    connector: str = ""
    neighbours: tuple[str, ...] = ()
    unplugs: str = ""
    wet: bool = False
    fresh: bool = False
    unused: tuple[str, ...] = ()
    mark: Mark = field(default=Mark(), compare=False)


@dataclass(frozen=True, slots=True)
class Wire:
    """A wire from one terminal to another; a component of kind `wire` whose ends are those terminals."""

    id: str
    start: str
    end: str
    area_mm2: float
    length_m: float
    colour: str
    place: str
    neighbours: tuple[str, ...] = ()
    fresh: bool = False
    kind: str = "wire"
    title: str = ""
    mark: Mark = field(default=Mark(), compare=False)


@dataclass(frozen=True, slots=True)
class Connector:
    """A separable joint. ways: the component ids of its ways, in the order they lie in the housing."""

    id: str
    title: str
    place: str
    ways: tuple[str, ...]
    mark: Mark = field(default=Mark(), compare=False)


@dataclass(frozen=True, slots=True)
class Requirement:
    """One electrical need of an effect such as spark, judged on the solved circuit.

    quantity  ac_volts | volts | ohms, between two points
    dead / weak   limits; `below` True: less is worse, else more is worse
    when      control positions in which it is judged, over those of the function's condition; '' for none
    """

    quantity: str
    plus: str
    minus: str
    weak: float
    dead: float
    below: bool
    title: str = ""
    when: str = ""


@dataclass(frozen=True, slots=True)
class Function:
    """Something the bike does that a rider can see, hear or feel.

    kind      light | sound | heat | gauge | starter | unit | flash | spark | stop | charge
    element   component.element that produces it, several joined by commas ('' for spark, charge, stop)
              of a stop that is seen: the lamps that must go out
    when      condition text in which it should work
    needs     requirements, for spark and stop
    """

    id: str
    title: str
    kind: str
    when: str
    element: str = ""
    needs: tuple[Requirement, ...] = ()
    question: str = ""
    roles: tuple[str, ...] = ()
    twin: str = ""
    mark: Mark = field(default=Mark(), compare=False)

    @property
    def elements(self) -> tuple[str, ...]:
        """Its elements, one or several, each component.element."""
        return tuple(e.strip() for e in self.element.split(",") if e.strip())


@dataclass(frozen=True, slots=True)
class Port:
    """What a section offers to others under a name: one of its terminals."""

    name: str
    terminal: str
    mark: Mark = field(default=Mark(), compare=False)


@dataclass(frozen=True, slots=True)
class Section:
    """A fragment of loom. parts include the ways of its connectors; bond_marks go with bonds.

    An end of a wire or bond is a terminal, or '@' and the name of a port that some section offers.
    """

    id: str
    title: str
    places: Mapping[str, Place]
    controls: Mapping[str, Control]
    parts: tuple[Part, ...]
    wires: tuple[Wire, ...]
    bonds: tuple[tuple[str, str], ...]
    functions: tuple[Function, ...]
    connectors: tuple[Connector, ...] = ()
    bond_marks: tuple[Mark, ...] = field(default=(), compare=False)
    mark: Mark = field(default=Mark(), compare=False)
    ports: tuple[Port, ...] = ()


@dataclass(frozen=True, slots=True)
class Symptom:
    """One thing a complaint says.

    function   id or role of a function; states: how it is found; condition '' = the function's own
    opened     True: a fuse is found blown
    standing   more than this many amperes with everything off
    charging   charging volts outside low..high
    looked_at  True: of several alike the rider looked at one or two, not at all
    every      True: all of several alike must show it
    overlit    a lamp fed with alternating current sees more than this, on a 12 V bike [V]
    """

    function: str = ""
    states: tuple[str, ...] = ()
    condition: str = ""
    opened: bool = False
    standing: float | None = None
    charging_low: float | None = None
    charging_high: float | None = None
    looked_at: bool = False
    every: bool = False
    overlit: float | None = None


@dataclass(frozen=True, slots=True)
class Complaint:
    """The rider's words. any_of: at least one must hold; all_of: each must hold; none_of: none may.

    kinds   any fault of these kinds of part may draw it, or of `kind.mode` that fault only
    engine  `stands`: whoever says so has no running engine, and nothing can be read with it running
    intermittent  what brings it on, a word of TRIGGERS: the fault comes and goes; '' if it is always there
    """

    id: str
    title: str
    says: tuple[str, ...]
    any_of: tuple[Symptom, ...] = ()
    all_of: tuple[Symptom, ...] = ()
    none_of: tuple[Symptom, ...] = ()
    kinds: tuple[str, ...] = ()
    mark: Mark = field(default=Mark(), compare=False)
    engine: str = "may_run"
    intermittent: str = ""

    def is_of(self, kind: str, mode: str) -> bool:
        """Whether a fault of this kind of part draws it, whatever the circuit says."""
        return kind in self.kinds or f"{kind}.{mode}" in self.kinds


@dataclass(frozen=True, slots=True)
class HistoryFact:
    """Something that happened before it failed -> factors on priors by tag of mode."""

    id: str
    question: str
    factors: Mapping[str, float]
    source: str
    why: str = ""
    mark: Mark = field(default=Mark(), compare=False)


@dataclass(frozen=True, slots=True)
class Instrument:
    """How a kind of measurement is taken: procedure texts, minutes, spread, kit, what it loads.

    values  e.g. resistance (what the meter loads), accuracy (relative), digits (absolute), minutes
    kit     smallest kit that has it: hands < lamp < meter < workshop
    """

    id: str
    title: str
    kit: str
    unit: str
    values: Mapping[str, Value]
    beginner: str
    trade: str
    cautions: tuple[str, ...] = ()
    mark: Mark = field(default=Mark(), compare=False)


@dataclass(frozen=True, slots=True)
class Library:
    """Everything read from a knowledge folder, before composing."""

    path: str
    sources: Mapping[str, Source]
    kinds: Mapping[str, Kind]
    sections: Mapping[str, Section]
    complaints: Mapping[str, Complaint]
    instruments: Mapping[str, Instrument]
    history: Mapping[str, HistoryFact]
    bike_files: Mapping[str, str]
