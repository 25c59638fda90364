"""Which complaints a rider of a bike can have: those that speak of something the bike has.

Structure only; which faults cause them is computed where there is a circuit.
"""

from __future__ import annotations

from collections.abc import Sequence

from diagnose.catalogue.conditions import fitting, parse_condition
from diagnose.catalogue.model import Complaint, Function, Library, Symptom
from diagnose.catalogue.spec import BikeSpec
from diagnose.catalogue.words import FUNCTION_STATES
from diagnose.errors import UsageError

STUCK = "steady"  # only a flasher of its own can stick


def fitting_complaints(library: Library, spec: BikeSpec) -> list[str]:
    """Ids of the library's complaints that this bike can have, in their order."""
    return [c.id for c in library.complaints.values() if _fits(c, spec)]


def _fits(complaint: Complaint, spec: BikeSpec) -> bool:
    said = (*complaint.any_of, *complaint.all_of)
    if complaint.kinds and any(p.kind in complaint.kinds for p in spec.parts.values()):
        return True
    if _wants_two(complaint.all_of) and len(_named(spec, complaint.all_of[0].function)) < 2:
        return False
    return any(_can_show(s, spec) for s in said)


def _wants_two(symptoms: Sequence[Symptom]) -> bool:
    """Whether all of them together need two things of one role: one that fails beside one that works."""
    states = [set(s.states) for s in symptoms]
    return (
        len(symptoms) > 1
        and len({s.function for s in symptoms}) == 1
        and any(not one & other for one in states for other in states)
    )


def _named(spec: BikeSpec, name: str) -> list[Function]:
    return [f for f in spec.functions.values() if name in (f.id, *f.roles)]


def _can_show(symptom: Symptom, spec: BikeSpec) -> bool:
    words = {spec.kinds[p.kind].word for p in spec.parts.values()}
    if symptom.opened:
        return "fuse" in words
    if symptom.standing is not None:
        return "battery" in words
    if symptom.charging_low is not None or symptom.charging_high is not None:
        return any(f.kind == "charge" for f in spec.functions.values())
    if symptom.overlit is not None:
        return any("reactance_per_1000rpm" in key for k in spec.kinds.values() for key in k.values)
    able = {state for f in _named(spec, symptom.function) for state in FUNCTION_STATES[f.kind]}
    if not able & set(symptom.states):
        return False
    if set(symptom.states) == {STUCK} and "flasher" not in words:
        return False
    if "key=off" in symptom.condition.split(",") and not any(
        "key=" in f.when for f in _named(spec, symptom.function)
    ):
        return False  # the key never switched it
    try:
        parse_condition(fitting(symptom.condition, spec.controls), spec)
    except UsageError:  # speaks of a control that this bike does not have
        return False
    return True
