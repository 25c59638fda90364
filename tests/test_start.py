"""The first question stands before anything heavy is loaded, and is the one that the knowledge gives."""

from __future__ import annotations

import argparse
import io
import os
import subprocess
import sys

import pytest
from shipped import KNOWLEDGE, opened

from diagnose import jobs, remembered
from diagnose.bench import first_prompt_seconds
from diagnose.errors import UsageError
from diagnose.jobs import _offer, _sentence
from diagnose.locations import bike_names

HEAVY = ("numpy", "durable", "networkx", "yaml", "rich", "prompt_toolkit", "msgpack")
ASKED = f"""
import sys
from diagnose import cli, jobs
jobs._load = lambda: None  # what is loaded while the user reads does not count
class Reader:
    def isatty(self):
        return False
    def readline(self):
        print("LOADED", [m for m in {HEAVY!r} if m in sys.modules])
        return ""
sys.stdin = Reader()
sys.exit(cli.main([]))
"""


def test_nothing_heavy_is_loaded_when_the_first_question_stands():
    run = subprocess.run([sys.executable, "-c", ASKED], capture_output=True, text=True, check=False)
    assert "Which bike is it?" in run.stdout and "LOADED []" in run.stdout
    assert run.returncode == 2 and "the input ended before a bike was named" in run.stderr


def test_the_bikes_asked_for_are_those_of_the_knowledge():
    assert bike_names(KNOWLEDGE) == sorted(opened().library.bike_files)
    assert len(bike_names()) >= 3


def test_the_users_own_bikes_are_among_them(tmp_path, monkeypatch):
    (tmp_path / "data" / "bikes").mkdir(parents=True)
    (tmp_path / "data" / "bikes" / "shed_find.yaml").write_text("bike: shed_find\n", encoding="utf-8")
    monkeypatch.setenv("DIAGNOSE_HOME", str(tmp_path))
    assert "shed_find" in bike_names() and "custom_single" in bike_names()
    assert "shed_find" not in bike_names(KNOWLEDGE)


def played(tmp_path, typed, columns=80, *more):
    """What `diagnose job --plain` prints when this is typed, and how it ends."""
    env = {**os.environ, "COLUMNS": str(columns), "DIAGNOSE_HOME": str(tmp_path), "NO_COLOR": "1"}
    return subprocess.run(
        [sys.executable, "-m", "diagnose", "job", "--plain", *more],
        input=typed, capture_output=True, text=True, env=env, cwd=KNOWLEDGE.parent, check=False,
    )  # fmt: skip


def test_the_last_bike_kit_and_skill_are_offered_and_enter_takes_them(tmp_path, monkeypatch):
    monkeypatch.setenv("DIAGNOSE_HOME", str(tmp_path))
    remembered.remember(remembered.LastUsed("road_twin", "meter", "beginner"))
    run = played(tmp_path, "99\n\nhorn silent\nnone\n", 40)
    assert run.returncode == 0, run.stderr
    assert "Please type a number from 1 to" in run.stdout and "Paused." in run.stdout
    assert max(map(len, run.stdout.split("\n"))) <= 40
    shown = " ".join(run.stdout.split())
    assert (
        "Press Enter for the same as last time (road twin, a multimeter, little: tell me each move)." in shown
    )
    assert "What have you got" not in shown and "How much of this" not in shown
    # three answers, and what is said next is something to do on the bike
    assert "Work each of these a few times by hand" in shown
    assert remembered.recall() == remembered.LastUsed("road_twin", "meter", "beginner")


@pytest.mark.parametrize(
    ("typed", "bike"),
    [
        ("3", "blue_twin"), ("blue twin", "blue_twin"), ("Blue_Twin", "blue_twin"), ("red", "red_twin"),
        ("twin\nblue", "blue_twin"), ("", ""),
    ],
)  # fmt: skip
def test_a_bike_is_named_by_number_name_or_some_of_its_words(tmp_path, monkeypatch, capsys, typed, bike):
    """`\x1b[31mred_twin` stands for a file that somebody named to paint the screen."""
    (tmp_path / "bikes").mkdir()
    for name in ("a_single", "blue_twin", "red_twin", "\x1b[31mevil"):
        (tmp_path / "bikes" / f"{name}.yaml").write_text("bike: x\n", encoding="utf-8")
    (tmp_path / "wording").symlink_to(KNOWLEDGE / "wording")
    monkeypatch.setattr(jobs, "_load", lambda: None)
    monkeypatch.setattr(sys, "stdin", io.StringIO(f"{typed}\n"))
    options = argparse.Namespace(knowledge=str(tmp_path), lines=False)
    if bike:
        assert jobs._ask_bike(options, remembered.LastUsed()) == remembered.LastUsed(bike)
    else:
        with pytest.raises(UsageError, match="the input ended before a bike was named"):
            jobs._ask_bike(options, remembered.LastUsed())
    assert "\x1b" not in capsys.readouterr().out


@pytest.mark.parametrize(
    "kept",
    [
        b"", b"{", b"[]", b"null", b"\xff\xfe\x00", b'{"bike": 3, "kit": ["x"], "skill": null}',
        b'{"bike": "no_such_bike", "kit": "meter"}', b'{"bike": "\\u001b[31mx", "kit": "../../etc"}',
        b"[" * 20_000, b'{"bike": "custom_single", "kit": "rocket", "skill": "wizard"}',
    ],
)  # fmt: skip
def test_a_damaged_memory_costs_a_question_and_never_a_job(tmp_path, monkeypatch, kept):
    monkeypatch.setenv("DIAGNOSE_HOME", str(tmp_path))
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / remembered.FILE).write_bytes(kept)
    file = KNOWLEDGE / "wording" / "en.yaml"
    offer = _offer(remembered.recall(), bike_names(KNOWLEDGE), file)
    # only a bike that exists is offered, and only words that the wording knows
    assert offer in ({}, {"bike": "custom single"})
    remembered.remember(remembered.LastUsed("road_twin", "lamp", ""))
    found = remembered.recall()
    assert (found.bike, found.kit) == ("road_twin", "lamp")
    assert [p.name for p in (tmp_path / "data").iterdir()] == [remembered.FILE]


def test_a_folder_that_cannot_be_written_changes_nothing(tmp_path, monkeypatch):
    (tmp_path / "data").write_text("a file where the folder should be", encoding="utf-8")
    monkeypatch.setenv("DIAGNOSE_HOME", str(tmp_path))
    remembered.remember(remembered.LastUsed("road_twin", "lamp", "trade"))
    assert remembered.recall() == remembered.LastUsed()


def test_the_time_to_the_first_question_can_be_measured():
    assert 0 < first_prompt_seconds() < 30


def test_the_first_sentence_is_the_one_of_the_wording_however_it_is_written(tmp_path):
    kept = KNOWLEDGE / "wording" / "en.yaml"
    said = opened().wording.say("ask_bike")
    assert _sentence(kept, "ask_bike") == said
    other = tmp_path / "en.yaml"
    text = kept.read_text(encoding="utf-8")
    other.write_text(text.replace(f'  ask_bike: "{said}"', f"  ask_bike: >-\n    {said}"), encoding="utf-8")
    assert other.read_text(encoding="utf-8") != text and _sentence(other, "ask_bike") == said
