"""Whole sessions as they were read aloud: what the program prints, line by line, and what the user types.

The transcripts in `sessions/` are the expectation. After a change of wording or of what is asked, play them
again (`python tests/record_sessions.py`), read the differences as the user would, and keep them if better.
"""

from __future__ import annotations

import html
import re

import pytest
from record_sessions import DRAWING, FOLDER, over_lines, picture, record
from session_scripts import PICTURE, SCRIPTS

LARGEST_DRAWING = 60_000  # bytes


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda s: s.name)
def test_a_session_prints_what_was_read_aloud_and_json_lines_end_with_the_same_cause(script, tmp_path):
    recorded = record(script, tmp_path / "plain")
    assert recorded.text == (FOLDER / f"{script.name}.txt").read_text(encoding="utf-8")
    assert (recorded.outcome, script.fault in recorded.causes) == ("repaired", True)
    closed = over_lines(script, recorded.messages, tmp_path / "lines")
    assert (closed["event"], closed["outcome"]) == ("closed", "repaired")
    assert tuple(closed["causes"]) == recorded.causes


def test_three_users_on_two_bikes_with_two_complaints_each_are_recorded():
    written = {p.stem for p in FOLDER.glob("*.txt")}
    assert written == {s.name for s in SCRIPTS} and len(written) >= 12
    users = {(s.bike, s.name.split("_")[1], s.columns) for s in SCRIPTS}
    assert len(users) == 12 and {c for _, _, c in users} == {40, 80, 100}


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda s: s.name)
def test_no_line_is_wider_than_the_users_screen_and_none_shows_an_inner_name(script):
    text = (FOLDER / f"{script.name}.txt").read_text(encoding="utf-8")
    shown = [line for line in text.split("\n") if not line.startswith("$ ")]
    assert max(map(len, shown)) <= script.columns
    # words with an underscore are ids; only the complaint that was not understood names some
    shown = [line for line in shown if not line.startswith("> ")]  # typed by the user
    named = {w for line in shown for w in re.findall(r"[a-z]+_[a-z_]+", line)}
    assert not named or "it wobbles" in text


def test_mistakes_and_second_thoughts_are_among_them():
    """The sessions hold what the users are said to do, with what the program answered."""
    everything = "\n".join((FOLDER / f"{s.name}.txt").read_text(encoding="utf-8") for s in SCRIPTS)
    for typed, told in (
        ("banana", "'banana' is not understood"),
        ("skip", ""),
        ("works; dead", ""),
        ("list", "1  no spark"),
        ("headlamp", "headlamp: which of these is it?"),
        ("undo", "Taken back."),
        ("7 V", "7 V fits none of my suspects"),
        ("why", "The next answer: "),
        ("others", "Type 'take' and a number"),
        ("take 3", "Open: under the seat."),
        ("take 1", "Type 'others' first"),
        ("see low beam dim", "Understood:"),
        ("cannot reach", ""),
        ("-12.7 V", "A minus sign means"),
        ("have meter", "Noted."),
    ):
        assert re.search(rf"^(?:yes / no )?> {re.escape(typed)}$", everything, re.MULTILINE), typed
        after = everything.split(f"> {typed}\n")[1:]
        assert any(a.lstrip().startswith(told) or told in a.split("\n> ")[0] for a in after), typed
    assert everything.count("$ diagnose resume last\n") >= 4


def test_the_drawing_in_the_readme_shows_a_session_as_it_is_now(tmp_path):
    kept = (FOLDER / DRAWING).read_text(encoding="utf-8")
    assert f"](tests/sessions/{DRAWING})" in (FOLDER.parent.parent / "README.md").read_text(encoding="utf-8")
    assert len(kept.encode()) < LARGEST_DRAWING and "http://" not in kept.replace("http://www.w3.org", "")
    assert _words(kept) == _words(picture(PICTURE, tmp_path))


def _words(drawing: str) -> list[str]:
    """The lines of text in a drawing."""
    found = re.findall(r"<text[^>]*>(.*?)</text>", drawing)
    return [html.unescape(t).replace("\xa0", " ") for t in found]
