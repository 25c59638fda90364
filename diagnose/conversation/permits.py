"""Which steps are allowed, which cautions go with them, which readings are doubted.

Part of the conversation, before the choice. Steps are judged by class (instrument, supply, engine, sorts
of part touched): alike steps are judged once, and judged again only when a fact changes.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from diagnose.bike.model import BikeView, JobState, Repair
from diagnose.conversation.facts import (
    Act,
    Circumstances,
    Fact,
    Surroundings,
    act_facts,
    get_home_facts,
    job_facts,
    survey,
)
from diagnose.conversation.sense import Taken, reading_facts
from diagnose.rules.base import Firing, FrozenFact, FrozenFacts, RuleBase, freeze
from diagnose.rules.format import STEP_KINDS

K = TypeVar("K")

BIKES_REMEMBERED = 8
SAID = ("kind", "said")
JOBS_REMEMBERED = 32  # job states of one bike whose judgements are kept


@dataclass(frozen=True, slots=True)
class Permit:
    """blocked: rules that forbid the step now (empty = allowed); cautions: shown before it."""

    blocked: tuple[Firing, ...] = ()
    cautions: tuple[Firing, ...] = ()

    @property
    def allowed(self) -> bool:
        return not self.blocked


@dataclass(frozen=True, slots=True)
class Confirmation:
    """A safety question that opens blocked steps once it is answered yes.

    fact      what goes into JobState.said; sets and about: see `confirmed`
    opens     act ids that are free once this and other such questions are answered yes
    alone     those of them that this one frees by itself
    cautions  shown with the question: why the steps are blocked
    """

    fact: str
    question: str
    short: str
    opens: tuple[str, ...]
    alone: tuple[str, ...]
    cautions: tuple[Firing, ...]
    sets: str = ""
    about: str = ""


@dataclass(slots=True, eq=False)
class _Memory:
    """What was already worked out for one bike under one rule base.

    classes  what of the job changes steps -> (step, sort) -> its facts
    firings  facts of the job without what was said -> facts of a step -> what fires if anything were said
    permits  facts of the job -> facts of a step -> Permit
    """

    rulebase: RuleBase
    around: Surroundings
    classes: OrderedDict[JobState, dict[tuple[Act, str], FrozenFacts]]
    firings: OrderedDict[FrozenFacts, dict[FrozenFacts, tuple[Firing, ...]]]
    permits: OrderedDict[FrozenFacts, dict[FrozenFacts, Permit]]


_memories: OrderedDict[tuple[int, int], _Memory] = OrderedDict()


def _memory(rulebase: RuleBase, view: BikeView) -> _Memory:
    # views and rule bases hold mappings and have no hash; the memory keeps both alive, so ids stay theirs
    key = (id(rulebase), id(view))
    found = _memories.get(key)
    if found is None:
        found = _memories[key] = _Memory(rulebase, survey(view), OrderedDict(), OrderedDict(), OrderedDict())
        while len(_memories) > BIKES_REMEMBERED:
            _memories.popitem(last=False)
    _memories.move_to_end(key)
    return found


def surroundings(rulebase: RuleBase, view: BikeView) -> Surroundings:
    """The bike as the rules see it; remembered."""
    return _memory(rulebase, view).around


def judge(
    rulebase: RuleBase,
    view: BikeView,
    acts: Iterable[Act],
    job: JobState,
    history: Mapping[str, bool] | None = None,
    skill: str = "beginner",
    *,
    kit: str = "meter",
    complaints: Sequence[str] = (),
    first_power: bool = False,
) -> Mapping[str, Permit]:
    """Judge steps before one is chosen.

    acts         measurements and repairs
    history      fact id -> yes or no, only what was answered
    first_power  the loom has not had the battery on since it was made or altered
    returns      act id -> Permit
    """
    circumstances = Circumstances(skill, kit, history or {}, tuple(complaints), first_power)
    memory = _memory(rulebase, view)
    about = freeze(_context(rulebase, memory.around, job, circumstances))
    classes = _classes(memory, acts, job, "step")
    permits = _permits(memory, set(classes.values()), about)
    return {act.id: permits[step] for act, step in classes.items()}


def judge_get_home(
    rulebase: RuleBase, view: BikeView, repair: Repair, job: JobState, circumstances: Circumstances
) -> Permit:
    """Judge a repair's get-home measure: a blocked one is not told, its cautions are its limits."""
    memory = _memory(rulebase, view)
    about = freeze(_context(rulebase, memory.around, job, circumstances))
    (step,) = _classes(memory, [repair], job, "get_home").values()
    return _permits(memory, {step}, about)[step]


def _context(
    rulebase: RuleBase, around: Surroundings, job: JobState, circumstances: Circumstances
) -> list[Fact]:
    """Job facts of those kinds that rules about steps ask for."""
    wanted = {c.kind for r in rulebase.rules if any(c.kind in STEP_KINDS for c in r.when) for c in r.when}
    facts = job_facts(around, job, circumstances, rulebase.questions)
    return [cut for f in facts if f["kind"] in wanted and (cut := rulebase.asked_of(f))]


def _classes(memory: _Memory, acts: Iterable[Act], job: JobState, sort: str) -> dict[Act, FrozenFacts]:
    """The facts of each step, cut down to what rules ask for; alike steps share one value."""
    # of what was said only plugs change the facts of a step
    said = tuple(s for s in job.said if s.startswith("unit_unplugged_"))
    known = _recent(
        memory.classes,
        JobState(out=job.out, apart=job.apart, battery=job.battery, said=said),
        JOBS_REMEMBERED,
    )
    alike = {step: step for step in known.values()}
    found: dict[Act, FrozenFacts] = {}
    for act in acts:
        step = known.get((act, sort))
        if step is None:
            if sort == "get_home" and isinstance(act, Repair):
                facts = get_home_facts(memory.around, act, job)
            else:
                facts = act_facts(memory.around, act, job)
            step = freeze(cut for fact in facts if (cut := memory.rulebase.asked_of(fact)))
            step = known[act, sort] = alike.setdefault(step, step)
        found[act] = step
    return found


