"""How fast a dictionary of faults is computed: `python -m diagnose.circuit.bench [faults] [conditions]`.

A made-up loom of about 90 nodes, faults x conditions, settling and instruments included. The same
cases, a sample of them, go through ngspice as a library in a child process, an `op` for every round of
settling. Counted are processor seconds, ours with the fastest of three runs; of ngspice once with its
decks loaded and once `op` and reading alone, which is less than any loop that alters values would need.
"""

from __future__ import annotations

import json
import math
import os
import platform
import random
import subprocess
import sys
import time
from dataclasses import dataclass

import numpy as np

from diagnose.circuit.instruments import read_volts
from diagnose.circuit.netlist import Add, Case, Change, Device, Edit, Element, Force, Move, Netlist, Open
from diagnose.circuit.solve import Solution, Start, compile_netlist, settle_cases, solve_cases
from diagnose.circuit.spice import deck
from diagnose.errors import CircuitError

METER_OHMS = 1e7
SPICE_SAMPLE = 150  # cases of the dictionary that ngspice solves


@dataclass(frozen=True, slots=True)
class Loom:
    """A netlist with its conditions and faults as edits, and the pairs that a meter reads."""

    netlist: Netlist
    conditions: tuple[tuple[Edit, ...], ...]
    faults: tuple[tuple[Edit, ...], ...]
    pairs: tuple[tuple[str, str], ...]


