"""What riders type about two bikes, in their own words: understood as meant, or asked back, never guessed.

The phrasings are common practice, no source: what people write in a hurry, with the names they use.
"""

from __future__ import annotations

from functools import cache
from types import SimpleNamespace

import pytest
import shipped
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.bike.acts import measurements
from diagnose.bike.view import view
from diagnose.conversation.intake import complaints_meant
from diagnose.conversation.shorthand import understand

TWIN, SINGLE = "road_twin", "custom_single"


@cache
def bike(name):
    """What the shorthand needs of a bike: its words and what can be measured, without suspects."""
    built, in_use = shipped.loom(name) if name != SINGLE else _plain(name)
    library = shipped.opened().library
    acts = measurements(built, in_use, library.instruments)
    return SimpleNamespace(view=view(built, library.complaints, library.instruments, {}), measurements=acts)


def _plain(name):
    from diagnose.bike.build import build
    from diagnose.bike.currents import service
    from diagnose.catalogue.compose import compose_bike

    built = build(compose_bike(shipped.opened().library, name))
    return built, service(built)


def heard(name, line):
    """What was understood of a line: function (or battery) -> value; and what was not."""
    found = understand(bike(name), line, shipped.opened().wording)
    items = {
        i.measurement.partition(":")[2].partition("@")[0].partition(".")[0]: i.value for i in found.items
    }
    return items, [part for part, _ in found.unclear]


OBSERVED = {
    # one thing, in many words
    "horn ok": {"horn": "works"},
    "HORN OK!": {"horn": "works"},
    "horn:ok": {"horn": "works"},
    "horn = fine": {"horn": "works"},
    "hron works": {"horn": "works"},
    "the hooter is silent": {"horn": "dead"},
    "no horn": {"horn": "dead"},
    "dead horn": {"horn": "dead"},
    "weak horn": {"horn": "weak"},
    "horn doesn't work": {"horn": "dead"},
    "left flashes ok": {"left_indicator": "works"},
    "left flashes": {"left_indicator": "works"},
    "left side flashes fast": {"left_indicator": "fast"},
    "left blinker works": {"left_indicator": "works"},
    "right turn signal dead": {"right_indicator": "dead"},
    "left steady": {"left_indicator": "steady"},
    "right indicators on but not flashing": {"right_indicator": "steady"},
    "headlight dim": {"low_beam": "weak"},
    "dim headlight": {"low_beam": "weak"},
    "no low beam": {"low_beam": "dead"},
    "low beam very dim": {"low_beam": "very_weak"},
    "main beam works": {"high_beam": "works"},
    "tail light out": {"tail_light": "dead"},
    "rear light ok": {"tail_light": "works"},
    "running light isn't working": {"tail_light": "dead"},
    "front brake light ok": {"brake_light_front": "works"},
    "rear brake light doesn't come on": {"brake_light_rear": "dead"},
    "break light rear ok": {"brake_light_rear": "works"},
    "starter turns": {"starter": "works"},
    "starter spins slowly": {"starter": "slow"},
    "starter just clicks": {"starter": "clicks"},
    "electric start dead": {"starter": "dead"},
    "neutral light on": {"neutral_lamp": "works"},
    "neutral lamp not on": {"neutral_lamp": "dead"},
    "dash dead": {"dash": "dead"},
    "instrument lights work": {"dash": "works"},
    "front left indicator dead": {"front_left_lamp": "dead"},
    "left front blinker out": {"front_left_lamp": "dead"},
    "batt 12,4": {"battery": 12.4},
    "battery 12.4v": {"battery": 12.4},
    "battery: 12.4 volts": {"battery": 12.4},
    "12.4 at the battery": {"battery": 12.4},
    "12,4 V battery": {"battery": 12.4},
    "volts 12.4": {"battery": 12.4},
    # several
    "horn ok, low beam dim, batt 12,4, left flashes fast": {
        "horn": "works", "low_beam": "weak", "battery": 12.4, "left_indicator": "fast",
    },
    "horn and low beam ok": {"horn": "works", "low_beam": "works"},
    "low beam, high beam ok": {"low_beam": "works", "high_beam": "works"},
    "low beam ok high beam dead": {"low_beam": "works", "high_beam": "dead"},
    "indicators ok": {"left_indicator": "works", "right_indicator": "works"},
    "both indicators dead": {"left_indicator": "dead", "right_indicator": "dead"},
    "horn works; indicators don't": {"horn": "works", "left_indicator": "dead", "right_indicator": "dead"},
    "horn ok\nlow beam ok\nhorn dead": {"horn": "dead", "low_beam": "works"},  # the last word counts
}  # fmt: skip


@pytest.mark.parametrize("name", [TWIN, SINGLE])
@pytest.mark.parametrize("line", OBSERVED)
def test_a_riders_line_is_understood_as_meant_on_both_bikes(name, line):
    assert heard(name, line) == (OBSERVED[line], [])


@pytest.mark.parametrize(
    ("name", "line", "expected"),
    [
        (TWIN, "oil light on", {"oil_lamp": "works"}),
        (TWIN, "no spark left", {"spark_left": "dead"}),
        (TWIN, "left tell tale dead", {"tell_tale_left": "dead"}),
        (SINGLE, "spark ok", {"spark": "works"}),
        (SINGLE, "usb dead", {"socket": "dead"}),
        (SINGLE, "phone charges", {"socket": "works"}),
    ],
)
def test_what_only_one_of_the_bikes_has_is_understood_there(name, line, expected):
    assert heard(name, line)[0] == expected


