"""Drawings of a loom: every part of a path is in it, text keeps its width, labels keep apart.

The oracle is a search of its own on the netlist (networkx, here in the tests) and on the bike's file; label
boxes are measured from the SVG as written. The shapes of symbols are IEC 60617 from memory and not checked.
"""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from functools import cache
from pathlib import Path

import networkx as nx
import pytest
import shipped

from diagnose.bike.build import Build, build, condition_edits
from diagnose.bike.currents import as_condition
from diagnose.catalogue.compose import compose_bike
from diagnose.circuit.netlist import Change
from diagnose.cli import main
from diagnose.conversation.session import new_session
from diagnose.draw.function import function_elements
from diagnose.draw.loom import draw_loom
from diagnose.draw.plan import Branch, Drawing, Item, items_of, parts_of, plan
from diagnose.draw.svg import as_svg
from diagnose.draw.text import as_text

BIKES = tuple(sorted(p.stem for p in (shipped.KNOWLEDGE / "bikes").glob("*.yaml")))
SOME = ("commuter_single", "points_single_half_wave")  # the others by command
README = Path(__file__).resolve().parent.parent / "README.md"
SVG = "{http://www.w3.org/2000/svg}"
GLYPH = 0.62  # width of a character over the size of its font, of DejaVu Sans in these texts (measured)


@cache
def built_of(bike: str) -> Build:
    return build(compose_bike(shipped.opened().library, bike))


@cache
def whole(bike: str) -> Drawing:
    built = built_of(bike)
    return plan(draw_loom(built, as_condition(built, "")), built.spec.title, "everything at rest")


@cache
def path_of(bike: str, function: str) -> Drawing:
    built = built_of(bike)
    f = built.spec.functions[function]
    loom = draw_loom(built, as_condition(built, f.when))
    return plan(loom, f.title, f.when, function_elements(loom, f))


def items(drawing: Drawing) -> list[Item]:
    return [i for _, tree in drawing.trees for i in items_of(tree)]


def branches(branch: Branch):
    yield branch
    for b in branch.branches:
        yield from branches(b)


# --- what is in it -----------------------------------------------------------------------------


@pytest.mark.parametrize("bike", BIKES)
def test_every_part_of_a_bike_is_drawn_or_named_apart(bike):
    built, drawing = built_of(bike), whole(bike)
    spec = built.spec
    drawn = parts_of(drawing)
    battery = spec.live_post.partition(".")[0]
    left = {p.title for p in spec.parts.values() if p.id not in drawn and p.id != battery}
    assert left == set(drawing.apart)
    # only what has no ends of its own may stand apart: metal, and what is no electrics at all
    assert {spec.kinds[p.kind].word for p in spec.parts.values() if p.title in left} <= {"body", "engine"}
    assert len(drawn) >= 50


@pytest.mark.parametrize("bike", BIKES)
def test_every_wire_is_drawn_once_with_its_colour(bike):
    drawn = [(i.part, i.colour) for i in items(whole(bike)) if i.sort == "wire"]
    wires = {w.id: w.colour for w in built_of(bike).spec.wires.values()}
    seen = {part for part, _ in drawn}
    assert {p: c for p, c in drawn if p in wires} == {w: c for w, c in wires.items() if w in seen}
    assert len(drawn) == len(seen) and len(seen) >= 20


@pytest.mark.parametrize("bike", BIKES)
def test_a_lamp_symbol_stands_for_a_light_and_not_for_its_holder(bike):
    """As many lamp symbols as the netlist has things that light, of lamps and LEDs in parts of their own."""
    built = built_of(bike)
    kinds, parts = built.spec.kinds, built.spec.parts
    own = [
        e for e in built.netlist.elements if kinds[parts[e.id.partition(".")[0]].kind].word in ("lamp", "led")
    ]
    light = {e.id for e in own if e.law != "resistor"}
    shown = [i for i in items(whole(bike)) if i.sort in ("lamp", "led")]
    assert 0 < len(shown) <= len(light)
    assert not [i for i in shown if i.by == "ground"]


