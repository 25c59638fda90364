"""A bike that is not listed, made from a few answers: it is whole, plausible, and like one made by hand.

Which answers go together and which do not, and what a bike with them has, is common practice of the trade,
no source, unless a line says otherwise. The bikes made by hand in knowledge/bikes were written before this.
"""

from __future__ import annotations

import json
import os
import random
import re
import subprocess
import sys
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import pytest
import yaml
from shipped import KNOWLEDGE, opened

from diagnose.audit import sound_bike
from diagnose.bike.build import build, part_of_joint
from diagnose.bike.currents import service
from diagnose.bike.model import Candidate
from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.spec import BikeSpec
from diagnose.cli import main
from diagnose.conversation.terminal import PlainTerminal
from diagnose.errors import KnowledgeError, UsageError
from diagnose.jobs import _ask_bike
from diagnose.locations import bike_names
from diagnose.newbike.ask import ask_all, summary
from diagnose.newbike.complaints import fitting_complaints
from diagnose.newbike.covering import covering_rows, pairs
from diagnose.newbike.make import Made, make
from diagnose.newbike.model import Questionnaire
from diagnose.newbike.read import read_questionnaire
from diagnose.newbike.settle import Settled, can_be, ranked, settle
from diagnose.newbike.words import read_words
from diagnose.predictions.compute import Predictor
from diagnose.remembered import LastUsed

ROOT = KNOWLEDGE.parent


@cache
def frame() -> Questionnaire:
    library = opened().library
    return read_questionnaire(KNOWLEDGE, library.sections, library.sources)


def made(name: str = "shed_find", **said: str) -> Made:
    return make(opened().library, frame(), settle(frame(), said), name)


@cache
def rows() -> list[dict[str, str]]:
    return [dict(row) for row in covering_rows(frame())]


# ---- answers


def test_with_nothing_said_every_question_gets_its_likeliest_answer_and_says_so() -> None:
    settled = settle(frame(), {})
    assert set(settled.answers) == set(frame().questions) and settled.said == ()
    assert set(settled.assumed) | set(settled.follows) == set(frame().questions)
    assert all(settled.assumed[q] for q in settled.assumed), "an assumption without a reason"


@pytest.mark.parametrize(
    ("said", "likely"),
    [
        ({"cylinders": "four"}, {"ignition": "transistor", "charging": "three_phase", "fuses": "box"}),
        ({"start": "kick"}, {"cylinders": "one", "ignition": "flywheel", "charging": "half_wave"}),
        ({"ignition": "magneto"}, {"start": "kick", "cylinders": "one"}),
        ({"ignition": "injection"}, {"cylinders": "two", "start": "electric", "fuses": "box"}),
        ({"module": "with"}, {"flasher": "module", "changed": "loom"}),
        ({"bulbs": "led"}, {"flasher": "two_pin", "tell_tale": "diodes"}),
    ],
)
def test_what_is_likeliest_depends_on_what_was_said(said: dict[str, str], likely: dict[str, str]) -> None:
    answers = settle(frame(), said).answers
    assert {q: answers[q] for q in likely} == likely


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"start": "kick", "interlock": "clutch"}, ["start=kick", "interlock=clutch", "Without a starter"]),
        (
            {"cylinders": "four", "charging": "half_wave"},
            ["some 6 A", "charging=three_phase", "cylinders=one"],
        ),
        ({"bulbs": "led", "flasher": "heated"}, ["a tenth of the current", "flasher=two_pin or three_pin"]),
        ({"ignition": "flywheel", "cylinders": "two"}, ["one coil and one plug", "ignition=points"]),
        ({"ignition": "injection", "fuses": "one", "changed": "loom"}, ["a fuse for its pump", "fuses=box"]),
        (
            {"ignition": "transistor", "cylinders": "four", "start": "kick"},
            ["has a starter", "start=electric"],
        ),
    ],
)
def test_answers_that_contradict_each_other_are_refused_with_what_why_and_what_fits(
    said: dict[str, str], told: list[str]
) -> None:
    with pytest.raises(UsageError, match="do not go together") as refused:
        settle(frame(), said)
    assert all(words in str(refused.value) for words in told), str(refused.value)
    # and what has nothing to do with it is not blamed
    assert "changed=loom" not in str(refused.value)


