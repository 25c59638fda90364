"""What test points, functions and readings should show; the same as decks; what ngspice prints."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from shipped import LED, bike_with, opened, shown, volts, world

from diagnose.bike.acts import FUNCTION_WORDS
from diagnose.bike.currents import as_condition
from diagnose.bike.model import JobState
from diagnose.decks import deck_for, measurement_deck
from diagnose.errors import CircuitError, UsageError
from diagnose.expect import case_of, job_state
from diagnose.expect import situation as situation_of
from diagnose.ngspice import find_ngspice, node_volts, reading, run_deck
from diagnose.quantities import read_reading

WATCHED = ("observe", "inspect", "count", "lamp", "jumper", "gravity", "swap")


def sampled(per_kind: int):
    """Planned measurements, some of each kind, in few conditions."""
    w = world()
    few = {"", "key=run", "battery=off", "key=run,start=pressed", "engine=cranking,key=run"}
    out = []
    for kind in sorted({m.kind for m in w.measurements.values()}):
        own = [m for m in w.measurements.values() if m.kind == kind]
        near = [m for m in own if m.condition.text in few] or own
        out += near[:: max(1, len(near) // per_kind)][:per_kind]
    return out


def test_expect_has_the_shape_of_the_contract() -> None:
    w = world()
    names = ["volts:headlamp.low:battery.minus@key=run", "observe:low_beam@key=run"]
    data = shown("key=run", "headlamp.low_open", measurements=[w.parse(n) for n in names])
    assert list(data) == [
        "protocol",
        "bike",
        "faults",
        "found",
        "condition",
        "points",
        "functions",
        "readings",
    ]
    assert (data["protocol"], data["bike"], data["condition"]) == (1, "custom_single", "key=run")
    assert data["faults"] == ["headlamp.low_open"]
    assert data["found"] == {"opened": [], "latched": []}
    for point in data["points"]:
        assert set(point) == {"point", "volts", "floating"}
        assert isinstance(point["volts"], float) and isinstance(point["floating"], bool)
    assert [p["point"] for p in data["points"]] == [
        p for p in w.spec.nodes if p.partition(".")[0] not in w.spec.wires
    ]
    assert {f["function"] for f in data["functions"]} == set(w.spec.functions)
    for f in data["functions"]:
        assert f["state"] in FUNCTION_WORDS[w.spec.functions[f["function"]].kind]
    assert [r["measurement"] for r in data["readings"]] == names
    number, watched = data["readings"]
    assert set(number) == {"measurement", "kind", "value", "unit", "spread", "text"}
    assert (number["kind"], number["unit"]) == ("volts", "V") and number["spread"] > 0
    assert (watched["value"], watched["text"], watched["spread"], watched["unit"]) == (
        "dead",
        "dead",
        None,
        "",
    )
    assert json.loads(json.dumps(data, allow_nan=False)) == data


@pytest.mark.parametrize("fault", [(), ("acc_front.broken",), ("rear_brake_wire.chafed=20mohm",)])
def test_every_text_is_an_answer_that_a_job_reads_back(fault: tuple[str, ...]) -> None:
    """The number of the text is the number of the reading, to the text's last figure; OL is OL."""
    chosen = sampled(6)
    data = shown("", *fault, measurements=chosen)
    kinds = set()
    for m, row in zip(chosen, data["readings"], strict=True):
        kinds.add(m.kind)
        if m.kind in WATCHED:
            assert row["text"] == row["value"] and row["text"] in m.choices, m.id
            continue
        read = read_reading(row["text"], m.unit)
        if row["value"] is None:
            assert row["text"] == "OL" and read.over_range, m.id
            continue
        assert read.value == pytest.approx(row["value"], rel=0.006, abs=0.0006), m.id
    assert len(kinds) >= 9


def test_points_are_against_the_black_lead() -> None:
    plain = {p["point"]: p["volts"] for p in shown("key=run")["points"]}
    at = shown("key=run", black="headlamp.ground")
    black = {p["point"]: p["volts"] for p in at["points"]}
    assert black["headlamp.ground"] == 0.0
    for point in ("headlamp.low", "battery.plus", "frame.metal"):
        assert black[point] == pytest.approx(plain[point] - plain["headlamp.ground"], abs=0.0015)
    with pytest.raises(UsageError, match=r"unknown test point 'headlamp.grund'; try headlamp.ground"):
        shown("key=run", black="headlamp.grund")


