"""Every check that needs physics: does the sound bike work, what can be told apart, what cannot be seen.

Built on the world; returns problems and tables, prints nothing.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.bike.acts import FUNCTION_WORDS, posts
from diagnose.bike.currents import as_condition
from diagnose.bike.model import Condition, JobState
from diagnose.catalogue.model import Function
from diagnose.circuit.solve import Solution
from diagnose.errors import Problem
from diagnose.predictions.table import Table
from diagnose.wiring import BikeWorld

TOLD_APART = 0.25  # total-variation distance from which one reading is worth taking [1]
LIT_SHARES = (0.85, 1.2)  # of its rated volts, a lamp on alternating current at riding revolutions (estimate)
LAMP_SHARE = 0.85  # a sound lamp sees at least this share of the post volts (common practice)
FUSE_SHARE = 0.80  # load at most this share of the fuse rating (common practice)
STANDING_LIMIT = 0.025  # A (common practice: at most 25 mA)
CHARGING_LEAST = (
    13.5  # V at 5000 rpm on a 12 V bike, half of it on a 6 V one (motorcycle practice, from memory)
)
GROUND_VOLTS = (
    2.0  # V of 12: at rest the ground post and the frame are one (a break would show the whole battery)
)
FULL = 12.7  # V of a full lead-acid battery at rest (TM 5-3805-262-20)
CRANKING = (9.6, 11.5)  # V at the posts of a 12 V battery (lower limit TM 10-3930-671-24 p. F-299)


@dataclass(frozen=True, slots=True)
class Undetectable:
    """A fault that no planned measurement shows, and why."""

    fault: str
    why: str


@dataclass(frozen=True, slots=True, eq=False)
class Audit:
    """Physics of one bike: problems (sound bike not sound), ambiguity groups, undetectable faults."""

    problems: tuple[Problem, ...]
    ambiguity: tuple[tuple[str, ...], ...]
    undetectable: tuple[Undetectable, ...]
    notes: tuple[str, ...]


def distances(table: Table, columns: Sequence[str]) -> np.ndarray:
    """(n, n) largest total-variation distance of any one measurement between each two candidates."""
    n = len(table.candidates)
    best = np.zeros((n, n), dtype=np.float32)
    for name in columns:
        outcomes = table.columns[name].outcomes
        assert outcomes is not None
        flat = np.ascontiguousarray(outcomes.T, dtype=np.float32)  # (n, k)
        distinct, inverse = np.unique(np.round(flat, 3), axis=0, return_inverse=True)
        gap = 0.5 * np.abs(distinct[:, None, :] - distinct[None, :, :]).sum(axis=2)
        inverse = inverse.reshape(-1)
        np.maximum(best, gap.take(inverse, axis=0).take(inverse, axis=1), out=best)
    return best


def groups(distance: np.ndarray, names: Sequence[str], apart: float = TOLD_APART) -> list[tuple[str, ...]]:
    """Candidates that no measurement tells apart; single-linkage, groups of two and more."""
    import networkx as nx

    graph = nx.Graph()
    graph.add_nodes_from(range(len(names)))
    close = np.argwhere(np.triu(distance < apart, k=1))
    graph.add_edges_from((int(i), int(j)) for i, j in close)
    found = [sorted(c) for c in nx.connected_components(graph) if len(c) > 1]
    return [tuple(names[i] for i in c) for c in sorted(found)]


def sound_bike(world: BikeWorld) -> list[Problem]:
    """What a bike without fault gets wrong: functions, drops, fuses, charging, cranking, standing current."""
    world.predictor.found()
    said = itertools.chain(_functions(world), _in_use(world), _posts(world) if world.spec.has_battery else ())
    return [Problem(world.spec.path, 0, 0, f"{world.spec.id}: {message}") for message in said]


def _functions(world: BikeWorld) -> Iterator[str]:
    for f in world.spec.functions.values():
        condition = as_condition(world.predictor.built, f.when)
        words = world.predictor.function_words(JobState(), f.id, condition)[world.no_fault]
        best = FUNCTION_WORDS[f.kind][int(np.argmax(words))]
        if best != "works":
            yield (
                f"sound, {f.title} in {condition.text or 'rest'} is {best!r}; expected works; "
                "look at its feed and ground"
            )


def _in_use(world: BikeWorld) -> Iterator[str]:
    """Operating points, volts at the lamps and currents of the fuses in every condition of use."""
    spec, built, healthy = world.spec, world.predictor.built, world.no_fault
    for condition in world.service.conditions:
        solution = world.predictor.solution(JobState(), condition)
        if not bool(solution.converged[healthy]):
            yield f"sound, the circuit finds no operating point in {condition.text or 'rest'}"
        for f in spec.functions.values():
            here = as_condition(built, f.when).text == condition.text
            if here and f.kind in ("light", "flash"):
                yield from _lamp_volts(world, f, condition)
        for fuse, elements in built.fuses.items():
            for link in elements:
                amperes = abs(float(solution.current(link)[healthy]))
                rating = built.elements[link].values["rating"]
                if amperes > FUSE_SHARE * rating and condition.engine == "off":
                    yield f"sound, {fuse} carries {amperes:.1f} A of {rating:g} A in {condition.text}"


def _lamp_volts(world: BikeWorld, f: Function, condition: Condition) -> Iterator[str]:
    direct, *alternating = world.predictor.driven(JobState(), condition)
    for element in f.elements:
        if world.predictor.built.elements[element].law != "lamp":
            continue
        volts = abs(float(direct.across(element)[world.no_fault]))
        effective = max((abs(float(s.across(element)[world.no_fault])) for s in alternating), default=0.0)
        if effective > volts:
            low, high = (x * world.spec.supply_volts for x in LIT_SHARES)
            if not low <= effective <= high:
                yield (
                    f"sound, {f.title} sees {effective:.2f} V AC in {condition.text}; expected {low:.1f} to "
                    f"{high:.1f} V; look at the winding, its regulator and the watts"
                )
        elif world.spec.has_battery and volts < LAMP_SHARE * _post_volts(world, direct):
            yield (
                f"sound, {f.title} sees {volts:.2f} V of {_post_volts(world, direct):.2f} V at the posts; "
                f"expected at least {LAMP_SHARE:.0%}; use thicker or shorter wire"
            )


def _post_volts(world: BikeWorld, solution: Solution) -> float:
    plus, minus = (world.spec.nodes[p] for p in posts(world.predictor.built))
    return float(solution.between(plus, minus)[world.no_fault])


def _posts(world: BikeWorld) -> Iterator[str]:
    """Which post is at the frame, standing current, charging and cranking volts."""
    spec, predictor = world.spec, world.predictor
    rest = predictor.solution(JobState(), Condition())
    to_frame = rest.between(spec.nodes[spec.body["frame"]], spec.nodes[spec.ground_post])
    if abs(float(to_frame[world.no_fault])) > GROUND_VOLTS * spec.of_twelve:
        yield (
            f"the battery's {spec.ground} post is not joined to the frame; expected so with ground: "
            f"{spec.ground}; look at ground: and at the way from the post to the frame"
        )
    standing = abs(float(np.sum([rest.current(e)[world.no_fault] for e in world.predictor.built.batteries])))
    if standing > STANDING_LIMIT:
        yield f"sound, {standing * 1000:.0f} mA leave the battery at rest; expected at most 25 mA"
    for f in spec.functions.values():
        condition = as_condition(predictor.built, f.when)
        if f.kind == "charge":
            running = replace(condition, engine="5000")
            volts = _post_volts(world, predictor.solution(JobState(), running))
            low, high = CHARGING_LEAST * spec.of_twelve, spec.charge_most
            if not low <= volts <= high:
                yield f"sound, charging gives {volts:.2f} V at 5000 rpm; expected {low:g} to {high:g} V"
        if f.kind == "starter":
            volts = _post_volts(world, predictor.solution(JobState(), condition))
            low, high = (x * spec.of_twelve for x in CRANKING)
            # a battery that rests higher than a full lead-acid one stands higher while it cranks, too
            resting = _post_volts(world, rest)
            high += max(0.0, round(resting - FULL * spec.of_twelve, 1))
            if not low <= volts <= high:
                yield f"sound, the posts show {volts:.2f} V while cranking; expected {low:g} to {high:g} V"


def audit(world: BikeWorld) -> Audit:
    """All of it, kept on disk: solves the whole dictionary of a bike that has not been audited as it is."""
    store = world.store("audit")
    kept = store.value("audit")
    if kept is not None:
        return Audit(
            tuple(Problem(world.spec.path, 0, 0, message) for message in kept["problems"]),
            tuple(tuple(group) for group in kept["ambiguity"]),
            tuple(Undetectable(fault, why) for fault, why in kept["undetectable"]),
            tuple(kept["notes"]),
        )
    found = _audit(world)
    store.put_value(
        "audit",
        {
            "problems": [p.message for p in found.problems],
            "ambiguity": found.ambiguity,
            "undetectable": [(u.fault, u.why) for u in found.undetectable],
            "notes": found.notes,
        },
    )
    store.save()
    return found


def _audit(world: BikeWorld) -> Audit:
    problems = sound_bike(world)
    names = [c.id for c in world.candidates]
    chosen = [m.id for m in world.measurements.values() if not (m.kind == "lamp" and not m.condition.out)]
    table = world.table(JobState(), chosen)
    distance = distances(table, chosen)
    faulty = [i for i, c in enumerate(world.candidates) if c.is_fault]
    undetectable = []
    for i in faulty:
        if distance[i, world.no_fault] < TOLD_APART:
            undetectable.append(Undetectable(names[i], _why(world, i, float(distance[i, world.no_fault]))))
    hidden = {u.fault for u in undetectable}
    seen = [i for i in faulty if names[i] not in hidden]
    sub = distance[np.ix_(seen, seen)]
    notes = []
    unsettled = sum(int((~s.converged).sum()) for s in world.predictor.solutions())
    if unsettled:
        notes.append(f"{unsettled} solved cases did not converge")
    return Audit(
        tuple(problems), tuple(groups(sub, [names[i] for i in seen])), tuple(undetectable), tuple(notes)
    )


def _why(world: BikeWorld, index: int, distance: float) -> str:
    """One reason in words why a fault is not seen."""
    fault = world.candidates[index].faults[0]
    causes = [c for c in world.spec.complaints if world.complaint_chance(c)[index] > 0.5]
    if not fault.edits:
        base = "changes nothing electrical"
    elif not causes:
        base = "changes no function of the bike: it does no harm yet"
    else:
        base = f"causes {', '.join(causes)}, but no planned reading differs from a sound bike's"
    return f"{base} (best reading tells it from a sound bike with {distance:.0%})"
