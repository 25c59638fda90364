"""Both matchers against brute force, and the fences around durable-rules."""

from __future__ import annotations

import itertools
import random
import subprocess
import sys
import threading
from functools import cache
from pathlib import Path

import pytest
from brute_force_rules import brute_force

from diagnose import documents
from diagnose.errors import KnowledgeError, RuleError
from diagnose.rules import base, chainer
from diagnose.rules.base import RuleBase, load_rules
from diagnose.rules.bench import job_of, made_up_steps, report
from diagnose.rules.format import PATTERN_LIMIT
from diagnose.rules.vocabulary import VOCABULARY

SHIPPED = Path(__file__).parent.parent / "knowledge" / "rules"
# durable-rules installs from Python 3.11 to 3.12 only; newer Pythons have the one engine
HERE = ("durable", "chainer") if sys.version_info < (3, 13) else ("chainer",)

SMALL = {
    "sign": {"colour": ("red", "green", "blue"), "at": "text", "size": "number"},
    "lamp": {"at": "text", "lit": ("yes", "no"), "size": "number"},
}


@cache
def shipped(engine: str) -> RuleBase:
    """The shipped rules, compiled once for the tests that do not tamper with the engine."""
    return load_rules([SHIPPED], engine=engine)


def write(folder: Path, text: str) -> Path:
    path = folder / "rules.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def as_set(rules: RuleBase, facts: list[dict]) -> set[tuple[str, tuple]]:
    return {(f.rule, tuple(fact for _, fact in f.facts)) for f in rules.conclude(facts)}


def shipped_bodies() -> dict:
    bodies: dict = {}
    for path in sorted(SHIPPED.glob("*.yaml")):
        bodies |= documents.read_document(path).data["rules"]
    return bodies


def random_rules(rng: random.Random, count: int) -> dict:
    """Rules of one to three conditions over SMALL: words, counts, comparisons, equality joins."""
    bodies = {}
    for number in range(count):
        when: dict = {}
        for position in range(rng.randint(1, 3)):
            kind = rng.choice(sorted(SMALL))
            tests: dict = {"kind": kind}
            for name, allowed in SMALL[kind].items():
                roll = rng.random()
                earlier = [
                    f"{alias}.{other}"
                    for alias, body in when.items()
                    for other, there in SMALL[body["kind"]].items()
                    if (there == "number") == (allowed == "number")
                ]
                if roll < 0.25 and earlier:
                    tests[name] = {"same_as": rng.choice(earlier)}
                elif roll < 0.6:
                    continue
                elif allowed == "number":
                    tests[name] = rng.choice([rng.randrange(4), {"below": rng.randrange(4)}, {"at_least": 2}])
                else:
                    tests[name] = rng.choice(["north", "south"] if allowed == "text" else allowed)
            if len(tests) == 1:
                tests["size"] = {"at_least": 1}
            when[f"a{position}"] = tests
        bodies[f"rule_{number}"] = {
            "title": "made up",
            "when": when,
            "then": {"advise": "made up", "short": "made up"},
            "source": "common_practice",
        }
    return bodies


def random_facts(rng: random.Random, count: int) -> list[dict]:
    facts = []
    for _ in range(count):
        kind = rng.choice(sorted(SMALL))
        fact: dict = {"kind": kind}
        for name, allowed in SMALL[kind].items():
            if rng.random() < 0.15:
                continue
            if allowed == "number":
                fact[name] = rng.randrange(4)
            else:
                fact[name] = rng.choice(
                    ["north", "south", 'a "strange" \\ é'] if allowed == "text" else allowed
                )
        facts.append(fact)
    return facts


def dump(bodies: dict) -> str:
    """Flow YAML of a rule file; every text is quoted."""

    def flow(value: object) -> str:
        if isinstance(value, dict):
            return "{" + ", ".join(f"{k}: {flow(v)}" for k, v in value.items()) + "}"
        return f'"{value}"' if isinstance(value, str) else str(value)

    return f"rules: {flow(bodies)}\n"


@pytest.mark.parametrize("engine", HERE)
def test_random_rules_over_random_facts_match_as_brute_force_says(engine, tmp_path):
    """40 rule sets of 8 rules, 6 sets of facts each; the oracle tries every choice of facts."""
    rng = random.Random(41)
    firings = 0
    for _ in range(40):
        bodies = random_rules(rng, 8)
        rules = load_rules([write(tmp_path, dump(bodies))], engine=engine, vocabulary=SMALL)
        assert rules.engine == engine
        for _ in range(6):
            facts = random_facts(rng, rng.randint(1, 7))
            expected = brute_force(bodies, facts)
            assert as_set(rules, facts) == expected
            firings += len(expected)
    assert firings > 400


