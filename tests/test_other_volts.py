"""Bikes that are not "12 V, minus at the frame": what a meter shows on them, and how a dynamo charges.

The figures beside each check come from outside: a US Army table of a charge lamp, handbook windows of 6 V
machines (from memory where said), and ngspice, an independent simulator.
"""

from __future__ import annotations

import math
import random
from pathlib import Path

import pytest
import yaml
from oracles import SpiceFailed, spice_ac_volts, spice_operating_point
from shipped import KNOWLEDGE, loom, opened, parse, shown
from test_ngspice_oracle import OVER, STEP, children, said
from test_ready_bikes import posts, sound, word

from diagnose.audit import sound_bike
from diagnose.bike.acts import measurements
from diagnose.bike.candidates import single_faults
from diagnose.bike.currents import as_condition
from diagnose.bike.model import Candidate, Condition, JobState, Measurement
from diagnose.catalogue.compose import compose_bike
from diagnose.circuit.netlist import Change
from diagnose.conversation.asking import switch_lines
from diagnose.conversation.intake import battery_reading
from diagnose.conversation.state import State
from diagnose.decks import measurement_deck
from diagnose.errors import KnowledgeError
from diagnose.predictions.complaints import complaint_chance
from diagnose.predictions.compute import Predictor
from diagnose.wiring import BikeWorld
from diagnose.wording import read_wording

TWIN, TRAIL, COMMUTER = "old_twin_6v", "trail_single_no_battery", "commuter_6v"
NUMERIC = ("volts", "drop", "ac_volts", "ohms", "amps")


def changed(tmp_path: Path, bike: str, **keys: object) -> Path:
    """A ready bike's file with some keys replaced."""
    data = yaml.safe_load((KNOWLEDGE / "bikes" / f"{bike}.yaml").read_text(encoding="utf-8"))
    file = tmp_path / "changed.yaml"
    file.write_text(yaml.safe_dump(data | {"bike": "changed"} | keys), encoding="utf-8")
    return file


def test_with_plus_at_the_frame_red_stays_there_and_a_sound_bike_shows_no_minus() -> None:
    """Red on the earthed plus, as a moving-coil meter of that time needs it (common practice, no source)."""
    built, in_use = loom(TWIN)
    planned = measurements(built, in_use, opened().library.instruments)
    live = [m for m in planned.values() if m.kind in ("volts", "drop") and m.condition.engine == "off"]
    home = [m for m in live if m.plus == "battery.plus"]
    assert len(home) >= 60 and all(
        m.plus == "battery.plus" for m in live if "battery.plus" in (m.plus, m.minus)
    )
    values = {r["measurement"]: r["value"] for r in shown("", measurements=home, bike=TWIN)["readings"]}
    assert min(values.values()) >= 0.0
    assert values["volts:battery.plus:battery.minus@"] == pytest.approx(6.3, abs=0.1)  # half of 12.6 to 12.7


def test_the_sign_is_that_of_the_meter_whichever_way_the_tips_are_held() -> None:
    """Red on the feed and black on the frame shows a minus on such a bike."""
    read = [
        parse(f"volts:{a}:{b}@key=run", TWIN)
        for a, b in (("feed_splice.out", "frame.metal"), ("frame.metal", "feed_splice.out"))
    ]
    first, second = (r["value"] for r in shown("key=run", measurements=read, bike=TWIN)["readings"])
    assert first == pytest.approx(-second) and -6.4 < first < -5.9
    points = {p["point"]: p["volts"] for p in shown("key=run", bike=TWIN, black="frame.metal")["points"]}
    assert points["feed_splice.out"] == pytest.approx(first, abs=0.01)


