"""What each command does: open the knowledge, call the job, print or write the result.

Top of the import order. Heavy modules are imported inside the command that needs them, so that the first
prompt is drawn before numpy and the rest are loaded.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.conversation.screen import wrap
from diagnose.errors import KnowledgeError, UsageError
from diagnose.locations import bike_names, knowledge_folder
from diagnose.output import DONE, FAILED, clean, write_text

if TYPE_CHECKING:
    from diagnose.bike.build import Build
    from diagnose.bike.currents import Service
    from diagnose.catalogue.differences import Difference
    from diagnose.catalogue.model import Library
    from diagnose.journal import Record
    from diagnose.wiring import BikeWorld

PROTOCOL = 1


def _library(options: argparse.Namespace) -> Library:
    from diagnose.means import read_library

    return read_library(options.knowledge)


def _bench_bike(
    options: argparse.Namespace,
) -> tuple[Library, Build, Service, tuple[Difference, ...]]:
    """A bike as a circuit, without its suspects, and what differs on it: all that `expect` needs."""
    from diagnose.bike.build import build
    from diagnose.bike.currents import service
    from diagnose.own_bike import laid

    library = _library(options)
    spec, differences = laid(library, options.bike, options.as_drawn)
    built = build(spec)
    return library, built, service(built), differences


def _emit(options: argparse.Namespace, data: Any, text: str) -> None:
    # names of files, bikes and jobs stay text on any screen
    write_text(json.dumps(data, ensure_ascii=False) if options.json else clean(text), options.output)


def expect(options: argparse.Namespace) -> int:
    """`diagnose expect`"""
    from diagnose.bike.asked import parse_measurement
    from diagnose.bike.currents import as_condition
    from diagnose.catalogue.differences import as_entry
    from diagnose.expect import expect as expected
    from diagnose.expect import situation
    from diagnose.own_bike import entry_text

    library, built, sound, differences = _bench_bike(options)
    s = situation(
        built,
        sound,
        library.instruments,
        options.fault,
        found=not options.fresh,
        done=options.done,
    )
    condition = as_condition(built, ",".join(options.settings))
    asked = [parse_measurement(built, library.instruments, m) for m in options.measurement]
    differs = [as_entry(d) for d in differences]
    data = expected(s, condition, asked, options.black) | {"differs": differs}
    lines = [f"{data['bike']}, {' + '.join(data['faults']) or 'no fault'}, {data['condition'] or 'at rest'}"]
    lines += [f"differs from what is drawn: {entry_text(d)}" for d in differs]
    if data["found"]["opened"]:
        lines.append(f"found blown: {', '.join(data['found']['opened'])}")
    if data["found"]["latched"]:
        lines.append(f"found switched off by overload: {', '.join(data['found']['latched'])}")
    lines += [f"  {f['function']:<24} {f['state']}" for f in data["functions"]]
    lines += [
        f"  {p['point']:<36} {p['volts']:8.2f} V{'  (no connection)' if p['floating'] else ''}"
        for p in data["points"]
    ]
    lines += [f"  {r['measurement']}: {r['text']}" for r in data["readings"]]
    _emit(options, data, "\n".join(lines))
    return DONE


def netlist(options: argparse.Namespace) -> int:
    """`diagnose netlist`"""
    from diagnose.decks import deck_for

    library, built, sound, _ = _bench_bike(options)
    text = deck_for(
        built,
        sound,
        library.instruments,
        options.fault,
        options.settings,
        options.measurement[0] if options.measurement else "",
        found=not options.fresh,
        done=options.done,
    )
    if options.json:
        data = {"protocol": PROTOCOL, "bike": options.bike, "netlist": text}
        write_text(json.dumps(data), options.output)
    else:
        write_text(text, options.output)
    return DONE


def bikes(options: argparse.Namespace) -> int:
    """`diagnose bikes`"""
    from diagnose.catalogue.compose import compose_bike
    from diagnose.wiring import BikeWorld

    library = _library(options)
    if options.faults and not options.bike:
        raise UsageError("--faults needs a bike; try `diagnose bikes custom_single --faults`")
    if options.bike:
        world = BikeWorld(library, compose_bike(library, options.bike))
        if options.faults:
            data = fault_list(world)
            text = "\n".join(
                f"{f['fault']:<52} {f['prior']:.5f}  {', '.join(f['causes']) or '-'}" for f in data["faults"]
            )
        else:
            data = bike_page(world, library.bike_files.get(world.spec.id, options.bike))
            text = page_text(data)
        _emit(options, data, text)
        return DONE
    rows = []
    for bike_id, path in sorted(library.bike_files.items()):
        rows.append(_bike_row(BikeWorld(library, compose_bike(library, bike_id)), path))
    text = "\n".join(
        f"{r['id']:<24} {r['title']} ({r['components']} parts, {r['candidates']} suspects)" for r in rows
    )
    _emit(options, {"protocol": PROTOCOL, "bikes": rows}, text)
    return DONE


def _bike_row(world: BikeWorld, path: Path | str) -> dict[str, Any]:
    """What the contract tells of a bike in a list."""
    return {
        "id": world.spec.id,
        "title": world.spec.title,
        "path": str(path),
        "components": len(world.spec.parts),
        "candidates": len(world.candidates),
        "complaints": list(world.spec.complaints),
        "conditions": [c.text for c in world.service.conditions],
    }


def bike_page(world: BikeWorld, path: Path | str) -> dict[str, Any]:
    """One bike on a page: what it is, where its parts sit, what it does, what can be complained of."""
    view = world.view
    return {
        "protocol": PROTOCOL,
        "bike": world.spec.id,
        **_bike_row(world, path),
        "text": world.spec.text,
        "invented": world.spec.invented,
        "places": [
            {"place": place, "title": title, "access_minutes": opening, "close_minutes": closing}
            for place, (title, opening, closing) in view.places.items()
        ],
        "fuses": [{"fuse": fuse, "title": view.components[fuse][0]} for fuse in view.fuses],
        "functions": [{"function": f.id, "title": f.title} for f in view.functions.values()],
        "complaint_titles": {c: title for c, (title, _) in view.complaints.items()},
    }


def page_text(page: Mapping[str, Any]) -> str:
    """The page of a bike for a screen."""
    places = [
        p["title"] + (f" ({p['access_minutes']:g} min to open)" if p["access_minutes"] else "")
        for p in page["places"]
    ]
    lists = {
        "Places": places,
        "Fuses": [f["title"] for f in page["fuses"]],
        "What it does": [f["title"] for f in page["functions"]],
        "Complaints": list(page["complaint_titles"].values()),
    }
    lines = [f"{page['title']} ({page['id']})", page["text"], ""]
    for name, items in lists.items():
        lines += [f"{name}:", *(f"- {item}" for item in items), ""]
    lines += [
        f"{page['components']} parts, wires and plugs included; {page['candidates'] - 2} faults known.",
        f"File: {page['path']}",
        f"Start a job: diagnose job --bike {page['id']}",
        f"All its faults: diagnose bikes {page['id']} --faults",
    ]
    return "\n".join(wrap(line, shutil.get_terminal_size((80, 24)).columns) for line in lines)


def fault_list(world: BikeWorld) -> dict[str, Any]:
    """The contract's list of a bike's faults with priors and the complaints that they cause."""
    chances = {c: world.complaint_chance(c) for c in world.spec.complaints}
    faults = []
    for i, candidate in enumerate(world.candidates):
        if not candidate.is_fault:
            continue
        fault = candidate.faults[0]
        faults.append(
            {
                "fault": candidate.id,
                "prior": float(f"{candidate.prior:.4g}"),
                "causes": [c for c, chance in chances.items() if chance[i] >= 0.5],
                "repair": fault.repairs[0] if fault.repairs else None,
                "repairs": list(fault.repairs),
                "text": f"{world.spec.parts[fault.component].title}: {fault.title}",
            }
        )
    return {"protocol": PROTOCOL, "bike": world.spec.id, "faults": faults}


def compose(options: argparse.Namespace) -> int:
    """`diagnose compose`"""
    from diagnose.newbike.command import compose as make_bike

    return make_bike(options)


def check(options: argparse.Namespace) -> int:
    """`diagnose check`"""
    from diagnose.catalogue.check import check_bike, check_structure, count_sources
    from diagnose.catalogue.compose import compose_bike
    from diagnose.catalogue.protection import hazard, unguarded
    from diagnose.catalogue.read import load_library
    from diagnose.errors import Problem

    problems: list[Problem] = []
    hazards: list[str] = []
    ambiguity: list[list[str]] = []
    undetectable: list[dict[str, str]] = []
    totals: dict[str, Any] = {}
    root = Path(options.path or options.knowledge or knowledge_folder())
    bike = _one_bike(options)
    chosen: list[str] = []
    try:
        if bike:
            library = _library(options)
            spec = compose_bike(library, bike)
            problems += check_bike(library, spec)
            totals = {"bikes": 1, "components": len(spec.parts), "complaints": len(spec.complaints)}
            chosen = [bike]
        else:
            library = load_library(root)
            problems += check_structure(library)
            totals = _totals(library, root)
            totals["numbers"] = dict(count_sources(library))
            chosen = sorted(library.bike_files)
        for bike_id in chosen:
            spec = compose_bike(library, bike_id)
            hazards += [f"{spec.id}: {hazard(spec, u)}" for u in unguarded(spec)]
    except KnowledgeError as error:
        problems += error.problems
    if not problems and not options.quick:
        from diagnose.audit import audit
        from diagnose.wiring import BikeWorld

        for bike_id in chosen:
            world = BikeWorld(library, compose_bike(library, bike_id))
            totals["measurements"] = totals.get("measurements", 0) + len(world.measurements)
            result = audit(world)
            problems += result.problems
            name = world.spec.id
            ambiguity += [[f"{name}:{f}" for f in g] for g in result.ambiguity]
            undetectable += [{"fault": f"{name}:{u.fault}", "why": u.why} for u in result.undetectable]
    data = {
        "protocol": PROTOCOL,
        "problems": [
            {"file": p.file, "line": p.line, "column": p.column, "message": p.message} for p in problems
        ],
        "totals": totals,
        "hazards": hazards,
        "ambiguity": ambiguity,
        "undetectable": undetectable,
    }
    lines = [str(p) for p in problems]
    lines += [f"{k}: {v}" for k, v in totals.items()]
    lines += [f"hazard: {h}" for h in hazards]
    lines += [f"not told apart: {', '.join(g)}" for g in ambiguity]
    lines += [f"not seen: {u['fault']}: {u['why']}" for u in undetectable]
    lines.append(f"{len(problems)} problem(s)")
    _emit(options, data, "\n".join(lines))
    return FAILED if problems else DONE


def _one_bike(options: argparse.Namespace) -> str:
    """The bike, by id or file, that `diagnose check` is asked for; '' where it is a knowledge folder."""
    path = options.path
    if not path or Path(path).is_dir():
        return ""
    if Path(path).is_file() or path in bike_names(options.knowledge):
        return str(path)
    raise UsageError(f"{path} is no folder, no file and no bike's id; try `diagnose bikes`")


def _totals(library: Library, root: Path) -> dict[str, Any]:
    """Counts of what a knowledge folder holds; raises KnowledgeError for its rules and sentences."""
    from diagnose.newbike.read import FILE, read_questionnaire
    from diagnose.rules.base import load_rules
    from diagnose.wording import read_wording

    rules = load_rules(sorted((root / "rules").glob("*.yaml")), sources=library.sources)
    if (root / FILE).is_file():
        read_questionnaire(root, library.sections, library.sources)
    sentences = root / "wording" / "en.yaml"
    if sentences.is_file():
        read_wording(sentences)
    return {
        "bikes": len(library.bike_files),
        "sections": len(library.sections),
        "components": len(library.kinds),
        "fault_modes": sum(len(k.modes) for k in library.kinds.values()),
        "complaints": len(library.complaints),
        "measurements": 0,
        "rules": len(rules.rules),
        "cases": len(list((root.parent / "cases").glob("*.yaml"))),
    }


def differs(options: argparse.Namespace) -> int:
    """`diagnose differs`"""
    from diagnose.own_bike import change, differences_text

    data = change(options)
    _emit(options, data, differences_text(data))
    return DONE


def draw(options: argparse.Namespace) -> int:
    """`diagnose draw`"""
    from diagnose.draw.command import draw as drawn

    return drawn(options)


def jobs(options: argparse.Namespace) -> int:
    """`diagnose jobs`"""
    from diagnose.journal import jobs_folder, list_jobs

    records, troubles = list_jobs(jobs_folder(options.folder))
    rows = [
        {
            "job": r.job,
            "bike": r.bike,
            "started": r.started,
            "outcome": r.outcome,
            "path": r.path,
            "waiting": r.waiting,
            "hands_minutes": r.ending.get("hands_minutes"),
            "elapsed_minutes": r.ending.get("elapsed_minutes"),
            "complaints": list(r.options.get("complaints") or ()),
        }
        for r in records
        if _wanted(options, r)
    ]
    text = "\n".join(f"{r['job']:<36} {r['bike']:<20} {_stands(r)}" for r in rows) or "no jobs yet"
    for trouble in troubles:
        print(clean(str(trouble)), file=sys.stderr)
    _emit(options, {"protocol": PROTOCOL, "jobs": rows}, text)
    return FAILED if troubles else DONE


def _wanted(options: argparse.Namespace, record: Record) -> bool:
    """Whether a job passes the filters of `diagnose jobs`."""
    stands = "waiting" if record.waiting else record.outcome
    told = json.dumps([record.job, record.options, record.messages, dict(record.ending)]).lower()
    return (
        (not options.bike or record.bike == options.bike)
        and (not options.outcome or stands == options.outcome)
        and (not options.complaint or options.complaint in _complaints(record))
        and all(word.lower() in told for word in options.text)
    )


def _complaints(record: Record) -> list[str]:
    """Complaints of a job, said at its start or answered."""
    said = [str(m["answer"]) for m in record.messages if m.get("question") == "complaint" and "answer" in m]
    return [*(record.options.get("complaints") or ()), *(c.strip() for s in said for c in s.split(","))]


def _stands(row: Mapping[str, Any]) -> str:
    """How a job stands, what it waits for, and its hands-on and elapsed time."""
    said = f"waits: {row['waiting']}" if row["waiting"] else str(row["outcome"])
    if row["hands_minutes"] is None:
        return said
    hands, elapsed = float(row["hands_minutes"]), row["elapsed_minutes"]
    since = f", {_hours(float(elapsed))} since it began" if elapsed is not None else ""
    return f"{said} ({hands:.0f} min of work{since})"


def _hours(minutes: float) -> str:
    return f"{minutes:.0f} min" if minutes < 90 else f"{minutes / 60:.0f} h"


def job(options: argparse.Namespace) -> int:
    """`diagnose job`"""
    from diagnose import jobs as work

    return work.demonstrate(options) if options.demo else work.begin(options)


def resume(options: argparse.Namespace) -> int:
    """`diagnose resume`"""
    from diagnose import jobs as work

    return work.go_on(options)


def replay(options: argparse.Namespace) -> int:
    """`diagnose replay`"""
    from diagnose.means import open_knowledge
    from diagnose.replay import replay_files

    results = replay_files(options.files, open_knowledge(options.knowledge))
    data = {"protocol": PROTOCOL, "cases": results}
    lines = [f"{'ok  ' if r['same'] else 'DIFF'} {r['file']}: {r['text']}" for r in results]
    _emit(options, data, "\n".join(lines))
    return DONE if all(r["same"] for r in results) else FAILED


def trial(options: argparse.Namespace) -> int:
    """`diagnose trial`"""
    from diagnose.means import open_knowledge
    from diagnose.trial import every_fault, run_trial, trial_text

    if options.jobs < 1:
        raise UsageError(f"--jobs={options.jobs} is too few; expected at least 1")
    opened = open_knowledge(options.knowledge)
    world = opened.world(options.bike)
    if options.every:
        complaints = options.complaint or list(world.spec.complaints)
        result = every_fault(
            world,
            opened.rulebase,
            opened.wording,
            complaints,
            kit=options.kit,
            gross=options.gross if options.player == "ngspice" else 0.0,
            player=options.player,
            seed=options.seed,
        )
        _emit(options, result, trial_text(result))
        return DONE
    result = run_trial(
        world,
        opened.rulebase,
        opened.wording,
        jobs=options.jobs,
        seed=options.seed,
        gross=options.gross,
        kit=options.kit,
        complaints=options.complaint or None,
        player=options.player,
        between=options.between,
    )
    _emit(options, result, trial_text(result))
    return DONE


def prove(options: argparse.Namespace) -> int:
    """`diagnose prove`"""
    from diagnose.prove.command import prove as begin

    return begin(options)
