# ruff: noqa: E501 (tables of cases are easier to check on one line)
"""Whole jobs over a small world: from complaint to proved repair, with everything a user can say."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from fake_world import (
    CANDIDATES,
    DROP_GROUND,
    FAULTS,
    HEAR_HORN,
    KNOWN,
    LAMP_FEED,
    LOOK_FUSE,
    OHMS_LAMP,
    SEE_LAMP,
    VOLTS_FEED,
    VOLTS_FUSE,
    VOLTS_IDLE,
    VOLTS_LAMP,
    VOLTS_POST,
    VOLTS_REST,
    bench,
    play,
    true_answer,
)

from diagnose.beliefs.posterior import marginal
from diagnose.catalogue.differences import Difference
from diagnose.conversation import evidence
from diagnose.conversation.evidence import chances
from diagnose.conversation.planning import adds, options
from diagnose.conversation.step import begin, fold, step
from diagnose.errors import RuleError, UsageError

TOOLS = bench()
WORLD = TOOLS[0]
CAUSES = [
    ("lamp_ground.open", "lamp_dead"),
    ("lamp_ground.resistance=3ohm", "lamp_dim"),
    ("lamp.open", "lamp_dead"),
    ("lamp_feed.open", "lamp_dead"),
    ("main_fuse.blown", "all_dead"),
    ("battery.flat", "lamp_dim"),
    ("horn.seized", "horn_dead"),
]


def start(**options):
    return begin({**KNOWN, "complaints": ["lamp_dead"], **options}, *TOOLS)


def say(state, *messages):
    events = ()
    for message in messages:
        state, events = step(state, message, *TOOLS)
    return state, events


def take(state, measurement, answer):
    return say(state, {"take": measurement}, {"answer": answer})


def names(events):
    return [e["event"] for e in events]


def chance(state, candidate):
    return marginal(state.belief)[CANDIDATES.index(candidate)]


def same(a, b):
    """Equal but for the log and the arrays of the belief, which must be equal in value."""
    assert np.array_equal(marginal(a.belief), marginal(b.belief))
    return replace(a, log=(), belief=None, before=None) == replace(b, log=(), belief=None, before=None)


# --- whole jobs --------------------------------------------------------------------------------


@pytest.mark.parametrize("skill", ["beginner", "trade"])
@pytest.mark.parametrize("kit", ["lamp", "meter", "workshop"])
@pytest.mark.parametrize(("fault", "complaint"), CAUSES)
def test_every_fault_is_found_repaired_and_proved(fault, complaint, kit, skill):
    """The bench answers as Ohm's law says; the right repair ends the job, with the fault as its cause."""
    state, events = start(complaints=[complaint], kit=kit, skill=skill)
    state, told = play(state, events, fault, TOOLS)
    closed = told[-1]
    assert (closed["event"], closed["outcome"]) == ("closed", "repaired")
    assert fault in closed["causes"]
    assert state.proof, "a repair is proved by a reading"
    questions = [e for e in told if e["event"] == "question"]
    assert questions[-1]["question"] == "exit_check"
    assert len([q for q in questions if q["measurement"]]) <= 9


def test_with_bare_hands_the_fuse_is_found():
    state, events = start(complaints=["all_dead"], kit="hands")
    state, told = play(state, events, "main_fuse.blown", TOOLS)
    assert told[-1]["causes"] == ["main_fuse.blown"]


def test_a_fault_that_is_not_electrical_ends_in_a_stop_that_says_what_to_do():
    state, events = start(complaints=["lamp_dim"])
    state, told = play(state, events, "headlamp.aim", TOOLS)
    advice, closed = told[-2:]
    assert (advice["event"], advice["sort"], advice["repair"]) == ("advice", "stop", "headlamp.set_aim")
    assert "set the aim at a wall" in advice["text"]
    assert (closed["outcome"], closed["causes"]) == ("stopped", ["headlamp.aim"])


def test_a_sound_bike_ends_with_nothing_found_and_no_repair():
    state, events = start(complaints=["lamp_dead"])
    state, told = play(state, events, "no_fault", TOOLS)
    assert [e["sort"] for e in told if e["event"] == "advice"] == ["stop"]
    assert told[-2]["candidates"] == ["no_fault"] and "Nothing found" in told[-2]["text"]
    assert told[-1]["outcome"] == "stopped"


def test_readings_that_nothing_explains_end_in_an_honest_stop():
    """Every voltmeter shows 6 V and everything half works: no single fault of the bench does that."""
    state, events = start(complaints=["lamp_dim"], kit="meter")
    told = list(events)
    for _ in range(30):
        if state.phase == "closed":
            break
        asked = state.open
        if asked.sort == "advice":
            message = {"done": asked.id, "works": "no"}
        elif asked.event["unit"]:
            message = {"answer": "6 V" if asked.event["unit"] == "V" else "47 ohm", "sure": True}
        elif asked.sort == "still_there":
            message = {"answer": "yes"}
        else:
            message = {"answer": asked.choices[1] if asked.choices else "skip", "sure": True}
        state, events = step(state, message, *TOOLS)
        told += events
    assert told[-1]["outcome"] == "stopped"
    assert told[-2]["candidates"] == ["unmodelled"]
    assert "What fits least: " in told[-2]["text"] and " V" in told[-2]["text"]


def test_what_cannot_be_told_apart_further_is_said_with_what_would_tell():
    """Bare hands, nothing reachable: several suspects are left, and a meter would go on."""
    state, _ = start(kit="hands", complaints=["lamp_dim"])
    for _ in range(20):
        if state.phase == "closed":
            break
        state, events = say(state, {"answer": "skip"})
    advice, closed = events[-2:]
    assert advice["sort"] == "stop" and closed["outcome"] == "stopped"
    assert "cannot tell these apart" in advice["text"] and "This would tell: " in advice["text"]
    assert set(closed["causes"]) >= {"battery.flat", "lamp_ground.resistance=3ohm"}


# --- intake ------------------------------------------------------------------------------------


def test_the_first_useful_step_comes_within_five_answers():
    state, (first,) = begin({}, *TOOLS)
    asked = [first["question"]]
    for answer in ("no headlight", "meter", "beginner", "none"):
        state, (*_, event) = say(state, {"answer": answer})
        asked.append(event["question"])
    # complaint, kit, skill, history: the fifth is already something to do on the bike
    assert asked == ["complaint", "kit", "skill", "history", "switches"]


def test_what_is_given_is_not_asked():
    _, (first,) = begin({"complaints": ["horn_dead"], "kit": "lamp", "skill": "trade"}, *TOOLS)
    assert first["question"] == "history"
    _, (first,) = start()
    assert first["measurement"]


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"complaints": ["lamp_daed"]}, "unknown complaint 'lamp_daed'; try lamp_dead"),
        ({"kit": "metre"}, "unknown kit 'metre'; try meter"),
        ({"skill": "expert"}, "unknown skill 'expert'"),
        ({"history": {"wett": True}}, "unknown history fact 'wett'; try wet"),
    ],
)
def test_unknown_options_are_refused_with_near_misses(options, text):
    with pytest.raises(UsageError, match=text):
        begin(options, *TOOLS)