def test_what_is_said_to_fit_in_a_refusal_does_fit() -> None:
    said = {"cylinders": "three", "ignition": "transistor"}
    with pytest.raises(UsageError) as refused:
        settle(frame(), said)
    fits = re.findall(r"with (\w+)=(\w+): (\w+)=([\w ]+)", str(refused.value))
    assert len(fits) == 2
    for question, choice, other, choices in fits:
        for each in choices.split(" or "):
            assert can_be(frame(), {question: choice, other: each})
        every = frame().questions[other].choices
        assert not any(
            can_be(frame(), {question: choice, other: c}) for c in every if c not in choices.split(" or ")
        )


def test_the_rows_hold_every_pair_of_answers_that_goes_together() -> None:
    """Pairs found by drawing whole bikes at random, with nothing of the row maker: none may be missing."""
    held = {frozenset(two) for row in rows() for two in _twos(row)}
    assert held == set(pairs(frame())) and len(rows()) < 60
    rng = random.Random(3)
    drawn: set[frozenset[tuple[str, str]]] = set()
    for _ in range(4000):
        row = {q.id: rng.choice(list(q.choices)) for q in frame().questions.values()}
        if not any(all(row[q] in allowed for q, allowed in c.when.items()) for c in frame().clashes):
            drawn |= {frozenset(two) for two in _twos(row)}
    assert len(drawn) > 100 and drawn <= held


def _twos(row: dict[str, str]) -> list[tuple[tuple[str, str], tuple[str, str]]]:
    each = list(row.items())
    return [(a, b) for i, a in enumerate(each) for b in each[i + 1 :]]


# ---- bikes


def test_every_row_composes_without_a_problem_and_can_be_complained_of() -> None:
    seen = set()
    for row in rows()[::2]:  # all of them: python -m diagnose.newbike.covering --faults 0
        bike = made(**row)
        seen |= set(bike.spec.complaints)
        assert {"lamp_dim", "horn_dead", "no_spark"} <= set(bike.spec.complaints)
        assert ("fuse_blows" in bike.spec.complaints) == (row["fuses"] != "none")
        assert ("lights_dim" in bike.spec.complaints) == (row["headlamp"] != "led")
        assert ("starter_silent" in bike.spec.complaints) == (row["start"] == "electric")
        assert not bike.spec.invented
    assert len(seen) >= 25


def test_a_sound_one_stays_within_the_limits_of_the_trade_and_a_thin_wire_does_not() -> None:
    """Limits and their sources: diagnose.audit (lamps 85 %, fuses 80 %, cranking 9.6 V, charging, 25 mA)."""
    bike = made(start="kick", ignition="magneto", bulbs="led", hazard="with")
    assert sound_problems(bike.spec) == []
    thin = yaml.safe_load(bike.text)
    thin["override"]["main_feed"] |= {"area": "0.15 mm2", "length": "3 m"}
    assert sound_problems(_read(thin, "thin")) != []


def test_a_lithium_battery_is_charged_up_to_its_own_limit_and_a_lead_acid_one_to_its() -> None:
    """Never above 14.6 V; a lead-acid one takes 14.8 V at 20 C (both motorcycle practice, from memory)."""
    for battery, told in (("lithium", True), ("lead", False)):
        data = yaml.safe_load(made(cylinders="two", charging="three_phase", battery=battery).text)
        volts = {"value": "14.95 V", "source": "estimate", "why": "a regulator that sits a little high"}
        data["override"].setdefault("regulator", {})["values"] = {"output.regulated_volts": volts}
        charging = [p for p in sound_problems(_read(data)) if "charging gives" in p]
        assert bool(charging) == told, charging


def sound_problems(spec: BikeSpec) -> list[str]:
    built = build(spec)
    in_use = service(built)
    p = Predictor(built, in_use, (Candidate("no_fault", (), 1.0),), opened().library.instruments)
    found = sound_bike(SimpleNamespace(spec=spec, predictor=p, service=in_use, no_fault=0))  # type: ignore[arg-type]
    return [problem.message for problem in found]