def test_a_point_without_any_connection_says_so() -> None:
    broken = ("low_wire.broken", "headlamp.low_open")
    data = {p["point"]: p for p in shown("key=run", *broken)["points"]}
    assert data["headlamp.low"]["floating"] and abs(data["headlamp.low"]["volts"]) < 0.01
    assert not data["headlamp.ground"]["floating"] and not data["module.out_low"]["floating"]
    assert not [
        p for p in shown("key=run")["points"] if p["floating"] and p["point"].startswith("headlamp.low")
    ]


def test_the_faults_are_sorted_and_told_once() -> None:
    data = shown("", "tail_feed.broken", "acc_fuse.blown", "tail_feed.broken")
    assert data["faults"] == ["acc_fuse.blown", "tail_feed.broken"]


def test_two_faults_act_together() -> None:
    """Horn feed broken and dash feed broken: both dead, each alone only its own."""
    both = {
        f["function"]: f["state"]
        for f in shown("horn=pressed,key=run", "horn_feed.broken", "dash_feed.broken")["functions"]
    }
    one = {f["function"]: f["state"] for f in shown("horn=pressed,key=run", "horn_feed.broken")["functions"]}
    assert (both["horn"], both["dash"]) == ("dead", "dead")
    assert (one["horn"], one["dash"]) == ("dead", "works")


# ---- job state in words ----------------------------------------------------------------------------


def test_acts_in_words_make_a_job_state() -> None:
    built = world().built
    acts = ["renew:acc_fuse", "out:main_fuse", "apart:rear_plug", "rear_ground.remake", "battery:off"]
    assert job_state(built, acts) == JobState(
        ("acc_fuse",), ("main_fuse",), ("rear_plug",), ("rear_ground.remake",), False
    )
    assert job_state(built, []) == JobState()


@pytest.mark.parametrize(
    ("act", "near"),
    [
        ("renew:acc_fus", "renew:acc_fuse"),
        ("apart:rear_plg", "apart:rear_plug"),
        ("battery:of", "battery:off"),
        ("burn", ""),
    ],
)
def test_an_unknown_act_is_refused_with_near_misses(act: str, near: str) -> None:
    with pytest.raises(UsageError, match=rf"unknown act '{act}'.*{near}"):
        job_state(world().built, [act])


def test_a_fault_that_is_repaired_is_gone() -> None:
    assert volts("key=run", "acc_fuse.out", "acc_fuse.blown") < 0.1
    assert (
        volts("key=run", "acc_fuse.out", "acc_fuse.blown", done=("acc_fuse.renew", "renew:acc_fuse")) > 12.0
    )


def test_an_unknown_fault_of_a_situation_is_refused() -> None:
    w = world()
    with pytest.raises(UsageError, match=r"unknown component 'hron'; try horn"):
        situation_of(w.built, w.service, w.library.instruments, ["hron.dead"])


# ---- decks -----------------------------------------------------------------------------------------


def deck_of(faults: list[str], settings: list[str], measurement: str = "", **how: Any) -> str:
    """The deck that the command writes."""
    w = world()
    return deck_for(w.built, w.service, w.library.instruments, faults, settings, measurement, **how)


@pytest.mark.parametrize(
    ("measurement", "quantity"),
    [
        ("volts:headlamp.low:battery.minus@key=run", r"\* @reading volts v\(n\d+\)"),
        ("drop:headlamp.ground:battery.minus@key=run", r"\* @reading volts v\(n\d+\)"),
        ("volts:headlamp.low:headlamp.ground@key=run", r"\* @reading volts v\(n\d+\)-v\(n\d+\)"),
        ("ohms:rear_ground.a:battery.minus@battery=off", r"\* @reading ohms \(v\(n\d+\)\)/1e-06"),
        ("amps:battery@", r"\* @reading amps i\(vamps\)"),
        ("amps:acc_fuse@key=run,out=acc_fuse", r"\* @reading amps i\(vamps\)"),
        ("diode:interlock_diode.anode:interlock_diode.cathode@battery=off", r"\* @reading volts v"),
        ("lamp:acc_fuse.out:battery.minus@key=run", r"\* @reading volts v"),
        ("ac_volts:cdi.source:cdi.ground@engine=cranking,key=run", r"\* @reading volts v"),
        ("lowest_volts:battery.plus:battery.minus@key=run,start=pressed", r"\* @reading volts v"),
    ],
)
def test_a_deck_says_which_quantity_the_instrument_shows(measurement: str, quantity: str) -> None:
    text = deck_of([], [], measurement)
    assert len(re.findall(rf"^{quantity}", text, re.M)) == 1
    assert text.startswith(f"* custom_single no_fault {measurement}\n") and text.endswith(".op\n.end\n")
    assert "* @state relay main_relay.pull " in text and "* @state fuse acc_fuse.blow " in text
    assert "* @node 0 battery.minus" in text and "* @tolerance " in text


