"""What the rest of the program sees of a bike: suspects, measurements, repairs, job state.

Third arrow of the flow; these values carry ids and words, and edits that only predictions pass on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from diagnose.circuit.netlist import Edit


@dataclass(frozen=True, slots=True)
class Fault:
    """A part in a fault mode. id = component.mode or component.mode=VALUE (contract)."""

    id: str
    component: str
    mode: str
    value: str
    title: str
    edits: tuple[Edit, ...]
    prior: float
    repairs: tuple[str, ...]  # repair ids that cure it, cheapest first
    visible: float  # chance that a look shows it
    place: str
    word: str  # the kind's word: wire, connector, ground ...
    tags: tuple[str, ...] = ()
    intermittent: float = 1.0
    lasting: bool = False  # cannot mend by itself, not even for a moment
    traced: float | None = None  # chance that following the whole wire shows it; None: as any look


@dataclass(frozen=True, slots=True)
class Candidate:
    """A set of faults that might explain everything; or no_fault, or unmodelled (faults empty)."""

    id: str
    faults: tuple[Fault, ...]
    prior: float

    @property
    def is_fault(self) -> bool:
        return bool(self.faults)


@dataclass(frozen=True, slots=True)
class Wider:
    """What a job's suspects are widened by: pairs of candidate ids; if `loose`, faults that come and go."""

    pairs: tuple[tuple[str, str], ...] = ()
    loose: bool = False


NOT_WIDER = Wider()


@dataclass(frozen=True, slots=True)
class Condition:
    """Control positions that differ from rest, engine state, fuses out, connectors apart, battery.

    grounded  points that a wire joins to the battery's ground post
    text is the contract's form: sorted, comma-joined, only what differs from rest; '' = everything at rest
    """

    controls: tuple[tuple[str, str], ...] = ()
    engine: str = "off"  # off | cranking | idle | RPM
    out: tuple[str, ...] = ()
    apart: tuple[str, ...] = ()
    battery: bool = True
    grounded: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        pairs = [f"{k}={v}" for k, v in self.controls]
        if self.engine != "off":
            pairs.append(f"engine={self.engine}")
        pairs += [f"out={f}" for f in self.out] + [f"apart={c}" for c in self.apart]
        pairs += [f"grounded={p}" for p in self.grounded]
        if not self.battery:
            pairs.append("battery=off")
        return ",".join(sorted(pairs))


@dataclass(frozen=True, slots=True)
class Measurement:
    """The act: instrument, where the tips go, condition. id in the contract's form.

    kind      volts drop ohms diode ac_volts lowest_volts lamp | observe inspect amps count swap gravity
              | jumper (two points, and the function that is watched)
    plus/minus test points (two-point kinds); what: function, component or fuse (the others)
    choices   words that answer it, for kinds without a number (best first); () for numbers
    minutes   hands-on for the act itself, trade; wait_min: elapsed without hands
    places    places that must be open
    setup     set-up key (condition and instrument) for change costs
    kit       smallest kit: hands < lamp < meter < workshop
    helper    needs a second pair of hands
    """

    id: str
    kind: str
    condition: Condition
    plus: str = ""
    minus: str = ""
    what: str = ""
    unit: str = ""
    choices: tuple[str, ...] = ()
    minutes: float = 1.0
    wait_min: float = 0.0
    places: tuple[str, ...] = ()
    setup: str = ""
    kit: str = "hands"
    helper: bool = False
    engine_runs: bool = False
    text: str = ""
    components: tuple[str, ...] = ()  # parts touched or looked at
    disturbs: tuple[str, ...] = ()  # connectors or fuses it takes apart
    watched: tuple[str, ...] = ()  # functions looked at after a swap: the part's own, the twin's
    told: bool = False  # a look in a condition that only a complaint tells of, planned for that complaint


