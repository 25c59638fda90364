"""What a deck says, without running it: opens left out, states and tolerances told, one phase only."""

from __future__ import annotations

import re

import numpy as np
import pytest

from diagnose.circuit import bench
from diagnose.circuit.bench import dictionary, synthetic_loom
from diagnose.circuit.netlist import Add, Case, Change, Device, Element, Move, Netlist, Open
from diagnose.circuit.plan import plan_elimination
from diagnose.circuit.solve import Solution, compile_netlist, settle_cases
from diagnose.circuit.spice import Reading, deck
from diagnose.errors import CircuitError


def solved(*edits: Open | Change | Add | Move) -> Solution:
    net = Netlist(
        (
            Element("battery", "source", "b", "gnd", {"emf": 12.6, "resistance": 0.02}, {"emf": 0.01}),
            Element("acc_fuse", "fuse", "b", "f", {"resistance": 0.008, "rating": 10.0}),
            Element("feed", "resistor", "f", "dash.feed", {"resistance": 1e-6}, {"resistance": 0.1}),
            Element("coil", "resistor", "dash.feed", "gnd", {"resistance": 85.0}),
            Element("no", "contact", "f", "out", {"resistance": 0.01, "closed": 0.0}),
            Element(
                "lamp", "lamp", "out", "gnd", {"rated_volts": 12.0, "rated_watts": 21.0, "cold_ratio": 13.0}
            ),
            Element("d", "diode", "gnd", "dash.feed", {"saturation_current": 1e-9, "emission": 1.8}),
        ),
        (
            Device("acc_blow", "fuse", {"element": ("acc_fuse",)}, {"opens_at": 1.35}),
            Device(
                "key_relay",
                "relay",
                {"coil": ("coil",), "no": ("no",)},
                {"operate_volts": 8.0, "release_volts": 1.5},
            ),
        ),
        "gnd",
    )
    return settle_cases(compile_netlist(net), [Case(edits)])


def test_a_deck_names_its_nodes_states_tolerances_and_reading() -> None:
    text = deck(solved(), 0, Reading("volts", "dash.feed", "out"), title="bike with a fault")
    assert text.startswith("* bike with a fault\n")
    assert re.search(r"^\* @node n3 dash\.feed$", text, re.M)
    assert re.search(r"^\* @node 0 gnd$", text, re.M)
    assert re.search(r"^\* @state fuse acc_blow rating=10 .*closed$", text, re.M)
    assert re.search(r"^\* @state relay key_relay coil=85 operate=8 release=1\.5 .*pulled$", text, re.M)
    assert re.search(r"^\* @tolerance r3 0\.1 resistance$", text, re.M)
    assert re.search(r"^\* @tolerance v1 0\.01 emf$", text, re.M)
    assert "* @reading volts v(n3)-v(n4)\n" in text
    assert re.search(r"^Rmeter n3 n4 10000000$", text, re.M)


def test_a_deck_has_no_extremes() -> None:
    """Opens of 10 Mohm and more are left out, joints are 0.1 mohm at least."""
    text = deck(solved(Change("coil", "resistance", 2e7)), 0)
    assert not re.search(r"^R4 ", text, re.M)
    assert re.search(r"^R3 n2 n3 0\.0001 ; feed$", text, re.M)
    assert re.search(r"dropped$", text, re.M)


def test_leakage_stands_at_every_chain_end_and_nowhere_else() -> None:
    """Branches in circuit: b 2, f 3 (relay pulled), dash.feed 3, out 2."""
    text = deck(solved(), 0)
    assert re.findall(r"^Rleak(\d+) n\d+ 0 100000000$", text, re.M) == ["2", "3"]
    text = deck(solved(Open("acc_fuse")), 0)
    assert re.findall(r"^Rleak(\d+) ", text, re.M) == ["1", "2", "3", "4"]
    assert not re.search(r"acc_fuse", "\n".join(x for x in text.splitlines() if not x.startswith("*")))


def test_added_and_moved_elements_stand_in_the_deck_under_their_own_names() -> None:
    extra = Element("chafe", "resistor", "cut.end", "gnd", {"resistance": 50.0})
    text = deck(solved(Move("feed", "minus", "cut.end"), Add(extra)), 0)
    node = re.search(r"^\* @node (n\d+) cut\.end$", text, re.M)
    assert node is not None
    assert re.search(rf"^R8 {node[1]} 0 50 ; chafe$", text, re.M)
    assert re.search(rf"^R3 n2 {node[1]} 0\.0001 ; feed$", text, re.M)


def test_amperes_and_ohms_have_their_own_instruments() -> None:
    text = deck(solved(), 0, Reading("amps", element="acc_fuse"))
    assert "* @reading amps i(vamps)" in text and re.search(r"^Vamps n1 xamps 0$", text, re.M)
    text = deck(solved(Change("battery", "emf", 0.0)), 0, Reading("ohms", "out", "gnd"))
    assert "* @reading ohms (v(n4))/1e-06" in text and re.search(r"^Imeter 0 n4 1e-06$", text, re.M)


@pytest.mark.parametrize(
    ("reading", "text"),
    [
        (Reading("volts", "dash.fed", "gnd"), r"no node dash\.fed in this case to read at"),
        (Reading("amps", element="horn"), "no element horn in circuit to read amperes of"),
        (Reading("farads", "b", "gnd"), "reading of kind 'farads'; expected volts, amps or ohms"),
    ],
)
def test_a_reading_that_cannot_be_taken_is_refused(reading: Reading, text: str) -> None:
    with pytest.raises(CircuitError, match=text):
        deck(solved(), 0, reading)


def test_a_small_dictionary_of_the_benchmark_loom_solves_completely() -> None:
    loom = synthetic_loom(25, 4)
    readings, solution = dictionary(loom)
    assert readings.shape == (len(loom.pairs), 100)
    assert np.isfinite(readings).all() and solution.converged.all()
    assert readings.max() < 15.0


def test_a_missing_ngspice_library_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench, "CHILD", "import sys; sys.exit('cannot load libngspice.so.0')")
    with pytest.raises(CircuitError, match=r"ngspice library: cannot load .*; try installing libngspice0"):
        bench.spice_seconds([])


def test_nodes_of_a_chain_are_eliminated_once_each_and_never_have_more_than_two_neighbours() -> None:
    """A path keeps its shape when an inner node goes: minimum degree never meets more than two neighbours."""
    plan = plan_elimination(40, [(i, i + 1) for i in range(39)], [1 + i % 3 for i in range(40)])
    assert sorted(plan.position.tolist()) == list(range(40))
    blocks = [block for stage in plan.stages for block in stage]
    assert sum(block.count for block in blocks) == 40
    assert max(block.degree for block in blocks) == 2
