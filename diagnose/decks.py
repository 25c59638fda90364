"""Any prediction as a SPICE deck: the bike, the faults, the condition, and the instrument.

Built on expect; so that anyone can check a reading with another simulator.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from diagnose.bike.acts import TOLD_IN_WORDS
from diagnose.bike.aids import core_of
from diagnose.bike.asked import parse_measurement
from diagnose.bike.build import Build, node_of_point
from diagnose.bike.currents import Service, as_condition, is_lit
from diagnose.bike.model import JobState, Measurement
from diagnose.catalogue.model import Instrument
from diagnose.circuit import instruments as bench
from diagnose.circuit.netlist import Element
from diagnose.circuit.spice import Reading, deck
from diagnose.errors import UsageError
from diagnose.expect import situation
from diagnose.predictions.compute import Predictor, mode_of
from diagnose.predictions.readings import lamp_watts

# volts across the instrument itself, without a second meter
NO_METER_OHMS = 1e12


def measurement_deck(predictor: Predictor, index: int, job: JobState, m: Measurement, title: str) -> str:
    """The deck of one candidate's reading; its @reading line says which quantity is shown.

    raises UsageError for kinds that are watched or looked at, not read
    """
    spec = predictor.built.spec
    if m.kind in TOLD_IN_WORDS and m.kind != "lamp":
        raise UsageError(
            f"{m.id} is watched, not read; expected a measurement with an instrument, such as volts"
        )
    if m.kind == "clamp":
        solution = predictor.solution(job, m.condition, "dc")
        return deck(solution, index, Reading("amps", element=core_of(m.what)), title)
    if m.kind == "amps":
        ohms = predictor.instruments["amps"].values["resistance"].number
        solution = predictor.solution(job, m.condition, "dc")
        case = solution.cases[index]
        if m.what == "battery":
            cell = predictor.built.batteries[0]
            loaded = bench.read_amps_in_series(predictor.compiled, [case], cell, ohms)
        else:
            kind = spec.kinds[spec.parts[m.what].kind]
            plus, minus = (node_of_point(spec, f"{m.what}.{t}") for t in kind.terminals[:2])
            meter = Element(bench.INSTRUMENT, "resistor", plus, minus, {"resistance": ohms})
            loaded = bench.with_element(predictor.compiled, [case], meter)
        return deck(loaded.solution, 0, Reading("amps", element=bench.INSTRUMENT), title)
    plus, minus = node_of_point(spec, m.plus), node_of_point(spec, m.minus)
    solution = predictor.solution(job, m.condition, _mode(predictor, index, job, m, plus, minus))
    case = solution.cases[index]
    if m.kind == "lamp":
        watts = lamp_watts(predictor, m)
        loaded = bench.with_lamp(
            predictor.compiled, [case], plus, minus, volts=spec.supply_volts, watts=watts
        )
        return deck(loaded.solution, 0, Reading("volts", plus, minus, ohms=NO_METER_OHMS), title)
    if m.kind == "diode":
        values = {"emf": bench.DIODE_TEST_VOLTS, "resistance": bench.DIODE_TEST_OHMS}
        source = Element(bench.INSTRUMENT, "source", plus, minus, values)
        loaded = bench.with_element(predictor.compiled, [case], source)
        return deck(loaded.solution, 0, Reading("volts", plus, minus, ohms=NO_METER_OHMS), title)
    if m.kind == "ohms":
        return deck(solution, index, Reading("ohms", plus, minus), title)
    meter_ohms = predictor.instruments[m.kind].values["resistance"].number
    return deck(solution, index, Reading("volts", plus, minus, ohms=meter_ohms), title)


def _mode(predictor: Predictor, index: int, job: JobState, m: Measurement, plus: str, minus: str) -> str:
    """The solution that a deck shows: of many phases, at the angle where this reading is at its height."""
    if m.kind == "lamp" and is_lit(predictor.built, m.condition):
        return "ac"
    mode, *across = predictor.ac_modes() if m.kind == "ac_volts" else (mode_of(m),)
    if not across:
        return mode
    first, second = (
        float(predictor.solution(job, m.condition, x).between(plus, minus)[index]) for x in (mode, *across)
    )
    return f"{mode}@{math.degrees(math.atan2(second, first)):.3f}"


def deck_for(
    built: Build,
    service: Service,
    instruments: Mapping[str, Instrument],
    faults: Sequence[str],
    settings: Sequence[str],
    measurement: str = "",
    *,
    found: bool = True,
    done: Sequence[str] = (),
) -> str:
    """The deck that `diagnose netlist` writes."""
    s = situation(built, service, instruments, faults, found=found, done=done)
    about = f"{built.spec.id} {'+'.join(s.faults) or 'no_fault'}"
    if measurement:
        m = parse_measurement(built, instruments, measurement)
        return measurement_deck(s.predictor, s.index, s.job, m, f"{about} {m.id}")
    condition = as_condition(built, ",".join(settings))
    solution = s.predictor.solution(s.job, condition)
    return deck(solution, s.index, None, f"{about} {condition.text or 'at rest'}")
