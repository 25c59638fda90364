"""Every single fault of a bike: ids, severities, priors, assembly faults, neighbours."""

from __future__ import annotations

import collections
import re
from dataclasses import replace
from pathlib import Path

import pytest
from shipped import BIKE, opened, world

from diagnose.bike.build import build
from diagnose.bike.candidates import (
    LEAKS_OHMS,
    NO_FAULT_PRIOR,
    SERIES_STEALS,
    SHORTS_OHMS,
    UNMODELLED_PRIOR,
    candidates,
    compact,
    is_assembly,
    read_fault,
    resolve,
    round_ohms,
    single_faults,
)
from diagnose.bike.currents import service
from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.model import EditSpec
from diagnose.catalogue.read import load_library
from diagnose.circuit.netlist import Change, Move, Open
from diagnose.errors import DiagnoseError, UsageError
from diagnose.quantities import quantity

ID = re.compile(r"[a-z][a-z0-9_]*\.[a-z][a-z0-9_]*(=[A-Za-z0-9_.,]+)?")


def ohms_of(fault: str) -> float:
    """Ohms that the id of a fault names."""
    return quantity(fault.partition("=")[2].rpartition(",")[2], "ohm")


# ---- the shipped single ----------------------------------------------------------------------------


def test_the_single_has_some_hundred_candidates_with_ids_of_their_own() -> None:
    """200 to 500 single candidates for a loom of about 130 nodes."""
    w = world()
    print(
        f"{len(w.faults)} single faults, {len(w.harmless)} of them without effect, {len(w.candidates)} kept"
    )
    assert 200 <= len(w.candidates) <= 500
    ids = [f.id for f in w.faults]
    assert len(set(ids)) == len(ids)
    assert all(ID.fullmatch(i) for i in ids)
    assert [c.id for c in w.candidates][:: len(w.candidates) - 1] == ["no_fault", "unmodelled"]
    assert {c.id for c in w.candidates} == {"no_fault", "unmodelled", *ids} - set(w.harmless)


def test_priors_sum_to_one_and_none_is_nought() -> None:
    w = world()
    assert w.prior.sum() == pytest.approx(1.0, abs=1e-12)
    assert w.prior.min() > 0.0
    assert (w.prior[w.no_fault], w.prior[w.unmodelled]) == (NO_FAULT_PRIOR, UNMODELLED_PRIOR)


def test_every_part_that_can_fail_is_among_the_suspects() -> None:
    """Every wire, way, contact, joint, fuse, lamp and winding has a fault of its own."""
    w = world()
    spec = w.spec
    blamed = {f.component for f in w.faults}
    spared = [p.id for p in spec.parts.values() if spec.kinds[p.kind].modes and p.id not in blamed]
    assert spared == []
    assert set(spec.wires) <= blamed
    assert set(w.built.fuses) <= blamed
    assert {way for ways in spec.connectors.values() for way in ways} <= blamed
    assert len(blamed) >= 120


@pytest.mark.parametrize(
    ("joint", "low", "high"),
    [
        # the same share of volts lost: milliohms at 80 A, ohms at a running light, kilohms at an input
        ("motor_cable.lug", 0.005, 0.2),
        ("module_feed.joint", 0.05, 2.0),
        ("rear_plug_tail.poor", 1.0, 50.0),
    ],
)
def test_severities_of_a_bad_joint_are_scaled_by_the_current_of_its_circuit(
    joint: str, low: float, high: float
) -> None:
    found = [ohms_of(f.id) for f in world().faults if f.id.startswith(f"{joint}=")]
    assert len(found) == 3 and found == sorted(found)
    assert low <= found[0] and found[-1] <= high


def test_each_severity_steals_the_share_of_volts_that_it_stands_for() -> None:
    """Half the volts go at supply / current; a share s goes at s / (1 - s) of that (voltage divider)."""
    w = world()
    for joint, element in (
        ("motor_cable.lug", "motor_cable.core"),
        ("rear_plug_tail.poor", "rear_plug_tail.contact"),
    ):
        half = 12.0 / w.service.amperes[element]
        found = [ohms_of(f.id) for f in w.faults if f.id.startswith(f"{joint}=")]
        for ohms, (share, _) in zip(found, SERIES_STEALS, strict=True):
            assert ohms / (ohms + half) == pytest.approx(share, rel=0.06)


