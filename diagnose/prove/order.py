"""The order of the checks: least risk first, then what is near each other, then the likely mistake.

Power only grows from stage to stage. With the battery off nothing can burn, so there the order is free: the
ground that everything is read against first, then place by place, by likely mistakes found a minute.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from diagnose.bike.candidates import single_faults
from diagnose.bike.model import JobState
from diagnose.prove.dead import STAGE, Dead, dead_job
from diagnose.prove.limits import Sound, reason
from diagnose.prove.live import Live
from diagnose.prove.loom import loom_of, plugs_of, units
from diagnose.prove.model import Check, Plan, Stage
from diagnose.prove.whole import everything

SORTS = ("ground", "to_ground", "kill", "switch", "apart", "contact", "joined", "rating")
MOST_SERIES = 8  # readings that one question asks for (estimate: what fits a small screen)
ALONE = ("posts", "lamp", "loaded", "drop", "by_meter")  # never one of a series
PINS = ("pin",)
MADE_BY_HAND: Mapping[str, float] = {"assembly": 4.0, "assembly_care": 2.5}  # as for fresh wiring in a job
STAGE_MINUTES = 1.0  # key off, a lamp or fuse in or out, key on (estimate)
PULL_MINUTES = 0.5  # a fuse or a plug, out or in (estimate)


def mistakes(sound: Sound) -> dict[str, float]:
    """part -> relative frequency of faults that work on the wiring makes."""
    found: dict[str, float] = {}
    for fault in single_faults(sound.built, sound.service):
        factor = max((MADE_BY_HAND.get(t, 0.0) for t in fault.tags), default=0.0)
        if factor:
            found[fault.component] = found.get(fault.component, 0.0) + factor * fault.prior
    total = sum(found.values()) or 1.0
    return {part: weight / total for part, weight in found.items()}


def weighed(checks: Iterable[Check], likely: Mapping[str, float]) -> list[Check]:
    """Checks with the share of likely mistakes that each would show; a part counts once among its checks."""
    checks = list(checks)
    seen: dict[str, int] = {}
    for c in checks:
        for part in c.parts:
            seen[part] = seen.get(part, 0) + 1
    return [replace(c, weight=sum(likely.get(p, 0.0) / seen[p] for p in c.parts)) for c in checks]


def ordered(sound: Sound, checks: Iterable[Check]) -> list[Check]:
    """Checks with the battery off in their order."""
    spec = sound.built.spec
    checks = weighed(checks, mistakes(sound))
    bodies = {spec.body[b].partition(".")[0] for b in ("engine", "frame")}
    first = [c for c in checks if c.sort == "ground" and c.about in bodies]
    rest = [c for c in checks if c not in first]
    by_place: dict[str, list[Check]] = {}
    for c in rest:
        by_place.setdefault(c.place, []).append(c)

    def rate(place: str) -> float:
        here = by_place[place]
        access = spec.places[place].access_min if place in spec.places else 0.0
        return sum(c.weight for c in here) / (access + sum(c.minutes for c in here))

    out = list(first)
    for place in sorted(by_place, key=lambda p: (-rate(p), p)):
        # within a place: one setting, black lead and dial after the other, so that they are read as a series
        out += sorted(by_place[place], key=lambda c: (c.sort != "ground", _apart_from_lead(c), _usual(c)))
    return out


def _usual(check: Check) -> tuple[int, float, str]:
    """What comes first with one setting: by sort, then the likelier mistake."""
    return SORTS.index(check.sort), -check.weight, check.id


def _setting(check: Check) -> tuple[str, str]:
    """What stays as it is from one reading of a series to the next: switches, black lead."""
    return check.measurement.partition("@")[2], check.points[-1] if check.points else ""


def series(plan: Plan, queue: Sequence[str]) -> tuple[str, ...]:
    """The first checks of a queue that are read with nothing changed but the place of the red lead."""
    first = plan.by_id[queue[0]]

    def alike(name: str) -> bool:
        c = plan.by_id[name]
        same = _apart_from_lead(c) == _apart_from_lead(first)
        return same and c.measurement.partition(":")[0] == first.measurement.partition(":")[0]

    if first.choices or not first.points or first.sort in ALONE:
        return (first.id,)
    return tuple(itertools.takewhile(alike, queue[:MOST_SERIES]))


def _apart_from_lead(c: Check) -> tuple[object, ...]:
    """Everything but the place of the red lead: stage, place, switches, black lead, dial."""
    dial = 99 if math.isinf(c.limit.high) else max(0, math.ceil(math.log10(max(c.limit.high, 1e-9) / 200.0)))
    return c.stage, c.place, c.sort in PINS, _setting(c), c.limit.unit, dial


def make_plan(sound: Sound) -> Plan:
    """Every check of a bike, from the battery off to everything on."""
    built = sound.built
    apart = tuple(x for u in units(built) for x in plugs_of(built, u))
    loom = loom_of(built, apart)
    dead = Dead(sound, loom)
    dead.all()
    live = Live(sound, dead)
    live.all()
    everything(live)
    off = Stage(
        STAGE,
        1,
        dead_job(sound, loom),
        (reason("set_battery_off" if built.spec.has_battery else "set_no_battery"),),
    )
    checks = (*ordered(sound, dead.found.values()), *live.checks)
    return Plan(
        built.spec.id,
        built.spec.title,
        (off, *live.stages),
        checks,
        {c.id: c for c in checks},
    )


def stage_minutes(plan: Plan, before: JobState, stage: Stage) -> float:
    """Hands-on minutes to come from one state of the bike to a stage, trade."""
    was, now = before, stage.job
    moved = set(was.out) ^ set(now.out) | set(was.apart) ^ set(now.apart) | set(was.lamps) ^ set(now.lamps)
    return STAGE_MINUTES + PULL_MINUTES * len(moved) + (1.0 if was.battery != now.battery else 0.0)


def minutes(
    sound: Sound,
    plan: Plan,
    ids: Iterable[str],
    job: JobState = JobState(),  # noqa: B008 - a frozen value
    opened: Iterable[str] = (),
) -> float:
    """Hands-on minutes of these checks, trade: acts, places opened and closed once, set-ups.

    job, opened  the bike as it stands, and what is open already
    """
    spec = sound.built.spec
    total, stage = 0.0, ""
    places = set(opened)
    for name in ids:
        check = plan.by_id[name]
        if check.stage != stage:
            now = plan.stage(check.stage)
            total += stage_minutes(plan, job, now)
            job, stage = now.job, check.stage
        if check.place and check.place not in places and check.place in spec.places:
            places.add(check.place)
            total += spec.places[check.place].access_min + spec.places[check.place].close_min
        total += check.minutes
    return total
