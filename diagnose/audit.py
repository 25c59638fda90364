"""Every check that needs physics: does the sound bike work, what can be told apart, what cannot be seen.

Built on the world; returns problems and tables, prints nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.bike.acts import FUNCTION_WORDS
from diagnose.bike.currents import as_condition
from diagnose.bike.model import Condition, JobState
from diagnose.errors import Problem
from diagnose.predictions.table import Table
from diagnose.wiring import BikeWorld

TOLD_APART = 0.25  # total-variation distance from which one reading is worth taking [1]
LAMP_SHARE = 0.85  # a sound lamp sees at least this share of the post volts (common practice)
FUSE_SHARE = 0.80  # load at most this share of the fuse rating (common practice)
STANDING_LIMIT = 0.025  # A (common practice: at most 25 mA)
CHARGING = (13.5, 14.8)  # V at 5000 rpm (motorcycle practice, from memory)
CRANKING = (9.6, 11.5)  # V at the posts (lower limit TM 10-3930-671-24 p. F-299)


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
    out: list[Problem] = []
    spec, predictor = world.spec, world.predictor
    job = JobState()

    def say(message: str) -> None:
        out.append(Problem(spec.path, 0, 0, f"{spec.id}: {message}"))

    healthy = world.no_fault
    predictor.found()
    plus, minus = (spec.nodes[spec.body[r]] for r in ("battery_plus", "battery_minus"))
    for f in spec.functions.values():
        condition = as_condition(predictor.built, f.when)
        words = predictor.function_words(job, f.id, condition)[healthy]
        best = FUNCTION_WORDS[f.kind][int(np.argmax(words))]
        if best != "works":
            say(
                f"sound, {f.title} in {condition.text or 'rest'} is {best!r}; expected works; "
                "look at its feed and ground"
            )
    for condition in world.service.conditions:
        solution = predictor.solution(job, condition)
        if not bool(solution.converged[healthy]):
            say(f"sound, the circuit finds no operating point in {condition.text or 'rest'}")
        post = float(solution.between(plus, minus)[healthy])
        for f in spec.functions.values():
            if as_condition(predictor.built, f.when).text != condition.text or f.kind not in (
                "light",
                "flash",
            ):
                continue
            for element in f.elements:
                e = predictor.built.elements[element]
                volts = abs(float(solution.across(e.id)[healthy]))
                if e.law == "lamp" and volts < LAMP_SHARE * post:
                    say(
                        f"sound, {f.title} sees {volts:.2f} V of {post:.2f} V at the posts; expected "
                        f"at least {LAMP_SHARE:.0%}; use thicker or shorter wire"
                    )
        for fuse, elements in predictor.built.fuses.items():
            for link in elements:
                amperes = abs(float(solution.current(link)[healthy]))
                rating = predictor.built.elements[link].values["rating"]
                if amperes > FUSE_SHARE * rating and condition.engine == "off":
                    say(f"sound, {fuse} carries {amperes:.1f} A of {rating:g} A in {condition.text}")
    rest = predictor.solution(job, Condition())
    standing = abs(float(np.sum([rest.current(e)[healthy] for e in predictor.built.batteries])))
    if standing > STANDING_LIMIT:
        say(f"sound, {standing * 1000:.0f} mA leave the battery at rest; expected at most 25 mA")
    for f in spec.functions.values():
        condition = as_condition(predictor.built, f.when)
        if f.kind == "charge":
            running = replace(condition, engine="5000")
            volts = float(predictor.solution(job, running).between(plus, minus)[healthy])
            if not CHARGING[0] <= volts <= CHARGING[1]:
                say(
                    f"sound, charging gives {volts:.2f} V at 5000 rpm; "
                    f"expected {CHARGING[0]} to {CHARGING[1]} V"
                )
        if f.kind == "starter":
            volts = float(predictor.solution(job, condition).between(plus, minus)[healthy])
            if not CRANKING[0] <= volts <= CRANKING[1]:
                say(
                    f"sound, the posts show {volts:.2f} V while cranking; "
                    f"expected {CRANKING[0]} to {CRANKING[1]} V"
                )
    return out


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