@dataclass(frozen=True, slots=True)
class Repair:
    """id = component.repair. cures: fault id -> 0..1 is in Plan.cures; sort try | repair | stop."""

    id: str
    component: str
    title: str
    sort: str
    minutes: float
    price: float
    place: str
    text: str
    get_home: str = ""
    returnable: bool = True
    kit: str = "hands"
    cures: tuple[str, ...] = ()  # fault ids cured outright


@dataclass(frozen=True, slots=True)
class JobState:
    """What has been changed since the bike came in; found state plus this decides predictions.

    renewed   fuses renewed (closed again)
    out/apart fuses left out, connectors left apart
    done      repair ids done (their component's faults are cured)
    battery   connected
    said      safety facts said: e.g. rolled_neutral, stop_method, unit_unplugged
    lamps     `PART:WATTS`: a lamp stands in place of a fuse, or of the clamp of the last lead
    """

    renewed: tuple[str, ...] = ()
    out: tuple[str, ...] = ()
    apart: tuple[str, ...] = ()
    done: tuple[str, ...] = ()
    battery: bool = True
    said: tuple[str, ...] = ()
    lamps: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PointView:
    """A place a probe can touch, in words. colour: of the wires there, joined by ','; '' if bare metal."""

    id: str
    title: str
    place: str
    colour: str


@dataclass(frozen=True, slots=True)
class FunctionView:
    """A function in words, with the condition it is tried in and the words that answer it."""

    id: str
    title: str
    kind: str
    condition: Condition
    choices: tuple[str, ...]
    question: str = ""


@dataclass(frozen=True, slots=True)
class BikeView:
    """All words and lists the conversation needs; no circuit inside."""

    id: str
    title: str
    text: str
    points: Mapping[str, PointView]
    functions: Mapping[str, FunctionView]
    controls: Mapping[str, tuple[str, Mapping[str, str]]]  # id -> (title, position -> words)
    places: Mapping[str, tuple[str, float, float]]  # id -> (title, access minutes, closing minutes)
    components: Mapping[str, tuple[str, str, str]]  # id -> (title, word, place)
    complaints: Mapping[str, tuple[str, tuple[str, ...]]]  # id -> (title, ways of saying it)
    connectors: Mapping[str, tuple[str, str]]  # id -> (title, place)
    fuses: tuple[str, ...] = ()
    sensitive: tuple[str, ...] = ()  # test points on electronics that must not see lamp, jumper or ohms
    has_starter: bool = False
    home_points: tuple[str, ...] = ()  # where the tip of the ground side may stay, best first
    exit_check: tuple[str, ...] = field(default_factory=tuple)  # measurement ids
    kinds: Mapping[str, str] = field(default_factory=dict)  # component -> id of its kind of part
    plugs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # part -> connectors that unplug it
    fresh: bool = False  # the wiring is new or was altered
    supply_volts: float = 12.0
    ground: str = (
        "minus"  # the battery's post that is joined to the frame: minus | plus; '' without a battery
    )
    # point -> ((electronic unit it hangs on, plugs any of which cut it off when apart), ...)
    wired: Mapping[str, tuple[tuple[str, tuple[str, ...]], ...]] = field(default_factory=dict)
    # complaint of a fault that comes and goes -> what brings it on (a word of catalogue.words.TRIGGERS)
    triggers: Mapping[str, str] = field(default_factory=dict)
    # fuse -> rated watts of the lamp that takes its place while a short is hunted
    fuse_lamps: Mapping[str, float] = field(default_factory=dict)
    left_on: tuple[str, ...] = ()  # complaints that something works where it should not
    # complaint -> looks (measurement ids) at each function that it speaks of
    looks: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def home(self, m: Measurement) -> str:
        """Where the tip of the ground side stays in a measurement: black, with plus at the frame red."""
        return m.plus if self.ground == "plus" and m.plus in self.home_points else m.minus

    def far(self, m: Measurement) -> str:
        """The point of a measurement that the other tip goes to."""
        return m.minus if self.home(m) == m.plus else m.plus