def test_bikes_are_all_tried():
    assert len(BIKES) >= 9


def own_search(built: Build, when: str) -> nx.Graph:
    """The conductors of the netlist in a condition: what is closed conducts, no lamp or module does."""
    closed = {e.id: e.values.get("closed", 1.0) for e in built.netlist.elements if e.law == "contact"}
    for edit in condition_edits(built, as_condition(built, when)):
        if isinstance(edit, Change) and edit.param == "closed":
            closed[edit.target] = edit.value
    graph = nx.Graph()
    for e in built.netlist.elements:
        ohms = e.values.get("resistance", 1e9)
        if (
            (e.law == "contact" and closed[e.id] > 0.5)
            or e.law == "fuse"
            or (e.law == "resistor" and ohms < 0.1)
        ):
            graph.add_edge(e.plus, e.minus, part=e.id.partition(".")[0])
    return graph


@pytest.mark.parametrize(
    ("bike", "function"),
    [
        ("points_single_half_wave", "low_beam"),
        ("points_single_half_wave", "high_beam"),
        ("road_twin", "low_beam"),
        ("road_twin", "horn"),
        ("road_four", "brake_light_rear"),
        ("trail_single", "horn"),
        ("commuter_single", "horn"),
        ("classic_four", "low_beam"),
    ],
)
def test_a_direct_path_is_the_one_that_conducts(bike, function):
    """Where nothing but copper feeds a lamp or horn, its parts are those that a current must pass: the parts
    without which no closed way joins post and consumer (cut by cut, an independent search)."""
    built = built_of(bike)
    spec, f = built.spec, built.spec.functions[function]
    graph = own_search(built, f.when)
    plus, minus = (spec.nodes[spec.body[r]] for r in ("battery_plus", "battery_minus"))
    element = built.elements[f.elements[0]]
    must = {element.id.partition(".")[0]}
    for a, b in ((plus, element.plus), (element.minus, minus)):
        ways = (
            [nx.shortest_path(graph, a, b)] if a in graph and b in graph and nx.has_path(graph, a, b) else []
        )
        assert ways, f"{function} is not fed by copper alone"
        for u, v in zip(ways[0], ways[0][1:], strict=False):
            cut = graph.copy()
            cut.remove_edge(u, v)
            if not nx.has_path(cut, a, b):
                must.add(graph.edges[u, v]["part"])
    drawn = parts_of(path_of(bike, function))
    assert must <= drawn and len(must) >= 6
    assert not [i.title for i in items(path_of(bike, function)) if i.is_open]


def test_a_relayed_and_commanded_function_shows_what_commands_it():
    """On the single the low beam hangs on a relay and a module: its coil's supply and its input are drawn."""
    drawn = parts_of(path_of("custom_single", "low_beam"))
    assert {"main_relay", "module", "low_wire", "headlamp", "headlamp_ground"} <= drawn  # the current
    assert {"key_switch", "key_run", "relay_ground"} <= drawn  # what pulls the relay in
    assert {"in_low_wire", "dip_switch", "left_bar_ground"} <= drawn  # what the module waits for
    assert not {"horn", "high_wire", "starter_motor"} & drawn


def test_a_bike_with_its_plus_at_the_frame_is_drawn_from_the_other_post():
    roots = [root for root, _ in whole("old_twin_6v").trees]
    assert (roots[0], roots[-1]) == ("battery, minus", "battery, plus")


def test_the_other_position_of_a_switch_opens_the_path():
    built = built_of("points_single_half_wave")
    f = built.spec.functions["low_beam"]
    loom = draw_loom(built, as_condition(built, "key=off"))
    drawing = plan(loom, f.title, "", function_elements(loom, f))
    assert "key_switch" in {i.part for i in items(drawing) if i.is_open}


