"""What differs on one very bike: said in words, laid over the circuit, kept in the user's folder, taken back.

Expectations come from Ohm's law by hand (each test says how), from the overlay's meaning as the format tells
it, and from the same circuit solved as drawn.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import shipped

from diagnose import journal as journals
from diagnose.bike.build import build, node_of_point
from diagnose.bike.currents import as_condition, service
from diagnose.catalogue.differences import (
    Difference,
    Names,
    as_entry,
    names_of,
    read_colour,
    read_entries,
    read_words,
    split_words,
)
from diagnose.cli import main
from diagnose.conversation.session import new_session, resume_session
from diagnose.conversation.step import fitted
from diagnose.differing import lay_over
from diagnose.errors import JournalError, KnowledgeError, UsageError
from diagnose.expect import expect, reading_text, situation
from diagnose.kept import Kept, change_kept, differs_file, kept_differences, read_kept, write_kept
from diagnose.own_bike import _taken_back
from diagnose.replay import replay_files

BIKE = "points_single_half_wave"  # small, so cheap to solve
HORN_OFF = Difference("not_fitted", "horn")
COLOURS = {"GN": ["green"], "YE": ["yellow"], "RD": ["red"]}
NAMES = Names(
    {"low_feed": "low beam feed", "horn": "horn", "key_switch": "key switch", "main_plug": "main plug"},
    frozenset({"low_feed"}),
    {"shell": "headlamp shell", "seat": "under the seat"},
    frozenset({"horn.plus", "horn.minus", "low_feed.a", "low_feed.b"}),
)


def laid(*differences: Difference):
    """(spec, titles of what is lost) of a shipped single."""
    return lay_over(shipped.opened().library, BIKE, differences)


def shown(condition: str, *differences: Difference):
    """The `expect` object of the sound single as it differs."""
    built = build(laid(*differences)[0])
    s = situation(built, service(built), shipped.opened().library.instruments, ())
    return s, expect(s, as_condition(built, condition))


# --- words -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "difference"),
    [
        ("not fitted horn", HORN_OFF),
        ("Not fitted  HORN", HORN_OFF),
        ("bypassed key switch", Difference("bypassed", "key_switch")),
        ("spliced low beam feed", Difference("spliced", "low_feed")),
        ("colour low beam feed green with yellow", Difference("colour", "low_feed", "GN/YE")),
        ("color low_feed gn/ye", Difference("colour", "low_feed", "GN/YE")),
        ("place main plug under the seat", Difference("place", "main_plug", "seat")),
        ("added Spot lamps 35 W at horn.plus", Difference("load", "spot_lamps", "35 W at horn.plus")),
        ("added grips 20w on low beam feed", Difference("load", "grips", "20 W at low_feed.b")),
    ],
)
def test_a_difference_is_said_in_words(line, difference):
    assert read_words(*split_words(line), NAMES, COLOURS) == difference
    assert read_entries([as_entry(difference)]) == (difference,)


@pytest.mark.parametrize(
    ("line", "wrong"),
    [
        ("not fitted hron", "unknown component 'hron'; try horn"),
        ("colour horn green", "colour 'horn green': unknown wire 'horn'"),
        ("colour low_feed tartan", "colour 'tartan' is not known; expected such as green, BU or"),
        ("place horn moon", "unknown place 'moon'"),
        ("added lamp", "load 'lamp' is not understood; expected such as 'spot lamp 35 W at horn.feed'"),
        ("added horn 5 W at horn.plus", "load 'horn' cannot be named so; expected a name new to this bike"),
        ("added lamp 5 W at horn", "'horn' is no point to join a wire to; expected one of horn.minus"),
    ],
)  # fmt: skip
def test_words_that_mean_nothing_say_what_to_type(line, wrong):
    with pytest.raises(UsageError, match=wrong.replace("'", "['\"]")):
        read_words(*split_words(line), NAMES, COLOURS)


def test_a_line_about_something_else_is_no_difference():
    assert split_words("works") is None and split_words("not fitted") is None
    assert read_colour("red", COLOURS) == "RD"


@pytest.mark.parametrize(
    ("entries", "wrong"),
    [
        ("horn", "what differs is no list"),
        ([{"missing": "horn"}], "entry 1 is .*; expected one of not_fitted, bypassed"),
        ([{"not_fitted": "horn", "is": "x"}], "expected an id and nothing more"),
        ([{"colour": "low_feed"}], "expected an id, and `is` with what it is here"),
        ([HORN_OFF], "entry 1 is"),
    ],
)
def test_entries_of_a_file_are_read_strictly(entries, wrong):
    with pytest.raises(UsageError, match=wrong):
        read_entries(entries)


# --- the circuit -------------------------------------------------------------------------------


def test_an_added_load_draws_its_watts_through_the_wires_before_it():
    """12 V and 35 W are 4.11 ohm: at some 12 V about 2.9 A more through what feeds it (Ohm's law)."""
    load = Difference("load", "spot_lamps", "35 W at clock_feed.b")
    (with_it, _), (without, _) = shown("key=run", load), shown("key=run")
    key_run = as_condition(with_it.predictor.built, "key=run")
    lost = {}
    for name, s in (("with", with_it), ("without", without)):
        built = s.predictor.built
        solution = s.predictor.solution(s.job, key_run)
        ends = (node_of_point(built.spec, p) for p in ("main_fuse.in", "main_fuse.out"))
        lost[name] = float(solution.between(*ends)[s.index])
    fuse = next(e for id, e in built.elements.items() if id.startswith("main_fuse."))
    more = (lost["with"] - lost["without"]) / fuse.values["resistance"]
    assert more == pytest.approx(35 / 12 * 12.4 / 12, rel=0.08)  # the posts stand at some 12.4 V
    part = with_it.predictor.built.spec.parts["spot_lamps"]
    assert part.values["load.resistance"].number == pytest.approx(12.0**2 / 35)


def test_a_load_that_its_fuse_cannot_hold_is_refused():
    """350 W at 12 V are 29 A through a fuse of 15 A (Ohm's law)."""
    with pytest.raises(UsageError, match="a sound bike would blow fuse 15 A"):
        laid(Difference("load", "oven", "350 W at main_fuse.out"))


def test_a_spliced_wire_is_as_long_as_before_and_has_a_joint_that_can_fail():
    spec, lost = laid(Difference("spliced", "clock_feed"))
    old = shipped.loom(BIKE)[0].spec
    near, far = spec.wires["clock_feed"], spec.wires["clock_feed_beyond"]
    assert near.length_m + far.length_m == pytest.approx(old.wires["clock_feed"].length_m)
    assert near.start == old.wires["clock_feed"].start and far.end == old.wires["clock_feed"].end
    assert spec.parts["clock_feed_splice"].kind == "splice" and lost == ()
    assert spec.nodes["clock_feed.a"] == old.nodes["clock_feed.a"]
    assert (
        spec.nodes["clock_feed.b"]
        == spec.nodes["clock_feed_splice.in"]
        != spec.nodes["clock_feed_splice.out"]
    )


def test_what_is_missing_is_lost_and_nobody_complains_of_it_any_more():
    spec, lost = laid(HORN_OFF)
    assert lost == ("horn",) and "horn" not in spec.functions
    drawn = shipped.loom(BIKE)[0].spec
    assert set(drawn.functions) - set(spec.functions) == {"horn"}
    assert "horn_dead" not in spec.complaints or "horn_dead" not in drawn.complaints
    # the bare ends of its wires stay, and a wire never leads to a part that is not there
    ends = {e.partition(".")[0] for w in spec.wires.values() for e in (w.start, w.end)}
    assert "horn" not in ends and ends <= {*spec.parts}


def test_a_missing_switch_loses_what_it_switched_and_a_bypassed_one_does_not():
    """An open lead lights nothing; a joined one lights always (both by the circuit as a drawing)."""
    _, lost = laid(Difference("not_fitted", "front_brake_switch"))
    assert lost == ("brake light by the front lever",)
    _, lost = laid(Difference("bypassed", "front_brake_switch"))
    assert lost == ()


def test_a_consumer_or_a_fuse_is_never_bypassed():
    for part in ("horn", "main_fuse"):
        with pytest.raises(UsageError, match=f"bypassed: {part} is a .*, whose two ends nobody joins"):
            laid(Difference("bypassed", part))


def test_a_port_that_is_added_is_offered(tmp_path):
    """What asks for a port that only an addition offers finds it."""
    wire = {"from": "@spare", "to": "lamp_extra.feed", "area": "1 mm2", "length": "0.2 m", "colour": "BU",
            "place": "seat_place"}  # fmt: skip
    place = next(iter(shipped.loom(BIKE)[0].spec.places))
    part = {"kind": "added_load", "title": "extra", "place": place,
            "values": {"load.resistance": {"value": "12 ohm", "source": "common_practice"}}}  # fmt: skip
    added = {
        "ports": {"spare": "instrument_lamp.feed"},
        "parts": {"lamp_extra": part},
        "wires": {"lamp_extra_feed": wire | {"place": place}},
        "bonds": [["lamp_extra.ground", shipped.loom(BIKE)[0].spec.body["frame"]]],
    }
    spec, _ = laid(Difference("added", "", added))
    assert spec.nodes["lamp_extra_feed.a"] == spec.nodes["instrument_lamp.feed"]


@pytest.mark.parametrize(
    ("difference", "wrong"),
    [
        (Difference("load", "x", "35 W"), "expected watts and a terminal of this bike"),
        (Difference("load", "x", "0 W at instrument_lamp.feed"), "x takes 0 W; expected more than 0 W"),
        (Difference("load", "x", "5 V at instrument_lamp.feed"), "load: x: "),
        (Difference("spliced", "horn"), "spliced: unknown wire 'horn'"),
        (Difference("spliced", "plug_lead"), "which nobody splices|unknown wire"),
    ],
)
def test_a_difference_that_cannot_be_is_refused(difference, wrong):
    with pytest.raises(UsageError, match=wrong):
        laid(difference)


# --- the file ----------------------------------------------------------------------------------


def test_the_file_of_a_bike_gives_back_what_was_kept(tmp_path):
    path = differs_file(BIKE, tmp_path)
    assert read_kept(path) == ()
    said = [HORN_OFF, Difference("colour", "low_feed", "GN/YE"), Difference("added", "", {"parts": {}})]
    write_kept(path, [Kept(d, "2026-01-02T03:04:05Z") for d in said])
    assert kept_differences(path) == tuple(said)
    change_kept(path, said, [said[0], Difference("colour", "low_feed", "RD")])
    assert kept_differences(path) == (HORN_OFF, Difference("colour", "low_feed", "RD"))
    write_kept(path, [])
    assert not path.exists()


def test_what_another_job_kept_in_between_stays(tmp_path):
    path = differs_file(BIKE, tmp_path)
    other = Difference("spliced", "clock_feed")
    write_kept(path, [Kept(other)])
    change_kept(path, [], [HORN_OFF])
    change_kept(path, [HORN_OFF], [])
    assert kept_differences(path) == (other,)


def test_a_file_that_is_something_else_is_refused(tmp_path):
    path = differs_file(BIKE, tmp_path)
    path.parent.mkdir(parents=True)
    path.write_text("horn: not fitted\n")
    with pytest.raises(UsageError, match="expected one key, differs"):
        read_kept(path)
    path.write_text("differs: [\n")
    with pytest.raises(KnowledgeError):
        read_kept(path)
    blocked = differs_file(BIKE, path)
    with pytest.raises(JournalError, match="cannot be written"):
        write_kept(blocked, [Kept(HORN_OFF)])


# --- by command --------------------------------------------------------------------------------


def run(capsys, *words: str) -> tuple[int, str, str]:
    code = main(list(words))
    out = capsys.readouterr()
    return code, out.out, out.err


@pytest.fixture
def at_home(tmp_path, monkeypatch) -> Path:
    monkeypatch.setenv("DIAGNOSE_HOME", str(tmp_path))
    return tmp_path


def test_by_command_it_is_kept_shown_by_expect_listed_and_taken_back(at_home, capsys):
    bike = ("--bike", BIKE)
    _, said, _ = run(capsys, "differs", *bike, "not", "fitted", "horn")
    assert "1  not fitted: horn" in said and "it has none of these: horn" in said
    data = json.loads(run(capsys, "expect", *bike, "--json")[1])
    assert data["differs"] == [{"not_fitted": "horn"}]
    assert "horn" not in [f["function"] for f in data["functions"]]
    drawn = json.loads(run(capsys, "expect", *bike, "--json", "--as-drawn")[1])
    assert "horn" in [f["function"] for f in drawn["functions"]] and drawn["differs"] == []
    code, _, wrong = run(capsys, "differs", *bike, "horn", "gone")
    assert code == 2 and "'horn gone' is not understood" in wrong
    rows = json.loads(run(capsys, "differs", *bike, "--undo", "1", "--json")[1])
    assert rows["differs"] == [] and not differs_file(BIKE).exists()


def test_what_fits_the_bike_no_more_can_still_be_listed_and_taken_back(at_home, capsys):
    """A bike file may change after something was said of it."""
    file = differs_file(BIKE)
    write_kept(file, [Kept(Difference("not_fitted", "ash_tray"))])
    code, _, wrong = run(capsys, "draw", "--bike", BIKE, "--function", "horn")
    assert code == 2 and "unknown component 'ash_tray'" in wrong and "--undo takes it back" in wrong
    code, said, _ = run(capsys, "differs", "--bike", BIKE)
    assert code == 0 and "1  not fitted: ash tray" in said and "unknown component 'ash_tray'" in said
    assert run(capsys, "differs", "--bike", BIKE, "--undo", "1")[0] == 0 and not file.exists()


def test_what_is_taken_back_by_command_must_be_there():
    assert _taken_back([Kept(HORN_OFF)], "1") == [] and _taken_back([Kept(HORN_OFF)], "all") == []
    with pytest.raises(UsageError, match="--undo=7 is none of 1; expected a number of the list, or all"):
        _taken_back([Kept(HORN_OFF)], "7")


# --- inside a job ------------------------------------------------------------------------------

# without a kit and a complaint the job is still asking: nothing has been planned, so this costs little
KNOWN = {"skill": "trade", "history": {}, "switches": "checked", "others": "skipped", "meter": "proved"}


def begin(folder: Path, **more):
    opened = shipped.opened()
    file = differs_file(BIKE, folder)
    kept = [as_entry(d) for d in kept_differences(file)]
    known = KNOWN | ({"differs": kept} if kept else {}) | more
    return new_session(
        folder / "jobs", BIKE, known, shipped.world(BIKE), opened.rulebase, opened.wording,
        keep_differs=lambda before, after: change_kept(file, before, after),
    )  # fmt: skip


HEADLAMP_FUSE = Difference("place", "main_fuse", "headlamp_shell")


@pytest.mark.parametrize(
    ("said", "difference", "words"),
    [
        ({"place": "main_fuse headlamp_shell"}, HEADLAMP_FUSE, "fuse 15 A: sits here: headlamp shell"),
        # the horn takes a new world: solved anew by command only
        pytest.param({"not_fitted": "horn"}, HORN_OFF, "horn: not fitted", marks=pytest.mark.long),
    ],
)
def test_said_in_a_job_it_is_kept_and_the_next_job_begins_with_it(tmp_path, said, difference, words):
    file = differs_file(BIKE, tmp_path)
    first = begin(tmp_path)
    told = first.take({"differs": said})
    assert told[0]["event"] == "noted" and words in told[0]["text"]
    assert kept_differences(file) == (difference,)
    (listed,) = first.take({"do": "differs"})
    assert listed["list"] == [{**as_entry(difference), "number": 1, "text": words}]
    now = fitted(first.world, first.state)
    if difference == HORN_OFF:
        assert "none of these: horn" in told[0]["text"]
        assert "horn" not in now.view.components and "horn" not in now.view.functions
        assert not [c for c in now.candidates if c.id.startswith("horn.")]
        assert not [c for c in now.view.complaints if c.startswith("horn")]
    else:
        assert now.view.components["main_fuse"][2] == "headlamp_shell"
    first.take({"do": "pause"})
    first.close()
    second = begin(tmp_path)
    assert second.state.setting.differs == (difference,)
    assert any(words in e.get("text", "") for e in second.events)
    second.take({"differs": {"as_drawn": "1"}})
    assert kept_differences(file) == () and second.state.setting.differs == ()
    second.take({"do": "undo"})
    assert kept_differences(file) == (difference,)
    second.close()


def test_a_journal_holds_what_it_used_whatever_is_kept_today(tmp_path):
    """Resumed and replayed it is the same job, though the file of the bike is gone."""
    file = differs_file(BIKE, tmp_path)
    write_kept(file, [Kept(Difference("place", "main_fuse", "headlamp_shell"))])
    session = begin(tmp_path)
    session.take({"differs": {"colour": "clock_feed red with green"}})
    session.take({"do": "pause"})
    state, path = session.state, Path(session.journal.record.path)
    session.close()
    write_kept(file, [])
    opened = shipped.opened()
    journal = journals.open_journal(path)
    again = resume_session(journal, shipped.world(BIKE), opened.rulebase, opened.wording)
    again.close()
    assert again.state.setting.differs == state.setting.differs and again.notices == ()
    assert [d.key for d in state.setting.differs] == ["place", "colour"]
    now = fitted(again.world, again.state)
    assert now.view.components["main_fuse"][2] == "headlamp_shell"
    assert now.spec.wires["clock_feed"].colour == "RD/GN"
    (result,) = replay_files([str(path)], opened)
    assert result["same"]


@pytest.mark.long
@pytest.mark.timeout(1500)
def test_a_whole_job_on_a_bike_that_differs_ends_and_replays_the_same(tmp_path):
    """A job with a load added, the fuse elsewhere and no horn, asked to its advice, replays to it."""
    session = begin(tmp_path, kit="meter", complaints=["dash_dead"])
    for said in ({"not_fitted": "horn"}, {"load": "grips 20 W at clock_feed.b"}):
        assert session.take({"differs": said})[0]["event"] == "noted"
    for _ in range(25):
        now = fitted(session.world, session.state)
        if session.state.open is None or session.state.open.sort == "advice":
            break
        asked = session.state.open
        if asked.sort == "measure":
            column = now.table(session.state.job, [asked.measurement]).columns[asked.measurement]
            row = [c.id for c in now.candidates].index("clock_plug_ground.backed_out")
            session.take({"answer": reading_text(column, row)[2]})
        else:
            session.take({"answer": "yes"})
    assert session.state.open.id.startswith("clock_plug_ground.")
    path = Path(session.journal.record.path)
    session.close()
    (result,) = replay_files([str(path)], shipped.opened())
    assert result["same"], result


@pytest.mark.parametrize(
    ("changes", "wrong"),
    [
        ({"not_fitted": "horn"}, "would take away what is complained of"),
        ({"not_fitted": "moon"}, "'moon' cannot be taken (unknown component 'moon'"),
        (
            {"load": "oven 350 W at main_fuse.out"},
            "cannot be taken (what differs on this bike: a sound bike would blow",
        ),
        ({"as_drawn": "horn"}, "is no difference of this bike"),
    ],
)
def test_what_cannot_differ_in_a_job_is_told_and_changes_nothing(tmp_path, changes, wrong):
    session = begin(tmp_path, complaints=["horn_dead"])
    before = session.state
    (event,) = session.take({"differs": changes})
    session.close()
    assert event["event"] == "problem" and wrong in event["message"]
    assert session.state is before and not differs_file(BIKE, tmp_path).exists()


def test_the_names_of_a_bike_hold_its_parts_wires_and_plugs():
    names = names_of(shipped.loom(BIKE)[0].spec)
    assert {"horn", "clock_feed", "headlamp_plug"} <= set(names.components) and "clock_feed" in names.wires