def _permits(memory: _Memory, steps: Iterable[FrozenFacts], about: FrozenFacts) -> dict[FrozenFacts, Permit]:
    known = _recent(memory.permits, about, JOBS_REMEMBERED)
    new = [step for step in steps if step not in known]
    if new:
        firings = _if_anything_were_said(memory, new, about)
        for step in new:
            once = _once(f for f in firings[step] if all(_is_so(fact, about) for _, fact in f.facts))
            known[step] = Permit(
                tuple(f for f in once if f.conclusion == "block"),
                tuple(f for f in once if f.conclusion == "caution"),
            )
    return known


def _is_so(fact: FrozenFact, about: FrozenFacts) -> bool:
    return SAID not in fact or fact in about


def _if_anything_were_said(
    memory: _Memory, steps: Sequence[FrozenFacts], about: FrozenFacts
) -> dict[FrozenFacts, tuple[Firing, ...]]:
    """What fires for each step with every safety fact told both ways.

    Conditions are positive, so what fires under the facts as they are is what fires here from facts that
    hold: a safety question answered changes no match, only which of them count.
    """
    fixed = frozenset(f for f in about if SAID not in f)
    known = _recent(memory.firings, fixed, JOBS_REMEMBERED)
    missing = [step for step in steps if step not in known]
    if missing:
        both = (
            {"kind": "said", "what": what, "answer": answer}
            for what in memory.rulebase.questions
            for answer in ("yes", "no")
        )
        shared = [dict(f) for f in fixed] + [cut for f in both if (cut := memory.rulebase.asked_of(f))]
        concluded = memory.rulebase.conclude_each([[dict(f) for f in step] for step in missing], shared)
        known.update(zip(missing, concluded, strict=True))
    return known


def _recent(memory: OrderedDict[K, dict], key: K, limit: int) -> dict:
    """The table kept under a key, made if new; the tables longest unused are dropped beyond the limit."""
    found = memory.setdefault(key, {})
    memory.move_to_end(key)
    while len(memory) > limit:
        memory.popitem(last=False)
    return found


def _once(firings: Iterable[Firing]) -> tuple[Firing, ...]:
    """One firing for each rule and text: two parts of one sort need no second warning."""
    return tuple({(f.rule, f.text): f for f in reversed(tuple(firings))}.values())[::-1]


def confirmations(permits: Mapping[str, Permit]) -> tuple[Confirmation, ...]:
    """Safety questions that would open blocked steps, those that open most first."""
    by_fact: dict[str, list[tuple[str, Firing]]] = {}
    for act, permit in permits.items():
        for firing in permit.blocked:
            if firing.until:
                by_fact.setdefault(firing.until, []).append((act, firing))
    found = []
    for fact, pairs in by_fact.items():
        first = pairs[0][1]
        held = dict.fromkeys(act for act, _ in pairs)
        opens = tuple(a for a in held if all(f.until for f in permits[a].blocked))
        alone = tuple(a for a in opens if all(f.until == fact for f in permits[a].blocked))
        if not opens:
            continue
        found.append(
            Confirmation(
                fact,
                first.question,
                first.question_short,
                opens,
                alone,
                _once(f for _, f in pairs),
                first.sets,
                first.about,
            )
        )
    return tuple(sorted(found, key=lambda c: (-len(c.alone), -len(c.opens), c.fact)))


def confirmed(view: BikeView, job: JobState, confirmation: Confirmation) -> JobState:
    """The job state after a safety question was answered yes: what was said, and what it changed."""
    said = tuple(dict.fromkeys((*job.said, confirmation.fact)))
    job = replace(job, said=said)
    if confirmation.sets == "battery_off":
        return replace(job, battery=False)
    if confirmation.sets == "apart":
        plugs = view.plugs.get(confirmation.about, ())
        return replace(job, apart=tuple(dict.fromkeys((*job.apart, *plugs))))
    return job


def doubts(rulebase: RuleBase, facts: Sequence[Fact]) -> tuple[Firing, ...]:
    """Why a reading may be a slip; facts: of sense.reading_facts, perhaps with job facts."""
    return _once(f for f in rulebase.conclude(facts) if f.conclusion == "doubt")


def doubts_of(
    rulebase: RuleBase, view: BikeView, reading: Taken, job: JobState, earlier: Sequence[Taken] = ()
) -> tuple[Firing, ...]:
    """doubts() of a reading as it comes in."""
    return doubts(rulebase, reading_facts(surroundings(rulebase, view), reading, job, earlier))


def advice(rulebase: RuleBase, facts: Sequence[Fact]) -> tuple[Firing, ...]:
    """What the rules advise, and causes behind effects; facts: job, history, complaint and finding facts."""
    return _once(f for f in rulebase.conclude(facts) if f.conclusion in ("advise", "root_cause"))


def advice_for(
    rulebase: RuleBase,
    view: BikeView,
    job: JobState,
    circumstances: Circumstances,
    findings: Sequence[Fact] = (),
) -> tuple[Firing, ...]:
    """advice() from the job as it stands; findings: of facts.finding_facts and opened_fuse_facts."""
    around = surroundings(rulebase, view)
    return advice(rulebase, [*job_facts(around, job, circumstances, rulebase.questions), *findings])
