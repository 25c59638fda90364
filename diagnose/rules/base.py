"""Facts in, firings out: what the rules conclude from flat facts, whichever engine does the matching.

Stands beside the conversation. Knows no bike and no probabilities; facts are made by
`conversation.facts`, and the words they may use are in `rules.vocabulary`.
"""

from __future__ import annotations

import sys
from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from diagnose.errors import RuleError, unknown
from diagnose.rules.format import GROUP, PLACEHOLDER, STEP_KINDS, Question, Rule
from diagnose.rules.read import read_rules
from diagnose.rules.vocabulary import NUMBER, TEXT, VOCABULARY, Vocabulary

ENGINES = ("auto", "durable", "chainer")
STEPS_AT_ONCE = 100  # matched in one go; far below what the engine bears in different step numbers
MEMORY = 2048  # remembered conclusions of one rule base, oldest dropped first

Fact = Mapping[str, str | int]
FrozenFact = tuple[tuple[str, str | int], ...]
FrozenFacts = frozenset[FrozenFact]


class Engine(Protocol):
    """What both matchers offer: see chainer.Chainer.match."""

    def match(self, facts: Sequence[Fact]) -> list[tuple[int, tuple[int, ...]]]: ...


@dataclass(frozen=True, slots=True)
class Firing:
    """A rule whose conditions are met.

    conclusion  block | caution | doubt | advise | root_cause
    text/short  for the beginner / for the trade
    facts       (alias, fact as sorted pairs) in the order of the rule's conditions: why it fired
    until       id of the safety fact that lifts a block, '' if none does
    question    how that fact is asked for; question_short the same for the trade
    sets        what a yes changes in the job: '' | battery_off | apart
    about       component the safety fact is about, or ''
    """

    rule: str
    title: str
    conclusion: str
    text: str
    short: str
    facts: tuple[tuple[str, FrozenFact], ...]
    until: str = ""
    question: str = ""
    question_short: str = ""
    sets: str = ""
    about: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class RuleBase:
    """Checked rules with a matcher. engine: `durable` or `chainer`."""

    rules: tuple[Rule, ...]
    questions: Mapping[str, Question]
    engine: str
    vocabulary: Vocabulary
    _matcher: Engine
    _asked: Mapping[str, Mapping[str, frozenset[str | int] | None]]
    _memory: OrderedDict[FrozenFacts, tuple[Firing, ...]] = field(default_factory=OrderedDict)

    def conclude(self, facts: Iterable[Fact]) -> tuple[Firing, ...]:
        """What follows from these facts, in the order of the rule files.

        facts    flat facts: `kind` and fields of the vocabulary; order and repetition do not matter
        returns  one Firing for each rule and each set of facts that meets it
        raises   RuleError for a fact outside the vocabulary or a failing engine
        """
        return self.conclude_each([facts])[0]

    def conclude_each(
        self, steps: Iterable[Iterable[Fact]], shared: Iterable[Fact] = ()
    ) -> list[tuple[Firing, ...]]:
        """What follows for each of several steps: the same as conclude(step + shared), all at once.

        steps   the facts of one step each; facts that are not of STEP_KINDS belong into `shared`
        shared  facts of the job, the same for all steps
        """
        around = freeze(shared)
        keys = [freeze(step) | around for step in steps]
        missing = [key for key in dict.fromkeys(keys) if key not in self._memory]
        for first in range(0, len(missing), STEPS_AT_ONCE):
            part = missing[first : first + STEPS_AT_ONCE]
            together = _alike(part, around)
            found = self._match_steps(part) if together else [self._match_steps([key])[0] for key in part]
            for key, firings in zip(part, found, strict=True):
                self._memory[key] = firings
        for key in keys:
            self._memory.move_to_end(key)
        result = [self._memory[key] for key in keys]
        while len(self._memory) > MEMORY:
            self._memory.popitem(last=False)
        return result

    def _match_steps(self, steps: Sequence[FrozenFacts]) -> list[tuple[Firing, ...]]:
        """Match sets of facts that differ in facts of STEP_KINDS only."""
        single: dict[FrozenFact, dict[str, str | int]] = {}
        for fact in frozenset().union(*steps):
            single[fact] = dict(fact)
            check_fact(single[fact], self.vocabulary)
        ordered: list[FrozenFact] = []
        numbers: list[int] = []  # step of each fact; -1: shared by all
        plain: list[Fact] = []
        for number, facts in enumerate(steps):
            for fact in facts:
                own = single[fact]["kind"] in STEP_KINDS
                if own or not number:
                    ordered.append(fact)
                    numbers.append(number if own else -1)
                    plain.append({**single[fact], GROUP: number} if own else single[fact])
        matched: list[set[tuple[int, tuple[FrozenFact, ...]]]] = [set() for _ in steps]
        for rule, at in self._matcher.match(plain):
            step = next((numbers[p] for p in at if numbers[p] >= 0), -1)
            match = rule, tuple(ordered[p] for p in at)
            for mine in matched if step < 0 else (matched[step],):
                mine.add(match)
        made = {match: self._firing(self.rules[match[0]], match[1]) for match in set().union(*matched)}
        return [tuple(made[match] for match in sorted(mine)) for mine in matched]

    def asked_of(self, fact: Fact) -> dict[str, str | int]:
        """The part of a fact that some rule asks for; empty if none does.

        Facts cut down to it fire the same rules, and many facts become alike. A field is kept if a rule
        names its very word, compares it, joins it or shows it.
        """
        fields = self._asked.get(str(fact["kind"]), {})
        kept = {
            name: value
            for name, value in fact.items()
            if name in fields and (fields[name] is None or value in fields[name])  # type: ignore[operator]
        }
        return {"kind": fact["kind"], **kept} if kept else {}

    def forget(self) -> None:
        """Drop every remembered conclusion (for timing, and to free memory)."""
        self._memory.clear()

    def _firing(self, rule: Rule, facts: Sequence[FrozenFact]) -> Firing:
        bound = {c.alias: dict(f) for c, f in zip(rule.when, facts, strict=True)}
        used = tuple((c.alias, f) for c, f in zip(rule.when, facts, strict=True))
        text, short = _fill(rule.text, bound), _fill(rule.short, bound)
        if rule.until is None:
            return Firing(rule.id, rule.title, rule.conclusion, text, short, used, source=rule.source)
        asked = self.questions[rule.until.said]
        about = bound.get(rule.until.of, {})
        component = str(about.get("component", ""))
        words = {"component": component, "title": about.get("title", component)}
        return Firing(
            rule.id,
            rule.title,
            rule.conclusion,
            text,
            short,
            used,
            f"{asked.id}_{component}" if component else asked.id,
            asked.text.format_map(words),
            asked.short.format_map(words),
            asked.sets,
            component,
            rule.source,
        )


