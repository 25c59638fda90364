# ruff: noqa: E501 (a wrong line and what is said of it belong side by side)
"""A bike is composed from its sections: parts, wires as parts, and the node of every terminal.

Expected nodes are read off the tiny knowledge base of conftest by hand; networkx's connected components
are the second opinion on which terminals touch.
"""

from __future__ import annotations

from pathlib import Path

import networkx
import pytest

from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.read import load_library
from diagnose.catalogue.spec import BikeSpec
from diagnose.errors import KnowledgeError, Problem, UsageError

SECTION = "sections/lamp_circuit.yaml"
BIKE = "bikes/tiny.yaml"


def change(folder: Path, file: str, old: str, new: str) -> None:
    text = (folder / file).read_text(encoding="utf-8")
    assert old in text, f"the tiny knowledge base has no {old!r}"
    (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")


def compose(folder: Path, overlay: dict | None = None) -> BikeSpec:
    return compose_bike(load_library(folder), "tiny", overlay)


def problems_of(folder: Path, overlay: dict | None = None) -> tuple[Problem, ...]:
    library = load_library(folder)
    with pytest.raises(KnowledgeError) as err:
        compose_bike(library, "tiny", overlay)
    return err.value.problems


def test_parts_are_those_of_the_sections_then_the_wires(tiny_knowledge):
    spec = compose(tiny_knowledge)
    assert list(spec.parts) == [
        "battery",
        "main_fuse",
        "key_switch",
        "tail_lamp",
        "rear_ground",
        "frame",
        "tail_plug_feed",
        "tail_plug_ground",
        "battery_lead",
        "fuse_lead",
        "tail_feed",
        "tail_ground",
        "frame_lead",
    ]
    assert set(spec.wires) == {id for id, p in spec.parts.items() if p.kind == "wire"}
    assert spec.connectors == {"tail_plug": ("tail_plug_feed", "tail_plug_ground")}
    assert spec.connector_titles == {"tail_plug": "tail plug"}
    assert set(spec.kinds) == {p.kind for p in spec.parts.values()}
    assert (spec.supply_volts, spec.idle_rpm, spec.cranking_rpm) == (12.0, 1300.0, 400.0)
    assert spec.complaints == ("lamp_dead",) and spec.invented and not spec.fresh
    assert spec.functions["tail_light"].element == "tail_lamp.filament"


def test_a_wire_is_a_part_between_the_nodes_of_its_ends(tiny_knowledge):
    spec = compose(tiny_knowledge)
    nodes = spec.nodes
    assert nodes["tail_feed.a"] == nodes["key_switch.out"] == "key_switch.out"
    assert nodes["tail_feed.b"] == nodes["tail_plug_feed.a"] == "tail_plug_feed.a"
    assert spec.parts["tail_feed"].title == "GN/YE wire from key switch to tail plug, feed"
    assert spec.parts["tail_feed"].neighbours == ("tail_ground",)


def test_the_resistance_of_a_wire_is_computed_from_area_and_length(tiny_knowledge):
    value = compose(tiny_knowledge).parts["tail_feed"].values["core.resistance"]
    # 17.241e-3 ohm mm2/m x 1.05 x 1.2 m / 0.75 mm2 = 28.965 mohm, and two crimps of 0.5 mohm
    assert value.number == pytest.approx(29.965e-3, rel=1e-4)
    assert (value.unit, value.source) == ("ohm", "computed")


def test_terminals_that_touch_are_one_node_named_after_the_first_declared(tiny_knowledge):
    nodes = compose(tiny_knowledge).nodes
    assert nodes["rear_ground.metal"] == nodes["frame.metal"] == nodes["frame_lead.a"] == "rear_ground.metal"
    assert nodes["tail_lamp.feed"] == nodes["tail_plug_feed.b"] == "tail_lamp.feed"


def test_nodes_are_the_connected_components_of_bonds_and_wire_ends(tiny_knowledge):
    library = load_library(tiny_knowledge)
    spec = compose_bike(library, "tiny")
    graph = networkx.Graph()
    for part in spec.parts.values():
        graph.add_nodes_from(f"{part.id}.{t}" for t in spec.kinds[part.kind].terminals)
    graph.add_edges_from(library.sections["lamp_circuit"].bonds)
    for wire in spec.wires.values():
        graph.add_edges_from([(f"{wire.id}.a", wire.start), (f"{wire.id}.b", wire.end)])
    groups = {frozenset(c) for c in networkx.connected_components(graph)}
    ours: dict[str, set[str]] = {}
    for point, node in spec.nodes.items():
        ours.setdefault(node, set()).add(point)
    assert {frozenset(points) for points in ours.values()} == groups
    assert len(groups) == 12
    assert all(name in points for name, points in ours.items())


def test_composing_twice_gives_equal_bikes(tiny_knowledge):
    assert compose(tiny_knowledge) == compose(tiny_knowledge)


def test_a_bike_is_found_by_the_path_of_its_file(tiny_knowledge, tmp_path):
    library = load_library(tiny_knowledge)
    own = tmp_path / "mine.yaml"
    own.write_text((tiny_knowledge / BIKE).read_text().replace("bike: tiny", "bike: mine"))
    spec = compose_bike(library, str(own))
    assert (spec.id, spec.path) == ("mine", str(own))
    assert list(spec.parts) == list(compose(tiny_knowledge).parts)


def test_an_unknown_bike_is_refused_with_near_misses(tiny_knowledge):
    with pytest.raises(UsageError, match="unknown bike 'tinny'; try tiny"):
        compose_bike(load_library(tiny_knowledge), "tinny")
    with pytest.raises(KnowledgeError, match="cannot be read: No such file"):
        compose_bike(load_library(tiny_knowledge), "nowhere/mine.yaml")


def test_a_splice_into_another_wire_is_a_joint_of_its_end(tiny_knowledge):
    change(
        tiny_knowledge,
        SECTION,
        "bonds:",
        '  extra: {from: fuse_lead.b, to: tail_lamp.ground, area: "1 mm2", length: "1 m", colour: BU, place: seat}\nbonds:',
    )
    assert compose(tiny_knowledge).nodes["extra.a"] == "key_switch.in"


def test_a_bike_overrides_parts_and_wires_of_its_sections(tiny_knowledge):
    change(
        tiny_knowledge,
        BIKE,
        "body:",
        """override:
  main_fuse: {title: "20 A fuse", values: {link.rating: {value: "20 A", source: made_up}}}
  tail_feed: {area: "1.5 mm2", colour: BU}
wiring: fresh
supply: "6 V"
idle: "1100 rpm"
body:""",
    )
    change(tiny_knowledge, BIKE, 'supply: "12 V"\n', "")
    spec = compose(tiny_knowledge)
    assert spec.parts["main_fuse"].title == "20 A fuse"
    assert spec.parts["main_fuse"].values["link.rating"].number == 20.0
    assert spec.parts["main_fuse"].place == "seat"
    assert spec.wires["tail_feed"].area_mm2 == 1.5 and spec.wires["tail_feed"].length_m == 1.2
    assert spec.parts["tail_feed"].title.startswith("BU wire")
    assert (spec.fresh, spec.supply_volts, spec.idle_rpm) == (True, 6.0, 1100.0)


def test_a_bike_adds_parts_and_joins_of_its_own(tiny_knowledge):
    change(
        tiny_knowledge,
        BIKE,
        "body:",
        """parts:
  second_lamp: {kind: lamp_21w, title: "second lamp", place: tail}
joins:
  second_feed: {from: tail_lamp.feed, to: second_lamp.feed, area: "1 mm2", length: "0.2 m", colour: BU, place: tail}
bonds: [[second_lamp.ground, rear_ground.eye]]
body:""",
    )
    spec = compose(tiny_knowledge)
    assert spec.nodes["second_feed.b"] == "second_lamp.feed"
    assert spec.nodes["second_lamp.ground"] == "rear_ground.eye"


def test_a_wire_of_another_kind_keeps_the_resistance_its_kind_gives(tiny_knowledge):
    change(
        tiny_knowledge,
        "components/all.yaml",
        "  connector_way:",
        """  ht_lead:
    title: "resistive lead"
    word: wire
    terminals: [a, b]
    rate: {value: "0", source: made_up}
    elements: {core: {law: resistor, plus: a, minus: b}}
    values: {core.resistance: {value: "5 kohm", source: made_up}}
    modes: {}
  connector_way:""",
    )
    change(tiny_knowledge, SECTION, "colour: GN/YE,", "colour: GN/YE, kind: ht_lead,")
    part = compose(tiny_knowledge).parts["tail_feed"]
    assert part.kind == "ht_lead" and part.values == {}


def test_what_is_not_fitted_on_a_bike_leaves_its_functions_and_neighbours(tiny_knowledge):
    change(tiny_knowledge, BIKE, "body:", "not_fitted: [tail_lamp, tail_ground]\nbody:")
    spec = compose(tiny_knowledge)
    assert "tail_lamp" not in spec.parts and "tail_ground" not in spec.wires
    assert spec.functions == {}
    assert spec.parts["tail_feed"].neighbours == ()
    assert "tail_lamp.feed" not in spec.nodes
    # the way's far side is now a node of its own name
    assert spec.nodes["tail_plug_feed.b"] == "tail_plug_feed.b"


def test_a_function_of_several_lamps_keeps_those_that_are_fitted(tiny_knowledge):
    change(
        tiny_knowledge,
        SECTION,
        "  rear_ground:",
        '  other_lamp: {kind: lamp_21w, title: "other lamp", place: tail, unused: [feed, ground]}\n  rear_ground:',
    )
    change(
        tiny_knowledge,
        SECTION,
        "element: tail_lamp.filament",
        'element: "tail_lamp.filament, other_lamp.filament"',
    )
    both = ("tail_lamp.filament", "other_lamp.filament")
    assert compose(tiny_knowledge).functions["tail_light"].elements == both
    one = compose(tiny_knowledge, {"not_fitted": ["tail_lamp"]})
    assert one.functions["tail_light"].elements == ("other_lamp.filament",)
    none = compose(tiny_knowledge, {"not_fitted": ["tail_lamp", "other_lamp"]})
    assert none.functions == {}


def test_a_part_that_becomes_another_kind_keeps_only_values_that_kind_has(tiny_knowledge):
    change(
        tiny_knowledge,
        "components/all.yaml",
        "  ground_bolt:",
        """  lamp_led:
    title: "LED lamp"
    word: led
    terminals: [feed, ground]
    rate: {value: "0", source: made_up}
    elements: {chip: {law: resistor, plus: feed, minus: ground}}
    values: {chip.resistance: {value: "100 ohm", source: made_up}}
    modes: {}
  ground_bolt:""",
    )
    change(
        tiny_knowledge,
        SECTION,
        "{kind: lamp_21w,",
        '{kind: lamp_21w, values: {filament.rated_watts: {value: "5 W", source: made_up}},',
    )
    change(tiny_knowledge, SECTION, "tail_lamp.filament", "tail_lamp.chip")
    change(tiny_knowledge, BIKE, "body:", "override: {tail_lamp: {kind: lamp_led}}\nbody:")
    part = compose(tiny_knowledge).parts["tail_lamp"]
    assert (part.kind, part.values, part.title) == ("lamp_led", {}, "tail lamp")


def test_a_neighbour_that_this_bike_does_not_have_is_left_out(tiny_knowledge):
    (tiny_knowledge / "sections/other.yaml").write_text(
        'section: other\ntitle: "x"\nparts:\n  horn: {kind: lamp_21w, title: "x", place: seat}\n'
    )
    change(tiny_knowledge, SECTION, "neighbours: [tail_ground]", "neighbours: [horn, tail_ground]")
    assert compose(tiny_knowledge).parts["tail_feed"].neighbours == ("tail_ground",)


def test_two_sections_may_share_a_place_that_they_describe_alike(tiny_knowledge):
    other = tiny_knowledge / "sections/other.yaml"
    other.write_text(
        'section: other\ntitle: "x"\nplaces:\n  seat: {title: "under the seat", access: "1 min", close: "1 min"}\n'
    )
    change(tiny_knowledge, BIKE, "[lamp_circuit]", "[lamp_circuit, other]")
    assert list(compose(tiny_knowledge).places) == ["seat", "tail"]
    other.write_text(other.read_text().replace('"1 min"', '"2 min"', 1))
    (problem,) = problems_of(tiny_knowledge)
    assert problem.message.startswith("place 'seat' differs from the one at ")
    assert (problem.file, problem.line) == (str(other), 4)


# name -> (file, old, new, message)
WRONG = {
    "unknown section": (BIKE, "[lamp_circuit]", "[lamp_circut]", "unknown section 'lamp_circut'; try lamp_circuit"),
    "section twice": (BIKE, "[lamp_circuit]", "[lamp_circuit, lamp_circuit]", "sections lamp_circuit, lamp_circuit repeat; expected each once"),
    "bike named unlike its file": (BIKE, "bike: tiny", "bike: small", "bike='small' differs from the file's name; expected 'tiny'"),
    "unknown complaint": (BIKE, "[lamp_dead]", "[lamp_deaf]", "unknown complaint 'lamp_deaf'; try lamp_dead"),
    "unknown override": (BIKE, "body:", "override: {main_fuze: {title: x}}\nbody:", "unknown part, wire or function 'main_fuze'; try main_fuse"),
    "unknown key of an override": (BIKE, "body:", "override: {main_fuse: {area: x}}\nbody:", "unknown key 'area'"),
    "body lacks a role": (BIKE, ", engine: frame.metal", "", "body lacks engine"),
    "body at no terminal": (BIKE, "frame: frame.metal", "frame: frame.bolt", "frame: unknown terminal 'frame.bolt'; try frame.metal"),
    "missing keys": (BIKE, 'text: "Invented for the tests; not a real machine."\n', "", "the file lacks text"),
    "unknown wiring": (BIKE, "body:", "wiring: new\nbody:", "unknown wiring 'new'"),
    "supply in the wrong unit": (BIKE, '"12 V"', '"12 A"', "supply: '12 A' is a current; expected a voltage"),
    "not fitted and not there": (BIKE, "body:", "not_fitted: [horn]\nbody:", "unknown component 'horn'"),
    "component twice": (BIKE, "body:", 'joins: {tail_feed: {from: battery.plus, to: tail_lamp.feed, area: "1 mm2", length: "1 m", colour: BU, place: seat}}\nbody:', "component 'tail_feed' appears twice (first at "),
    "function twice": (BIKE, "body:", 'functions: {tail_light: {title: x, kind: charge, when: ""}}\nbody:', "function 'tail_light' appears twice (first at "),
    "wire from nowhere": (SECTION, "{from: battery.plus", "{from: batery.plus", "battery_lead from: unknown component 'batery'; try battery"),
    "wire to no terminal": (SECTION, "to: main_fuse.in", "to: main_fuse.inn", "battery_lead to: unknown terminal 'main_fuse.inn'; try main_fuse.in"),
    "wire to a component": (SECTION, "to: main_fuse.in", "to: main_fuse", "battery_lead to: 'main_fuse' is not component.terminal"),
    "bond to no terminal": (SECTION, "[tail_plug_feed.b,", "[tail_plug_feed.c,", "bond: unknown terminal 'tail_plug_feed.c'; try"),
    "wire between nothing but wires": (SECTION, "from: battery.plus, to: main_fuse.in", "from: battery_lead.b, to: battery_lead.a", "battery_lead.a touches only wires; expected a part's terminal"),
    "unknown place": (SECTION, 'title: "battery", place: seat', 'title: "battery", place: set', "battery: unknown place 'set'; try seat"),
    "unknown neighbour": (SECTION, "neighbours: [tail_ground]", "neighbours: [tail_grund]", "tail_feed: unknown neighbour 'tail_grund'; try tail_ground"),
    "unknown connector": (SECTION, "unplugs: tail_plug", "unplugs: tail_plg", "tail_lamp: unknown connector 'tail_plg'; try tail_plug"),
    "unknown control": (SECTION, "control: key}", "control: kye}", "key_switch: unknown control 'kye'; try key"),
    "no control": (SECTION, ", control: key}", "}", "key_switch: kind toggle_switch has contacts closed in run; expected control: ID"),
    "contact closed in no position": ("components/all.yaml", 'closed_in: ["run"]', "closed_in: [ran]", "key_switch: control key: unknown position 'ran'; try run"),
    "value of a law missing": ("components/all.yaml", '      filament.cold_ratio: {value: "13", source: made_up}\n', "", "tail_lamp: lacks filament.cold_ratio, which neither the part nor its kind lamp_21w gives"),
    "value of a device missing": ("components/all.yaml", '      blow.opens_at: {value: "1.35", source: made_up}\n', "", "main_fuse: lacks blow.opens_at"),
    "wire of no kind of wire": (SECTION, "colour: GN/YE,", "colour: GN/YE, kind: connector_way,", "tail_feed: kind 'connector_way' is no kind of wire; expected terminals [a, b] and one element 'core'"),
    "function of no part": (SECTION, "tail_lamp.filament", "tail_lmp.filament", "tail_light: unknown component 'tail_lmp'; try tail_lamp"),
    "function of no element": (SECTION, "tail_lamp.filament", "tail_lamp.feed", "tail_light: unknown element of tail_lamp 'feed'"),
    "function in no condition": (SECTION, 'when: "key=run"', 'when: "key=ran"', "tail_light: condition 'key=ran': unknown position of key 'ran'; try run"),
    "twin that is not there": (SECTION, "roles: [light]", "twin: other", "tail_light: unknown function 'other'"),
    "need at no terminal": (SECTION, "kind: light, element: tail_lamp.filament", 'kind: spark, needs: [{quantity: volts, plus: battery.plus, minus: battery.mid, weak: "9 V", dead: "8 V", below: true}]', "tail_light: unknown terminal 'battery.mid'"),
}  # fmt: skip


@pytest.mark.parametrize("what", WRONG)
def test_what_is_wrong_with_a_bike_is_told_with_its_place(tiny_knowledge, what):
    file, old, new, message = WRONG[what]
    text = (tiny_knowledge / file).read_text(encoding="utf-8")
    line = text[: text.index(old)].count("\n") + 1
    change(tiny_knowledge, file, old, new)
    with pytest.raises(KnowledgeError) as err:
        compose(tiny_knowledge)
    found = [p for p in err.value.problems if message in p.message]
    assert found, str(err.value)
    if file != "components/all.yaml" and "lacks" not in message:
        assert found[0].file == str(tiny_knowledge / file)
        assert found[0].line == line


def test_every_wrong_bike_was_tried():
    assert len(WRONG) == 33


def test_the_needs_of_charging_may_name_an_inner_node(tiny_knowledge):
    change(tiny_knowledge, "components/all.yaml", "{law: lamp, plus: feed,", "{law: lamp, plus: '#j',")
    need = (
        '{quantity: ac_volts, plus: tail_lamp.#j, minus: frame.metal, weak: "12 V", dead: "5 V", below: true}'
    )
    change(
        tiny_knowledge,
        SECTION,
        "kind: light,",
        f"kind: charge, needs: [{need}],".replace("tail_lamp.#j", "'tail_lamp.#j'"),
    )
    assert compose(tiny_knowledge).functions["tail_light"].needs[0].plus == "tail_lamp.#j"
    change(tiny_knowledge, SECTION, "tail_lamp.#j", "tail_lamp.#k")
    (problem,) = problems_of(tiny_knowledge)
    assert (
        problem.message == "tail_light: unknown terminal 'tail_lamp.#k'; try tail_lamp.feed, tail_lamp.ground"
    )


def test_a_library_without_a_kind_for_wires_is_refused(tiny_knowledge):
    change(tiny_knowledge, "components/all.yaml", "\n  wire:", "\n  lead:")
    (problem,) = problems_of(tiny_knowledge)
    assert problem.message == "the library has no kind 'wire', which every wire is"


def test_a_bike_file_that_is_no_mapping_is_refused(tiny_knowledge):
    (tiny_knowledge / BIKE).write_text("- bike\n")
    (problem,) = problems_of(tiny_knowledge)
    assert "the file is a list; expected keys (bike, title, text" in problem.message


# ---- this bike differs -------------------------------------------------------------------------------


def test_a_part_said_to_be_not_fitted_leaves_its_wires_hanging(tiny_knowledge):
    spec = compose(tiny_knowledge, {"not_fitted": ["tail_plug", "key_switch"]})
    assert "key_switch" not in spec.parts and spec.connectors == {}
    assert spec.parts["tail_lamp"].unplugs == ""
    # the bare ends keep the name of the terminal they had
    assert spec.nodes["fuse_lead.b"] == "key_switch.in"
    assert spec.nodes["tail_feed.a"] == "key_switch.out"
    assert "key_switch.in" not in spec.nodes
    assert spec.nodes["tail_feed.b"] == "tail_plug_feed.a"


def test_a_part_said_to_be_bypassed_joins_its_two_sides(tiny_knowledge):
    spec = compose(tiny_knowledge, {"bypassed": ["key_switch"]})
    assert "key_switch" not in spec.parts
    assert spec.nodes["fuse_lead.b"] == spec.nodes["tail_feed.a"]
    plug = compose(tiny_knowledge, {"bypassed": ["tail_plug"]}).nodes
    assert plug["tail_feed.b"] == plug["tail_lamp.feed"] and plug["tail_ground.a"] == plug["tail_lamp.ground"]
    wire = compose(tiny_knowledge, {"bypassed": ["fuse_lead"]}).nodes
    assert wire["main_fuse.out"] == wire["key_switch.in"]


def test_another_colour_and_another_place_are_told_of_one_bike_only(tiny_knowledge):
    overlay = {"colour": {"tail_feed": "BU/WH"}, "place": {"main_fuse": "tail", "tail_feed": "seat"}}
    spec = compose(tiny_knowledge, overlay)
    assert spec.wires["tail_feed"].colour == "BU/WH" and spec.parts["tail_feed"].title.startswith(
        "BU/WH wire"
    )
    assert spec.parts["main_fuse"].place == "tail" and spec.parts["tail_feed"].place == "seat"
    assert compose(tiny_knowledge).parts["main_fuse"].place == "seat"


def test_something_added_is_written_as_in_a_section(tiny_knowledge):
    added = {
        "parts": {"extra_lamp": {"kind": "lamp_21w", "title": "extra lamp", "place": "tail"}},
        "wires": {
            "extra_feed": {
                "from": "tail_lamp.feed",
                "to": "extra_lamp.feed",
                "area": "1 mm2",
                "length": "0.2 m",
                "colour": "BU",
                "place": "tail",
            }
        },
        "bonds": [["extra_lamp.ground", "rear_ground.eye"]],
    }
    spec = compose(tiny_knowledge, {"added": added})
    assert spec.nodes["extra_feed.b"] == "extra_lamp.feed"
    assert spec.nodes["extra_lamp.ground"] == "rear_ground.eye"


OVERLAYS = {
    "unknown key": ({"missing": []}, "what differs on this bike: unknown key 'missing'"),
    "unknown part": ({"not_fitted": ["main_fuze"]}, "not_fitted: unknown component 'main_fuze'; try main_fuse"),
    "unknown bypass": ({"bypassed": ["main_fuze"]}, "bypassed: unknown component 'main_fuze'; try main_fuse"),
    "one terminal": ({"bypassed": ["frame"]}, "bypassed: frame has 1 terminals; expected a part with two; try not_fitted"),
    "unknown wire": ({"colour": {"main_fuse": "BU"}}, "colour: unknown wire 'main_fuse'"),
    "no colour": ({"colour": {"tail_feed": "blue"}}, "colour of tail_feed='blue'; expected IEC 60757 letters"),
    "unknown place": ({"place": {"main_fuse": "tank"}}, "place: unknown place 'tank'"),
    "nothing to place": ({"place": {"horn": "seat"}}, "place: unknown component 'horn'"),
    "no list": ({"not_fitted": "horn"}, "not_fitted='horn' is not a list of ids; expected such as [horn]"),
    "no mapping": ({"colour": ["BU"]}, "colour=['BU'] is not a mapping of ids to words"),
}  # fmt: skip


@pytest.mark.parametrize("what", OVERLAYS)
def test_a_difference_that_the_bike_cannot_have_is_refused(tiny_knowledge, what):
    overlay, message = OVERLAYS[what]
    with pytest.raises(UsageError) as err:
        compose(tiny_knowledge, overlay)
    assert message in str(err.value)


def test_an_addition_that_cannot_be_read_is_a_list_of_problems(tiny_knowledge):
    found = problems_of(tiny_knowledge, {"added": {"parts": {"x": {"kind": "lmp_21w"}}, "wire": {}}})
    assert {p.file for p in found} == {"what differs on this bike"}
    assert [p.message for p in found if "lmp_21w" in p.message] == [
        "unknown kind of part 'lmp_21w'; try lamp_21w"
    ]
    assert any("unknown key 'wire'; try wires" in p.message for p in found)
    assert any("expected keys (places" in p.message for p in problems_of(tiny_knowledge, {"added": [1]}))


# ---- ports


def _by_port(folder: Path, offers: str, in_bike: str = "") -> None:
    """The tiny bike, its lamp's feed asked by a port; `offers` is a second section's and this one's ports."""
    change(
        folder, SECTION, "from: key_switch.out, to: tail_plug_feed.a", 'from: "@lights", to: tail_plug_feed.a'
    )
    change(folder, SECTION, "[rear_ground.metal, frame.metal]", '["@rear_metal", frame.metal]')
    change(folder, SECTION, "places:", "ports: {rear_metal: rear_ground.metal}\nplaces:")
    (folder / "sections" / "other.yaml").write_text(
        f'section: other\ntitle: "what it offers"\nports: {offers}\n', encoding="utf-8"
    )
    change(folder, BIKE, "[lamp_circuit]", "[lamp_circuit, other]")
    if in_bike:
        change(folder, BIKE, "body:", f"ports: {in_bike}\nbody:")


def test_a_wire_or_bond_asks_for_a_port_and_gets_the_terminal_that_is_offered(tiny_knowledge):
    """The bike by ports is the bike with the terminals written out."""
    plain = compose(tiny_knowledge)
    _by_port(tiny_knowledge, "{lights: key_switch.out}")
    assert compose(tiny_knowledge).nodes == plain.nodes
    assert compose(tiny_knowledge).wires["tail_feed"].start == "key_switch.out"


def test_the_bike_decides_what_two_sections_offer_and_fills_what_none_does(tiny_knowledge):
    _by_port(
        tiny_knowledge,
        "{lights: key_switch.in, rear_metal: battery.minus}",
        "{lights: key_switch.out, rear_metal: rear_ground.metal}",
    )
    assert compose(tiny_knowledge).wires["tail_feed"].start == "key_switch.out"


@pytest.mark.parametrize(
    ("offers", "expected"),
    [
        (
            "{lamps: key_switch.out}",
            "tail_feed from: unknown port 'lights'; expected one of lamps, rear_metal; try a section that offers it",
        ),
        (
            "{lights: key_switch.out, rear_metal: battery.minus}",
            "bond: port 'rear_metal' is offered as rear_ground.metal (",
        ),
        ("{lights: key_switch}", "port lights='key_switch' is no terminal; expected component.terminal"),
        ("{lights: key_switch.upper}", "tail_feed from: unknown terminal 'key_switch.upper'"),
    ],
)
def test_a_port_that_cannot_be_used_is_told_with_its_place(tiny_knowledge, offers, expected):
    _by_port(tiny_knowledge, offers)
    with pytest.raises(KnowledgeError) as err:
        compose_bike(load_library(tiny_knowledge), "tiny")
    assert any(expected in str(p) for p in err.value.problems), err.value.problems
    assert all(p.file and p.line for p in err.value.problems)
