"""Many jobs with hidden faults, played and measured.

Built on play. The truth is drawn by prior and complaint, the bike by its tolerances, the readings by
ngspice, slips by chance; the figures are counted, never assumed.
"""

from __future__ import annotations

import math
import platform
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnose.bike.candidates import compact, read_fault, round_ohms, severity_family
from diagnose.bike.model import Candidate
from diagnose.calibration import Point, calibration, calibration_lines, mode, watching
from diagnose.play import AS_KNOWN, Played, Player, play
from diagnose.players import WAKES, Dozing, NgspicePlayer, OwnPlayer, dozing
from diagnose.predictions.complaints import complaint_chance
from diagnose.rules.base import RuleBase
from diagnose.widening import loose_rows
from diagnose.wiring import BikeWorld
from diagnose.wording import Wording

CONFIDENT = 0.9
DRAWS = 8  # of a severity, until the complaint is there


@dataclass(frozen=True, slots=True)
class Job:
    """One played job. truth: candidate id; points: what was told at each step, and whether it was so.

    unsolved  readings that ngspice found no operating point for
    """

    truth: str
    complaint: str
    played: Played
    slips: int
    seconds: float
    points: tuple[Point, ...] = ()
    unsolved: int = 0

    @property
    def first_repair(self) -> bool | None:
        """Whether the first advice of sort repair was right; None without one."""
        return next((a.right for a in self.played.advice if a.sort == "repair"), None)

    @property
    def wrong_repairs(self) -> int:
        return sum(a.sort == "repair" and not a.right for a in self.played.advice)

    @property
    def wrong_and_confident(self) -> bool:
        first = next((a for a in self.played.advice if a.sort == "repair"), None)
        return first is not None and not first.right and first.probability >= CONFIDENT

    @property
    def found(self) -> bool:
        """A right repair was advised, or the honest end names what is hidden (fuel, compression)."""
        return any(a.right for a in self.played.advice) or self.truth in self.played.causes


def draw_truths(
    world: BikeWorld, jobs: int, rng: np.random.Generator, complaints: Sequence[str] | None = None
) -> list[tuple[int, str]]:
    """(candidate index, complaint) of each job: a complaint evenly, then a fault by what causes it.

    A complaint of what comes and goes is caused by a fault that can: a loose joint, not a blown fuse.
    """
    names = list(complaints or world.spec.complaints)
    out = []
    faulty = np.array([c.is_fault for c in world.candidates], dtype=float)
    modes = {mode(world.candidates[i]) for i in loose_rows(world.candidates)}
    inside = [c.is_fault and not any(f.edits for f in c.faults) for c in world.candidates]  # fuel, flooding
    loose = np.array([mode(c) in modes for c in world.candidates]) | np.array(inside)
    weights = {}
    for name in names:
        chance = np.where(world.complaint_chance(name) >= 0.5, world.complaint_chance(name), 0.0)
        weight = world.prior * chance * faulty
        if world.library.complaints[name].intermittent:
            weight = weight * loose
        if weight.sum() > 0:
            weights[name] = weight / weight.sum()
    if not weights:
        raise ValueError("no fault of this bike causes any of these complaints")
    usable = sorted(weights)
    for _ in range(jobs):
        name = usable[int(rng.integers(len(usable)))]
        out.append((int(rng.choice(len(faulty), p=weights[name])), name))
    return out


def drawn_between(world: BikeWorld, truth: int, rng: np.random.Generator, complaint: str) -> Candidate:
    """A candidate whose severity lies anywhere in the range it stands for (even in the logarithm).

    A joint or a leak of a real bike has any resistance; the suspects have three each. One so mild that
    nobody would complain is drawn again, at last as it stands.
    """
    candidate = world.candidates[truth]
    own = severity_family(candidate.faults[0]) if len(candidate.faults) == 1 else None
    if own is None:
        return candidate
    fault = candidate.faults[0]
    alike = [severity_family(c.faults[0]) for c in world.candidates if len(c.faults) == 1]
    degrees = sorted({abs(a[1]) for a in alike if a is not None and a[0] == own[0]})
    here = degrees.index(abs(own[1]))
    if len(degrees) < 2:
        return candidate
    below = math.log(degrees[here] / degrees[here - 1]) if here else None
    above = math.log(degrees[here + 1] / degrees[here]) if here + 1 < len(degrees) else None
    sides = [x for x in (below, above) if x is not None]
    half = 0.5 * sides[0], 0.5 * sides[-1]
    neighbour = own[0][2]
    for _ in range(DRAWS):
        ohms = round_ohms(degrees[here] * math.exp(rng.uniform(-half[0], half[1])))
        value = f"{neighbour},{compact(ohms)}" if neighbour else compact(ohms)
        made = read_fault(world.built, world.service, f"{fault.component}.{fault.mode}={value}")
        drawn = Candidate(made.id, (made,), candidate.prior)
        predictor = world.predictor_of((world.candidates[world.no_fault], drawn))
        if complaint_chance(predictor, world.library.complaints[complaint])[1] >= 0.5:
            return drawn
    return candidate


