"""Every pair of answers on some bike, each bike checked and made to lose hidden faults: by command.

`python -m diagnose.newbike.covering` composes the rows, checks structure and the sound bike, and plays jobs
with hidden faults, the bike answering from its own circuit. Prints one line a row.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from diagnose.audit import sound_bike
from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.model import Library
from diagnose.locations import knowledge_folder
from diagnose.means import Opened, open_knowledge
from diagnose.newbike.make import Made, make
from diagnose.newbike.model import Answers, Questionnaire
from diagnose.newbike.read import read_questionnaire
from diagnose.newbike.settle import can_be, possible, settle
from diagnose.output import DONE, FAILED
from diagnose.trial import Job, draw_truths, play_one
from diagnose.wiring import BikeWorld

Pair = frozenset[tuple[str, str]]  # two questions with a choice each
KIT = "meter"


def pairs(frame: Questionnaire) -> list[Pair]:
    """Every two answers to different questions that go together."""
    each = [(q.id, c) for q in frame.questions.values() for c in q.choices]
    both = (frozenset(two) for two in itertools.combinations(each, 2) if two[0][0] != two[1][0])
    return [pair for pair in both if can_be(frame, dict(pair))]


def covering_rows(frame: Questionnaire) -> list[Answers]:
    """Few sets of answers to every question, in which every pair that goes together occurs.

    Greedy: a row begins with a pair not yet met, and each further answer is the one that meets most.
    """
    left = dict.fromkeys(pairs(frame))
    rows: list[Answers] = []
    while left:
        row = dict(next(iter(left)))
        for question in frame.questions.values():
            if question.id not in row:
                choices = possible(frame, row, question)
                row[question.id] = max(choices, key=lambda c: _meets(row, question.id, c, left))
        row = {q: row[q] for q in frame.questions}
        rows.append(row)
        for two in itertools.combinations(row.items(), 2):
            left.pop(frozenset(two), None)
    return rows


def _meets(row: Answers, question: str, choice: str, left: dict[Pair, None]) -> int:
    return sum(frozenset([(question, choice), other]) in left for other in row.items())


@dataclass(frozen=True, slots=True)
class Row:
    """What came of one row. problems: of structure and of the sound bike; jobs: as played."""

    answers: Answers
    suspects: int
    problems: tuple[str, ...]
    jobs: tuple[Job, ...]
    seconds: float


def world_of(library: Library, made: Made, folder: Path) -> BikeWorld:
    """The world of a made bike, read from a file as a user's is."""
    file = folder / f"{made.name}.yaml"
    file.write_text(made.text, encoding="utf-8")
    return BikeWorld(library, compose_bike(library, file))


def try_row(opened: Opened, frame: Questionnaire, answers: Answers, faults: int, seed: int) -> Row:
    """Compose one row, check it, and play `faults` hidden faults drawn by complaint and prior."""
    began = time.perf_counter()
    made = make(opened.library, frame, settle(frame, answers), "composed")
    with tempfile.TemporaryDirectory() as folder:
        world = world_of(opened.library, made, Path(folder))
        problems = tuple(p.message for p in sound_bike(world))
        rng = np.random.default_rng(seed)
        known = opened.library.complaints
        steady = [c for c in world.spec.complaints if not known[c].intermittent]
        truths = draw_truths(world, faults, rng, steady) if faults else []
        jobs = tuple(_played(opened, world, truth, complaint, rng) for truth, complaint in truths)
    return Row(answers, len(world.candidates), problems, jobs, time.perf_counter() - began)


def _played(opened: Opened, world: BikeWorld, truth: int, complaint: str, rng: np.random.Generator) -> Job:
    return play_one(
        world,
        opened.rulebase,
        opened.wording,
        truth,
        complaint,
        rng,
        gross=0.0,
        kit=KIT,
        player="own",
    )


def _told(frame: Questionnaire, number: int, row: Row) -> Iterator[str]:
    found = sum(j.found for j in row.jobs)
    wrong = sum(j.wrong_repairs for j in row.jobs)
    minutes = np.mean([j.played.minutes for j in row.jobs]) if row.jobs else 0.0
    answers = " ".join(row.answers[q] for q in frame.questions)
    yield (
        f"{number:>3}  {row.suspects:>4}  {len(row.problems):>8}  {found:>3} of {len(row.jobs):<3} "
        f"{wrong:>5}  {minutes:>7.1f}  {row.seconds:>6.0f}  {answers}"
    )
    for problem in row.problems:
        yield f"       problem: {problem}"
    for j in row.jobs:
        if not j.found or j.wrong_repairs:
            advised = "; ".join(f"{a.sort} {a.repair} {a.probability:.2f}" for a in j.played.advice)
            yield f"       {j.truth} ({j.complaint}, {j.played.outcome}): {advised or j.played.stop[:90]}"


def main(arguments: Sequence[str] | None = None) -> int:
    """Try the rows; 1 if a row has a problem or a fault was not found."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("rows", nargs="*", type=int, help="numbers of rows (all)")
    parser.add_argument("--faults", type=int, default=10, help="hidden faults a row (10)")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    opened = open_knowledge()
    frame = read_questionnaire(knowledge_folder(), opened.library.sections, opened.library.sources)
    rows = covering_rows(frame)
    print(f"{len(pairs(frame))} pairs of answers in {len(rows)} rows, seed {options.seed}")
    print(f"row  suspects problems  found   wrong  minutes  seconds  {' '.join(frame.questions)}")
    done = []
    for number in options.rows or range(1, len(rows) + 1):
        done.append(try_row(opened, frame, rows[number - 1], options.faults, options.seed))
        for line in _told(frame, number, done[-1]):
            print(line, flush=True)
    played = [j for row in done for j in row.jobs]
    problems = sum(len(row.problems) for row in done)
    found = sum(j.found for j in played)
    print(f"{len(done)} rows, {problems} problems, {found} of {len(played)} faults found, "
          f"{sum(j.wrong_repairs for j in played)} wrong repairs")  # fmt: skip
    return DONE if problems == 0 and found == len(played) else FAILED


if __name__ == "__main__":
    sys.exit(main())
