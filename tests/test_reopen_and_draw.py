"""Beside the question: where the tips go, what a word means; after the end: jobs filtered, opened again."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import networkx as nx
from fake_world import SEE_LAMP, VOLTS_FUSE, bench
from shipped import opened, world
from test_terminal import KNOWN, talk

from diagnose.bike.currents import as_condition
from diagnose.bike.way import way
from diagnose.catalogue.compose import compose_bike
from diagnose.cli import main
from diagnose.conversation import names
from diagnose.conversation.session import new_session, resume_session
from diagnose.conversation.state import Returned
from diagnose.conversation.step import begin, step
from diagnose.journal import open_journal


def started(measurement, skill="beginner"):
    o, w = opened(), world()
    options = {
        "complaints": ["running_light_dead"], "kit": "meter", "skill": skill, "history": {},
        "switches": 1, "others": 1, "meter": 1,
    }  # fmt: skip
    state, _ = begin(options, w, o.rulebase, o.wording)
    state, events = step(state, {"take": measurement}, w, o.rulebase, o.wording)
    return state, events, w, o


def test_the_way_of_the_current_is_one_that_the_loom_has():
    """Oracle: each part of the way touches the next at a node of the netlist (a walk in its graph)."""
    w = world()
    condition = as_condition(w.built, "key=run")
    stretches = way(w.built, ("battery.plus", "rear_plug_tail.a", "battery.minus"), condition)
    assert [len(s) > 4 for s in stretches] == [True, True]
    ends = {}
    for e in w.built.netlist.elements:
        ends.setdefault(e.id.partition(".")[0], set()).update((e.plus, e.minus))
    for stretch in stretches:
        touching = nx.Graph()
        for a, b in pairwise(stretch):
            assert ends[a.part] & ends[b.part], (a.part, b.part)
            touching.add_edge(a.part, b.part)
        assert len(touching) == len(stretch)
    forth, back = ({s.part for s in stretch} for stretch in stretches)
    assert "main_fuse" in forth and "rear_lamp" in back
    assert not forth & back - {"rear_plug_tail"}


def test_where_draws_the_tips_within_forty_columns_and_leaves_the_question_open():
    state, _, w, o = started("drop:dash.ground:battery.minus@key=run")
    after, (event,) = step(state, {"do": "where"}, w, o.rulebase, o.wording)
    assert event["event"] == "where" and after.open == state.open
    lines = event["lines"]
    assert lines[0].startswith(" R  dash") and lines[-1] == " B  minus post of the battery"
    assert any("dash ground (black)" in line for line in lines)
    fed, (event,) = step(
        started("volts:rear_plug_tail.a:battery.minus@key=run")[0], {"do": "where"}, w, o.rulebase, o.wording
    )
    assert event["lines"][0] == " +  plus post of the battery"
    assert fed.open is not None


def test_where_draws_only_the_two_posts_for_the_battery_itself():
    state, _, w, o = started("volts:battery.plus:battery.minus@")
    _, (event,) = step(state, {"do": "where"}, w, o.rulebase, o.wording)
    assert event["lines"] == [" R  plus post of the battery", " B  minus post of the battery"]


def test_where_has_nothing_to_draw_for_a_look(tmp_path):
    shown, _ = talk(tmp_path, [f"take {SEE_LAMP}", "where"], **KNOWN)
    assert "'where' has nothing to draw here; expected a question with two tips" in " ".join(shown.split())


def test_a_word_is_explained_and_an_unknown_one_named(tmp_path):
    typed = [f"take {VOLTS_FUSE}", "?", "? relay", "? relays", "? zebra"]
    shown = " ".join(talk(tmp_path, typed, **{**KNOWN, "skill": "beginner"})[0].split())
    here = shown.split("Words you can ask for with ? and the word: ")[1].split(".")[0]
    assert "black tip" in here and "display" in here and "solenoid" not in here
    assert shown.count("relay: a switch that a small current works") == 2
    assert "I have no words about zebra" in shown


def closed_job(folder):
    tools = bench()
    session = new_session(folder, "bench_lamp", KNOWN, *tools)
    for answer in ({"take": VOLTS_FUSE}, {"answer": "12.6"}, {"done": "lamp.renew", "works": "yes"}):
        session.take(answer)
    while not session.is_closed:
        session.take({"answer": "works" if session.state.open.measurement else "yes"})
    session.close()
    return session, tools


def test_a_closed_job_comes_back_with_its_readings_and_its_repair_suspect_again(tmp_path):
    session, tools = closed_job(tmp_path)
    assert session.state.outcome == "repaired"
    again = resume_session(open_journal(Path(session.journal.record.path)), *tools)
    events = again.take({"do": "reopen"})
    assert events[0]["event"] == "noted" and "open again" in events[0]["text"].lower()
    state = again.state
    assert state.phase in ("intake", "working") and state.repaired == () and state.job.done == ()
    assert Returned(("lamp.renew",)) in state.evidence
    assert all(not r.job.done for r in state.readings)
    assert again.take({"do": "undo"})[0]["event"] == "undone" and again.is_closed
    again.close()


def test_an_open_job_cannot_be_opened_again():
    o, w = opened(), world()
    state, _, _, _ = started("drop:dash.ground:battery.minus@key=run")
    _, (event,) = step(state, {"do": "reopen"}, w, o.rulebase, o.wording)
    assert "expected a closed job" in event["message"]


def test_jobs_are_filtered_by_outcome_complaint_and_words(tmp_path, capsys):
    closed_job(tmp_path / "jobs")
    tools = bench()
    other = new_session(tmp_path / "jobs", "bench_lamp", {**KNOWN, "complaints": ["horn_dead"]}, *tools)
    other.take({"note": "owner calls on Friday"})
    other.close()

    def listed(*more):
        assert main(["jobs", "--folder", str(tmp_path), "--json", *more]) == 0
        return json.loads(capsys.readouterr().out)["jobs"]

    assert len(listed()) == 2
    assert [j["outcome"] for j in listed("--outcome", "repaired")] == ["repaired"]
    assert [j["complaints"] for j in listed("--complaint", "horn_dead")] == [["horn_dead"]]
    assert len(listed("friday", "calls")) == 1 and listed("monday") == []
    assert listed("--bike", "another_bike") == []


def test_a_closed_job_asks_whether_the_fault_is_back(tmp_path):
    from diagnose import jobs

    session, tools = closed_job(tmp_path)
    again = resume_session(open_journal(Path(session.journal.record.path)), *tools)
    from diagnose.conversation.terminal import PlainTerminal

    sink = io.StringIO()
    assert not jobs._came_back(again, PlainTerminal(io.StringIO("maybe\nno\n"), sink, 60))
    assert "Has the fault come back?" in sink.getvalue() and "Please type yes or no." in sink.getvalue()
    assert jobs._came_back(again, PlainTerminal(io.StringIO("yes\n"), io.StringIO(), 60))
    assert not jobs._came_back(again, PlainTerminal(io.StringIO(""), io.StringIO(), 60))
    again.close()


def test_every_colour_of_every_loom_has_a_word():
    """IEC 60757 letters, and the four that looms use and the standard lacks (from memory)."""
    o = opened()
    colours = {w.colour for b in ("custom_single", "road_four", "pump_twin") for w in spec(b).wires.values()}
    assert len(colours) > 20
    for colour in colours:
        assert not set(names.colour_words(colour, o.wording)) & set("ABCDEFGHIJKLMNOPQRSTUVWXYZ"), colour
    assert names.colour_words("LGNRD", o.wording) == "light green with red"
    assert names.colour_words("GN/YE", o.wording) == "green with yellow"
    assert names.colour_words("BU,GN/YE", o.wording) == "blue and green with yellow"


def test_a_point_names_its_wires_stripes_and_all():
    """IEC 60757: GN/YE is one wire, green with a yellow tracer; a comma parts two wires."""
    o, w = opened(), world()
    seen = w.view.points["dash.ground"]
    for colours, told in (
        ("GN/YE", "dash, ground (green wire with yellow stripe)"),
        ("BU,BK/WH", "dash, ground (blue wire and black wire with white stripe)"),
        ("BU,BK/WH,RD", "dash, ground (3 wires there)"),
        ("", "dash, ground"),
    ):
        view = replace(w.view, points={"dash.ground": replace(seen, colour=colours)})
        assert names.point(SimpleNamespace(view=view), "dash.ground", o.wording) == told


def spec(bike):
    return compose_bike(opened().library, bike)
