"""From a composed bike to a netlist, and what conditions and job states change in it."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from shipped import world

from diagnose.bike.acting import fault_edits_in
from diagnose.bike.build import (
    AC_SUFFIX,
    ac_edits,
    build,
    charge_fraction,
    condition_edits,
    engine_rpm,
    kind_of,
    node,
    node_of_point,
    winding_share,
)
from diagnose.bike.currents import as_condition, service, use_conditions
from diagnose.bike.model import Condition, JobState
from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.read import load_library
from diagnose.circuit.netlist import Change, Open
from diagnose.errors import UsageError


@pytest.fixture
def tiny(tiny_knowledge: Path):
    """One lamp on a frame."""
    library = load_library(tiny_knowledge)
    return build(compose_bike(library, "tiny"))


def test_every_wire_way_joint_and_winding_becomes_an_element(tiny) -> None:
    """Counted by hand in the tiny bike: source, fuse, contact, filament, joint, 2 ways, 5 wires."""
    assert sorted(tiny.elements) == [
        "battery.cell",
        "battery_lead.core",
        "frame_lead.core",
        "fuse_lead.core",
        "key_switch.contact",
        "main_fuse.link",
        "rear_ground.joint",
        "tail_feed.core",
        "tail_ground.core",
        "tail_lamp.filament",
        "tail_plug_feed.contact",
        "tail_plug_ground.contact",
    ]
    assert tiny.netlist.ground == node_of_point(tiny.spec, "battery.minus")
    assert tiny.fuses == {"main_fuse": ("main_fuse.link",)}
    assert tiny.batteries == ("battery.cell",)
    assert tiny.contacts == {"key_switch.contact": ("key", ("run",))}
    assert tiny.ways["tail_plug"] == ("tail_plug_feed.contact", "tail_plug_ground.contact")
    assert tiny.ways["tail_feed"] == ("tail_feed.core",)


def test_bonded_terminals_are_one_node_and_a_wire_parts_two(tiny) -> None:
    assert node_of_point(tiny.spec, "tail_lamp.feed") == node_of_point(tiny.spec, "tail_plug_feed.b")
    assert node_of_point(tiny.spec, "key_switch.out") != node_of_point(tiny.spec, "tail_plug_feed.a")


def test_controls_rest_in_their_resting_position(tiny) -> None:
    assert tiny.elements["key_switch.contact"].values["closed"] == 0.0
    assert condition_edits(tiny, Condition()) == ()
    assert condition_edits(tiny, as_condition(tiny, "key=run")) == (
        Change("key_switch.contact", "closed", 1.0),
    )


def test_a_condition_takes_fuses_plugs_and_the_battery_out(tiny) -> None:
    assert condition_edits(tiny, as_condition(tiny, "out=main_fuse")) == (Open("main_fuse.link"),)
    apart = condition_edits(tiny, as_condition(tiny, "apart=tail_plug"))
    assert apart == (Open("tail_plug_feed.contact"), Open("tail_plug_ground.contact"))
    assert condition_edits(tiny, as_condition(tiny, "battery=off")) == (Open("battery.cell"),)


def test_a_job_state_does_the_same_and_does_not_do_it_twice(tiny) -> None:
    job = JobState(out=("main_fuse",), apart=("tail_plug",), battery=False)
    by_condition = condition_edits(tiny, as_condition(tiny, "out=main_fuse,apart=tail_plug,battery=off"))
    assert condition_edits(tiny, Condition(), job) == by_condition
    both = condition_edits(tiny, as_condition(tiny, "out=main_fuse,apart=tail_plug,battery=off"), job)
    assert both == by_condition


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("no_such.feed", "unknown test point 'no_such.feed'"),
        ("tail_lamp.fed", "try tail_lamp.feed"),
    ],
)
def test_an_unknown_point_is_named_with_near_misses(tiny, text: str, message: str) -> None:
    with pytest.raises(UsageError) as caught:
        node_of_point(tiny.spec, text)
    assert message in str(caught.value)


def test_an_unknown_component_fuse_or_plug_is_named_with_near_misses(tiny) -> None:
    with pytest.raises(UsageError, match=r"unknown component 'tail_lam'.*tail_lamp"):
        kind_of(tiny.spec, "tail_lam")
    with pytest.raises(UsageError, match=r"unknown fuse 'main_fus'.*main_fuse"):
        condition_edits(tiny, Condition(out=("main_fus",)))
    with pytest.raises(UsageError, match=r"unknown connector 'tail_plg'.*tail_plug"):
        condition_edits(tiny, Condition(), JobState(apart=("tail_plg",)))


def test_inner_nodes_have_names_of_their_own(tiny) -> None:
    assert kind_of(tiny.spec, "tail_lamp").id == "lamp_21w"
    assert node(tiny.spec, "tail_lamp", "#inside") == "tail_lamp.#inside"
    assert node_of_point(tiny.spec, "tail_lamp.#inside") == "tail_lamp.#inside"


def test_a_condition_is_written_sorted_and_only_as_it_differs_from_rest() -> None:
    built = world().built
    c = as_condition(built, "lights=high,key=run,gear=neutral,out=acc_fuse,engine=idle,battery=off")
    assert c.text == "battery=off,engine=idle,key=run,lights=high,out=acc_fuse"
    assert as_condition(built, c.text) == c
    assert as_condition(built, "").text == ""


@pytest.mark.parametrize(
    ("text", "message"),
    [("kye=run", "key"), ("key=runn", "run"), ("out=acc_fus", "acc_fuse"), ("apart=rear_plg", "rear_plug")],
)
def test_a_condition_with_an_unknown_name_says_what_was_meant(text: str, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        as_condition(world().built, text)


def test_the_alternator_charges_from_700_rpm_towards_its_full_current() -> None:
    """1 - exp(-(n - 700) / 1500): a third at 1300 rpm, 94 % at 5000 (closed form)."""
    assert charge_fraction(0.0) == charge_fraction(700.0) == 0.0
    assert charge_fraction(1300.0) == pytest.approx(1 - math.exp(-0.4), rel=1e-12)
    assert charge_fraction(5000.0) == pytest.approx(0.9433, abs=1e-3)
    spec = world().spec
    assert [engine_rpm(spec, e) for e in ("off", "cranking", "idle", "5000")] == [0, 400, 1300, 5000]


def test_a_running_engine_gives_the_alternator_its_current_and_a_resting_one_none() -> None:
    built = world().built
    full = built.generators["regulator.output"]
    running = condition_edits(built, as_condition(built, "engine=5000,key=run"))
    assert Change("regulator.output", "max_current", full * charge_fraction(5000.0)) in running
    for still in ("key=run", "engine=cranking,key=run"):
        edits = condition_edits(built, as_condition(built, still))
        assert not [e for e in edits if isinstance(e, Change) and e.target == "regulator.output"]


def test_windings_drive_the_ac_circuit_and_the_battery_is_silent_in_it() -> None:
    """Volts grow with revolutions: volts per 1000 rpm times n / 1000."""
    built = world().built
    edits = ac_edits(built, as_condition(built, "engine=2000"))
    changes = {(e.target, e.param): e.value for e in edits if isinstance(e, Change)}
    assert len(built.windings) >= 3
    for element, per_1000 in built.windings.items():
        assert changes[element, "emf"] == pytest.approx(2.0 * per_1000)
    assert changes["battery.cell", "emf"] == 0.0
    diodes = {e.id for e in built.netlist.elements if e.law == "diode"}
    assert diodes and diodes <= {e.element for e in edits if isinstance(e, Open)}


def test_faults_of_windings_and_alternators_follow_the_revolutions() -> None:
    built = world().built
    winding, generator = next(iter(built.windings)), "regulator.output"
    edits = (Change(winding, AC_SUFFIX, 10.0), Change(generator, "max_current", 4.0))
    running = as_condition(built, "engine=2000")
    assert fault_edits_in(built, edits, running, alternating=True) == (Change(winding, "emf", 20.0),)
    dc = fault_edits_in(built, edits, running, alternating=False)
    assert dc == (Change(generator, "max_current", 4.0 * charge_fraction(2000.0)),)
    assert fault_edits_in(built, edits, Condition(), alternating=False) == ()


def test_a_flat_battery_is_as_silent_as_a_full_one_in_the_ac_circuit() -> None:
    built = world().built
    flat = (Change("battery.cell", "emf", 11.0), Open("source_wire.core"))
    assert fault_edits_in(built, flat, as_condition(built, "engine=2000"), alternating=True) == flat[1:]


def test_conditions_of_use_are_those_of_the_functions_and_the_plain_ones() -> None:
    """Each function's own condition but those of stopping, each without its last control, and rest."""
    built = world().built
    texts = [c.text for c in use_conditions(built)]
    assert texts[0] == "" and len(texts) == len(set(texts)) == 18
    for f in built.spec.functions.values():
        assert (as_condition(built, f.when).text in texts) == (f.kind != "stop"), f.id
    assert {"horn=pressed", "key=run", "start=pressed"} <= set(texts)