def test_a_complaint_in_the_riders_own_words_is_understood_or_asked_back():
    state, _ = begin({}, *TOOLS)
    told, (taken, seen, event) = say(state, {"answer": "horn is silent and weak headlight"})
    assert told.setting.complaints == ("horn_dead", "lamp_dim") and event["question"] == "kit"
    assert taken["text"] == "Taken as: the horn is dead; the headlamp is dim."
    # which lamp it is, the complaint does not say: the words do
    assert [(i["measurement"], i["answer"]) for i in seen["understood"]] == [
        (HEAR_HORN, "dead"),
        (SEE_LAMP, "weak"),
    ]
    assert {r.measurement for r in told.readings} == {HEAR_HORN, SEE_LAMP}
    one, _ = say(state, {"answer": "weak headlight, horn works"})
    assert one.setting.complaints == ("lamp_dim",)
    assert [(r.measurement, r.value) for r in one.readings] == [(SEE_LAMP, "weak"), (HEAR_HORN, "works")]
    # a reading complains of nothing, and its comma is a decimal one
    three, _ = say(state, {"answer": "weak headlight, horn works, batt 12,6"})
    assert three.setting.complaints == ("lamp_dim",)
    assert [r.value for r in three.readings] == ["weak", "works", 12.6]
    # in the list's own words nothing needs to be said back
    assert [e["event"] for e in say(state, {"answer": "lamp_dim"})[1]] == ["question"]
    same_state, (event,) = say(state, {"answer": "it smells"})
    assert same_state is state
    assert (
        "'it smells' is no complaint that this bike knows; expected a number of the list" in event["message"]
    )
    _, (event,) = say(state, {"answer": "works"})
    assert "'works' is no complaint that this bike knows" in event["message"]


def test_history_weighs_the_suspects_it_speaks_of():
    state, _ = begin(
        {"complaints": ["lamp_dead"], "kit": "hands", "skill": "trade", "switches": 1, "others": 1}, *TOOLS
    )
    dry, _ = say(state, {"answer": "none"})
    wet, _ = say(state, {"answer": "wet"})
    assert wet.setting.history == (("stood", False), ("wet", True))
    assert chance(wet, "lamp_ground.open") > 1.5 * chance(dry, "lamp_ground.open")
    _, (event,) = say(state, {"answer": "a comet"})
    assert "Has it stood for months?; or none" in event["message"]  # as it stands on the screen, not as an id


def test_a_switch_that_was_set_wrong_ends_the_job_without_a_repair():
    state, (event,) = begin({**KNOWN, "complaints": ["lamp_dead"], "switches": ""}, *TOOLS)
    assert (event["question"], event["kind"]) == ("switches", "confirm")
    assert "key switch" in event["text"]
    _, (problem,) = say(state, {"answer": "maybe"})
    assert "expected yes (still the same) or no (it works now)" in problem["message"]
    state, events = say(state, {"answer": "no"})
    assert names(events) == ["advice", "closed"] and events[-1]["outcome"] == "stopped"
    assert "It works now that the switches are set" in events[0]["text"]


def test_the_meter_and_its_black_lead_are_proved_first_and_the_reading_counts():
    state, (event,) = begin({**KNOWN, "complaints": ["lamp_dim"], "meter": ""}, *TOOLS)
    assert event["measurement"] == VOLTS_REST
    assert "Leads shorted" in event["text"]
    state, _ = say(state, {"answer": "10.8 V"})
    assert state.setting.meter == "proved"
    assert chance(state, "battery.flat") > 0.8


def test_the_battery_in_the_line_of_other_functions_proves_the_meter_too():
    state, (event,) = begin({**KNOWN, "complaints": ["lamp_dead"], "others": "", "meter": ""}, *TOOLS)
    assert event["question"] == "others"
    state, events = say(state, {"answer": "horn ok, batt 12,6"})
    assert names(events) == ["noted", "question"]
    assert [i["words"] for i in events[0]["understood"]] == [
        "horn (horn button pressed and held, key switch ON): works",
        "battery volts: 12.6 V",
    ]
    assert events[1]["measurement"] not in (VOLTS_REST, HEAR_HORN)


def test_every_intake_question_can_be_skipped_but_the_complaint():
    state, (event,) = begin({}, *TOOLS)
    same_state, _ = say(state, {"answer": "skip"})
    assert same_state is state and not event["skippable"]
    state, (event,) = say(state, {"answer": "lamp_dead"})
    asked = []
    while event["measurement"] is None:
        asked.append(event["question"])
        state, (event,) = say(state, {"answer": "skip"})
    assert asked == ["kit", "skill", "history", "switches", "others"]
    assert (state.setting.kit, state.setting.skill, state.setting.history) == ("hands", "beginner", ())


# --- questions ---------------------------------------------------------------------------------


def test_a_question_says_everything_that_the_protocol_promises():
    state, _ = start()
    _, (event,) = say(state, {"take": DROP_GROUND})
    assert set(event) >= {
        "event", "step", "measurement", "kind", "text", "points", "condition", "unit", "choices", "skippable",
        "minutes", "helper", "cautions", "expected", "why",
    }  # fmt: skip
    assert event["points"] == {"plus": "lamp.ground", "minus": "battery.minus"}
    assert (event["condition"], event["unit"], event["kind"]) == ("key=run", "V", "drop")
    assert "brown wire" in event["text"] and "Key switch: ON" in event["text"]
    # the healthy ground drops 0.10 V, two standard deviations of 0.08 V either side (never below zero)
    assert event["expected"]["healthy"] == {"low": 0.0, "high": 0.26, "reading": "0 to 0.26 V"}
    assert len(event["expected"]["suspects"]) == 3
    filament = next(s for s in event["expected"]["suspects"] if s["candidate"] == "lamp.open")
    assert (filament["low"], filament["high"], filament["component"]) == (0.0, 0.16, "lamp")
    assert "12.6 V points to headlamp ground: ground joint off" in event["why"]


def test_expected_volts_follow_the_battery_as_it_is_now():
    state, _ = start(complaints=["horn_dead"])
    low, _ = take(state, VOLTS_REST, "12.3 V")
    _, (event,) = say(low, {"take": VOLTS_POST})
    healthy = event["expected"]["healthy"]
    # 12.50 V from a 12.6 V battery becomes about 12.2 V from one at rest at 12.3 V
    assert healthy["low"] < 12.23 < healthy["high"] < 12.5


def test_a_beginner_is_told_one_action_a_line_and_the_dial_before_the_tips():
    state, _ = start(skill="beginner")
    _, (event,) = say(state, {"take": VOLTS_FUSE})
    lines = event["text"].split("\n")
    dial = next(i for i, line in enumerate(lines) if "dial to V with the straight line" in line)
    black = next(i for i, line in enumerate(lines) if line == "Black tip: minus post of the battery.")
    red = next(
        i for i, line in enumerate(lines) if line.startswith("Red tip: main fuse, the end towards the key")
    )
    assert dial < black < red < len(lines) - 1
    assert lines[-1] == "What number does the display show?"
    assert event["setting"].endswith("range 20 V")


def test_the_range_of_the_dial_holds_every_suspects_reading():
    state, _ = start()
    _, (event,) = say(state, {"take": OHMS_LAMP})
    assert event["setting"] == "ohms, 200"


