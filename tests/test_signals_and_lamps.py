"""Flashers of each construction, filament and LED lamps on them, tell-tales, LED headlamps, lithium.

What each should do is told by trade texts and standards named beside each check; "common practice, no source"
and "from memory" where that is so.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
import yaml
from shipped import KNOWLEDGE, opened
from test_ready_bikes import posts, sound, word

from diagnose.bike.acts import FUNCTION_WORDS
from diagnose.bike.build import build
from diagnose.bike.candidates import read_fault
from diagnose.bike.currents import as_condition, service
from diagnose.bike.model import Candidate, JobState
from diagnose.catalogue.compose import compose_bike
from diagnose.predictions.complaints import complaint_chance
from diagnose.predictions.compute import Predictor

LED_FOUR = {
    f"{end}_{side}_indicator": {"kind": "led_indicator"}
    for end in ("front", "rear")
    for side in ("left", "right")
}
LEFT, RIGHT = "indicator=left,key=run", "indicator=right,key=run"


@cache
def changed(base: str, sections: tuple[tuple[str, str], ...], override: str, *faults: str) -> Predictor:
    """A ready bike, sections exchanged ('' takes one away), parts overridden (YAML), with faults."""
    bike: dict[str, Any] = yaml.safe_load((KNOWLEDGE / "bikes" / f"{base}.yaml").read_text(encoding="utf-8"))
    swap = dict(sections)
    bike["sections"] = [swap.get(s, s) for s in bike["sections"] if swap.get(s, s)]
    parts = bike.get("override", {}) | yaml.safe_load(override)
    bike["override"] = {part: keys for part, keys in parts.items() if keys}
    bike |= {"bike": "changed", "complaints": []}
    with TemporaryDirectory() as folder:
        file = Path(folder) / "changed.yaml"
        file.write_text(yaml.safe_dump(bike), encoding="utf-8")
        built = build(compose_bike(opened().library, file))
    in_use = service(built)
    found = [read_fault(built, in_use, f) for f in faults]
    suspects = (Candidate("no_fault", (), 0.5), *(Candidate(f.id, (f,), 0.1) for f in found))
    return Predictor(built, in_use, suspects, opened().library.instruments)


FILAMENTS = {k: {"kind": "indicator_lamp"} for k in LED_FOUR}
LAMPS = {
    "filaments": FILAMENTS,
    "one LED": FILAMENTS | {"front_left_indicator": {"kind": "led_indicator"}},
    "LEDs": LED_FOUR,
}
FLASHERS = {
    "heated": "thermal_flasher",
    "two pins": "electronic_flasher_two",
    "three pins": "electronic_flasher_three",
    "counting": "counting_flasher_three",
}
LAMP_OUT, STUCK, DEAD, NO_GROUND, LOOSE_GROUND = range(1, 6)
FAULTS = ("rear_left_indicator.open", "flasher.stuck", "flasher.dead")
GROUND_FAULTS = ("flasher_ground.broken", "flasher.ground_blade")


@cache
def fitted(flasher: str, lamps: str) -> Predictor:
    """The LED twin with another flasher and lamps; its candidates in the order of LAMP_OUT and the rest."""
    three = flasher in ("three pins", "counting")
    return changed(
        "led_twin",
        (("flasher_two_terminal", "flasher_three_terminal"),) if three else (),
        yaml.safe_dump(LAMPS[lamps] | {"flasher": {"kind": FLASHERS[flasher]}}),
        *FAULTS,
        *(GROUND_FAULTS if three else ()),
    )


@pytest.mark.parametrize(
    ("flasher", "lamps", "expected"),
    [
        ("heated", "one LED", {"fast", "steady"}),
        ("heated", "LEDs", {"fast", "steady"}),
        ("two pins", "one LED", {"works"}),
        ("three pins", "LEDs", {"works"}),
        ("counting", "filaments", {"works"}),
        ("counting", "one LED", {"fast"}),
    ],
)
def test_what_led_lamps_do_to_a_flasher_follows_from_its_construction(
    flasher: str, lamps: str, expected: set[str]
) -> None:
    """Heated by the lamps: LED lamps behave as missing load, it hurries or does not flash; constant rate:
    ignores load; one that counts lamps: about double rate (trade web texts on flashers, read)."""
    p = fitted(flasher, lamps)
    assert word(p, "left_indicator") in expected
    if lamps == "one LED":
        assert word(p, "right_indicator") == "works"


def test_a_lamp_out_leaves_its_fellow_flashing_and_only_some_flashers_tell_it() -> None:
    """One lamp failed: the others keep flashing, the rate may change (R48-type wording, a weak web copy)."""
    for flasher, lamps, said in (("three pins", "LEDs", "weak"), ("counting", "filaments", "fast")):
        p = fitted(flasher, lamps)
        assert word(p, "left_indicator", LAMP_OUT) == said
        pair = [word(p, f"{end}_left_lamp", LAMP_OUT) for end in ("front", "rear")]
        assert pair == ["works", "dead"]


def test_a_three_pin_flasher_needs_its_ground_and_a_stuck_one_burns_steady() -> None:
    """The third pin is the ground of its clock (trade web texts): without it nothing flashes."""
    p = fitted("three pins", "LEDs")
    seen = {i: word(p, "left_indicator", i) for i in (0, STUCK, DEAD, NO_GROUND, LOOSE_GROUND)}
    assert seen == {0: "works", STUCK: "steady", DEAD: "dead", NO_GROUND: "dead", LOOSE_GROUND: "dead"}


def by_hand(supply: float) -> float:
    """Volts at the wire of the dark side: a 3 W tell-tale from the lit side, two LED chains to ground.

    Lamp: I = 3 / 13.5 x (V / 13.5)^0.55 (lamp rerating, Fink & Beaty 11th ed. p. 22-8); chain: three amber
    chips of about 2 V each behind 36 ohm, as the knowledge has them, by Shockley at 27 C. Bisection.
    """

    def chain(volts: float) -> float:
        low, high = 0.0, volts
        for _ in range(80):
            middle = (low + high) / 2
            if 1e-12 * math.expm1(middle / (10 * 0.025865)) > (volts - middle) / 36:
                high = middle
            else:
                low = middle
        return (volts - low) / 36

    low, high = 0.0, supply
    for _ in range(80):
        middle = (low + high) / 2
        if 3 / 13.5 * ((supply - middle) / 13.5) ** 0.55 > 2 * chain(middle):
            low = middle
        else:
            high = middle
    return low


def test_one_tell_tale_between_the_sides_makes_all_four_leds_flash_and_two_diodes_cure_it() -> None:
    """All four flash on either side after an LED conversion: one tell-tale bridging left and right; cure:
    two diodes or a grounded tell-tale (common practice, no source)."""
    gone = {"tell_tale_diodes": None}
    old = changed("led_twin", (("tell_tale_diodes", "tell_tale_single"),), yaml.safe_dump(gone))
    filament = changed(
        "led_twin", (("tell_tale_diodes", "tell_tale_single"),), yaml.safe_dump(FILAMENTS | gone)
    )
    cured = sound("led_twin")
    other = {p: word(p, "right_indicator", 0, LEFT) for p in (old, filament, cured)}
    assert other[old] in ("works", "weak") and (other[filament], other[cured]) == ("dead", "dead")
    nodes = old.built.spec.nodes
    solution = old.solution(JobState(), as_condition(old.built, LEFT))
    lit, dark = (
        float(solution.between(nodes[f"front_{side}_indicator.feed"], nodes["battery.minus"])[0])
        for side in ("left", "right")
    )
    assert dark == pytest.approx(by_hand(lit), rel=0.01)
    drop = cured.solution(JobState(), as_condition(cured.built, LEFT)).between(
        cured.built.spec.nodes["tell_tale_diodes.left"], cured.built.spec.nodes["tell_tale_diodes.out"]
    )
    assert 0.3 <= float(drop[0]) <= 0.8  # forward drop of a rectifier (owners' forum text, read)


def test_a_shorted_or_missing_diode_of_the_tell_tale_draws_the_complaint_of_all_four() -> None:
    faults = ("left_out", "left_shorted=20mohm", "right_shorted=20mohm", "left_reversed", "left_open")
    p = sound("led_twin", *(f"tell_tale_diodes.{f}" for f in faults))
    chance = complaint_chance(p, opened().library.complaints["indicators_all_flash"])
    assert (chance > 0.5).tolist() == [False, True, True, True, True, False]
    # the left diode shorted: the right side feeds back into the left, not the other way
    assert (word(p, "left_indicator", 2, RIGHT), word(p, "right_indicator", 2, LEFT)) == ("works", "dead")
    assert (word(p, "right_alone", 2), word(p, "left_alone", 2)) == ("dead", "works")


def test_an_led_headlamp_flickers_or_dies_on_a_bad_joint_and_never_dims() -> None:
    """Constant power: a bad joint makes a LED unit flicker or die, not dim (common practice, no source)."""
    ohms = (0.3, 1.0, 1.5, 2.2, 3.0, 6.0, 20.0)
    p = sound("led_twin", *(f"headlamp_plug_ground.poor={x}ohm" for x in ohms))
    f = p.built.spec.functions["low_beam"]
    seen = p.function_words(JobState(), "low_beam", as_condition(p.built, f.when))
    assert FUNCTION_WORDS[f.kind] == ("works", "flickers", "dead")
    words = [FUNCTION_WORDS[f.kind][int(np.argmax(w))] for w in seen]
    assert words[:4] == ["works"] * 4 and set(words) == {"works", "flickers"}, words
    # constant power behind a resistance R has an operating point while V^2 / 4R exceeds its watts
    volts = posts(p, f.when)
    dies = [volts**2 / (4 * x) < 22 for x in ohms]
    assert all(w != "works" for w, gone in zip(words[1:], dies, strict=True) if gone)


def test_a_tripped_lithium_battery_shows_next_to_nothing_and_its_rest_volts_tell_little() -> None:
    """Near 0 V on a meter when the board has tripped (from memory); four iron-phosphate cells rested: 13.4 V
    at 90 %, 13.2 V at 40 % of charge (web calculator table, read); charging 14.2 to 14.6 V (from memory)."""
    p = sound("led_twin", "battery.tripped", "battery.flat")
    spec = p.built.spec
    plus, minus = (spec.nodes[spec.body[r]] for r in ("battery_plus", "battery_minus"))
    rest = p.solution(JobState(), as_condition(p.built, "")).between(plus, minus)
    assert 13.2 <= rest[0] <= 13.4 and abs(rest[1]) < 0.5 and rest[2] == pytest.approx(12.0, abs=0.1)
    assert 14.0 <= posts(p, spec.functions["charging"].when) <= 14.6


def test_a_headlamp_by_relays_lights_without_the_switches_carrying_its_current() -> None:
    """Relays and a thick feed: the switch carries the coil's 0.148 A (12.6 V, 85 ohm: mini relay sheet), the
    lamp gets more than the 11.3 to 11.6 of 12.3 V usual through switches (common practice, no source)."""
    faults = ("low_relay.contact_open", "low_relay.coil_open", "low_relay.stuck", "headlamp_fuse.blown")
    p = sound("tourer_relays", *faults)
    f = p.built.spec.functions["low_beam"]
    solution = p.solution(JobState(), as_condition(p.built, f.when))
    assert float(solution.across("headlamp.low_filament")[0]) / posts(p, f.when) > 0.95
    assert float(solution.current("dip_switch.low_contact")[0]) == pytest.approx(0.148, rel=0.10)
    beams = [[word(p, f"{beam}_beam", i) for beam in ("low", "high")] for i in range(5)]
    assert beams == [
        ["works", "works"],
        ["dead", "works"],
        ["dead", "works"],
        ["works", "works"],
        ["dead", "dead"],
    ]
    assert word(p, "low_beam", 3, "") == "works"  # a welded contact burns with the key off


def test_the_starter_button_takes_the_headlamp_off_and_a_bad_contact_in_it_keeps_it_off() -> None:
    """On with the key, off while cranking; its contact in the button is a known culprit (common practice)."""
    p = sound("tourer_relays", "start_button.light_open", "start_button.stuck")
    pressed = "key=run,start=pressed"
    assert [word(p, "low_beam", 0, when) for when in ("key=run", pressed, "")] == ["works", "dead", "dead"]
    assert [word(p, f, 1) for f in ("low_beam", "high_beam", "starter")] == ["dead", "dead", "works"]
    assert [word(p, "starter", i, "key=run") for i in (0, 2)] == ["dead", "works"]


def test_heated_grips_take_their_watts_and_a_torn_lead_leaves_the_other_warm() -> None:
    """15 to 25 W each at 12 V (from memory); LOW gives clearly less."""
    p = sound("tourer_relays", "left_grip.open", "grip_switch.high_open", "accessory_fuse.blown")
    watts = []
    for when in ("grips=high,key=run", "grips=low,key=run"):
        solution = p.solution(JobState(), as_condition(p.built, when))
        watts.append(float((solution.across("left_grip.foil") * solution.current("left_grip.foil"))[0]))
    assert 15 <= watts[0] <= 25 and 0.2 <= watts[1] / watts[0] <= 0.5
    seen = [[word(p, f, i) for f in ("left_grip_high", "right_grip_high", "grips_low")] for i in range(4)]
    assert seen == [["works"] * 3, ["dead", "works", "dead"], ["dead", "dead", "works"], ["dead"] * 3]
    assert (word(p, "socket", 1), word(p, "socket", 3)) == ("works", "dead")


def test_hazard_lights_both_sides_and_a_stuck_one_joins_them() -> None:
    p = sound("air_twin_excited", "hazard_switch.stuck", "hazard_switch.left_open", "flasher_bolt.off")
    complaint = opened().library.complaints["indicators_all_flash"]
    assert (complaint_chance(p, complaint) > 0.5).tolist() == [False, True, False, False]
    hazard = [[word(p, f"hazard_{side}", i) for side in ("left", "right")] for i in range(4)]
    assert hazard == [["works"] * 2, ["works"] * 2, ["dead", "works"], ["dead", "dead"]]
    assert [word(p, "tell_tale_left", 0, when) for when in (LEFT, RIGHT)] == ["works", "dead"]
