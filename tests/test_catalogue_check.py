# ruff: noqa: E501 (a wrong line and what is said of it belong side by side)
"""What reading lets pass and an author should still hear of, and the count of what numbers rest on.

The tiny knowledge base of conftest, changed in one place each time; counts are made by hand or by counting
the word `source:` in its text.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.catalogue.check import check_structure, count_sources
from diagnose.catalogue.read import load_library

KINDS = "components/all.yaml"
SECTION = "sections/lamp_circuit.yaml"
BIKE = "bikes/tiny.yaml"


def change(folder: Path, file: str, old: str, new: str) -> None:
    text = (folder / file).read_text(encoding="utf-8")
    assert old in text, f"the tiny knowledge base has no {old!r}"
    (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")


def test_the_tiny_knowledge_base_is_sound(tiny_knowledge):
    assert check_structure(load_library(tiny_knowledge)) == ()


# name -> (file, old, new, message)
WRONG = {
    "terminal of no element": (KINDS, "terminals: [feed, ground]", "terminals: [feed, ground, brake]", "lamp_21w: terminal 'brake' belongs to no element"),
    "element with both ends alike": (KINDS, "{law: lamp, plus: feed, minus: ground}", "{law: lamp, plus: feed, minus: feed}", "lamp_21w: both ends of filament are 'feed'; it does nothing"),
    "contact that never closes": (KINDS, '      joint.closed: {value: "1", source: made_up}\n', "", "ground_bolt: contact joint never closes; expected closed_in, a device, or joint.closed"),
    "repair of nothing": (KINDS, "    repairs:\n      mend:", '    repairs:\n      pray: {title: "x", sort: stop, cures: [], minutes: {value: "1 min", source: made_up}, price: {value: "0", source: made_up}}\n      mend:', "wire: repair pray cures nothing"),
    "long try": (KINDS, 'value: "8 min"', 'value: "11 min"', "ground_bolt: repair clean takes 11 min; a try takes at most 10"),
    "share above one": (KINDS, 'share: {value: "0.6"', 'share: {value: "6"', "toggle_switch.worn: share=6; expected at most 1"),
    "visible above one": (KINDS, 'visible: {value: "0.9"', 'visible: {value: "1.9"', "blade_fuse.fatigued: visible=1.9; expected at most 1"),
    "traced above one": (KINDS, 'visible: {value: "0.9"', 'traced: {value: "1.9"', "blade_fuse.fatigued: traced=1.9; expected at most 1"),
    "rate without modes": (KINDS, 'rate: {value: "0", source: made_up}\n    modes: {}', 'rate: {value: "2", source: made_up}\n    modes: {}', "frame_metal: fails (rate 2) but has no modes"),
    "shares all zero": (KINDS, 'title: "flat"\n        edits: [{set: cell.emf, to: "10.5 V"}]\n        share: {value: "1"', 'title: "flat"\n        edits: [{set: cell.emf, to: "10.5 V"}]\n        share: {value: "0"', "battery_12v: the shares of its modes are all 0"),
    "another estimate without why": ("sources.yaml", "made_up: {title: \"round numbers for tests\", status: common_practice}", "made_up: {title: x, status: estimate}", "12.6 from made_up is an estimate without a reason; expected why: a few words"),
    "terminal joined to nothing": (SECTION, "  - [tail_plug_ground.b, tail_lamp.ground]\n", "", "tail_lamp: terminal 'ground' is joined to nothing on tiny; try a wire, a bond, or unused: [ground]"),
    "thick wire": (SECTION, '"4 mm2"', '"60 mm2"', "battery_lead: area 60 mm2 is implausible; expected 0.2 to 50 mm2"),
    "thin wire": (SECTION, '"4 mm2"', '"0.1 mm2"', "battery_lead: area 0.1 mm2 is implausible"),
    "long wire": (SECTION, '"0.3 m"', '"30 m"', "battery_lead: length 30 m is implausible; expected 0.02 to 3 m"),
    "wire with both ends alike": (SECTION, "from: frame.metal, to: battery.minus", "from: frame.metal, to: rear_ground.metal", "frame_lead: both ends touch rear_ground.metal; it carries nothing"),
    "move to no terminal": (KINDS, "[{open: link}]", "[{move: link.plus, to_point: frame.bolt}]", "main_fuse.fatigued: unknown terminal 'frame.bolt'"),
    "test at no terminal": (KINDS, "instrument: ohms, plus: feed", "instrument: ohms, plus: frame.bolt", "tail_lamp.filament: unknown terminal 'frame.bolt'"),
    "complaint about no function": ("complaints.yaml", "function: tail_light", "function: tail_ligth", "lamp_dead: unknown function or role 'tail_ligth'; try tail_light"),
    "complaint on no bike": (BIKE, "complaints: [lamp_dead]", "complaints: []", "lamp_dead: is listed by no bike"),
    "complaint of what the bike has not": ("complaints.yaml", "function: tail_light", "function: horn", "complaint lamp_dead speaks of no function that tiny has (horn)"),
    "complaint in no condition": ("complaints.yaml", "states: [dead, very_weak]", 'states: [dead], condition: "key=start"', "lamp_dead on tiny: condition 'key=start': unknown position of key 'start'"),
    "bike that cannot be composed": (BIKE, "[lamp_circuit]", "[lamps]", "unknown section 'lamps'"),
}  # fmt: skip


@pytest.mark.parametrize("what", WRONG)
def test_what_reading_lets_pass_is_told_by_the_check(tiny_knowledge, what):
    file, old, new, message = WRONG[what]
    change(tiny_knowledge, file, old, new)
    found = check_structure(load_library(tiny_knowledge))
    assert any(message in p.message for p in found), "\n".join(map(str, found))
    assert all(p.file and p.line for p in found)
    assert list(found) == sorted(found)


def test_every_wrong_structure_was_tried():
    assert len(WRONG) == 23


def test_a_terminal_meant_to_stay_free_is_no_problem(tiny_knowledge):
    change(tiny_knowledge, SECTION, "  - [tail_plug_ground.b, tail_lamp.ground]\n", "")
    change(tiny_knowledge, SECTION, "kind: lamp_21w,", "kind: lamp_21w, unused: [ground],")
    found = check_structure(load_library(tiny_knowledge))
    assert [p.message for p in found if "tail_lamp" in p.message] == []


def test_a_complaint_with_kinds_may_be_listed_without_its_function(tiny_knowledge):
    change(tiny_knowledge, "complaints.yaml", "function: tail_light", "function: horn")
    change(tiny_knowledge, "complaints.yaml", "    any_of:", "    kinds: [battery_12v]\n    any_of:")
    found = check_structure(load_library(tiny_knowledge))
    assert [p.message for p in found] == [
        "lamp_dead: unknown function or role 'horn'; expected one of light, tail_light"
    ]


def test_numbers_are_counted_by_what_they_rest_on(tiny_knowledge):
    text = "".join(p.read_text() for p in tiny_knowledge.rglob("*.yaml"))
    library = load_library(tiny_knowledge)
    # one visibility, and one factor of the history
    assert text.count("source: estimate") == 2
    assert count_sources(library) == {
        "read": 0,
        "from_memory": 0,
        "common_practice": text.count("source: made_up"),
        "estimate": 2,
    }


def test_a_bikes_own_numbers_are_counted_too(tiny_knowledge):
    before = count_sources(load_library(tiny_knowledge))["common_practice"]
    change(
        tiny_knowledge,
        BIKE,
        "body:",
        'override: {main_fuse: {values: {link.rating: {value: "20 A", source: made_up}}}}\nbody:',
    )
    assert count_sources(load_library(tiny_knowledge))["common_practice"] == before + 1
    change(tiny_knowledge, BIKE, "[lamp_circuit]", "[lamps]")
    assert count_sources(load_library(tiny_knowledge))["common_practice"] == before
