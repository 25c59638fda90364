"""The first question stands before anything heavy is loaded, and is the one that the knowledge gives."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest
from shipped import KNOWLEDGE, opened

from diagnose.bench import first_prompt_seconds
from diagnose.jobs import _first_sentence
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


@pytest.mark.parametrize("columns", [40, 80])
def test_a_number_chooses_a_bike_and_a_wrong_one_is_asked_again(tmp_path, columns):
    env = {**os.environ, "COLUMNS": str(columns), "DIAGNOSE_HOME": str(tmp_path), "NO_COLOR": "1"}
    run = subprocess.run(
        [sys.executable, "-m", "diagnose", "job", "--plain"],
        input="99\n1\n", capture_output=True, text=True, env=env, cwd=KNOWLEDGE.parent, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    assert "Please type a number from 1 to" in run.stdout and "What is wrong with the bike?" in run.stdout
    assert "Paused." in run.stdout
    assert max(map(len, run.stdout.split("\n"))) <= columns


def test_the_time_to_the_first_question_can_be_measured():
    assert 0 < first_prompt_seconds() < 30


def test_the_first_sentence_is_the_one_of_the_wording_however_it_is_written(tmp_path):
    kept = KNOWLEDGE / "wording" / "en.yaml"
    said = opened().wording.say("ask_bike")
    assert _first_sentence(kept) == said
    other = tmp_path / "en.yaml"
    text = kept.read_text(encoding="utf-8")
    other.write_text(text.replace(f'  ask_bike: "{said}"', f"  ask_bike: >-\n    {said}"), encoding="utf-8")
    assert other.read_text(encoding="utf-8") != text and _first_sentence(other) == said
