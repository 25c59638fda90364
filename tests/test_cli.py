"""The command line: shapes, exit codes, messages, files. In this process, but for one run of the program."""

from __future__ import annotations

import argparse
import io
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from shipped import KNOWLEDGE, LED, opened, world

from diagnose import cli
from diagnose.catalogue import compose as compose_module
from diagnose.catalogue.model import Library
from diagnose.catalogue.spec import BikeSpec
from diagnose.output import write_text
from diagnose.quantities import read_reading

BIKE = ("--bike", "custom_single")


@pytest.fixture(autouse=True)
def one_world(monkeypatch: pytest.MonkeyPatch) -> None:
    """The shipped knowledge is opened once a session; any other folder as always."""
    from diagnose import means, wiring

    single, as_always = world(), wiring.BikeWorld
    read, open_all = means.read_library, means.open_knowledge

    def kept(library: Library, spec: BikeSpec, *more: object) -> object:
        return single if spec is single.spec and not more else as_always(library, spec, *more)

    monkeypatch.setattr(means, "read_library", lambda f=None: read(f) if f else opened().library)
    monkeypatch.setattr(means, "open_knowledge", lambda f=None: open_all(f) if f else opened())
    monkeypatch.setattr(wiring, "BikeWorld", kept)
    monkeypatch.setattr(means, "BikeWorld", kept)
    compose = compose_module.compose_bike

    def known(library: Library, bike: str) -> BikeSpec:
        return single.spec if bike == single.spec.id and library is single.library else compose(library, bike)

    monkeypatch.setattr(compose_module, "compose_bike", known)
    monkeypatch.setattr(means, "compose_bike", known)


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]):
    """Run a command; (exit code, standard output, standard error)."""

    def go(*arguments: object) -> tuple[int, str, str]:
        code = cli.main([str(a) for a in arguments])
        out = capsys.readouterr()
        return code, out.out, out.err

    return go


# ---- names that would steer a terminal ---


def test_names_of_files_and_people_stay_text_on_a_terminal(run, tmp_path) -> None:
    """ECMA-48: a control sequence begins with ESC (1B) or CSI (9B); none may reach the terminal."""
    case = tmp_path / "red\x1b[31m\x9b1m.yaml"
    case.write_text("case: x\n", encoding="utf-8")
    bike = tmp_path / "b\x1b]0;title\x07.yaml"
    bike.write_text('bike: b\ntitle: "\\e[2J"\n', encoding="utf-8")
    for asked in (
        ("replay", case),
        ("check", bike),
        ("expect", "--bike", bike),
        ("--knowledge", tmp_path / "no\x1b[1mwhere", "bikes"),
    ):
        code, out, err = run(*asked)
        assert code != 0 and out + err
        assert not set(out + err) & {"\x1b", "\x9b", "\x07"}
    by = cli.parser().parse_args(["prove", "--bike", "custom_single", "--by", "A\x1b[31m Hand\x07"]).by
    assert by == "A[31m Hand"


def test_what_is_written_on_a_terminal_keeps_its_tabs_and_lines(capsys) -> None:
    write_text("a\tb\x1b[1m\nc", "-")
    assert capsys.readouterr().out == "a\tb[1m\nc\n"


# ---- shapes ----------------------------------------------------------------------------------------


def test_expect_prints_one_json_object(run) -> None:
    measurement = "volts:battery.plus:battery.minus@key=run"
    asked = ("--fault", "rear_ground.poor=3ohm", "--set", "key=run", "--measurement", measurement)
    code, out, err = run("expect", *BIKE, *asked, "--json")
    assert (code, err, out.count("\n")) == (0, "", 1)
    data = json.loads(out)
    assert (data["protocol"], data["bike"], data["condition"]) == (1, "custom_single", "key=run")
    assert data["faults"] == ["rear_ground.poor=3ohm"]
    (reading,) = data["readings"]
    assert reading["measurement"] == measurement
    assert read_reading(reading["text"], "V").value == pytest.approx(reading["value"], abs=0.01)