def test_a_place_is_opened_once_and_what_was_taken_apart_is_put_back_in_words():
    state, _ = start(skill="beginner")
    state, (event,) = say(state, {"take": OHMS_LAMP})
    assert "Open this place first: inside the headlamp." in event["text"]
    assert "Undo the battery lead" in event["text"] and "headlamp plug" in event["text"]
    state, _ = say(state, {"answer": "0.5"})
    state, (event,) = say(state, {"take": VOLTS_LAMP})
    assert "Open this place" not in event["text"]
    assert event["text"].startswith("Push this plug together again until it clicks: headlamp plug.")
    assert "Fasten the battery lead again" in event["text"]


def test_minutes_are_a_beginners_own():
    _, (trade,) = say(start()[0], {"take": SEE_LAMP})
    _, (beginner,) = say(start(skill="beginner")[0], {"take": SEE_LAMP})
    assert trade["minutes"]["hands"] == 0.5
    assert beginner["minutes"]["hands"] == pytest.approx(0.5 * 2.2)


def test_nothing_is_asked_that_the_kit_cannot_do():
    for kit in ("hands", "lamp"):
        state, events = start(kit=kit)
        state, told = play(state, events, "lamp_feed.open", TOOLS)
        kinds = {e["kind"] for e in told if e["event"] == "question"}
        assert kinds <= {"observe", "inspect", "confirm", *(["lamp"] if kit == "lamp" else [])}


def test_an_engine_that_must_stay_off_and_a_missing_helper_close_steps():
    state, _ = start(engine_may_run=False)
    _, (event,) = say(state, {"take": VOLTS_IDLE})
    assert "cannot be taken now; expected a running engine, which is not possible here" in event["message"]
    state, events = say(state, {"differs": {"engine": "may run"}})
    assert names(events)[0] == "noted" and state.setting.engine_may_run
    _, (event,) = say(state, {"take": VOLTS_IDLE})
    assert event["event"] == "question"


# --- answers -----------------------------------------------------------------------------------


def test_a_reading_moves_the_belief_as_bayes_says():
    """Two suspects of equal chance, a reading that only one predicts: the odds move by the likelihoods."""
    state, _ = start()
    before = chance(state, "lamp.open") / chance(state, "lamp_feed.open")
    state, _ = take(state, VOLTS_FEED, "12.6 V")
    after = chance(state, "lamp.open") / chance(state, "lamp_feed.open")
    assert after > 100 * before


@pytest.mark.parametrize("answer", ["skip", "do_not_know", "cannot reach", "don't know"])
def test_no_reading_changes_no_belief_and_is_not_asked_again(answer):
    state, _ = start()
    state, _ = say(state, {"take": VOLTS_FEED})
    after, events = say(state, {"answer": answer})
    assert np.array_equal(marginal(after.belief), marginal(state.belief))
    assert VOLTS_FEED in after.refused
    _, told = play(after, events, "lamp.open", TOOLS)
    assert VOLTS_FEED not in [e.get("measurement") for e in told]


def test_a_point_that_cannot_be_reached_closes_every_reading_there_but_not_the_battery():
    state, _ = start()
    state, _ = say(state, {"take": VOLTS_LAMP}, {"answer": "cannot_reach"})
    assert {"lamp.feed", "lamp.ground"} <= state.refused
    assert "battery.minus" not in state.refused
    _, told = play(state, (), "lamp.open", TOOLS)
    assert not {VOLTS_FEED, DROP_GROUND} & {e.get("measurement") for e in told}


@pytest.mark.parametrize(
    ("measurement", "answer", "text"),
    [
        (VOLTS_FEED, "twelve", "expected a voltage such as '12.6 V'"),
        (VOLTS_FEED, "12.6 ohm", "is a resistance"),
        (SEE_LAMP, "purple", "expected one of works, weak, very weak, dead"),
        (LAMP_FEED, "no", "leaves open how it is; expected which of half, dim, dark"),
        (SEE_LAMP, "gone fishing", "expected one of"),
    ],
)
def test_an_answer_that_is_none_is_asked_again(measurement, answer, text):
    state, _ = say(start()[0], {"take": measurement})
    after, (event,) = say(state, {"answer": answer})
    assert after is state
    assert event["event"] == "problem" and event["doubt"] is None and text in event["message"]


@pytest.mark.parametrize(
    ("answer", "value"), [("very weak", "very_weak"), ("dim", "weak"), ("yes", "works"), ("deadd", "dead")]
)
def test_words_are_taken_in_other_spellings(answer, value):
    state, _ = say(start()[0], {"take": SEE_LAMP}, {"answer": answer, "sure": True})
    assert state.readings[-1].value == value


def test_a_word_near_another_is_not_taken_for_it():
    state, _ = say(start()[0], {"take": SEE_LAMP})
    after, (event,) = say(state, {"answer": "done"})
    assert after is state and event["event"] == "problem"


def test_a_number_may_come_as_a_number():
    state, _ = say(start()[0], {"take": VOLTS_FEED}, {"answer": 12.6})
    assert state.readings[-1].value == 12.6


def test_a_reading_taken_again_confirms_the_first_or_takes_its_place():
    state, _ = take(start()[0], VOLTS_REST, "12.6 V")
    agreed, _ = take(state, VOLTS_REST, "12.55 V")
    assert [(r.value, r.repeats) for r in agreed.readings] == [(12.6, False), (12.55, True)]
    assert np.array_equal(marginal(agreed.belief), marginal(state.belief))
    changed, _ = say(state, {"take": VOLTS_REST}, {"answer": "10.8 V", "sure": True})
    assert [r.value for r in changed.readings] == [10.8]
    alone, _ = say(start()[0], {"take": VOLTS_REST}, {"answer": "10.8 V", "sure": True})
    assert np.allclose(marginal(changed.belief), marginal(alone.belief))


# --- doubt -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("measurement", "answer"),
    [
        (VOLTS_FUSE, "-12.5 V"),  # leads swapped
        (OHMS_LAMP, "1"),  # the lone 1 of a meter over range
        (VOLTS_REST, "0.0126 V"),  # mV for V
        (VOLTS_REST, "0"),  # nothing arrives
        (VOLTS_FUSE, "6.3"),  # fits nobody
        (VOLTS_REST, "20.4"),  # an AC range on DC
    ],
)
def test_a_reading_without_sense_is_doubted_and_the_same_again_is_accepted(measurement, answer):
    state, _ = say(start()[0], {"take": measurement})
    doubted, (event,) = say(state, {"answer": answer})
    assert event["event"] == "problem"
    assert event["doubt"]["slip"] and event["doubt"]["text"] == event["message"]
    assert "type the same once more" in event["message"]
    assert doubted.open.id == measurement and doubted.log == state.log
    insisted, _ = say(doubted, {"answer": answer})
    assert insisted.readings[-1].doubtful
    at_once, _ = say(state, {"answer": answer, "sure": True})
    assert same(insisted, at_once)
    assert insisted.log[-1] == at_once.log[-1] == {"answer": answer, "sure": True, "question": measurement}