def test_a_joint_in_a_module_input_is_bad_in_kilohms() -> None:
    """Supply over some 2.5 mA: a tenth of it goes at half a kilohm (Ohm's law)."""
    w = world()
    kind = w.spec.kinds["connector_way"]
    parts = {**w.spec.parts, "left_bar_plug_left": replace(w.spec.parts["left_bar_plug_left"], kind=kind.id)}
    built = build(replace(w.spec, parts=parts))
    found = [
        ohms_of(f.id) for f in single_faults(built, w.service) if f.id.startswith("left_bar_plug_left.poor")
    ]
    assert len(found) == 3 and found[0] >= 200 and found[-1] <= 5000


def test_the_ids_ohms_are_what_is_simulated() -> None:
    """Two significant figures in both; the joint's own milliohms come on top."""
    w = world()
    seen = 0
    for f in w.faults:
        kind = w.spec.kinds[w.spec.parts[f.component].kind]
        mode = next(m for m in kind.modes if m.id == f.mode)
        if mode.severity != "series":
            continue
        changes = [e for e in f.edits if isinstance(e, Change) and e.param == "resistance"]
        own = [w.built.elements[e.target].values["resistance"] for e in changes]
        assert [e.value - o for e, o in zip(changes, own, strict=True)] == pytest.approx([ohms_of(f.id)])
        seen += 1
    assert seen >= 120


def test_leaks_and_shorts_come_at_their_fixed_ohms() -> None:
    w = world()
    assert [ohms_of(f.id) for f in w.faults if f.id.startswith("kill_switch.wet=")] == [
        r for r, _ in LEAKS_OHMS
    ]
    assert [ohms_of(f.id) for f in w.faults if f.id.startswith("key_run.chafed=")] == [
        r for r, _ in SHORTS_OHMS
    ]
    for shares in (LEAKS_OHMS, SHORTS_OHMS, SERIES_STEALS):
        assert sum(weight for _, weight in shares) == pytest.approx(1.0)


def test_severities_share_the_weight_of_their_mode() -> None:
    """The weights of one mode's severities add up to rate x share x freshness, and to their split."""
    w = world()
    kind = w.spec.kinds[w.spec.parts["rear_ground"].kind]
    poor = next(m for m in kind.modes if m.id == "poor")
    total = sum(m.share.number for m in kind.modes)
    found = [f.prior for f in w.faults if f.id.startswith("rear_ground.poor=")]
    assert sum(found) == pytest.approx(kind.rate.number * poor.share.number / total * poor.fresh)
    assert [p / sum(found) for p in found] == pytest.approx([weight for _, weight in SERIES_STEALS])


def test_crossed_wires_are_counted_once() -> None:
    """The same swap is not told twice, from either side; it moves exactly one end of both wires."""
    crossed = [f for f in world().faults if f.mode == "crossed"]
    pairs = [frozenset((f.component, f.value)) for f in crossed]
    assert len(pairs) == len(set(pairs)) >= 5
    for f in crossed:
        assert [type(e) for e in f.edits] == [Move, Move]
        assert {e.element.partition(".")[0] for e in f.edits if isinstance(e, Move)} == {f.component, f.value}
        one, two = f.edits
        assert isinstance(one, Move) and isinstance(two, Move)
        ends = {e: getattr(world().built.elements[e.element], e.end) for e in (one, two)}
        assert (one.node, two.node) == (ends[two], ends[one])


def test_a_cross_seen_from_both_sides_is_one_candidate(tiny_knowledge: Path) -> None:
    """Ways of one plug in a row: two ways beside each other, one swap."""
    built = build(compose_bike(load_library(tiny_knowledge), "tiny"))
    crossed = [f.id for f in single_faults(built, service(built)) if f.mode == "crossed"]
    print(crossed)
    assert len(crossed) <= 1


