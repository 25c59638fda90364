"""What a swap of two like parts shows: the bike once more, with every fault of the one in the other.

Part of the fourth arrow, between functions and readings. What belongs to a part's place (its holder, its
plug, how it is wired) stays behind when the part is taken away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from diagnose.bike.build import Build
from diagnose.bike.candidates import read_fault
from diagnose.bike.currents import Service, as_condition
from diagnose.bike.model import Candidate, Fault, JobState, Measurement
from diagnose.bike.swaps import WATCHED, Twins, alike
from diagnose.errors import UsageError
from diagnose.predictions.functions import Functions
from diagnose.predictions.situations import Found

# edits that belong to how a part is joined, not to the part
JOINED = frozenset({"cross", "to_neighbour", "move", "reverse"})
STIRRED = 0.03  # [1] chance that handling the two parts changes something besides (estimate)
SERVES = 0.5  # [1] a part serves a function if its faults leave less than this of the chance that it works
SPARES = 0.9  # [1] and a twin does not if its faults leave more than this


def goes_along(built: Build, fault: Fault) -> bool:
    """Whether a fault is in the part itself, and so goes where the part goes."""
    kind = built.spec.kinds[built.spec.parts[fault.component].kind]
    mode = next(m for m in kind.modes if m.id == fault.mode)
    stays = kind.swap.stays if kind.swap else ()
    return mode.id not in stays and not JOINED.intersection(e.op for e in mode.edits)


def swapped(built: Build, service: Service, candidate: Candidate, pair: Sequence[str]) -> Candidate | None:
    """The candidate once two parts have changed places; None if that changes nothing."""
    other = {pair[0]: pair[1], pair[1]: pair[0]}
    moved = [f for f in candidate.faults if f.component in other and goes_along(built, f)]
    if not moved:
        return None
    faults = []
    for f in candidate.faults:
        if f not in moved:
            faults.append(f)
            continue
        try:
            there = read_fault(built, service, f"{other[f.component]}.{f.id.partition('.')[2]}")
        except UsageError:  # a mistake of fresh wiring, and the twin's place is old
            return None
        faults.append(replace(there, prior=f.prior))
    return Candidate("+".join(f.id for f in faults), tuple(faults), candidate.prior)


def twins(p: Functions) -> tuple[Twins, ...]:
    """Pairs of like parts each of which serves a function that the other does not, on the bike as it came."""
    pairs = alike(p.built)
    if not pairs:
        return ()
    works = {
        f.id: p.function_words(JobState(), f.id, as_condition(p.built, f.when))[:, 0]
        for f in p.built.spec.functions.values()
        if f.kind in WATCHED and as_condition(p.built, f.when).engine in ("off", "cranking")
    }
    found: list[Twins] = []
    taken: set[str] = set()
    for a, b in pairs:
        if a in taken or b in taken:
            continue
        own = {part: _left_working(p, part, works) for part in (a, b)}
        watch = _own_function(own[a], own[b])
        other = _own_function(own[b], own[a])
        if watch and other:
            found.append(Twins(a, b, watch, other))
            taken |= {a, b}
    return tuple(found)


def _left_working(p: Functions, part: str, works: dict[str, np.ndarray]) -> dict[str, float]:
    """Function -> mean chance that it works under the faults in a part itself; empty without any."""
    rows = [
        i
        for i, c in enumerate(p.candidates)
        if len(c.faults) == 1 and c.faults[0].component == part and goes_along(p.built, c.faults[0])
    ]
    weight = np.array([p.candidates[i].prior for i in rows])
    if not rows or not weight.sum() > 0.0:
        return {}
    return {f: float(weight @ own[rows] / weight.sum()) for f, own in works.items()}


def _own_function(own: dict[str, float], other: dict[str, float]) -> str:
    """The function that most surely fails with a part and not with its twin; '' if there is none."""
    served = [f for f, left in own.items() if left < SERVES and other.get(f, 0.0) > SPARES]
    return min(served, key=lambda f: own[f], default="")


def shown_by_swap(p: Functions, job: JobState, m: Measurement) -> np.ndarray:
    """(n_candidates, 2) chance that the complaint moved with the part, that it stayed."""
    sides = [(f, as_condition(p.built, p.built.spec.functions[f].when)) for f in m.watched]
    before = [p.function_words(job, f, c)[:, 0] for f, c in sides]
    moved = np.full(len(p.candidates), STIRRED)
    there = {
        i: c
        for i, own in enumerate(p.candidates)
        if (c := swapped(p.built, p.service, own, m.components)) is not None
    }
    if there:
        rows = list(there)
        keep = [p.healthy, *rows]
        blown, latched = (
            {d: mask[keep] for d, mask in group.items()} for group in (p.found().opened, p.found().latched)
        )
        chosen = (p.candidates[p.healthy], *there.values())
        stands = Found(blown, latched)  # what blew while the part was in its own place stays blown
        after = type(p)(p.built, p.service, chosen, p.instruments, p.latent_sd, stands)
        now = [after.function_words(job, f, c)[1:, 0] for f, c in sides]
        first, last = (b[rows] for b in before)
        one_way = (1.0 - first) * last * now[0] * (1.0 - now[1])
        other_way = first * (1.0 - last) * (1.0 - now[0]) * now[1]
        moved[rows] = np.clip(one_way + other_way, STIRRED, 1.0 - STIRRED)
    return np.stack([moved, 1.0 - moved], axis=1)
