"""Which rules fire, and what each changes: `python -m diagnose.cases FILE... --rules`.

Built on run. While cases are played, every caution, block, doubt and piece of advice that a rider gets is
counted. At each reading of a case the classic slips are typed as well (none is taken), once on each bike at a
reading of each rarer instrument that the rider could take instead. On each bike every step that a rider may
take by himself and every repair that a job may end with is judged, as the job judges it when it comes there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from diagnose.bike.acts import STIRS
from diagnose.bike.model import Condition, JobState, Measurement
from diagnose.conversation import doubt, facts, permits
from diagnose.conversation.answers import read_answer
from diagnose.conversation.facts import Act, Circumstances
from diagnose.conversation.means import Means, circumstances, judge
from diagnose.errors import ObservationError
from diagnose.means import Opened
from diagnose.play import Told
from diagnose.wiring import BikeWorld

# What people type by mistake, for each unit: nothing arrives, OL, the lone 1 of an old meter, tips the wrong
# way round, another unit, another range, a mains range.
SLIPS: Mapping[str, tuple[str, ...]] = {
    "V": ("0", "OL", "-12.4", "-0.2", "13 mV", "12400", "350", "18", "30", "0.012", "12.4", "14", "1"),
    "ohm": ("0", "OL", "1", "-3", "470", "0.47", "4700", "4k7"),
    "A": ("0", "-1.5", "12", "25"),
}
RARER = ("lowest_volts", "ohms", "diode", "amps")  # instruments that few jobs ask for
WORN = 3  # repairs without a cure, fuses renewed: what a long job has behind it


@dataclass(slots=True)
class Fired:
    """What each rule did. in_jobs, would: rule -> what it changed -> how often; tried: (bike, instrument)."""

    in_jobs: dict[str, Counter[str]] = field(default_factory=dict)
    would: dict[str, Counter[str]] = field(default_factory=dict)
    tried: set[tuple[str, str]] = field(default_factory=set)

    def job(self, rule: str, change: str) -> None:
        """A rule changed something in a played job."""
        self.in_jobs.setdefault(rule, Counter())[change] += 1

    def step(self, rule: str, change: str) -> None:
        """A rule would change something, should a job come there."""
        self.would.setdefault(rule, Counter())[change] += 1


def counting(fired: Fired, world: BikeWorld, opened: Opened) -> tuple[Told, Callable[[Any], None]]:
    """What to call with every event, and with the state before every message, of a job on this bike."""
    known = {r.id for r in opened.rulebase.rules}

    def told(event: Mapping[str, Any]) -> None:
        for caution in event.get("cautions") or ():
            fired.job(caution["rule"], "asked first" if "opens" in event else "shown before a step")
        for rule in event.get("rules") or ():
            fired.job(rule["rule"], "said with advice")
        slip = (event.get("doubt") or {}).get("slip")
        if slip in known:
            fired.job(slip, "doubted a reading")

    def watch(state: Any) -> None:
        if state.open is None:
            return
        means = Means(world.widened(state.wider), opened.rulebase, opened.wording)
        if state.open.sort == "advice" and state.open.event["get_home"]:
            repair = world.repairs[state.open.id]
            home = permits.judge_get_home(
                opened.rulebase, world.view, repair, state.job, circumstances(state)
            )
            for firing in home.cautions:
                fired.job(firing.rule, "limited the way home")
        if state.open.measurement and state.open.sort == "measure":
            said = state.setting
            planned = means.world.planned(said.complaints, JobState(), said.kit)
            for permit in judge(means, state, [means.world.measurements[m] for m in planned]).values():
                for firing in permit.blocked:
                    fired.job(firing.rule, "kept a step back")
            _try_slips(means, state, state.open.measurement, fired)
            for m in _rarer(means, planned, fired):
                _try_slips(means, state, m, fired)

    return told, watch


def _rarer(means: Means, planned: Sequence[str], fired: Fired) -> Iterator[str]:
    """One of the planned measurements of each rarer instrument, once on each bike."""
    for kind in RARER:
        able = [m for m in (means.world.measurements[x] for x in planned) if m.kind == kind]
        if kind == "amps":  # to read nothing is odd only where something is switched on
            able = [m for m in able if m.condition.controls]
        found = next((m.id for m in able), None)
        if found is not None and (means.world.view.id, kind) not in fired.tried:
            fired.tried.add((means.world.view.id, kind))
            yield found


def _try_slips(means: Means, state: Any, measurement: str, fired: Fired) -> None:
    """Type the classic slips at the open question or one like it; the job takes none of them."""
    m = means.world.measurements[measurement]
    for text in SLIPS.get(m.unit, ()) if not m.choices else ():
        try:
            value, note = read_answer(m, text, {}, means.words)
        except ObservationError:
            continue
        found = doubt.doubt(means.world, means.rulebase, state, m, value, text, note, means.words)
        if found is not None:
            fired.step(found.slip, "doubts a slip")


def judge_bike(world: BikeWorld, opened: Opened, fired: Fired) -> None:
    """Every step a rider may take, every repair and its way home, every fault found at the end of a job."""
    around = permits.surroundings(opened.rulebase, world.view)
    for skill, job, first_power in (
        ("beginner", JobState(), False),
        ("trade", JobState(battery=False), False),
        ("trade", JobState(apart=tuple(around.kill_plugs)[:1]), False),
        ("beginner", JobState(), True),
    ):
        found = permits.judge(
            opened.rulebase, world.view, [*_steps(world), *world.repairs.values()], job, {}, skill,
            complaints=world.spec.complaints, first_power=first_power,
        )  # fmt: skip
        for permit in found.values():
            for firing in permit.blocked:
                fired.step(firing.rule, "keeps a step back")
            for firing in permit.cautions:
                fired.step(firing.rule, "is shown before a step")
        about = Circumstances(skill, "meter", {}, world.spec.complaints, first_power)
        for repair in world.repairs.values():
            if repair.get_home:
                home = permits.judge_get_home(opened.rulebase, world.view, repair, job, about)
                for firing in (*home.blocked, *home.cautions):
                    fired.step(firing.rule, "limits the way home")
    for rule in _said_at_the_end(world, opened):
        fired.step(rule, "is said with advice")


def _steps(world: BikeWorld) -> Iterator[Act]:
    """What can be taken: all planned steps, and each with the engine turning or another instrument."""
    for m in world.measurements.values():
        yield m
        yield from _wilful(m)
    for place in world.view.places:
        yield from (world.parse(f"{kind}:{place}@") for kind in STIRS)


def _wilful(m: Measurement) -> Iterator[Measurement]:
    """A step as somebody might ask for it who does not think of the engine or the battery."""
    for engine in ("cranking", "idle"):
        if m.kind in ("volts", "ohms", "amps", "ac_volts", "lamp") and m.condition.engine == "off":
            yield _with(m, m.kind, replace(m.condition, engine=engine))
    if m.kind == "volts":
        for kind in ("ohms", "diode", "amps"):
            yield _with(m, kind, m.condition)
    if m.kind == "observe" and m.condition.engine == "idle":
        yield _with(m, m.kind, replace(m.condition, battery=False))


def _with(m: Measurement, kind: str, condition: Condition) -> Measurement:
    body = m.id.partition("@")[0].partition(":")[2]
    return replace(m, id=f"{kind}:{body}@{condition.text}", kind=kind, condition=condition)


def _said_at_the_end(world: BikeWorld, opened: Opened) -> Iterator[str]:
    """Rules about causes and history, for every fault that a job may end with."""
    around = permits.surroundings(opened.rulebase, world.view)
    everything = {fact: True for fact, _ in world.history_questions()}
    for number, fault in enumerate(world.faults):
        job = JobState()
        if number % 50 == 0:  # now and then a long job
            fuse = next(iter(world.view.fuses), "")
            job = JobState(renewed=(fuse,) * WORN, done=tuple(world.repairs)[:WORN])
        about = Circumstances("trade", "meter", everything, world.spec.complaints)
        found = facts.finding_facts(around, [fault])
        for firing in permits.advice_for(opened.rulebase, world.view, job, about, found):
            yield firing.rule


def table(opened: Opened, fired: Fired) -> Iterator[str]:
    """A line for each rule."""
    for rule in opened.rulebase.rules:
        parts = [
            f"{where}: {', '.join(f'{what} {n}' for what, n in sorted(changes[rule.id].items()))}"
            for where, changes in (("cases", fired.in_jobs), ("steps", fired.would))
            if rule.id in changes
        ]
        yield f"{rule.conclusion:<10} {rule.id:<36} {'; '.join(parts) or 'NEVER'}"


def summed_up(opened: Opened, fired: Fired) -> tuple[str, bool]:
    """The last line of the table, and whether every rule fired somewhere."""
    rules = [r.id for r in opened.rulebase.rules]
    in_jobs = sum(r in fired.in_jobs for r in rules)
    never = [r for r in rules if r not in fired.in_jobs and r not in fired.would]
    text = (
        f"{len(rules)} rules: {in_jobs} changed something in a played case, {len(rules) - len(never)} there "
        f"or in a step judged; never: {', '.join(never) or 'none'}"
    )
    return text, not never
