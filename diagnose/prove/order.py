"""The order of the checks: least risk first, then what is near each other, then the likely mistake.

Power only grows from stage to stage. With the battery off nothing can burn, so there the order is free: the
ground that everything is read against first, then place by place, by likely mistakes found a minute.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
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
        out += sorted(by_place[place], key=lambda c: (SORTS.index(c.sort), -c.weight, c.id))
    return out


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
    off = Stage(STAGE, 1, dead_job(sound, loom), (reason("set_battery_off"),))
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
