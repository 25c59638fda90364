"""The README shows what the program prints, and names what it has."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

from diagnose.cli import parser

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
BEGINS, ENDS = "<!-- session begins -->\n```text\n", "```\n<!-- session ends -->"


def demo_text() -> str:
    """What the demonstration prints on a screen of 80 columns; what is predicted already is used."""
    env = {**os.environ, "COLUMNS": "80", "NO_COLOR": "1"}
    run = subprocess.run(
        [sys.executable, "-m", "diagnose", "job", "--demo", "--plain"],
        capture_output=True,
        text=True,
        env=env,
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    return run.stdout


def test_the_session_in_the_readme_is_what_the_demonstration_prints():
    shown = README.split(BEGINS)[1].split(ENDS)[0]
    assert shown.strip() == demo_text().strip()


COMPOSING = ("compose", "--start", "kick", "--ignition", "flywheel", "--name", "shed_find", "--quick")
FIRST_STEP = ("job", "--plain", "--bike", "shed_find", "--complaint", "headlamp_dead", "--kit", "meter",
              "--skill", "trade")  # fmt: skip
TYPED = "none\nyes\nskip\n"  # history; the switches are set and the fault is still there; what else works


def composing_texts(home: Path) -> dict[str, str]:
    """What composing a bike and the first step of a job on it print on a screen of 80 columns."""
    env = {**os.environ, "COLUMNS": "80", "NO_COLOR": "1", "DIAGNOSE_HOME": str(home)}
    said = []
    for command, typed in ((COMPOSING, ""), (FIRST_STEP, TYPED)):
        run = subprocess.run([sys.executable, "-m", "diagnose", *command], input=typed, capture_output=True,
                             text=True, env=env, cwd=ROOT, check=False)  # fmt: skip
        assert run.returncode == 0, run.stderr
        said.append(run.stdout.replace(str(home / "data"), "~/.local/share/diagnose").strip())
    shown, _, _ = said[1].partition("\n> \nPaused.")
    return {"composing": f"$ diagnose {' '.join(COMPOSING)}\n\n{said[0]}", "first step": shown}


def test_composing_and_its_first_step_in_the_readme_are_what_is_printed(tmp_path):
    for name, text in composing_texts(tmp_path).items():
        shown = README.split(f"<!-- {name} begins -->\n```text\n")[1].split(f"```\n<!-- {name} ends -->")[0]
        assert shown.strip() == text.strip(), name


def test_every_command_is_documented_in_the_readme():
    actions = next(a for a in parser()._actions if a.dest == "command")
    names = list(actions.choices)
    assert len(names) >= 9
    for name in names:
        assert f"`diagnose {name}" in README, name


def test_the_readme_opens_with_the_job_in_one_paragraph():
    lines = README.splitlines()
    assert lines[0] == "# diagnose"
    paragraph = lines[2]
    assert len(paragraph) > 300
    for word in ("no spark", "measurement", "repair", "offline"):
        assert word in paragraph


def test_ci_calls_exactly_the_test_command_of_the_readme():
    command = re.search(r"```sh\n(python3 -m venv \.venv && .*pytest)\n```", README)
    assert command is not None
    assert command.group(1) in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_every_room_of_the_package_stands_in_the_map_of_the_developers_page():
    rooms = {p.stem if p.suffix else f"{p.name}/" for p in (ROOT / "diagnose").iterdir()}
    rooms -= {"__init__", "__main__", "__pycache__/", "_shipped/"}
    assert len(rooms) >= 20
    assert {r for r in rooms if f"`{r}`" not in DEVELOPERS} == set()