def test_the_service_current_is_the_scale_of_a_circuit() -> None:
    """Supply volts by largest current: what would take half of them (Ohm's law)."""
    s, built = world().service, world().built
    rows = {e.id: i for i, e in enumerate(built.netlist.elements)}
    for element, low, high in (
        (
            "motor_cable.core",
            60,
            110,
        ),  # cranking current of a 250 to 600 cm3 single: 60 to 100 A, from memory
        ("headlamp.low_filament", 4.3, 5.0),  # 55 W at 12 V
        ("rear_lamp.tail_light", 0.3, 0.4),  # 5 W at 13.5 V is 0.37 A
        ("in_left_wire.core", 0.002, 0.003),  # 12 V by 4.7 kohm
    ):
        largest = float(s.currents[rows[element]].max())
        assert low <= largest <= high, element
        assert s.amperes[element] == pytest.approx(largest)
        assert s.ohms[element] == pytest.approx(12.0 / largest)
        assert s.currents[rows[element], s.best[element]] == largest


def test_service_of_one_condition_is_that_condition_of_all() -> None:
    built, whole = world().built, world().service
    one = service(built, [as_condition(built, "key=run")])
    column = [c.text for c in whole.conditions].index("key=run")
    assert one.currents[:, 0] == pytest.approx(whole.currents[:, column], rel=1e-5, abs=1e-7)