def test_a_deck_without_a_measurement_is_the_bike_in_its_condition() -> None:
    text = deck_of(["acc_front.chafed=20mohm"], ["key=run"])
    assert text.startswith("* custom_single acc_front.chafed=20mohm key=run\n")
    assert "@reading" not in text and " opened" in text
    fresh = deck_of(["rear_brake_wire.chafed=20mohm"], ["key=run"], found=False)
    assert " opened" not in fresh
    renewed = deck_of(["rear_brake_wire.chafed=20mohm"], ["key=run"], done=["renew:acc_fuse"])
    assert " opened" not in renewed
    assert deck_of([], []).startswith("* custom_single no_fault at rest\n")


@pytest.mark.parametrize("measurement", ["observe:horn@horn=pressed,key=run", "inspect:seat@"])
def test_what_is_watched_has_no_deck(measurement: str) -> None:
    w = world()
    with pytest.raises(UsageError, match=r"is watched, not read; expected a measurement with an instrument"):
        measurement_deck(w.predictor, w.no_fault, JobState(), w.parse(measurement), "x")


def test_the_case_of_a_situation_is_what_its_deck_shows() -> None:
    s = bike_with(("rear_brake_wire.chafed=20mohm",))
    case = case_of(s, as_condition(world().built, "key=run"))
    assert ("acc_fuse.blow", 1) in case.states
    assert any(getattr(e, "element", None) is not None for e in case.edits)


# ---- what ngspice prints ---------------------------------------------------------------------------


def test_volts_come_by_the_names_of_the_deck() -> None:
    text = "* t\n* @node n1 battery.plus\n* @node n2 lamp.feed\n* @node 0 battery.minus\n"
    assert node_volts(text, {"n1": 12.5, "n2": 11.0}) == {
        "battery.plus": 12.5,
        "lamp.feed": 11.0,
        "battery.minus": 0.0,
    }


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("* @reading volts v(n1)-v(n2)", 1.5),
        ("* @reading volts v(n1)", 12.5),
        ("* @reading volts -v(n2)", -11.0),
        ("* @reading ohms (v(n1)-v(n2))/1e-06", 1.5e6),
        ("* @reading amps i(vamps)", 0.25),
    ],
)
def test_a_reading_is_worked_out_of_the_printed_volts(line: str, expected: float) -> None:
    point = {"n1": 12.5, "n2": 11.0, "vamps#branch": 0.25}
    assert reading(f"* t\n{line}\n", point) == pytest.approx(expected)


def test_a_deck_that_names_no_quantity_is_refused() -> None:
    with pytest.raises(CircuitError, match=r"the deck has no @reading line"):
        reading("* t\n", {})
    with pytest.raises(CircuitError, match=r"cannot read the quantity 'nonsense'"):
        reading("* t\n* @reading volts nonsense\n", {})


def test_a_missing_ngspice_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "which", lambda name: None)
    with pytest.raises(UsageError, match=r"ngspice is not installed.*apt-get install ngspice.*--player own"):
        find_ngspice()


def test_a_deck_that_cannot_be_solved_is_told_in_the_simulators_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stand-in for the program, which prints no volts and says why."""
    stand_in = tmp_path / "ngspice"
    stand_in.write_text("#!/bin/sh\ncat >/dev/null\necho 'singular matrix' >&2\nexit 1\n")
    stand_in.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path), prepend=":")
    with pytest.raises(CircuitError, match=r"ngspice found no operating point: singular matrix"):
        run_deck("* t\n.end\n")
    stand_in.write_text("#!/bin/sh\ncat >/dev/null\necho 'n1 = 1.25e+01'\necho 'vamps#branch = -2.5e-01'\n")
    assert run_deck("* t\n.end\n") == {"n1": 12.5, "vamps#branch": -0.25}


def test_the_led_variant_is_asked_the_same_way() -> None:
    data = shown("indicator=left,key=run", bike=LED)
    assert data["bike"] == LED
    assert {f["function"]: f["state"] for f in data["functions"]}["left_indicator"] == "works"
    assert opened().library.bike_files.keys() >= {"custom_single", LED}
