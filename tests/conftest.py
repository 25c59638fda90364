# ruff: noqa: E501 (lines of YAML, kept as an author would write them; a setting before numpy loads)
"""A tiny knowledge base (battery, main fuse, switch, wires, lamp, ground), so that units do not lean on the
shipped one. Its numbers are round, chosen for hand calculation; they claim nothing about real parts.
"""

from __future__ import annotations

import os

# the arrays of the tests are small: a second thread of the linear algebra costs more than it brings
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

SOURCES = """\
sources:
  made_up: {title: "round numbers for tests", status: common_practice}
  estimate: {title: "estimate", status: estimate}
"""

COMPONENTS = """\
components:
  battery_12v:
    title: "battery"
    word: battery
    terminals: [plus, minus]
    rate: {value: "10", source: made_up}
    elements:
      cell: {law: source, plus: plus, minus: minus}
    values:
      cell.emf: {value: "12.6 V", tolerance: "2 %", source: made_up}
      cell.resistance: {value: "20 mohm", tolerance: "20 %", source: made_up}
    modes:
      flat:
        title: "flat"
        edits: [{set: cell.emf, to: "10.5 V"}]
        share: {value: "1", source: made_up}
        repair: charge
        tags: [age]
    repairs:
      charge: {title: "charge it", sort: repair, cures: ["*"], minutes: {value: "5 min", source: made_up}, price: {value: "0", source: made_up}}
  blade_fuse:
    title: "blade fuse"
    word: fuse
    terminals: [in, out]
    rate: {value: "4", source: made_up}
    elements:
      link: {law: fuse, plus: in, minus: out}
    devices:
      blow: {law: fuse, element: [link]}
    values:
      link.resistance: {value: "8 mohm", tolerance: "25 %", source: made_up}
      link.rating: {value: "10 A", source: made_up}
      blow.opens_at: {value: "1.35", source: made_up}
    look: {minutes: {value: "0.5 min", source: made_up}, text: "Pull it and look at the link."}
    modes:
      fatigued:
        title: "link broken by age"
        edits: [{open: link}]
        share: {value: "1", source: made_up}
        visible: {value: "0.9", source: estimate, why: "a gap is plain to see"}
        repair: renew
        tags: [vibration, age]
    repairs:
      renew: {title: "fit a new fuse of the same rating", sort: try, cures: [fatigued], minutes: {value: "1 min", source: made_up}, price: {value: "1", source: made_up}}
  toggle_switch:
    title: "switch"
    word: switch
    terminals: [in, out]
    rate: {value: "5", source: made_up}
    elements:
      contact: {law: contact, plus: in, minus: out, closed_in: ["run"]}
    values:
      contact.resistance: {value: "5 mohm", source: made_up}
    modes:
      worn:
        title: "worn contact"
        edits: [{series: contact}]
        severity: series
        share: {value: "0.6", source: made_up}
        repair: clean
      stuck_open:
        title: "does not close"
        edits: [{force: contact, state: open}]
        share: {value: "0.4", source: made_up}
        repair: renew
    repairs:
      clean: {title: "clean its contact", sort: try, cures: [worn], minutes: {value: "6 min", source: made_up}, price: {value: "0", source: made_up}}
      renew: {title: "renew the switch", sort: repair, cures: ["*"], minutes: {value: "20 min", source: made_up}, price: {value: "30", source: made_up}}
  lamp_21w:
    title: "lamp"
    word: lamp
    terminals: [feed, ground]
    rate: {value: "8", source: made_up}
    elements:
      filament: {law: lamp, plus: feed, minus: ground}
    values:
      filament.rated_volts: {value: "12 V", source: made_up}
      filament.rated_watts: {value: "21 W", tolerance: "5 %", source: made_up}
      filament.cold_ratio: {value: "13", source: made_up}
    modes:
      burnt_out:
        title: "burnt out"
        edits: [{open: filament}]
        share: {value: "1", source: made_up}
        repair: renew
    repairs:
      renew: {title: "fit a new lamp", sort: repair, cures: ["*"], minutes: {value: "3 min", source: made_up}, price: {value: "2", source: made_up}, parts: ["lamp"]}
    tests:
      filament: {instrument: ohms, plus: feed, minus: ground, text: "A cold filament reads about half an ohm."}
  ground_bolt:
    title: "ground bolt"
    word: ground
    terminals: [eye, metal]
    rate: {value: "6", source: made_up}
    elements:
      joint: {law: contact, plus: eye, minus: metal}
    values:
      joint.resistance: {value: "1 mohm", source: made_up}
      joint.closed: {value: "1", source: made_up}
    modes:
      corroded:
        title: "corroded"
        edits: [{series: joint}]
        severity: series
        share: {value: "1", source: made_up}
        repair: clean
        tags: [wet]
    repairs:
      clean: {title: "clean and bolt down", sort: try, cures: ["*"], minutes: {value: "8 min", source: made_up}, price: {value: "0", source: made_up}}
  frame_metal:
    title: "frame"
    word: body
    terminals: [metal]
    rate: {value: "0", source: made_up}
    modes: {}
  wire:
    title: "wire"
    word: wire
    terminals: [a, b]
    rate: {value: "1", source: made_up}
    elements:
      core: {law: resistor, plus: a, minus: b}
    modes:
      broken:
        title: "broken inside"
        edits: [{open: core}]
        share: {value: "0.7", source: made_up}
        repair: mend
        tags: [vibration]
      chafed:
        title: "chafed through to the frame"
        edits: [{to_ground: b}]
        severity: short
        share: {value: "0.3", source: made_up}
        repair: mend
    repairs:
      mend: {title: "mend the wire", sort: repair, cures: ["*"], minutes: {value: "15 min", source: made_up}, price: {value: "1", source: made_up}}
  connector_way:
    title: "connector way"
    word: connector
    terminals: [a, b]
    rate: {value: "3", source: made_up}
    elements:
      contact: {law: resistor, plus: a, minus: b}
    values:
      contact.resistance: {value: "2 mohm", source: made_up}
    modes:
      loose:
        title: "loose"
        edits: [{series: contact}]
        severity: series
        share: {value: "1", source: made_up}
        repair: tighten
      crossed:
        title: "crossed with its neighbour"
        edits: [{cross: b}]
        share: {value: "0.1", source: made_up}
        repair: tighten
        fresh: "10"
        tags: [assembly]
    repairs:
      tighten: {title: "refit and tighten", sort: try, cures: ["*"], minutes: {value: "5 min", source: made_up}, price: {value: "0", source: made_up}}
"""

