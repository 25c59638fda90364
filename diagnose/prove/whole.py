"""Checks with everything fitted: standing current, each function, grounds under load, all at once, charging.

Generated from the bike's functions and from the ground joints that ohms could not prove.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from diagnose.bike.acts import posts
from diagnose.bike.currents import as_condition, is_lit
from diagnose.bike.model import Condition, JobState
from diagnose.catalogue.model import Function
from diagnose.prove.limits import amps_limit, drop_limit, reason, words_limit
from diagnose.prove.live import KINDS_THAT_WAKE, REST, Live
from diagnose.prove.model import Check, Stage


def everything(live: Live) -> None:
    """Everything fitted: standing current, each function, grounds under load, all at once, charging."""
    spec = live.built.spec
    stage = live.enter("functions", 4, JobState(), reason("set_everything"))
    if spec.has_battery:
        m = live.sound.amps("battery", REST)
        live.put(stage, "standing", m, amps_limit(live.sound.column(stage.job, m)), "battery")
    for f in _by_engine(live):
        condition = as_condition(live.built, f.when)
        if f.kind == "charge":
            for engine in ("idle", "5000"):
                m = live.sound.two_point("volts", *posts(live.built), replace(condition, engine=engine))
                about = f.element.partition(".")[0]
                parts = tuple(live.loom.parts[live.loom.net(spec.body["battery_plus"])])
                live.put(stage, "loaded", m, live.limit(stage, m), about, parts)
            continue
        m = live.sound.observe(f.id, condition)
        limit = words_limit(live.sound.column(stage.job, m), "why_function")
        parts = tuple(e.partition(".")[0] for e in (f.element, *f.elements) if e)
        instead = _by_meter(live, stage, f.element, condition) if limit.doubtful and f.kind == "light" else ""
        if not instead:  # nothing can decide it but the same eyes and ears
            limit = replace(limit, words=(*limit.words, *limit.doubtful), doubtful=())
        live.put(stage, "observe", m, limit, f.id, parts, instead=instead)
    _drops(live, stage)
    _all_on(live, stage)
    # nothing runs before everything that can be seen standing still was seen
    here = [c for c in live.checks if c.stage == stage.id]
    rest = [c for c in live.checks if c.stage != stage.id]
    live.checks = [*rest, *sorted(here, key=_effort)]


def _effort(check: Check) -> int:
    """0 standing, 1 cranking, 2 running."""
    if check.engine_runs:
        return 2
    return int("cranking" in check.measurement or check.helper)


def _by_engine(live: Live) -> list[Function]:
    """Functions in the order of what they ask of the bike: standing, cranking, running."""
    rank = {"off": 0, "cranking": 1}
    stops = ("stop",)
    functions = live.built.spec.functions.values()
    return sorted(
        functions,
        key=lambda f: (
            rank.get(as_condition(live.built, f.when).engine, 2),
            f.kind == "starter",
            f.kind not in stops and rank.get(as_condition(live.built, f.when).engine, 2) == 2,
        ),
    )


def _by_meter(live: Live, stage: Stage, element: str, condition: Condition) -> str:
    """Volts at a lamp, which decide whether it is weak; '' where no point can be touched."""
    e = live.built.elements.get(element)
    if e is None:
        return ""
    points = [_touch(live, element, at) for at in (e.plus, e.minus)]
    if not all(points):
        return ""
    kind = "ac_volts" if is_lit(live.built, condition) else "volts"
    m = live.sound.two_point(kind, points[0], points[1], condition)
    limit = live.limit(stage, m)
    return live.put(stage, "by_meter", m, limit, element.partition(".")[0]).id


def _touch(live: Live, element: str, at: str) -> str:
    """The point for a node; for one inside a part, the terminal it leads to."""
    if at in live.loom.best:
        return live.loom.best[at]
    part = element.partition(".")[0]
    for e in live.built.netlist.elements:
        if e.id.partition(".")[0] == part and e.id != element and at in (e.plus, e.minus):
            other = e.minus if e.plus == at else e.plus
            if other in live.loom.best:
                return live.loom.best[other]
    return ""


def _drops(live: Live, stage: Stage) -> None:
    """Ground joints that ohms cannot prove: the volts they lose under their own load."""
    spec = live.built.spec
    for check in live.dead.found.values():
        if check.sort != "ground" or not check.limit.blind:
            continue
        point = next(p for p in check.points if p != live.loom.lead)
        element = _largest(live, check.about)
        if not element:
            continue
        condition = live.sound.service.conditions[live.sound.service.best[element]]
        row = live.sound.service.ac_currents[live.row(element)]
        lit = float(row[live.sound.service.best[element]]) > 0.0
        if condition.engine not in ("off", "cranking") and not lit:
            condition = replace(condition, engine="off")
        m = live.sound.to_ground("ac_volts" if lit else "drop", point, condition)
        amperes = live.dead.amperes(check.about)
        limit = drop_limit(live.sound.column(stage.job, m), amperes, spec.of_twelve)
        live.put(stage, "drop", m, limit, check.about, tuple(check.parts))


def _largest(live: Live, part: str) -> str:
    """The element that carries a ground part's current."""
    spec = live.built.spec
    at = {spec.nodes[f"{part}.{t}"] for t in spec.kinds[spec.parts[part].kind].terminals}
    own = [e.id for e in live.built.netlist.elements if e.id.partition(".")[0] == part] or [
        e.id
        for e in live.built.netlist.elements
        if {e.plus, e.minus} & at and e.id.partition(".")[0] in spec.wires
    ]
    amps = live.sound.service.amperes
    known = [e for e in own if e in live.sound.service.best]
    return max(known, key=lambda e: amps.get(e, 0.0), default="")


def _all_on(live: Live, stage: Stage) -> None:
    """Everything switched on at once at idle: volts at the posts as computed."""
    spec = live.built.spec
    if not spec.has_battery:
        return
    positions: dict[str, str] = {}
    for f in spec.functions.values():
        if f.kind in KINDS_THAT_WAKE:
            for control, position in as_condition(live.built, f.when).controls:
                positions.setdefault(control, position)
    condition = Condition(tuple(sorted(positions.items())), "idle")
    m = live.sound.two_point("volts", *posts(live.built), condition)
    limit = live.limit(stage, m)
    worst = _heaviest(live, stage.job, condition)
    extra = tuple(
        reason("why_all_on", fuse=f, amps=f"{a:.1f}", rating=f"{r:g}", share=f"{100 * a / r:.0f}")
        for f, a, r in worst
    )
    live.put(stage, "loaded", m, replace(limit, reasons=(*limit.reasons, *extra)), "battery")


def _heaviest(live: Live, job: JobState, condition: Condition) -> Iterator[tuple[str, float, float]]:
    """(fuse, current, rating) with everything on."""
    solution = live.sound.predictor.solution(job, condition)
    for fuse, (link, *_) in live.built.fuses.items():
        yield fuse, abs(float(solution.current(link)[0])), live.built.elements[link].values["rating"]
