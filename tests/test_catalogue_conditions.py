"""Conditions are read as text that names what differs from rest."""

from __future__ import annotations

from dataclasses import astuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.conditions import parse_condition, parse_words
from diagnose.catalogue.model import Control
from diagnose.catalogue.read import load_library
from diagnose.errors import UsageError


@pytest.fixture
def tiny(tiny_knowledge):
    return compose_bike(load_library(tiny_knowledge), "tiny")


@pytest.mark.parametrize(
    ("text", "parsed"),
    [
        ("", ((), "off", (), (), True, ())),
        ("  ", ((), "off", (), (), True, ())),
        ("key=run", ((("key", "run"),), "off", (), (), True, ())),
        ("key=off", ((), "off", (), (), True, ())),
        (" key = run , engine = idle ", ((("key", "run"),), "idle", (), (), True, ())),
        ("engine=05000", ((), "5000", (), (), True, ())),
        ("engine=off,battery=on", ((), "off", (), (), True, ())),
        ("battery=off,out=main_fuse,apart=tail_plug", ((), "off", ("main_fuse",), ("tail_plug",), False, ())),
        ("out=main_fuse,out=main_fuse", ((), "off", ("main_fuse",), (), True, ())),
        ("grounded=tail_lamp.feed", ((), "off", (), (), True, ("tail_lamp.feed",))),
    ],
)
def test_a_condition_is_what_differs_from_rest(tiny, text, parsed):
    assert astuple(parse_condition(text, tiny)) == parsed


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("key", "condition 'key': 'key' is not NAME=POSITION; try key=on"),
        ("key=", "'key=' is not NAME=POSITION"),
        ("key=run,", "'' is not NAME=POSITION"),
        ("key=rum", "unknown position of key 'rum'; try run"),
        ("kee=run", "unknown control 'kee'; try key"),
        ("key=run,key=off", "key is set twice; expected one position"),
        ("out=tail_lamp", "unknown fuse 'tail_lamp'; expected one of main_fuse"),
        ("apart=tail_lamp", "unknown connector 'tail_lamp'; try tail_plug"),
        ("engine=fast", "engine='fast' is unknown; expected off, cranking, idle or rpm from 100 to 20000"),
        ("engine=50", "engine='50' is unknown"),
        ("engine=99999", "engine='99999' is unknown"),
        ("engine=" + "9" * 5000, "is unknown"),
        ("engine=٣٠٠٠", "is unknown"),
        ("grounded=tail_lamp.fed", "unknown point 'tail_lamp.fed'; try tail_lamp.feed"),
        ("battery=flat", "battery='flat'; expected on or off"),
    ],
)
def test_a_condition_the_bike_does_not_have_is_refused_with_near_misses(tiny, text, message):
    with pytest.raises(UsageError) as err:
        parse_condition(text, tiny)
    assert message in str(err.value)


CONTROLS = {
    "key": Control("key", "key", ("off", "on", "park"), "off"),
    "lights": Control("lights", "lights", ("low", "high"), "low"),
}


WORDS = ["key=park", "lights=high", "out=f", "apart=c", "engine=idle", "battery=off", "grounded=p.q"]


@given(st.permutations(WORDS))
def test_the_order_of_words_in_a_condition_does_not_matter(words):
    parsed = parse_words(",".join(words), CONTROLS, ["f"], ("c",), ("p.q",))
    moved = (("key", "park"), ("lights", "high"))
    assert astuple(parsed) == (moved, "idle", ("f",), ("c",), False, ("p.q",))


@given(st.text(alphabet="key=on,lightsofpark engine0123", max_size=40))
def test_any_text_is_a_condition_or_refused(text):
    try:
        read = parse_words(text, CONTROLS, [], ())
    except UsageError:
        return
    assert all(position in CONTROLS[name].positions for name, position in read.controls)
    assert read.engine in ("off", "cranking", "idle") or read.engine.isdigit()
    assert read.battery
