"""What can be measured, watched, looked at and repaired: made from the bike, named by ids."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from shipped import LED, loom, opened, world

from diagnose.bike.acts import (
    FUNCTION_WORDS,
    OTHERS,
    TWO_POINT,
    UNITS,
    measurements,
    observe,
    own_point,
    sweep_parts,
    two_point,
)
from diagnose.bike.asked import parse_measurement
from diagnose.bike.build import hanging, node_of_point, part_of_joint
from diagnose.bike.currents import as_condition
from diagnose.bike.hunt import (
    contacts_at_plugs,
    filaments_at_plugs,
    joints_behind,
    ways_grounded,
    ways_to_chargers,
)
from diagnose.bike.model import Condition, JobState
from diagnose.bike.points import CONDITIONS_PER_POINT, components_at, touchable
from diagnose.bike.view import view, wire_colours
from diagnose.catalogue.compose import compose_bike
from diagnose.circuit.netlist import Add
from diagnose.errors import UsageError
from diagnose.quantities import quantity

KITS = ("hands", "lamp", "meter", "workshop")


def planned():
    return world().measurements


# ---- the planned ones ------------------------------------------------------------------------------


@pytest.mark.parametrize("bike", ["custom_single", LED])
def test_every_planned_measurement_is_read_back_from_its_id(bike: str) -> None:
    """id -> measurement -> id, and the same measurement but for a question of its own."""
    built, in_use = loom(bike)
    instruments = opened().library.instruments
    own = measurements(built, in_use, instruments)
    for name, m in own.items():
        read = parse_measurement(built, instruments, name)
        assert (read.id, read.kind, read.condition) == (name, m.kind, m.condition), name
        assert (read.plus, read.minus, read.what, read.unit, read.choices) == (
            m.plus,
            m.minus,
            m.what,
            m.unit,
            m.choices,
        )
        assert read.minutes == m.minutes
    print(Counter(m.kind for m in own.values()))
    assert len(own) >= 500


def test_every_kind_of_the_trade_is_planned() -> None:
    kinds = Counter(m.kind for m in planned().values())
    assert set(kinds) <= {*TWO_POINT, *OTHERS}
    assert {
        "volts",
        "drop",
        "ohms",
        "diode",
        "ac_volts",
        "lowest_volts",
        "worked_volts",
        "lamp",
        "observe",
        "inspect",
        "amps",
        "swap",
        "clamp",
        "count",
        "jumper",
    } == set(kinds)


def test_branches_behind_a_fuse_are_undone_while_a_lamp_stands_in_its_place() -> None:
    """Lamp for the fuse, then branch after branch undone, a minute each (common practice, no source)."""
    steps = [m for m in planned().values() if m.kind == "lamp" and m.condition.out and m.condition.apart]
    assert len(steps) > 15
    assert {m.condition.out[0] for m in steps} >= {"main_fuse", "acc_fuse"}
    assert all(1.0 <= m.minutes <= 1.5 and len(m.condition.apart) == 1 for m in steps)


def test_the_proof_watches_what_the_repaired_part_had_put_out() -> None:
    """Nobody proves a new rear lamp by the headlamp, though "one lamp is dim" was said (no source needed)."""
    proofs = {r: world().verify(r, ["lamp_dim"]) for r in ("rear_lamp.renew", "headlamp.renew")}
    assert proofs == {
        "rear_lamp.renew": "observe:tail_light@key=run",
        "headlamp.renew": "observe:low_beam@key=run",
    }
    left = world().verify("front_left_indicator.clean_holder", ["lamp_dim"])
    assert left == "observe:left_indicator@indicator=left,key=run"


def test_what_is_believed_decides_which_look_proves_a_repair() -> None:
    """A new lamp for a burnt high beam is proved on the high beam; one look cannot prove both."""
    w = world("points_single_half_wave")
    ids = [c.id for c in w.candidates]
    for fault, look in (("headlamp.high_open", "high_beam"), ("headlamp.low_open", "low_beam")):
        chances = np.zeros(len(ids))
        chances[ids.index(fault)] = 1.0
        assert w.verify("headlamp.renew", ["headlamp_dead"], chances).startswith(f"observe:{look}@"), fault


def test_a_drain_is_proved_by_the_standing_current_and_a_lack_of_charge_by_the_volts() -> None:
    """Everything off, milliamperes left (common practice, no source); 13.8 V and more at 5000 rpm."""
    w = world("air_twin_excited")
    assert w.verify("key_switch.renew", ["drains_overnight"]) == "amps:battery@"
    assert w.verify("battery.charge", ["drains_overnight"]) == "amps:battery@"
    volts = w.verify("regulator.renew", ["battery_flat"])
    assert volts.startswith("volts:battery.plus:battery.minus@") and "engine=5000" in volts


def test_planned_measurements_are_complete_and_cost_time() -> None:
    for name, m in planned().items():
        assert m.kit in KITS and m.minutes > 0.0 and m.wait_min >= 0.0, name
        assert (m.unit != "") == (m.kind in UNITS), name
        assert bool(m.choices) == (m.kind in ("lamp", "jumper", "count", "observe", "inspect", "swap")), name
        assert len(set(m.choices)) == len(m.choices)
        if m.kind in TWO_POINT:
            assert m.plus != m.minus, name
            assert node_of_point(world().spec, m.plus) != node_of_point(world().spec, m.minus), name


def test_no_ohms_diode_or_lamp_is_planned_against_its_nature() -> None:
    """Resistance only with the battery off (TM 5-3805-254-20-1); a lamp or amperes need it on."""
    seen = Counter()
    for name, m in planned().items():
        if m.kind in ("ohms", "diode"):
            assert not m.condition.battery and m.condition.engine == "off", name
            seen["passive"] += 1
        if m.kind in ("lamp", "amps"):
            assert m.condition.battery, name
            seen["active"] += 1
    assert seen["passive"] > 100 and seen["active"] > 50


def test_no_lamp_is_planned_on_electronics() -> None:
    """Never lamp or jumper on a module input, a dash, an ignition unit (common practice, from memory)."""
    sensitive = set(world().view.sensitive)
    assert len(sensitive) >= 15
    lamps = [m for m in planned().values() if m.kind == "lamp" and not m.condition.out]
    assert lamps and not [m.id for m in lamps if {m.plus, m.minus} & sensitive]


def test_a_starter_step_wants_a_helper() -> None:
    for m in planned().values():
        turns = m.condition.engine == "cranking" or ("start", "pressed") in m.condition.controls
        if m.kind in TWO_POINT:
            assert m.helper == turns, m.id
    assert any(m.helper for m in planned().values())


def test_a_point_is_read_in_few_conditions() -> None:
    """At most three each and the plainest, and never against itself."""
    per = Counter(
        m.plus for m in planned().values() if m.kind in ("volts", "drop") and m.condition.engine == "off"
    )
    assert max(n for p, n in per.items() if p != "battery.plus") <= CONDITIONS_PER_POINT + 1
    assert len(per) >= 60


def test_each_point_stands_for_a_node_and_is_the_easiest_to_reach() -> None:
    w = world()
    points = touchable(w.built)
    access = {p.id: p.access_min for p in w.spec.places.values()}
    for at, point in points.items():
        assert node_of_point(w.spec, point) == at
        mine = access[w.spec.parts[point.partition(".")[0]].place]
        others = [
            access[w.spec.parts[p.partition(".")[0]].place]
            for p, n in w.spec.nodes.items()
            if n == at and p.partition(".")[0] not in w.spec.wires and w.spec.parts[p.partition(".")[0]].place
        ]
        assert mine == min(others)
    assert len(points) >= 100


def test_every_function_is_watched_in_its_own_condition() -> None:
    w = world()
    for f in w.spec.functions.values():
        if f.kind == "charge":
            continue
        condition = as_condition(w.built, f.when)
        m = planned()[f"observe:{f.id}@{condition.text}"]
        assert m.choices == FUNCTION_WORDS[f.kind] and m.choices[0] == "works"
        assert m.text == f.question and "?" in m.text
    assert "volts:battery.plus:battery.minus@engine=5000,key=run" in planned()


@pytest.mark.parametrize("bike", ["road_four", "pump_twin", "road_twin", "trail_single", "commuter_single"])
def test_an_engine_that_is_to_run_has_its_ignition_on_and_no_button_held(bike: str) -> None:
    own = world(bike)
    spec = own.spec
    first = next(f for f in spec.functions.values() if f.kind == "spark")
    needed = {
        (c, p) for c, p in as_condition(own.built, first.when).controls if p not in ("pressed", "pulled")
    }
    stops = {f.id for f in spec.functions.values() if f.kind == "stop"}
    running = [m for m in own.measurements.values() if m.engine_runs and m.what not in stops]
    assert len(running) >= 4
    for m in running:
        assert needed <= set(m.condition.controls), m.id
        assert ("start", "pressed") not in m.condition.controls, m.id


def test_every_bench_test_of_the_knowledge_is_planned() -> None:
    w = world()
    wanted = [(p.id, t) for p in w.spec.parts.values() for t in w.spec.kinds[p.kind].tests]
    assert len(wanted) >= 12
    made = {(m.kind, m.plus, m.minus) for m in planned().values()}
    for part, test in wanted:
        ends = (own_point(w.built, part, test.plus), own_point(w.built, part, test.minus))
        assert (test.instrument, *ends) in made, (part, test)


def test_shorts_are_hunted_behind_every_fuse() -> None:
    """Ohms behind each fuse, alone and with each joint behind it undone."""
    w = world()
    for fuse in w.built.fuses:
        behind = f"ohms:{fuse}.out:battery.minus@"
        plain = [
            m for m in planned() if m.startswith(behind) or m.startswith(f"ohms:{fuse}.in:battery.minus@")
        ]
        assert any(m.endswith(f"@battery=off,out={fuse}") for m in plain), fuse
    apart = [m for m in planned() if m.startswith("ohms:acc_fuse.out:") and "apart=" in m]
    assert len(apart) >= 5


@pytest.mark.parametrize("bike", ["custom_single", "trail_single", "tourer_relays"])
def test_a_switch_is_proved_at_its_own_plug_in_each_position(bike: str) -> None:
    # common practice, no source: near 0 ohm where the position joins the two wires, OL where it does not
    built = loom(bike)[0]
    asked = contacts_at_plugs(built)
    assert len(asked) >= 10 and len(asked) % 2 == 0
    ids = [f"ohms:{plus}:{minus}@{rest.text}" for plus, minus, rest in asked]
    assert set(ids) <= set(world(bike).measurements)
    table = world(bike).table(JobState(), ids)
    sound = [float(table.columns[i].value[world(bike).no_fault]) for i in ids]
    assert max(sound[::2]) < 0.5 and min(sound[1::2]) > 2e6, dict(zip(ids, sound, strict=True))


def test_a_wire_that_stops_the_engine_is_read_to_ground_at_each_plug_in_stop() -> None:
    # common practice, no source: unplug the unit, the kill wire shows ground in STOP and nothing in RUN
    built = loom("trail_single")[0]
    asked = [
        way for f in built.spec.functions.values() if f.kind == "stop" for way in ways_grounded(built, f)
    ]
    assert [(point, rest.text) for point, rest in asked] == [
        ("cdi_plug_kill.a", "apart=cdi_plug,battery=off,kill=stop")
    ]
    own = world("trail_single")
    id_ = f"ohms:cdi_plug_kill.a:battery.minus@{asked[0][1].text}"
    value = own.table(JobState(), [id_]).columns[id_].value
    by_fault = {c.id: float(value[i]) for i, c in enumerate(own.candidates)}
    assert by_fault["no_fault"] < 1.0
    cut = ("kill_wire.broken", "kill_ground_wire.broken", "kill_switch.does_not_make")
    assert min(by_fault[c] for c in cut) > 2e6
    # the twin's kill switch cuts the coils' feed: nothing is grounded
    twin = loom("road_twin")[0]
    assert not [
        way for f in twin.spec.functions.values() if f.kind == "stop" for way in ways_grounded(twin, f)
    ]


@pytest.mark.parametrize("bike", ["custom_single", "road_twin", "commuter_6v"])
def test_a_filament_is_read_at_its_own_plug(bike: str) -> None:
    # a tungsten filament has a tenth to a sixteenth of its hot ohms when cold (from memory)
    built, own = loom(bike)[0], world(bike)
    asked = filaments_at_plugs(built)
    ids = [f"ohms:{plus}:{minus}@{rest.text}" for plus, minus, rest in asked]
    assert len(ids) >= 2 and set(ids) <= set(own.measurements)
    table = own.table(JobState(), ids)
    sound = {i: float(table.columns[i].value[own.no_fault]) for i in ids}
    high = next(i for i in ids if i.startswith("ohms:headlamp_plug_high.b"))
    lamp = built.elements["headlamp.high_filament"].values
    hot = lamp["rated_volts"] ** 2 / lamp["rated_watts"]
    assert hot / 16.0 - 0.05 <= sound[high] <= hot / 10.0 + 0.05  # a display shows tenths of an ohm
    burnt = next(i for i, c in enumerate(own.candidates) if c.id == "headlamp.high_open")
    assert table.columns[high].value[burnt] > 2e6
    assert all(0.05 < ohms < 200.0 for ohms in sound.values()), sound


@pytest.mark.parametrize(
    ("bike", "plug"),
    [
        ("trail_single", "regulator_plug_ac"),
        ("custom_single", "stator_plug_a"),
        ("road_twin", "stator_plug_b"),
    ],
)
def test_a_bad_way_between_winding_and_charger_shows_as_volts_lost_across_it(bike: str, plug: str) -> None:
    # Ohm's law: tenths of a volt are much on a joint of milliohms, and a meter on both halves sees them all
    built, own = loom(bike)[0], world(bike)
    assert (f"{plug}.a", f"{plug}.b") in ways_to_chargers(built)
    asked = f"ac_volts:{plug}.a:{plug}.b@engine=2000,key=run"
    assert asked in own.measurements
    value = own.table(JobState(), [asked]).columns[asked].value
    by_fault = {c.id: float(value[i]) for i, c in enumerate(own.candidates)}
    poor = [c for c in by_fault if c.startswith(f"{plug}.poor")]
    assert by_fault["no_fault"] < 0.1 and poor
    assert min(by_fault[c] for c in poor) > 2.0
    # open, it shows what the winding gives with nothing on it
    charger = "regulator.dead"
    assert by_fault[charger] == pytest.approx(by_fault["no_fault"], abs=0.1)
    assert by_fault[f"{plug}.backed_out"] > max(by_fault[c] for c in poor)


def test_an_ohmmeter_finds_no_load_in_a_standing_regulator() -> None:
    # a rectifier's diodes stay shut under an ohmmeter's test volts (common practice, no source)
    for bike, pair in (
        ("custom_single", "ohms:regulator.ac1:regulator.ac2"),
        ("road_twin", "ohms:regulator.ac1:regulator.ac2"),
        ("trail_single", "ohms:regulator.ac:battery.minus"),
    ):
        plugs = {p for p in loom(bike)[0].spec.connectors if p.startswith(("regulator", "stator"))}
        asked = f"{pair}@{Condition(apart=tuple(sorted(plugs)), battery=False).text}"
        own = world(bike)
        value = own.table(JobState(), [asked]).columns[asked].value
        assert value[own.no_fault] > 1e4, (bike, value[own.no_fault])


def test_a_joint_in_a_charging_wire_is_as_bad_as_takes_half_of_that_windings_volts() -> None:
    """Some ohms beside a winding under an ohm; not what the volts of a source coil would make of it."""
    for bike in ("trail_single", "points_single_half_wave", "commuter_single", "custom_single"):
        own = world(bike)
        plugs = ("generator_plug_ac", "regulator_plug_ac", "stator_plug")
        found = [c.id for c in own.candidates if c.id.startswith(plugs) and ".poor=" in c.id]
        assert found, bike
        for name in found:
            assert 0.05 <= float(quantity(name.partition("=")[2], "ohm")) <= 20.0, (bike, name)


def test_joints_behind_a_fuse_are_those_of_its_own_branch() -> None:
    """Read off the drawing: accessory feed, splice's wires, tail and brake feeds; nothing of the module."""
    found = set(joints_behind(world().built, "acc_fuse.out"))
    assert {"acc_front", "rear_brake_feed", "rear_plug", "horn_feed", "socket_feed", "dash_plug"} <= found
    assert not found & {"module_power_plug", "stator_plug", "main_feed", "solenoid_cable", "cdi_plug"}


