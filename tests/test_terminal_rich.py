"""The richer terminal: same job, same words; editing, completion, colour that is never needed."""

from __future__ import annotations

import io
import sys

import pytest
from fake_world import KNOWN, bench
from prompt_toolkit.application import create_app_session
from prompt_toolkit.completion import CompleteEvent
from prompt_toolkit.document import Document
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output import DummyOutput

from diagnose.conversation import screen
from diagnose.conversation.session import new_session
from diagnose.conversation.terminal import PlainTerminal, converse, open_terminal
from diagnose.conversation.terminal_rich import COMMANDS, ChoiceCompleter, RichTerminal

TOOLS = bench()


def talk(folder, keys, columns=60):
    """Type these keys; what was shown and the session come back."""
    shown = io.StringIO()
    session = new_session(folder, "bench_lamp", {**KNOWN, "complaints": ["lamp_dead"]}, *TOOLS)
    with create_pipe_input() as source, create_app_session(input=source, output=DummyOutput()):
        source.send_text(keys)
        assert converse(session, RichTerminal(source, DummyOutput(), shown, columns)) == 0
    session.close()
    return shown.getvalue(), session


def test_the_same_job_is_held_with_the_same_words(tmp_path):
    keys = ["works", "note ok", "quit"]
    rich, session = talk(tmp_path / "a", "".join(k + "\r" for k in keys))
    plain_session = new_session(tmp_path / "b", "bench_lamp", {**KNOWN, "complaints": ["lamp_dead"]}, *TOOLS)
    sink = io.StringIO()
    converse(plain_session, PlainTerminal(io.StringIO("\n".join(keys)), sink, 60))
    plain_session.close()
    typed = {f"> {k}" for k in keys}
    plain = [line for line in sink.getvalue().split("\n") if line and line not in typed]
    assert [line for line in rich.split("\n") if line.strip()] == plain
    assert session.state.log == plain_session.state.log


@pytest.mark.parametrize("key", ["\x03", "\x04"])
def test_ctrl_c_and_ctrl_d_pause_safely(tmp_path, key):
    shown, session = talk(tmp_path, "works\r" + key)
    assert "Paused. Go on with: diagnose resume" in shown
    assert len(session.state.readings) == 1


def test_a_wrong_letter_is_edited_away(tmp_path):
    _, session = talk(tmp_path, "workz\x7fs\r\x04")
    assert session.state.readings[0].value == "works"


@pytest.mark.parametrize("columns", [40, 80, 120])
def test_nothing_is_wider_than_the_window(tmp_path, columns):
    shown, _ = talk(tmp_path, "works\rwhy\rothers\r?\r\x04", columns)
    assert max(len(line.rstrip()) for line in shown.split("\n")) <= min(columns, 100)


def test_what_looks_like_markup_or_escapes_is_only_text(tmp_path):
    shown = io.StringIO()
    with create_pipe_input() as source:
        RichTerminal(source, DummyOutput(), shown, 60).show("[bold]x[/bold] :smile: \x1b[31m<b>", "question")
    assert "[bold]x[/bold] :smile: [31m<b>" in shown.getvalue()


def test_completion_offers_what_holds_the_letters_in_their_order():
    completer = ChoiceCompleter([("lamp_dead", "the headlamp is dead"), ("horn_dead", "the horn is dead")])

    def offered(text):
        return [c.text for c in completer.get_completions(Document(text), CompleteEvent())]

    assert offered("hrn")[0] == "horn_dead"
    assert offered("headl")[0] == "lamp_dead"
    assert offered("undo") == ["undo"]
    assert offered("12") == [] and offered("l") == [] and offered("xyz") == []
    assert {"why", "undo", "pause"} <= set(COMMANDS)


def test_no_color_gives_no_colour(tmp_path, monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    with create_pipe_input() as source:
        made = RichTerminal(source, DummyOutput())
    assert made.console.no_color and made.session.color_depth.value == "DEPTH_1_BIT"


def test_a_pipe_a_dumb_terminal_and_a_wish_get_plain_lines(monkeypatch):
    class Tty(io.StringIO):
        def isatty(self):
            return True

    monkeypatch.setattr(sys, "stdin", Tty())
    monkeypatch.setattr(sys, "stdout", Tty())
    monkeypatch.delenv("ACCESSIBLE", raising=False)
    monkeypatch.setenv("TERM", "dumb")
    assert isinstance(open_terminal(), PlainTerminal)
    monkeypatch.setenv("TERM", "xterm")
    assert isinstance(open_terminal(plain=True), PlainTerminal)
    monkeypatch.setenv("ACCESSIBLE", "1")
    assert isinstance(open_terminal(), PlainTerminal)
    monkeypatch.delenv("ACCESSIBLE")
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    assert isinstance(open_terminal(), PlainTerminal)
    assert screen.NARROWEST < screen.WIDEST
