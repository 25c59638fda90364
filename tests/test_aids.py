"""A wire to a load's ground, a count of flashes, a hydrometer: what each shows, against published figures."""

from __future__ import annotations

import numpy as np
import pytest
import shipped

from diagnose.bike.acts import FUNCTION_WORDS
from diagnose.conversation import asking
from diagnose.conversation.answers import read_answer
from diagnose.conversation.step import begin
from diagnose.errors import ObservationError, UsageError
from diagnose.play import AS_KNOWN
from diagnose.predictions import effects

TWIN, SIX, SEALED = "road_twin", "commuter_6v", "custom_single"
HEADLAMP = "jumper:low_beam:headlamp.ground@key=run"


def planned(bike: str, kind: str) -> list[str]:
    return [m.id for m in shipped.world(bike).measurements.values() if m.kind == kind]


def test_a_wire_to_the_ground_side_brings_up_a_lamp_whose_ground_is_bad_and_no_other() -> None:
    """A wire from the minus post takes over a lost ground, not a lost feed (common practice, no source)."""
    for fault, without, joined in (
        ("headlamp_ground.broken", "dead", "works"),
        ("low_wire.broken", "dead", "dead"),
    ):
        assert shipped.word("observe:low_beam@key=run", fault, bike=TWIN) == without, fault
        assert shipped.word(HEADLAMP, fault, bike=TWIN) == joined, fault
    assert shipped.word(HEADLAMP, bike=TWIN) == "works"


def test_a_wire_in_a_condition_is_a_resistor_to_the_post() -> None:
    """Behind a broken ground: lamp and wire in series from post to post, by Ohm's law."""
    at = shipped.volts(
        "key=run,grounded=headlamp.ground", "headlamp.ground", "headlamp_ground.broken", bike=TWIN
    )
    amps = shipped.amperes(
        "key=run,grounded=headlamp.ground", "headlamp.low_filament", "headlamp_ground.broken", bike=TWIN
    )
    assert at == pytest.approx(0.05 * amps, rel=0.01)
    assert amps > 3.0  # a 45 W filament near 12 V


def test_wires_go_to_the_ground_side_of_what_lights_sounds_or_warms_and_to_nothing_else() -> None:
    seen = 0
    for bike in (TWIN, SEALED, "old_twin_6v", "tourer_relays"):
        world = shipped.world(bike)
        for name in planned(bike, "jumper"):
            m = world.measurements[name]
            j = world.service.conditions.index(shipped.as_condition(world.built, name.partition("@")[2]))
            at = world.service.nodes[shipped.node_of_point(world.spec, m.plus)]
            assert abs(world.service.volts[at, j]) < 1.0, name  # the healthy ground side stands near 0 V
            f = world.spec.functions[m.what]
            assert m.choices == FUNCTION_WORDS[f.kind] and m.kit == "lamp" and f.kind != "unit", name
            assert m.plus not in world.view.sensitive, name
            seen += 1
    assert seen >= 40
    assert planned("trail_single_no_battery", "jumper") == []


@pytest.mark.parametrize(
    ("typed", "word"),
    [
        ("88", "sixty_to_120"),
        ("60", "sixty_to_120"),
        ("120", "sixty_to_120"),
        ("59", "under_60"),
        ("121", "over_120"),
        ("0", "still"),
        ("90,0", "sixty_to_120"),
        ("slow", "under_60"),
        ("does not flash", "still"),
    ],
)
def test_a_count_of_flashes_is_judged_by_the_ordinance(typed: str, word: str) -> None:
    """90 +-30 a minute: Swiss vehicle ordinance (SR 741.41), art. 79; 60 to 120: SAE J590, FMVSS 108."""
    m = shipped.parse("count:left_indicator@indicator=left,key=run", TWIN)
    assert read_answer(m, typed, {}, shipped.opened().wording) == (word, "")


def test_a_count_that_no_eye_takes_is_refused() -> None:
    m = shipped.parse("count:left_indicator@indicator=left,key=run", TWIN)
    for typed in ("4000", "60 120"):
        with pytest.raises(ObservationError, match="one number of flashes a minute"):
            read_answer(m, typed, {}, shipped.opened().wording)


def test_flashers_answer_a_missing_lamp_and_low_volts_by_their_sort() -> None:
    """Outage sensing doubles it, electronic ones keep it, heated ones lag on less current (trade texts)."""
    whole, missing, low = np.array([[1.0], [1.0]]), np.array([[1.0], [0.0]]), np.array([[0.5], [0.5]])
    never = np.array([False])

    def likeliest(shares: np.ndarray, current: float, counts: bool, heated: bool) -> str:
        row = effects.count_words(shares, np.array([current]), counts, never, heated)[0]
        assert row.sum() == pytest.approx(1.0)
        return ("sixty_to_120", "over_120", "under_60", "still")[int(np.argmax(row))]

    assert likeliest(missing, 0.5, True, False) == "over_120"
    assert likeliest(missing, 0.5, False, False) == "sixty_to_120"
    assert likeliest(low, 0.78, True, True) == "under_60"
    for counts, heated in ((True, False), (False, False), (True, True)):
        assert likeliest(whole, 1.0, counts, heated) == "sixty_to_120"