def test_a_charge_lamp_lights_standing_and_dies_running() -> None:
    """Switch off and standing: off; on, standing: on; on, running: off (TM 10-3930-671-24, charging)."""
    p = sound(
        TWIN,
        "dynamo.brushes_worn",
        "dynamo.magnetism_lost",
        "field_wire.broken",
        "regulator_box.cut_out_open",
    )
    whens = ("", "key=run", "engine=3000,key=run")
    assert [word(p, "charge_lamp", 0, when) for when in whens] == ["dead", "works", "dead"]
    # a dynamo that makes nothing leaves the lamp on; a cut-out that stays open lets it die, and yet no charge
    assert {word(p, "charge_lamp", i, whens[2]) for i in (1, 2, 3)} <= {"works", "weak"}
    assert word(p, "charge_lamp", 4, whens[2]) == "dead"
    assert [word(p, "charging", i) for i in range(5)] == ["works", *["dead"] * 4]


def test_a_dynamo_charges_a_six_volt_battery_within_its_window_and_not_at_idle() -> None:
    """6 V running 6.9 to 7.4 V (from memory), nothing at idle: the cut-out is open (common practice)."""
    p = sound(TWIN)
    assert 6.75 <= posts(p, "engine=3000,key=run") <= 7.4
    assert posts(p, "engine=idle,key=run") == pytest.approx(posts(p, "key=run"), abs=0.05)


@pytest.mark.parametrize(
    ("fault", "low", "high"),
    [
        ("regulator_box.coil_open", 8.0, 11.0),  # nothing holds it: lamps blow
        ("regulator_box.set_low", 5.9, 6.5),
        ("box_ground.off", 5.9, 6.4),  # without its ground the box neither holds nor cuts in
        ("brush_wire.broken", 5.9, 6.4),
    ],
)
def test_what_regulator_field_and_ground_do_to_the_volts(fault: str, low: float, high: float) -> None:
    """Which way each goes (common practice, no source)."""
    p = sound(TWIN, fault)
    spec = p.built.spec
    condition = as_condition(p.built, "engine=5000,key=run")
    plus, minus = (spec.nodes[f"battery.{x}"] for x in ("plus", "minus"))
    assert low <= float(p.solution(JobState(), condition).between(plus, minus)[1]) <= high


def test_welded_cut_out_points_blow_the_fuse_of_a_standing_bike() -> None:
    """The battery feeds the standing dynamo (common practice, no source)."""
    found = shown("", "regulator_box.cut_out_welded", bike=TWIN)["found"]
    assert found["opened"] == ["main_fuse"]


def test_a_wrong_ground_is_told(tmp_path: Path) -> None:
    file = changed(tmp_path, TWIN, ground="minus", complaints=["horn_dead"])
    problems = sound_bike(BikeWorld(opened().library, compose_bike(opened().library, file)))
    assert any("minus post is not joined to the frame" in p.message for p in problems)


def test_one_post_alone_is_refused(tmp_path: Path) -> None:
    body = {"battery_plus": "battery.plus", "frame": "frame.metal", "engine": "engine.metal"}
    with pytest.raises(KnowledgeError, match="one post alone"):
        compose_bike(opened().library, changed(tmp_path, TWIN, body=body))


# ---- no battery ----------------------------------------------------------------------------------


def effective(p: Predictor, element: str, when: str, which: int = 0) -> float:
    """Effective volts across an element."""
    condition = as_condition(p.built, when)
    return abs(float(p.solution(JobState(), condition, "ac").across(element)[which]))


def test_without_a_battery_everything_works_while_the_engine_runs_and_nothing_before() -> None:
    """A magneto or source coil sparks by itself; lamps straight from the flywheel need it turning."""
    p = sound(TRAIL)
    functions = p.built.spec.functions
    assert {f: word(p, f) for f in functions} == dict.fromkeys(functions, "works")
    lamps = [f.id for f in functions.values() if f.kind in ("light", "sound")]
    assert len(lamps) == 6 and {word(p, f, 0, "") for f in lamps} == {"dead"}
    for complaint in p.built.spec.complaints:
        assert complaint_chance(p, opened().library.complaints[complaint])[0] < 0.5, complaint


