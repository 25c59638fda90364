# ruff: noqa: E501 (tables of YAML and messages)
"""The written form of rules: what is read, and every refusal with its file and line."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.errors import KnowledgeError
from diagnose.rules.format import (
    CONDITION_LIMIT,
    CONSTANT_LIMIT,
    PATTERN_LIMIT,
    TWIN_LIMIT,
    Question,
    Until,
)
from diagnose.rules.read import read_rules

QUESTIONS = """\
questions:
  rolled_neutral: {text: "Did it roll?", short: "Rolled?"}
  unit_unplugged: {text: "Is the {title} unplugged?", short: "{component} unplugged?", sets: apart}
"""
GOOD = """\
rules:
  starter_first:
    title: "starter before neutral"
    when:
      act: {kind: act, starter: yes}
      said: {kind: said, what: rolled_neutral, answer: no}
    then:
      block: "Roll it first."
      short: "Roll first."
      until: {said: rolled_neutral}
    source: common_practice
"""


def problems(folder: Path, text: str, **options) -> list[str]:
    path = folder / "mine.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(KnowledgeError) as caught:
        read_rules([path], **options)
    return [str(p).replace(f"{path}:", "") for p in caught.value.problems]


def changed(old: str, new: str) -> str:
    assert GOOD.count(old) == 1
    return QUESTIONS + GOOD.replace(old, new)


def test_a_rule_file_is_read_into_frozen_values(tmp_path):
    path = tmp_path / "mine.yaml"
    path.write_text(QUESTIONS + GOOD, encoding="utf-8")
    read = read_rules([path])
    (rule,) = read.rules
    assert (rule.id, rule.conclusion, rule.text, rule.short) == (
        "starter_first",
        "block",
        "Roll it first.",
        "Roll first.",
    )
    assert rule.until == Until("rolled_neutral")
    assert [(c.alias, c.kind) for c in rule.when] == [("act", "act"), ("said", "said")]
    assert rule.mark.line == 5 and rule.mark.file == str(path)
    assert read.questions["unit_unplugged"] == Question(
        "unit_unplugged", "Is the {title} unplugged?", "{component} unplugged?", "apart"
    )


def test_whole_folders_are_read_in_the_order_of_their_names(tmp_path):
    (tmp_path / "b.yaml").write_text(QUESTIONS, encoding="utf-8")
    (tmp_path / "a.yaml").write_text(GOOD, encoding="utf-8")
    (tmp_path / "c.yaml").write_text(GOOD.replace("starter_first", "starter_again"), encoding="utf-8")
    assert [r.id for r in read_rules([tmp_path]).rules] == ["starter_first", "starter_again"]


def test_joins_stand_on_the_later_condition_whichever_way_they_are_written(tmp_path):
    forward = """\
rules:
  two_fuses:
    title: "t"
    when:
      first: {kind: finding, word: fuse, component: {same_as: second.component}}
      second: {kind: finding, change: blown}
    then: {root_cause: "t", short: "t"}
    source: common_practice