# answers -> a bike made by hand with them, and parts in which it was meant to differ
BY_HAND = {
    "points_single_half_wave": (
        {"start": "kick", "ignition": "points", "cylinders": "one", "fuses": "one"},
        {"clock_feed"},
    ),
    "trail_single": ({"start": "kick", "ignition": "flywheel", "fuses": "one"}, {"clock_feed"}),
    "commuter_single": (
        {"start": "electric", "ignition": "battery_cdi", "charging": "half_wave"},
        {"clock_feed", "start_feed"},
    ),
    "old_twin_6v": ({"supply": "plus6"}, set()),
    "commuter_6v": ({"supply": "minus6"}, set()),
    "trail_single_no_battery": ({"supply": "without"}, set()),
    "road_four": ({"cylinders": "four", "ignition": "transistor", "tell_tale": "single"}, set()),
}


UNLISTED = {"all_dead", "brake_light_lever", "lights_pulse", "overcharging", "regulator_hot"}


@pytest.mark.parametrize("bike", BY_HAND)
def test_the_answers_of_a_bike_made_by_hand_give_that_bike(bike: str) -> None:
    said, differ = BY_HAND[bike]
    by_hand, composed = compose_bike(opened().library, bike), made(**said).spec
    assert set(composed.parts) == set(by_hand.parts) and set(composed.functions) == set(by_hand.functions)
    # that they can be said is known of more than the hand-made lists name
    more = set(composed.complaints) - set(by_hand.complaints)
    assert set(by_hand.complaints) <= set(composed.complaints) and more <= UNLISTED
    for id, wire in by_hand.wires.items():
        mine = composed.wires[id]
        assert (mine.area_mm2, mine.length_m, mine.colour) == (wire.area_mm2, wire.length_m, wire.colour), id
    for id, part in by_hand.parts.items():
        kind, mine = by_hand.kinds[part.kind], composed.parts[id]
        for key in {**kind.values, **part.values}:
            one = part.values.get(key, kind.values.get(key))
            other = mine.values.get(key, composed.kinds[mine.kind].values.get(key))
            assert one is not None and other is not None
            assert (one.number, one.tolerance) == pytest.approx((other.number, other.tolerance)), (id, key)
    groups = [
        {tuple(sorted(p for p in spec.nodes if spec.nodes[p] == n and _side(p) not in differ))
         for n in spec.nodes.values()}
        for spec in (by_hand, composed)
    ]  # fmt: skip
    assert groups[0] == groups[1]


def _side(point: str) -> str:
    return point.partition(".")[0]


def test_the_complaints_of_the_bikes_made_by_hand_are_found_by_what_they_have() -> None:
    library = opened().library
    seen = 0
    for bike in library.bike_files:
        spec = compose_bike(library, bike)
        assert set(spec.complaints) <= set(fitting_complaints(library, spec)), bike
        seen += 1
    assert seen >= 9


def _read(data: dict, name: str = "changed") -> BikeSpec:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / f"{name}.yaml"
        file.write_text(yaml.safe_dump({**data, "bike": name}, sort_keys=False), encoding="utf-8")
        return compose_bike(opened().library, file)


def test_the_file_holds_every_wire_in_a_line_and_a_change_there_changes_the_bike() -> None:
    bike = made(start="kick", ignition="points")
    data = yaml.safe_load(bike.text)  # another reader than the program's own
    assert set(bike.spec.wires) <= set(data["override"])
    data["override"]["low_wire"] |= {"colour": "OG/VT", "length": "0.9 m"}
    data["places"]["tank_tunnel"]["access"] = "21 min"
    data["override"]["main_fuse"]["values"]["link.rating"] = {"value": "10 A", "source": "read_on_the_bike"}
    changed = _read(data)
    assert (changed.wires["low_wire"].colour, changed.wires["low_wire"].length_m) == ("OG/VT", 0.9)
    assert changed.places["tank_tunnel"].access_min == 21
    assert changed.parts["main_fuse"].values["link.rating"].number == 10
    # each line of a wire stands by itself, to be edited
    assert sum(line.startswith("  low_wire: {") for line in bike.text.split("\n")) == 1


def test_what_was_not_said_stands_at_the_head_of_the_file() -> None:
    head = made(cylinders="two").text.split("bike:")[0]
    assert "# said: cylinders=two" in head
    assert re.search(r"# not said, the likeliest: .*ignition=points", head)