def test_no_joint_behind_a_fuse_hides_behind_two_connectors() -> None:
    """A wire between two plugs is left to its plugs, which part by hand."""
    found = joints_behind(world().built, "module_fuse.out")
    assert "module_power_plug" in found
    assert len(found) == len(set(found))


# ---- ids -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("volts:battery.plus:battery.minus", r"has no condition; expected kind:PLUS:MINUS@condition"),
        ("volts:battery.plus@key=run", r"volts needs two points; expected volts:PLUS:MINUS@condition"),
        ("volts:battery.plu:battery.minus@", r"unknown test point 'battery.plu'; try battery.plus"),
        ("volts:battery.plus:battery.minu@", r"unknown test point 'battery.minu'; try battery.minus"),
        ("observe:hron@key=run", r"unknown function 'hron'; try horn"),
        ("count:left_indicatr@", r"unknown function 'left_indicatr'; try left_indicator"),
        ("inspect:sead@", r"unknown place or component 'sead'; try seat"),
        ("amps:horn@", r"unknown place for the ammeter 'horn'"),
        ("smell:horn@", r"unknown kind of measurement 'smell'"),
        ("volts:battery.plus:battery.minus@kye=run", r"kye"),
    ],
)
def test_a_measurement_that_cannot_be_is_named_with_near_misses(text: str, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        world().parse(text)


def test_a_measurement_outside_the_plan_is_made_when_asked() -> None:
    name = "volts:horn.plus:horn.minus@horn=pressed,key=run"
    assert name not in set(planned())
    assert planned()[name].id == name
    assert world().parse("volts:horn.plus:horn.minus@key=run,horn=pressed").id == name


def test_the_setup_of_a_condition_counts_in_the_minutes() -> None:
    built, instruments = world().built, opened().library.instruments
    bare, undone, off = (
        two_point(built, instruments, "volts", "horn.plus", "battery.minus", c)
        for c in (Condition(), Condition(apart=("dash_plug",)), Condition(battery=False))
    )
    assert undone.minutes == pytest.approx(bare.minutes + 1.0)
    assert off.minutes == pytest.approx(bare.minutes + 0.7)
    assert undone.disturbs == ("dash_plug",)
    assert set(undone.places) == {*bare.places, world().spec.parts["dash_plug_feed"].place}


def test_a_look_at_a_place_names_every_part_there() -> None:
    m = world().parse("inspect:under_tail@")
    assert m.choices == ("nothing_found", *sweep_parts(world().built, "under_tail"))
    assert {"rear_ground", "rear_plug_ground", "tail_feed"} <= set(m.components)
    one = world().parse("inspect:rear_ground@")
    assert one.choices == ("sound", "damaged") and one.text


def test_watching_names_the_parts_that_are_watched() -> None:
    m = observe(world().built, opened().library.instruments, "left_indicator", Condition())
    assert set(m.components) == {"front_left_indicator", "rear_left_indicator"}


def test_parts_that_meet_in_a_point_are_its_neighbours() -> None:
    assert set(components_at(world().built, "acc_fuse.in")) == {"acc_fuse", "module_fuse", "main_relay"}
    assert part_of_joint(world().built, "rear_plug") in world().spec.connectors["rear_plug"]
    # a wire is undone at the end that is reached sooner: the fuse under the seat, not the headstock
    assert part_of_joint(world().built, "acc_front") == "acc_fuse"


def test_what_rubs_through_along_a_wire_hangs_at_the_other_end_when_the_wire_is_undone() -> None:
    """Common practice, no source: kill wire off at the unit, and spark again means a grounded wire."""
    built = world().built
    names = [c.id for c in world().candidates]
    chafed = world().candidates[names.index("kill_wire.chafed=20mohm")].faults[0].edits
    at_unit, other = (built.spec.nodes[f"kill_wire.{end}"] for end in ("a", "b"))
    undone = built.spec.nodes[
        built.spec.wires["kill_wire"].start
        if part_of_joint(built, "kill_wire") == built.spec.wires["kill_wire"].start.partition(".")[0]
        else built.spec.wires["kill_wire"].end
    ]
    left = other if undone == at_unit else at_unit
    (hung,) = hanging(built, chafed, ("kill_wire",))
    assert isinstance(hung, Add) and left in (hung.element.plus, hung.element.minus)
    assert undone not in (hung.element.plus, hung.element.minus)
    assert hanging(built, chafed, ()) == chafed


# ---- words -----------------------------------------------------------------------------------------


def test_points_carry_the_colours_of_the_wires_that_end_there() -> None:
    colours = wire_colours(world().built)
    assert colours["acc_front.b" if "acc_front.b" in colours else "front_splice.in"] == "OG"
    w = world()
    assert w.view.points["rear_plug_ground.a"].colour == "BK"
    assert w.view.points["battery.plus"].colour == ""
    assert len(colours) >= 60


def test_each_side_of_a_plug_and_of_a_ground_is_named_in_words() -> None:
    """Nobody can see which side of a plug is 'a' and which is 'b'."""
    points = world("trail_single").view.points
    assert points["right_bar_plug_kill.a"].title == "right bar plug, kill, loom side"
    assert points["right_bar_plug_kill.b"].title == "right bar plug, kill, kill switch side"
    assert points["front_ground.a"].title.endswith("eye of the wire")
    for bike in ("custom_single", "road_twin", "tourer_relays", "old_twin_6v"):
        built = loom(bike)[0]
        ways = {w for members in built.spec.connectors.values() for w in members}
        for point, seen in world(bike).view.points.items():
            if point.partition(".")[0] in ways:
                assert seen.title.endswith(" side"), (bike, seen.title)


def test_the_view_says_everything_in_words() -> None:
    w = world()
    assert set(w.view.points) == set(w.spec.nodes)
    assert all(
        p.title and p.place for p in w.view.points.values() if p.id.partition(".")[0] not in w.spec.wires
    )
    assert set(w.view.complaints) == set(w.spec.complaints)
    assert set(w.view.connectors) == {
        *w.spec.connectors,
        *(x for i in w.spec.wires for x in (i, f"{i}.a", f"{i}.b")),
    }
    assert w.view.home_points[0] == "battery.minus"
    assert w.view.has_starter and w.view.fresh and set(w.view.fuses) == set(w.built.fuses)
    assert len(w.view.exit_check) == len(w.spec.functions) - 1
    assert all(x in set(planned()) for x in w.view.exit_check)


def test_the_view_is_made_of_the_same_bike_twice() -> None:
    spec = compose_bike(opened().library, "custom_single")
    library = opened().library
    again = view(world().built, library.complaints, library.instruments, world().view.fuse_lamps)
    assert again == world().view and spec.id == again.id


def test_a_wire_is_followed_at_its_place_for_longer_than_a_glance_takes() -> None:
    """Common practice, no source: some minutes a wire, clips and tape off; thick cables lie open."""
    w = world()
    followed = {m.what: m for m in w.measurements.values() if m.kind == "inspect" and m.what in w.spec.wires}
    assert len(followed) > 25
    for wire, m in followed.items():
        assert m.choices == ("sound", "damaged") and m.components == (wire,)
        assert m.places == (w.spec.parts[wire].place,) and m.kit == "hands"
        assert 4.0 <= m.minutes <= 10.0 and "tape off" in m.text
        mend = w.repairs.get(f"{wire}.mend")
        assert mend is None or m.minutes < mend.minutes, wire
    assert not {"starter_cable", "ground_cable"} & set(followed)


def test_repairs_are_priced_in_minutes_and_money_and_lie_somewhere() -> None:
    w = world()
    assert len(w.repairs) >= 120
    for r in w.repairs.values():
        assert r.minutes > 0 and r.price >= 0 and r.sort in ("try", "repair", "stop") and r.text, r.id
        assert r.place in w.spec.places, r.id
    sorts = Counter(r.sort for r in w.repairs.values())
    assert sorts["try"] >= 40 and sorts["repair"] >= 40 and sorts["stop"] >= 1
