"""`diagnose draw`: a whole loom, one function's current path, or what a job suspects, as text or SVG.

Opens what is needed and writes what the plan says; decides nothing about the loom.
"""

from __future__ import annotations

import argparse
import json
import shutil
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from diagnose.bike.build import Build, build
from diagnose.bike.currents import as_condition
from diagnose.bike.model import Condition
from diagnose.conversation import evidence, intake, names
from diagnose.conversation.means import Means
from diagnose.conversation.step import fitted, fold
from diagnose.draw.function import function_elements
from diagnose.draw.loom import draw_loom, region
from diagnose.draw.plan import Branch, Drawing, plan
from diagnose.draw.svg import as_svg
from diagnose.draw.text import as_text
from diagnose.errors import UsageError, unknown
from diagnose.journal import PROTOCOL, Record, find_job, jobs_folder, list_jobs, read
from diagnose.locations import knowledge_folder
from diagnose.means import open_knowledge, read_library
from diagnose.output import DONE, write_text
from diagnose.own_bike import laid
from diagnose.wording import Wording, read_wording

SUSPECT_FROM = 0.02  # [1] chance from which a part belongs to the region under suspicion
WIDEST = 120  # columns; longer lines are hard to follow


def draw(options: argparse.Namespace) -> int:
    """Draw what the options ask for."""
    if options.job and options.function:
        raise UsageError("--job and --function ask for two drawings; expected one of them")
    if options.job:
        built, drawing, condition, wording = _of_job(options)
    elif options.bike:
        built, drawing, condition = _of_bike(options)
        folder = Path(options.knowledge) if options.knowledge else knowledge_folder()
        wording = read_wording(folder / "wording" / "en.yaml")
    else:
        raise UsageError("nothing to draw; expected --bike BIKE or --job JOB; try `diagnose bikes`")
    write_text(_written(options, built, drawing, condition, wording), options.output)
    return DONE


def _written(
    options: argparse.Namespace, built: Build, drawing: Drawing, condition: Condition, wording: Wording
) -> str:
    if options.json:
        trees = [{"from": root, **_plain(tree)} for root, tree in drawing.trees]
        head = {"protocol": PROTOCOL, "bike": built.spec.id, "title": drawing.title}
        rest = {"condition": condition.text, "trees": trees, "apart": list(drawing.apart)}
        return json.dumps(head | rest, ensure_ascii=False)
    if Path(options.output).suffix.lower() == ".svg":
        return as_svg(drawing)
    found = options.columns or shutil.get_terminal_size((80, 24)).columns
    whole = not (options.function or options.job)
    return as_text(
        drawing,
        min(found, WIDEST),
        lambda code: names.colour_words(code, wording),
        runs=whole,
    )


def _plain(branch: Branch) -> dict[str, Any]:
    """A branch as plain data: only what says something."""
    data = {k: v for k, v in asdict(branch).items() if v and k not in ("items", "branches")}
    items = [{k: v for k, v in asdict(i).items() if v} for i in branch.items]
    return data | {"items": items, "branches": [_plain(b) for b in branch.branches]}


def _of_bike(options: argparse.Namespace) -> tuple[Build, Drawing, Condition]:
    """The whole loom of a bike, or one function's path."""
    spec, _ = laid(read_library(options.knowledge), options.bike, options.as_drawn)
    built = build(spec)
    if not options.function:
        condition = _condition(built, (), options.settings)
        return built, plan(draw_loom(built, condition), spec.title, _in_words(built, condition)), condition
    function = spec.functions.get(options.function)
    if function is None:
        raise UsageError(unknown("function", options.function, spec.functions))
    condition = _condition(built, (function.when,), options.settings)
    loom = draw_loom(built, condition)
    title = f"{spec.title}: {function.title}"
    return built, plan(loom, title, _in_words(built, condition), function_elements(loom, function)), condition


def _of_job(options: argparse.Namespace) -> tuple[Build, Drawing, Condition, Wording]:
    """What a job suspects: the ways of what is complained of, and every part under suspicion."""
    record = _record(options)
    if record.options.get("prove"):
        raise UsageError(f"{record.job} is a proving run; expected a job; try `diagnose jobs`")
    opened = open_knowledge(options.knowledge)
    base = opened.world(record.bike)
    state, _ = fold(record.options, record.messages, base, opened.rulebase, opened.wording)
    if not state.setting.complaints:
        raise UsageError(
            f"{record.job} has no complaint yet; expected one; try `diagnose resume {record.job}`"
        )
    world = fitted(base, state)
    belief = state.belief
    if belief is None:
        belief = intake.belief_of(Means(world, opened.rulebase, opened.wording), state).belief
    shares: dict[str, float] = {}
    for i, chance in evidence.ranking(world, belief, floor=SUSPECT_FROM):
        for part in {f.component for f in world.candidates[i].faults}:
            shares[part] = shares.get(part, 0.0) + chance
    own = base.differing(state.setting.differs)
    built, spec = own.built, own.spec
    functions = [spec.functions[f] for f in sorted(own.complaint_functions(state.setting.complaints))]
    only: set[str] = set()
    for f in functions:
        only |= function_elements(draw_loom(built, _condition(built, (f.when,), options.settings)), f)
    condition = _condition(built, [f.when for f in reversed(functions)], options.settings)
    loom = draw_loom(built, condition)
    parts = [p for p in shares if p in spec.parts]
    only |= region(loom, parts)
    told = [opened.library.complaints[c].title for c in state.setting.complaints]
    title = f"{spec.title}: {', '.join(told)}"
    return built, plan(loom, title, _in_words(built, condition), only, shares), condition, opened.wording


def spec_title(opened: Any, complaint: str) -> str:
    """A complaint in words."""
    return str(opened.library.complaints[complaint].title)


def _record(options: argparse.Namespace) -> Record:
    """The journal that --job names; `last` is the newest job that is no proving run."""
    folder = jobs_folder(options.folder)
    if options.job != "last":
        return read(find_job(folder, options.job))
    records, _ = list_jobs(folder)
    jobs = [r for r in records if not r.options.get("prove")]
    if not jobs:
        raise UsageError(f"no job in {folder}; expected one; try `diagnose job`")
    return jobs[0]


def _condition(built: Build, texts: Iterable[str], settings: Iterable[str]) -> Condition:
    """A condition from several texts, the later ones counting; raises UsageError."""
    said: dict[str, str] = {}
    for text in (*texts, *settings):
        for pair in filter(None, text.split(",")):
            key, sign, value = pair.partition("=")
            if not sign:
                raise UsageError(f"--set {pair!r} is not understood; expected CONTROL=POSITION")
            said[key.strip()] = value.strip()
    return as_condition(built, ",".join(f"{k}={v}" for k, v in said.items()))


def _in_words(built: Build, condition: Condition) -> str:
    """'key switch RUN, engine idle'; what is not named is at rest."""
    controls: Mapping[str, Any] = built.spec.controls
    said = [f"{controls[c].title} {controls[c].words.get(p, p)}" for c, p in condition.controls]
    said += [f"engine {condition.engine}"] if condition.engine != "off" else []
    return ", ".join(said) or "everything at rest"