def synthetic_loom(n_faults: int = 300, n_conditions: int = 40, seed: int = 1) -> Loom:
    """An invented loom: battery, charging, starter, ignition, lights, indicators, horn, module, dash."""
    rng = random.Random(seed)
    elements: list[Element] = []
    devices: list[Device] = []
    joints: list[str] = []

    def put(name: str, law: str, plus: str, minus: str, **values: float) -> str:
        tolerances = {"resistance": 0.1} if law in ("resistor", "contact", "fuse") else {}
        elements.append(Element(name, law, plus, minus, values, tolerances))
        return name

    def wire(name: str, plus: str, minus: str, ohms: float = 0.012) -> None:
        """A wire; those of the loom end in a connector."""
        if ohms < 0.012:
            joints.append(put(name, "resistor", plus, minus, resistance=ohms))
            return
        joints.append(put(name, "resistor", plus, f"{name}_plug", resistance=ohms))
        joints.append(put(f"{name}_joint", "resistor", f"{name}_plug", minus, resistance=0.003))

    def fuse(name: str, plus: str, minus: str, rating: float) -> None:
        put(name, "fuse", plus, minus, resistance=0.08 / rating, rating=rating)
        devices.append(Device(f"{name}_blow", "fuse", {"element": (name,)}, {"opens_at": 1.35}))

    def lamp(name: str, plus: str, minus: str, watts: float, ratio: float = 13.0) -> None:
        put(name, "lamp", plus, minus, rated_volts=12.0, rated_watts=watts, cold_ratio=ratio)

    # supply
    put("battery", "source", "bat_plus", "bat_minus", emf=12.6, resistance=0.018)
    wire("earth_lead", "bat_minus", "engine", 0.002)
    wire("frame_strap", "engine", "frame", 0.004)
    wire("main_lead", "bat_plus", "stud", 0.002)
    fuse("main_fuse", "stud", "main", 30.0)
    put(
        "alternator", "generator", "reg_out", "engine", regulated_volts=14.3, resistance=0.05, max_current=0.0
    )
    devices.append(Device("charging", "generator", {"element": ("alternator",)}, {}))
    wire("reg_lead", "reg_out", "main", 0.02)
    # starter
    put("solenoid_contact", "contact", "stud", "starter_plus", resistance=0.001, closed=0.0)
    put("starter", "motor", "starter_plus", "engine", resistance=0.03, back_emf=7.0)
    devices.append(Device("cranking", "motor", {"element": ("starter",)}, {"turn_volts": 5.0}))
    wire("solenoid_feed", "start_out", "sol_86", 0.03)
    put("solenoid_coil", "resistor", "sol_86", "sol_85", resistance=4.2)
    wire("solenoid_ground", "sol_85", "engine", 0.02)
    devices.append(
        Device(
            "solenoid",
            "relay",
            {"coil": ("solenoid_coil",), "no": ("solenoid_contact",)},
            {"operate_volts": 7.5, "release_volts": 2.0},
        )
    )
    # key and fuse box
    wire("key_feed", "main", "key_in", 0.02)
    put("key", "contact", "key_in", "key_out", resistance=0.01, closed=0.0)
    wire("box_feed", "key_out", "box", 0.015)
    for name, rating in (("ign", 10.0), ("light", 15.0), ("signal", 10.0), ("unit", 7.5)):
        fuse(f"{name}_fuse", "box", f"{name}_f", rating)
        wire(f"{name}_feed", f"{name}_f", f"{name}_rail", 0.015)
    # ignition
    put("kill", "contact", "ign_rail", "kill_out", resistance=0.01, closed=1.0)
    put("start_button", "contact", "kill_out", "start_out", resistance=0.02, closed=0.0)
    for side in "ab":
        wire(f"coil_{side}_feed", "kill_out", f"coil_{side}_plus", 0.02)
        put(f"coil_{side}", "resistor", f"coil_{side}_plus", f"coil_{side}_minus", resistance=3.4)
        put(
            f"points_{side}",
            "contact",
            f"coil_{side}_minus",
            "engine",
            resistance=0.02,
            closed=float(side == "a"),
        )
    # headlamp by relay
    put("light_switch", "contact", "light_rail", "light_sw", resistance=0.02, closed=0.0)
    wire("light_relay_wire", "light_sw", "lr_86", 0.03)
    put("light_relay_coil", "resistor", "lr_86", "lr_85", resistance=85.0)
    put("light_relay_diode", "diode", "lr_85", "lr_86", saturation_current=1e-9, emission=1.8)
    wire("light_relay_ground", "lr_85", "frame_front", 0.02)
    put("light_relay_contact", "contact", "light_rail", "dip_in", resistance=0.005, closed=0.0)
    devices.append(
        Device(
            "light_relay",
            "relay",
            {"coil": ("light_relay_coil",), "no": ("light_relay_contact",)},
            {"operate_volts": 8.0, "release_volts": 1.5},
        )
    )
    wire("front_ground", "frame_front", "frame", 0.01)
    for beam, closed in (("low", 1.0), ("high", 0.0)):
        put(f"dip_{beam}", "contact", "dip_in", f"{beam}_out", resistance=0.02, closed=closed)
        wire(f"{beam}_wire", f"{beam}_out", f"{beam}_plug", 0.02)
        lamp(f"{beam}_beam", f"{beam}_plug", "lamp_ground", 55.0 if beam == "low" else 60.0, 16.0)
    wire("headlamp_ground", "lamp_ground", "frame_front", 0.02)
    lamp("high_tell", "high_out", "frame_front", 1.7)
    # tail, brake, plate
    wire("tail_wire", "light_sw", "tail_plug", 0.05)
    lamp("tail_lamp", "tail_plug", "rear_ground", 5.0)
    lamp("plate_lamp", "tail_plug", "rear_ground", 5.0)
    lamp("side_lamp", "light_sw", "frame_front", 4.0)
    put("brake_front", "contact", "signal_rail", "brake_sw", resistance=0.03, closed=0.0)
    put("brake_rear", "contact", "signal_rail", "brake_sw", resistance=0.03, closed=0.0)
    wire("brake_wire", "brake_sw", "brake_plug", 0.05)
    lamp("brake_lamp", "brake_plug", "rear_ground", 21.0)
    wire("rear_ground_wire", "rear_ground", "frame", 0.02)
    # indicators from a solid-state flasher unit with two outputs
    wire("flasher_feed", "signal_rail", "flasher_in", 0.02)
    for side in ("left", "right"):
        put(f"{side}_output", "contact", "flasher_in", f"{side}_out", resistance=0.05, closed=0.0)
        put(f"{side}_pull", "resistor", "flasher_in", f"{side}_input", resistance=2200.0)
        put(f"{side}_switch", "contact", f"{side}_input", "frame_front", resistance=0.05, closed=0.0)
        devices.append(
            Device(
                f"{side}_driver",
                "output",
                {
                    "output": (f"{side}_output",),
                    "supply_plus_node": ("flasher_in",),
                    "supply_minus_node": ("frame_front",),
                    "input_node": (f"{side}_input",),
                },
                {"minimum_volts": 8.0, "input_low": 1.0, "limit": 8.0},
            )
        )
        for end, ground in (("front", "frame_front"), ("rear", "rear_ground")):
            wire(f"{side}_{end}_wire", f"{side}_out", f"{side}_{end}", 0.06)
            lamp(f"{side}_{end}_lamp", f"{side}_{end}", ground, 21.0)
        put(f"{side}_tell_diode", "diode", f"{side}_out", f"{side}_td", saturation_current=1e-9, emission=1.8)
        put(f"{side}_tell_drop", "resistor", f"{side}_td", "tell_plus", resistance=1.0)
    lamp("turn_tell", "tell_plus", "frame_front", 1.7)
    # horn and dash
    put("horn_button", "contact", "signal_rail", "horn_sw", resistance=0.05, closed=0.0)
    wire("horn_wire", "horn_sw", "horn_plus", 0.03)
    put("horn", "resistor", "horn_plus", "horn_minus", resistance=3.2)
    wire("horn_ground", "horn_minus", "frame_front", 0.02)
    wire("dash_feed", "unit_rail", "dash_plus", 0.05)
    put("dash", "electronic", "dash_plus", "dash_minus", rated_volts=12.0, rated_watts=3.0, cut_off_volts=7.5)
    devices.append(Device("dash_state", "electronic", {"element": ("dash",)}, {}))
    wire("dash_ground", "dash_minus", "frame_front", 0.03)
    put("backlight", "resistor", "dash_plus", "led_a", resistance=470.0)
    put("backlight_led", "diode", "led_a", "dash_minus", saturation_current=1e-18, emission=2.0)
    put("neutral_pull", "resistor", "dash_plus", "neutral", resistance=1000.0)
    put("neutral_switch", "contact", "neutral", "engine", resistance=0.1, closed=1.0)
    netlist = Netlist(tuple(elements), tuple(devices), "bat_minus")

    controls: list[tuple[Edit, ...]] = [
        (Change("light_switch", "closed", 1.0),),
        (Change("dip_low", "closed", 0.0), Change("dip_high", "closed", 1.0)),
        (Change("brake_front", "closed", 1.0),),
        (Change("left_switch", "closed", 1.0),),
        (Change("right_switch", "closed", 1.0),),
        (Change("horn_button", "closed", 1.0),),
        (Change("kill", "closed", 0.0),),
        (Change("alternator", "max_current", 14.0),),
        (Change("start_button", "closed", 1.0),),
    ]
    conditions: list[tuple[Edit, ...]] = [(), (Change("key", "closed", 1.0),)]
    while len(conditions) < n_conditions:
        some = rng.sample(controls[:-1], rng.randrange(1, 5))
        if len(conditions) % 8 == 7:
            some = [controls[-1]]
        conditions.append((Change("key", "closed", 1.0), *(e for edits in some for e in edits)))

    faults: list[tuple[Edit, ...]] = []
    nodes = sorted({n for e in elements for n in (e.plus, e.minus)} - {"bat_minus"})
    lamps = [e.id for e in elements if e.law == "lamp"]
    contacts = [e.id for e in elements if e.law == "contact"]
    for name in joints:
        faults.append((Open(name),))
        faults += [(Change(name, "resistance", r),) for r in (0.3, 3.0)]
    faults += [(Open(name),) for name in lamps]
    faults += [(Force(name, 1),) for name in contacts] + [(Force(name, 0),) for name in contacts]
    faults += [
        (Add(Element("chafe", "resistor", n, "frame", {"resistance": r})),)
        for n in nodes
        for r in (0.02, 1.5, 1e4)
    ]
    for a, b in zip(joints, joints[7:], strict=False):
        at = {e.id: e for e in elements}
        faults.append((Move(a, "minus", at[b].minus), Move(b, "minus", at[a].minus)))
        faults.append((Add(Element("bridge", "resistor", at[a].minus, at[b].plus, {"resistance": 20.0})),))
    rng.shuffle(faults)
    pairs = tuple((n, "bat_minus") for n in nodes) + tuple(("bat_plus", n) for n in nodes[::3])
    return Loom(netlist, tuple(conditions[:n_conditions]), tuple([(), *faults][:n_faults]), pairs)