def test_a_contact_that_the_engine_moves_follows_it_and_its_control(tiny_knowledge: Path) -> None:
    """An oil switch closes while the engine stands; a pump's drive while it turns or just after key on."""
    switches = tiny_knowledge / "components" / "all.yaml"
    text = switches.read_text()
    seen = {}
    for words in ("[run, turning]", "[standing]", "[turning]"):
        switches.write_text(text.replace('closed_in: ["run"]', f"closed_in: {words}"))
        built = build(compose_bike(load_library(tiny_knowledge), "tiny"))
        states = []
        for when in ("", "key=run", "engine=cranking", "engine=idle,key=run"):
            edits = condition_edits(built, as_condition(built, when))
            moved = [e.value for e in edits if isinstance(e, Change) and e.param == "closed"]
            states.append((moved or [built.elements["key_switch.contact"].values["closed"]])[-1])
        seen[words] = states
    assert seen == {
        "[run, turning]": [0.0, 1.0, 1.0, 1.0],
        "[standing]": [1.0, 1.0, 0.0, 0.0],
        "[turning]": [0.0, 0.0, 1.0, 1.0],
    }


@pytest.mark.parametrize("element", ["stator.winding_b", "pickup.winding"])
def test_the_two_parts_of_a_phasor_make_up_its_length_with_or_without_a_phase(tiny, element: str) -> None:
    """cos^2 + sin^2 = 1: a pickup beside a three-phase stator is not read 1.41 times too high."""
    mixed = replace(tiny, phases={"stator.winding_b": 120.0})
    parts = [winding_share(mixed, element, angle) for angle in (0.0, 90.0)]
    assert math.hypot(*parts) == pytest.approx(1.0)