@pytest.mark.parametrize("bike", [b if b in SOME else pytest.param(b, marks=pytest.mark.long) for b in BIKES])
def test_every_function_has_a_drawing_with_its_own_element(bike):
    for id, f in built_of(bike).spec.functions.items():
        drawn = parts_of(path_of(bike, id))
        assert {e.partition(".")[0] for e in f.elements} <= drawn, (bike, id)
        needed = {p.partition(".")[0] for n in f.needs for p in (n.plus, n.minus)}
        body = {p.partition(".")[0] for p in built_of(bike).spec.body.values()}
        assert needed - body <= drawn, (bike, id)
        assert drawn


@pytest.mark.parametrize("bike", BIKES)
def test_a_numbered_joint_stands_where_it_is_pointed_to(bike):
    found = [b for _, tree in whole(bike).trees for b in branches(tree)]
    standing = [b.joint for b in found if b.joint]
    assert len(set(standing)) == len(standing)
    assert {b.where for b in found if b.end == "joint"} <= {str(n) for n in standing}


# --- text --------------------------------------------------------------------------------------


@pytest.mark.parametrize("columns", [40, 57, 100])
@pytest.mark.parametrize("runs", [True, False])
def test_text_is_never_wider_than_the_window_and_names_everything(columns, runs):
    for bike in ("custom_single", "road_four"):
        text = as_text(whole(bike), columns, lambda code: code.lower(), runs=runs)
        assert max(map(len, text.split("\n"))) <= columns
        flat = re.sub(r"[^a-z0-9]", "", text.lower())
        for item in items(whole(bike)):
            assert re.sub(r"[^a-z0-9]", "", item.title.lower())[:12] in flat
        assert text.count("goes on at") == text.count("from [")


def test_text_of_a_path_reads_from_the_post_to_the_ground():
    lines = as_text(path_of("points_single_half_wave", "low_beam"), 60, lambda c: c).split("\n")
    order = [next(i for i, line in enumerate(lines) if word in line) for word in (
        "battery, plus", "main feed (RD)", "fuse 15 A", "key switch plug, run", "dip switch, low",
        "low beam wire (WH)", "headlamp 35/35 W, low", "headlamp ground (BK)", "=> ground:",
    )]  # fmt: skip
    assert order == sorted(order)


# --- SVG ---------------------------------------------------------------------------------------


def boxes(svg: str) -> list[tuple[float, float, float, float, str]]:
    """(left, top, right, bottom, text) of every label, from its anchor, place and font size."""
    found = []
    for e in ET.fromstring(svg).iter(f"{SVG}text"):
        text, size = e.text or "", float(e.get("font-size", 10))
        width = len(text) * size * GLYPH
        shift = {"start": 0.0, "middle": 0.5, "end": 1.0}[e.get("text-anchor", "start")]
        left, base = float(e.get("x", 0)) - shift * width, float(e.get("y", 0))
        found.append((left, base - 0.76 * size, left + width, base + 0.2 * size, text))
    return found


@pytest.mark.parametrize("bike", BIKES)
def test_no_two_labels_touch_and_all_lie_inside(bike):
    svg = as_svg(whole(bike))
    root = ET.fromstring(svg)
    labels = sorted(b for b in boxes(svg) if b[4])
    assert len(labels) > 150
    for n, (left, top, right, bottom, text) in enumerate(labels):
        assert left >= 0 and top >= 0, text
        assert right <= float(root.get("width")) and bottom <= float(root.get("height")), text
        for other in labels[n + 1 :]:
            if other[0] >= right:
                break
            assert other[1] >= bottom or other[3] <= top, (text, other[4])


def test_suspects_are_marked_in_words_and_figures():
    item = Item("p", "main fuse", "fuse", share=0.34)
    drawing = Drawing("a job", "", (("battery, plus", Branch((item,), "ground", "frame")),))
    assert "main fuse (suspect, 34%)" in as_text(drawing, 40, lambda c: c)
    labels = [b[4] for b in boxes(as_svg(drawing))]
    assert "34%" in labels and "main fuse" in labels