@pytest.mark.parametrize(
    ("name", "line", "understood"),
    [
        # a lamp that the bike has not is never taken for the one that sounds like it
        (SINGLE, "oil light on", {}),
        (SINGLE, "fog lamp dead", {}),
        # it could be either brake switch, any lamp, dead or lit without flashing
        (TWIN, "brake light ok", {}),
        (TWIN, "lights ok", {}),
        (TWIN, "left does not flash", {}),
        (TWIN, "battery ok", {}),
        (TWIN, "everything else works", {}),
        (TWIN, "horn sometimes works", {}),
        (TWIN, "headlight dim when idling", {}),
        (TWIN, "clicks", {}),
        # what was clear is taken, the rest is told
        (TWIN, "horn weak but works", {"horn": "weak"}),
        (TWIN, "horn ok; gearbox fine", {"horn": "works"}),
        (SINGLE, "horn ok, tell tale dead", {"horn": "works"}),
    ],
)
def test_what_could_mean_something_else_is_asked_back(name, line, understood):
    items, unclear = heard(name, line)
    assert items == understood and len(unclear) == 1


@cache
def _sayings(name):
    """(title, words, function, state) of what can be said of a bike with the names on its screen."""
    own = bike(name)
    known = []
    for function, seen in own.view.functions.items():
        if f"observe:{function}@{seen.condition.text}" in own.measurements and "-" not in seen.title:
            for state in seen.choices:
                ways = (state, *shipped.opened().wording.words["states"].get(state, ()))
                known += [(seen.title, way, function, state) for way in ways if _only(seen.choices, way)]
    return known


def _only(choices, way):
    """Whether of these choices only one can be said so."""
    words = shipped.opened().wording.words["states"]
    return sum(way == c or way in words.get(c, ()) for c in choices) == 1


@settings(derandomize=True, max_examples=40, deadline=None)
@given(st.data())
def test_any_mixture_of_names_and_states_is_read_back_as_it_was_put_together(data):
    """The oracle is the generator: it knows what it put into the line."""
    name = data.draw(st.sampled_from([TWIN, SINGLE]))
    known = _sayings(name)
    assert len(known) > 100
    said = data.draw(st.lists(st.sampled_from(known), min_size=1, max_size=5, unique_by=lambda s: s[2]))
    between = data.draw(st.sampled_from(["; ", ", ", "\n", " ; "]))
    line = between.join(f"{title} {way}" for title, way, _, _ in said)
    items, unclear = heard(name, data.draw(st.sampled_from([line, line.upper(), f" {line}. "])))
    assert unclear == []
    assert items == {function: state for _, _, function, state in said}


COMPLAINED = {
    "no headlight": ["headlamp_dead"],
    "headlight not working": ["headlamp_dead"],
    "blinkers dont work": ["indicators_dead"],
    "one indicator fast": ["indicators_fast"],
    "left blinker dead": ["indicators_one_side"],
    "battery keeps dying": ["battery_flat"],
    "it will not charge": ["battery_flat"],
    "won't start": ["no_start"],
    "nothing happens when I press the button": ["starter_silent"],
    "press the button and nothing": ["starter_silent"],
    "it just clicks": ["starter_clicks"],
    "turns over slow": ["starter_slow"],
    "keeps blowing fuses": ["fuse_blows"],
    "bulbs keep blowing": ["lamps_blow"],
    "everything dead": ["all_dead"],
    "key on nothing": ["all_dead"],
    "speedo blank": ["dash_dead"],
    "rear light weak": ["lamp_dim"],
    "no lights at all": ["lamp_dead"],
    "high beam wont go off": ["high_beam_always"],
    "engine wont stop": ["engine_will_not_stop"],
    "no horn and lights dim": ["horn_dead", "lights_dim"],
    "no sparks; starter clicks": ["no_spark", "starter_clicks"],
}


@pytest.mark.parametrize("name", [TWIN, SINGLE])
@pytest.mark.parametrize("said", COMPLAINED)
def test_a_complaint_is_found_by_the_riders_own_words(name, said):
    found = complaints_meant(bike(name), said, shipped.opened().wording)
    assert [near for _, near in found] == [[c] for c in COMPLAINED[said]]


@pytest.mark.parametrize(
    ("said", "among"),
    [
        ("horn", {"horn_dead", "horn_weak", "horn_always"}),
        ("headlamp", {"headlamp_dead", "lamp_dim"}),
        ("brake light", {"brake_light_never", "brake_light_always"}),
        ("no crank", {"starter_silent"}),
    ],
)
def test_a_name_alone_is_asked_back_and_nonsense_is_no_complaint(said, among):
    ((_, near),) = complaints_meant(bike(TWIN), said, shipped.opened().wording)
    assert len(near) > 1 and among <= set(near)
    for nonsense in ("banana", "it wobbles", "the weather is fine", "", "   ", "ok"):
        assert not any(near for _, near in complaints_meant(bike(TWIN), nonsense, shipped.opened().wording))


@pytest.mark.parametrize("name", [TWIN, SINGLE])
def test_every_saying_of_the_knowledge_finds_its_own_complaint(name):
    """A saying belongs to one complaint; a bike without that complaint does not have it in its list."""
    known = bike(name).view.complaints
    assert len(known) > 25
    missed = {
        (saying, complaint)
        for complaint, (title, says) in known.items()
        for saying in (complaint, title, *says)
        if [near for _, near in complaints_meant(bike(name), saying, shipped.opened().wording)]
        != [[complaint]]
    }
    assert missed == set()