@pytest.mark.parametrize(
    ("fault", "word"),
    [
        ("", "alike_full"),  # 6.35 V: 1.272, good is 1.250 to 1.280
        ("battery.low", "alike_half"),  # 6.0 V: 1.155
        ("battery.flat", "alike_low"),  # 5.8 V: 1.088, replace or charge under 1.150
        ("battery.surface_charge", "alike_low"),  # 5.95 V behind the surface: 1.138, whatever the posts show
        ("battery.dead_cell", "one_low"),
        ("battery_ground.off", "alike_full"),  # a joint leaves the acid alone
    ],
)
def test_a_hydrometer_shows_charge_and_a_bad_cell_whatever_the_joints_do(fault: str, word: str) -> None:
    """Volts a cell are gravity + 0.845 (from memory); limits of US Army TM 5-3740-214-14."""
    faults = (fault,) if fault else ()
    assert shipped.word("gravity:battery@", *faults, bike=SIX) == word


@pytest.mark.parametrize(
    ("typed", "word"),
    [
        ("1.265 1.260 1.270", "alike_full"),
        ("1265; 1260; 1270", "alike_full"),
        ("1,265 1,260 1,210", "one_low"),  # 0.055 apart
        ("1.265 1.260 1.220", "alike_full"),  # 0.045 apart, mean 1.248
        ("1.265 1.260 1.215", "one_low"),  # 0.050 apart
        ("1.20 1.19 1.21", "alike_half"),
        ("1.12 1.11 1.13", "alike_low"),
        ("one low", "one_low"),
    ],
)
def test_cells_are_judged_by_their_numbers(typed: str, word: str) -> None:
    """One cell low by more than 0.050 is bad: Witte, The Automobile Storage Battery (1922)."""
    m = shipped.parse("gravity:battery@", SIX)
    assert read_answer(m, typed, {}, shipped.opened().wording) == (word, "")


def test_a_sealed_battery_is_never_opened() -> None:
    assert planned(SEALED, "gravity") == [] and planned("led_twin", "gravity") == []
    assert planned(SIX, "gravity") == ["gravity:battery@"]
    with pytest.raises(UsageError, match="a battery with filler caps: none here"):
        shipped.parse("gravity:battery@", SEALED)
    with pytest.raises(UsageError, match="low_beam does not flash; expected"):
        shipped.parse("count:low_beam@key=run", TWIN)


def test_every_lead_acid_kind_draws_what_a_lead_acid_battery_draws() -> None:
    """The same plates, sealed or under caps: a complaint that names one kind's faults names the other's."""
    library = shipped.opened().library
    sealed, opened = "lead_acid_battery", "lead_acid_battery_open"
    modes = {k: [m.id for m in library.kinds[k].modes] for k in (sealed, opened)}
    assert modes[sealed] == modes[opened]
    named = 0
    for complaint in library.complaints.values():
        own = {k.removeprefix(sealed) for k in complaint.kinds if k.partition(".")[0] == sealed}
        other = {k.removeprefix(opened) for k in complaint.kinds if k.partition(".")[0] == opened}
        assert own == other, complaint.id
        named += bool(own)
    assert named >= 4


def test_a_clamp_shows_the_same_current_all_along_a_cable_and_none_in_a_broken_one() -> None:
    """Kirchhoff's current law; a small engine's starter takes 60 to 150 A (common practice, no source)."""
    cranking = "key=run,start=pressed"
    along = [shipped.reading(f"clamp:{c}@{cranking}") for c in ("solenoid_cable", "motor_cable")]
    assert along[0] == pytest.approx(along[1], rel=1e-3) and 60.0 < along[0] < 150.0
    charging = "engine=5000,key=run"
    wires = ("charge_feed", "charge_fuse_wire", "regulator_ground")
    same = [shipped.reading(f"clamp:{c}@{charging}") for c in wires]
    assert max(same) - min(same) < 0.01 * max(same) and same[0] > 2.0
    assert shipped.reading(f"clamp:charge_feed@{charging}", "charge_feed.broken") == 0.0
    assert shipped.reading(f"clamp:charge_feed@{charging}", "regulator.dead") < 0.1


def test_a_clamp_is_asked_for_in_a_workshop_where_nothing_flashes_and_much_flows() -> None:
    world = shipped.world(TWIN)
    found = [world.measurements[k] for k in planned(TWIN, "clamp")]
    assert len(found) >= 8
    for m in found:
        assert m.kit == "workshop" and m.unit == "A" and not m.disturbs, m.id
        assert "indicator" not in dict(m.condition.controls) and shipped.reading(m.id, bike=TWIN) > 4.0, m.id


@pytest.mark.parametrize(("bike", "mm"), [("classic_four", 6), ("trail_single", 5)])
def test_a_workshop_looks_for_a_spark_across_a_gap(bike: str, mm: int) -> None:
    """6 to 8 mm in the open, 5 to 6 mm of a kicked flywheel ignition (common practice, no source)."""
    w, o = shipped.world(bike), shipped.opened()
    looks = (m for m in w.measurements.values() if m.kind == "observe")
    spark = next(m for m in looks if w.view.functions[m.what].kind == "spark")
    for kit, told in (("workshop", True), ("meter", False)):
        known = {**AS_KNOWN, "complaints": ["no_spark"], "kit": kit, "skill": "trade", "meter": "skipped"}
        state, _ = begin(known, w, o.rulebase, o.wording)
        text = asking.measurement_question(w, state, spark, o.wording)["text"]
        assert (f"Gap at {mm} mm" in text) == told, kit
