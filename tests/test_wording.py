# ruff: noqa: E501 (tables of cases are easier to check on one line)
"""Sentences: two forms, strict values, every problem with its place."""

from __future__ import annotations

import re

import pytest
from fake_world import KNOWLEDGE, bench

from diagnose.errors import KnowledgeError
from diagnose.wording import SENTENCES, WORD_LISTS, read_wording

SHIPPED = KNOWLEDGE / "wording" / "en.yaml"


@pytest.fixture(scope="module")
def text():
    return SHIPPED.read_text(encoding="utf-8")


def read(tmp_path, text):
    path = tmp_path / "en.yaml"
    path.write_text(text, encoding="utf-8")
    return read_wording(path)


def refused(tmp_path, text):
    with pytest.raises(KnowledgeError) as caught:
        read(tmp_path, text)
    return str(caught.value)


def test_every_sentence_of_the_program_is_there_in_both_forms():
    words = bench()[2]
    assert set(words.sentences) == set(SENTENCES) and len(SENTENCES) > 100
    assert set(words.words) == set(WORD_LISTS)
    for name, wanted in SENTENCES.items():
        values = {v.lstrip("?"): f"<{v}>" for v in wanted}
        for skill in ("beginner", "trade"):
            assert words.say(name, skill, **values)


def test_a_sentence_takes_exactly_its_values(tmp_path, text):
    words = read(tmp_path, text)
    assert words.say("points_to", "trade", reading="0 V", suspects="the fuse") == "0 V points to the fuse."
    with pytest.raises(KnowledgeError, match="points_to: no value for suspects; expected reading, suspects"):
        words.say("points_to", reading="0 V")
    with pytest.raises(KnowledgeError, match="points_to: it holds no value 'colour'"):
        words.say("points_to", reading="0 V", suspects="x", colour="red")
    with pytest.raises(KnowledgeError, match="unknown sentence 'point_to'"):
        words.say("point_to")


def test_values_are_never_read_as_templates():
    words = bench()[2]
    assert words.say("points_to", reading="{suspects}", suspects="{0}") == "{suspects} points to {0}."


def test_a_value_left_out_leaves_no_hole():
    words = bench()[2]
    assert words.say("stop_unmodelled").count("\n") == 1
    assert "  " not in words.say("why_suspect", suspect="x", sure="likely")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('  range: "{low} to {high}"', '  range: "{low} up"', "range: does not hold {high}"),
        ('  range: "{low} to {high}"', '  range: "{low} {high} {x}"', "range: holds {x}, which it cannot; expected low, high"),
        ('  range: "{low} to {high}"', '  range: "{low:>5} {high}"', "range: values take no format"),
        ('  range: "{low} to {high}"', '  range: "{low} {high"', "range: expected '}' before end of string"),
        ('  range: "{low} to {high}"', "  range: 5", "range: expected one text, or the two forms"),
        ('  range: "{low} to {high}"', "  range: {beginner: \"{low} {high}\"}", "range: expected one text, or the two forms"),
        ('  range: "{low} to {high}"', '  range: " "', "range: ' ' is not a text"),
        ('  range: "{low} to {high}"\n', "", "sentence 'range' is missing"),
        ('  range: "{low} to {high}"', '  rage: "{low} to {high}"', "unknown sentence 'rage'; try range"),
        ("  joining:", "  joyning:", "unknown word list 'joyning'; try joining"),
        ("    skip: [skip, pass, later, s]", "    skip: pass", "special.skip: expected a list of texts"),
        ("    skip: [skip, pass, later, s]", "    skip: [skip, nope]", "special.no: 'nope' already means 'skip'"),
        ("\nwords:", "\nword:", "no mapping under 'words'"),
        ("  telling:\n    much: [much]\n    something: [something]\n    little: [little]", "  telling: 3", "telling: expected word"),
    ],
)  # fmt: skip
def test_a_broken_file_is_refused_with_its_line(tmp_path, text, old, new, message):
    assert text.count(old) == 1
    told = refused(tmp_path, text.replace(old, new))
    assert message in told
    assert re.search(r"en\.yaml:\d+:\d+: ", told)


def test_a_word_list_that_is_missing_and_a_key_that_is_unknown_are_told_together(tmp_path, text):
    told = refused(tmp_path, re.sub(r"  joining:\n(    .*\n)+", "", text) + "\nextra: 1\n")
    assert "word list 'joining' is missing" in told and "unknown key 'extra'" in told


def test_an_empty_file_is_refused(tmp_path):
    assert "no mapping under 'sentences'" in refused(tmp_path, "")


# What a beginner misreads, after the sentences of the trade that he is known to misunderstand
# (common practice, no source): `open` as a tap, `short` for any fault, `earth` as soil, `voltage drop`
# as volts that must have dropped, `continuity` as a good wire, `infinite` as zero, `disconnect` as key off.
MISREAD = (
    "open circuit",
    "short",
    "earth",
    "voltage drop",
    "continuity",
    "infinite",
    "disconnect",
    "upstream",
    "load",
)


def test_no_sentence_for_a_beginner_uses_a_word_that_beginners_misread():
    words = bench()[2]
    seen = 0
    for name, forms in words.sentences.items():
        said = forms["beginner"].lower()
        seen += 1
        found = [w for w in MISREAD if re.search(rf"\b{w}\b", said)]
        assert not found or name in ("kit_workshop",), (name, found)
    assert seen == len(SENTENCES)


def test_the_dial_is_named_before_the_tips_and_a_number_is_asked_for():
    words = bench()[2]
    assert "straight line" in words.sentences["dial_volts"]["beginner"]
    assert "wave" in words.sentences["dial_ac_volts"]["beginner"]
    for kind in ("volts", "drop", "ac_volts", "lowest_volts", "amps"):
        last = words.sentences[f"do_{kind}"]["beginner"]
        assert "number" in last and "ok?" not in last
    black = words.sentences["do_volts"]["beginner"]
    assert black.index("Black tip") < black.index("Red tip") < black.index("number")


def test_a_word_without_an_entry_is_said_as_it_is_written():
    words = bench()[2]
    assert words.word("answers", "very_weak") == "very weak"
    assert words.word("answers", "stays_on") == "stays on"
