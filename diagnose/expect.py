"""What each test point and function should show: one bike, some faults, one condition.

Built on predictions; gives the contract's `expect` value. Knows no conversation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.bike.acts import FUNCTION_WORDS
from diagnose.bike.build import Build, node_of_point
from diagnose.bike.candidates import read_fault
from diagnose.bike.currents import Service
from diagnose.bike.model import Candidate, Condition, JobState, Measurement
from diagnose.circuit.netlist import Case
from diagnose.errors import UsageError, unknown
from diagnose.predictions.compute import Predictor
from diagnose.predictions.table import Column
from diagnose.quantities import write

PROTOCOL = 1


@dataclass(frozen=True, slots=True, eq=False)
class Situation:
    """A bike with a set of faults, in a job state, ready to be asked. index: its candidate."""

    predictor: Predictor
    index: int
    job: JobState
    faults: tuple[str, ...]
    fresh: bool


def situation(
    built: Build,
    service: Service,
    instruments,
    faults: Sequence[str],
    *,
    found: bool = True,
    done: Sequence[str] = (),
) -> Situation:
    """Prepare a bike with these faults. found False: as it was before it was used (nothing blown yet).

    done  acts: `renew:FUSE`, `out:FUSE`, `apart:CONNECTOR`, `battery:off`, or a repair id
    """
    read = tuple(read_fault(built, service, f) for f in sorted(set(faults)))
    healthy = Candidate("no_fault", (), 0.5)
    subject = Candidate("+".join(f.id for f in read) or "no_fault", read, 0.5)
    chosen = (healthy, subject) if read else (healthy,)
    predictor = Predictor(built, service, chosen, instruments)
    job = job_state(built, done)
    if found:
        predictor.found()
    else:
        predictor.as_new()
    return Situation(predictor, len(chosen) - 1, job, tuple(f.id for f in read), not found)


def job_state(built: Build, done: Sequence[str]) -> JobState:
    """Job state from acts in words; raises UsageError."""
    renewed, out, apart, repairs = [], [], [], []
    battery = True
    for act in done:
        verb, _, what = act.partition(":")
        if verb == "renew" and what in built.fuses:
            renewed.append(what)
        elif verb == "out" and what in built.fuses:
            out.append(what)
        elif verb == "apart" and what in built.ways:
            apart.append(what)
        elif act == "battery:off":
            battery = False
        elif not what and "." in act:
            repairs.append(act)
        else:
            known = [f"renew:{f}" for f in built.fuses] + [f"out:{f}" for f in built.fuses]
            known += [f"apart:{c}" for c in built.ways] + ["battery:off", "COMPONENT.REPAIR"]
            raise UsageError(unknown("act", act, known))
    return JobState(tuple(renewed), tuple(out), tuple(apart), tuple(repairs), battery)


def reading_text(column: Column, index: int) -> tuple[float | str | None, float | None, str]:
    """(value, spread, text) of one candidate's reading; text is a valid answer in a job."""
    if column.value is None:
        assert column.words is not None
        word = column.choices[int(np.argmax(column.words[index]))]
        return word, None, word
    value = float(column.value[index])
    spread = float(column.spread[index]) if column.spread is not None else 0.0
    if math.isinf(value):
        return None, None, "OL"
    if column.scale == "log":
        spread *= value
    return value, spread, write(value, column.unit)


def expect(
    s: Situation, condition: Condition, measurements: Sequence[Measurement] = (), black: str = ""
) -> dict:
    """The contract's `expect` object for one situation and condition."""
    built = s.predictor.built
    spec = built.spec
    solution = s.predictor.solution(s.job, condition)
    reference = node_of_point(spec, black or spec.body.get("battery_minus", spec.ground_post))
    unconnected = solution.floating
    points = []
    for point in spec.nodes:
        if point.partition(".")[0] in spec.wires:
            continue
        at = node_of_point(spec, point)
        volts = float(solution.between(at, reference)[s.index])
        floating = bool(unconnected[solution.row(at), s.index])
        points.append({"point": point, "volts": round(volts, 3) + 0.0, "floating": floating})
    functions = []
    for f in spec.functions.values():
        words = s.predictor.function_words(s.job, f.id, condition)[s.index]
        functions.append({"function": f.id, "state": FUNCTION_WORDS[f.kind][int(np.argmax(words))]})
    readings = []
    if measurements:
        columns = s.predictor.columns(s.job, measurements)
        for m in measurements:
            value, spread, text = reading_text(columns[m.id], s.index)
            readings.append(
                {
                    "measurement": m.id,
                    "kind": m.kind,
                    "value": value,
                    "unit": m.unit,
                    "spread": None if spread is None else round(spread, 4),
                    "text": text,
                }
            )
    found = s.predictor.found_of(s.index)
    return {
        "protocol": PROTOCOL,
        "bike": spec.id,
        "faults": list(s.faults),
        "found": {"opened": list(found[0]), "latched": list(found[1])},
        "condition": condition.text,
        "points": points,
        "functions": functions,
        "readings": readings,
    }


def case_of(s: Situation, condition: Condition, mode: str = "dc") -> Case:
    """The netlist case that a situation and condition stand for (for decks)."""
    return s.predictor.case(s.job, condition, mode, s.index)
