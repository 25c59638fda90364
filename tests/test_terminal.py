"""The plain terminal: the same job in lines of text, at any width, with or without a tty."""

from __future__ import annotations

import io
import re

import pytest
from fake_world import bench

from diagnose.catalogue.differences import Difference
from diagnose.conversation.screen import wrap
from diagnose.conversation.session import new_session, resume_session
from diagnose.conversation.terminal import PlainTerminal, converse
from diagnose.journal import open_journal
from diagnose.output import clean

TOOLS = bench()


def talk(folder, typed, width=60, **options):
    """Type these lines; what was shown comes back, and the session."""
    session = new_session(folder, "bench_lamp", options, *TOOLS)
    sink = io.StringIO()
    assert converse(session, PlainTerminal(io.StringIO("\n".join(typed) + "\n"), sink, width)) == 0
    session.close()
    return sink.getvalue(), session


KNOWN = {
    "complaints": ["lamp_dead"],
    "kit": "meter",
    "skill": "trade",
    "history": {},
    "switches": 1,
    "others": 1,
    "meter": 1,
}


def test_a_whole_job_from_nothing_known_to_the_proof(tmp_path):
    """A rider with a meter and a broken filament; he types numbers of choices and readings."""
    typed = ["no headlight", "3", "1", "none", "yes", "horn ok, batt 12,6"]
    typed += ["dead", "12.6", "done", "yes", "works", "yes"]
    shown, session = talk(tmp_path, typed)
    assert session.state.outcome == "repaired" and session.state.repaired == ("lamp.renew",)
    for text in (
        "Type list to see all",
        "Taken as: the headlamp is dead.",
        "3  a multimeter",
        "Understood:\n- horn (horn button pressed and held, key switch ON): works",
        "- battery volts: 12.6 V",
        "What number does the display show?",
        "On a good bike: ",
        "fit a new lamp",
        "done / skip > ",
        "Does it work now? yes / no > ",
        "Does all of it work, and is nothing on",
        "Repaired. About",
    ):
        assert text in shown, text


def test_the_list_of_complaints_comes_when_it_is_asked_for_and_numbers_mean_its_lines(tmp_path):
    shown, session = talk(tmp_path, ["list", "1, 3"])
    listed = re.findall(r"^  (\d+)  (.+)$", shown, re.MULTILINE)
    known = [title for title, _ in session.world.view.complaints.values()]
    assert [title for _, title in listed[: len(known)]] == known
    assert session.state.setting.complaints == tuple(list(session.world.view.complaints)[i] for i in (0, 2))


def test_words_that_could_mean_several_complaints_are_asked_back_as_a_short_list(tmp_path):
    """The clear part of the line is kept; the number is one of the short list, not of the long one."""
    shown, session = talk(tmp_path, ["no horn, headlamp", "2"])
    assert "headlamp: which of these is it?\n  1  the headlamp is dead\n  2  the headlamp is dim" in shown
    assert session.state.setting.complaints == ("horn_dead", "lamp_dim")
    assert "Taken as: " not in shown  # both were named from lists by now
    # the words may be said again instead
    _, session = talk(tmp_path / "again", ["headlamp", "silent horn"])
    assert session.state.setting.complaints == ("horn_dead",)


def test_enter_takes_what_was_used_last_time_where_it_is_offered(tmp_path):
    session = new_session(tmp_path, "bench_lamp", {"complaints": ["horn_dead"]}, *TOOLS)
    sink = io.StringIO()
    source = io.StringIO("\n\n\n")
    converse(session, PlainTerminal(source, sink, 60), {"kit": "lamp", "skill": "wizard"})
    session.close()
    # 'wizard' is no choice: nothing is offered there, and an empty line answers nothing
    assert session.state.setting.kit == "lamp" and session.state.setting.skill == ""
    assert sink.getvalue().count("Press Enter for the same") == 1
    assert sink.getvalue().count("Type an answer, or ? for help.") == 2


