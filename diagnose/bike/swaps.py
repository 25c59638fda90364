"""Swaps with the bike's own twin part: the complaint moves with the part, or it stays.

Third arrow of the flow (composed bike -> acts). Which parts are alike and what each of them serves is given;
what a swap would show is computed with the fault in the twin.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from diagnose.bike.acts import LOOK_AGAIN_MINUTES, OBSERVE_MINUTES
from diagnose.bike.build import Build
from diagnose.bike.currents import as_condition
from diagnose.bike.model import Measurement
from diagnose.catalogue.model import Instrument, Part

MOVED, STAYED = "moved", "stayed"
WATCHED = ("light", "sound", "spark")  # kinds of function that show whether a complaint has moved


@dataclass(frozen=True, slots=True)
class Twins:
    """Two parts that can change places, and the function that each of them serves and the other does not."""

    part: str
    other: str
    watch: str
    watch_other: str


def alike(built: Build) -> tuple[tuple[str, str], ...]:
    """Pairs of parts of one kind, with the same values, whose kind says how they are swapped."""
    spec = built.spec
    parts = [p for p in spec.parts.values() if spec.kinds[p.kind].swap is not None]
    return tuple(
        (a.id, b.id) for a, b in combinations(parts, 2) if a.kind == b.kind and _numbers(a) == _numbers(b)
    )


def _numbers(part: Part) -> dict[str, float]:
    return {k: v.number for k, v in part.values.items()}


def swaps(
    built: Build, instruments: Mapping[str, Instrument], twins: Sequence[Twins]
) -> dict[str, Measurement]:
    """The swap of each pair of twins, by id."""
    return {m.id: m for m in (_swap(built, instruments, t) for t in twins)}


def _swap(built: Build, instruments: Mapping[str, Instrument], t: Twins) -> Measurement:
    spec = built.spec
    how = spec.kinds[spec.parts[t.part].kind].swap
    assert how is not None
    watched = [spec.functions[f] for f in (t.watch, t.watch_other)]
    condition = as_condition(built, watched[0].when)
    looking = sum(OBSERVE_MINUTES.get(f.kind, LOOK_AGAIN_MINUTES) for f in watched)
    places = {spec.parts[p].place for p in (t.part, t.other)}
    places |= {spec.controls[c].place for c, _ in condition.controls}
    return Measurement(
        f"swap:{t.part}:{t.other}@{condition.text}",
        "swap",
        condition,
        what=t.part,
        choices=(MOVED, STAYED),
        minutes=how.minutes.number + looking,
        places=tuple(sorted(p for p in places if p)),
        setup=f"eyes|{condition.text}",
        kit=instruments["swap"].kit,
        engine_runs=condition.engine not in ("off", "cranking"),
        text=how.text,
        components=(t.part, t.other),
        watched=(t.watch, t.watch_other),
    )
