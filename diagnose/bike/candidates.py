"""Every single fault a bike can have, as netlist edits with a prior.

A series fault becomes three candidates whose ohms are scaled by the healthy current of their circuit (a
joint that steals about 5, 15 or 40 % of the volts); leaks and shorts come at fixed ohms; crossed wires
and bridges one for each neighbour.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from diagnose.bike.build import AC_SUFFIX, Build, node, node_of_point
from diagnose.bike.currents import Service
from diagnose.bike.dynamo import HELD, PER_1000RPM
from diagnose.bike.model import Candidate, Fault
from diagnose.catalogue.model import EditSpec, Kind, ModeSpec, Part
from diagnose.catalogue.spec import BikeSpec
from diagnose.circuit.netlist import Add, Change, Edit, Element, Force, Move, Open, Reverse
from diagnose.errors import QuantityError, UsageError, unknown
from diagnose.quantities import quantity

# Shares of the volts that a bad joint takes, with the share of such joints found in that state
# (estimate: most are found when they are bad enough to notice).
SERIES_STEALS = ((0.05, 0.25), (0.15, 0.40), (0.40, 0.35))
LEAKS_OHMS = ((1e3, 0.35), (1e4, 0.35), (1e5, 0.30))
# A chafe either welds to the frame or smoulders at an ohm or two without blowing the fuse.
SHORTS_OHMS = ((0.02, 0.7), (1.5, 0.3))
# Where no current ever flows (high-tension path, an unused way) a joint is bad from here on.
DEAD_CIRCUIT_OHMS = 50.0
DEFAULT_VISIBLE = 0.1

UNMODELLED_PRIOR = 0.02  # estimate: something this bike's file does not know
NO_FAULT_PRIOR = 0.05  # estimate: the complaint was a slip of the user's, or it has gone


def compact(ohms: float) -> str:
    """Ohms in an id: '20mohm', '1.5ohm', '10kohm'; two significant figures."""
    for factor, unit in ((1e6, "Mohm"), (1e3, "kohm"), (1.0, "ohm"), (1e-3, "mohm")):
        if ohms >= factor * 0.9995:
            return f"{float(f'{ohms / factor:.2g}'):g}{unit}"
    return f"{float(f'{ohms / 1e-3:.2g}'):g}mohm"


def round_ohms(ohms: float) -> float:
    """Two significant figures, so that an id names exactly what is simulated."""
    return float(f"{ohms:.2g}")


def _rest_ohms(built: Build, element_id: str) -> float:
    return built.elements[element_id].values.get("resistance", 0.0)


def _resting_value(built: Build, target: str, param: str) -> float:
    if param == AC_SUFFIX:
        return built.windings[target]
    if target in built.dynamos and param in (PER_1000RPM, HELD):
        d = built.dynamos[target]
        return d.per_1000rpm if param == PER_1000RPM else d.held
    if target in built.generators and param == "max_current":
        return built.generators[target]
    return (built.elements.get(target) or built.devices[target]).values[param]


def _neighbour_terminal(built: Build, neighbour: str, terminal: str) -> str:
    terminals = built.spec.kinds[built.spec.parts[neighbour].kind].terminals
    return terminal if terminal in terminals else terminals[0]


def resolve(
    built: Build, part: Part, mode: ModeSpec, spec: EditSpec, ohms: float, neighbour: str
) -> tuple[Edit, ...]:
    """One EditSpec as netlist edits. ohms: the severity; neighbour: the other part, or ''."""
    own = f"{part.id}.{spec.target}"
    match spec.op:
        case "open":
            return (Open(own),)
        case "set":
            return (Change(own.rpartition(".")[0], own.rpartition(".")[2], spec.number),)
        case "scale":
            target, _, param = own.rpartition(".")
            return (Change(target, param, _resting_value(built, target, param) * spec.number),)
        case "series":
            return (Change(own, "resistance", _rest_ohms(built, own) + ohms),)
        case "bridge":
            ends = node(built.spec, part.id, spec.target), node(built.spec, part.id, spec.other)
        case "to_ground":
            frame = node_of_point(built.spec, built.spec.body["frame"])
            ends = node(built.spec, part.id, spec.target), frame
        case "to_supply":
            if not built.spec.has_battery:
                return ()
            supply = node_of_point(built.spec, built.spec.live_post)
            ends = node(built.spec, part.id, spec.target), supply
        case "to_neighbour":
            other = _neighbour_terminal(built, neighbour, spec.target)
            ends = node(built.spec, part.id, spec.target), node(built.spec, neighbour, other)
        case "cross":
            return _crossed(built, part, spec.target, neighbour)
        case "move":
            element, _, end = own.rpartition(".")
            return (Move(element, end, node_of_point(built.spec, spec.to_point)),)
        case "reverse":
            return (Reverse(own),)
        case "force":
            return (Force(own, 1 if spec.state == "closed" else 0),)
        case _:
            raise UsageError(unknown("edit", spec.op, ("open", "set", "scale", "series", "bridge")))
    if ends[0] == ends[1]:
        return ()
    return (Add(Element(f"{part.id}.#{mode.id}_{spec.op}", "resistor", *ends, {"resistance": ohms})),)


def _crossed(built: Build, part: Part, terminal: str, neighbour: str) -> tuple[Edit, ...]:
    other_terminal = _neighbour_terminal(built, neighbour, terminal)
    mine, theirs = node(built.spec, part.id, terminal), node(built.spec, neighbour, other_terminal)
    if mine == theirs:
        return ()
    edits: list[Edit] = []
    for component, own, target in ((part.id, mine, theirs), (neighbour, theirs, mine)):
        for e in built.spec.kinds[built.spec.parts[component].kind].elements:
            element = built.elements[f"{component}.{e.name}"]
            own_terminal = terminal if component == part.id else other_terminal
            if e.plus == own_terminal and element.plus == own:
                edits.append(Move(element.id, "plus", target))
            elif e.minus == own_terminal and element.minus == own:
                edits.append(Move(element.id, "minus", target))
    return tuple(edits)


def _severities(
    built: Build, service: Service, part: Part, mode: ModeSpec
) -> Sequence[tuple[str, float, float]]:
    """(text, ohms, weight) of each severity of a mode."""
    if mode.severity == "leak":
        return [(compact(r), r, w) for r, w in LEAKS_OHMS]
    if mode.severity == "short":
        return [(compact(r), r, w) for r, w in SHORTS_OHMS]
    if mode.severity != "series":
        return [("", 0.0, 1.0)]
    element = next((f"{part.id}.{e.target}" for e in mode.edits if e.op == "series"), "")
    half = service.ohms.get(element)
    if half is None:
        half = max(_rest_ohms(built, element), DEAD_CIRCUIT_OHMS)
    out = []
    for share, weight in SERIES_STEALS:
        ohms = round_ohms(half * share / (1.0 - share))
        out.append((compact(ohms), ohms, weight))
    return out


def _needs_neighbour(mode: ModeSpec) -> bool:
    return any(e.op in ("cross", "to_neighbour") for e in mode.edits)


def is_assembly(mode: ModeSpec) -> bool:
    """True for faults that only work on the wiring can make."""
    return "assembly" in mode.tags


def bends_with_bars(spec: BikeSpec, part: Part) -> bool:
    """Whether turning the bars moves this part: it sits on them, or is a wire with one end there."""
    wire = spec.wires.get(part.id)
    ends = (wire.start, wire.end) if wire else ()
    places = {spec.parts[e.partition(".")[0]].place for e in ends} | {part.place}
    return any(p in spec.places and spec.places[p].turns for p in places)


def mode_faults(built: Build, service: Service, part: Part, kind: Kind, mode: ModeSpec) -> Iterator[Fault]:
    """The faults of one mode of one part; priors relative (not normalised).

    What shakes loose and moves with the bars has the tag `bars` beside those of its mode.
    """
    total = sum(m.share.number for m in kind.modes)
    fresh = built.spec.fresh or part.fresh
    weight = kind.rate.number * mode.share.number / total
    if kind.shared:
        weight /= sum(p.kind == part.kind for p in built.spec.parts.values())
    if fresh:
        weight *= mode.fresh
    elif is_assembly(mode):
        return
    cures = [r for r in kind.repairs if "*" in r.cures or mode.id in r.cures or r.id == mode.repair]
    cures.sort(key=lambda r: (r.id != mode.repair, r.minutes.number))
    neighbours: Sequence[str] = part.neighbours if _needs_neighbour(mode) else ("",)
    moved = "vibration" in mode.tags and bends_with_bars(built.spec, part)
    tags = (*mode.tags, "bars") if moved else mode.tags
    severities = _severities(built, service, part, mode)
    visible = mode.visible.number if mode.visible else DEFAULT_VISIBLE
    traced = mode.traced.number if mode.traced else None
    for neighbour in neighbours:
        crossed = any(e.op == "cross" for e in mode.edits)
        if crossed and neighbour < part.id and part.id in built.spec.parts[neighbour].neighbours:
            continue  # the same swap seen from the other side
        for text, ohms, share in severities:
            value = "".join((neighbour, "," if neighbour and text else "", text))
            edits = tuple(edit for e in mode.edits for edit in resolve(built, part, mode, e, ohms, neighbour))
            if mode.edits and not edits:
                continue  # joins a node to itself
            title = mode.title if not neighbour else f"{mode.title}: {built.spec.parts[neighbour].title}"
            yield Fault(
                f"{part.id}.{mode.id}" + (f"={value}" if value else ""),
                part.id,
                mode.id,
                value,
                title,
                edits,
                weight * share / max(1, len(neighbours)),
                tuple(f"{part.id}.{r.id}" for r in cures),
                visible,
                part.place,
                kind.word,
                tags,
                mode.intermittent,
                _is_lasting(kind, mode),
                traced,
            )


def _is_lasting(kind: Kind, mode: ModeSpec) -> bool:
    """A fuse link that has melted, or melts because it is too weak, stays melted; its clip may heal."""
    return kind.word == "fuse" and mode.severity == "none"


def severity_family(fault: Fault) -> tuple[tuple[str, str, str], float] | None:
    """What a fault shares with its other severities, and how bad this one is [1]; None without degrees.

    returns  ((component, mode, neighbour), badness): higher ohms are worse in a joint, lower ones in a leak.
             A short is no matter of degree: it blows the fuse or it does not.
    """
    neighbour, _, text = fault.value.rpartition(",")
    try:
        ohms = quantity(text, "ohm")
    except QuantityError:
        return None
    across = any(isinstance(e, Add) for e in fault.edits)
    if across and ohms < LEAKS_OHMS[0][0]:
        return None
    return (fault.component, fault.mode, neighbour), (-ohms if across else ohms)


def single_faults(built: Build, service: Service) -> tuple[Fault, ...]:
    """Every single fault of the bike, in declaration order, with relative priors."""
    return tuple(
        fault
        for part in built.spec.parts.values()
        for kind in (built.spec.kinds[part.kind],)
        for mode in kind.modes
        for fault in mode_faults(built, service, part, kind, mode)
    )


def read_fault(built: Build, service: Service, text: str) -> Fault:
    """A fault from its id, with any severity the user names (`rear_ground.resistance=3ohm`)."""
    name, _, value = text.partition("=")
    component, _, mode_id = name.partition(".")
    part = built.spec.parts.get(component)
    if part is None:
        raise UsageError(unknown("component", component, built.spec.parts))
    kind = built.spec.kinds[part.kind]
    mode = next((m for m in kind.modes if m.id == mode_id), None)
    if mode is None:
        raise UsageError(unknown(f"fault mode of {component}", mode_id, [m.id for m in kind.modes]))
    known = list(mode_faults(built, service, part, kind, mode))
    for fault in known:
        if fault.id == text:
            return fault
    if not known and is_assembly(mode):
        raise UsageError(f"{name} is a fault of fresh wiring and {component} is not marked fresh")
    if mode.severity == "none" and not _needs_neighbour(mode):
        if value:
            raise UsageError(f"{name} takes no value; write {name}")
        return known[0]
    neighbour, _, ohms_text = value.rpartition(",") if _needs_neighbour(mode) else ("", "", value)
    if _needs_neighbour(mode) and mode.severity == "none":
        neighbour, ohms_text = value, ""
    if not value:
        raise UsageError(f"{name} needs a value; try {', '.join(f.id for f in known[:4])}")
    if _needs_neighbour(mode) and neighbour not in built.spec.parts:
        raise UsageError(unknown("neighbour", neighbour, part.neighbours))
    ohms = quantity(ohms_text, "ohm") if ohms_text else 0.0
    edits = tuple(e2 for e in mode.edits for e2 in resolve(built, part, mode, e, ohms, neighbour))
    model = known[0]
    return Fault(
        text,
        component,
        mode_id,
        value,
        model.title,
        edits,
        0.0,
        model.repairs,
        model.visible,
        model.place,
        model.word,
        model.tags,
        model.intermittent,
        model.lasting,
        model.traced,
    )


def candidates(faults: Sequence[Fault]) -> tuple[Candidate, ...]:
    """`no_fault`, every single fault, `unmodelled`; priors sum to one."""
    total = sum(f.prior for f in faults)
    share = 1.0 - NO_FAULT_PRIOR - UNMODELLED_PRIOR
    singles = tuple(Candidate(f.id, (f,), f.prior / total * share) for f in faults)
    return (
        Candidate("no_fault", (), NO_FAULT_PRIOR),
        *singles,
        Candidate("unmodelled", (), UNMODELLED_PRIOR),
    )
