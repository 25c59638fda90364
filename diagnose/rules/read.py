"""The rule files, read strictly and checked: every problem of all files at once, with file and line.

YAML -> `rules.format` values. Whatever the engines cannot do safely is refused here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from diagnose import documents
from diagnose.errors import KnowledgeError, Mark, Problem, unknown
from diagnose.rules.format import (
    CONCLUSIONS,
    CONDITION_LIMIT,
    PLACEHOLDER,
    STATUS_WORDS,
    Condition,
    Question,
    Rule,
    RuleSet,
    Test,
    Until,
    engine_limits,
    ordered,
)
from diagnose.rules.vocabulary import NUMBER, SUBJECTS, TEXT, VOCABULARY, Vocabulary

NEGATIONS = ("not", "none", "unless", "without", "absent", "missing", "is_not", "no_fact")

_ID = re.compile(r"[a-z][a-z0-9_]*\Z")
_COMPARISONS = ("below", "at_least", "same_as")


def read_rules(
    paths: Iterable[str | Path],
    sources: Iterable[str] | None = None,
    vocabulary: Vocabulary = VOCABULARY,
) -> RuleSet:
    """Read rule files, or all *.yaml of folders.

    sources     known source ids; None: any id is taken (`catalogue.check` looks them up later)
    vocabulary  kinds of fact, their fields and words
    raises      KnowledgeError with every problem of every file
    """
    reader = _Reader(vocabulary, None if sources is None else set(sources))
    for path in _files(paths):
        try:
            document = documents.read_document(path)
        except KnowledgeError as err:
            reader.problems.extend(err.problems)
            continue
        reader.file(document)
    return reader.finish()


def _files(paths: Iterable[str | Path]) -> list[Path]:
    files: list[Path] = []
    problems = []
    for path in map(Path, paths):
        if path.is_dir():
            inside = sorted(path.glob("*.yaml"))
            if not inside:
                problems.append(
                    Problem(str(path), 0, 0, "no rule files here; expected *.yaml; try another folder")
                )
            files.extend(inside)
        elif path.is_file():
            files.append(path)
        else:
            problems.append(
                Problem(str(path), 0, 0, "no such file or folder; expected rule files; try the full path")
            )
    if problems:
        raise KnowledgeError(problems)
    return files


class _Reader:
    """Collects rules and problems over all files; nothing of it outlives read_rules."""

    def __init__(self, vocabulary: Vocabulary, sources: set[str] | None):
        self.vocabulary = vocabulary
        self.sources = sources
        self.problems: list[Problem] = []
        self.rules: dict[str, Rule] = {}
        self.questions: dict[str, Question] = {}
        self.question_marks: dict[str, Mark] = {}
        self.asked: list[tuple[Rule, Mark]] = []
        self.said: list[tuple[str, Mark]] = []
        self.document: documents.Document

    # ---- places ----

    def mark(self, path: tuple[str | int, ...]) -> Mark:
        """Place of the key of an entry, or of the nearest thing around it that has one."""
        return self.document.mark((*path[:-1], documents.KEY, path[-1]) if path else ())

    def complain(self, path: tuple[str | int, ...], message: str) -> None:
        place = self.mark(path)
        self.problems.append(Problem(place.file, place.line, place.column, message))

    # ---- files ----

    def file(self, document: documents.Document) -> None:
        self.document = document
        data = document.data
        if not isinstance(data, Mapping):
            self.complain(
                (), "a rule file holds `rules:` and `questions:`; expected a mapping; try FORMAT.md"
            )
            return
        for key in data:
            if key not in ("rules", "questions"):
                self.complain((key,), unknown("part of a rule file", str(key), ("rules", "questions")))
        for name, body in self._mapping((), data, "questions").items():
            self.question(name, body)
        for name, body in self._mapping((), data, "rules").items():
            self.rule(name, body)

    def _mapping(self, path: tuple[str | int, ...], data: Mapping, key: str) -> Mapping:
        value = data.get(key)
        if value is None:
            return {}
        if not isinstance(value, Mapping):
            self.complain((*path, key), f"{key}={value!r} is not a mapping; expected `name: ...` lines")
            return {}
        return value

    def _text(self, path: tuple[str | int, ...], body: Mapping, key: str, required: bool = True) -> str:
        value = body.get(key)
        if value is None and not required:
            return ""
        if not isinstance(value, str) or not value.strip():
            self.complain((*path, key), f"{path[-1]}.{key}={value!r} says nothing; expected a sentence")
            return ""
        return " ".join(value.split())

    def question(self, name: str, body: object) -> None:
        path = ("questions", name)
        if not isinstance(body, Mapping):
            self.complain(path, f"question {name!r} is {body!r}; expected text, short and perhaps sets")
            return
        self._keys(path, body, ("text", "short", "sets"))
        if name in self.questions:
            first = self.question_marks[name]
            self.complain(path, f"question {name!r} appears twice; the first is at {first.file}:{first.line}")
            return
        sets = body.get("sets", "")
        if sets not in ("", "battery_off", "apart"):
            self.complain((*path, "sets"), unknown("change of the job", str(sets), ("battery_off", "apart")))
        for key in ("text", "short"):
            for inside in PLACEHOLDER.findall(str(body.get(key))):
                if inside not in ("title", "component"):
                    self.complain((*path, key), unknown("word in braces", inside, ("title", "component")))
        self.questions[name] = Question(
            name, self._text(path, body, "text"), self._text(path, body, "short"), str(sets)
        )
        self.question_marks[name] = self.mark(path)

    def _keys(self, path: tuple[str | int, ...], body: Mapping, known: Sequence[str]) -> None:
        for key in body:
            if key not in known:
                self.complain((*path, key), unknown(f"key of {path[-1]}", str(key), known))

    # ---- rules ----

    def rule(self, name: str, body: object) -> None:
        path: tuple[str | int, ...] = ("rules", name)
        if not _ID.match(name):
            self.complain(path, f"rule id {name!r} is not snake_case; expected letters, digits and _")
        if not isinstance(body, Mapping):
            self.complain(path, f"rule {name!r} is {body!r}; expected title, when, then and source")
            return
        self._keys(path, body, ("title", "when", "then", "source", "why"))
        if name in self.rules:
            first = self.rules[name].mark
            self.complain(path, f"rule id {name!r} appears twice; the first is at {first.file}:{first.line}")
            return
        before = len(self.problems)
        when = self.conditions(path, body)
        title = self._text(path, body, "title")
        source = self.source(path, body)
        why = self._text(path, body, "why", required=source == "estimate")
        conclusion, text, short, until = self.conclusion(path, body, when)
        if len(self.problems) == before:
            rule = Rule(name, title, when, conclusion, text, short, source, until, why, self.mark(path))
            self.rules[name] = rule
            if until:
                self.asked.append((rule, self.mark((*path, "then", "until"))))

    def source(self, path: tuple[str | int, ...], body: Mapping) -> str:
        source = self._text(path, body, "source")
        if source and not _ID.match(source):
            self.complain((*path, "source"), f"source {source!r} is not an id; expected one of sources.yaml")
        elif (
            source and self.sources is not None and source not in self.sources and source not in STATUS_WORDS
        ):
            self.complain((*path, "source"), unknown("source", source, self.sources | set(STATUS_WORDS)))
        return source

    def conditions(self, path: tuple[str | int, ...], body: Mapping) -> tuple[Condition, ...]:
        when = body.get("when")
        path = (*path, "when")
        if not isinstance(when, Mapping) or not when:
            self.complain(
                path, f"{path[1]}.when={when!r} is empty; expected at least one `alias: {{kind: ...}}`"
            )
            return ()
        if len(when) > CONDITION_LIMIT:
            self.complain(
                path,
                f"{path[1]} has {len(when)} conditions; expected at most {CONDITION_LIMIT}; try two rules",
            )
        kinds: dict[str, str] = {}
        raw: dict[str, list[Test]] = {}
        for alias, tests in when.items():
            here = (*path, alias)
            if alias in NEGATIONS or str(alias).startswith("not_"):
                self.complain(
                    here,
                    f"condition {alias!r} is a negation; expected positive facts only; "
                    "try the field that says so, such as answer: no",
                )
                continue
            if not _ID.match(str(alias)):
                self.complain(here, f"alias {alias!r} is not snake_case; expected a short name such as act")
                continue
            if not isinstance(tests, Mapping) or not tests:
                self.complain(here, f"condition {alias!r} is empty; expected kind and at least one field")
                continue
            kind = tests.get("kind")
            if kind not in self.vocabulary:
                self.complain((*here, "kind"), unknown("kind of fact", str(kind), self.vocabulary))
                continue
            kinds[alias] = str(kind)
            raw[alias] = []
        for alias in kinds:
            raw[alias] = self.tests((*path, alias), alias, when[alias], kinds, set(when))
        return ordered(kinds, raw)

    def tests(
        self,
        path: tuple[str | int, ...],
        alias: str,
        body: Mapping,
        kinds: Mapping[str, str],
        aliases: set[str],
    ) -> list[Test]:
        kind = kinds[alias]
        fields = self.vocabulary[kind]
        found: list[Test] = []
        for name, wanted in body.items():
            here = (*path, name)
            if name == "kind":
                continue
            if name in NEGATIONS:
                self.complain(here, f"{alias}.{name} is a negation; expected positive conditions only")
            elif name not in fields:
                self.complain(here, unknown(f"field of {kind}", str(name), fields))
            elif isinstance(wanted, Mapping):
                found.extend(self.comparison(here, alias, name, wanted, kinds, aliases))
            elif (value := self.constant(here, f"{alias}.{name}", fields[name], wanted)) is not None:
                found.append(Test(name, "is", value))
                if kind == "said" and name == "what":
                    self.said.append((str(value), self.mark(here)))
        if len(body) < 2:
            self.complain(
                path, f"condition {alias!r} tests nothing but its kind; expected at least one field"
            )
        return found

    def comparison(
        self,
        path: tuple[str | int, ...],
        alias: str,
        name: str,
        wanted: Mapping,
        kinds: Mapping[str, str],
        aliases: set[str],
    ) -> list[Test]:
        fields = self.vocabulary[kinds[alias]]
        found: list[Test] = []
        if not wanted:
            self.complain(
                path, f"{alias}.{name} is empty; expected a value or one of below, at_least, same_as"
            )
        for op, value in wanted.items():
            here = (*path, op)
            if op in NEGATIONS:
                self.complain(here, f"{alias}.{name}: {op} is a negation; expected positive conditions only")
            elif op not in _COMPARISONS:
                self.complain(here, unknown("comparison", str(op), _COMPARISONS))
            elif op == "same_as":
                found.extend(self.join(here, alias, name, value, kinds, aliases))
            elif fields[name] != NUMBER:
                self.complain(
                    here, f"{alias}.{name} is not a number; expected below and at_least on counts only"
                )
            elif (number := self.constant(here, f"{alias}.{name}", NUMBER, value)) is not None:
                found.append(Test(name, op, number))
        return found

    def join(
        self,
        path: tuple[str | int, ...],
        alias: str,
        name: str,
        value: object,
        kinds: Mapping[str, str],
        aliases: set[str],
    ) -> list[Test]:
        other, _, other_field = str(value).partition(".")
        if other == alias:
            self.complain(path, f"{alias}.{name} is compared with its own fact; expected another alias")
        elif other not in aliases:
            self.complain(path, f"alias {other!r} is never bound; " + unknown("alias", other, aliases))
        elif other in kinds and other_field not in self.vocabulary[kinds[other]]:
            fields = self.vocabulary[kinds[other]]
            self.complain(path, unknown(f"field of {kinds[other]}", other_field, fields))
        elif other in kinds:
            mine, theirs = self.vocabulary[kinds[alias]][name], self.vocabulary[kinds[other]][other_field]
            if (mine == NUMBER) != (theirs == NUMBER):
                self.complain(
                    path, f"{alias}.{name} and {value} are a number and a text; expected two of one sort"
                )
            else:
                return [Test(name, "same_as", str(value))]
        return []

    def constant(
        self, path: tuple[str | int, ...], name: str, allowed: str | tuple[str, ...], value: object
    ) -> str | int | None:
        """The value as the field wants it; None after a complaint."""
        if allowed == NUMBER:
            text = str(value)
            if re.fullmatch(r"-?\d{1,15}", text) and not isinstance(value, bool):
                return int(text)
            if re.search(r"\d[eE][-+]?\d", text) or text.lower() in ("inf", "nan", ".inf", ".nan"):
                self.complain(path, f"{name}={text} is in exponent form; expected a whole number such as 3")
            else:
                self.complain(
                    path,
                    f"{name}={value!r} is not a whole number; expected one such as 3; "
                    "try a word that code has judged, such as verdict: low",
                )
            return None
        if not isinstance(value, str) or not value:
            self.complain(path, f"{name}={value!r} is not a word; expected a text, quoted if it is a number")
            return None
        if allowed != TEXT and value not in allowed:
            self.complain(path, unknown(f"value of {name}", value, allowed))
            return None
        return value

    def conclusion(
        self, path: tuple[str | int, ...], body: Mapping, when: Sequence[Condition]
    ) -> tuple[str, str, str, Until | None]:
        then = body.get("then")
        path = (*path, "then")
        if not isinstance(then, Mapping) or not then:
            self.complain(path, f"{path[1]}.then={then!r} is empty; expected one of {', '.join(CONCLUSIONS)}")
            return "", "", "", None
        found = [key for key in then if key in CONCLUSIONS]
        for key in then:
            if key not in (*CONCLUSIONS, "short", "until"):
                self.complain((*path, key), unknown("conclusion", str(key), CONCLUSIONS))
        if len(found) != 1:
            self.complain(
                path,
                f"{path[1]} has {len(found)} conclusions; expected exactly one of {', '.join(CONCLUSIONS)}",
            )
            return "", "", "", None
        text, short = self._text(path, then, found[0]), self._text(path, then, "short")
        subjects = [k for k in SUBJECTS[found[0]] if k in self.vocabulary]
        if when and subjects and not any(c.kind in subjects for c in when):
            self.complain(
                (*path, found[0]),
                f"{path[1]} would never be asked for: a {found[0]} needs a condition of kind "
                + " or ".join(subjects),
            )
        self.placeholders((*path, found[0]), text, when)
        self.placeholders((*path, "short"), short, when)
        return found[0], text, short, self.until(path, found[0], then, when)

    def placeholders(self, path: tuple[str | int, ...], text: str, when: Sequence[Condition]) -> None:
        kinds = {c.alias: c.kind for c in when}
        for inside in PLACEHOLDER.findall(text):
            alias, _, name = inside.partition(".")
            if alias not in kinds:
                self.complain(
                    path, f"{{{inside}}}: alias {alias!r} is never bound; expected one of {', '.join(kinds)}"
                )
            elif name not in self.vocabulary[kinds[alias]]:
                self.complain(
                    path,
                    f"{{{inside}}}: "
                    + unknown(f"field of {kinds[alias]}", name, self.vocabulary[kinds[alias]]),
                )
        if "{" in PLACEHOLDER.sub("", text) or "}" in PLACEHOLDER.sub("", text):
            self.complain(path, f"a brace stands alone in {text!r}; expected {{alias.field}}")

    def until(
        self, path: tuple[str | int, ...], conclusion: str, then: Mapping, when: Sequence[Condition]
    ) -> Until | None:
        until = then.get("until")
        if until is None:
            return None
        path = (*path, "until")
        if conclusion != "block":
            self.complain(path, f"until belongs to a block; expected none with {conclusion}")
        elif not isinstance(until, Mapping) or not isinstance(until.get("said"), str):
            self.complain(path, f"until={until!r} names no fact; expected {{said: rolled_neutral}}")
        else:
            self._keys(path, until, ("said", "of"))
            of = str(until.get("of", ""))
            kinds = {c.alias: c.kind for c in when}
            if of and (of not in kinds or "component" not in self.vocabulary[kinds[of]]):
                self.complain(
                    (*path, "of"),
                    f"of={of!r} is no alias of a touched part; expected one whose fact has a component",
                )
            return Until(until["said"], of)
        return None

    # ---- all files together ----

    def finish(self) -> RuleSet:
        for rule, place in self.asked:
            assert rule.until is not None
            if rule.until.said not in self.questions:
                self.problems.append(place.problem(unknown("question", rule.until.said, self.questions)))
        for what, place in self.said:
            if what not in self.questions:
                self.problems.append(place.problem(unknown("safety fact", what, self.questions)))
        self.problems.extend(engine_limits(tuple(self.rules.values())))
        if self.problems:
            raise KnowledgeError(self.problems)
        return RuleSet(tuple(self.rules.values()), dict(self.questions))