def test_another_answer_after_a_doubt_is_judged_by_itself():
    state, _ = say(start()[0], {"take": VOLTS_REST}, {"answer": "0"})
    assert state.doubted
    state, events = say(state, {"answer": "12.6"})
    assert state.doubted is None and not state.readings[-1].doubtful
    assert names(events)[-1] in ("question", "advice")


def test_a_reading_that_some_suspect_explains_is_not_doubted():
    for fault, complaint in CAUSES:
        for measurement in (VOLTS_REST, VOLTS_FUSE, VOLTS_FEED, DROP_GROUND, VOLTS_LAMP, OHMS_LAMP):
            state, _ = say(start(complaints=[complaint])[0], {"take": measurement})
            after, _ = say(state, {"answer": true_answer(measurement, fault)})
            assert after.readings and not after.readings[-1].doubtful, (fault, measurement)


def test_a_word_that_no_suspect_explains_is_doubted():
    state, _ = say(start()[0], {"take": VOLTS_FUSE}, {"answer": "12.6"}, {"take": LOOK_FUSE})
    doubted, (event,) = say(state, {"answer": "damaged"})
    if event["event"] == "problem":
        assert "surprises me: damaged, where I expected sound" in event["message"]
    assert chance(doubted, "main_fuse.blown") < 0.2


# --- repairs, proof, exit check ----------------------------------------------------------------


def advised(fault="lamp.open", complaint="lamp_dead"):
    state, events = start(complaints=[complaint])
    while state.open.sort != "advice":
        state, events = say(state, {"answer": true_answer(state.open.measurement, fault)})
    return state, events[-1]


def test_advice_says_what_how_sure_how_long_and_what_proves_it():
    _, advice = advised("main_fuse.blown", "all_dead")
    assert (advice["sort"], advice["repair"]) == ("try", "main_fuse.renew")
    assert advice["minutes"] <= 10 and advice["verify"] == SEE_LAMP
    assert advice["candidates"][0] == "main_fuse.blown" and advice["probability"] > 0.8
    assert "Never a bigger one." in advice["text"]
    assert advice["get_home"].startswith("Swap with the spare in the holder.")
    assert any(r["sort"] == "root_cause" for r in advice["rules"])


def test_work_of_more_than_ten_minutes_is_no_try():
    """Cleaning the ground takes 4 min of work, but 8 to open and close the headlamp and 1 to look."""
    state, _ = start()
    state, _ = take(state, VOLTS_REST, "12.6 V")
    from diagnose.conversation import planning

    repair = WORLD.repairs["lamp_ground.clean"]
    assert repair.sort == "try"
    assert planning.repair_minutes(WORLD, state, repair) == pytest.approx(13.0)
    assert planning.sort_now(WORLD, state, repair.id) == "repair"
    opened, _ = take(state, DROP_GROUND, "12.6 V")
    assert planning.sort_now(WORLD, opened, repair.id) == "try"


def test_a_repair_that_did_not_help_clears_its_candidates():
    state, advice = advised()
    before = chance(state, "lamp.open")
    state, _ = say(state, {"done": advice["repair"], "works": "no"})
    assert before > 0.5 and chance(state, "lamp.open") < 0.2
    assert state.paid.repairs_done == {advice["repair"]}
    _, told = play(state, (), "lamp_feed.open", TOOLS)
    assert advice["repair"] not in [e.get("repair") for e in told if e["event"] == "advice"]


def test_a_repair_that_helped_is_proved_and_then_everything_is_tried_once():
    state, advice = advised()
    state, (proof,) = say(state, {"done": advice["repair"], "works": "yes"})
    assert proof["measurement"] == advice["verify"]
    state, (exit_check,) = say(state, {"answer": "works"})
    assert exit_check["question"] == "exit_check" and exit_check["kind"] == "confirm"
    assert "headlamp" in exit_check["text"] and "horn" in exit_check["text"]
    # what was opened is closed before everything is tried, so that a pinched wire shows
    assert exit_check["text"].startswith("Close inside the headlamp; no wire pinched.\nExit check:")
    asked_again, _ = say(state, {"answer": "horn works"})  # of one thing only: a reading, no closing
    assert asked_again.phase == "exit_check"
    for word in ("works", "all of it works"):
        assert say(state, {"answer": word})[1][0]["outcome"] == "repaired"
    state, (closed,) = say(state, {"answer": "yes"})
    assert closed["outcome"] == "repaired" and closed["causes"] == ["lamp.open"]
    assert "Proved afterwards: headlamp (key switch ON): works." in closed["text"]
    assert "Close again" not in closed["text"]


def test_minutes_are_those_of_the_acts():
    """Take SEE_LAMP (0.5), say that the fuse was renewed (1 + 1 to open the seat), look again (0.5 + the
    change of set-up that a repair forgets: none), close the seat (1)."""
    state, _ = start(complaints=["all_dead"], kit="hands")
    state, _ = say(state, {"take": SEE_LAMP}, {"answer": "dead"})
    state, _ = say(state, {"done": "main_fuse.renew", "works": "yes"}, {"answer": "works"})
    _, (closed,) = say(state, {"answer": "yes"})
    assert closed["hands_minutes"] == pytest.approx(0.5 + 2.0 + 0.5 + 1.0)
    assert closed["steps"] == 2


def test_a_proof_against_what_was_said_is_taken_once_more_and_then_weighed():
    """By hand: hope x 0.97 x 0.04 against (1 - hope) x 0.1 x 0.96 turns at 0.712."""
    state, advice = advised()
    state, (first,) = say(state, {"done": advice["repair"], "works": "yes"})
    assert state.hope == pytest.approx(advice["probability"], abs=1e-3)
    state, told = say(state, {"answer": "dead", "sure": True})
    again = told[-1]
    assert again["measurement"] == first["measurement"] and "It works, you said" in again["text"]
    right, _ = say(state, {"answer": "works"})
    assert right.phase == "exit_check" and right.repaired and right.proof
    sure, _ = say(replace(state, hope=0.72), {"answer": "dead", "sure": True})
    assert sure.phase == "exit_check" and not sure.proof
    _, (closed,) = say(sure, {"answer": "yes"})
    assert closed["outcome"] == "repaired" and f"speaks against it: {sure.against}" in closed["text"]
    wrong, _ = say(replace(state, hope=0.70), {"answer": "dead", "sure": True})
    assert wrong.phase != "exit_check" and wrong.repaired == ()
    assert chance(wrong, "lamp.open") < 0.3


def test_a_proof_that_was_not_taken_is_not_claimed():
    state, advice = advised()
    state, _ = say(state, {"done": advice["repair"], "works": "yes"}, {"answer": "skip"})
    _, (closed,) = say(state, {"answer": "yes"})
    assert "It was not proved by a reading" in closed["text"]