def test_assembly_faults_are_there_when_the_wiring_is_fresh_and_gone_when_it_is_used() -> None:
    fresh = {f.id for f in world().faults if "assembly" in f.tags}
    modes = {f.mode for f in world().faults if "assembly" in f.tags}
    assert {
        "left_off",
        "crossed",
        "fed_twice",
        "wrong_place",
        "reversed",
        "wrong_rating",
        "wrong_watts",
    } <= modes
    spec = compose_bike(opened().library, BIKE)
    parts = {k: replace(p, fresh=False) for k, p in spec.parts.items()}
    used = build(replace(spec, fresh=False, parts=parts))
    faults = single_faults(used, world().service)
    assert not [f.id for f in faults if "assembly" in f.tags]
    assert {f.id for f in faults} == {f.id for f in world().faults} - fresh
    assert len(fresh) >= 25


def test_fresh_wiring_makes_a_bad_joint_likelier() -> None:
    """A ground joint that is off is 1.5 times as likely on a new loom (this knowledge's own number)."""
    spec = compose_bike(opened().library, BIKE)
    parts = {k: replace(p, fresh=False) for k, p in spec.parts.items()}
    used = {
        f.id: f.prior for f in single_faults(build(replace(spec, fresh=False, parts=parts)), world().service)
    }
    new = {f.id: f.prior for f in world().faults}
    assert new["rear_ground.off"] == pytest.approx(1.5 * used["rear_ground.off"])


def test_every_fault_has_a_repair_and_every_repair_cures_something() -> None:
    w = world()
    for f in w.faults:
        assert f.repairs, f.id
        assert all(r in w.repairs for r in f.repairs), f.id
        assert all(f.id in w.repairs[r].cures for r in f.repairs), f.id
    cured = collections.Counter(c for r in w.repairs.values() for c in r.cures)
    assert set(cured) == {f.id for f in w.faults}


def test_visible_chances_are_chances() -> None:
    assert all(0.0 < f.visible < 1.0 for f in world().faults)


def test_following_a_wire_shows_more_than_a_glance_at_it() -> None:
    """Common practice, no source: with clips and tape off a bare place is seen that a glance passes over."""
    traced = [f for f in world().faults if f.traced is not None]
    assert len(traced) > 40 and {f.word for f in traced} == {"wire"}
    assert all(f.visible < f.traced < 1.0 for f in traced)
    chafes = [f for f in traced if f.mode == "chafed"]
    assert len(chafes) > 10 and min(f.traced for f in chafes) >= 0.85


def test_harmless_faults_are_left_out_of_a_job() -> None:
    """10 kohm of damp on a kill wire of 400 ohm source coil: real, and without effect."""
    w = world()
    assert w.harmless
    kept = {c.id for c in w.candidates}
    assert not kept.intersection(w.harmless)
    assert "kill_switch.wet=100kohm" in w.harmless
    assert "kill_switch.stuck" in kept


# ---- numbers in ids --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ohms", "text"),
    [
        (0.02, "20mohm"),
        (0.0072, "7.2mohm"),
        (1.5, "1.5ohm"),
        (1e3, "1kohm"),
        (1e4, "10kohm"),
        (2.2e6, "2.2Mohm"),
        (999.99, "1kohm"),
        (0.4567, "460mohm"),
    ],
)
def test_ohms_in_an_id_are_short_and_read_back(ohms: float, text: str) -> None:
    assert compact(ohms) == text
    assert quantity(text, "ohm") == pytest.approx(round_ohms(ohms))


# ---- faults by name --------------------------------------------------------------------------------


def named(text: str):
    return read_fault(world().built, world().service, text)


def test_any_severity_can_be_named() -> None:
    f = named("rear_ground.poor=3ohm")
    assert f.id == "rear_ground.poor=3ohm"
    assert f.repairs == ("rear_ground.remake",)
    (edit,) = f.edits
    assert isinstance(edit, Change) and edit.value == pytest.approx(3.003)
    assert named("rear_ground.poor=3 ohm").edits == f.edits


