"""Floating points and lost paths, told in words of the circuit."""

from __future__ import annotations

import subprocess
import sys

import pytest

from diagnose.circuit.explain import reasons_floating, require_paths, why_floating, why_not_converged
from diagnose.circuit.netlist import Case, Change, Device, Element, Netlist, Open
from diagnose.circuit.solve import Solution, compile_netlist, settle_cases
from diagnose.errors import CircuitError, SingularCircuit


def resistor(name: str, plus: str, minus: str) -> Element:
    return Element(name, "resistor", plus, minus, {"resistance": 1.0})


def solved(*edits: Open | Change) -> Solution:
    net = Netlist(
        (
            Element("battery", "source", "b", "gnd", {"emf": 12.6, "resistance": 0.02}),
            Element("acc_fuse", "fuse", "b", "f", {"resistance": 0.01, "rating": 5.0}),
            resistor("w12", "f", "dash.feed"),
            Element("dash_led", "diode", "dash.feed", "d", {"saturation_current": 1e-12, "emission": 2.0}),
            resistor("w13", "d", "dash.ground"),
            resistor("w14", "dash.ground", "gnd"),
        ),
        (Device("blow", "fuse", {"element": ("acc_fuse",)}, {"opens_at": 1.35}),),
        "gnd",
    )
    return settle_cases(compile_netlist(net), [Case(edits)])


def test_the_opens_between_a_floating_point_and_ground_are_named() -> None:
    solution = solved(Open("acc_fuse"), Open("w14"))
    assert why_floating(solution, 0, "dash.feed") in (
        "no path from dash.feed to ground: open at acc_fuse",
        "no path from dash.feed to ground: open at dash_led, w14",
    )
    assert why_floating(solution, 0, "dash.ground") == "no path from dash.ground to ground: open at w14"


def test_a_point_with_a_path_has_no_reason_to_float() -> None:
    solution = solved()
    assert why_floating(solution, 0, "dash.feed") == ""
    assert reasons_floating(solution, 0) == ()


def test_every_floating_point_gets_its_sentence() -> None:
    solution = solved(Open("w13"), Open("w14"))
    reasons = reasons_floating(solution, 0)
    assert reasons == ("no path from dash.ground to ground: open at w14",)


def test_points_that_must_have_a_path_are_demanded_with_reasons() -> None:
    solution = solved(Open("w14"), Open("w13"))
    require_paths(solution.compiled, solution, 0, ["dash.feed"])
    with pytest.raises(SingularCircuit, match=r"no path from dash\.ground to ground: open at w14"):
        require_paths(solution.compiled, solution, 0, ["b", "dash.ground"])


def test_a_point_that_nothing_leads_to_is_said_so() -> None:
    net = Netlist((resistor("r", "a", "gnd"), resistor("q", "x", "y")), (), "gnd")
    solution = settle_cases(compile_netlist(net), [Case()])
    assert why_floating(solution, 0, "x") == "no path from x to ground: nothing leads there"


def test_a_case_without_operating_point_names_the_stiffest_source() -> None:
    solution = solved(Change("battery", "emf", 1e300))
    assert not solution.converged[0]
    assert "the stiffest source is battery" in why_not_converged(solution, 0)
    assert why_not_converged(solved(), 0) == ""


def test_unknown_points_and_cases_are_refused() -> None:
    with pytest.raises(CircuitError, match=r"unknown node 'dash\.fed'; try dash\.feed"):
        why_floating(solved(), 0, "dash.fed")
    with pytest.raises(CircuitError, match="case 3 is not in this solution; expected 0 to 0"):
        why_floating(solved(), 3, "dash.feed")


def test_solving_loads_no_graph_library() -> None:
    code = (
        "import sys, diagnose.circuit.solve, diagnose.circuit.explain, diagnose.circuit.spice;"
        "print('networkx' in sys.modules)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert run.stdout.strip() == "False"