def test_what_fails_in_the_exit_check_starts_a_new_search():
    state, advice = advised()
    state, _ = say(state, {"done": advice["repair"], "works": "yes"}, {"answer": "works"})
    state, (which,) = say(state, {"answer": "no"})
    assert which["question"] == "exit_which" and which["choices"] == [SEE_LAMP, HEAR_HORN]
    state, (horn,) = say(state, {"answer": HEAR_HORN})
    assert horn["measurement"] == HEAR_HORN
    state, events = say(state, {"answer": "dead"})
    assert state.setting.complaints == ("horn_dead",) and len(state.past) > 0
    state, told = play(state, events, "horn.seized", TOOLS)
    assert told[-1]["outcome"] == "repaired"
    assert told[-1]["causes"] == ["lamp.open", "horn.seized"]
    assert told[-1]["repairs"] == ["lamp.renew", "horn.renew"]


def test_what_is_on_that_should_be_off_starts_a_new_search_too():
    world = bench()[0]
    world.view = replace(world.view, left_on=("lamp_dim",))
    state, advice = advised()
    state, _ = say(state, {"done": advice["repair"], "works": "yes"}, {"answer": "works"})
    before = state.hands_minutes
    state, (which,) = step(state, {"answer": "no"}, world, *TOOLS[1:])
    assert which["choices"] == [SEE_LAMP, HEAR_HORN, "lamp_dim"]
    assert which["titles"]["lamp_dim"] == "the headlamp is dim"
    state, events = step(state, {"answer": "the headlamp is dim"}, world, *TOOLS[1:])
    assert state.setting.complaints == ("lamp_dim",) and state.evidence == () and len(state.past) > 0
    assert state.phase != "exit_check" and state.repaired == (advice["repair"],)
    # the place that was closed for the exit check is to be opened again, and its minutes count again
    assert "inside the headlamp" not in str(state.paid.places) and state.hands_minutes == before
    state, told = play(state, events, "lamp_ground.resistance=3ohm", TOOLS)
    assert told[-1]["outcome"] == "repaired" and len(told[-1]["repairs"]) == 2


def test_a_pause_says_what_it_leaves_open_and_apart():
    state, _ = advised()
    _, (paused,) = say(state, {"do": "pause"})
    assert paused["text"] == "As it stands now: open: inside the headlamp."
    left = replace(state, taken_out=("fuse",), battery_undone=True)
    _, (paused,) = say(left, {"do": "pause"})
    assert paused["text"].endswith("pulled out; battery lead off.")
    fresh, _ = start()
    _, (paused,) = say(fresh, {"do": "pause"})
    assert paused["text"] == ""


@pytest.mark.parametrize("complaint", ["lamp_dead", "lamp_dim"])
@pytest.mark.parametrize("measurement", [VOLTS_LAMP, VOLTS_FEED, DROP_GROUND, VOLTS_FUSE])
@pytest.mark.parametrize("shown", ["9 V", "6 V", "3 V"])
def test_a_lone_reading_that_was_stood_by_leads_to_another_method_and_not_to_work(
    complaint, measurement, shown
):
    """The only telling reading makes no sense and is insisted on: what comes next is read elsewhere."""
    state, _ = start(complaints=[complaint])
    state, _ = say(state, {"take": measurement})
    state, events = say(state, {"answer": shown, "sure": True})
    assert [r.doubtful for r in state.readings] == [True]
    asked = events[-1]
    assert asked["event"] == "question" and asked["measurement"] not in (None, measurement)


# --- read in the same go -----------------------------------------------------------------------


def same_go():
    """A bench on which lamp and horn are watched with one setting, so that one look shows both."""
    world, rulebase, wording = bench()
    lamp = world.measurements[SEE_LAMP]
    both = replace(world.measurements[HEAR_HORN], setup=lamp.setup, minus=lamp.minus)
    world.measurements = {**world.measurements, HEAR_HORN: both}
    return world, rulebase, wording


def test_what_is_read_in_the_same_go_counts_as_readings_of_its_own_and_is_replayed():
    tools = same_go()
    begun, _ = begin({**KNOWN, "complaints": ["all_dead"], "kit": "hands"}, *tools)
    begun, _ = step(begun, {"take": SEE_LAMP}, *tools)
    answer = {"answer": "dead", "also": {HEAR_HORN: "works"}}
    state, _ = step(begun, answer, *tools)
    assert [(r.measurement, r.value) for r in state.readings] == [(SEE_LAMP, "dead"), (HEAR_HORN, "works")]
    assert state.steps == begun.steps + 2 and {**answer, "question": SEE_LAMP} == state.log[-1]
    # the same as one after the other
    apart, _ = step(begun, {"answer": "dead"}, *tools)
    apart, _ = step(apart, {"take": HEAR_HORN}, *tools)
    apart, _ = step(apart, {"answer": "works"}, *tools)
    np.testing.assert_allclose(chances(state.belief), chances(apart.belief), atol=1e-12)
    # and replayed from the log, and taken back in one
    told, _ = fold({**KNOWN, "complaints": ["all_dead"], "kit": "hands"}, state.log, *tools)
    assert told.evidence == state.evidence
    back, _ = step(state, {"do": "undo"}, *tools)
    assert back.evidence == begun.evidence and back.open.id == SEE_LAMP


@pytest.mark.parametrize(
    ("also", "text"),
    [
        ({VOLTS_REST: "12.4"}, "expected a further reading of the set-up of"),
        ({"no:such@thing": "works"}, "expected a further reading of the set-up of"),
        ({SEE_LAMP: "works"}, "expected a further reading of the set-up of"),
        ({HEAR_HORN: "purple"}, "expected one of works, weak, dead"),
        (["works"], "answers by measurement under 'also'"),
        ({str(n): "works" for n in range(99)}, "at most 8 answers by measurement"),
        ({HEAR_HORN: None}, "text under 'answer'"),
    ],
)
def test_a_further_reading_that_is_not_of_the_same_go_is_refused_and_nothing_is_taken(also, text):
    tools = same_go()
    state, _ = begin({**KNOWN, "complaints": ["all_dead"]}, *tools)
    state, _ = step(state, {"take": SEE_LAMP}, *tools)
    after, (event,) = step(state, {"answer": "dead", "also": also}, *tools)
    assert after is state and event["event"] == "problem" and text in event["message"]


def test_a_further_reading_that_surprises_is_questioned_and_said_again_it_is_taken_as_doubtful():
    state, _ = start()
    state, _ = say(state, {"take": VOLTS_FEED})
    said = {"answer": "12.3 V", "also": {VOLTS_FUSE: "127 V"}}
    doubted, (event,) = say(state, said)
    assert event["event"] == "problem" and event["doubt"], event
    assert doubted.readings == state.readings
    # another answer beside the same one is not the same answer
    other, _ = say(doubted, {"answer": "12.3 V", "also": {VOLTS_FUSE: "12.4 V"}})
    assert len(other.readings) == 2 and not any(r.doubtful for r in other.readings)
    taken, _ = say(doubted, said)
    assert [r.doubtful for r in taken.readings] == [False, True]
    assert taken.log[-1]["sure"] is True and taken.log[-1]["also"] == said["also"]