@pytest.mark.parametrize("engine", HERE)
def test_shipped_rules_over_made_up_jobs_match_as_brute_force_says(engine):
    rules = shipped(engine)
    rules.forget()
    bodies = shipped_bodies()
    assert len(bodies) == len(rules.rules) >= 45
    rng = random.Random(7)
    firings = 0
    for number, step in enumerate(made_up_steps(seed=3, classes=8)):
        facts = [*step, *job_of(rules, rng)]
        kind = rng.choice(["reading", "series", "finding", "history", "job"])
        for _ in range(3):
            extra: dict = {"kind": kind}
            for name, allowed in VOCABULARY[kind].items():
                extra[name] = (
                    rng.randrange(5)
                    if allowed == "number"
                    else rng.choice(["fresh_wiring", "wet"] if allowed == "text" else allowed)
                )
            facts.append(extra)
        expected = brute_force(bodies, facts)
        assert as_set(rules, facts) == expected, number
        firings += len(expected)
    assert firings > 40


@pytest.mark.parametrize("engine", HERE)
def test_many_steps_at_once_give_what_each_gives_alone(engine):
    rules = shipped(engine)
    rules.forget()
    job = job_of(rules, random.Random(1))
    steps = made_up_steps(seed=5, classes=130)  # more than are matched in one go
    together = rules.conclude_each(steps, job)
    assert sum(map(len, together)) > 300
    rules.forget()
    for step, firings in list(zip(steps, together, strict=True))[::5]:
        assert rules.conclude([*step, *job]) == firings


@pytest.mark.parametrize("engine", HERE)
def test_steps_with_facts_of_their_own_are_not_mixed(engine, tmp_path):
    text = dump(
        {
            "both": {
                "title": "t",
                "when": {"a": {"kind": "lamp", "lit": "yes"}, "b": {"kind": "sign", "colour": "red"}},
                "then": {"advise": "t", "short": "t"},
                "source": "common_practice",
            }
        }
    )
    rules = load_rules([write(tmp_path, text)], engine=engine, vocabulary=SMALL)
    lamp, sign = {"kind": "lamp", "lit": "yes"}, {"kind": "sign", "colour": "red"}
    one, two, three = rules.conclude_each([[lamp], [sign], [lamp, sign]])
    assert (one, two, [f.rule for f in three]) == ((), (), ["both"])


@pytest.mark.parametrize("engine", HERE)
def test_the_order_of_facts_changes_nothing(engine):
    rules = shipped(engine)
    rules.forget()
    facts = [
        {"kind": "act", "instrument": "ohms", "isolated": "no", "feeds": "yes", "engine": "cranking"},
        {
            "kind": "touch",
            "role": "cdi",
            "electronics": "yes",
            "plugged": "yes",
            "component": "cdi",
            "title": "unit",
        },
        {"kind": "said", "what": "battery_off", "answer": "no"},
        {"kind": "complaint", "what": "no_spark"},
        {"kind": "bike", "ignition": "cdi"},
    ]
    outcomes = set()
    for order in itertools.permutations(facts):
        rules.forget()
        outcomes.add(rules.conclude(order))
    (only,) = outcomes
    assert len(only) >= 4


@pytest.mark.parametrize("engine", HERE)
def test_repeated_facts_count_once(engine):
    rules = shipped(engine)
    rules.forget()
    fact = {"kind": "act", "amps_at": "across_battery"}
    assert rules.conclude([fact, dict(fact), fact]) == rules.conclude([fact])


def test_a_firing_names_its_rule_its_facts_and_its_question():
    rules = load_rules([SHIPPED])
    touch = {
        "kind": "touch",
        "electronics": "yes",
        "plugged": "yes",
        "component": "dash",
        "title": "dash unit",
    }
    act = {"kind": "act", "feeds": "yes", "instrument": "lamp"}
    firing = next(f for f in rules.conclude([touch, act]) if f.rule == "current_into_plugged_electronics")
    assert dict(firing.facts) == {"act": tuple(sorted(act.items())), "part": tuple(sorted(touch.items()))}
    assert firing.until == "unit_unplugged_dash" and firing.about == "dash" and firing.sets == "apart"
    assert firing.text.startswith("The dash unit is still plugged in.")
    assert "dash unit" in firing.question and "{" not in firing.text + firing.question + firing.short


@pytest.mark.parametrize("engine", HERE)
def test_twelve_hundred_conclusions_leave_nothing_behind_and_start_no_thread(engine):
    """The engine alone, without the memory of conclusions; 1024 sessions left open would end in an error."""
    rules = shipped(engine)
    rules.forget()
    facts = [{"kind": "act", "instrument": "ohms", "engine": "running"}, {"kind": "bike", "supply": "six"}]
    for _ in range(100):
        rules.forget()
        rules.conclude(facts)
    before, threads = _resident_kilobytes(), threading.active_count()
    for _ in range(1200):
        rules.forget()
        rules.conclude(facts)
    assert _resident_kilobytes() - before < 4000
    assert threading.active_count() == threads


