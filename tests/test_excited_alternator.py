"""The excited alternator of the air-cooled twin: field woken by the charge lamp, volts held at a sense wire.

Practice without a source is marked so. The volts at the end of a bad sense wire are worked out by hand
beside the program, and once more by ngspice with a source that follows the sensed node.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import yaml
from oracles import spice_operating_point
from shipped import KNOWLEDGE, opened
from test_ready_bikes import posts, sound, word

from diagnose.bike.currents import as_condition
from diagnose.bike.model import JobState
from diagnose.catalogue.read import load_library
from diagnose.circuit.spice import deck
from diagnose.errors import KnowledgeError
from diagnose.predictions.complaints import complaint_chance
from diagnose.predictions.compute import Predictor

BIKE = "air_twin_excited"
RUNNING = "engine=5000,key=run"
HELD, FEEL = 14.0, 470.0  # V and ohm of the unit's sense terminal, as the knowledge has them


def volts(p: Predictor, point: str, when: str = RUNNING, black: str = "battery.minus") -> np.ndarray:
    """(n_candidates,) against another point."""
    nodes = p.built.spec.nodes
    solution = p.solution(JobState(), as_condition(p.built, when))
    return solution.between(nodes[point], nodes[black])


def test_the_charge_lamp_follows_the_trades_truth_table() -> None:
    """On and standing: lit; running: out; off: out (truth table of TM 10-3930-671-24, charging)."""
    p = sound(BIKE)
    assert [word(p, "charge_lamp", 0, when) for when in ("key=run", RUNNING, "")] == ["works", "dead", "dead"]
    assert word(p, "charge_lamp_out") == "works"
    assert 13.8 <= posts(p, RUNNING) <= 14.4  # regulators of such machines (from memory)


def test_without_the_lamps_current_the_field_never_wakes() -> None:
    """Lamp out, its wire or the field open: dark at key on and no charge (common practice, no source)."""
    faults = ("charge_lamp.open", "charge_lamp_wire.broken", "alternator.brush_stuck", "field_wire.broken")
    p = sound(BIKE, *faults)
    charge = volts(p, "battery.plus")
    assert charge[0] > 13.8 and (charge[1:] < 12.6).all()
    for i in range(1, 5):
        assert (word(p, "charge_lamp", i), word(p, "charging", i)) == ("dead", "dead")
        assert word(p, "charge_lamp_out", i) == "works"  # the volts across a broken filament light nothing


def test_a_machine_that_gives_nothing_leaves_the_lamp_lit() -> None:
    """Lit while running: no charge, the field not fed from the machine (common practice, no source)."""
    p = sound(BIKE, "regulator.trio_dead", "field_wire.chafed=20mohm", "alternator.phases_shorted=20mohm")
    complaint = opened().library.complaints["charge_lamp_on"]
    assert (complaint_chance(p, complaint) > 0.5).tolist() == [False, True, True, True]
    assert (volts(p, "battery.plus")[1:] < 12.7).all()


def test_worn_brushes_weaken_the_field_by_their_ohms() -> None:
    """14 V over pass 3 + rotor 4.2 + brushes 0.1 ohm is the sound field; more ohms, less (Ohm's law)."""
    p = sound(BIKE, "alternator.brushes_worn=4ohm", "alternator.brushes_worn=25ohm")
    share = p.field_share(JobState(), as_condition(p.built, RUNNING))
    assert share == pytest.approx([1.0, 7.3 / 11.3, 7.3 / 32.3], rel=0.03)
    assert [word(p, "charging", i) for i in range(3)] == ["works", "works", "dead"]


OHMS = (20.0, 50.0, 100.0)


def test_a_bad_sense_wire_raises_the_volts_by_what_it_loses() -> None:
    """Overcharge: volts at the sense wire before a new regulator (common practice, no source). Held at the
    pin, V_pin = 14.0 - droop; through R ohms more the source end stands at V_pin (1 + R / 470)."""
    poor = tuple(f"regulator_plug_sense.poor={x}ohm" for x in OHMS)
    p = sound(BIKE, *poor, "sense_wire.broken", "key_switch.worn=100mohm", "main_fuse.poor_clip=60mohm")
    pin, far = volts(p, "regulator.sense", black="regulator.ground"), volts(p, "regulator_plug_sense.a")
    amperes = np.abs(p.solution(JobState(), as_condition(p.built, RUNNING)).current("regulator.output"))
    for i in (*range(4), 5, 6):
        assert pin[i] == pytest.approx(HELD - 0.02 * amperes[i], abs=0.01), i
    for i, ohms in enumerate(OHMS, start=1):
        assert far[i] - far[0] == pytest.approx(pin[i] * (1 + ohms / FEEL) - pin[0], abs=0.03)
    at_posts = volts(p, "battery.plus")
    assert at_posts[4] > 15.5  # above 15.5 to 16 V is runaway (web forum guide, read)
    assert (np.diff(at_posts[[0, 1, 2, 3, 4]]) > 0).all()
    assert at_posts[5] > at_posts[0] + 0.4 and at_posts[6] > at_posts[0] + 0.25  # felt behind key and fuse
    complaint = opened().library.complaints["overcharging"]
    assert (complaint_chance(p, complaint) > 0.5)[[0, 2, 3, 4]].tolist() == [False, True, True, True]


def test_nobody_complains_of_too_many_volts_while_the_engine_cannot_run() -> None:
    """Without its sense the regulator drives the field full; but a blown ignition fuse stops the engine too.

    Common practice, no source.
    """
    p = sound(BIKE, "ignition_fuse.blown", "regulator_plug_sense.poor=280ohm")
    assert volts(p, "battery.plus")[1] > 14.9  # were it turned by hand
    complaint = opened().library.complaints["overcharging"]
    assert (complaint_chance(p, complaint) > 0.5).tolist()[1:] == [False, True]


@pytest.mark.oracle
@pytest.mark.parametrize("ohms", OHMS)
def test_ngspice_with_a_source_that_follows_the_sensed_node_finds_the_same_volts(ohms: float) -> None:
    """The regulator as a controlled source: the current that brings the sensed node to 14.0 V less droop."""
    p = sound(BIKE, f"regulator_plug_sense.poor={ohms}ohm")
    solution = p.solution(JobState(), as_condition(p.built, RUNNING))
    text = deck(solution, 1, None, "sensed")
    names = {line.split(" ", 3)[3]: line.split(" ", 3)[2] for line in text.splitlines() if "* @node" in line}
    spec = p.built.spec
    ends = [names[spec.nodes[f"regulator.{t}"]] for t in ("plus", "ground", "sense")]
    ours = float(volts(p, "battery.plus")[1])
    held = HELD - 0.02 * abs(float(solution.current("regulator.output")[1]))
    output = re.search(r"^V(\d+) (x\d+) (\w+) \S+\nR\1 \w+ \2 \S+ ; regulator.output$", text, re.M)
    assert output is not None and output[3] == ends[1]
    source = f"V{output[1]} {output[2]} {output[3]} "
    follows = (
        f"B{output[1]} {output[2]} {output[3]} V = {HELD} + 2000 * ({held:.6f} - v({ends[2]}) + v({ends[1]}))"
    )
    lines = [follows if line.startswith(source) else line for line in text.splitlines()]
    theirs = spice_operating_point("\n".join(lines))
    assert theirs[names[spec.nodes["battery.plus"]]] == pytest.approx(ours, abs=0.01)


def test_an_excited_winding_names_an_own_element_and_a_sense_an_own_terminal(tmp_path: Path) -> None:
    for old, new, said in (
        ("excited_by: rotor", "excited_by: coil", "expected law source and another own element"),
        ("sensed_at: sense", "sensed_at: sens", "expected law generator and an own terminal"),
    ):
        kinds = (KNOWLEDGE / "components" / "charging_excited.yaml").read_text(encoding="utf-8")
        folder = tmp_path / re.sub(r"\W", "", new)
        (folder / "components").mkdir(parents=True)
        (folder / "components" / "x.yaml").write_text(kinds.replace(old, new), encoding="utf-8")
        (folder / "sources.yaml").write_text((KNOWLEDGE / "sources.yaml").read_text(encoding="utf-8"))
        assert yaml.safe_load(kinds)
        with pytest.raises(KnowledgeError, match=said):
            load_library(folder)