def test_lamps_on_the_flywheel_are_right_when_it_revs_and_dim_at_idle() -> None:
    """Held at 12 to 14 V AC (from memory); bright revving and dim at idle is normal (common practice)."""
    p = sound(TRAIL)
    volts = [
        effective(p, "headlamp.low_filament", f"engine={rpm}") for rpm in ("1300", "3000", "5000", "8000")
    ]
    assert 6.0 < volts[0] < 11.0 and all(12.0 <= v <= 14.0 for v in volts[1:])


OFF_THE_WINDING = (
    "headlamp.low_open",
    "ac_regulator.dead",
    "ac_regulator.shorted=20mohm",
    "lighting_winding.burnt",
)


def at_the_winding(p: Predictor, which: int, rpm: str) -> tuple[float, float, float, float, float]:
    """(emf, ohms, reactance as told; terminal volts, amperes as solved) of a lighting winding."""
    (id, x), thousands = next(iter(p.built.reactances.items())), float(rpm) / 1000.0
    winding = p.built.elements[id]
    told = {"ac_per_1000rpm": p.built.windings[id], "resistance": winding.values["resistance"]}
    for f in p.candidates[which].faults:
        told |= {e.param: e.value for e in f.edits if isinstance(e, Change) and e.target == id}
    s = p.solution(JobState(), as_condition(p.built, f"engine={rpm}"), "ac")
    volts = abs(float(s.between(winding.plus, winding.minus)[which]))
    amps = abs(float(s.current(id)[which]))
    return told["ac_per_1000rpm"] * thousands, told["resistance"], x * thousands, volts, amps


@pytest.mark.parametrize("rpm", ["1300", "5000"])
def test_ohms_and_reactance_of_a_lighting_winding_stand_at_right_angles(rpm: str) -> None:
    """(V + I R)^2 + (I X)^2 = E^2: the triangle of volts of a series circuit (any textbook of AC)."""
    p = sound(TRAIL, *OFF_THE_WINDING)
    for which in range(len(OFF_THE_WINDING) + 1):
        emf, ohms, reactance, volts, amps = at_the_winding(p, which, rpm)
        assert amps > 0.3
        assert math.hypot(volts + amps * ohms, amps * reactance) == pytest.approx(emf, rel=0.012), which


@pytest.mark.oracle
@pytest.mark.parametrize("rpm", ["1300", "3000", "8000"])
def test_a_lighting_winding_gives_what_ngspice_finds_with_a_coil_in_series(rpm: str) -> None:
    """Its AC analysis, with the load as the ohms that the lamps have at the volts found."""
    p = sound(TRAIL, *OFF_THE_WINDING)
    hertz = float(rpm) / 60.0 * 4.0  # of four pairs of poles; the volts do not depend on it
    for which in range(len(OFF_THE_WINDING) + 1):
        emf, ohms, reactance, volts, amps = at_the_winding(p, which, rpm)
        deck = [
            "* a lighting winding and its load",
            f"v1 1 0 dc 0 ac {emf:.9g}",
            f"l1 1 2 {reactance / (2.0 * math.pi * hertz):.9g}",
            f"r1 2 3 {ohms:.9g}",
            f"r2 3 0 {volts / amps:.9g}",
        ]
        assert spice_ac_volts(deck, "3", hertz) == pytest.approx(volts, rel=0.012), which


def test_a_lighting_winding_has_few_ohms_to_the_engine_and_its_volts_by_the_thousand() -> None:
    """0.3 to 2 ohm, one end on the engine by design; 12 to 25 V AC per 1000 rpm unplugged (from memory)."""
    tests = [
        "ohms:lighting_winding.out:lighting_winding.ground@apart=generator_plug,battery=off",
        "ac_volts:lighting_winding.out:lighting_winding.ground@apart=generator_plug,engine=2000",
    ]
    ohms, volts = (
        shown("", measurements=[parse(m, TRAIL)], bike=TRAIL)["readings"][0]["value"] for m in tests
    )
    assert 0.3 <= ohms <= 2.0 and 24.0 <= volts <= 50.0


