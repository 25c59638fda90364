"""Rules as frozen values, and the limits within which both engines match them alike.

knowledge/rules/FORMAT.md shows the written form; `rules.read` turns files into these values.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from diagnose.errors import Mark, Problem

CONCLUSIONS = ("block", "caution", "doubt", "advise", "root_cause")
STATUS_WORDS = ("read", "from_memory", "common_practice", "estimate")
# Facts of these kinds belong to one step; many steps are matched at once, told apart by a hidden number.
STEP_KINDS = ("act", "touch")
GROUP = "_step"  # no field of the vocabulary begins so

PLACEHOLDER = re.compile(r"\{([^{}]*)\}")  # {alias.field} in a text
CONDITION_LIMIT = 8  # durable-rules takes 16; eight is where its matching was compared with brute force
PATTERN_LIMIT = 60  # durable-rules drops a fact that passes more than 64 patterns at once
TWIN_LIMIT = 200  # durable-rules crashes at 256 rules that end in one and the same pattern
CONSTANT_LIMIT = 400  # durable-rules hangs at 512 different constants of one field


@dataclass(frozen=True, slots=True)
class Test:
    """One demand on a field. op: is | below | at_least (value), same_as (value is 'alias.field')."""

    __test__ = False  # not a pytest class

    field: str
    op: str
    value: str | int


@dataclass(frozen=True, slots=True)
class Condition:
    """One fact that must exist.

    joins    (own field, position of an earlier condition, its field) that must be equal; facts of one
             step are joined by its number without being asked to
    pattern  the condition without its joins; equal patterns pass the same facts
    """

    alias: str
    kind: str
    tests: tuple[Test, ...]
    joins: tuple[tuple[str, int, str], ...] = ()

    @property
    def pattern(self) -> tuple[str, tuple[Test, ...]]:
        return self.kind, tuple(t for t in self.tests if t.op != "same_as")


@dataclass(frozen=True, slots=True)
class Until:
    """The safety fact that lifts a block. of: alias whose component the fact is about, or ''."""

    said: str
    of: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """How a safety fact is asked for. text may hold {title} and {component} when it is about a part.

    sets  what a yes changes in the job beside the fact: '' | battery_off | apart
    """

    id: str
    text: str
    short: str
    sets: str = ""


@dataclass(frozen=True, slots=True)
class Rule:
    """If facts meet all conditions, the conclusion holds. text: for the beginner; short: for the trade."""

    id: str
    title: str
    when: tuple[Condition, ...]
    conclusion: str
    text: str
    short: str
    source: str
    until: Until | None = None
    why: str = ""
    mark: Mark = field(default=Mark(), compare=False)


@dataclass(frozen=True, slots=True)
class RuleSet:
    """Everything read from rule files, in the order of the files."""

    rules: tuple[Rule, ...]
    questions: Mapping[str, Question]


def engine_limits(rules: Sequence[Rule]) -> list[Problem]:
    """Problems of rule sets on which durable-rules would drop facts, crash or hang."""
    problems: list[Problem] = []
    patterns = {c.pattern for r in rules for c in r.when}
    for kind in sorted({k for k, _ in patterns}):
        same = [{t.field: t.value for t in tests if t.op == "is"} for k, tests in patterns if k == kind]
        most = _most_at_once(same)
        if most > PATTERN_LIMIT:
            last = next(r for r in reversed(rules) if any(c.kind == kind for c in r.when))
            problems.append(
                last.mark.problem(
                    f"up to {most} different conditions may hold for one {kind!r} fact; expected at most "
                    f"{PATTERN_LIMIT}; try naming a field that tells them apart"
                )
            )
    for pattern, times in Counter(r.when[-1].pattern for r in rules).items():
        if times > TWIN_LIMIT:
            last = next(r for r in reversed(rules) if r.when[-1].pattern == pattern)
            problems.append(
                last.mark.problem(
                    f"{times} rules end in the same condition; expected at most {TWIN_LIMIT}; "
                    "try another order of conditions"
                )
            )
    values: dict[str, set[str | int]] = {}
    for rule in rules:
        for name, value in ((t.field, t.value) for c in rule.when for t in c.tests if t.op == "is"):
            before = len(values.setdefault(name, set()))
            values[name].add(value)
            if len(values[name]) == CONSTANT_LIMIT + 1 > before:
                problems.append(
                    rule.mark.problem(
                        f"field {name!r} is compared with more than {CONSTANT_LIMIT} values; "
                        "expected fewer; try a word that groups them"
                    )
                )
    return problems


def _most_at_once(patterns: Sequence[Mapping[str, str | int]]) -> int:
    """Upper bound on how many patterns one fact can meet: those that fix one field to different words
    exclude each other, so for the best field it is the commonest word plus all that leave it free."""
    bound = len(patterns)
    for name in {n for p in patterns for n in p}:
        fixed = Counter(p[name] for p in patterns if name in p)
        bound = min(bound, max(fixed.values()) + sum(name not in p for p in patterns))
    return bound


def ordered(kinds: Mapping[str, str], raw: Mapping[str, Sequence[Test]]) -> tuple[Condition, ...]:
    """Conditions in the order written, every join standing on the later of its two aliases."""
    order = {alias: i for i, alias in enumerate(kinds)}
    tests: dict[str, set[Test]] = {alias: set() for alias in kinds}
    for alias, found in raw.items():
        for test in found:
            other, _, name = str(test.value).partition(".")
            if test.op == "same_as" and order[other] > order[alias]:
                tests[other].add(Test(name, "same_as", f"{alias}.{test.field}"))
            else:
                tests[alias].add(test)
    result: list[Condition] = []
    for alias, kind in kinds.items():
        mine = tuple(sorted(tests[alias], key=lambda t: (t.field, t.op, str(t.value))))
        joins = []
        for test in mine:
            if test.op == "same_as":
                other, _, name = str(test.value).partition(".")
                joins.append((test.field, order[other], name))
        step = next((i for i, c in enumerate(result) if c.kind in STEP_KINDS), None)
        if kind in STEP_KINDS and step is not None:
            joins.append((GROUP, step, GROUP))
        result.append(Condition(alias, kind, mine, tuple(joins)))
    return tuple(result)