def test_a_known_fault_read_by_its_id_is_that_fault() -> None:
    for f in world().faults:
        assert named(f.id) == f


def test_a_neighbour_and_a_severity_can_both_be_named() -> None:
    f = named("tail_feed.fed_twice=left_rear_wire,5ohm")
    (edit,) = f.edits
    assert edit.element.values["resistance"] == 5.0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("rear_grnd.off", r"unknown component 'rear_grnd'; try rear_ground"),
        ("rear_ground.of", r"unknown fault mode of rear_ground 'of'; try off"),
        ("rear_ground.off=3ohm", r"rear_ground.off takes no value; write rear_ground.off"),
        ("rear_ground.poor", r"rear_ground.poor needs a value; try rear_ground.poor=300mohm"),
        ("rear_ground.poor=12V", r"'12V' is a voltage.*resistance"),
        ("rear_ground.poor=blue", r"blue"),
        ("tail_feed.fed_twice=left_rear,5ohm", r"unknown neighbour 'left_rear'; try left_rear_wire"),
    ],
)
def test_a_fault_that_does_not_exist_is_named_with_near_misses(text: str, message: str) -> None:
    with pytest.raises(DiagnoseError, match=message):
        named(text)


def test_an_assembly_fault_of_used_wiring_is_refused() -> None:
    spec = compose_bike(opened().library, BIKE)
    parts = {k: replace(p, fresh=False) for k, p in spec.parts.items()}
    used = build(replace(spec, fresh=False, parts=parts))
    with pytest.raises(UsageError, match=r"headlamp_ground.left_off is a fault of fresh wiring"):
        read_fault(used, world().service, "headlamp_ground.left_off")


def test_an_edit_of_no_known_sort_is_refused() -> None:
    w = world()
    part = w.spec.parts["headlamp"]
    mode = w.spec.kinds[part.kind].modes[0]
    with pytest.raises(UsageError, match=r"unknown edit 'melt'"):
        resolve(w.built, part, mode, replace(EditSpec("open", "low_filament"), op="melt"), 1.0, "")


def test_a_bridge_of_a_node_with_itself_is_no_fault() -> None:
    """Ground wires against the frame: nothing is added where both ends are one node."""
    w = world()
    part = w.spec.parts["ground_cable"]
    mode = w.spec.kinds[part.kind].modes[0]
    frame = w.spec.body["frame"]
    own = next(p for p, at in w.spec.nodes.items() if at == w.spec.nodes[frame] and p != frame)
    component, _, terminal = own.partition(".")
    assert resolve(w.built, w.spec.parts[component], mode, EditSpec("to_ground", terminal), 0.02, "") == ()
    assert part.id == "ground_cable"


def test_candidates_scale_the_faults_weights() -> None:
    faults = [replace(named("rear_ground.off"), prior=3.0), replace(named("headlamp.low_open"), prior=1.0)]
    made = candidates(faults)
    assert [c.id for c in made] == ["no_fault", "rear_ground.off", "headlamp.low_open", "unmodelled"]
    assert made[1].prior == pytest.approx(3 * made[2].prior)
    assert sum(c.prior for c in made) == pytest.approx(1.0)
    assert [c.is_fault for c in made] == [False, True, True, False]


def test_assembly_is_a_tag_of_the_mode() -> None:
    kinds = opened().library.kinds.values()
    tagged = [m for k in kinds for m in k.modes if "assembly" in m.tags]
    assert len(tagged) >= 10 and all(is_assembly(m) for m in tagged)
    assert not [m for k in kinds for m in k.modes if is_assembly(m) and "assembly" not in m.tags]


def test_a_fault_that_opens_an_element_names_one_that_exists() -> None:
    elements = world().built.elements
    opens = [e.element for f in world().faults for e in f.edits if isinstance(e, Open)]
    assert len(opens) >= 100 and set(opens) <= set(elements)