def test_expect_for_a_reader_shows_fuses_functions_points_and_readings(run) -> None:
    code, out, _ = run(
        "expect",
        *BIKE,
        "--fault",
        "rear_brake_wire.chafed=20mohm",
        "--set",
        "key=run",
        "--measurement",
        "inspect:acc_fuse@",
    )
    assert code == 0
    assert "found blown: acc_fuse" in out and re.search(r"dash +dead", out)
    assert re.search(r"battery\.plus +12\.\d\d V", out) and "inspect:acc_fuse@: damaged" in out
    assert (
        "(no connection)"
        in run("expect", *BIKE, "--fault", "low_wire.broken", "--fault", "headlamp.low_open")[1]
    )


def test_found_is_the_default_and_fresh_is_before_use(run) -> None:
    situation = ("expect", *BIKE, "--fault", "rear_brake_wire.chafed=20mohm", "--set", "key=run", "--json")
    found, same, fresh = (
        json.loads(run(*situation, *extra)[1]) for extra in ((), ("--found",), ("--fresh",))
    )
    assert found == same
    assert found["found"]["opened"] == ["acc_fuse"] and fresh["found"]["opened"] == []
    done = json.loads(run(*situation, "--done", "renew:acc_fuse")[1])
    assert {f["function"]: f["state"] for f in done["functions"]}["dash"] == "works"


def test_the_black_lead_can_be_moved(run) -> None:
    data = json.loads(run("expect", *BIKE, "--set", "key=run", "--black", "battery.plus", "--json")[1])
    volts = {p["point"]: p["volts"] for p in data["points"]}
    assert volts["battery.plus"] == 0.0 and volts["battery.minus"] < -12.0


def test_netlist_is_a_deck_or_one_json_object(run) -> None:
    code, out, _ = run(
        "netlist", *BIKE, "--set", "key=run", "--measurement", "ohms:horn.plus:horn.minus@battery=off"
    )
    assert code == 0 and out.endswith(".op\n.end\n") and "* @reading ohms" in out
    data = json.loads(run("netlist", *BIKE, "--set", "key=run", "--json")[1])
    assert (data["protocol"], data["bike"]) == (1, "custom_single")
    assert (
        data["netlist"].startswith("* custom_single no_fault key=run\n") and "@reading" not in data["netlist"]
    )