def dictionary(loom: Loom, meter_ohms: float = METER_OHMS) -> tuple[np.ndarray, Solution]:
    """Every fault in every condition, settled, each pair read with the meter: (n_pairs, cases)."""
    compiled = compile_netlist(loom.netlist)
    healthy = settle_cases(compiled, [Case(c) for c in loom.conditions])
    cases = [Case(f, (), c) for c in loom.conditions for f in loom.faults]
    columns = np.repeat(np.arange(len(loom.conditions)), len(loom.faults))
    solution = settle_cases(compiled, cases, Start(healthy, columns))
    return read_volts(solution, loom.pairs, meter_ohms), solution


# ---- the same by ngspice's library -----------------------------------------------------------------


def spice_rounds(solution: Solution, columns: list[int]) -> list[list[list[str]]]:
    """For every case the decks of its rounds of settling, decided beforehand at no cost to ngspice."""
    out = []
    for column in columns:
        case = solution.cases[column]
        held = [Case(case.edits, states, case.given) for states in _states_by_round(solution, column)]
        rounds = solve_cases(solution.compiled, held)
        out.append([deck(rounds, k).splitlines() for k in range(rounds.size)])
    return out


def _states_by_round(solution: Solution, column: int) -> list[tuple[tuple[str, int], ...]]:
    """Start states, then the settled ones, as often as there were rounds (the ones between are alike)."""
    part, here = solution.part_at(column)
    rounds = int(part.settled.rounds[here])
    first = solution.cases[column].states
    return [first, *[solution.states_of(column)] * (rounds - 1)]


