# ruff: noqa: E501 (tables of scenarios, one a line or two)
"""Readings that are more likely a slip than a fault, and those that are not doubted.

What displays show is common practice and hand meter manuals (status in knowledge/sources.yaml).
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from rule_bikes import SINGLE, TWIN, step
from shipped import opened, world

from diagnose.bike.model import JobState
from diagnose.conversation import doubt, facts, permits, sense
from diagnose.conversation.sense import Taken
from diagnose.conversation.state import Reading
from diagnose.conversation.step import begin
from diagnose.rules.base import check_fact, load_rules

RULES = load_rules([Path(__file__).parent.parent / "knowledge" / "rules"])
REST = JobState()
OL = math.inf

BATTERY = "volts:battery.plus:battery.minus@"
FEED = "volts:tail_lamp.feed:battery.minus@key=run"
FUSE_OUT = "volts:main_fuse.out:battery.minus@"
HEAD = "volts:headlamp.feed:battery.minus@key=run,lights=low"
DROP = "drop:rear_ground.a:battery.minus@key=run"
DROP_2 = "drop:frame.metal:battery.minus@key=run"
OHMS = "ohms:tail_lamp.feed:battery.minus@battery=off"
LOWEST = "lowest_volts:battery.plus:battery.minus@start=pressed"
DRAIN = "amps:battery@"
AMPS_ON = "amps:acc_fuse@key=run,out=acc_fuse"
PIN = "volts:dash.feed:battery.minus@apart=dash_plug,key=run"


def taken(
    text: str, value: float, low: float | None = None, high: float | None = None, typed: str = ""
) -> Taken:
    expected = None if low is None or high is None else (low, high)
    return Taken(step(text), value, typed or f"{value}", expected)


# what, bike, reading, earlier readings, rules that must fire, rules that must not
READINGS = [
    ("a healthy battery", SINGLE, taken(BATTERY, 12.6, 12.0, 12.9), [], set(),
     {"volts_above_sixteen_engine_off", "volts_on_ac_range", "negative_volts", "battery_reads_zero", "battery_far_too_low",
      "volts_thousandfold", "volts_thousandth"}),
    ("17 V with the engine off", SINGLE, taken(BATTERY, 17.1, 12.0, 12.9), [], {"volts_above_sixteen_engine_off"}, {"volts_on_ac_range"}),
    ("17 V with the engine running is a fault, not a slip", SINGLE, taken(BATTERY + "engine=5000", 17.1, 13.0, 14.8), [], set(),
     {"volts_above_sixteen_engine_off", "volts_on_ac_range"}),
    ("27 V with the engine off", SINGLE, taken(BATTERY, 27.0, 12.0, 12.9), [], {"volts_on_ac_range"}, {"volts_above_sixteen_engine_off", "volts_absurd"}),
    ("126 V with the engine off", SINGLE, taken(BATTERY, 126.0, 12.0, 12.9), [], {"volts_absurd"}, {"volts_on_ac_range"}),
    ("8.5 V on a 6 V bike", TWIN, taken(BATTERY, 8.5, 6.0, 6.4), [], {"volts_above_sixteen_engine_off"}, {"volts_on_ac_range"}),
    ("7 V on a 6 V bike", TWIN, taken(BATTERY, 7.0, 6.0, 6.4), [], set(), {"volts_above_sixteen_engine_off"}),
    ("17 V lost at a joint", SINGLE, taken(DROP, 17.0, 0.0, 0.2), [], {"drop_above_sixteen"}, {"negative_drop"}),
    ("350 V lost at a joint", SINGLE, taken(DROP, 350.0, 0.0, 0.5), [], {"drop_above_sixteen", "drop_thousandfold"}, {"drop_is_whole_supply"}),
    ("0.35 V lost at a joint", SINGLE, taken(DROP, 0.35, 0.0, 0.2), [], set(),
     {"drop_above_sixteen", "drop_thousandfold", "drop_is_whole_supply", "negative_drop"}),
    ("a fuse with more than the battery read", SINGLE, taken(FUSE_OUT, 12.3, 10.0, 12.9), [taken(BATTERY, 10.6, 12.0, 12.9)],
     {"more_than_the_battery"}, {"drop_above_sixteen", "volts_absurd"}),
    ("a drop of more than the battery read", SINGLE, taken(DROP, 11.2, 0.0, 12.9), [taken(BATTERY, 10.6, 12.0, 12.9)], {"more_than_the_battery"}, set()),
    ("a last digit more than the battery read", SINGLE, taken(FUSE_OUT, 12.7, 12.0, 12.9), [taken(BATTERY, 12.6, 12.0, 12.9)], set(), {"more_than_the_battery"}),
    ("more than the battery under its lamps", SINGLE, taken(FUSE_OUT, 12.6, 12.0, 12.9),
     [taken("volts:battery.plus:battery.minus@key=run,lights=low", 11.8, 11.0, 12.9)], set(), {"more_than_the_battery"}),
    ("more than a battery reading that was stood by", SINGLE, taken(FUSE_OUT, 12.3, 10.0, 12.9),
     [replace(taken(BATTERY, 0.02, 12.0, 12.9), insisted=True)], set(), {"more_than_the_battery"}),
    ("more than the battery read before it was charged", SINGLE, taken(FUSE_OUT, 12.3, 10.0, 12.9),
     [replace(taken(BATTERY, 10.6, 12.0, 12.9), since=False)], set(), {"more_than_the_battery"}),
    ("the battery read again", SINGLE, taken(BATTERY, 12.6, 10.0, 12.9), [taken(BATTERY, 10.6, 12.0, 12.9)], set(), {"more_than_the_battery"}),
    ("lowest volts of 17", SINGLE, taken(LOWEST, 17.0, 8.0, 11.0), [], {"lowest_volts_above_sixteen"}, {"lowest_volts_too_high"}),
    ("lowest volts of 9.8", SINGLE, taken(LOWEST, 9.8, 8.0, 11.0), [], set(),
     {"lowest_volts_above_sixteen", "lowest_volts_zero", "lowest_volts_too_high", "negative_lowest_volts"}),
    ("lowest volts of 12.5: it hardly fell", SINGLE, taken(LOWEST, 12.5, 8.0, 11.0), [], {"lowest_volts_too_high"}, {"lowest_volts_zero"}),
    ("lowest volts of zero", SINGLE, taken(LOWEST, 0.0, 8.0, 11.0), [], {"lowest_volts_zero"}, {"lowest_volts_too_high"}),
    ("lowest volts with a minus", SINGLE, taken(LOWEST, -9.8, 8.0, 11.0), [], {"negative_lowest_volts"}, {"lowest_volts_zero"}),
    ("minus volts", SINGLE, taken(BATTERY, -12.6, 12.0, 12.9), [], {"negative_volts"}, {"battery_reads_zero"}),
    ("minus volts that are expected, plus on the frame", SINGLE, taken(FEED, -12.4, -12.8, -12.0), [], set(), {"negative_volts"}),
    ("-0.01 V is noise of the display", SINGLE, taken(DROP, -0.01, 0.0, 0.2), [], set(), {"negative_drop"}),
    ("-0.4 V of drop", SINGLE, taken(DROP, -0.4, 0.0, 0.2), [], {"negative_drop"}, set()),
    ("minus amps in the battery lead", SINGLE, taken(DRAIN, -0.3, 0.0, 0.5), [], {"negative_amps"}, {"amps_over_range", "amps_zero_with_load"}),
    ("plus amps in the battery lead", SINGLE, taken(DRAIN, 0.3, 0.0, 0.1), [], set(), {"negative_amps"}),
    ("3 ohm", SINGLE, taken(OHMS, 3.0, 0.0, 10.0), [], set(), {"ohms_thousandth", "ohms_thousandfold"}),
    ("0.00 at the posts", SINGLE, taken(BATTERY, 0.0, 11.0, 12.9), [], {"battery_reads_zero"}, {"negative_volts"}),
    ("0.00 at a lamp", SINGLE, taken(FEED, 0.0, 11.0, 12.9), [], set(), {"battery_reads_zero"}),
    ("0.00 at the posts when a suspect gives that", SINGLE, taken(BATTERY, 0.0, -0.1, 12.9), [], set(), {"battery_reads_zero"}),
    ("0.0126 V at the posts", SINGLE, taken(BATTERY, 0.0126, 11.0, 12.9), [], {"battery_far_too_low"}, {"volts_thousandth"}),
    ("0.012 V at a lamp", SINGLE, taken(FEED, 0.012, 10.0, 12.9), [], {"volts_thousandth"}, {"battery_far_too_low", "volts_thousandfold"}),
    ("500 V at a pin that should have half a volt", SINGLE, taken(FEED, 500.0, 0.1, 0.8), [], {"volts_thousandfold"}, {"volts_thousandth"}),
    ("5 ohm where 5 k is due", SINGLE, taken(OHMS, 5.1, 4500.0, 5500.0), [], {"ohms_thousandth"}, {"ohms_thousandfold"}),
    ("4000 ohm where 4 is due", SINGLE, taken(OHMS, 4000.0, 3.0, 5.0), [], {"ohms_thousandfold"}, {"ohms_thousandth"}),
    ("a lone 1 on diode", SINGLE, taken("diode:regulator.phase:regulator.plus@battery=off", 1.0, 0.4, 0.7, typed=" 1 "), [], {"diode_lone_one"}, {"negative_volts"}),
    ("0.55 V on diode", SINGLE, taken("diode:regulator.phase:regulator.plus@battery=off", 0.55, 0.4, 0.7), [], set(), {"diode_lone_one"}),
    ("12.4 V lost at a joint", SINGLE, taken(DROP, 12.4, 0.0, 0.5), [], {"drop_is_whole_supply"}, {"drop_above_sixteen"}),
    ("12.4 V lost where a break is suspected", SINGLE, taken(DROP, 12.4, 0.0, 12.6), [], set(), {"drop_is_whole_supply"}),
    ("0.00 A with the key on", SINGLE, taken(AMPS_ON, 0.0, 1.0, 6.0), [], {"amps_zero_with_load"}, {"amps_over_range"}),
    ("0.00 A with everything off", SINGLE, taken(DRAIN, 0.0, 0.001, 0.01), [], set(), {"amps_zero_with_load"}),
    ("300 A on the jack", SINGLE, taken(AMPS_ON, 300.0, 1.0, 6.0), [], {"amps_over_range"}, {"amps_zero_with_load"}),
    ("zero for the third time from one black point", SINGLE, taken(HEAD, 0.0, 11.0, 12.6),
     [taken(FUSE_OUT, 0.0, 12.0, 12.9), taken(FEED, 0.0, 11.0, 12.6)], {"zero_everywhere"}, {"all_volts_high"}),
    ("zero for the second time", SINGLE, taken(HEAD, 0.0, 11.0, 12.6), [taken(FEED, 0.0, 11.0, 12.6)], set(), {"zero_everywhere"}),
    ("zero again where a suspect gives zero", SINGLE, taken(HEAD, 0.0, -0.1, 12.6),
     [taken(FUSE_OUT, 0.0, 12.0, 12.9), taken(FEED, 0.0, 11.0, 12.6)], set(), {"zero_everywhere"}),
    ("zero again, explained only by a zero that was stood by", SINGLE, taken(HEAD, 0.0, -0.1, 12.6),
     [taken(FUSE_OUT, 0.0, 12.0, 12.9), replace(taken(FEED, 0.0, 11.0, 12.6), insisted=True)], {"zero_everywhere"}, set()),
    ("all a little high", SINGLE, taken(HEAD, 13.6, 11.0, 12.6),
     [taken(FUSE_OUT, 13.9, 12.0, 12.9), taken(FEED, 13.7, 11.0, 12.6)], {"all_volts_high"}, {"zero_everywhere"}),
    ("one a little high", SINGLE, taken(HEAD, 13.6, 11.0, 12.6),
     [taken(FUSE_OUT, 12.6, 12.0, 12.9), taken(FEED, 12.4, 11.0, 12.6)], set(), {"all_volts_high"}),
]  # fmt: skip


@pytest.mark.parametrize(
    ("what", "bike", "reading", "earlier", "fires", "silent"), READINGS, ids=[r[0] for r in READINGS]
)
def test_readings_are_doubted_by_these_rules_and_not_by_those(what, bike, reading, earlier, fires, silent):
    found = {f.rule for f in permits.doubts_of(RULES, bike, reading, REST, earlier)}
    assert fires <= found
    assert not silent & found
    if not fires:
        assert found == set()


def test_every_doubt_is_seen_firing_and_seen_silent():
    ours = {r.id for r in RULES.rules if r.conclusion == "doubt"}
    assert len(ours) >= 24
    assert ours - set().union(*(r[4] for r in READINGS)) == set()
    assert ours - set().union(*(r[5] for r in READINGS)) == set()


@pytest.mark.parametrize(
    ("reading", "word"),
    [
        (taken(FEED, 12.0, 11.0, 12.6), "ok"),
        (taken(FEED, 12.0), "ok"),
        (taken(FEED, 9.0, 11.0, 12.6), "low"),
        (taken(FEED, 13.0, 11.0, 12.6), "high"),
        (taken(FEED, 17.0), "over_range"),
        (taken(FEED, OL), "over_range"),
        (taken(FEED, -3.0), "negative"),
        (taken(FEED, 0.004), "zero"),
        (taken(OHMS, OL, 0.0, 10.0, "OL"), "no_path"),
        (taken(OHMS, OL, 0.0, OL, "OL"), "ok"),
        (taken(OHMS, 0.0), "zero"),
        (taken(OHMS, 1.0, typed="1"), "lone_one"),
        (taken(DROP, 11.0), "full_supply"),
        (taken(AMPS_ON, 12.0), "over_range"),
        (taken("ac_volts:source_coil.a:engine.metal@engine=cranking", 120.0), "ok"),
    ],
)
def test_numbers_are_judged_before_the_rules_see_them(reading, word):
    assert sense.verdict(reading, 12.0, facts.engine_word(reading.measurement.condition.engine)) == word


def test_a_running_engine_may_give_more_volts_than_a_battery():
    assert sense.verdict(taken(BATTERY + "engine=5000", 17.0), 12.0, "running") == "ok"
    assert sense.verdict(taken(BATTERY + "engine=5000", 23.0), 12.0, "running") == "over_range"


@pytest.mark.parametrize(
    ("value", "low", "high", "word"),
    [
        (12.0, 11.0, 13.0, "fits"),
        (14.0, 11.0, 13.0, "fits"),  # odd, but not by a thousand
        (12_000.0, 11.0, 13.0, "thousandfold"),
        (0.012, 11.0, 13.0, "thousandth"),
        (0.0, 11.0, 13.0, "fits"),
        (OL, 11.0, 13.0, "fits"),
        (5.0, 4000.0, OL, "fits"),
    ],
)
def test_a_factor_of_a_thousand_is_noticed_where_it_would_fit(value, low, high, word):
    assert sense.scale(taken(OHMS, value, low, high)) == word


def test_every_fact_made_from_a_reading_is_in_the_vocabulary():
    patterns = set()
    for _, bike, reading, earlier, _, _ in READINGS:
        for fact in sense.reading_facts(facts.survey(bike), reading, REST, earlier):
            check_fact(fact)
            patterns.add(fact.get("pattern"))
    assert patterns == {None, "all_zero", "all_high", "mixed"}


def test_readings_of_another_instrument_end_a_series():
    around = facts.survey(SINGLE)
    earlier = [taken(FUSE_OUT, 0.0, 12.0, 12.9), taken(OHMS, 3.0, 0.0, 10.0), taken(FEED, 0.0, 11.0, 12.6)]
    _, series = sense.reading_facts(around, taken(HEAD, 0.0, 11.0, 12.6), REST, earlier)
    assert (series["pattern"], series["count"]) == ("all_zero", 2)


def test_a_battery_that_was_charged_by_the_engine_meanwhile_may_have_shown_less() -> None:
    """Common practice, no source: after a run of the engine the battery holds a surface charge."""
    o, w = opened(), world()
    at, fuse = "volts:battery.plus:battery.minus@", w.measurements["volts:main_fuse.out:battery.minus@"]
    running = "volts:battery.plus:battery.minus@engine=5000,key=run"
    known = {"kit": "meter", "skill": "trade", "history": {}, "others": "skipped", "switches": "yes"}
    state, _ = begin({**known, "complaints": ["battery_flat"]}, w, o.rulebase, o.wording)
    before, after = (Reading(mid, value, f"{value} V", REST) for mid, value in ((at, 12.1), (running, 14.1)))
    for readings, slip in (((before,), "more_than_the_battery"), ((before, after), None)):
        found = doubt.doubt(
            w, o.rulebase, replace(state, evidence=readings), fuse, 12.7, "12.7 V", "", o.wording
        )
        assert (found and found.slip) == slip
