"""Matching by durable-rules; the only module that imports `durable`.

The engine is fenced in: it sees small whole numbers only (words are coded, fields nobody asks for are
left out), one session per call that is deleted afterwards, one host per process without timer threads,
actions that only write down what matched.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Sequence
from typing import Any

from durable import engine

from diagnose.errors import RuleError
from diagnose.rules.chainer import FIRING_LIMIT, Fact, Match, too_many
from diagnose.rules.format import Condition, Rule

VALUE_LIMIT = 400  # the engine hangs at 512 different values of a joined field

# the engine's own clock calls a function that newer Pythons warn about; only differences of it are used
engine._unix_now = time.time

_names = itertools.count(1)
_sessions = itertools.count(1)


class _Host(engine.Host):
    def _run(self) -> None:
        """The base class starts two endless chains of timer threads here; nothing needs them."""


_host = _Host()


class Durable:
    """One rule set of the process's host. match() has the meaning of chainer.Chainer.match."""

    def __init__(self, rules: Sequence[Rule]):
        self._name = f"rules{next(_names)}"
        self._found: dict[str, list[Match]] = {}
        self._codes: dict[str, int] = {}
        self._used: dict[str, set[str]] = {}
        definition: dict[str, Any] = {}
        for number, rule in enumerate(rules):
            definition[f"r{number}"] = {
                "all": [{f"a{i}": {"$and": self._pattern(rule, c)}} for i, c in enumerate(rule.when)],
                "run": self._action(number, len(rule.when)),
            }
        self._joined = {f for r in rules for c in r.when for name, _, other in c.joins for f in (name, other)}
        if definition:
            # a fact that no rule matches raises and is forgotten; this one matches every fact
            definition["keep"] = {"all": [{"m": {"$ex": {"n": 1}}}], "run": lambda c: None}
            try:
                _host.set_rulesets({self._name: definition})
            except Exception as err:
                raise RuleError(
                    f"durable-rules refused the rules: {err}; expected it to take every checked rule"
                ) from err

    def _code(self, value: str | int) -> int:
        return value if isinstance(value, int) else self._codes.setdefault(value, len(self._codes) + 1)

    def _pattern(self, rule: Rule, condition: Condition) -> list[dict[str, Any]]:
        used = self._used.setdefault(condition.kind, set())
        atoms: list[dict[str, Any]] = [{"kind": self._code(condition.kind)}]
        for test in condition.tests:
            used.add(test.field)
            name = f"p_{test.field}"
            if test.op == "is":
                atoms.append({name: self._code(test.value)})
            elif test.op == "below":
                atoms.append({"$lt": {name: test.value}})
            elif test.op == "at_least":
                atoms.append({"$gte": {name: test.value}})
        for name, other, field in condition.joins:
            used.add(name)
            self._used[rule.when[other].kind].add(field)
            atoms.append({f"p_{name}": {f"a{other}": f"p_{field}"}})
        return atoms

    def _action(self, number: int, size: int) -> Callable[[Any], None]:
        aliases = tuple(f"a{i}" for i in range(size))
        found = self._found

        def write_down(c: Any) -> None:  # exactly one positional parameter, or the engine takes it as async
            matched = c._m
            matches = found[c.s.sid]
            if len(matches) <= FIRING_LIMIT:
                matches.append((number, tuple(matched[a]["n"] - 1 for a in aliases)))

        return write_down

    def match(self, facts: Sequence[Fact]) -> list[Match]:
        """Every way in which distinct facts meet all conditions of a rule; see chainer.Chainer.match.

        raises  RuleError if the engine fails, if rules fire without end, or if a joined field holds more
                values than the engine can bear
        """
        coded = self._coded(facts)
        if not coded:
            return []
        session = f"s{next(_sessions)}"
        matches = self._found[session] = []
        failed = True
        try:
            for fact in coded:
                self._assert(session, fact)
            failed = False
        finally:
            del self._found[session]
            self._close(session, failed)
        if len(matches) > FIRING_LIMIT:
            raise too_many()
        return matches

    def _close(self, session: str, failed: bool) -> None:
        try:
            _host.delete_state(self._name, session)
        except Exception as err:
            # a session that failed at its first fact was never opened; its own error is the one to show
            if not failed:
                raise RuleError(
                    f"durable-rules could not close its session: {err}; expected it to; try engine='chainer'"
                ) from err

    def _assert(self, session: str, fact: dict[str, Any]) -> None:
        try:
            state = _host.assert_fact(self._name, {**fact, "sid": session})
        except Exception as err:
            raise RuleError(
                f"durable-rules failed on a fact: {err}; expected it to take every checked fact; "
                "try engine='chainer'"
            ) from err
        # the engine swallows whatever an action raises and leaves it here as text
        if state and state.get("exception"):
            raise RuleError(f"a rule failed while it fired: {state['exception']}; try engine='chainer'")

    def _coded(self, facts: Sequence[Fact]) -> list[dict[str, Any]]:
        """The facts that some rule asks for, as numbers; words that no rule names get codes of this call."""
        local: dict[str, int] = {}
        first_free = len(self._codes) + 1
        coded = []
        joined: dict[str, set[int]] = {}
        for position, fact in enumerate(facts):
            used = self._used.get(str(fact["kind"]))
            if used is None:
                continue
            row: dict[str, Any] = {"n": position + 1, "kind": self._codes[str(fact["kind"])]}
            for name in used:
                value = fact.get(name)
                if value is None:
                    continue
                if isinstance(value, str):
                    known = self._codes.get(value)
                    value = local.setdefault(value, first_free + len(local)) if known is None else known
                row[f"p_{name}"] = value
                if name in self._joined:
                    joined.setdefault(name, set()).add(value)
            coded.append(row)
        for name, values in joined.items():
            if len(values) > VALUE_LIMIT:
                raise RuleError(
                    f"field {name!r} holds {len(values)} different values in one set of facts; "
                    f"expected at most {VALUE_LIMIT}; try fewer facts at a time or engine='chainer'"
                )
        return coded
