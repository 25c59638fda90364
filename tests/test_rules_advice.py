# ruff: noqa: E501 (tables of scenarios, one a line or two)
"""What the rules advise and which causes they ask for; how faults become findings; the texts themselves.

Expected rules are common practice of the trade unless the rule names a text.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from rule_bikes import LED, LITHIUM, SINGLE, TWIN

from diagnose import documents
from diagnose.bike.model import Fault, JobState
from diagnose.conversation import facts, permits
from diagnose.conversation.facts import Circumstances
from diagnose.rules.base import check_fact, load_rules

ROOT = Path(__file__).parent.parent
RULES = load_rules([ROOT / "knowledge" / "rules"])
REST = JobState()
AROUND = facts.survey(SINGLE)


def fault(component: str, mode: str, word: str, title: str = "") -> Fault:
    return Fault(f"{component}.{mode}", component, mode, "", title or mode, (), 0.01, (), 0.5, "seat", word)


# what, bike, job state, history, complaints, faults found, rules that must fire, rules that must not
CASES = [
    ("new wiring", SINGLE, REST, {"fresh_wiring": True}, (), [], {"fresh_wiring_advice"}, {"fresh_wiring_fuse", "wet_advice"}),
    ("old wiring", SINGLE, REST, {"fresh_wiring": False}, ("fuse_blows",), [], {"fuse_lamp_size"}, {"fresh_wiring_advice", "fresh_wiring_fuse"}),
    ("new wiring, fuse blows", SINGLE, REST, {"fresh_wiring": True}, ("fuse_blows",), [], {"fresh_wiring_fuse", "fuse_lamp_size"}, {"silly_switches"}),
    ("wet", SINGLE, REST, {"wet": True, "fall": False}, (), [], {"wet_advice"}, {"fall_advice", "stood_advice"}),
    ("fell over", SINGLE, REST, {"fall": True, "stood": False}, (), [], {"fall_advice"}, {"stood_advice", "part_changed_advice"}),
    ("stood", SINGLE, REST, {"stood": True, "part_changed": False}, (), [], {"stood_advice"}, {"overloaded_advice", "jump_start_advice"}),
    ("part changed", SINGLE, REST, {"part_changed": True}, (), [], {"part_changed_advice"}, {"fuse_lamp_size", "brake_light_riding"}),
    ("overloaded", SINGLE, REST, {"overloaded": True}, (), [], {"overloaded_advice"}, {"charge_before_judging", "starter_battery_first"}),
    ("bumps", SINGLE, REST, {"bumps": True, "heat": False}, (), [], {"bumps_advice"}, {"heat_advice", "overloaded_advice"}),
    ("heat", SINGLE, REST, {"bumps": False, "heat": True}, (), [], {"heat_advice"}, {"bumps_advice"}),
    ("short trips", SINGLE, REST, {"short_trips": True, "lamps_blew": False}, (), [], {"short_trips_advice"}, {"lamps_blew_advice"}),
    ("lamps blew", SINGLE, REST, {"lamps_blew": True}, (), [], {"lamps_blew_advice"}, {"short_trips_advice"}),
    ("jump started", SINGLE, REST, {"jump_start": True}, (), [], {"jump_start_advice"}, {"engine_will_not_stop_advice"}),
    ("LEDs, fast", LED, REST, {}, ("indicators_fast",), [], {"led_indicators"}, {"led_indicators_steady", "led_indicators_dead"}),
    ("LEDs, steady", LED, REST, {}, ("indicators_steady",), [], {"led_indicators_steady"}, {"led_indicators"}),
    ("LEDs, dead", LED, REST, {}, ("indicators_dead",), [], {"led_indicators_dead"}, {"led_indicators"}),
    ("filament lamps, dead", SINGLE, REST, {}, ("indicators_dead",), [], set(), {"led_indicators_dead", "six_volt_limits"}),
    ("one fuse twice", SINGLE, JobState(renewed=("acc_fuse", "acc_fuse")), {}, (), [], {"two_fuses_are_enough"}, {"several_repairs_no_cure"}),
    ("two fuses once", SINGLE, JobState(renewed=("acc_fuse", "main_fuse")), {}, (), [], set(), {"two_fuses_are_enough"}),
    ("three repairs", SINGLE, JobState(done=("a.clean", "b.clean", "c.renew")), {}, (), [], {"several_repairs_no_cure"}, {"two_fuses_are_enough"}),
    ("two repairs", SINGLE, JobState(done=("a.clean", "b.clean")), {}, (), [], set(), {"several_repairs_no_cure"}),
    ("lithium, all dead", LITHIUM, REST, {}, ("all_dead",), [], {"lithium_asleep"}, {"charge_before_judging"}),
    ("lead acid, all dead", SINGLE, REST, {}, ("all_dead",), [], set(), {"lithium_asleep"}),
    ("six volts", TWIN, REST, {}, (), [], {"six_volt_limits"}, set()),
    ("no spark", SINGLE, REST, {}, ("no_spark",), [], {"silly_switches"}, {"engine_will_not_stop_advice"}),
    ("will not stop", SINGLE, REST, {}, ("engine_will_not_stop",), [], {"engine_will_not_stop_advice"}, {"silly_switches"}),
    ("no brake light", SINGLE, REST, {}, ("brake_light_never",), [], {"brake_light_riding"}, set()),
    ("battery flat", SINGLE, REST, {}, ("battery_flat",), [], {"charge_before_judging"}, {"flat_battery_has_a_reason"}),
    ("slow starter", SINGLE, REST, {}, ("starter_slow",), [], {"starter_battery_first"}, set()),
    ("blown fuse", SINGLE, REST, {}, (), [fault("main_fuse", "blown", "fuse")], {"blown_fuse_has_a_reason"}, {"lamp_burnt_out"}),
    ("fuse in a green holder", SINGLE, REST, {}, (), [fault("main_fuse", "poor_clip", "fuse")], set(), {"blown_fuse_has_a_reason"}),
    ("lamp open", SINGLE, REST, {}, (), [fault("tail_lamp", "open", "lamp")], {"lamp_burnt_out"}, {"blown_fuse_has_a_reason", "broken_wire"}),
    ("battery discharged", SINGLE, REST, {}, (), [fault("battery", "discharged", "battery")], {"flat_battery_has_a_reason"}, {"regulator_overvoltage"}),
    ("regulator too high", SINGLE, REST, {}, (), [fault("regulator", "overvoltage", "charger")], {"regulator_overvoltage"}, {"flat_battery_has_a_reason"}),
    ("plug green or hot", SINGLE, REST, {}, (), [fault("bar_plug_kill", "poor", "connector")], {"green_connector"}, {"green_ground", "burnt_points"}),
    ("plug not home", SINGLE, REST, {}, (), [fault("bar_plug_kill", "backed_out", "connector")], set(), {"green_connector"}),
    ("ground loose", SINGLE, REST, {}, (), [fault("rear_ground", "loose", "ground")], {"green_ground"}, {"green_connector"}),
    ("wire chafed", SINGLE, REST, {}, (), [fault("tail_feed", "chafed", "wire")], {"chafed_wire"}, {"broken_wire", "crossed_wire"}),
    ("wire broken", SINGLE, REST, {}, (), [fault("tail_feed", "broken", "wire")], {"broken_wire"}, {"chafed_wire", "lamp_burnt_out"}),
    ("wire crossed", SINGLE, REST, {}, (), [fault("tail_feed", "crossed", "wire")], {"crossed_wire"}, {"broken_wire"}),
    ("points burnt", TWIN, REST, {}, (), [fault("left_points", "dirty", "ignition")], {"burnt_points"}, {"green_connector"}),
    ("starter relay stuck", SINGLE, REST, {}, (), [fault("starter_relay", "shorted", "relay")], {"welded_solenoid"}, {"burnt_alternator"}),
    ("stator shorted", SINGLE, REST, {}, (), [fault("stator", "shorted", "winding")], {"burnt_alternator"}, {"welded_solenoid", "hot_coil"}),
    ("ignition coil shorted", SINGLE, REST, {}, (), [fault("ignition_coil", "short", "coil")], {"hot_coil"}, {"burnt_alternator", "chafed_wire"}),
]  # fmt: skip


@pytest.mark.parametrize(("what", "bike", "job", "history", "complaints", "found", "fires", "silent"), CASES, ids=[c[0] for c in CASES])  # fmt: skip
def test_jobs_draw_this_advice_and_not_that(what, bike, job, history, complaints, found, fires, silent):
    findings = facts.finding_facts(facts.survey(bike), found)
    about = Circumstances(history=history, complaints=complaints)
    rules = {f.rule for f in permits.advice_for(RULES, bike, job, about, findings)}
    assert fires <= rules
    assert not silent & rules


def test_every_advice_and_root_cause_is_seen_firing_and_seen_silent():
    ours = {r.id for r in RULES.rules if r.conclusion in ("advise", "root_cause")}
    assert len(ours) >= 30
    assert ours - set().union(*(c[6] for c in CASES)) == set()
    silent = set().union(*(c[7] for c in CASES))
    for rule in ours - silent:
        # advice on a complaint or supply: silent in every case without it
        assert any(rule not in c[6] for c in CASES)
        bike = replace(SINGLE)
        assert rule not in {f.rule for f in permits.advice_for(RULES, bike, REST, Circumstances())}


def test_a_fuse_seen_blown_asks_for_its_cause_by_name():
    found = facts.opened_fuse_facts(AROUND, ["acc_fuse"])
    (firing,) = permits.advice_for(RULES, SINGLE, REST, Circumstances(), found)
    assert firing.rule == "blown_fuse_has_a_reason" and firing.conclusion == "root_cause"
    assert "new accessory fuse of the same rating" in firing.text


@pytest.mark.parametrize(
    ("mode", "word", "change"),
    [
        ("fatigued", "fuse", "blown"),
        ("open", "wire", "open"),
        ("chafed", "wire", "short"),
        ("left_off", "wire", "left_off"),
        ("left_open", "switch", "open"),
        ("high_dead", "module", "other"),
        ("green", "connector", "corroded"),
        ("odd", "unit", "other"),
        ("high_resistance", "ground", "resistance"),
        ("reversed", "led", "wrong_part"),
        ("contacts_burnt", "relay", "burnt"),
        ("overcharges", "charger", "overvoltage"),
    ],
)
def test_fault_modes_are_told_in_one_word(mode, word, change):
    assert facts.change_of(mode, word) == change


@pytest.mark.parametrize(
    ("component", "title", "word", "kind", "role"),
    [
        ("battery", "battery", "battery", "lithium_battery", "lithium"),
        ("battery", "battery", "battery", "agm_battery", "lead_acid"),
        ("cdi", "CDI unit", "ignition", "", "cdi"),
        ("igniter", "igniter", "ignition", "", "transistor_unit"),
        ("kill_wire", "kill wire", "wire", "", "kill"),
        ("left_points", "left points", "switch", "", "points"),
        ("condenser", "condenser", "unit", "", "points"),
        ("trigger", "trigger", "winding", "", "pickup"),
        ("fuel_source", "source of fuel", "switch", "", "none"),
        ("starter_motor", "starter motor", "motor", "", "starter"),
        ("starter_button", "starter button", "switch", "", "none"),
        ("starter_fuse", "starter fuse", "fuse", "", "none"),
        ("rr", "regulator", "charger", "", "regulator"),
        ("charger", "charging unit", "charger", "", "regulator"),
        ("stator", "stator", "winding", "", "alternator"),
        ("low_beam", "low beam", "lamp", "halogen_lamp_55w", "halogen"),
        ("headlamp_plug", "headlamp plug", "connector", "", "none"),
        ("key_switch", "key switch", "switch", "", "key"),
        ("key_feed", "feed of the key switch", "wire", "", "none"),
        ("coil", "ignition coil", "coil", "", "ignition_coil"),
        ("horn", "horn", "horn", "", "none"),
        ("plug_cap", "plug cap", "ignition", "plug_cap", "none"),
        ("interlock_diode", "starter interlock diode", "unit", "interlock_diode", "none"),
        ("starter_cable", "starter cable", "wire", "starter_cable", "starter"),
        ("cdi_ground", "ground bolt of the ignition unit", "ground", "ground_joint", "none"),
    ],
)
def test_parts_have_the_role_that_safety_sees(component, title, word, kind, role):
    assert facts.role_of(component, title, word, kind) == role


def test_findings_are_in_the_vocabulary():
    found = [f for c in CASES for f in facts.finding_facts(facts.survey(c[1]), c[5])]
    assert len(found) >= 15
    for fact in [*found, *facts.opened_fuse_facts(AROUND, ["main_fuse", "unknown_fuse"])]:
        check_fact(fact)


# ---- the texts ----


def test_there_are_enough_rules_of_every_sort():
    count = {
        c: sum(r.conclusion == c for r in RULES.rules)
        for c in ("block", "caution", "doubt", "advise", "root_cause")
    }
    assert len(RULES.rules) >= 45
    assert count["block"] >= 9 and count["caution"] >= 10 and count["doubt"] >= 10
    assert count["advise"] >= 6 and count["root_cause"] >= 3


def test_texts_are_plain_sentences_of_bearable_length():
    for rule in RULES.rules:
        assert rule.text[0].isupper() or rule.text[0] in "0-", rule.id
        assert rule.text.rstrip()[-1] in ".!?", rule.id
        assert 60 <= len(rule.text) <= 330, (rule.id, len(rule.text))
        assert 10 <= len(rule.short) <= 100, (rule.id, len(rule.short))
        assert rule.text.isascii() and rule.short.isascii() and rule.title.isascii(), rule.id
        for sentence in re.split(r"(?<=[.!?:])\s", rule.text):
            assert len(sentence.split()) <= 40, (rule.id, sentence)
    for question in RULES.questions.values():
        assert "?" in question.text and question.short.endswith("?")


def test_every_source_exists():
    known = documents.read_document(ROOT / "knowledge" / "sources.yaml").data["sources"]
    assert {r.source for r in RULES.rules} <= set(known)


def test_blocks_wait_for_every_question_and_every_question_is_waited_for():
    asked = {r.until.said for r in RULES.rules if r.until}
    assert asked == set(RULES.questions)
    for rule in RULES.rules:
        if rule.until and not rule.until.of:
            waits = [c for c in rule.when if c.kind == "said"]
            assert [t.value for c in waits for t in c.tests] == ["no", rule.until.said], rule.id


def test_history_that_rules_speak_of_is_asked_for():
    known = set(documents.read_document(ROOT / "knowledge" / "history.yaml").data["history"])
    spoken = {
        t.value
        for r in RULES.rules
        for c in r.when
        if c.kind == "history"
        for t in c.tests
        if t.field == "what"
    }
    assert len(spoken) >= 8
    assert spoken <= known