def test_a_wire_that_led_to_a_part_not_fitted_ends_at_its_neighbour_or_hangs_free() -> None:
    """A box without the fuse of an ignition that needs none; a horn that is taken off."""
    bike = made(start="kick", ignition="magneto", fuses="box")
    assert bike.spec.wires["key_run"].end in ("lights_fuse.in", "signals_fuse.in")
    data = yaml.safe_load(bike.text)
    assert data["not_fitted"] == ["ignition_fuse"]
    spec = _read({**data, "not_fitted": ["ignition_fuse", "horn"]})
    assert spec.wires["horn_feed"].end == "horn_feed.b" and spec.wires["horn_return"].end == "horn_return.b"
    built = build(spec)
    assert {part_of_joint(built, w) for w in spec.wires} <= set(spec.parts)


def test_new_wiring_and_an_old_loom_are_told_apart() -> None:
    assert made(changed="loom").spec.fresh and not made(changed="nothing").spec.fresh


@pytest.mark.parametrize("name", ["", "Nice Bike", "9lives", "a" * 61, "../x"])
def test_a_name_that_is_no_id_is_refused(name: str) -> None:
    with pytest.raises(UsageError, match="is not snake_case"):
        make(opened().library, frame(), settle(frame(), {}), name)


# ---- asking


def asked(text: str, columns: int = 80, **said: str) -> tuple[Settled, str]:
    import io

    sink = io.StringIO()
    terminal = PlainTerminal(io.StringIO(text), sink, columns)
    return ask_all(frame(), said, read_words(KNOWLEDGE), terminal), sink.getvalue()


def test_enter_all_the_way_is_what_is_likeliest_and_nothing_that_follows_is_asked() -> None:
    settled, screen = asked("\n" * 20)
    assert settled.answers == settle(frame(), {}).answers and settled.said == ()
    assert screen.count("(likeliest)") == len(settled.assumed)
    assert "What must be so that the starter turns?" not in screen


def test_a_number_a_word_and_rest_and_back() -> None:
    settled, screen = asked("\n2\nback\nkick only\nTWIN\nrest\n")
    assert settled.said == ("start", "cylinders")
    assert (settled.answers["start"], settled.answers["cylinders"]) == ("kick", "two")
    assert screen.count("How is the engine started?") == 2
    assert "This is the first question." in asked("back\nrest\n")[1]


def test_what_was_taken_by_enter_stays_taken_when_a_later_answer_makes_it_unlikely() -> None:
    """Who was shown 'by a button' as taken must find that in the file, not something else."""
    settled, _ = asked("\n\n\nflywheel\nrest\n")
    assert settled.answers["start"] == "electric" and "start" in settled.assumed
    assert settled.answers["ignition"] == "flywheel" and settled.said == ("ignition",)


def test_help_and_a_wrong_answer_leave_the_question_standing() -> None:
    _, screen = asked("\n?\n7\nperhaps\nrest\n")
    assert "thick cable" in screen and screen.count("Please type a number from 1 to 2") == 2


@pytest.mark.parametrize("columns", [40, 80])
def test_nothing_is_wider_than_the_screen(columns: int) -> None:
    settled, screen = asked("?\n\n?\n\n?\n\n?\nrest\n", columns)
    terminal = PlainTerminal(columns=columns)
    assert max(map(len, screen.split("\n"))) <= columns == terminal.width()
    assert "You did not say these" in summary(frame(), settled, read_words(KNOWLEDGE))


def test_only_what_the_options_leave_open_is_asked() -> None:
    _, screen = asked("rest\n", cylinders="four")
    assert "How many cylinders?" not in screen and "How many fuses?" not in screen
    with pytest.raises(EOFError):
        asked("2\n")


# ---- the command