def test_what_the_step_says_already_is_not_offered_beside_it():
    """Expected information after the first reading: nothing is left of what it says itself."""
    tools = same_go()
    state, _ = begin({**KNOWN, "complaints": ["all_dead"], "kit": "hands"}, *tools)
    world = tools[0]
    assert adds(world, state, SEE_LAMP, HEAR_HORN) > 0.01
    assert adds(world, state, SEE_LAMP, SEE_LAMP) < adds(world, state, HEAR_HORN, SEE_LAMP) + 1e-9
    # the oracle is the sum over every joint outcome: I(a, b) - I(a)
    one, two = (
        np.asarray(m.outcomes, dtype=float)
        for mid in (SEE_LAMP, HEAR_HORN)
        for m in options(world, state)[0]
        if m.id == mid
    )
    belief = chances(state.belief)

    def told(joint):
        p = joint @ belief
        return sum(
            belief[c] * joint[o, c] * np.log(joint[o, c] / p[o])
            for o in range(len(joint))
            for c in range(len(belief))
            if joint[o, c] > 0 and belief[c] > 0
        )

    joint = np.array([a * b for a in one for b in two])
    assert adds(world, state, SEE_LAMP, HEAR_HORN) == pytest.approx(told(joint) - told(one), abs=1e-6)


def test_a_step_of_the_exit_check_is_made_safe_first_like_any_other():
    """What was said for safety ended with the repair: turning the engine asks for neutral again."""
    from diagnose.bike.model import Condition

    world = bench()[0]
    turning = replace(world.measurements[HEAR_HORN], condition=Condition(engine="cranking"))
    state, advice = advised()
    state, _ = say(state, {"done": advice["repair"], "works": "yes"}, {"answer": "works"})
    state, _ = say(state, {"answer": "no"})
    world.measurements = {**world.measurements, HEAR_HORN: turning}
    asked, (event,) = step(state, {"answer": HEAR_HORN}, world, *TOOLS[1:])
    assert event["kind"] == "confirm" and event["skippable"] is False
    assert asked.open.sort == "safety" and asked.open.measurement == HEAR_HORN
    opened, (horn,) = step(asked, {"answer": "yes"}, world, *TOOLS[1:])
    assert horn["measurement"] == HEAR_HORN and opened.open.sort == "exit"


def test_a_line_in_the_exit_check_works_too():
    state, advice = advised()
    state, _ = say(state, {"done": advice["repair"], "works": "yes"}, {"answer": "works"})
    fine, events = say(state, {"observe": "horn ok"})
    assert names(events) == ["noted", "question"] and events[1]["question"] == "exit_check"
    bad, events = say(state, {"answer": "horn dead"})
    assert names(events)[0] == "noted" and bad.setting.complaints == ("horn_dead",)
    assert fine.phase == "exit_check"


def test_an_exit_check_that_finds_nothing_after_all_goes_on_to_the_end():
    state, advice = advised()
    state, _ = say(state, {"done": advice["repair"], "works": "yes"}, {"answer": "works"})
    state, _ = say(state, {"answer": "no"}, {"answer": HEAR_HORN})
    state, (event,) = say(state, {"answer": "works"})
    assert event["question"] == "exit_check"
    _, (closed,) = say(state, {"answer": "skip"})
    assert closed["outcome"] == "repaired"


def test_advice_can_be_left_for_now_and_is_not_repeated():
    state, advice = advised()
    state, _ = say(state, {"answer": "skip"})
    _, told = play(state, (), "lamp.open", TOOLS)
    assert advice["repair"] not in [e.get("repair") for e in told if e["event"] == "advice"]


def test_advice_is_answered_with_done_or_skip():
    state, _ = advised()
    after, (event,) = say(state, {"answer": "12 V"})
    assert after is state and "expected done, and whether it works now (yes or no)" in event["message"]


def test_a_repair_of_the_users_own_choice_counts():
    state, _ = start()
    state, _ = say(state, {"done": "main_fuse.renew", "works": "no"})
    assert chance(state, "main_fuse.blown") < 0.02
    assert state.job.renewed == ("main_fuse",)


def test_a_repair_that_did_not_help_needs_no_new_predictions_and_keeps_what_was_read():
    """It was done on a sound part: no reading of the remaining suspects changes."""
    from diagnose.conversation.planning import physical

    before, _ = take(start()[0], VOLTS_FUSE, "12.6")
    after, _ = say(before, {"done": "main_fuse.renew", "works": "no"})
    assert physical(after.job) == physical(before.job)
    assert VOLTS_FUSE in after.paid.used
    helped, _ = say(before, {"done": "main_fuse.renew", "works": "yes"})
    assert physical(helped.job).done == ("main_fuse.renew",)
    assert physical(helped.job).renewed == ("main_fuse",) and not helped.paid.used


def test_a_repair_of_one_of_two_faults_changes_what_the_other_shows():
    from diagnose.bike.model import Candidate

    world = bench()[0]
    faults = {c.id: c.faults for c in world.candidates}
    pair = Candidate("horn.seized+lamp.open", (*faults["horn.seized"], *faults["lamp.open"]), 0.01)
    row = CANDIDATES.index("horn.seized")
    world.candidates = (*world.candidates[:row], pair, *world.candidates[row + 1 :])
    tools = (world, *TOOLS[1:])
    state, _ = begin({**KNOWN, "complaints": ["lamp_dead"]}, *tools)
    state, _ = step(state, {"done": "lamp.renew", "works": "no"}, *tools)
    assert state.job.done == ("lamp.renew",)


@pytest.mark.parametrize(
    ("message", "text"),
    [
        ({"done": "main_fuse.renw", "works": "no"}, "'main_fuse.renw' is not known; expected a repair of this bike; try main_fuse.renew"),
        ({"take": "volts:lamp.fed:battery.minus@key=run"}, "is not known; expected a measurement of this bike; try volts:lamp.feed"),
        ({"differs": {"not_fitted": "hron"}}, "'hron' cannot be taken (unknown component 'hron'; try horn)"),
        ({"differs": {"kit": "metal"}}, "expected one of hands, lamp, meter, workshop"),
        ({"differs": {"helper": "perhaps"}}, "'perhaps' is not understood; expected yes or no"),
        ({"observe": "gearbox fine"}, "expected a function of this bike"),
        ({"do": "undo"}, "'undo' has nothing to take back; expected an answer to take back"),
        ({"answer": "12.4", "question": "volts:x:y@"}, "'volts:x:y@' is not open; expected the question that stands now"),
    ],
)  # fmt: skip
def test_what_cannot_be_taken_changes_nothing_and_says_what_to_type(message, text):
    state, _ = start()
    after, (event,) = say(state, message)
    assert after is state and event["event"] == "problem" and text in event["message"]


def test_a_lamp_does_not_read_volts():
    state, _ = start(kit="lamp")
    _, (event,) = say(state, {"take": VOLTS_FEED})
    assert (
        "expected something that you have not got: a multimeter; try saying that it differs now: kit meter"
        in event["message"]
    )
    state, _ = say(state, {"differs": {"kit": "meter"}})
    _, (event,) = say(state, {"take": VOLTS_FEED})
    assert event["measurement"] == VOLTS_FEED


# --- works now, not fitted ---------------------------------------------------------------------