@pytest.mark.parametrize("width", [24, 40, 80, 100])
def test_no_line_is_wider_than_the_screen_and_no_word_is_broken(tmp_path, width):
    typed = [
        "lamp_dead",
        "meter",
        "beginner",
        "none",
        "yes",
        "horn ok",
        "12.6",
        "why",
        "others",
        "figures",
        "?",
        "dead",
    ]
    shown, _ = talk(tmp_path / "narrow", typed, width)
    lines = shown.split("\n")
    assert len(lines) > 60
    assert [line for line in lines if len(line) > width] == []
    known = set(re.findall(r"\S+", talk(tmp_path / "wide", typed, 100)[0]))
    # at 24 columns only what is longer than a line may be broken
    broken = [w for w in re.findall(r"\S+", shown) if w not in known]
    assert [w for w in broken if len(w) < width - 4] == []


def test_a_number_stays_with_its_unit():
    text = wrap("the meter shows exactly 12.6 V here and 20 kohm there", 25)
    assert text == "the meter shows exactly\n12.6 V here and 20 kohm\nthere"


def test_lists_hang_under_their_first_word():
    assert wrap("- one two three\n12  four five six", 10) == "- one two\n  three\n12  four\n    five\n    six"


def test_escape_sequences_are_only_text(tmp_path):
    assert clean("a\x1b[31mred\x9b0m\u202e\tb\n") == "a[31mred0mb\n"
    shown, session = talk(tmp_path, ["\x1b]0;title\x07lamp_dead", "note \x1b[2J wiped"])
    assert "\x1b" not in shown and "\x07" not in shown
    assert session.state.notes == ("[2J wiped",)


def test_what_was_not_understood_is_asked_again(tmp_path):
    shown, _ = talk(tmp_path, ["", "mercury", "lamp_dead"])
    assert "Type an answer, or ? for help." in shown
    assert "'mercury' is no complaint that this bike knows" in shown
    assert "What have you got to work with?" in shown


def test_numbers_of_the_list_and_decimal_commas_are_told_apart_in_a_complaint(tmp_path):
    shown, session = talk(tmp_path / "one", ["horn is silent, batt 12,1"])
    assert session.state.setting.complaints == ("horn_dead",)
    assert "battery volts: 12.1 V" in shown
    for n, typed in enumerate(("1,2", "1 2", "1; 2")):
        _, session = talk(tmp_path / f"two{n}", ["list", typed])
        assert len(session.state.setting.complaints) == 2, typed


def test_several_answers_by_number_need_no_comma_and_are_no_reading(tmp_path):
    """Two numbers with a blank between name no test point, whatever numbers its title holds."""
    shown, session = talk(tmp_path, ["headlamp", "1", "meter", "mechanic", "2 3"])
    assert sum(yes for _, yes in session.state.setting.history) == 2
    assert not session.state.readings and "Understood" not in shown


def test_help_tells_every_command(tmp_path):
    shown, _ = talk(tmp_path, ["?"], **KNOWN)
    for word in (
        "skip",
        "why",
        "suspects",
        "figures",
        "others",
        "undo",
        "pause",
        "note",
        "see",
        "have meter",
        "works now",
    ):
        assert word in shown


def test_commands_go_beside_the_question(tmp_path):
    typed = [
        "works",
        "why",
        "suspects",
        "figures",
        "others",
        "take 1",
        "undo",
        "undo",
        "note hello",
        "see horn ok",
    ]
    shown, session = talk(tmp_path, typed, **KNOWN)
    assert "%  headlamp" in shown and "Taken back." in shown and "Noted." in shown and "Understood:" in shown
    assert session.state.notes == ("hello",)


@pytest.mark.parametrize(
    ("typed", "attribute", "value"),
    [
        ("have workshop", "kit", "workshop"),
        ("alone", "helper", False),
        ("engine off", "engine_may_run", False),
        ("not fitted horn", "differs", (Difference("not_fitted", "horn"),)),
    ],
)
def test_what_changes_is_said_in_words(tmp_path, typed, attribute, value):
    _, session = talk(tmp_path, [typed], **KNOWN)
    assert getattr(session.state.setting, attribute) == value


def test_helper_and_engine_can_be_given_back(tmp_path):
    _, session = talk(tmp_path, ["alone", "helper", "engine off", "engine on"], **KNOWN)
    assert session.state.setting.helper and session.state.setting.engine_may_run


