"""Needles and their senders: what a rider sees, and what an ohmmeter and a wire to ground tell of them.

A needle drawn by its sender's current: unplugged it lies at its stop, its wire at ground drives it to the top
(common practice, no source). Ohms of senders: from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from shipped import loom, opened, parse, shown
from test_ready_bikes import sound, word

from diagnose.bike.currents import as_condition
from diagnose.bike.model import JobState
from diagnose.bike.view import view
from diagnose.conversation.facts import role_of
from diagnose.predictions.complaints import complaint_chance
from diagnose.predictions.effects import gauge_words

TOURER = "tourer_relays"
FAULTS = (
    "fuel_gauge_wire.broken",
    "fuel_gauge_wire.chafed=20mohm",
    "sender_ground.off",
    "fuel_sender.float_sunk",
    "fuel_gauge.reads_low",
    "temperature_wire.chafed=20mohm",
    "temperature_sender.open",
    "low_fuel_wire.chafed=20mohm",
)
EMPTY, WARM = "fuel=little,key=run", "coolant=warm,key=run"


def words(function: str, when: str) -> list[str]:
    """What a gauge or lamp does, sound and under each fault."""
    p = sound(TOURER, *FAULTS)
    return [word(p, function, i, when) for i in range(len(FAULTS) + 1)]


def test_an_unplugged_sender_leaves_the_needle_down_and_a_grounded_wire_drives_it_up() -> None:
    full = words("fuel_gauge", "key=run")
    assert full == ["works", "dead", "works", "dead", "reads_low", "reads_low", "works", "works", "works"]
    assert words("fuel_gauge", EMPTY)[:3] == ["works", "works", "reads_high"]
    warm, cold = words("temperature_gauge", WARM), words("temperature_gauge", "key=run")
    assert (warm[0], warm[6], warm[7]) == ("works", "reads_high", "dead")
    assert (cold[0], cold[6], cold[7]) == ("works", "reads_high", "works")


def test_the_low_fuel_lamp_lights_with_little_in_the_tank_and_with_its_wire_at_ground() -> None:
    assert words("low_fuel_lamp", EMPTY)[0] == "works" and words("low_fuel_lamp", "key=run")[0] == "dead"
    assert words("low_fuel_lamp", "key=run")[8] == "works"
    assert words("low_fuel_lamp", EMPTY)[3] == "dead"  # the sender's one ground serves both


@pytest.mark.parametrize(
    ("complaint", "drawn_by"),
    [
        ("fuel_gauge_empty", {1, 3, 4, 5}),
        ("fuel_gauge_full", {2}),
        ("low_fuel_lamp_on", {4, 8}),
        ("temperature_gauge_low", {7}),
        ("temperature_gauge_high", {6}),
    ],
)
def test_each_complaint_is_drawn_by_what_causes_it(complaint: str, drawn_by: set[int]) -> None:
    chance = complaint_chance(sound(TOURER, *FAULTS), opened().library.complaints[complaint])
    assert set(np.flatnonzero(chance > 0.5).tolist()) == drawn_by


def test_a_fuel_sender_is_handled_as_what_petrol_is_near_and_a_gauge_is_not() -> None:
    """Petrol vapour near sparks: move, ventilate, extinguisher (from memory)."""
    built, _ = loom(TOURER)
    parts = view(built, opened().library.complaints, opened().library.instruments, {}).components
    roles = [role_of(p, *parts[p][:2]) for p in ("fuel_sender", "fuel_gauge", "temperature_sender")]
    assert roles == ["fuel", "none", "none"]


def test_ohms_of_a_sender_and_the_current_of_its_needle() -> None:
    """Fuel 3 to 40 ohm full, 90 to 250 empty; temperature some hundred ohm cold (from memory); Ohm's law."""
    read = [
        parse(f"ohms:{p}@{more}battery=off", TOURER)
        for p, more in (
            ("fuel_sender.signal:fuel_sender.ground", "apart=fuel_sender_plug,"),
            ("fuel_sender.signal:fuel_sender.ground", "apart=fuel_sender_plug,fuel=little,"),
            ("temperature_sender.signal:engine.metal", "apart=temperature_sender_plug,"),
        )
    ]
    full, empty, cold = (shown("", measurements=[m], bike=TOURER)["readings"][0]["value"] for m in read)
    assert 3.0 <= full <= 40.0 and 90.0 <= empty <= 250.0 and 100.0 <= cold <= 900.0
    p = sound(TOURER)
    s = p.solution(JobState(), as_condition(p.built, "key=run"))
    nodes = p.built.spec.nodes
    feed = float(s.between(nodes["fuel_gauge.feed"], nodes["frame.metal"])[0])
    assert float(s.current("fuel_gauge.needle")[0]) == pytest.approx(feed / (50.0 + 8.0 + 0.5), rel=0.01)


@pytest.mark.parametrize("due", [0.05, 0.2, 0.24, 0.5, 1.0])
def test_words_of_a_needle_are_chances_and_a_sound_one_is_right(due: float) -> None:
    shares = np.linspace(0.0, 1.6, 60)
    found = gauge_words(shares, due)
    assert found.min() >= 0.0 and found.sum(axis=1) == pytest.approx(1.0)
    assert gauge_words(np.array([due]), due)[0, 0] > 0.95
    assert (np.diff(found[:, 2]) >= 0.0).all()  # the more current, the higher