def load_rules(
    paths: Iterable[str | Path],
    engine: str = "auto",
    sources: Iterable[str] | None = None,
    vocabulary: Vocabulary = VOCABULARY,
) -> RuleBase:
    """Read, check and compile rule files or folders of them.

    engine   durable: durable-rules; chainer: the built-in matcher; auto: durable-rules where it is
             installed for (Python before 3.13), else the built-in one
    raises   KnowledgeError with every problem of every file; RuleError for an engine that is not there
    """
    if engine not in ENGINES:
        raise RuleError(unknown("rule engine", engine, ENGINES))
    read = read_rules(paths, sources, vocabulary)
    name, matcher = _matcher(read.rules, engine)
    return RuleBase(read.rules, read.questions, name, vocabulary, matcher, _asked(read.rules))


def _asked(rules: Sequence[Rule]) -> Mapping[str, Mapping[str, frozenset[str | int] | None]]:
    """kind -> field -> the words that rules compare it with, or None if any value may matter."""
    words: dict[str, dict[str, set[str | int]]] = {}
    whole: set[tuple[str, str]] = set()
    for rule in rules:
        kinds = {c.alias: c.kind for c in rule.when}
        for condition in rule.when:
            for test in condition.tests:
                mine = words.setdefault(condition.kind, {}).setdefault(test.field, set())
                if test.op == "is":
                    mine.add(test.value)
                else:
                    whole.add((condition.kind, test.field))
            for name, other, field_there in condition.joins:
                whole.add((condition.kind, name))
                whole.add((rule.when[other].kind, field_there))
        for inside in PLACEHOLDER.findall(rule.text + rule.short):
            alias, _, name = inside.partition(".")
            whole.add((kinds[alias], name))
        if rule.until and rule.until.of:
            whole |= {(kinds[rule.until.of], name) for name in ("component", "title")}
    for kind, name in whole:
        words.setdefault(kind, {}).setdefault(name, set())
    return {
        kind: {name: None if (kind, name) in whole else frozenset(found) for name, found in fields.items()}
        for kind, fields in words.items()
    }


def _matcher(rules: Sequence[Rule], engine: str) -> tuple[str, Engine]:
    if engine == "durable" or (engine == "auto" and sys.version_info < (3, 13)):
        try:
            from diagnose.rules.durable_engine import Durable
        except ImportError as err:
            if engine == "durable":
                raise RuleError(
                    f"durable-rules cannot be imported: {err}; expected it on Python 3.11 and 3.12; "
                    "try `pip install durable-rules==2.0.28` (needs a C compiler) or engine='chainer'"
                ) from err
        else:
            return "durable", Durable(rules)
    from diagnose.rules.chainer import Chainer

    return "chainer", Chainer(rules)


def check_fact(fact: Fact, vocabulary: Vocabulary = VOCABULARY) -> None:
    """Raise RuleError unless the fact is flat and uses the vocabulary's kinds, fields and words."""
    kind = fact.get("kind")
    if kind not in vocabulary:
        raise RuleError(unknown("kind of fact", str(kind), vocabulary))
    fields = vocabulary[str(kind)]
    for name, value in fact.items():
        if name == "kind":
            continue
        allowed = fields.get(name)
        if allowed is None:
            raise RuleError(unknown(f"field of {kind}", name, fields))
        if allowed == NUMBER:
            if not isinstance(value, int) or isinstance(value, bool) or abs(value) >= 10**15:
                raise RuleError(f"fact {kind}.{name}={value!r} is not a whole number; expected one such as 3")
        elif not isinstance(value, str):
            raise RuleError(f"fact {kind}.{name}={value!r} is not a word; expected text")
        elif allowed != TEXT and value not in allowed:
            raise RuleError(unknown(f"value of {kind}.{name}", value, allowed))


def freeze(facts: Iterable[Fact]) -> FrozenFacts:
    """Facts as a value that can be compared and remembered."""
    return frozenset(tuple(sorted(f.items())) for f in facts)


def _alike(steps: Iterable[FrozenFacts], shared: FrozenFacts) -> bool:
    """Whether steps differ in facts of STEP_KINDS only."""
    own = frozenset().union(*(step - shared for step in steps))
    return all(dict(fact).get("kind") in STEP_KINDS for fact in own)


def _fill(text: str, bound: Mapping[str, Mapping[str, str | int]]) -> str:
    if "{" not in text:
        return text
    for alias, fact in bound.items():
        for name, value in fact.items():
            text = text.replace(f"{{{alias}.{name}}}", str(value))
    return text