def test_names_that_mean_harm_stay_text():
    bad = '</text><script>alert("&")</script>\x00\x1b[2J ' + "x" * 400
    item = Item("p", bad, "wire", colour="<g>")
    drawing = Drawing(bad, bad, ((bad, Branch((item,), "ground", bad)),), (bad,))
    root = ET.fromstring(as_svg(drawing))
    assert not list(root.iter(f"{SVG}script"))
    assert all(e.tag.removeprefix(SVG) in ("svg", "title", "rect", "text", "line", "circle", "g", "path")
               for e in root.iter())  # fmt: skip
    assert "alert(" in "".join(root.itertext())
    assert max(map(len, as_text(drawing, 40, lambda c: c).split("\n"))) <= 40


def test_the_picture_of_the_readme_is_what_is_drawn():
    """After a change of that bike: diagnose draw --bike custom_single --function low_beam --as-drawn
    --output tests/drawings/low_beam.svg"""
    picture = (Path(__file__).parent / "drawings" / "low_beam.svg").read_text(encoding="utf-8")
    title = f"{built_of('custom_single').spec.title}: low beam"
    drawing = replace(path_of("custom_single", "low_beam"), title=title, subtitle="key switch RUN")
    assert picture == as_svg(drawing)
    assert len(picture) < 60_000 and "tests/drawings/low_beam.svg" in README.read_text(encoding="utf-8")


# --- of a job ----------------------------------------------------------------------------------


def test_a_job_is_drawn_with_what_it_suspects(tmp_path, capsys):
    """The suspects are those that the job itself lists (figures of `suspects`)."""
    bike, opened = "points_single_half_wave", shipped.opened()
    known = {"complaints": ["horn_dead"], "kit": "hands", "skill": "trade", "history": {},
             "switches": "checked", "others": "skipped"}  # fmt: skip
    session = new_session(
        tmp_path / "jobs", bike, known, shipped.world(bike), opened.rulebase, opened.wording
    )
    (told,) = session.take({"do": "suspects"})
    session.close()
    assert main(["draw", "--job", session.job, "--folder", str(tmp_path), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    shares: dict[str, float] = {}

    def gather(branch: dict) -> None:
        shares.update({i["part"]: i.get("share", 0.0) for i in branch["items"]})
        for b in branch["branches"]:
            gather(b)

    for tree in data["trees"]:
        gather(tree)
    singles = [s for s in told["list"] if s["candidate"] not in ("no_fault", "unmodelled")]
    assert len(singles) >= 4
    for suspect in singles:
        if suspect["component"] != "battery":
            assert shares[suspect["component"]] >= suspect["probability"] - 1e-3, suspect
    assert "horn" in shares and "the horn is dead" in data["title"]
    assert max(shares.values()) >= 0.02


# --- by command --------------------------------------------------------------------------------


def test_by_command_as_text_svg_and_json(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("DIAGNOSE_HOME", str(tmp_path))
    bike = ("draw", "--bike", "points_single_half_wave")
    assert main([*bike, "--function", "low_beam", "--columns", "40"]) == 0
    text = capsys.readouterr().out
    assert "low beam wire (white)" in text and max(map(len, text.split("\n"))) <= 40
    file = tmp_path / "loom.svg"
    assert main([*bike, "--output", str(file)]) == 0
    assert ET.fromstring(file.read_text(encoding="utf-8")).tag == f"{SVG}svg"
    assert main([*bike, "--function", "low_beam", "--set", "lights=high", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert "lights=high" in data["condition"] and data["trees"][0]["from"].endswith("plus")
    for wrong, said in (
        (["draw"], "nothing to draw; expected --bike BIKE or --job JOB"),
        ([*bike, "--function", "low_bean"], "unknown function 'low_bean'; try low_beam"),
        ([*bike, "--set", "lights"], "'lights' is not understood; expected CONTROL=POSITION"),
        ([*bike, "--job", "last", "--function", "horn"], "ask for two drawings; expected one of them"),
    ):
        assert main(wrong) == 2
        assert said in capsys.readouterr().err
