"""Solved circuits against ngspice in a child process, read from the decks this program writes.

Limits: 5 mV or 0.5 % at every node. The thermal voltage is pinned to 27 C in both.
"""

from __future__ import annotations

import random
import re

import numpy as np
import oracles
import pytest

from diagnose.circuit import instruments
from diagnose.circuit.bench import synthetic_loom
from diagnose.circuit.netlist import Case, Change, Element, Netlist, Open
from diagnose.circuit.solve import Solution, compile_netlist, settle_cases
from diagnose.circuit.spice import Reading, deck

pytestmark = pytest.mark.oracle


def random_netlist(rng: random.Random) -> Netlist:
    """A connected network of 6 to 25 nodes with lamps, diodes, sources and resistors over six decades."""
    nodes = ["gnd", *(f"n{i}" for i in range(rng.randrange(5, 25)))]
    pairs = [(nodes[i], nodes[rng.randrange(i)]) for i in range(1, len(nodes))]
    pairs += [tuple(rng.sample(nodes, 2)) for _ in range(len(nodes) // 3)]
    elements = [Element("battery", "source", nodes[1], "gnd", {"emf": 12.6, "resistance": 0.02})]
    for i, (plus, minus) in enumerate(pairs):
        kind = rng.choices(["resistor", "lamp", "diode", "source"], [6, 3, 1.5, 0.5])[0]
        values = {
            "resistor": {"resistance": 10 ** rng.uniform(-3, 4)},
            "lamp": {
                "rated_volts": 12.0,
                "rated_watts": rng.choice([3.0, 5.0, 21.0, 55.0]),
                "cold_ratio": rng.uniform(10, 16),
            },
            "diode": {"saturation_current": 10 ** rng.uniform(-14, -9), "emission": rng.uniform(1.0, 2.0)},
            "source": {"emf": rng.uniform(-14, 14), "resistance": 10 ** rng.uniform(-2, 2)},
        }[kind]
        ends = (plus, minus) if rng.random() < 0.5 else (minus, plus)
        elements.append(Element(f"e{i}", kind, *ends, values))
    return Netlist(tuple(elements), (), "gnd")


def worst(solution: Solution, column: int, found: dict[str, float]) -> float:
    """Largest error at any node as a share of what is allowed: 5 mV or 0.5 %."""
    names = re.findall(r"^\* @node (n\d+) (.+)$", deck(solution, column), re.M)
    assert len(names) > 3
    ours = np.array([solution.at(name)[column] for _, name in names if name in solution.nodes])
    theirs = np.array([found[spice] for spice, name in names if name in solution.nodes])
    return float((np.abs(ours - theirs) / np.maximum(5e-3, 5e-3 * np.abs(theirs))).max())


def test_random_networks_of_lamps_diodes_and_sources_agree() -> None:
    seed = 5
    print(f"seed {seed}")
    rng = random.Random(seed)
    failed, compared, errors = 0, 0, []
    for _ in range(60):
        net = random_netlist(rng)
        edits = [(), (Open(rng.choice(net.elements).id),), (Change("battery", "emf", rng.uniform(6, 15)),)]
        solution = settle_cases(compile_netlist(net), [Case(e) for e in edits])
        assert solution.converged.all()
        for column, found in enumerate(oracles.spice_operating_points([deck(solution, k) for k in range(3)])):
            if found is None:
                failed += 1
                continue
            compared += 1
            errors.append(worst(solution, column, found))
    print(
        f"{compared} compared, {failed} without an answer of ngspice, worst share of limit {max(errors):.2g}"
    )
    assert compared >= 170 and failed <= 0.01 * 180
    assert max(errors) < 1.0


def test_a_whole_loom_with_faults_and_settled_devices_agrees_meter_included() -> None:
    seed = 9
    print(f"seed {seed}")
    rng = random.Random(seed)
    loom = synthetic_loom(300, 40)
    cases = [Case((*rng.choice(loom.conditions), *rng.choice(loom.faults))) for _ in range(120)]
    solution = settle_cases(compile_netlist(loom.netlist), cases)
    assert solution.converged.all()
    failed, errors, readings = 0, [], []
    for column in range(len(cases)):
        pair = rng.choice(loom.pairs)
        text = deck(solution, column, Reading("volts", *pair))
        wanted = re.search(r"^\* @reading volts (.+)$", text, re.M)
        assert wanted is not None
        found = oracles.spice_operating_points([text])[0]
        if found is None:
            failed += 1
            continue
        found["0"] = 0.0
        shown = sum(
            (-1.0 if sign == "-" else 1.0) * found[node]
            for sign, node in re.findall(r"([-+]?)v\((\w+)\)", wanted[1])
        )
        ours = instruments.read_volts(solution, [pair], 1e7)[0, column]
        readings.append(abs(shown - ours) / max(5e-3, 5e-3 * abs(ours)))
        plain = oracles.spice_operating_points([deck(solution, column)])[0]
        if plain is not None:
            errors.append(worst(solution, column, plain))
    print(f"{len(readings)} readings, {failed} failed, worst {max(readings):.2g} and nodes {max(errors):.2g}")
    assert len(readings) >= 118 and failed <= 1
    assert max(readings) < 1.0 and max(errors) < 1.0