SECTION = """\
section: lamp_circuit
title: "one lamp"
places:
  seat: {title: "under the seat", access: "1 min", close: "1 min"}
  tail: {title: "tail lamp", access: "3 min", close: "3 min", breaks: "old clips"}
controls:
  key: {title: "key", positions: [off, run], rest: "off", words: {off: "OFF", run: "RUN"}}
parts:
  battery: {kind: battery_12v, title: "battery", place: seat}
  main_fuse: {kind: blade_fuse, title: "main fuse", place: seat}
  key_switch: {kind: toggle_switch, title: "key switch", place: seat, control: key}
  tail_lamp: {kind: lamp_21w, title: "tail lamp", place: tail, unplugs: tail_plug}
  rear_ground: {kind: ground_bolt, title: "rear ground", place: tail, wet: true}
  frame: {kind: frame_metal, title: "frame", place: seat}
connectors:
  tail_plug: {title: "tail plug", place: tail, ways: [feed, ground], neighbours: in_order}
wires:
  battery_lead: {from: battery.plus, to: main_fuse.in, area: "4 mm2", length: "0.3 m", colour: RD, place: seat}
  fuse_lead: {from: main_fuse.out, to: key_switch.in, area: "2.5 mm2", length: "0.8 m", colour: RD, place: seat}
  tail_feed: {from: key_switch.out, to: tail_plug_feed.a, area: "0.75 mm2", length: "1.2 m", colour: GN/YE, place: tail, neighbours: [tail_ground]}
  tail_ground: {from: tail_plug_ground.a, to: rear_ground.eye, area: "0.75 mm2", length: "0.3 m", colour: BK, place: tail, neighbours: [tail_feed]}
  frame_lead: {from: frame.metal, to: battery.minus, area: "6 mm2", length: "0.4 m", colour: BK, place: seat}
bonds:
  - [tail_plug_feed.b, tail_lamp.feed]
  - [tail_plug_ground.b, tail_lamp.ground]
  - [rear_ground.metal, frame.metal]
functions:
  tail_light: {title: "tail lamp", kind: light, element: tail_lamp.filament, when: "key=run", roles: [light], question: "Is the tail lamp lit?"}
"""

