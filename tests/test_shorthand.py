"""Many observations in one line: understood, echoed, or asked back, never guessed."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest
from fake_world import HEAR_HORN, SEE_LAMP, VOLTS_REST, bench
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.bike.acts import FUNCTION_WORDS
from diagnose.bike.model import Condition, FunctionView, Measurement
from diagnose.conversation.likeness import names_meant
from diagnose.conversation.shorthand import MOST_ITEMS, match_complaints, split, understand

WORLD, _, WORDS = bench()


def said(line):
    return {i.measurement: i.value for i in understand(WORLD, line, WORDS).items}


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("horn ok", {HEAR_HORN: "works"}),
        ("horn is silent", {HEAR_HORN: "dead"}),
        ("headlamp very dim; horn weak", {SEE_LAMP: "very_weak", HEAR_HORN: "weak"}),
        ("batt 12,4", {VOLTS_REST: 12.4}),
        ("battery 12.4 V", {VOLTS_REST: 12.4}),
        ("battery 12,4 volts, horn ok", {VOLTS_REST: 12.4, HEAR_HORN: "works"}),
        ("horn ok, headlamp dim, batt 12,4", {HEAR_HORN: "works", SEE_LAMP: "weak", VOLTS_REST: 12.4}),
        ("hron ok", {HEAR_HORN: "works"}),
        ("horn not working", {HEAR_HORN: "dead"}),
        ("the headlamp is out and the horn is good", {SEE_LAMP: "dead", HEAR_HORN: "works"}),
        ("horn ok; horn dead", {HEAR_HORN: "dead"}),
    ],
)
def test_a_line_is_understood(line, expected):
    assert said(line) == expected
    assert understand(WORLD, line, WORDS).unclear == ()


@pytest.mark.parametrize(
    ("line", "text"),
    [
        ("gearbox fine", "expected a function of this bike"),
        ("horn purple", "expected a name and how it is"),
        ("horn very dim", "expected for horn one of works, weak, dead"),
        ("horn", "expected a name and how it is"),
        ("horn not ok", "says not; expected one word for how it is; try 'horn dead', or a note"),
        ("headlamp always on", "says always"),
        ("wheel 12.4", "expected a test point of this bike"),
        ("headlamp 12.4", "could be several readings"),
        ("battery 12.4 ohm", "is a resistance"),
    ],
)
def test_what_is_not_understood_says_what_to_type(line, text):
    result = understand(WORLD, line, WORDS)
    assert result.items == ()
    assert text in str(result.unclear[0][1])


def flashing_bike():
    """A bike of which only the words are wanted: indicators, hazard lamps, tell-tale, and one odd look."""
    titles = {
        "left_indicator": "left indicators",
        "right_indicator": "right indicators",
        "hazard_left": "hazard lamps, left side",
        "hazard_right": "hazard lamps, right side",
        "tell_tale_left": "left indicator tell-tale",
        "right_alone": "the left side stays dark while the right flashes",
    }
    view, looks = {}, {}
    for f, title in titles.items():
        when = Condition(controls=(("lever", f),))
        choices = ("works", "dead") if f in ("tell_tale_left", "right_alone") else FUNCTION_WORDS["flash"]
        view[f] = FunctionView(f, title, "flash", when, choices)
        look = f"observe:{f}@{when.text}"
        looks[look] = Measurement(look, "observe", when, what=f, choices=choices)
    return SimpleNamespace(view=replace(WORLD.view, functions=view), measurements=looks)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("left flashes fast", {"left_indicator": "fast"}),
        ("right steady", {"right_indicator": "steady"}),
        ("left blinker dead", {"left_indicator": "dead"}),
        ("indicators ok", {"left_indicator": "works", "right_indicator": "works"}),
        ("hazard left dead", {"hazard_left": "dead"}),
        ("hazards dead", {"hazard_left": "dead", "hazard_right": "dead"}),
        ("left tell-tale dead", {"tell_tale_left": "dead"}),
    ],
)
def test_the_indicators_are_meant_unless_the_hazard_lamps_are_named(line, expected):
    result = understand(flashing_bike(), line, WORDS)
    found = {i.measurement.partition(":")[2].partition("@")[0]: i.value for i in result.items}
    assert (found, result.unclear) == (expected, ())


def test_the_understood_part_of_a_line_is_taken_and_the_rest_is_told():
    result = understand(WORLD, "horn ok; gearbox fine", WORDS)
    assert [i.measurement for i in result.items] == [HEAR_HORN]
    assert [part for part, _ in result.unclear] == ["gearbox fine"]


def test_each_item_is_echoed_in_words():
    (item,) = understand(WORLD, "batt 12,4", WORDS).items
    assert item.words == "battery volts: 12.4 V"


def test_a_comma_between_digits_is_a_decimal_comma():
    assert split("batt 12,4, horn ok") == ["batt 12,4", "horn ok"]
    assert split("a ok,b dead;c dim\nd out and e on") == ["a ok", "b dead", "c dim", "d out", "e on"]
    assert split(" ;, . ") == []


def test_only_so_many_observations_are_read_at_once():
    result = understand(WORLD, ";".join(["horn ok"] * (MOST_ITEMS + 3)), WORDS)
    assert len(result.items) == 1
    assert f"expected at most {MOST_ITEMS} observations in a line" in str(result.unclear[-1][1])


@pytest.mark.parametrize(
    ("words", "complaints"),
    [
        ("no headlight", ["lamp_dead"]),
        ("the headlamp is dim", ["lamp_dim"]),
        ("poor light", ["lamp_dim"]),
        ("lamp_dead", ["lamp_dead"]),
        ("silent horn", ["horn_dead"]),
        ("completely dead", ["all_dead"]),
        ("it smells of cheese", []),
    ],
)
def test_a_complaint_is_found_by_the_riders_own_words(words, complaints):
    assert match_complaints(WORLD, words, WORDS) == complaints


def test_what_fits_two_names_equally_gives_both():
    assert names_meant("beam", {"low": ("low beam",), "high": ("high beam",)}, WORDS) == ["high", "low"]


@settings(derandomize=True, max_examples=150, deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_understood_or_refused_but_never_raises(line):
    result = understand(WORLD, line, WORDS)
    assert all(i.measurement in WORLD.measurements for i in result.items)