def test_several_choices_are_taken_by_number(tmp_path):
    known = {k: v for k, v in KNOWN.items() if k != "history"}
    _, session = talk(tmp_path, ["2, 3"], **known)
    assert dict(session.state.setting.history) == {"stood": True, "wet": True}


def test_a_remark_in_place_of_a_reading_is_taken_as_one(tmp_path):
    shown, session = talk(tmp_path, ["take volts:lamp.feed:battery.minus@key=run", "horn dead"], **KNOWN)
    assert "Understood:" in shown
    assert [r.value for r in session.state.readings] == ["dead"]


def test_doubt_is_told_and_the_same_again_is_taken(tmp_path):
    shown, session = talk(tmp_path, ["take volts:battery.plus:battery.minus@", "0", "0"], **KNOWN)
    assert "type the same once more" in re.sub(r"\s+", " ", shown)
    assert session.state.readings[-1].doubtful


def test_done_asks_whether_it_works_until_it_is_told(tmp_path):
    shown, session = talk(
        tmp_path, ["take volts:lamp.feed:lamp.ground@key=run", "12.6", "done", "maybe", "no"], **KNOWN
    )
    assert "Please type yes or no." in shown
    assert session.state.paid.repairs_done == {"lamp.renew"}


def test_the_end_of_input_pauses_and_says_how_to_go_on(tmp_path):
    shown, session = talk(tmp_path, ["works"], **KNOWN)
    assert f"Paused. Go on with: diagnose resume {session.job}" in shown
    again = resume_session(open_journal(session.journal.path), *TOOLS)
    sink = io.StringIO()
    converse(again, PlainTerminal(io.StringIO("quit\n"), sink, 80))
    again.close()
    assert len(again.state.readings) == 1 and "Paused." in sink.getvalue()


def test_an_interrupt_pauses(tmp_path):
    class Interrupted(io.StringIO):
        def readline(self, *_):
            raise KeyboardInterrupt

    session = new_session(tmp_path, "bench_lamp", KNOWN, *TOOLS)
    sink = io.StringIO()
    assert converse(session, PlainTerminal(Interrupted(), sink, 80)) == 0
    session.close()
    assert "Paused." in sink.getvalue()


def test_a_caution_is_shown_before_its_step_and_only_once(tmp_path):
    typed = [
        "take volts:main_fuse.out:battery.minus@key=run",
        "12.6",
        "take volts:battery.plus:battery.minus@key=run",
    ]
    shown, _ = talk(tmp_path, typed, **KNOWN)
    cautions = re.findall(r"CAUTION: .*", shown)
    assert len(cautions) == len(set(cautions)) > 0
    assert shown.index("CAUTION") < shown.index("main fuse, the end towards the key")


def test_the_trade_sees_what_to_expect_before_and_the_beginner_after(tmp_path):
    fuse = "take volts:main_fuse.out:battery.minus@key=run"
    trade, _ = talk(tmp_path, [fuse], **KNOWN)
    assert "On a good bike: " in trade.split("volts?")[1]
    beginner, _ = talk(tmp_path, [fuse], **{**KNOWN, "skill": "beginner"})
    assert "On a good bike: 1" not in beginner.split("straight line")[1]
    after, _ = talk(tmp_path, [fuse, "12.6"], **{**KNOWN, "skill": "beginner"})
    assert "On a good bike: 1" in after.split("straight line")[1]


def test_bytes_that_are_no_text_do_not_end_the_job(tmp_path):
    session = new_session(tmp_path, "bench_lamp", KNOWN, *TOOLS)
    source = io.TextIOWrapper(io.BytesIO(b"\xff\xfe\x80\nwhy\n"), encoding="utf-8")
    sink = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    assert converse(session, PlainTerminal(source, sink, 80)) == 0
    session.close()


def test_the_notices_of_a_torn_journal_are_told(tmp_path):
    _, session = talk(tmp_path, ["works"], **KNOWN)
    with open(session.journal.path, "ab") as stream:
        stream.write(b'{"n":9')
    again = resume_session(open_journal(session.journal.path), *TOOLS)
    sink = io.StringIO()
    converse(again, PlainTerminal(io.StringIO(""), sink, 200))
    again.close()
    assert "the last line was cut short and is left out" in re.sub(r"\s+", " ", sink.getvalue())
