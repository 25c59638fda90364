"""Play a proving run to its end against a bike with a hidden fault: proving as a function.

The player answers each check from the circuit of its own bike, built with tolerances and read with a meter
that errs; by default from this program's solver, by command from ngspice.

    python -m diagnose.prove.play custom_single 200 [ngspice]      healthy bikes, counts false alarms
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from diagnose.bike.acts import FUNCTION_WORDS
from diagnose.bike.asked import parse_measurement
from diagnose.bike.currents import as_condition
from diagnose.bike.model import Candidate, Fault, JobState, Measurement
from diagnose.circuit.netlist import Change
from diagnose.conversation.planning import physical
from diagnose.decks import measurement_deck
from diagnose.ngspice import reading, run_deck
from diagnose.players import METER_GAIN_SD, NgspicePredictor, with_tolerances
from diagnose.predictions.compute import Found, Predictor
from diagnose.prove.bench import Bench
from diagnose.prove.damage import Harm, harms
from diagnose.prove.limits import OPEN_OHMS
from diagnose.prove.model import Check
from diagnose.prove.run import begin, step
from diagnose.prove.state import State
from diagnose.quantities import write

LEADS_LEFT_SD = 0.07  # ohm, what is left of the leads after zeroing them (2 digits at 2 to 3 sigma)
MOST_MESSAGES = 400


@dataclass(slots=True, eq=False)
class LoomPlayer:
    """One bike as built, with the faults of one candidate, and one meter.

    rng   None: nominal values and a perfect meter
    """

    bench: Bench
    truth: Candidate
    rng: np.random.Generator | None = None
    ngspice: bool = False
    index: int = 1
    gain: float = 1.0
    predictor: Predictor = field(init=False)
    decks: Predictor = field(init=False)
    given: dict[tuple[JobState, str, int], str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        built = self.bench.sound.built
        if self.rng is not None:
            drawn = with_tolerances(built.netlist, self.rng)
            built = replace(built, netlist=drawn, elements={e.id: e for e in drawn.elements})
            self.gain = 1.0 + METER_GAIN_SD * float(self.rng.standard_normal())
        kind = NgspicePredictor if self.ngspice else Predictor
        pair = (Candidate("no_fault", (), 0.5), self.truth)
        sound = self.bench.sound
        self.predictor = kind(built, sound.service, pair, sound.instruments, None, Found({}, {}))
        self.decks = Predictor(built, sound.service, pair, sound.instruments, None, Found({}, {}))

    def answer(self, m: Measurement, job: JobState, times: int = 1) -> str:
        """What the user reads in this state of the bike."""
        job = replace(job, said=(), done=())
        if m.kind == "inspect":
            return self._look(m)
        if self.ngspice and not m.choices:
            deck = measurement_deck(self.decks, self.index, job, m, m.id)
            return self._shown(m, reading(deck, run_deck(deck)))
        column = self.predictor.columns(job, [m])[m.id]
        if column.words is not None:
            row = np.asarray(column.words)[self.index]
            if self.rng is None:
                return column.choices[int(np.argmax(row))]
            key = (job, m.id, self.index)
            if key not in self.given:
                self.given[key] = column.choices[int(self.rng.choice(len(row), p=row / row.sum()))]
            return self.given[key]
        assert column.value is not None
        return self._shown(m, float(np.asarray(column.value)[self.index]))

    def _look(self, m: Measurement) -> str:
        seen = [
            f for f in self.truth.faults if self.index and f.component in m.components and f.visible > 0.5
        ]
        if len(m.choices) == 2:
            return m.choices[1] if seen else m.choices[0]
        return next((f.component for f in seen if f.component in m.choices), m.choices[0])

    def _shown(self, m: Measurement, value: float) -> str:
        rng = self.rng
        noise = float(rng.standard_normal()) if rng is not None else 0.0
        if m.kind == "ohms":
            if value > OPEN_OHMS:
                return "OL"
            value = abs(value) * self.gain + LEADS_LEFT_SD * noise
            return write(float(f"{max(value, 0.0):.3g}"), "ohm")
        if m.kind == "diode":
            return "OL" if math.isinf(value) or value > 2.5 else write(round(value, 3), "V")
        if m.kind == "amps":
            return write(round(abs(value) * self.gain, 3), "A")
        return write(round(value * self.gain + 0.01 * noise, 2), "V")

    def wakes(self, check: Check, job: JobState) -> str:
        """The functions that are awake, as an answer."""
        built = self.bench.sound.built
        condition = as_condition(built, check.measurement.partition("@")[2])
        awake = []
        for function in check.choices:
            words = self.predictor.function_words(job, function, condition)[self.index]
            kind = built.spec.functions[function].kind
            if float(words[FUNCTION_WORDS[kind].index("dead")]) < 0.5:
                awake.append(function)
        return ", ".join(awake) or "none"

    def rating(self, fuse: str) -> str:
        """The number on a fuse."""
        link = self.bench.sound.built.fuses[fuse][0]
        value = self.bench.sound.built.elements[link].values["rating"]
        for f in self.truth.faults if self.index else ():
            for e in f.edits:
                if isinstance(e, Change) and (e.target, e.param) == (link, "rating"):
                    value = e.value
        return f"{value:g} A"

    def cured(self) -> None:
        """The fault was put right."""
        self.index = 0


@dataclass(frozen=True, slots=True)
class Proved:
    """How a proving run went.

    failed    checks that failed, in order
    advised   repairs advised by the jobs that followed
    candidates  suspects named with the last advice, likeliest first
    harm      what a stage did to the bike before anything was put right, with that stage; '' = nothing
    """

    result: str
    failed: tuple[str, ...]
    advised: tuple[str, ...]
    candidates: tuple[str, ...]
    harm: tuple[tuple[str, Harm], ...]
    messages: int
    hands: float
    state: State


def hidden(faults: Sequence[Fault]) -> Candidate:
    """A candidate of these faults, for a player."""
    return Candidate("+".join(f.id for f in faults) or "no_fault", tuple(faults), 0.5)


def play(
    bench: Bench,
    player: LoomPlayer,
    options: Mapping[str, Any] | None = None,
    *,
    told: Callable[[Mapping[str, Any]], None] | None = None,
    said: Callable[[Mapping[str, Any]], None] | None = None,
    stop_at_failure: bool = False,
    watch: bool = True,
) -> Proved:
    """Play one run. stop_at_failure: end at the first failed check, before any job.

    watch   solve each stage for what it harms while the fault is in
    """
    state, events = begin(options or {"kit": "workshop", "skill": "trade"}, bench)
    failed: list[str] = []
    advised: list[str] = []
    named: tuple[str, ...] = ()
    harmed: list[tuple[str, Harm]] = []
    seen: set[tuple[str, str]] = set()
    count = 0
    while count < MOST_MESSAGES:
        for event in events:
            if told:
                told(event)
            if event["event"] == "check" and event["result"] == "fail":
                failed.append(str(event["id"]))
            if event["event"] == "advice":
                advised.append(str(event["repair"]))
                named = tuple(event["candidates"])
            if event.get("question") == "mend":
                named = tuple(event["candidates"])
        if state.result or (stop_at_failure and failed):
            break
        if watch and player.index:
            harmed += _watched(bench, player, state, seen)
        message = reply(bench, player, state)
        if said:
            said(message)
        state, events = step(state, message, bench)
        count += 1
    return Proved(
        state.result or "lost", tuple(failed), tuple(advised), named, tuple(harmed), count, state.hands, state
    )


def _watched(
    bench: Bench, player: LoomPlayer, state: State, seen: set[tuple[str, str]]
) -> list[tuple[str, Harm]]:
    """What the condition of the question that stands does to the bike, each situation once."""
    check = bench.plan.by_id.get(str(state.event.get("question", "")))
    if check is None or not state.stage or state.job is not None:
        return []
    condition = as_condition(bench.sound.built, check.measurement.partition("@")[2])
    key = (check.stage, condition.text)
    if key in seen:
        return []
    seen.add(key)
    job = bench.plan.stage(check.stage).job
    return [(check.id, h) for h in harms(player.predictor, player.index, job, condition)]


def reply(bench: Bench, player: LoomPlayer, state: State) -> dict[str, Any]:
    """The message of an honest user to what stands open."""
    event = state.event
    name = str(event.get("question", ""))
    if state.job is not None:
        return _in_job(bench, player, state)
    if name == "mend":
        player.cured()
        return {"answer": "yes"}
    if name == "left":
        return {"answer": "leave"}
    if name.startswith("stage:"):
        return {"answer": "yes"}
    check = bench.plan.by_id[name]
    job = bench.plan.stage(check.stage).job
    if check.sort == "wakes":
        return {"answer": player.wakes(check, job)}
    if check.sort == "rating":
        return {"answer": player.rating(check.about)}
    m = bench.measurement(check)
    assert m is not None
    return {"answer": player.answer(m, job)}


def _in_job(bench: Bench, player: LoomPlayer, state: State) -> dict[str, Any]:
    assert state.job is not None and state.job.open is not None
    opened = state.job.open
    if opened.sort == "advice":
        cures = {r for f in player.truth.faults for r in f.repairs}
        if opened.id in cures:
            player.cured()
        return {"done": opened.id, "works": "yes"}
    if opened.measurement and opened.sort != "safety":
        m = parse_measurement(bench.sound.built, bench.sound.instruments, opened.measurement)
        message: dict[str, Any] = {"answer": player.answer(m, physical(state.job.job))}
        if state.job.doubted is not None:
            message["sure"] = True
        return message
    if opened.event.get("kind") == "confirm":
        return {"answer": "yes"}
    return {"answer": "skip"}


def main(argv: Sequence[str]) -> int:
    """Healthy bikes with tolerances and meter error: how many are called faulty."""
    from diagnose.means import open_knowledge
    from diagnose.prove.bench import open_bench

    bike, runs = argv[0], int(argv[1])
    bench = open_bench(open_knowledge(), bike)
    alarms = 0
    for seed in range(runs):
        player = LoomPlayer(bench, hidden(()), np.random.default_rng(seed), "ngspice" in argv, 0)
        found = play(bench, player, stop_at_failure=True, watch=False)
        if found.failed or found.result not in ("proved", ""):
            alarms += bool(found.failed)
            last = found.state.outcome(found.failed[0]) if found.failed else None
            print(f"seed {seed}: {found.result} {found.failed} {last}", flush=True)
    print(f"{bike}: {alarms} false alarms in {runs} sound bikes")
    return 1 if alarms else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