BIKE = """\
bike: tiny
title: "one lamp on a frame"
text: "Invented for the tests; not a real machine."
sections: [lamp_circuit]
body: {battery_plus: battery.plus, battery_minus: battery.minus, frame: frame.metal, engine: frame.metal}
supply: "12 V"
complaints: [lamp_dead]
"""

COMPLAINTS = """\
complaints:
  lamp_dead:
    title: "the tail lamp is dead"
    says: ["no tail light", "tail lamp dead"]
    any_of: [{function: tail_light, states: [dead, very_weak]}]
"""

MEASUREMENTS = """\
instruments:
  volts:
    title: "volts DC"
    kit: meter
    unit: V
    values:
      resistance: {value: "10 Mohm", source: made_up}
      accuracy: {value: "0.005", source: made_up}
      digits: {value: "0.02 V", source: made_up}
      minutes: {value: "0.7 min", source: made_up}
    beginner: "Black tip: {minus}. Red tip: {plus}. What number does the display show?"
    trade: "{plus} to {minus}, DC volts."
"""

HISTORY = """\
history:
  wet: {question: "Was it out in the rain?", factors: {wet: "4"}, source: estimate, why: "water gets into open joints"}
"""

TINY = {
    "sources.yaml": SOURCES,
    "components/all.yaml": COMPONENTS,
    "sections/lamp_circuit.yaml": SECTION,
    "bikes/tiny.yaml": BIKE,
    "complaints.yaml": COMPLAINTS,
    "measurements.yaml": MEASUREMENTS,
    "history.yaml": HISTORY,
}


@pytest.fixture
def tiny_knowledge(tmp_path: Path) -> Path:
    """The tiny knowledge base as files in a folder of its own; returns the folder."""
    folder = tmp_path / "knowledge"
    for name, text in TINY.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Everything of the user's lies in a folder of this session: his own bikes, jobs and caches stay out.

    Programs started by tests keep their compiled modules, as installed ones do: compiling all of this
    package anew takes each of them 0.7 s.
    """
    folder = tmp_path_factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        folder = folder.parent  # what one worker has computed serves the other
    folder = folder / "shared-cache"
    folder.mkdir(exist_ok=True)
    own = {"DIAGNOSE_CACHE": str(folder), "DIAGNOSE_HOME": str(tmp_path_factory.mktemp("home"))}
    before = {name: os.environ.get(name) for name in (*own, "PYTHONDONTWRITEBYTECODE")}
    os.environ.update(own)
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    yield folder
    for name, value in before.items():
        if value is None:
            os.environ.pop(name, None)
        else:
            os.environ[name] = value


# ---- oracles that cannot run -----------------------------------------------------------------------

ORACLES = {
    "oracle": ("ngspice", "apt-get install ngspice libngspice0"),
    "browser": ("chromium", "apt-get install chromium"),
}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Without its program an oracle test is left out and counted; in CI it runs, and so it fails."""
    if os.environ.get("CI"):
        return
    for marker, (program, remedy) in ORACLES.items():
        if shutil.which(program) is None:
            reason = f"{program} is not installed; try {remedy}"
            for item in items:
                if item.get_closest_marker(marker):
                    item.add_marker(pytest.mark.skip(reason=reason))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say aloud how many oracle tests could not run, and why."""
    left_out = terminalreporter.stats.get("skipped", [])
    if left_out:
        reasons = sorted({str(r.longrepr[2]) for r in left_out if isinstance(r.longrepr, tuple)})
        terminalreporter.write_line(f"{len(left_out)} ORACLE TESTS COULD NOT RUN: {'; '.join(reasons)}")