def test_an_ac_regulator_that_holds_nothing_blows_lamps_and_one_that_shorts_takes_them_all() -> None:
    """What each does (common practice, no source); a 12 V lamp is made for 13.2 to 13.5 V (R37)."""
    p = sound(TRAIL, "ac_regulator.dead", "regulator_ground.off", "ac_regulator.shorted=20mohm")
    blown = complaint_chance(p, opened().library.complaints["lamps_blow"])
    assert blown == pytest.approx([0.0, 1.0, 1.0, 0.0], abs=0.05)
    assert effective(p, "headlamp.low_filament", "engine=5000", 1) > 16.0
    assert {word(p, f, 3) for f in ("low_beam", "tail_light", "brake_light_rear")} == {"dead"}


def test_nothing_is_read_at_a_battery_that_is_not_there() -> None:
    built, in_use = loom(TRAIL)
    planned = measurements(built, in_use, opened().library.instruments)
    assert len(planned) >= 150 and not [m for m in planned if "battery." in m or m.startswith("amps:battery")]
    assert len([m for m in planned.values() if m.kind == "ac_volts" and m.engine_runs]) >= 30
    w = opened().world(TRAIL)
    assert battery_reading(w) is None and not w.view.ground and w.live_post == ""
    ohms = next(m for m in planned.values() if m.kind == "ohms" and not m.condition.battery)
    words = read_wording(KNOWLEDGE / "wording" / "en.yaml")
    told = switch_lines(w, State(belief=None), ohms, words)
    assert not [line for line in told if "attery" in line or "Key" in line]


# ---- 6 V, minus at the frame, lamps from the flywheel, a small battery for the rest --------------------

ON_THE_COMMUTER = ("battery.flat", "headlamp.low_open", "rectifier.dead", "rectifier.shorted=20mohm")


def test_a_commuter_of_two_circuits_is_sound_within_the_limits_of_the_trade() -> None:
    """6 V running 6.6 to 7.4 V (half of 13.2 to 14.8, from memory), fuses to 80 %, 25 mA at rest (common
    practice); lamps without a regulator: right when it revs, dim at idle is normal (common practice)."""
    p = sound(COMMUTER)
    functions = p.built.spec.functions
    assert {f: word(p, f) for f in functions} == dict.fromkeys(functions, "works")
    for complaint in p.built.spec.complaints:
        assert complaint_chance(p, opened().library.complaints[complaint])[0] < 0.5, complaint
    assert 6.6 <= posts(p, "engine=5000,key=run") <= 7.4
    rest = p.solution(JobState(), Condition())
    assert abs(float(rest.current(p.built.batteries[0])[0])) <= 0.025
    both = p.solution(JobState(), as_condition(p.built, "horn=pressed,key=run,rear_brake=pressed"))
    assert abs(float(both.current("main_fuse.link")[0])) <= 0.8 * 10.0
    volts = [
        effective(p, "headlamp.low_filament", f"engine={rpm}") for rpm in ("1300", "3000", "5000", "8000")
    ]
    assert 3.0 < volts[0] < 5.4 and all(6.0 <= v <= 7.5 for v in volts[1:])


def test_what_goes_wrong_in_one_circuit_of_the_commuter_leaves_the_other_alone() -> None:
    """It starts with a flat battery; a headlamp that blows lets the small lamps blow as it revs; a rectifier
    that shorts empties the battery (common practice, no source)."""
    p = sound(COMMUTER, *ON_THE_COMMUTER)
    assert [word(p, "spark", i) for i in range(5)] == ["works"] * 5
    assert float(p.solution(JobState(), Condition()).volts.max(axis=0)[1]) < 5.9  # half of 11.7 V: empty
    assert [word(p, "low_beam", i) for i in (1, 2)] == ["works", "dead"]
    complaints = opened().library.complaints
    assert complaint_chance(p, complaints["lamps_blow"])[:3] == pytest.approx([0.0, 0.0, 1.0], abs=0.05)
    assert complaint_chance(p, complaints["drains_overnight"])[3:] == pytest.approx([0.0, 1.0], abs=0.05)
    assert [word(p, "charging", i) for i in (3, 4)] == ["dead", "dead"]