def _resident_kilobytes() -> int:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1])
    raise AssertionError("no resident size in /proc/self/status")


@pytest.mark.long
@pytest.mark.parametrize("engine", HERE)
def test_ten_thousand_conclusions_stay_below_twenty_megabytes(engine):
    rules = shipped(engine)
    rules.forget()
    job = job_of(rules, random.Random(2))
    steps = made_up_steps(seed=9, classes=50)
    before, threads = _resident_kilobytes(), threading.active_count()
    for number in range(10_000):
        rules.forget()
        rules.conclude([*steps[number % 50], *job])
    assert _resident_kilobytes() - before < 20_000
    assert threading.active_count() == threads


def test_conclusions_are_remembered_up_to_a_limit(monkeypatch):
    rules = load_rules([SHIPPED], engine="chainer")
    monkeypatch.setattr(base, "MEMORY", 3)
    for count in range(6):
        rules.conclude([{"kind": "job", "repairs_done": count}])
    assert len(rules._memory) == 3


@pytest.mark.parametrize("engine", HERE)
def test_rules_that_fire_without_end_are_stopped(engine, tmp_path, monkeypatch):
    bodies = {
        "all_pairs": {
            "title": "t",
            "when": {
                "a": {"kind": "sign", "size": {"at_least": 0}},
                "b": {"kind": "sign", "size": {"at_least": 0}},
            },
            "then": {"advise": "t", "short": "t"},
            "source": "common_practice",
        }
    }
    rules = load_rules([write(tmp_path, dump(bodies))], engine=engine, vocabulary=SMALL)
    monkeypatch.setattr(chainer, "FIRING_LIMIT", 100)
    if engine == "durable":
        from diagnose.rules import durable_engine

        monkeypatch.setattr(durable_engine, "FIRING_LIMIT", 100)
    facts = [{"kind": "sign", "size": n} for n in range(20)]
    with pytest.raises(RuleError, match="the rules fired more than 100 times on one set of facts"):
        rules.conclude(facts)
    assert len(rules.conclude(facts[:5])) == 20  # and go on working


@pytest.mark.parametrize(
    ("fact", "message"),
    [
        ({"kind": "acts"}, "unknown kind of fact 'acts'; try act"),
        ({"kind": "act", "enigne": "off"}, "unknown field of act 'enigne'; try engine"),
        ({"kind": "act", "engine": "runs"}, "unknown value of act.engine 'runs'; try running"),
        ({"kind": "job", "repairs_done": "3"}, "fact job.repairs_done='3' is not a whole number"),
        ({"kind": "job", "repairs_done": True}, "fact job.repairs_done=True is not a whole number"),
        ({"kind": "job", "repairs_done": 1e-05}, "fact job.repairs_done=1e-05 is not a whole number"),
        ({"kind": "complaint", "what": 3}, "fact complaint.what=3 is not a word"),
    ],
)
def test_facts_outside_the_vocabulary_are_refused(fact, message):
    rules = shipped("chainer")
    with pytest.raises(RuleError, match=message):
        rules.conclude([fact])


def test_an_unknown_engine_is_refused():
    with pytest.raises(RuleError, match="unknown rule engine 'rete'"):
        load_rules([SHIPPED], engine="rete")


def test_a_missing_durable_rules_is_said_or_replaced(monkeypatch):
    monkeypatch.setitem(sys.modules, "durable", None)
    monkeypatch.delitem(sys.modules, "diagnose.rules.durable_engine", raising=False)
    with pytest.raises(RuleError, match=r"durable-rules cannot be imported.*engine='chainer'"):
        load_rules([SHIPPED], engine="durable")
    assert load_rules([SHIPPED]).engine == "chainer"


def test_without_a_choice_the_engine_follows_the_python():
    assert load_rules([SHIPPED]).engine == HERE[0]