def play_one(
    world: BikeWorld,
    rulebase: RuleBase,
    wording: Wording,
    truth: int,
    complaint: str,
    rng: np.random.Generator,
    *,
    gross: float,
    kit: str,
    player: str,
    between: bool = False,
) -> Job:
    """Play one job of a trial. between: the fault's ohms lie anywhere in the range of its severity."""
    candidate = drawn_between(world, truth, rng, complaint) if between else world.candidates[truth]
    subject: Player
    if world.library.complaints[complaint].intermittent:  # it may be asleep when the job begins
        shows = bool(rng.random() < WAKES)
        subject = dozing(world, candidate, rng, shows=shows, player=player, gross=gross)
    elif player == "ngspice":
        subject = NgspicePlayer(world, candidate, rng, gross)
    else:
        subject = OwnPlayer(world, candidate)
    options = {**AS_KNOWN, "complaints": [complaint], "kit": kit}
    began = time.perf_counter()
    points: list[Point] = []
    played = play(
        world,
        rulebase,
        wording,
        options,
        subject,
        lambda r: bool(world.cures(r)[truth] > 0.5),
        watch=watching(world, complaint, candidate, points),
    )
    slips, unsolved = (
        (subject.slips, subject.unsolved) if isinstance(subject, (Dozing, NgspicePlayer)) else (0, 0)
    )
    seconds = time.perf_counter() - began
    return Job(candidate.id, complaint, played, slips, seconds, tuple(points), unsolved)


def run_trial(
    world: BikeWorld,
    rulebase: RuleBase,
    wording: Wording,
    *,
    jobs: int,
    seed: int,
    gross: float,
    kit: str,
    complaints: Sequence[str] | None,
    player: str,
    between: bool = False,
) -> dict[str, Any]:
    """Play `jobs` jobs and count. Same seed, same figures.

    Every job has dice of its own: whatever is changed in the program, the same bikes come in.
    """
    truths = draw_truths(world, jobs, np.random.default_rng(seed), complaints)
    done = [
        play_one(
            world,
            rulebase,
            wording,
            t,
            c,
            np.random.default_rng([seed, n]),
            gross=gross,
            kit=kit,
            player=player,
            between=between,
        )
        for n, (t, c) in enumerate(truths)
    ]
    return summary(world, done, seed=seed, gross=gross, kit=kit, player=player, between=between)


def every_fault(
    world: BikeWorld,
    rulebase: RuleBase,
    wording: Wording,
    complaints: Sequence[str],
    *,
    kit: str,
    gross: float = 0.0,
    player: str = "own",
    seed: int = 1,
) -> dict[str, Any]:
    """Play every single fault that causes each of these complaints once; figures as run_trial."""
    done: list[Job] = []
    for complaint in complaints:
        chance = world.complaint_chance(complaint)
        for i, candidate in enumerate(world.candidates):
            if candidate.is_fault and chance[i] >= 0.5:
                rng = np.random.default_rng([seed, len(done)])
                done.append(
                    play_one(world, rulebase, wording, i, complaint, rng, gross=gross, kit=kit, player=player)
                )
    return summary(world, done, seed=seed, gross=gross, kit=kit, player=player)


def _share(flags: Sequence[bool]) -> float | None:
    return round(sum(flags) / len(flags), 4) if flags else None