@pytest.fixture(scope="module")
def cached(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cache")  # what is read once is read for all


@pytest.fixture
def home(tmp_path: Path, cached: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("DIAGNOSE_HOME", str(tmp_path))
    monkeypatch.setenv("DIAGNOSE_CACHE", str(cached))
    return tmp_path / "data" / "bikes"


def test_a_made_bike_is_listed_and_can_be_used_at_once(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["compose", "--start", "kick", "--ignition", "points", "--name", "shed_find", "--quick"]) == 0
    told = capsys.readouterr().out
    assert "Made: shed_find" in told and "You did not say these" in told and "believe that" in told
    assert "diagnose job --bike shed_find" in told
    assert main(["expect", "--bike", "shed_find", "--set", "key=run", "--json"]) == 0
    works = {f["function"]: f["state"] for f in json.loads(capsys.readouterr().out)["functions"]}
    assert works["low_beam"] == "works" and works["dash"] == "works"
    assert main(["check", "shed_find", "--quick"]) == 0
    assert "0 problem(s)" in capsys.readouterr().out
    # it is not overwritten unless that is said
    assert main(["compose", "--name", "shed_find", "--quick"]) == 2
    assert "exists; try another --name" in capsys.readouterr().err
    assert [f.name for f in home.iterdir()] == ["shed_find.yaml"]
    # and what is broken in it by hand is told with its place
    file = home / "shed_find.yaml"
    file.write_text(
        file.read_text(encoding="utf-8").replace("colour: RD", "colour: red", 1), encoding="utf-8"
    )
    assert main(["check", str(file), "--quick"]) == 1
    assert re.search(
        r"shed_find.yaml:\d+:\d+: colour='red' is not made of IEC 60757", capsys.readouterr().out
    )
    assert main(["check", "no_such_bike"]) == 2
    assert "is no folder, no file and no bike's id" in capsys.readouterr().err


def test_answers_come_from_a_file_options_go_before_it_and_json_tells_what_was_assumed(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "answers.json"
    file.write_text('{"bike": "zora", "answers": {"cylinders": 2, "headlamp": "45/40"}}', encoding="utf-8")
    assert main(["compose", "--answers", str(file), "--headlamp", "60/55", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["protocol"] == 1 and data["bike"] == "zora" and Path(data["path"]) == home / "zora.yaml"
    assert data["said"] == ["cylinders", "headlamp"] and data["answers"]["headlamp"] == "h60"
    assert {a["question"] for a in data["assumed"]} | set(data["said"]) | set(data["follows"]) == set(
        data["answers"]
    )
    assert main(["compose", "--cylinders", "two", "--name", "zora", "--output", "-"]) == 0
    assert yaml.safe_load(capsys.readouterr().out)["bike"] == "zora"


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--start", "kik"], "unknown answer to start 'kik'; try kick"),
        (["--start", "kick", "--interlock", "stand"], "Without a starter nothing can forbid it."),
        (["--name", "road_twin"], "road_twin is a bike that comes with the program"),
        (["--name", "Two Words"], "is not snake_case"),
        (["--name", "zora", "--output", "other.yaml"], "a bike is called by its file's name"),
        (["--answers", "nothing.yaml"], "nothing.yaml: cannot be read"),
    ],
)
def test_wrong_use_is_told_and_makes_nothing(
    home: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], told: str
) -> None:
    assert main(["compose", "--quick", *arguments]) == 2
    assert told in capsys.readouterr().err and not home.exists()


def test_a_folder_that_cannot_be_made_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "data").write_text("in the way", encoding="utf-8")
    monkeypatch.setenv("DIAGNOSE_HOME", str(tmp_path))
    assert main(["compose", "--quick"]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_the_end_of_the_input_makes_nothing(home: Path) -> None:
    env = {**os.environ, "DIAGNOSE_HOME": str(home.parent.parent), "COLUMNS": "40"}
    command, said = [sys.executable, "-m", "diagnose", "compose"], "1\n1\n2\n"
    run = subprocess.run(command, input=said, capture_output=True, text=True, env=env, cwd=ROOT, check=False)
    assert run.returncode == 2 and "nothing was made" in run.stderr and not home.exists()
    assert "Which ignition?" in run.stdout and "Traceback" not in run.stderr


# ---- the file of questions

GOOD = """\
questions:
  volts:
    ask: "Volts?"
    choices: {v12: {title: "12 V", says: ["12"]}, v6: {title: "6 V"}}
    likeliest: [{choice: v12, source: estimate, why: "most"}]
  lamp:
    ask: "Lamp?"
    choices: {big: {title: big}, small: {title: small}}
    likeliest:
      - {choice: small, when: {volts: [v6]}, source: estimate, why: "weak"}
      - {choice: big, source: common_practice}
clashes:
  - {when: {volts: [v6], lamp: [big]}, why: "Too weak."}
pieces:
  all: {sections: [supply_single_fuse]}
  weak: {when: {volts: [v6]}, supply: "6 V"}
"""


def questionnaire(tmp_path: Path, text: str) -> Questionnaire:
    (tmp_path / "newbike.yaml").write_text(text, encoding="utf-8")
    library = opened().library
    return read_questionnaire(tmp_path, library.sections, library.sources)


def test_a_small_file_of_questions_is_read_as_written(tmp_path: Path) -> None:
    small = questionnaire(tmp_path, GOOD)
    assert settle(small, {}).answers == {"volts": "v12", "lamp": "big"}
    assert settle(small, {"volts": "v6"}).answers == {"volts": "v6", "lamp": "small"}
    assert settle(small, {"lamp": "big"}).follows == ("volts",)
    assert ranked(small.questions["lamp"], {"volts": "v6"}) == ["small", "big"]


@pytest.mark.parametrize(
    ("was", "now", "told"),
    [
        ("ask: \"Lamp?\"", "aks: \"Lamp?\"", r"unknown key 'aks'; try ask"),
        ("{volts: [v6], lamp", "{vults: [v6], lamp", r"unknown question 'vults'; try volts"),
        ("lamp: [big]}", "lamp: [bog]}", r"unknown choice 'bog'; try big"),
        ("{choice: v12,", "{choice: v21,", r"unknown choice 'v21'"),
        ("source: common_practice", "source: comon", r"unknown source 'comon'"),
        ("source: estimate, why: \"most\"", "source: estimate", r"volts is an estimate without a reason"),
        ("      - {choice: big, source: common_practice}\n", "", r"no likeliest choice that always holds"),
        ("v6: {title: \"6 V\"}", "v6: {title: \"6 V\", says: [\"12\"]}", r"volts: '12' means v12 already"),
        ("[supply_single_fuse]", "[supply_of_moon]", r"unknown section 'supply_of_moon'"),
        ("supply: \"6 V\"", "supply: 6", r"weak: supply=6; expected text"),
        ("sections: [supply_single_fuse]", "sections: supply", r"all: sections='supply'; expected a list"),
        ("pieces:", "peaces:", r"unknown key 'peaces'; try pieces"),
        ("why: \"Too weak.\"", "wy: \"Too weak.\"", r"unknown key 'wy'; try why"),
    ],
)  # fmt: skip
def test_a_mistake_in_the_questions_is_told_with_its_place(
    tmp_path: Path, was: str, now: str, told: str
) -> None:
    assert GOOD.count(was) == 1
    with pytest.raises(KnowledgeError, match=rf"newbike.yaml:\d+:\d+: .*{told}|newbike.yaml:\d+:\d+: {told}"):
        questionnaire(tmp_path, GOOD.replace(was, now))


def test_an_answer_that_goes_with_nothing_is_said_to_be_a_fault_of_the_file(tmp_path: Path) -> None:
    small = questionnaire(tmp_path, GOOD.replace("lamp: [big]", "lamp: [big, small]"))
    with pytest.raises(
        UsageError, match=r"volts=v6 goes with no other answers; .*newbike\.yaml has to be mended"
    ):
        settle(small, {"volts": "v6"})


def test_a_job_offers_to_make_a_bike_that_is_not_listed_and_goes_on_with_it(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The list, five lines typed, a name; then the job has its bike."""
    import io

    monkeypatch.setenv("COLUMNS", "40")
    options = SimpleNamespace(knowledge=None, lines=False, bike="")
    for name in ("Shed find", "barn find"):
        first = "not listed" if name == "Shed find" else str(len(bike_names()) + 1)
        monkeypatch.setattr(sys, "stdin", io.StringIO(f"{first}\nkick\n\n\nrest\n{name}\n"))
        chosen = _ask_bike(options, LastUsed(""))  # type: ignore[arg-type]
        told = capsys.readouterr().out
        assert chosen.bike == name.lower().replace(" ", "_") and (home / f"{chosen.bike}.yaml").is_file()
        assert "my bike is not listed" in told and "You did not say these" in told
        assert max(len(line) for line in told.split("\n") if "/" not in line) <= 40
    monkeypatch.setattr(sys, "stdin", io.StringIO("not listed\nkick\n"))
    with pytest.raises(UsageError, match="before the bike was made; nothing was kept"):
        _ask_bike(options, LastUsed(""))  # type: ignore[arg-type]
    assert len(list(home.iterdir())) == 2
