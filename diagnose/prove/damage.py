"""What a situation does to a bike that has faults: currents through parts against what they stand.

Shows that a check comes before the step at which a fault would burn something. Not shown to the user.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from diagnose.bike.model import Condition, JobState
from diagnose.predictions.compute import Predictor
from diagnose.prove.loom import plugs_of, units

AMPS_PER_MM2 = 20.0  # A/mm2, short single wire; in a loom 8 to 10 for good (rules of thumb, from memory)
DIODE_AMPS = 2.5  # A, a quench diode of a relay in a bike (estimate: 1 A kinds stand a second of 2.5 A)
WRONG_VOLTS = 3.0  # V by which a unit's pin may differ from the sound bike's before it counts as harmed
REVERSED_VOLTS = -1.0  # V across a unit's supply


@dataclass(frozen=True, slots=True)
class Harm:
    """part, what happens to it, how much, and what it stands."""

    part: str
    what: str
    value: float
    limit: float


def harms(predictor: Predictor, index: int, job: JobState, condition: Condition) -> Iterator[Harm]:
    """What a situation does to the bike of one candidate; candidate 0 is the sound bike.

    A fuse that opens counts: it is the harm that a fuse is for, and a step that costs one comes too late.
    """
    if not (job.battery and condition.battery):
        return
    built = predictor.built
    spec = built.spec
    solution = predictor.solution(job, condition)
    for wire in spec.wires.values():
        current = max(
            abs(float(solution.current(f"{wire.id}.{e.name}")[index])) for e in _elements(built, wire.id)
        )
        if current > AMPS_PER_MM2 * wire.area_mm2:
            yield Harm(wire.id, "current", current, AMPS_PER_MM2 * wire.area_mm2)
    for device in built.netlist.devices:
        if device.law == "fuse" and int(solution.state(device.id)[index]) == 1:
            rating = built.elements[device.roles["element"][0]].values["rating"]
            yield Harm(device.id.partition(".")[0], "blows", rating, rating)
    for e in built.netlist.elements:
        if e.law == "diode":
            current = abs(float(solution.current(e.id)[index]))
            healthy = abs(float(solution.current(e.id)[0]))
            if current > max(DIODE_AMPS, 2.0 * healthy):
                yield Harm(e.id.partition(".")[0], "current", current, DIODE_AMPS)
    yield from _units(predictor, index, job, condition)


def _elements(built, part: str):
    return built.spec.kinds[built.spec.parts[part].kind].elements


def _units(predictor: Predictor, index: int, job: JobState, condition: Condition) -> Iterator[Harm]:
    """Wrong volts on the pins of units that are plugged in, and LED units the wrong way round."""
    built = predictor.built
    spec = built.spec
    apart = {*job.apart, *condition.apart}
    solution = predictor.solution(job, condition)
    for unit in units(built):
        if apart & set(plugs_of(built, unit)):
            continue
        kind = spec.kinds[spec.parts[unit].kind]
        grounds = [t for t in kind.terminals if t in ("ground", "minus")]
        reference = spec.nodes[f"{unit}.{grounds[0]}"] if grounds else built.netlist.ground
        for t in kind.terminals:
            here = solution.between(spec.nodes[f"{unit}.{t}"], reference)
            lowest = float(here[index])
            if lowest < min(REVERSED_VOLTS, float(here[0]) + REVERSED_VOLTS):
                yield Harm(f"{unit}.{t}", "reversed", lowest, REVERSED_VOLTS)
            # a pin that never sees supply on the sound bike must not see it at all
            if spec.kinds[spec.parts[unit].kind].word == "ignition" and lowest > float(here[0]) + WRONG_VOLTS:
                yield Harm(f"{unit}.{t}", "supply", lowest, WRONG_VOLTS)