"""
    backward = forward.replace(", component: {same_as: second.component}", "").replace(
        "change: blown", "change: blown, component: {same_as: first.component}"
    )
    path = tmp_path / "mine.yaml"
    whens = []
    for text in (forward, backward):
        path.write_text(text, encoding="utf-8")
        whens.append(read_rules([path]).rules[0].when)
    assert whens[0] == whens[1]
    assert whens[0][1].joins == (("component", 0, "component"),)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("kind: act,", "kind: atc,", "8:13: unknown kind of fact 'atc'; try act"),
        ("starter: yes", "startre: yes", "8:24: unknown field of act 'startre'; try starter"),
        ("starter: yes", "starter: maybe", "8:24: unknown value of act.starter 'maybe'"),
        ("{kind: act, starter: yes}", "{}", "8:7: condition 'act' is empty; expected kind and at least one field"),
        ("{kind: act, starter: yes}", "{kind: act}", "8:7: condition 'act' tests nothing but its kind"),
        ("starter: yes", "starter: {}", "8:24: act.starter is empty; expected a value or one of below"),
        ("      act: {", "      not: {", "8:7: condition 'not' is a negation; expected positive facts only"),
        ("      act: {", "      not_act: {", "8:7: condition 'not_act' is a negation"),
        ("starter: yes", "not: {starter: yes}", "8:24: act.not is a negation; expected positive conditions only"),
        ("starter: yes", "starter: {not: yes}", "8:34: act.starter: not is a negation"),
        ("starter: yes", "starter: {above: 3}", "8:34: unknown comparison 'above'; expected one of at_least, below"),
        ("starter: yes", "starter: {below: 3}", "8:34: act.starter is not a number; expected below and at_least"),
        ("starter: yes", "starter: 1", "8:24: act.starter=1 is not a word; expected a text"),
        ("starter: yes", "starter: {same_as: sadi.answer}", "8:34: alias 'sadi' is never bound; unknown alias 'sadi'"),
        ("starter: yes", "starter: {same_as: act.engine}", "8:34: act.starter is compared with its own fact"),
        ("starter: yes", "starter: {same_as: said.answr}", "8:34: unknown field of said 'answr'; try answer"),
        ("      act: {", "      Act-1: {", "8:7: alias 'Act-1' is not snake_case"),
        ("  starter_first:", "  Starter-First:", "5:3: rule id 'Starter-First' is not snake_case"),
        ('block: "Roll it first."', 'forbid: "Roll it first."', "unknown conclusion 'forbid'; expected one of advise"),
        ('block: "Roll it first."', 'block: ""', "11:7: then.block='' says nothing; expected a sentence"),
        ('short: "Roll first."', 'short: "x"\n      caution: "y"', "has 2 conclusions; expected exactly one of block"),
        ('block: "Roll it first."', 'block: "{said.wat}"', "11:7: {said.wat}: unknown field of said 'wat'; try what"),
        ('block: "Roll it first."', 'block: "{part.title}"', "alias 'part' is never bound; expected one of act, said"),
        ('block: "Roll it first."', 'block: "a } brace"', "11:7: a brace stands alone in 'a } brace'"),
        ("until: {said: rolled_neutral}", "until: {said: rolled_neutrl}", "13:7: unknown question 'rolled_neutrl'"),
        ("until: {said: rolled_neutral}", "until: rolled", "13:7: until='rolled' names no fact; expected {said: "),
        ("until: {said: rolled_neutral}", "until: {said: rolled_neutral, of: act}", "of='act' is no alias of a touched"),
        ("until: {said: rolled_neutral}", "until: {said: rolled_neutral, for: act}", "unknown key of until 'for'"),
        ('block: "Roll it first."', 'caution: "Roll it first."', "13:7: until belongs to a block; expected none with"),
        ("what: rolled_neutral", "what: rolled_home", "9:26: unknown safety fact 'rolled_home'"),
        ("source: common_practice", "source: ", "14:5: starter_first.source=None says nothing; expected a sentence"),
        ("source: common_practice", "source: A book", "14:5: source 'A book' is not an id; expected one of sources"),
        ("source: common_practice", "source: estimate", "starter_first.why=None says nothing; expected a sentence"),
        ('title: "starter before neutral"', "titel: x", "6:5: unknown key of starter_first 'titel'; try title"),
        ("rules:\n", "rule:\n", "4:1: unknown part of a rule file 'rule'; try rules"),
    ],
)  # fmt: skip
def test_every_slip_of_the_pen_is_named_with_its_line(tmp_path, old, new, expected):
    found = problems(tmp_path, changed(old, new))
    assert any(expected in text for text in found), found


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("- a\n", "a rule file holds `rules:` and `questions:`; expected a mapping"),
        ("rules: [a]\n", "1:1: rules=['a'] is not a mapping; expected `name: ...` lines"),
        ("rules: {a: b}\n", "1:9: rule 'a' is 'b'; expected title, when, then and source"),
        ("questions: {a: b}\n", "1:13: question 'a' is 'b'; expected text, short and perhaps sets"),
        ('questions: {a: {text: x, short: y, sets: z}}\n', "1:36: unknown change of the job 'z'"),
        ('questions: {a: {text: "{x}", short: y}}\n', "1:17: unknown word in braces 'x'"),
        ('questions: {a: {text: x, short: y, long: z}}\n', "1:36: unknown key of a 'long'"),
        ("rules: {a: {title: t, when: {}, then: {}, source: read}}\n", "a.when={} is empty; expected at least one"),
        ("rules: {a: {title: t, when: {}, then: {}, source: read}}\n", "a.then={} is empty; expected one of block"),
    ],
)  # fmt: skip
def test_files_of_another_shape_are_refused(tmp_path, text, expected):
    found = problems(tmp_path, text)
    assert any(expected in t for t in found), found


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ("1e5", "job.repairs_done=1e5 is in exponent form; expected a whole number such as 3"),
        ("{at_least: 1e-05}", "job.repairs_done=1e-05 is in exponent form"),
        ("{below: .inf}", "job.repairs_done=.inf is in exponent form"),
        ("2.5", "job.repairs_done=2.5 is not a whole number"),
        ("true", "job.repairs_done=True is not a whole number"),
        ("{same_as: other.what}", "job.repairs_done and other.what are a number and a text"),
    ],
)  # fmt: skip
def test_counts_are_whole_numbers(tmp_path, value, expected):
    text = (
        f"rules: {{a: {{title: t, when: {{job: {{kind: job, repairs_done: {value}}}, other: {{kind: history, what: x}}}}, "
        "then: {advise: t, short: t}, source: read}}\n"
    )
    found = problems(tmp_path, text)
    assert any(expected in t for t in found), found


@pytest.mark.parametrize(
    ("conclusion", "kinds"),
    [
        ("block", "act or touch"),
        ("caution", "act or touch"),
        ("doubt", "reading or series"),
        ("advise", "history or complaint or job or bike or user"),
        ("root_cause", "finding"),
    ],
)
def test_a_conclusion_that_nobody_would_ask_for_is_refused(tmp_path, conclusion, kinds):
    when = (
        "found: {kind: finding, word: fuse}"
        if conclusion != "root_cause"
        else "act: {kind: act, starter: yes}"
    )
    text = (
        f"rules: {{a: {{title: t, when: {{{when}}}, then: {{{conclusion}: t, short: t}}, source: read}}}}\n"
    )
    (found,) = problems(tmp_path, text)
    assert f"a would never be asked for: a {conclusion} needs a condition of kind {kinds}" in found


def test_nine_conditions_are_refused(tmp_path):
    when = ", ".join(f"a{n}: {{kind: history, what: x{n}}}" for n in range(CONDITION_LIMIT + 1))
    (found,) = problems(
        tmp_path,
        f"rules: {{a: {{title: t, when: {{{when}}}, then: {{advise: t, short: t}}, source: read}}}}\n",
    )
    assert found.endswith("a has 9 conditions; expected at most 8; try two rules")


def test_ids_used_twice_name_both_places(tmp_path):
    (tmp_path / "a.yaml").write_text(QUESTIONS + GOOD, encoding="utf-8")
    (tmp_path / "b.yaml").write_text(QUESTIONS + GOOD, encoding="utf-8")
    with pytest.raises(KnowledgeError) as caught:
        read_rules([tmp_path])
    first, second, third = map(str, caught.value.problems)
    assert (
        first
        == f"{tmp_path}/b.yaml:2:3: question 'rolled_neutral' appears twice; the first is at {tmp_path}/a.yaml:2"
    )
    assert "question 'unit_unplugged' appears twice" in second
    assert (
        third
        == f"{tmp_path}/b.yaml:5:3: rule id 'starter_first' appears twice; the first is at {tmp_path}/a.yaml:5"
    )


def test_all_problems_of_all_files_come_at_once(tmp_path):
    (tmp_path / "a.yaml").write_text(QUESTIONS + GOOD.replace("kind: act", "kind: atc"), encoding="utf-8")
    (tmp_path / "b.yaml").write_text("rules: {x: {x: [}}\n", encoding="utf-8")
    (tmp_path / "c.yaml").write_text(
        GOOD.replace("block:", "blok:").replace("starter_first", "c"), encoding="utf-8"
    )
    with pytest.raises(KnowledgeError) as caught:
        read_rules([tmp_path])
    files = [Path(p.file).name for p in caught.value.problems]
    assert set(files) == {"a.yaml", "b.yaml", "c.yaml"}


def test_sources_are_looked_up_where_they_are_known(tmp_path):
    text = changed("source: common_practice", "source: a_manaul")
    (found,) = problems(tmp_path, text, sources=["a_manual"])
    assert "unknown source 'a_manaul'; try a_manual" in found
    path = tmp_path / "mine.yaml"
    path.write_text(text, encoding="utf-8")
    assert read_rules([path]).rules[0].source == "a_manaul"


def test_paths_that_lead_nowhere_are_refused(tmp_path):
    with pytest.raises(KnowledgeError, match="no such file or folder; expected rule files"):
        read_rules([tmp_path / "gone.yaml"])
    with pytest.raises(KnowledgeError, match=r"no rule files here; expected \*.yaml"):
        read_rules([tmp_path])


def many(count: int, when) -> str:
    lines = ["rules:"]
    for n in range(count):
        lines.append(
            f"  r{n}: {{title: t, when: {{{when(n)}}}, then: {{advise: t, short: t}}, source: read}}"
        )
    return "\n".join(lines) + "\n"


def test_more_conditions_on_one_fact_than_the_engine_bears_are_refused(tmp_path):
    vocabulary = {"many": {f"f{n}": ("yes", "no") for n in range(80)}}
    text = many(PATTERN_LIMIT + 1, lambda n: f"a: {{kind: many, f{n}: yes}}")
    (found,) = problems(tmp_path, text, vocabulary=vocabulary)
    assert "up to 61 different conditions may hold for one 'many' fact; expected at most 60" in found


def test_conditions_that_exclude_each_other_are_not_added_up(tmp_path):
    vocabulary = {"many": {"which": "text"}}
    path = tmp_path / "mine.yaml"
    path.write_text(many(PATTERN_LIMIT * 3, lambda n: f"a: {{kind: many, which: w{n}}}"), encoding="utf-8")
    assert len(read_rules([path], vocabulary=vocabulary).rules) == PATTERN_LIMIT * 3


def test_too_many_rules_with_one_and_the_same_end_are_refused(tmp_path):
    vocabulary = {"many": {"which": "text"}}
    text = many(TWIN_LIMIT + 1, lambda n: "a: {kind: many, which: x}")
    (found,) = problems(tmp_path, text, vocabulary=vocabulary)
    assert "201 rules end in the same condition; expected at most 200; try another order" in found


def test_too_many_words_of_one_field_are_refused(tmp_path):
    vocabulary = {"many": {"which": "text"}}
    text = many(CONSTANT_LIMIT + 1, lambda n: f"a: {{kind: many, which: w{n}}}")
    (found,) = problems(tmp_path, text, vocabulary=vocabulary)
    assert "field 'which' is compared with more than 400 values; expected fewer" in found
