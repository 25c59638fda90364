# ruff: noqa: E501 (a wrong line and what is said of it belong side by side)
"""A knowledge folder is read as written, and everything wrong with it is told at once with its place.

The tiny knowledge base of conftest is the input; expected values are read off its text by hand.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.catalogue.model import EditSpec, ElementSpec, Symptom, Value
from diagnose.catalogue.read import load_library
from diagnose.catalogue.words import (
    DEVICE_ROLES,
    DEVICE_VALUES,
    EDIT_KEYS,
    LAW_VALUES,
    OPTIONAL_VALUES,
)
from diagnose.errors import KnowledgeError, Mark, Problem

KINDS = "components/all.yaml"
SECTION = "sections/lamp_circuit.yaml"


def change(folder: Path, file: str, old: str, new: str) -> None:
    """Replace the first occurrence of `old` in a file of the tiny knowledge base."""
    text = (folder / file).read_text(encoding="utf-8")
    assert old in text, f"the tiny knowledge base has no {old!r}"
    (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")


def line_of(folder: Path, file: str, text: str) -> int:
    lines = (folder / file).read_text(encoding="utf-8").split("\n")
    return next(i for i, line in enumerate(lines, 1) if text in line)


def problems_of(folder: Path) -> tuple[Problem, ...]:
    with pytest.raises(KnowledgeError) as err:
        load_library(folder)
    return err.value.problems


def test_a_library_holds_what_its_files_say(tiny_knowledge):
    library = load_library(tiny_knowledge)
    assert sorted(library.kinds) == [
        "battery_12v",
        "blade_fuse",
        "connector_way",
        "frame_metal",
        "ground_bolt",
        "lamp_21w",
        "toggle_switch",
        "wire",
    ]
    fuse = library.kinds["blade_fuse"]
    assert fuse.elements == (ElementSpec("link", "fuse", "in", "out"),)
    assert fuse.devices[0].roles == {"element": ("link",)}
    assert fuse.modes[0].edits == (EditSpec("open", "link"),)
    assert fuse.modes[0].tags == ("vibration", "age")
    assert fuse.look is not None and fuse.look.minutes.number == 0.5
    assert library.kinds["toggle_switch"].elements[0].closed_in == ("run",)
    assert library.kinds["connector_way"].modes[1].fresh == 10.0
    assert library.complaints["lamp_dead"].any_of == (Symptom("tail_light", ("dead", "very_weak")),)
    assert library.instruments["volts"].values["resistance"].number == 1e7
    assert library.history["wet"].factors == {"wet": 4.0}
    assert library.sources["made_up"].status == "common_practice"
    assert library.bike_files == {"tiny": str(tiny_knowledge / "bikes/tiny.yaml")}


def test_a_value_has_its_unit_source_and_place_and_half_its_tolerance_as_deviation(tiny_knowledge):
    value = load_library(tiny_knowledge).kinds["blade_fuse"].values["link.resistance"]
    assert value == Value(0.008, "ohm", 0.125, "made_up")
    file = str(tiny_knowledge / KINDS)
    assert value.mark == Mark(file, line_of(tiny_knowledge, KINDS, "link.resistance"), 24)


def test_the_ways_of_a_connector_are_parts_beside_each_other(tiny_knowledge):
    change(tiny_knowledge, SECTION, "ways: [feed, ground]", "ways: [feed, ground, brake], wet: true")
    section = load_library(tiny_knowledge).sections["lamp_circuit"]
    ways = {p.id: p for p in section.parts if p.connector == "tail_plug"}
    assert {id: p.neighbours for id, p in ways.items()} == {
        "tail_plug_feed": ("tail_plug_ground",),
        "tail_plug_ground": ("tail_plug_feed", "tail_plug_brake"),
        "tail_plug_brake": ("tail_plug_ground",),
    }
    assert all(p.kind == "connector_way" and p.wet and p.place == "tail" for p in ways.values())
    assert section.connectors[0].ways == tuple(ways)


def test_ways_that_lie_apart_are_not_neighbours(tiny_knowledge):
    change(tiny_knowledge, SECTION, "neighbours: in_order", "neighbours: none")
    section = load_library(tiny_knowledge).sections["lamp_circuit"]
    assert all(p.neighbours == () for p in section.parts if p.connector)


def test_a_bond_of_three_terminals_becomes_two_pairs(tiny_knowledge):
    change(
        tiny_knowledge, SECTION, "[rear_ground.metal, frame.metal]", "[rear_ground.metal, frame.metal, a.b]"
    )
    assert load_library(tiny_knowledge).sections["lamp_circuit"].bonds[2:] == (
        ("rear_ground.metal", "frame.metal"),
        ("rear_ground.metal", "a.b"),
    )


# (file, old text, new text, where the problem stands: text of its line, message)
WRONG = {
    "unknown key": (KINDS, "rate: {value: \"4\"", "rat: {value: \"4\"", "unknown key 'rat'; try rate"),
    "missing key": (KINDS, "    word: fuse\n", "", "components.blade_fuse lacks word"),
    "wrong unit": (
        KINDS,
        '"8 mohm"',
        '"8 mV"',
        "values.link.resistance: '8 mV' is a voltage; expected a resistance such as '8 ohm'",
    ),
    "bare number": (KINDS, '"8 mohm"', "8", "values.link.resistance: 8 is not quoted"),
    "value without source": (
        KINDS,
        '{value: "10 A", source: made_up}',
        '"10 A"',
        "values.link.rating='10 A' has no source; expected {value: \"...\", source: ...}",
    ),
    "negative value": (KINDS, '"8 mohm"', '"-8 mohm"', "'-8 mohm' is too small; expected at least 0"),
    "unknown source": (KINDS, 'value: "8 mohm", tolerance: "25 %", source: made_up', 'value: "8 mohm", source: made', "unknown source 'made'; try made_up"),
    "estimate without why": (
        KINDS,
        'source: estimate, why: "a gap is plain to see"',
        "source: estimate",
        "fatigued.visible is an estimate without a reason; expected why: a few words",
    ),
    "unknown value": (KINDS, "link.rating", "link.ratin", "unknown value 'link.ratin'; try link.rating"),
    "unknown word": (KINDS, "word: fuse", "word: fus", "unknown word 'fus'; try fuse"),
    "unknown law": (KINDS, "law: lamp", "law: lam", "unknown law 'lam'; try lamp"),
    "unknown device law": (KINDS, "blow: {law: fuse", "blow: {law: fuze", "unknown law 'fuze'; try fuse"),
    "empty role": (KINDS, "element: [link]", "element: []", "element of fuse is empty; expected at least one"),
    "role of a wrong element": (KINDS, "element: [link]", "element: [lin]", "unknown element 'lin'; try link"),
    "device named as element": (KINDS, "blow: {law", "link: {law", "device 'link' has the name of an element; try link_device"),
    "unknown terminal": (KINDS, "{law: fuse, plus: in,", "{law: fuse, plus: inn,", "unknown terminal 'inn'; try in (an inner node begins with '#')"),
    "bad inner node": (KINDS, "{law: fuse, plus: in,", "{law: fuse, plus: '#A',", "inner node '#A' is not '#' and snake_case"),
    "terminal not snake_case": (KINDS, "terminals: [plus, minus]", "terminals: [Plus, minus]", "terminal 'Plus' is not snake_case"),
    "terminal twice": (KINDS, "terminals: [plus, minus]", "terminals: [plus, plus]", "terminals plus, plus repeat; expected each once"),
    "closed_in on another law": (KINDS, "{law: fuse, plus: in, minus: out}", "{law: fuse, plus: in, minus: out, closed_in: [run]}", "closed_in belongs to law contact, not 'fuse'"),
    "values no mapping": (KINDS, "    values:\n      contact.resistance: {value: \"5 mohm\", source: made_up}", "    values: [5]", "toggle_switch.values is not a mapping; expected keys such as"),
    "unknown edit": (KINDS, "[{open: link}]", "[{opened: link}]", "unknown edit 'opened'; try open"),
    "edit no mapping": (KINDS, "[{open: link}]", "[open]", "edits.0 is not an edit; expected one such as {open: element}"),
    "two edits in one": (KINDS, "[{open: link}]", "[{open: link, reverse: link}]", "edits.0 has the edits open, reverse; expected one"),
    "no edits": (KINDS, "[{open: link}]", "[]", "fatigued has 0 edits; expected 1 to 4"),
    "edit of an unknown element": (KINDS, "[{open: link}]", "[{open: lnk}]", "unknown element 'lnk'; try link"),
    "edit lacks a key": (KINDS, '{set: cell.emf, to: "10.5 V"}', "{set: cell.emf}", "edits.0 lacks to"),
    "set in a wrong unit": (KINDS, 'to: "10.5 V"', 'to: "10.5 A"', "'10.5 A' is a current; expected a voltage such as '10.5 V'"),
    "set of an unknown value": (KINDS, "set: cell.emf", "set: cell.volts", "unknown value 'cell.volts'"),
    "scale of an unknown value": (KINDS, '{set: cell.emf, to: "10.5 V"}', '{scale: cell, by: "2"}', "unknown value 'cell'"),
    "cross of an unknown terminal": (KINDS, "{cross: b}", "{cross: c}", "unknown terminal 'c'"),
    "move of no end": (KINDS, "[{open: link}]", "[{move: link, to_point: frame.metal}]", "move='link' is not element.plus or element.minus"),
    "move to no terminal": (KINDS, "[{open: link}]", "[{move: link.plus, to_point: frame}]", "to_point='frame' is not component.terminal"),
    "force of no contact": (KINDS, "[{open: link}]", "[{force: link, state: open}]", "force='link' has law fuse; expected a contact"),
    "force to no state": (KINDS, "state: open}", "state: ajar}", "unknown state 'ajar'"),
    "severity missing": (KINDS, "        severity: short\n", "", "edit 'to_ground' takes its ohms from the severity; expected severity: series, leak or short"),
    "severity unused": (KINDS, "edits: [{open: link}]", "edits: [{open: link}]\n        severity: leak", "severity 'leak' is used by no edit; expected one of bridge, series"),
    "unknown severity": (KINDS, "severity: short", "severity: shot", "unknown severity 'shot'; try short"),
    "plain number given a source": (KINDS, 'fresh: "10"', 'fresh: {value: "10", source: made_up}', "crossed.fresh: {'value': '10', 'source': 'made_up'} is not quoted"),
    "chance above one": (KINDS, 'fresh: "10"', 'intermittent: "10"', "intermittent=10 is a chance; expected at most 1"),
    "repair that is not there": (KINDS, "repair: charge", "repair: chrge", "unknown repair 'chrge'; try charge"),
    "cure of no mode": (KINDS, "cures: [fatigued]", "cures: [fatigue]", "unknown mode 'fatigue'; try fatigued or '*'"),
    "unknown sort": (KINDS, "sort: try", "sort: tri", "unknown sort 'tri'; try try"),
    "test at an unknown terminal": (KINDS, "instrument: ohms, plus: feed", "instrument: ohms, plus: fed", "unknown terminal 'fed'; try feed"),
    "test with an unknown instrument": (KINDS, "instrument: ohms", "instrument: ohm", "unknown instrument 'ohm'; try ohms"),
    "test with the engine in no state": (KINDS, "instrument: ohms,", "instrument: ohms, engine: iddle,", "unknown engine state 'iddle'; try idle or a number of rpm"),
    "id not snake_case": (KINDS, "  blade_fuse:", "  Blade-fuse:", "id 'Blade-fuse' is not snake_case; expected letters a-z, digits and '_'"),
    "text that is a number": (KINDS, 'title: "blade fuse"', "title: 7", "title=7 is a number; expected text"),
    "text too long": (KINDS, 'title: "blade fuse"', f"title: {'x' * 2001}", "title is 2001 characters long; expected at most 2000"),
    "flag that is text": (KINDS, "    word: fuse\n", "    word: fuse\n    sensitive: yes\n", "sensitive='yes' is text; expected true or false"),
    "list that is a mapping": (KINDS, "cures: [fatigued]", "cures: {a: b}", "renew.cures is a mapping; expected a list in [ ]"),
    "list with a number": (KINDS, "tags: [vibration, age]", "tags: [vibration, 3]", "tags.1=3 is a number; expected text"),
    "mapping that is a list": (KINDS, "    modes: {}", "    modes: []", "frame_metal.modes is a list; expected a mapping of ids"),
    "kind that is text": (KINDS, "  frame_metal:", "  other: text\n  frame_metal:", "components.other is text; expected keys (title, word, terminals"),
    "unknown kind of part": (SECTION, "kind: blade_fuse", "kind: blade_fus", "unknown kind of part 'blade_fus'; try blade_fuse"),
    "unknown value of a part": (SECTION, "{kind: lamp_21w,", '{kind: lamp_21w, values: {filament.watts: {value: "5 W", source: made_up}},', "unknown value 'filament.watts'; try filament.rated_watts"),
    "part with an unknown spare terminal": (SECTION, "{kind: lamp_21w,", "{kind: lamp_21w, unused: [brake],", "unknown terminal 'brake'"),
    "rest of no position": (SECTION, 'rest: "off"', 'rest: "of"', "unknown position 'of'; try off"),
    "one position": (SECTION, "positions: [off, run]", "positions: [off]", "positions of key are ['off']; expected two or more different words"),
    "position not snake_case": (SECTION, "positions: [off, run]", "positions: [off, Run]", "position 'Run' is not snake_case; expected a word"),
    "words of no position": (SECTION, 'run: "RUN"', 'start: "RUN"', "unknown position 'start'"),
    "words that are no text": (SECTION, 'run: "RUN"', "run: 1", "words of run are not text"),
    "control named as a part of conditions": (SECTION, "  key: {title", "  out: {title", "control 'out' has a name that conditions need; try out_switch"),
    "way twice": (SECTION, "ways: [feed, ground]", "ways: [feed, feed]", "ways of tail_plug are ['feed', 'feed']; expected different words"),
    "way not snake_case": (SECTION, "ways: [feed, ground]", "ways: [feed, Ground]", "way 'Ground' is not snake_case; expected a word"),
    "ways of an unknown kind": (SECTION, "neighbours: in_order", "kind: way", "unknown kind of part 'way'"),
    "no colour": (SECTION, "colour: GN/YE", "colour: green", "colour='green' is not made of IEC 60757 letters; expected such as BU or GN/YE"),
    "wire without copper": (SECTION, '"4 mm2"', '"0 mm2"', "area='0 mm2' is too small; expected at least 0.01"),
    "wire of no length": (SECTION, '"0.3 m"', '"0 m"', "length='0 m' is too small; expected at least 0.001"),
    "bond of one": (SECTION, "[rear_ground.metal, frame.metal]", "[frame.metal]", "bonds.2 is not a bond; expected [component.terminal, component.terminal]"),
    "unknown kind of function": (SECTION, "kind: light", "kind: ligth", "unknown kind of function 'ligth'; try light"),
    "function without an element": (SECTION, "element: tail_lamp.filament, ", "", "tail_light lacks element; expected component.element that makes the light"),
    "spark without needs": (SECTION, "kind: light, element: tail_lamp.filament", "kind: spark", "tail_light of kind spark has no needs; expected needs: [...] that decide whether it works"),
    "needs on a light": (SECTION, "kind: light,", 'kind: light, needs: [{quantity: volts, plus: a.b, minus: c.d, weak: "9 V", dead: "8 V", below: true}],', "tail_light of kind light has needs; expected element: component.element instead"),
    "limits the wrong way round": (SECTION, "kind: light, element: tail_lamp.filament", 'kind: spark, needs: [{quantity: volts, plus: a.b, minus: c.d, weak: "8 V", dead: "9 V", below: true}]', "dead=9 V is on the good side of weak=8 V; expected it below"),
    "need in a wrong unit": (SECTION, "kind: light, element: tail_lamp.filament", 'kind: spark, needs: [{quantity: ohms, plus: a.b, minus: c.d, weak: "8 V", dead: "9 ohm", below: false}]', "weak: '8 V' is a voltage; expected a resistance"),
    "section named unlike its file": (SECTION, "section: lamp_circuit", "section: lamps", "section='lamps' differs from the file's name; expected 'lamp_circuit'"),
    "unknown key of a section": (SECTION, "bonds:", "bond:", "unknown key 'bond'; try bonds"),
    "unknown state": ("complaints.yaml", "very_weak", "very_dim", "unknown state 'very_dim'"),
    "symptom without states": ("complaints.yaml", ", states: [dead, very_weak]", "", "any_of.0 lacks states; expected such as [dead]"),
    "symptom of nothing": ("complaints.yaml", "{function: tail_light, states: [dead, very_weak]}", "{states: [dead]}", "any_of.0 says nothing; expected function, opened, standing, charging or overlit"),
    "charging with one end": ("complaints.yaml", "{function: tail_light, states: [dead, very_weak]}", '{charging: ["13 V"]}', 'charging is not two voltages; expected ["13.2 V", "15.0 V"]'),
    "complaint of nothing": ("complaints.yaml", "    any_of: [{function: tail_light, states: [dead, very_weak]}]\n", "", "lamp_dead says nothing about the bike; expected any_of, all_of or kinds"),
    "complaint about an unknown kind": ("complaints.yaml", "    any_of:", "    kinds: [battery]\n    any_of:", "unknown kind of part 'battery'; try battery_12v"),
    "complaint about a fault that a kind has not": ("complaints.yaml", "    any_of:", "    kinds: [battery_12v.explodes]\n    any_of:", "unknown kind of part 'battery_12v.explodes'; try battery_12v"),
    "unknown instrument": ("measurements.yaml", "  volts:", "  volt:", "unknown instrument 'volt'; try volts"),
    "unknown unit of an instrument": ("measurements.yaml", "unit: V", "unit: Volt", "unknown unit 'Volt'"),
    "unknown kit": ("measurements.yaml", "kit: meter", "kit: metre", "unknown kit 'metre'; try meter"),
    "minutes in volts": ("measurements.yaml", '"0.7 min"', '"0.7 V"', "values.minutes: '0.7 V' is a voltage; expected a time"),
    "unknown tag": ("history.yaml", "factors: {wet:", "factors: {wett:", "unknown tag 'wett'; try wet"),
    "history without why": ("history.yaml", ', why: "water gets into open joints"', "", "wet is an estimate without a reason; expected why: a few words"),
    "unknown status": ("sources.yaml", "status: common_practice", "status: common", "unknown status 'common'; try common_practice"),
    "wrong top key": ("sources.yaml", "sources:", "source:", "unknown key 'source'; try sources"),
    "not a mapping": ("sources.yaml", "sources:", "- sources:", "the file is a list; expected keys (sources)"),
}  # fmt: skip


@pytest.mark.parametrize("what", WRONG)
def test_what_is_wrong_is_told_with_file_and_line(tiny_knowledge, what):
    file, old, new, message = WRONG[what]
    text = (tiny_knowledge / file).read_text(encoding="utf-8")
    first = text[: text.index(old)].count("\n") + 1
    change(tiny_knowledge, file, old, new)
    found = [p for p in problems_of(tiny_knowledge) if message in p.message]
    assert found, "\n".join(map(str, problems_of(tiny_knowledge)))
    assert found[0].file == str(tiny_knowledge / file)
    # at the changed lines, or at the head of the entry that now lacks something
    about_entry = any(
        word in message for word in ("lacks", "says nothing", "has no needs", "has needs", "has 0")
    )
    head = 4 if about_entry or "severity" in message or "good side" in message else 0
    assert first - head <= found[0].line <= first + max(old.count("\n"), new.count("\n"))


def test_what_has_no_elements_may_fail_without_an_electrical_effect(tiny_knowledge):
    mode = '{empty: {title: "no fuel", edits: [], share: {value: "1", source: made_up}, repair: fill}}'
    repair = '{fill: {title: fill it, sort: try, cures: ["*"], minutes: {value: "5 min", source: made_up}, price: {value: "9", source: made_up}}}'
    change(tiny_knowledge, KINDS, "    modes: {}", f"    modes: {mode}\n    repairs: {repair}")
    assert load_library(tiny_knowledge).kinds["frame_metal"].modes[0].edits == ()


def test_ways_need_a_kind_of_connector_way(tiny_knowledge):
    change(tiny_knowledge, KINDS, "  connector_way:", "  connector_ways:")
    (problem,) = problems_of(tiny_knowledge)
    assert problem.message == "unknown kind of part 'connector_way'; try connector_ways"
    assert problem.line == line_of(tiny_knowledge, SECTION, "tail_plug:")


def test_every_wrong_text_was_tried():
    assert len(WRONG) == 94


def test_a_mode_and_the_repair_it_names_must_agree(tiny_knowledge):
    change(tiny_knowledge, KINDS, "cures: [worn]", "cures: [stuck_open]")
    (problem,) = problems_of(tiny_knowledge)
    assert problem.message == "mode worn names repair clean, which does not cure it; try adding it to cures"
    assert problem.line == line_of(tiny_knowledge, KINDS, "repair: clean")


def test_a_kind_twice_in_a_file_is_told_with_both_places(tiny_knowledge):
    second = line_of(tiny_knowledge, KINDS, "  wire:")
    first = line_of(tiny_knowledge, KINDS, "  frame_metal:")
    change(tiny_knowledge, KINDS, "  frame_metal:", "  wire:")
    problem = problems_of(tiny_knowledge)[0]
    assert problem.message == f"key 'wire' appears twice (first at line {first})"
    assert problem.line == second


def test_problems_of_all_files_come_together_sorted_by_place(tiny_knowledge):
    change(tiny_knowledge, "sources.yaml", "status: common_practice", "status: common")
    change(tiny_knowledge, KINDS, "word: lamp", "word: lmp")
    change(tiny_knowledge, KINDS, "law: lamp", "law: lmp")
    (tiny_knowledge / "history.yaml").write_bytes(b"history: \xff")
    found = problems_of(tiny_knowledge)
    assert [Path(p.file).name for p in found] == sorted(Path(p.file).name for p in found)
    assert {Path(p.file).name for p in found} == {"sources.yaml", "all.yaml", "history.yaml"}
    assert [p.line for p in found if p.file.endswith("all.yaml")] == sorted(
        p.line for p in found if p.file.endswith("all.yaml")
    )


def test_one_problem_in_a_kind_does_not_make_others_of_its_users(tiny_knowledge):
    change(tiny_knowledge, KINDS, '"8 mohm"', '"8 mV"')
    assert len(problems_of(tiny_knowledge)) == 1


def test_an_id_in_two_files_is_told_with_both_places(tiny_knowledge):
    (tiny_knowledge / "components/more.yaml").write_text(
        'components:\n  frame_metal: {title: x, word: body, terminals: [metal], rate: {value: "0", source: made_up}, modes: {}}\n'
    )
    (problem,) = problems_of(tiny_knowledge)
    first = f"{tiny_knowledge / KINDS}:{line_of(tiny_knowledge, KINDS, 'frame_metal:')}"
    assert problem.message == f"kind of part 'frame_metal' appears twice (first at {first})"
    assert (Path(problem.file).name, problem.line) == ("more.yaml", 2)


def test_a_folder_without_knowledge_is_refused(tmp_path):
    with pytest.raises(KnowledgeError, match=r"is not a knowledge folder; expected sources\.yaml"):
        load_library(tmp_path)
    with pytest.raises(KnowledgeError, match="is not a knowledge folder"):
        load_library(tmp_path / "nowhere")


def test_a_users_folder_and_single_bikes_go_on_top(tiny_knowledge, tmp_path):
    (tmp_path / "own/bikes").mkdir(parents=True)
    (tmp_path / "own/bikes/mine.yaml").write_text("bike: mine\n")
    (tmp_path / "other.yaml").write_text("bike: other\n")
    library = load_library(tiny_knowledge, [tmp_path / "own", tmp_path / "other.yaml"])
    assert sorted(library.bike_files) == ["mine", "other", "tiny"]
    with pytest.raises(KnowledgeError, match=r"bike 'other' appears twice"):
        load_library(tiny_knowledge, [tmp_path / "other.yaml", tmp_path / "other.yaml"])


def test_a_bike_file_whose_name_is_no_id_is_refused(tiny_knowledge):
    (tiny_knowledge / "bikes/My Bike.yaml").write_text("bike: x\n")
    (problem,) = problems_of(tiny_knowledge)
    assert (
        problem.message
        == "file name 'My Bike.yaml' is not snake_case.yaml; a bike is called by its file's name"
    )


def test_bikes_are_not_read_before_they_are_wanted(tiny_knowledge):
    (tiny_knowledge / "bikes/broken.yaml").write_bytes(b"\xff")
    assert "broken" in load_library(tiny_knowledge).bike_files


def test_laws_and_devices_of_knowledge_are_those_of_the_circuit():
    """catalogue may not import circuit, so both have a table; this holds them together."""
    from diagnose.circuit import netlist

    assert set(LAW_VALUES) == set(netlist.LAWS)
    for law, values in LAW_VALUES.items():
        assert set(values) - OPTIONAL_VALUES - {"closed"} == set(netlist.LAWS[law]) - {"closed"}
    assert {law: tuple(roles) for law, roles in DEVICE_ROLES.items()} == dict(netlist.DEVICE_ROLES)
    assert {law: tuple(values) for law, values in DEVICE_VALUES.items()} == dict(netlist.DEVICE_VALUES)
    told_to_the_bike = {"trigger_volts", "ac_per_1000rpm", "phase", "reactance_per_1000rpm", "alternating"}
    told_to_the_bike |= {"rated_load", "wakes_at", "dc_per_1000rpm", "held_volts", "charge_most"}
    told_to_the_bike |= {"surface_volts"}
    assert {"closed"} | told_to_the_bike == OPTIONAL_VALUES
    assert len(EDIT_KEYS) == 12


def test_a_trigger_belongs_to_a_contact_and_names_two_terminals(tiny_knowledge):
    change_or_fail = (tiny_knowledge / "components/all.yaml").read_text()
    for old, new in (
        ('closed_in: ["run"]}', 'closed_in: ["run"], triggered_by: [in]}'),
        ('closed_in: ["run"]}', 'closed_in: ["run"], triggered_by: [in, outer]}'),
    ):
        (tiny_knowledge / "components/all.yaml").write_text(change_or_fail.replace(old, new))
        with pytest.raises(KnowledgeError) as err:
            load_library(tiny_knowledge)
        said = " ".join(str(p) for p in err.value.problems)
        assert "expected a contact and two terminals" in said or "unknown terminal 'outer'" in said