def summary(world: BikeWorld, done: Sequence[Job], **about: Any) -> dict[str, Any]:
    """Figures of a trial as plain values."""
    firsts = [j.first_repair for j in done if j.first_repair is not None]
    minutes = np.array([j.played.minutes for j in done])
    per: dict[str, list[Job]] = {}
    for j in done:
        per.setdefault(j.complaint, []).append(j)
    return {
        "protocol": 1,
        "bike": world.spec.id,
        **about,
        "machine": f"{platform.machine()}, {platform.python_implementation()} {platform.python_version()}",
        "jobs": len(done),
        "found": _share([j.found for j in done]),
        "first_repair_right": _share([bool(f) for f in firsts]),
        "wrong_repairs_per_job": round(float(np.mean([j.wrong_repairs for j in done])), 4),
        "wrong_and_confident": _share([j.wrong_and_confident for j in done]),
        "blocked_steps": [[j.truth, b] for j in done for b in j.played.blocked],
        "lost": sum(j.played.outcome == "lost" for j in done),
        "blocked_steps_offered": sum(len(j.played.blocked) for j in done),
        "slips": sum(j.slips for j in done),
        "unsolved_by_ngspice": sum(j.unsolved for j in done),
        "steps_mean": round(float(np.mean([j.played.steps for j in done])), 2),
        "tool_steps_mean": round(float(np.mean([j.played.tool_steps for j in done])), 2),
        "minutes_mean": round(float(minutes.mean()), 2),
        "minutes_p90": round(float(np.quantile(minutes, 0.9)), 2),
        "calibration": calibration(j.points for j in done),
        "complaints": {
            name: {
                "jobs": len(group),
                "found": _share([j.found for j in group]),
                "first_repair_right": _share(
                    [bool(j.first_repair) for j in group if j.first_repair is not None]
                ),
                "minutes_mean": round(float(np.mean([j.played.minutes for j in group])), 1),
                "tool_steps_mean": round(float(np.mean([j.played.tool_steps for j in group])), 1),
            }
            for name, group in sorted(per.items())
        },
        "missed": [
            {
                "truth": j.truth,
                "complaint": j.complaint,
                "outcome": j.played.outcome,
                "advice": [f"{a.sort} {a.repair} {a.probability:.2f}" for a in j.played.advice],
                "slips": j.slips,
                "stop": j.played.stop[:160],
                "readings": [f"{m} = {text}" for m, text in j.played.answers],
            }
            for j in done
            if not j.found or j.wrong_repairs
        ],
    }


def trial_text(result: dict[str, Any]) -> str:
    """The figures as a table for the screen."""
    between = "ohms between the severities, " if result.get("between") else ""
    lines = [
        f"{result['jobs']} jobs on {result['bike']}, seed {result['seed']}, kit {result['kit']}, "
        f"{result['gross']:.0%} wrong readings, {between}played by {result['player']} on {result['machine']}",
        f"  cause found                {result['found']:.1%}",
        f"  first repair right         {_percent(result['first_repair_right'])}   (goal 95 %)",
        f"  wrong repairs a job        {result['wrong_repairs_per_job']:.3f}   (goal 0.1)",
        f"  wrong and confident        {result['wrong_and_confident']:.1%}   (goal 2 %)",
        f"  blocked steps offered      {result['blocked_steps_offered']}   (goal 0)",
        f"  steps, with a tool         {result['steps_mean']}, {result['tool_steps_mean']}",
        f"  minutes, mean and p90      {result['minutes_mean']}, {result['minutes_p90']}",
        "  complaint                  jobs  found  first right  minutes  tool steps",
    ]
    if result["unsolved_by_ngspice"]:
        lines.append(
            f"  not solved by ngspice      {result['unsolved_by_ngspice']} readings, told by our own circuit"
        )
    for name, row in result["complaints"].items():
        lines.append(
            f"  {name:<26} {row['jobs']:>4}  {_percent(row['found'])}  "
            f"{_percent(row['first_repair_right']):>11}  {row['minutes_mean']:>7}  "
            f"{row['tool_steps_mean']:>10}"
        )
    lines.append("  chance of the leading repair among the listed faults, jobs that came by")
    lines += ["  " + line for line in calibration_lines(result["calibration"])]
    for miss in result["missed"]:
        lines.append(
            f"  missed: {miss['truth']} ({miss['complaint']}, {miss['outcome']}, {miss['slips']} slips): "
            f"{'; '.join(miss['advice']) or miss['stop']}"
        )
    return "\n".join(lines)


def _percent(value: float | None) -> str:
    return "-" if value is None else f"{value:.0%}"