def test_the_commuters_diode_reads_one_way_only() -> None:
    """0.3 to 0.8 V one way, OL the other (a trade text and a forum guide)."""
    ways = ("rectifier.ac:rectifier.plus", "rectifier.plus:rectifier.ac")
    read = [parse(f"diode:{way}@apart=rectifier_plug,battery=off", COMMUTER) for way in ways]
    one, other = (shown("", measurements=[m], bike=COMMUTER)["readings"][0]["value"] for m in read)
    assert 0.3 <= one <= 0.8 and other is None


@pytest.mark.oracle
@pytest.mark.parametrize("bike", [TWIN, TRAIL, COMMUTER])
def test_readings_agree_with_ngspice(bike: str) -> None:
    """Seeded faults and measurements, limit 5 mV or 0.5 %, an ohm's last digit."""
    built, in_use = loom(bike)
    rng = random.Random(20261129)
    planned = [
        m for m in measurements(built, in_use, opened().library.instruments).values() if m.kind in NUMERIC
    ]
    faults = rng.sample(single_faults(built, in_use), 20)
    suspects = (Candidate("no_fault", (), 0.5), *(Candidate(f.id, (f,), 0.1) for f in faults))
    p = Predictor(built, in_use, suspects, opened().library.instruments)
    by_kind = {k: [m for m in planned if m.kind == k] for k in NUMERIC}
    chosen: list[tuple[int, Measurement]] = [
        (rng.randrange(len(suspects)), rng.choice(by_kind[rng.choice([k for k in NUMERIC if by_kind[k]])]))
        for _ in range(60)
    ]
    decks = [measurement_deck(p, i, JobState(), m, m.id) for i, m in chosen]

    def solve(text: str) -> float | None:
        try:
            return said(text, spice_operating_point(text))
        except SpiceFailed:
            return None

    wrong, compared = [], 0
    for (i, m), theirs in zip(chosen, children(solve, decks), strict=True):
        if theirs is None or p.solution(JobState(), m.condition).restless[i]:
            continue
        value = p.columns(JobState(), [m])[m.id].value
        assert value is not None
        ours, theirs = float(value[i]), abs(theirs) if m.kind in ("ac_volts", "amps") else theirs
        compared += 1
        if math.isinf(ours):
            # the deck's microampere lifts an AC regulator's open line to the volts it holds: some 13 Mohm
            wrong += [] if theirs >= OVER[m.kind] * 0.5 else [f"{suspects[i].id} {m.id}: OL, {theirs:g}"]
            continue
        step = max(STEP.get(m.kind, 0.0), 10 ** math.floor(math.log10(max(abs(theirs), 0.1)) - 2))
        limit = max(0.005, 0.005 * abs(theirs)) + (step / 2 if m.kind == "ohms" else 0.0)
        if abs(ours - theirs) > limit:
            wrong.append(f"{suspects[i].id} {m.id}: {ours:g}, ngspice {theirs:g}")
    assert not wrong, wrong
    assert compared >= 55


@pytest.mark.parametrize("fault", ["generator_winding.open", "generator_plug_ac.backed_out"])
def test_behind_an_open_charging_winding_a_running_engine_makes_no_volts(fault: str) -> None:
    """Ohm's law: the meter, 10 Mohm, sees the battery through what the rectifier lets back, 50 kohm."""
    condition = "engine=5000,key=run"
    ids = ("drop:rectifier.ac:battery.minus", "volts:battery.plus:battery.minus")
    asked = [parse(f"{m}@{condition}", COMMUTER) for m in ids]
    floats, posts_read = (
        r["value"] for r in shown(condition, fault, measurements=asked, bike=COMMUTER)["readings"]
    )
    assert floats == pytest.approx(posts_read * 10e6 / (10e6 + 50e3), abs=0.03)
    assert posts_read < 6.5  # nothing charges