def test_works_now_is_reproduced_and_never_closed_as_repaired():
    state, _ = start()
    state, _ = take(state, VOLTS_FUSE, "12.6")
    state, (event,) = say(state, {"answer": "works_now"})
    assert event["question"] == "reproduce" and "main fuse" in event["text"]
    back, events = say(state, {"answer": "yes"})
    assert back.phase in ("working", "advised") and names(events)[-1] in ("question", "advice")
    _, events = say(state, {"answer": "no"})
    assert names(events) == ["advice", "closed"]
    assert events[1]["outcome"] == "stopped" and "nothing was repaired" in events[0]["text"]
    same_state, (event,) = say(state, {"answer": "perhaps"})
    assert same_state is state and "expected yes (the fault is back) or no" in event["message"]


def test_a_part_that_is_not_fitted_leaves_with_its_suspects():
    state, _ = say(start(complaints=["horn_dead"])[0], {"take": HEAR_HORN})
    state, events = say(state, {"answer": "not_fitted"})
    assert state.setting.differs == (Difference("not_fitted", "horn"),)
    assert len(marginal(state.belief)) == len(CANDIDATES) - 1
    assert names(events)[0] == "noted"


def test_not_fitted_asks_which_when_there_is_more_than_one():
    state, _ = say(start()[0], {"take": VOLTS_REST})
    after, (event,) = say(state, {"answer": "not_fitted"})
    assert after is state and "could mean more than one part" in event["message"]


# --- undo, notes, replay -----------------------------------------------------------------------


def test_undo_equals_never_having_answered():
    state, _ = start()
    moves = [
        {"take": VOLTS_FUSE}, {"answer": "12.6 V"}, {"observe": "horn ok"}, {"answer": "skip"},
        {"differs": {"kit": "lamp"}}, {"done": "main_fuse.renew", "works": "no"},
    ]  # fmt: skip
    for move in moves:
        after, _ = say(state, move)
        assert after is not state, move
        back, told = say(after, {"do": "undo"})
        assert told[0] == {"event": "undone", "step": state.asked}
        assert same(back, state), move
        assert told[1:] == (state.open.event,)
        state = after


def test_any_number_of_answers_can_be_taken_back():
    first, _ = start()
    state = first
    for message in ({"take": VOLTS_FUSE}, {"answer": "12.6"}, {"take": VOLTS_FEED}, {"answer": "12.6"}):
        state, _ = say(state, message)
    for _ in range(4):
        state, _ = say(state, {"do": "undo"})
    assert same(state, first)
    _, (event,) = say(state, {"do": "undo"})
    assert event["event"] == "problem"


def test_a_closed_job_can_be_taken_back_but_takes_nothing_else():
    state, advice = advised()
    state, _ = say(state, {"done": advice["repair"], "works": "yes"}, {"answer": "works"}, {"answer": "yes"})
    assert state.phase == "closed"
    after, (event,) = say(state, {"answer": "12"})
    assert after is state and "comes after the end of the job" in event["message"]
    state, events = say(state, {"do": "undo"})
    assert names(events) == ["undone", "question"] and state.phase == "exit_check"


def test_a_note_is_kept_through_undo():
    state, _ = say(start()[0], {"take": VOLTS_FUSE}, {"answer": "12.6"}, {"note": "blue wire is green"})
    state, _ = say(state, {"do": "undo"})
    assert state.notes == ("blue wire is green",)


def test_asking_beside_the_question_changes_nothing():
    state, _ = take(start()[0], VOLTS_FUSE, "12.6")
    for what in ("why", "suspects", "others"):
        after, events = say(state, {"do": what})
        assert after is state and names(events) == [what]


def test_a_job_is_the_fold_of_its_messages():
    options = {**KNOWN, "complaints": ["lamp_dead"]}
    state, _ = begin(options, *TOOLS)
    for message in (
        {"take": VOLTS_FUSE}, {"answer": "-12.6"}, {"answer": "-12.6"}, {"do": "undo"}, {"answer": "12.6 V"},
        {"note": "n"}, {"observe": "horn ok"}, {"take": VOLTS_FEED}, {"answer": "12.6"}, {"answer": "nonsense"},
    ):  # fmt: skip
        state, _ = say(state, message)
    again, events = fold(options, state.log, *TOOLS)
    assert again.log == state.log
    assert same(again, state) and again.open.id == state.open.id
    assert len(events) == len(state.log) + 1


@pytest.mark.parametrize("seed", range(12))
def test_any_walk_through_a_job_replays_to_the_same_place_and_undo_leads_back(seed):
    """Random but plausible messages, wrong ones among them; nothing raises, and the fold agrees."""
    chance = random.Random(seed)
    options = {
        "complaints": ["lamp_dead"],
        "kit": chance.choice(["hands", "lamp", "meter"]),
        "skill": "trade",
    }
    state, _ = begin(options, *TOOLS)
    for _ in range(16):
        before = state
        asked = state.open
        words = [
            "yes",
            "no",
            "skip",
            "12.6 V",
            "0",
            "OL",
            "works_now",
            "cannot_reach",
            *(asked.choices if asked else ()),
        ]
        message = chance.choice(
            [{"answer": chance.choice(words)}] * 8
            + [{"answer": chance.choice(words), "sure": True}] * 2
            + [{"do": w} for w in ("undo", "why", "suspects", "others", "pause")]
            + [{"take": chance.choice(list(WORLD.measurements))}, {"note": "n"}, {"observe": "horn ok; batt 12,6"}]
            + [{"done": chance.choice(list(WORLD.repairs)), "works": chance.choice(["yes", "no"])}] * 2
            + [{"differs": {"kit": "meter"}}, {"differs": {"not_fitted": "horn"}}]
        )  # fmt: skip
        state, events = say(state, message)
        assert events
        if (
            state is not before
            and len(state.log) > len(before.log)
            and "do" not in message
            and "note" not in message
        ):
            back, _ = say(state, {"do": "undo"})
            assert replace(back, log=(), belief=None) == replace(before, log=(), belief=None, doubted=None)
    again, _ = fold(options, state.log, *TOOLS)
    assert again.log == state.log
    assert replace(again, belief=None) == replace(state, belief=None, doubted=None)
    if state.belief is not None:
        assert np.allclose(marginal(again.belief), marginal(state.belief))


def test_a_replay_answers_the_recorded_question_even_if_another_would_be_asked_now():
    options = {**KNOWN, "complaints": ["lamp_dead"]}
    state, _ = fold(options, [{"answer": "10.8", "sure": True, "question": VOLTS_REST}], *TOOLS)
    assert state.readings[0].measurement == VOLTS_REST
    state, _ = fold(
        options,
        [{"answer": "yes", "question": "switches"}, {"answer": "yes", "question": "exit_check"}],
        *TOOLS,
    )
    assert state.phase == "closed"


def test_the_step_never_changes_the_state_it_was_given():
    state, _ = start()
    picture = repr(replace(state, belief=None))
    say(state, {"take": VOLTS_FUSE}, {"answer": "12.6"}, {"done": "lamp.renew", "works": "no"})
    assert repr(replace(state, belief=None)) == picture


# --- why, suspects, others ---------------------------------------------------------------------