if "durable" in HERE:

    def test_what_an_action_swallows_is_raised(monkeypatch):
        rules = load_rules([SHIPPED], engine="durable")
        from diagnose.rules import durable_engine

        monkeypatch.setattr(
            durable_engine._host, "assert_fact", lambda name, fact: {"exception": "exception caught lost"}
        )
        with pytest.raises(RuleError, match="a rule failed while it fired: exception caught lost"):
            rules.conclude([{"kind": "bike", "supply": "six"}])

    def test_an_exception_inside_an_action_comes_out(monkeypatch):
        rules = load_rules([SHIPPED], engine="durable")
        monkeypatch.setattr(rules._matcher, "_found", _Forgetful())
        with pytest.raises(RuleError, match="a rule failed while it fired"):
            rules.conclude([{"kind": "bike", "supply": "six"}])

    def test_an_engine_that_refuses_a_fact_is_named(monkeypatch):
        rules = load_rules([SHIPPED], engine="durable")
        from diagnose.rules import durable_engine

        def refuse(name, fact):
            raise Exception("Could not assert fact, error code: 303")

        monkeypatch.setattr(durable_engine._host, "assert_fact", refuse)
        with pytest.raises(
            RuleError, match="durable-rules failed on a fact: Could not assert fact, error code: 303"
        ):
            rules.conclude([{"kind": "bike", "supply": "six"}])

    def test_an_engine_that_refuses_rules_is_named(monkeypatch):
        from diagnose.rules import durable_engine

        def refuse(definition):
            raise Exception("Could not create ruleset, error code: 304")

        monkeypatch.setattr(durable_engine._host, "set_rulesets", refuse)
        with pytest.raises(RuleError, match="durable-rules refused the rules: Could not create ruleset"):
            load_rules([SHIPPED], engine="durable")

    def test_too_many_values_of_a_joined_field_are_refused_before_the_engine_hangs(tmp_path):
        bodies = {
            "same_place": {
                "title": "t",
                "when": {
                    "a": {"kind": "sign", "colour": "red"},
                    "b": {"kind": "lamp", "at": {"same_as": "a.at"}},
                },
                "then": {"advise": "t", "short": "t"},
                "source": "common_practice",
            }
        }
        rules = load_rules([write(tmp_path, dump(bodies))], engine="durable", vocabulary=SMALL)
        facts = [{"kind": "lamp", "at": f"place {n}"} for n in range(401)]
        with pytest.raises(RuleError, match=r"field 'at' holds 401 different values.*expected at most 400"):
            rules.conclude(facts)
        assert rules.conclude(facts[:400]) == ()

    def test_a_failed_call_leaves_no_session_open(monkeypatch):
        rules = load_rules([SHIPPED], engine="durable")
        from diagnose.rules import durable_engine

        deleted = []
        real = durable_engine._host.delete_state
        monkeypatch.setattr(
            durable_engine._host, "delete_state", lambda name, sid: (deleted.append(sid), real(name, sid))
        )
        monkeypatch.setattr(durable_engine._host, "assert_fact", lambda name, fact: {"exception": "lost"})
        with pytest.raises(RuleError):
            rules.conclude([{"kind": "bike", "supply": "six"}])
        assert len(deleted) == 1 and not rules._matcher._found

    def test_sixty_patterns_on_one_fact_all_fire(tmp_path):
        """The engine drops a fact that passes more than 64; the reader allows PATTERN_LIMIT."""
        vocabulary = {"many": {f"f{n}": ("yes", "no") for n in range(PATTERN_LIMIT)}}
        bodies = {
            f"rule_{n}": {
                "title": "t",
                "when": {"a": {"kind": "many", f"f{n}": "yes"}},
                "then": {"advise": "t", "short": "t"},
                "source": "common_practice",
            }
            for n in range(PATTERN_LIMIT)
        }
        rules = load_rules([write(tmp_path, dump(bodies))], engine="durable", vocabulary=vocabulary)
        fact = {"kind": "many"} | {f"f{n}": "yes" for n in range(PATTERN_LIMIT)}
        assert len(rules.conclude([fact])) == PATTERN_LIMIT


class _Forgetful(dict):
    """A table that never finds what was put in, as a mistake inside an action would."""

    def __getitem__(self, key: str):
        raise KeyError(key)


def test_only_one_module_imports_durable():
    package = Path(base.__file__).parent.parent
    users = [
        p.relative_to(package).as_posix()
        for p in package.rglob("*.py")
        if any(
            line.split()[:2] in (["from", "durable"], ["import", "durable"])
            for line in p.read_text().splitlines()
        )
    ]
    assert users == ["rules/durable_engine.py"]


def test_importing_the_rules_starts_no_thread_and_loads_no_engine():
    """In a fresh interpreter: reading and matching with the built-in engine never loads durable."""
    code = (
        "import sys, threading\n"
        "from diagnose.rules.base import load_rules\n"
        f"load_rules([{str(SHIPPED)!r}], engine='chainer')\n"
        "print('durable' in sys.modules, threading.active_count())"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.split() == ["False", "1"]


def test_the_benchmark_prints_both_engines():
    if HERE == ("chainer",):
        with pytest.raises(RuleError, match=r"durable-rules cannot be imported"):
            report(SHIPPED, lambda line: None, runs=1)
        return
    lines: list[str] = []
    report(SHIPPED, lines.append, runs=1)
    assert len(lines) == 7
    assert lines[1].startswith("durable: ") and lines[4].startswith("chainer: ")


def test_an_empty_folder_is_refused(tmp_path):
    with pytest.raises(KnowledgeError, match="no rule files here"):
        load_rules([tmp_path])
