"""Complaints of faults that come and go: what brings them on, whether they are there, how they are hunted.

Which faults a trigger brings on follows from tags and places; what is expected of them here is common
practice, no source: turning the bars moves what sits on them and the wires that lead to them, and nothing at
the tail.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from shipped import loom, opened, world

from diagnose.bike.acts import STIRS
from diagnose.bike.asked import parse_measurement
from diagnose.bike.candidates import bends_with_bars
from diagnose.bike.model import Candidate, JobState, Wider
from diagnose.catalogue.read import load_library
from diagnose.catalogue.words import LOOSE_TAGS, TRIGGERS
from diagnose.conversation import names
from diagnose.conversation.step import begin, step
from diagnose.errors import KnowledgeError, UsageError
from diagnose.players import dozing
from diagnose.predictions.complaints import STEADY, by_trigger
from diagnose.wiring import BikeWorld

BARS = "cuts_out_bars"
KNOWN = {"kit": "meter", "skill": "trade", "history": {}, "others": "skipped"}


def job(**options):
    o = opened()
    return begin({**KNOWN, **options}, world(), o.rulebase, o.wording)


def answer(state, text):
    o = opened()
    return step(state, {"answer": text}, world(), o.rulebase, o.wording)


def test_what_sits_on_the_bars_or_leads_to_them_moves_with_them_and_nothing_at_the_tail_does():
    spec = loom()[0].spec
    moves = {p: bends_with_bars(spec, spec.parts[p]) for p in spec.parts}
    assert all(moves[p] for p in ("kill_switch", "kill_bar_wire", "dash_plug_feed", "in_low_wire"))
    assert not any(moves[p] for p in ("rear_ground_wire", "rear_lamp", "stator", "battery_plus_post"))
    assert 10 < sum(moves.values()) < len(moves)


def test_what_the_rider_names_brings_on_faults_with_its_tag_and_seldom_others():
    w = world()
    tagged = {f.id: set(f.tags) for c in w.candidates for f in c.faults}
    seen = 0
    for trigger, tag in TRIGGERS.items():
        chances = by_trigger(w.candidates, trigger)
        for candidate, chance in zip(w.candidates, chances, strict=True):
            if candidate.is_fault:
                tags = tagged[candidate.faults[0].id]
                fits = tag in tags if tag else bool(tags & LOOSE_TAGS)
                assert (chance == 1.0) == fits
                seen += fits
    assert seen > 300
    assert (by_trigger(w.candidates, "") == 1.0).all()


def test_a_fault_that_comes_and_goes_explains_such_a_complaint_better_than_one_that_is_always_there():
    wide = world().widened(Wider(loose=True))
    likely = wide.complaint_likelihood((BARS,))
    steady = next(i for i, c in enumerate(wide.candidates) if c.id == "kill_bar_wire.chafed=20mohm")
    twin = next(
        i
        for i, c in enumerate(wide.candidates)
        if c.faults and c.faults[0].intermittent < 1 and c.id.startswith("kill_bar_wire.chafed")
    )
    assert likely[twin] > 0.9 and likely[steady] == pytest.approx(STEADY, abs=0.02)
    plain = wide.complaint_likelihood(("no_spark",))
    assert plain[steady] > 0.9


def test_a_chafe_that_comes_and_goes_may_weld_itself_or_smoulder():
    """A short blows the fuse, one of an ohm or two dims what it robs: two suspects."""
    wide = world().widened(Wider(loose=True))
    twins = [c.faults[0] for c in wide.candidates if c.faults and c.faults[0].intermittent < 1.0]
    chafes = [f for f in twins if f.component == "kill_bar_wire" and f.mode.startswith("chafed")]
    assert sorted(f.value for f in chafes) == ["1.5ohm", "20mohm"]
    assert len({f.id for f in twins}) == len(twins) > 200
    joints = [f for f in twins if f.component == "front_ground" and f.mode.startswith("poor")]
    assert len(joints) == 1 and joints[0].value == ""


def test_a_job_asks_whether_the_fault_is_there_and_not_whether_a_switch_was_wrong():
    state, events = job(complaints=[BARS])
    assert events[-1]["question"] == "shows" and events[-1]["kind"] == "confirm"
    assert "lock to lock" in events[-1]["text"]
    assert state.wider == Wider(loose=True)
    there, events = answer(state, "yes")
    assert not there.calm and there.setting.shows == "yes" and events[-1]["measurement"]
    gone, events = answer(state, "no")
    assert gone.calm and gone.outcome == "" and events[-1]["measurement"]
    _, events = job(complaints=["no_spark"])
    assert events[-1]["question"] == "switches"


def test_such_a_complaint_named_in_words_widens_the_suspects_as_well():
    state, _ = job()
    state, events = answer(state, "engine stops on full lock")
    assert state.setting.complaints == (BARS,) and state.wider.loose
    assert events[-1]["question"] == "shows"


def test_whether_it_shows_may_be_known_beforehand_and_nonsense_is_refused():
    state, _ = job(complaints=[BARS], shows="yes")
    assert not state.calm and state.setting.shows == "yes"
    state, _ = job(complaints=[BARS], shows=False)
    assert state.calm
    with pytest.raises(UsageError, match=r"shows='perhaps' is no answer; expected yes or no"):
        job(complaints=[BARS], shows="perhaps")


def test_a_stir_with_a_meter_tells_of_faults_there_that_the_meter_sees_and_of_no_others():
    wide = world().widened(Wider(loose=True))
    mid = "wiggle:side_panel:cdi.ground:engine.metal@battery=off"
    m = wide.measurements[mid]
    assert (m.what, m.plus, m.minus, m.kit) == ("side_panel", "cdi.ground", "engine.metal", "meter")
    words = wide.table(JobState(), [mid]).columns[mid].words
    chance = {c.id: words[i, 1] for i, c in enumerate(wide.candidates)}
    assert chance["cdi_ground.off_comes_and_goes"] > 0.5
    assert chance["cdi_plug_source.backed_out_comes_and_goes"] < 0.1  # same place, another wire
    assert chance["front_ground.off_comes_and_goes"] < 0.1  # another place


def test_every_stir_and_every_other_measurement_can_be_named_in_half_a_line():
    """The list of a job about what comes and goes holds stirs that a meter watches."""
    w = world().widened(Wider(loose=True))
    planned = [w.measurements[mid] for mid in w.planned((BARS,), JobState(), "meter")]
    told = {m.id: names.in_short(w, m, opened().wording) for m in planned}
    watched = [m for m in planned if m.kind in STIRS and m.plus]
    assert len(told) > 100 and watched
    for m in watched:
        assert "meter from" in told[m.id] and names.component(w, m.what) in told[m.id]


def test_a_stir_with_half_a_meter_is_refused():
    built, _ = loom()
    with pytest.raises(
        UsageError, match=r"a meter needs two points; expected wiggle:seat:PLUS:MINUS@condition"
    ):
        parse_measurement(built, opened().library.instruments, "wiggle:seat:cdi.ground@")


def test_a_fault_that_may_be_asleep_says_whether_it_is_there():
    w = world()
    truth = next(c for c in w.candidates if c.id == "cdi_ground.off")
    rng = np.random.default_rng(1)
    assert dozing(w, truth, rng).fails()
    assert not dozing(w, truth, rng, shows=False).fails()


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("intermittent: moon", r"complaints\.yaml:\d+:\d+: .*'moon'.*expected"),
        ("intermittent: [wet]", r"complaints\.yaml:\d+"),
    ],
)
def test_an_unknown_trigger_is_refused_with_its_line(tiny_knowledge: Path, line: str, message: str) -> None:
    path = tiny_knowledge / "complaints.yaml"
    text = path.read_text(encoding="utf-8").rstrip("\n")
    indent = next(x for x in text.splitlines() if x.lstrip().startswith("title:"))
    lead = indent[: len(indent) - len(indent.lstrip())]
    path.write_text(f"{text}\n{lead}{line}\n", encoding="utf-8")
    with pytest.raises(KnowledgeError, match=message):
        load_library(tiny_knowledge)


def test_a_bike_knows_its_candidates_by_trigger_without_being_asked():
    """Every complaint that comes and goes has a fault on this bike that it fits."""
    w: BikeWorld = world()
    names = [c for c in w.spec.complaints if w.library.complaints[c].intermittent]
    assert len(names) >= 14
    for name in names:
        assert isinstance(w.candidates[0], Candidate)
        assert (w.complaint_chance(name) >= 0.5).any(), name


def test_a_reading_that_shows_a_sleeping_fault_ends_its_sleep_and_the_search_goes_on_with_tools():
    """12.4 V at the posts at 5000 rpm is a bike that does not charge (13.8 V and more: common practice)."""
    state, events = job(complaints=["charging_drops_hot"], shows="no", meter="skipped")
    assert state.calm
    sound = {"nothing_found", "sound", "no_change", "yes"}  # looks, stirs, safety questions
    for _ in range(20):
        if events[-1]["measurement"] == "volts:battery.plus:battery.minus@engine=5000,key=run":
            break
        state, events = answer(state, next((c for c in events[-1]["choices"] if c in sound), "skip"))
    else:
        raise AssertionError("charging was never read")
    awake, events = answer(state, "12.4")
    if events[-1]["event"] == "problem":  # doubted once, stood by
        awake, events = answer(awake, "12.4")
    assert not awake.calm and any("on with it while it lasts" in e.get("text", "") for e in events)
    assert events[-1]["event"] == "question" and events[-1]["kind"] not in ("observe", "inspect", "wiggle")
    well, _ = answer(state, "14.2")
    assert well.calm