def test_why_names_the_readings_for_and_against_each_leading_suspect():
    state, _ = take(start()[0], VOLTS_FEED, "12.6 V")
    state, _ = take(state, DROP_GROUND, "12.6 V")
    _, (event,) = say(state, {"do": "why"})
    best = [e for e in event["for"] if e["candidate"] == "lamp_ground.open"]
    assert {e["measurement"] for e in best} >= {DROP_GROUND}
    assert all(e["nats"] > 0 for e in event["for"]) and all(e["nats"] < 0 for e in event["against"])
    assert "headlamp ground: ground joint off" in event["text"] and "For it: volts lost" in event["text"]
    assert "12.6 V" in event["text"]


def test_why_shows_the_rules_of_the_step_with_the_facts_they_used():
    state, (asked,) = say(start()[0], {"take": VOLTS_FUSE})
    _, (event,) = say(state, {"do": "why"})
    assert {r["rule"] for r in event["rules"]} == {c["rule"] for c in asked["cautions"]} != set()
    assert all(f["kind"] for r in event["rules"] for f in r["facts"]) and event["rules"][0]["facts"]


def test_suspects_come_in_order_with_chances_that_are_the_beliefs():
    state, _ = start()
    _, (event,) = say(state, {"do": "suspects"})
    found = [s["probability"] for s in event["list"]]
    assert found == sorted(found, reverse=True)
    for s in event["list"]:
        assert s["probability"] == pytest.approx(chance(state, s["candidate"]), abs=1e-4)
    assert {"candidate", "component", "mode", "probability"} <= set(event["list"][0])


def test_others_are_other_measurements_that_can_be_taken_now():
    state, _ = start()
    _, (event,) = say(state, {"do": "others"})
    listed = [o["measurement"] for o in event["list"]]
    assert listed and state.open.measurement not in listed
    for measurement in listed:
        _, (question,) = say(state, {"take": measurement})
        assert question["measurement"] == measurement


# --- safety ------------------------------------------------------------------------------------


def guarded_world():
    """The bench with an ohms reading on a lamp that is still joined to the battery: a rule blocks it."""
    from diagnose.bike.model import Condition

    world = bench()[0]
    ohms = replace(world.measurements[OHMS_LAMP], condition=Condition(), minutes=0.1, places=())
    world.measurements = {**world.measurements, OHMS_LAMP: ohms}
    return (world, *TOOLS[1:])


def test_a_blocked_step_is_opened_by_a_safety_question_that_cannot_be_skipped():
    tools = guarded_world()
    state, _ = begin({**KNOWN, "complaints": ["lamp_dead"]}, *tools)
    state, (event,) = step(state, {"take": OHMS_LAMP}, *tools)
    assert (event["kind"], event["skippable"], event["measurement"]) == ("confirm", False, None)
    assert event["question"] == "battery_off" and event["cautions"]
    same_state, (problem,) = step(state, {"answer": "skip"}, *tools)
    assert same_state is state and "is no answer to a safety question" in problem["message"]
    opened, (question,) = step(state, {"answer": "yes"}, *tools)
    assert question["measurement"] == OHMS_LAMP and opened.job.battery is False
    # once it is read, the next question has the battery joined again, and says so
    after, events = step(opened, {"answer": "0.5"}, *tools)
    assert after.job.battery and after.readings[-1].job.battery is False
    if events[-1]["event"] == "question":
        assert "attery lead" in events[-1]["text"]


def test_a_no_keeps_a_step_blocked_and_offers_others():
    tools = guarded_world()
    state, _ = begin({**KNOWN, "complaints": ["lamp_dead"]}, *tools)
    state, _ = step(state, {"take": OHMS_LAMP}, *tools)
    state, events = step(state, {"answer": "no"}, *tools)
    assert "battery_off" in state.said_no
    state, told = play(state, events, "lamp.open", tools)
    assert OHMS_LAMP not in [e.get("measurement") for e in told if e["event"] == "question"]
    assert "battery_off" not in [e.get("question") for e in told]


def test_no_blocked_step_is_ever_asked():
    from diagnose.conversation.means import Means, permit

    asked = 0
    for fault, complaint in CAUSES:
        tools = guarded_world()
        state, events = begin({**KNOWN, "complaints": [complaint]}, *tools)
        for _ in range(30):
            if state.phase == "closed":
                break
            if state.open.sort in ("measure", "proof"):
                m = tools[0].measurements[state.open.measurement]
                assert permit(Means(*tools), state, m).allowed
                asked += 1
            if state.open.sort == "advice":
                good = state.open.id in [r.id for r in tools[0].repairs.values() if fault in r.cures]
                message = {"done": state.open.id, "works": "yes" if good else "no"}
            elif state.open.sort in ("measure", "proof"):
                message = {
                    "answer": true_answer(state.open.measurement, "no_fault" if state.repaired else fault)
                }
            else:
                message = {"answer": "yes"}
            state, events = step(state, message, *tools)
        assert events[-1]["event"] == "closed"
    assert asked >= 14


def test_a_caution_is_marked_new_once_a_job():
    state, (first,) = say(start()[0], {"take": VOLTS_FUSE})
    assert first["cautions"] and all(c["new"] for c in first["cautions"])
    state, _ = say(state, {"answer": "12.6"})
    _, (again,) = say(state, {"take": VOLTS_POST})
    shared = {c["rule"] for c in first["cautions"]} & {c["rule"] for c in again["cautions"]}
    assert shared and not any(c["new"] for c in again["cautions"] if c["rule"] in shared)


def test_a_failing_rule_engine_is_not_taken_for_a_wrong_answer(monkeypatch):
    def fails(*_, **__):
        raise RuleError("the engine failed")

    from diagnose.conversation import permits

    state, _ = start()
    monkeypatch.setattr(permits, "judge", fails)
    with pytest.raises(RuleError, match="the engine failed"):
        step(state, {"take": VOLTS_FUSE}, *TOOLS)


# --- arithmetic of evidence --------------------------------------------------------------------


def test_taking_in_one_by_one_equals_rebuilding_from_all():
    state, _ = start()
    for measurement, answer in ((VOLTS_FUSE, "12.6"), (SEE_LAMP, "dead"), (VOLTS_FEED, "12.6")):
        state, _ = take(state, measurement, answer)
    state, _ = say(state, {"done": "lamp.renew", "works": "no"})
    again = evidence.rebuild(WORLD, state.setting, state.evidence)
    assert np.allclose(marginal(state.belief), marginal(again), atol=1e-12)


def test_the_table_of_faults_is_the_one_that_was_computed_by_hand():
    """12.6 V behind 0.05 + 0.02 + 0.10 + 6.0 + 0.05 ohm (Ohm's law), and with 3 ohm more in the ground."""
    amperes = 12.6 / (0.05 + 0.02 + 0.10 + 6.0 + 0.05)
    from fake_world import READINGS

    assert READINGS[VOLTS_POST][0] == pytest.approx(12.6 - 0.05 * amperes, abs=0.006)
    assert READINGS[DROP_GROUND][0] == pytest.approx(0.05 * amperes, abs=0.006)
    bad = 12.6 / (0.05 + 0.02 + 0.10 + 6.0 + 3.05)
    row = [f[0] for f in FAULTS].index("lamp_ground.resistance=3ohm") + 1
    assert READINGS[DROP_GROUND][row] == pytest.approx(3.05 * bad, abs=0.006)
    assert READINGS[VOLTS_LAMP][row] == pytest.approx(6.0 * bad, abs=0.006)
