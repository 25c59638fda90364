"""A small matcher for the rule format, used where durable-rules cannot be imported.

Rules in, positions of matching facts out. Knows nothing of motorcycles or conclusions.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from diagnose.errors import RuleError
from diagnose.rules.format import Condition, Rule, Test

Fact = Mapping[str, str | int]
Match = tuple[int, tuple[int, ...]]  # rule, and for each of its conditions the fact that meets it

FIRING_LIMIT = 10_000  # a rule set that fires more often than this on one job is a mistake


def too_many() -> RuleError:
    """The error of both engines when rules fire without end."""
    return RuleError(
        f"the rules fired more than {FIRING_LIMIT} times on one set of facts; expected a few dozen; "
        "try joining the conditions of a rule with same_as, or make them narrower"
    )


class Chainer:
    """Matches by filtering the facts of each condition, then joining from left to right."""

    def __init__(self, rules: Sequence[Rule]):
        # conditions that pass the same facts share one number, so that each is filtered once a call
        numbers: dict[object, int] = {}
        self._patterns: list[Condition] = []
        self._rules: list[tuple[Rule, tuple[int, ...]]] = []
        for rule in rules:
            mine = []
            for condition in rule.when:
                number = numbers.setdefault(condition.pattern, len(numbers))
                if number == len(self._patterns):
                    self._patterns.append(condition)
                mine.append(number)
            self._rules.append((rule, tuple(mine)))

    def match(self, facts: Sequence[Fact]) -> list[Match]:
        """Every way in which distinct facts meet all conditions of a rule.

        facts    flat facts, no two alike
        returns  (rule position, fact positions in the order of the rule's conditions)
        raises   RuleError above FIRING_LIMIT matches
        """
        by_kind: dict[str, list[int]] = {}
        for position, fact in enumerate(facts):
            by_kind.setdefault(str(fact["kind"]), []).append(position)
        passing = [
            [p for p in by_kind[c.kind] if _passes(c, facts[p])] if c.kind in by_kind else []
            for c in self._patterns
        ]
        found: list[Match] = []
        for number, (rule, patterns) in enumerate(self._rules):
            choices = [passing[p] for p in patterns]
            if all(choices):
                _join(rule, number, choices, facts, (), found)
        return found


def _passes(condition: Condition, fact: Fact) -> bool:
    return all(t.op == "same_as" or _holds(t, fact) for t in condition.tests)


def _holds(test: Test, fact: Fact) -> bool:
    value = fact.get(test.field)
    if value is None:
        return False
    if test.op == "is":
        return value == test.value
    if test.op == "below":
        return value < test.value  # type: ignore[operator]
    return value >= test.value  # type: ignore[operator]


def _join(
    rule: Rule,
    number: int,
    choices: Sequence[list[int]],
    facts: Sequence[Fact],
    bound: tuple[int, ...],
    found: list[Match],
) -> None:
    depth = len(bound)
    if depth == len(choices):
        if len(found) >= FIRING_LIMIT:
            raise too_many()
        found.append((number, bound))
        return
    joins = rule.when[depth].joins
    for position in choices[depth]:
        if position in bound:
            continue
        fact = facts[position]
        if all(name in fact and facts[bound[other]].get(field) == fact[name] for name, other, field in joins):
            _join(rule, number, choices, facts, (*bound, position), found)
