"""Times of the whole program, printed with the machine named: `python -m diagnose.bench [BIKE]`.

`python -m diagnose.bench start` measures only how soon the first question stands on a terminal.

Start, first recommended step (cold and warm), next steps with rules and fsync, and the dictionary of a
shipped bike against ngspice's library in one process. Never a test: a shared machine would make it lie.
"""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from diagnose.bike.model import JobState
from diagnose.circuit.bench import machine, spice_rounds, spice_seconds
from diagnose.conversation.session import new_session
from diagnose.errors import CircuitError
from diagnose.means import open_knowledge
from diagnose.play import AS_KNOWN, reply
from diagnose.players import OwnPlayer
from diagnose.trial import draw_truths

SAMPLED = 200  # cases whose ngspice time is measured
JOBS = 30  # jobs whose steps are timed
STARTS = 15  # warm starts

FIRST_STEP = """
import sys, time
began = time.perf_counter()
from diagnose.means import open_knowledge
from diagnose.conversation.step import begin
opened = open_knowledge()
world = opened.world({bike!r})
options = {{**{options!r}, "complaints": [{complaint!r}], "meter": "skipped"}}
state, events = begin(options, world, opened.rulebase, opened.wording)
assert events[-1]["event"] in ("question", "advice"), events
print(time.perf_counter() - began, time.process_time())
"""
READ_ONCE = "from diagnose.means import open_knowledge; open_knowledge()"


def _first_step(bike: str, complaint: str, cache: Path) -> tuple[float, float]:
    """(wall, CPU seconds) until the first step is recommended, in a fresh interpreter; CPU with its start."""
    wall, cpu = _run(FIRST_STEP.format(bike=bike, complaint=complaint, options=AS_KNOWN), cache).split()
    return float(wall), float(cpu)


def _run(code: str, cache: Path) -> str:
    env = {**os.environ, "DIAGNOSE_CACHE": str(cache)}
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=env, check=True
    ).stdout


def _start_seconds() -> float:
    """Wall seconds of the smallest command, a whole process."""
    began = time.perf_counter()
    subprocess.run([sys.executable, "-m", "diagnose", "--help"], capture_output=True, check=True)
    return time.perf_counter() - began


def first_prompt_seconds() -> float:
    """Wall seconds from the start of `diagnose` alone until it waits for the first answer, on a terminal.

    raises  AssertionError if it ended without asking
    """
    ours, theirs = pty.openpty()
    began = time.perf_counter()
    run = subprocess.Popen([sys.executable, "-m", "diagnose"], stdin=theirs, stdout=theirs, stderr=theirs)
    os.close(theirs)
    shown = b""
    try:
        while not shown.endswith(b"\n> "):
            some = os.read(ours, 4096)
            assert some, shown
            shown += some
        return time.perf_counter() - began
    finally:
        run.kill()
        run.wait()
        os.close(ours)


def _start() -> int:
    first, *warm = (first_prompt_seconds() for _ in range(STARTS + 1))
    warm.sort()
    print(f"machine: {machine()}, Python {sys.version.split()[0]}")
    print(
        f"first question of `diagnose` on a terminal: first start {first:.3f} s; warm, {STARTS} starts: "
        f"least {warm[0]:.3f} s, median {warm[STARTS // 2]:.3f} s, longest {warm[-1]:.3f} s"
    )
    return 0


def main(arguments: list[str]) -> int:
    """Print the table."""
    if arguments == ["start"]:
        return _start()
    bike = arguments[0] if arguments else "custom_single"
    print(f"machine: {machine()}, numpy {np.__version__}, Python {sys.version.split()[0]}")
    opened = open_knowledge()
    world = opened.world(bike)
    print(
        f"{bike}: {len(world.candidates)} suspects, {len(world.measurements)} measurements, "
        f"{len(set(world.spec.nodes.values()))} nodes"
    )
    starts = sorted(_start_seconds() for _ in range(5))
    print(f"start of the program (--help), median of 5      {starts[2]:.3f} s")
    with tempfile.TemporaryDirectory() as folder:
        for complaint in [c for c in ("dash_dead", "no_spark", "fuse_blows") if c in world.spec.complaints]:
            caches = [Path(folder) / f"{complaint}{i}" for i in range(2)]
            _run(READ_ONCE, caches[1])
            runs = [_first_step(bike, complaint, cache) for cache in caches]
            warm = sorted(_first_step(bike, complaint, caches[0]) for _ in range(3))[1]
            told = (f"{wall:.2f} s (CPU {cpu:.2f})" for wall, cpu in (*runs, warm))
            print(f"first step, {complaint}: " + "nothing kept {}, bike never seen {}, warm {}".format(*told))
        _next_steps(opened, world, Path(folder))
    return _dictionary(world)


def _next_steps(opened, world, folder: Path) -> None:
    """Play jobs and time every answer, from read to the next question, journal written.

    The first answer of a job is told apart: behind it all predictions of the job are fetched. In a session
    they are made ahead while the question is read; here nobody reads.
    """
    rng = np.random.default_rng(1)
    times: dict[bool, list[float]] = {True: [], False: []}
    for truth, complaint in draw_truths(world, JOBS, rng):
        player = OwnPlayer(world, world.candidates[truth])
        options = {**AS_KNOWN, "complaints": [complaint]}
        cured_by = {r for r in world.repairs if world.cures(r)[truth] > 0.5}
        session = new_session(folder / "jobs", world.spec.id, options, world, opened.rulebase, opened.wording)
        for number in range(60):
            if session.is_closed:
                break
            message = reply(world, session.state, player, cured_by.__contains__, [], [], None)
            began = time.perf_counter()
            events = session.take(message)
            times[number == 0].append(time.perf_counter() - began)
            if any(e["event"] == "problem" for e in events):
                session.take({**message, "sure": True} if "answer" in message else {"answer": "skip"})
        session.close()
    for first, sort in ((True, "first answer"), (False, "later answers")):
        t = np.array(times[first]) * 1000.0
        print(
            f"next step after the {sort} of {JOBS} jobs ({len(t)}), rules and fsync included: "
            f"median {np.median(t):.0f} ms, p95 {np.quantile(t, 0.95):.0f} ms, longest {t.max():.0f} ms"
        )


def _dictionary(world) -> int:
    """Every suspect in every condition of use, settled, against ngspice's library reading the same nodes."""
    world.predictor.found()
    began = time.process_time()
    solutions = [
        world.predictor.solution(JobState(battery=True, said=("bench",)), c) for c in world.service.conditions
    ]
    own = (time.process_time() - began) / sum(s.size for s in solutions)
    rng = np.random.default_rng(1)
    rounds = []
    for _ in range(SAMPLED):
        solution = solutions[int(rng.integers(len(solutions)))]
        column = int(rng.integers(solution.size))
        if solution.converged[column] and not solution.restless[column]:
            rounds += spice_rounds(solution, [column])
    try:
        loaded, altered, _ = spice_seconds(rounds)
    except CircuitError as error:
        print(f"ngspice's library could not be timed: {error}")
        return 1
    total = sum(s.size for s in solutions)
    print(
        f"dictionary, {len(world.candidates)} suspects x {len(solutions)} conditions = {total} cases: "
        f"{own * 1000:.3f} ms a case; ngspice's library {altered / len(rounds) * 1000:.3f} ms a case "
        f"(values altered in place), {loaded / len(rounds) * 1000:.3f} ms (each deck loaded); "
        f"ratio {altered / len(rounds) / own:.1f} and {loaded / len(rounds) / own:.1f}"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