def test_bikes_lists_every_bike(run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Here of a knowledge with one bike: each costs a second or two."""
    library = world().library
    shipped = dict(library.bike_files)
    for other in sorted(set(shipped) - {"custom_single"}):
        monkeypatch.delitem(library.bike_files, other)
    code, out, _ = run("bikes", "--json")
    data = json.loads(out)
    assert code == 0 and data["protocol"] == 1
    rows = {b["id"]: b for b in data["bikes"]}
    assert set(rows) == {"custom_single"} and set(shipped) >= {"custom_single", LED}
    row = rows["custom_single"]
    assert set(row) >= {"id", "title", "path", "components", "candidates", "complaints", "conditions"}
    assert row["candidates"] == len(world().candidates) and row["components"] == len(world().spec.parts)
    assert Path(row["path"]).is_file() and "dash_dead" in row["complaints"] and "key=run" in row["conditions"]


def test_a_bike_alone_is_told_on_a_page_and_its_faults_only_when_asked_for(run) -> None:
    code, out, _ = run("bikes", "custom_single")
    w = world()
    assert code == 0 and w.spec.title in out and "Start a job: diagnose job --bike custom_single" in out
    assert "acc_fuse.blown" not in out and "0.0" not in out
    for title in (
        *(v.title for v in w.view.functions.values()),
        *(title for title, _ in w.view.complaints.values()),
    ):
        assert f"- {title}\n" in out
    code, out, _ = run("bikes", "custom_single", "--json")
    data = json.loads(out)
    assert code == 0 and (data["protocol"], data["bike"], data["invented"]) == (1, "custom_single", True)
    assert [c["fuse"] for c in data["fuses"]] == list(w.view.fuses) and len(data["fuses"]) >= 4
    assert {p["place"]: p["access_minutes"] for p in data["places"]} == {
        place: opening for place, (_, opening, _) in w.view.places.items()
    }
    code, _, err = run("bikes", "--faults")
    assert code == 2 and "--faults needs a bike" in err


def test_the_faults_of_a_bike_come_with_priors_causes_and_repairs(run) -> None:
    code, out, _ = run("bikes", "custom_single", "--faults", "--json")
    data = json.loads(out)
    assert code == 0 and (data["protocol"], data["bike"]) == (1, "custom_single")
    w = world()
    assert [f["fault"] for f in data["faults"]] == [c.id for c in w.candidates if c.is_fault]
    for f in data["faults"]:
        assert {"fault", "prior", "causes", "repair", "text"} <= set(f)
        assert (
            0.0 < f["prior"] < 0.2 and f["repair"] in w.repairs and set(f["causes"]) <= set(w.spec.complaints)
        )
        assert f["text"]
    assert sum(f["prior"] for f in data["faults"]) == pytest.approx(0.93, abs=0.002)
    causes = {f["fault"]: f["causes"] for f in data["faults"]}
    assert "dash_dead" in causes["dash_feed.broken"] and "no_spark" in causes["kill_switch.stuck"]
    lines = run("bikes", "custom_single", "--faults")[1].splitlines()
    assert len(lines) == len(data["faults"]) and lines[0].startswith("battery.flat ")


def test_a_quick_check_counts_the_knowledge(run) -> None:
    code, out, _ = run("check", KNOWLEDGE, "--quick", "--json")
    data = json.loads(out)
    assert code == 0 and data["problems"] == [] and data["protocol"] == 1
    assert set(data) == {"protocol", "problems", "hazards", "totals", "ambiguity", "undetectable"}
    totals = data["totals"]
    names = {"bikes", "sections", "components", "fault_modes", "complaints", "measurements", "rules", "cases"}
    assert names | {"numbers"} <= set(totals)
    assert set(totals["numbers"]) == {"read", "from_memory", "common_practice", "estimate"}
    assert totals["bikes"] >= 2 and totals["complaints"] >= 19 and totals["rules"] >= 40


def test_no_jobs_yet_is_no_error(run, tmp_path: Path) -> None:
    assert run("jobs", "--folder", tmp_path) == (0, "no jobs yet\n", "")
    assert json.loads(run("jobs", "--folder", tmp_path, "--json")[1]) == {"protocol": 1, "jobs": []}


def test_a_small_trial_counts(run) -> None:
    """The program's own predictions as the player, so that the same seed gives the same figures."""
    command = ("trial", "--jobs", "2", "--seed", "3", "--player", "own", "--complaint", "horn_dead")
    code, out, _ = run(*command, "--kit", "hands", "--json")
    data = json.loads(out)
    assert code == 0 and (data["jobs"], data["seed"], data["kit"], data["slips"]) == (2, 3, "hands", 0)
    assert data["complaints"]["horn_dead"]["jobs"] == 2 and data["lost"] == 0
    again = json.loads(run(*command, "--kit", "hands", "--json")[1])
    assert again == data


# ---- wrong use -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("expect", *BIKE, "--fault", "hron.dead"), r"unknown component 'hron'; try horn"),
        (("expect", *BIKE, "--fault", "horn.ded"), r"unknown fault mode of horn 'ded'"),
        (("expect", *BIKE, "--set", "kye=run"), r"kye.*key"),
        (
            ("expect", *BIKE, "--measurement", "volts:horn.plu:horn.minus@"),
            r"unknown test point 'horn.plu'; try horn.plus",
        ),
        (("expect", *BIKE, "--black", "horn.plu"), r"unknown test point 'horn.plu'; try horn.plus"),
        (("expect", *BIKE, "--done", "renew:acc_fus"), r"unknown act 'renew:acc_fus'; try renew:acc_fuse"),
        (("expect", "--bike", "custom_singel"), r"unknown bike 'custom_singel'.*custom_single"),
        (("netlist", *BIKE, "--measurement", "inspect:seat@"), r"is watched, not read"),
        (("bikes", "custom_singel", "--faults"), r"custom_single"),
        (("trial", "--jobs", "0"), r"--jobs=0 is too few; expected at least 1"),
        (
            ("trial", "--player", "own", "--complaint", "horn_ded", "--jobs", "1"),
            r"unknown complaint 'horn_ded'; try horn_dead",
        ),
        (("job", "--lines"), r"--lines needs --bike; expected one of .*custom_single"),
        (("resume", "last"), r"no job to go on with"),
        (("replay", "no_such.jsonl"), r"no_such.jsonl: no such file; expected a journal"),
        (("expect",), r"--bike"),
        (("expect", *BIKE, "--found", "--fresh"), r"not allowed with"),
        (("expectt",), r"invalid choice"),
    ],
)
def test_wrong_use_is_a_sentence_on_standard_error_and_exit_2(
    run, arguments: tuple[str, ...], message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DIAGNOSE_HOME", str(tmp_path))
    code, out, err = run(*arguments)
    assert (code, out) == (2, "")
    assert re.search(message, err), err
    assert "Traceback" not in err


# ---- files -----------------------------------------------------------------------------------------


def test_output_goes_to_a_file_or_to_the_screen(run, tmp_path: Path) -> None:
    file = tmp_path / "deck.cir"
    assert run("netlist", *BIKE, "--output", file) == (0, "", "")
    code, out, _ = run("netlist", *BIKE, "--output", "-")
    assert code == 0 and file.read_text() == out


def test_a_folder_that_cannot_be_written_to_is_a_sentence(run, tmp_path: Path) -> None:
    """A plain file where the folder should be stops even the superuser; a read-only folder all others."""
    (tmp_path / "file").write_text("x")
    code, out, err = run("netlist", *BIKE, "--output", tmp_path / "file" / "deck.cir")
    assert (code, out) == (2, "")
    assert re.search(
        r"deck.cir: cannot be written \(.+\); expected a file in a folder that you may write to", err
    )
    shut = tmp_path / "shut"
    shut.mkdir(mode=0o555)
    if os.geteuid() != 0:
        code, _, err = run("netlist", *BIKE, "--output", shut / "deck.cir")
        assert code == 2 and "cannot be written" in err
    code, _, err = run("bikes", "custom_single", "--output", tmp_path / "none" / "x")
    assert code == 2 and "No such file or directory" in err


def broken(tmp_path: Path, name: str, change) -> Path:
    """A copy of the shipped knowledge with one file changed."""
    folder = tmp_path / "knowledge"
    shutil.copytree(KNOWLEDGE, folder)
    file = folder / name
    file.write_text(change(file.read_text(encoding="utf-8")), encoding="utf-8")
    return folder


def test_broken_yaml_shows_file_line_and_column(run, tmp_path: Path) -> None:
    """A bracket that never closes."""
    folder = broken(tmp_path, "complaints.yaml", lambda t: t + "\n  torn: {title: [\n")
    lines = (folder / "complaints.yaml").read_text(encoding="utf-8").count("\n")
    code, out, err = run("--knowledge", folder, "expect", *BIKE)
    assert (code, out) == (2, "")
    found = re.search(r"complaints\.yaml:(\d+):(\d+): ", err)
    assert found and int(found[1]) in (lines, lines + 1), err
    assert "1 problem(s) in the knowledge; nothing was changed" in err
    code, out, _ = run("check", folder, "--quick", "--json")
    (problem,) = json.loads(out)["problems"]
    assert code == 1 and problem["file"].endswith("complaints.yaml") and problem["line"] == int(found[1])


def test_a_wrong_unit_shows_where_it_is(run, tmp_path: Path) -> None:
    def wrong(text: str) -> str:
        return text.replace('cell.emf: {value: "12.7 V"', 'cell.emf: {value: "12.7 ohm"', 1)

    folder = broken(tmp_path, "components/supply.yaml", wrong)
    line = next(
        i
        for i, x in enumerate((folder / "components/supply.yaml").read_text(encoding="utf-8").splitlines(), 1)
        if '"12.7 ohm"' in x
    )
    code, _, err = run("--knowledge", folder, "expect", *BIKE)
    assert code == 2
    assert re.search(rf"supply\.yaml:{line}:\d+: .*12\.7 ohm.*resistance", err), err


def test_a_check_of_another_folder_checks_that_folders_rules(run, tmp_path: Path) -> None:
    folder = broken(tmp_path, "rules/blocks.yaml", lambda t: t + "\n  - {torn: [\n")
    code, out, _ = run("check", folder, "--quick", "--json")
    assert code == 1
    assert any(p["file"].endswith("blocks.yaml") and p["line"] > 0 for p in json.loads(out)["problems"])


def test_a_knowledge_folder_that_is_not_there_is_a_sentence(run, tmp_path: Path) -> None:
    code, out, err = run("--knowledge", tmp_path / "none", "expect", *BIKE)
    assert (code, out) == (2, "") and "none" in err and "Traceback" not in err


# ---- help ------------------------------------------------------------------------------------------


def commands() -> dict[str, argparse.ArgumentParser]:
    action = next(a for a in cli.parser()._actions if isinstance(a, argparse._SubParsersAction))
    return dict(action.choices)


def test_every_command_has_help_with_an_example(run) -> None:
    found = commands()
    assert set(found) >= {"job", "jobs", "resume", "replay", "expect", "netlist", "bikes", "check", "trial"}
    for name in found:
        code, out, err = run(name, "--help")
        assert (code, err) == (0, "")
        assert out.startswith("usage: diagnose ")
        if name == "bikes":
            continue
        assert re.search(rf"examples?:\n(?s:.*)  diagnose {name}", out), name
    code, out, _ = run("--help")
    assert code == 0 and all(name in out for name in found) and "--knowledge" in out


def test_the_examples_of_the_helps_are_commands_that_the_parser_takes() -> None:
    seen = 0
    for parser in commands().values():
        for line in re.findall(r"^  diagnose (.+)$", parser.epilog or "", re.M):
            words = line.partition("|")[0].split()
            cli.parser().parse_args(words)
            seen += 1
    assert seen >= 9


def test_the_command_alone_starts_a_job(run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """It asks for the bike first; end of input ends it without a traceback."""
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    monkeypatch.setenv("DIAGNOSE_HOME", str(tmp_path))
    code, out, err = run()
    assert code == 2 and "custom single" in out
    assert re.search(r"the input ended before a bike was named; expected one of .*custom_single", err)


def test_options_without_a_command_are_those_of_a_job(run, tmp_path: Path) -> None:
    code, _, err = run("--bike", "tourer")
    assert code == 2 and "unknown bike 'tourer'; try tourer_relays" in err
    code, _, err = run("--knowledge", str(tmp_path), "--bike", "tourer")
    assert code == 2 and str(tmp_path) in err
    assert run("--knowledge")[0] == 2


# ---- the program itself ----------------------------------------------------------------------------


def test_the_program_runs_by_itself() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "diagnose", "expect", *BIKE, "--set", "key=run", "--json"],
        capture_output=True,
        text=True,
        timeout=100,
        cwd=KNOWLEDGE.parent,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout)["bike"] == "custom_single"


def test_a_reader_that_goes_away_makes_no_traceback() -> None:
    """As `diagnose netlist … | head -1`."""
    program = f"{sys.executable} -m diagnose netlist --bike custom_single | head -1"
    done = subprocess.run(
        ["bash", "-c", program],
        capture_output=True,
        text=True,
        timeout=100,
        cwd=KNOWLEDGE.parent,
        check=False,
    )
    assert done.stdout.startswith("* custom_single no_fault at rest") and done.stderr == ""