def spice_seconds(decks: list[list[list[str]]]) -> tuple[float, float, list[list[float]]]:
    """Processor seconds of ngspice's library in a child process for these cases.

    returns  seconds with every round's deck loaded afresh; seconds when only the first is loaded and the
             others cost an `op` each (values altered in place); node volts after the last round of each
    raises   CircuitError when there is no libngspice
    """
    run = subprocess.run(
        [sys.executable, "-c", CHILD], input=json.dumps(decks), capture_output=True, text=True, check=False
    )
    if run.returncode:
        raise CircuitError(f"ngspice library: {run.stderr.strip()[-400:]}; try installing libngspice0")
    answer = json.loads(run.stdout.splitlines()[-1])
    return answer["loaded"], answer["altered"], answer["volts"]


CHILD = """
import ctypes, ctypes.util, json, sys, time
name = ctypes.util.find_library("ngspice") or "libngspice.so.0"
try:
    spice = ctypes.CDLL(name)
except OSError as err:
    sys.exit(f"cannot load {name}: {err}")
said = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_void_p)
flag, number = ctypes.c_bool, ctypes.c_int
left = ctypes.CFUNCTYPE(number, number, flag, flag, number, ctypes.c_void_p)
quiet, gone = said(lambda *a: 0), left(lambda *a: 0)
spice.ngSpice_Init(quiet, quiet, gone, None, None, None, None)

class Vector(ctypes.Structure):
    _fields_ = [("name", ctypes.c_char_p), ("type", number), ("flags", ctypes.c_short),
                ("real", ctypes.POINTER(ctypes.c_double)), ("complex", ctypes.c_void_p), ("length", number)]
spice.ngGet_Vec_Info.restype = ctypes.POINTER(Vector)

def load(lines):
    lines = [l.split(" ; ")[0] for l in lines if not l.startswith("*")]
    lines = ["bench", *[l for l in lines if l not in (".op", ".end")], ".end"]
    array = (ctypes.c_char_p * (len(lines) + 1))(*[l.encode() for l in lines], None)
    spice.ngSpice_Circ(array)

def read(names):
    out = []
    for n in names:
        v = spice.ngGet_Vec_Info(n.encode())
        out.append(v.contents.real[0] if v else float("nan"))
    return out

loaded = altered = 0.0
volts = []
for rounds in json.load(sys.stdin):
    for lines in rounds:
        names = [l.split()[2] for l in lines if l.startswith("* @node n")]
        began = time.process_time()
        load(lines)
        ready = time.process_time()
        spice.ngSpice_Command(b"op")
        values = read(names)
        done = time.process_time()
        loaded += done - began
        altered += done - ready
        spice.ngSpice_Command(b"remcirc")
        spice.ngSpice_Command(b"destroy all")
    volts.append(values)
print()
print(json.dumps({"loaded": loaded, "altered": altered, "volts": volts}))
"""


