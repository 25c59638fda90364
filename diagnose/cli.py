"""The command line: parser, dispatch, exit codes. Heavy modules are imported by the command that needs them.

Exit codes: 0 done, 1 a check failed or the fault was not found, 2 wrong use or bad input.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence

from diagnose.errors import DiagnoseError, KnowledgeError
from diagnose.output import WRONG_USE, clean

KITS = ("hands", "lamp", "meter", "workshop")
SKILLS = ("beginner", "trade")


class _Parser(argparse.ArgumentParser):
    """argparse that keeps the examples' lines and answers wrong use with exit code 2."""

    def __init__(self, *args, **kwargs):
        kwargs.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        super().__init__(*args, **kwargs)
        self.late: Callable[[argparse.ArgumentParser], None] | None = None  # adds options when it is wanted

    def parse_known_args(self, args=None, namespace=None):
        add, self.late = self.late, None
        if add is not None:
            add(self)
        return super().parse_known_args(args, namespace)


def _add_questions(sub: argparse.ArgumentParser) -> None:
    from diagnose.newbike.command import add_questions

    add_questions(sub)


def _add_situation(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--bike", required=True, help="id of a bike, or path of a bike file")
    sub.add_argument("--fault", action="append", default=[], metavar="COMPONENT.MODE[=VALUE]")
    sub.add_argument("--set", action="append", default=[], metavar="CONTROL=POSITION", dest="settings")
    sub.add_argument("--measurement", action="append", default=[], metavar="ID")
    when = sub.add_mutually_exclusive_group()
    when.add_argument("--found", action="store_true", help="the bike as brought in: fuses blown (default)")
    when.add_argument("--fresh", action="store_true", help="the bike before it was used with the fault")
    sub.add_argument("--done", action="append", default=[], metavar="ACT", help="renew:FUSE, out:FUSE, …")
    _add_as_drawn(sub)


def _add_as_drawn(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--as-drawn", action="store_true", help="leave out what was said to differ on your bike")


def _add_output(sub: argparse.ArgumentParser, *, json: bool = True) -> None:
    if json:
        sub.add_argument("--json", action="store_true", help="print one JSON object")
    sub.add_argument("--output", default="-", metavar="FILE", help="write there instead (- = screen)")


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = _Parser(
        prog="diagnose",
        description="Find an electrical fault on a motorcycle with readings instead of swapped parts.",
        epilog="Alone, `diagnose` starts a job and asks what it needs. Everything works offline.\n"
        "It advises; the maker's manual, local rules and a qualified person come first.",
    )
    top.add_argument("--knowledge", metavar="FOLDER", help="use this knowledge instead of the shipped one")
    subs = top.add_subparsers(dest="command", parser_class=_Parser)

    job = subs.add_parser(
        "job",
        help="find a fault: the question session",
        epilog="examples:\n  diagnose job\n"
        "  diagnose job --bike custom_single --complaint dash_dead --kit meter --skill beginner\n"
        "  diagnose job --bike custom_single --complaint no_spark --lines\n"
        "  diagnose job --demo",
    )
    job.add_argument("--bike")
    job.add_argument("--complaint", action="append", default=[])
    job.add_argument("--kit", choices=KITS)
    job.add_argument("--skill", choices=SKILLS)
    job.add_argument("--limit", metavar="PRICE", help="ask before parts dearer than this (a customer's word)")
    job.add_argument("--lines", action="store_true", help="JSON lines on standard input and output")
    job.add_argument("--plain", action="store_true", help="never redraw; for screen readers and logs")
    job.add_argument("--folder", metavar="FOLDER", help="where journals are kept")
    job.add_argument("--demo", action="store_true", help="play one job on the invented bike to its end")
    job.add_argument("--demo-fault", default="dash_plug_ground.backed_out", help=argparse.SUPPRESS)

    jobs = subs.add_parser(
        "jobs",
        help="list jobs",
        epilog="examples:\n  diagnose jobs --json\n  diagnose jobs --bike road_twin --outcome paused horn",
    )
    jobs.add_argument("text", nargs="*", help="only jobs that hold all these words")
    jobs.add_argument("--bike", metavar="BIKE", help="only jobs on this bike")
    jobs.add_argument("--complaint", metavar="COMPLAINT", help="only jobs about this complaint")
    jobs.add_argument("--outcome", choices=("open", "repaired", "stopped", "paused", "waiting"))
    jobs.add_argument("--folder", metavar="FOLDER")
    _add_output(jobs)

    resume = subs.add_parser("resume", help="go on with a job", epilog="example:\n  diagnose resume last")
    resume.add_argument("job", help="id of a job, path of its journal, or `last`")
    resume.add_argument("--folder", metavar="FOLDER")
    resume.add_argument("--lines", action="store_true")
    resume.add_argument("--plain", action="store_true")
    resume.add_argument(
        "--output", action="append", default=[], metavar="FILE", help="sheet of a proving run"
    )

    replay = subs.add_parser(
        "replay",
        help="run recorded jobs and cases again and compare",
        epilog="example:\n  diagnose replay cases/*.yaml",
    )
    replay.add_argument("files", nargs="+", metavar="FILE")
    _add_output(replay)

    expect = subs.add_parser(
        "expect",
        help="what every test point and function should show",
        epilog="examples:\n  diagnose expect --bike custom_single --set key=run\n"
        "  diagnose expect --bike custom_single --fault rear_ground.poor=3ohm --set key=run --json",
    )
    _add_situation(expect)
    expect.add_argument("--black", default="", metavar="POINT", help="where the black lead is")
    _add_output(expect)

    netlist = subs.add_parser(
        "netlist",
        help="the same as a SPICE netlist",
        epilog="example:\n  diagnose netlist --bike custom_single --set key=run | ngspice -b -",
    )
    _add_situation(netlist)
    _add_output(netlist)

    bikes = subs.add_parser(
        "bikes",
        help="list bikes; tell of one; list the faults of one",
        epilog="examples:\n  diagnose bikes\n  diagnose bikes road_twin\n  diagnose bikes road_twin --faults",
    )
    bikes.add_argument("bike", nargs="?", help="id of a bike, or path of a bike file")
    bikes.add_argument("--faults", action="store_true", help="every fault with its prior and complaints")
    _add_output(bikes)

    compose = subs.add_parser(
        "compose",
        help="make a bike that is not listed, from a few answers",
        epilog="examples:\n  diagnose compose\n"
        "  diagnose compose --cylinders two --ignition points --start kick --name shed_find --quick\n"
        "  diagnose compose --answers answers.yaml --json\n"
        "    with answers.yaml as   {answers: {ignition: points}, bike: shed_find}",
    )
    compose.add_argument("--name", metavar="NAME", help="what the bike is called; asked otherwise")
    compose.add_argument("--answers", metavar="FILE", help="take the answers of a YAML or JSON file")
    compose.add_argument("--quick", action="store_true", help="ask nothing: the likeliest for the rest")
    compose.add_argument("--replace", action="store_true", help="write over your own bike of that name")
    compose.add_argument("--plain", action="store_true", help="never redraw; for screen readers and logs")
    compose.add_argument("--json", action="store_true", help="ask nothing and print one JSON object")
    compose.add_argument(
        "--output", metavar="FILE", help="write the bike there instead of your own bikes' folder (- = screen)"
    )
    compose.late = _add_questions  # an option for each: they stand in the knowledge

    draw = subs.add_parser(
        "draw",
        help="draw a loom, the current path of one function, or what a job suspects",
        epilog="examples:\n  diagnose draw --bike custom_single --output loom.svg\n"
        "  diagnose draw --bike custom_single --function low_beam\n"
        "  diagnose draw --bike custom_single --function starter --set kill=stop\n"
        "  diagnose draw --job last --output suspects.svg",
    )
    draw.add_argument("--bike", help="id of a bike, or path of a bike file")
    draw.add_argument("--function", metavar="FUNCTION", help="only what this function's current passes")
    draw.add_argument("--set", action="append", default=[], metavar="CONTROL=POSITION", dest="settings")
    draw.add_argument("--job", metavar="JOB", help="what this job suspects (id, journal, or `last`)")
    draw.add_argument("--folder", metavar="FOLDER", help="where journals are kept")
    draw.add_argument("--columns", type=int, metavar="N", help="width of the text (the window's otherwise)")
    _add_as_drawn(draw)
    _add_output(draw)

    differs = subs.add_parser(
        "differs",
        help="say, list and take back what differs on your bike from what is drawn",
        epilog="examples:\n  diagnose differs --bike custom_single\n"
        "  diagnose differs --bike custom_single not fitted horn\n"
        "  diagnose differs --bike custom_single colour key_feed red with white\n"
        "  diagnose differs --bike custom_single added spot lamp 35 W at horn.plus\n"
        "  diagnose differs --bike custom_single --undo 2\n"
        "Say: not fitted PART, bypassed PART (its wires joined), spliced WIRE, colour WIRE COLOUR,\n"
        "place PART PLACE, added NAME WATTS at POINT. It is kept with the bike and used by the next job.",
    )
    differs.add_argument("words", nargs="*", metavar="WORD", help="one thing that differs, in words")
    differs.add_argument("--bike", required=True, help="id of a bike, or path of a bike file")
    differs.add_argument("--undo", metavar="NUMBER", help="take one back, by its number, or `all`")
    differs.add_argument("--folder", metavar="FOLDER", help="where journals are kept")
    _add_output(differs)

    check = subs.add_parser(
        "check",
        help="check knowledge: structure, units, references, physics, sources",
        epilog="examples:\n  diagnose check\n  diagnose check my_knowledge/ --json\n  diagnose check my_bike",
    )
    check.add_argument("path", nargs="?", help="a knowledge folder, or one bike: its id or file")
    check.add_argument("--quick", action="store_true", help="leave the physics out")
    _add_output(check)

    trial = subs.add_parser(
        "trial",
        help="play many jobs with hidden faults and measure",
        epilog="examples:\n  diagnose trial --bike custom_single --jobs 50 --seed 1\n"
        "  diagnose trial --every --player own --complaint no_spark --complaint dash_dead\n"
        "The bike is played by ngspice (Debian package ngspice), with tolerances and wrong readings.",
    )
    trial.add_argument("--bike", default="custom_single")
    trial.add_argument("--jobs", type=int, default=30)
    trial.add_argument("--seed", type=int, default=1)
    trial.add_argument("--gross", type=float, default=0.05, help="share of wrong readings (default 0.05)")
    trial.add_argument("--kit", choices=KITS, default="meter")
    trial.add_argument("--complaint", action="append", default=[])
    trial.add_argument(
        "--every", action="store_true", help="play each fault that causes the complaints once, not a draw"
    )
    trial.add_argument(
        "--between", action="store_true", help="ohms of a joint or leak anywhere between the severities"
    )
    trial.add_argument("--player", choices=("ngspice", "own"), default="ngspice")
    _add_output(trial)

    prove = subs.add_parser(
        "prove",
        help="prove a new, altered or crashed loom before and while power goes on",
        epilog="examples:\n"
        "  diagnose prove --bike custom_single --kit workshop --by Kim --output sheet.html\n"
        "  diagnose prove --bike custom_single --lines\n"
        "Paused runs go on with `diagnose resume last`.",
    )
    prove.add_argument("--bike", required=True, help="id of a bike, or path of a bike file")
    prove.add_argument("--kit", choices=KITS)
    prove.add_argument("--skill", choices=SKILLS)
    prove.add_argument("--by", type=clean, default="", metavar="NAME", help="who reads, for the sheet")
    prove.add_argument("--lines", action="store_true", help="JSON lines on standard input and output")
    prove.add_argument("--plain", action="store_true", help="never redraw; for screen readers and logs")
    prove.add_argument("--folder", metavar="FOLDER", help="where journals are kept")
    prove.add_argument(
        "--output",
        action="append",
        default=[],
        metavar="FILE",
        help="write the proving sheet there: .html or .md (may be given twice)",
    )
    return top


def _commands() -> dict[str, Callable[[argparse.Namespace], int]]:
    from diagnose import commands

    return {
        "job": commands.job,
        "jobs": commands.jobs,
        "resume": commands.resume,
        "replay": commands.replay,
        "expect": commands.expect,
        "netlist": commands.netlist,
        "bikes": commands.bikes,
        "compose": commands.compose,
        "check": commands.check,
        "differs": commands.differs,
        "draw": commands.draw,
        "trial": commands.trial,
        "prove": commands.prove,
    }


def _with_a_command(arguments: list[str]) -> list[str]:
    """Whoever names no command wants a job: `diagnose --bike custom_single` is `diagnose job --bike ...`."""
    at = 0
    while at < len(arguments) and arguments[at].startswith("--knowledge"):
        at += 1 if "=" in arguments[at] else 2
    if at > len(arguments):
        return arguments  # the folder is missing: the parser says so
    named = at < len(arguments) and (not arguments[at].startswith("-") or arguments[at] in ("-h", "--help"))
    return arguments if named else [*arguments[:at], "job", *arguments[at:]]


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code. Every expected error is a sentence on standard error."""
    # the arrays of one step are small: a second thread of the linear algebra costs more than it brings
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    arguments = list(sys.argv[1:] if argv is None else argv)
    top = parser()
    try:
        try:
            options = top.parse_args(_with_a_command(arguments))
        except SystemExit as stop:
            return int(stop.code or 0)
        return _commands()[options.command](options)
    except KnowledgeError as error:
        print(clean(str(error)), file=sys.stderr)
        print(f"{len(error.problems)} problem(s) in the knowledge; nothing was changed", file=sys.stderr)
        return WRONG_USE
    except DiagnoseError as error:
        print(clean(f"diagnose: {error}"), file=sys.stderr)
        return WRONG_USE
    except KeyboardInterrupt:
        print("\ninterrupted; every answer given so far is kept", file=sys.stderr)
        return WRONG_USE
    except BrokenPipeError:
        # the reader of our output has gone; leave quietly, as other filters do
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return WRONG_USE