def main(arguments: list[str]) -> int:
    """Print the times, their ratio and the largest disagreement."""
    sizes = [int(x) for x in arguments]
    n_faults, n_conditions = (sizes + [300, 40][len(sizes) :])[:2]
    loom = synthetic_loom(n_faults, n_conditions)
    nodes = {n for e in loom.netlist.elements for n in (e.plus, e.minus)}
    print(f"machine: {machine()}, numpy {np.__version__}, Python {platform.python_version()}")
    size = f"{len(nodes)} nodes, {len(loom.netlist.elements)} elements"
    print(f"{size}, {n_faults} faults x {n_conditions} conditions")
    best = math.inf
    for _ in range(3):
        began = time.process_time()
        readings, solution = dictionary(loom)
        best = min(best, time.process_time() - began)
    each = best / solution.size
    rounds = np.concatenate([p.settled.rounds for p in solution.parts])
    print(
        f"dictionary: {best:.3f} s processor time, {each * 1e6:.0f} us a case, {readings.size} readings; "
        f"{rounds.mean():.2f} rounds a case, {int(solution.restless.sum())} restless, "
        f"{int((~solution.converged).sum())} without operating point"
    )
    columns = random.Random(4).sample(range(solution.size), min(SPICE_SAMPLE, solution.size))
    decks = spice_rounds(solution, columns)
    loaded, altered, volts = spice_seconds(decks)
    worst = _disagreement(solution, columns, decks, volts)
    loaded, altered = loaded / len(columns), altered / len(columns)
    print(
        f"ngspice library, {len(columns)} of the cases: {loaded * 1e6:.0f} us a case with decks loaded, "
        f"{altered * 1e6:.0f} us for `op` and reading alone"
    )
    print(f"ratio: {loaded / each:.1f} (decks loaded), {altered / each:.1f} (`op` and reading alone)")
    print(f"largest disagreement at any node of them: {worst * 1e3:.3g} mV")
    return 0


def _disagreement(
    solution: Solution, columns: list[int], decks: list[list[list[str]]], volts: list[list[float]]
) -> float:
    """Largest difference of node volts after the last round; restless cases left out. [V]"""
    worst = 0.0
    for column, rounds, found in zip(columns, decks, volts, strict=True):
        names = [line.split()[3] for line in rounds[-1] if line.startswith("* @node n")]
        if solution.restless[column]:
            continue
        for name, value in zip(names, found, strict=True):
            if name in solution.nodes:
                worst = max(worst, abs(value - float(solution.at(name)[column])))
    return worst


def machine() -> str:
    """Processor and number of cores, as the system names them."""
    name = platform.processor() or platform.machine()
    try:
        with open("/proc/cpuinfo", encoding="ascii", errors="replace") as file:
            name = next(
                (line.split(":", 1)[1].strip() for line in file if line.startswith("model name")), name
            )
    except OSError:
        pass
    return f"{name}, {os.cpu_count()} cores"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
