"""The shipped single against ngspice, an independent simulator, in a child process.

A seeded sample of faults, conditions and measurements: the reading of `predictions` against ngspice on the
deck that is written for it (limit 5 mV or 0.5 %), and the settled states: relays, fuses and outputs are
decided again here from ngspice's volts, from the deck's own `* @state` lines, until nothing changes.
"""

from __future__ import annotations

import math
import random
import re
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pytest
from oracles import SpiceFailed, spice_operating_point
from shipped import bike_with, opened, shown, world

from diagnose.bike.currents import as_condition
from diagnose.bike.model import JobState, Measurement
from diagnose.circuit.spice import deck
from diagnose.decks import deck_for, measurement_deck

pytestmark = pytest.mark.oracle

SEED = 20261125
READINGS, STATES, SHORTS = 150, 130, 12
NUMERIC = ("volts", "drop", "lowest_volts", "worked_volts", "ac_volts", "ohms", "diode", "amps", "clamp")
OVER = {"ohms": 5e6, "diode": 2.5}  # from here on the display shows OL
STEP = {"ohms": 0.1}  # last digit of a display, where it is coarser than the limit
JOBS = 2


def parts():
    """What a deck is written from: the bike as a circuit, sound in use, and the instruments."""
    w = world()
    return w.built, w.service, w.library.instruments


def children(work, items):
    """Results in order; ngspice runs in child processes, two at a time."""
    with ThreadPoolExecutor(JOBS) as pool:
        return list(pool.map(work, items))


# ---- readings --------------------------------------------------------------------------------------


def said(deck_text: str, found: Mapping[str, float]) -> float:
    """The quantity of the deck's @reading line, worked out by hand: terms, signs, one divisor."""
    line = re.search(r"^\* @reading (?:volts|ohms|amps) (.+)$", deck_text, re.M)
    assert line is not None, "the deck has no @reading line"
    text, divisor = line[1], 1.0
    if "/" in text:
        text, _, by = text.rpartition("/")
        divisor = float(by)
    total = 0.0
    terms = re.findall(r"([+-]?)([vi])\((\w+)\)", text)
    assert terms, text
    for sign, what, name in terms:
        value = found[name] if what == "v" else found[f"{name}#branch"]
        total += -value if sign == "-" else value
    return total / divisor


def sampled(rng: random.Random, count: int) -> list[tuple[int, Measurement]]:
    """(candidate, measurement), every kind with numbers among them, few conditions each solved once."""
    w = world()
    numeric = [m for m in w.measurements.values() if m.kind in NUMERIC]
    by_kind = {k: [m for m in numeric if m.kind == k] for k in NUMERIC}
    assert all(by_kind.values()), "a kind of measurement is missing"
    faulty = [i for i, c in enumerate(w.candidates) if c.is_fault]
    # a kind first, or ohms would fill the sample; a condition is solved for all candidates at once
    weights = {"volts": 5, "drop": 4, "ohms": 5, "ac_volts": 2, "amps": 2, "clamp": 2}
    weights |= {"diode": 1, "lowest_volts": 1}
    kinds = rng.choices(list(weights), list(weights.values()), k=count)
    kept = {k: rng.sample(group, min(24, len(group))) for k, group in by_kind.items()}
    return [(w.no_fault if rng.random() < 0.05 else rng.choice(faulty), rng.choice(kept[k])) for k in kinds]


def test_readings_agree_with_ngspice_within_5_mv_or_half_a_per_cent() -> None:
    rng = random.Random(SEED)
    print(f"seed {SEED}")
    w = world()
    chosen = sampled(rng, READINGS)
    decks = [measurement_deck(w.predictor, i, JobState(), m, m.id) for i, m in chosen]

    def solve(text: str) -> float | None:
        try:
            return said(text, spice_operating_point(text))
        except SpiceFailed:
            return None

    failed, worst, compared = [], 0.0, 0
    wrong, restless = [], []
    for (i, m), theirs in zip(chosen, children(solve, decks), strict=True):
        what = f"{w.candidates[i].id} {m.id}"
        if theirs is None:
            failed.append(what)
            continue
        passive = m.kind in ("ac_volts", "ohms", "diode")
        if not passive and w.predictor.solution(JobState(), m.condition).restless[i]:
            restless.append(what)  # a meter shows the mean of what buzzes; a deck is one phase of it
            continue
        column = w.predictor.columns(JobState(), [m])[m.id]
        assert column.value is not None
        ours = float(column.value[i])
        if m.kind in ("ac_volts", "amps", "clamp"):
            theirs = abs(theirs)
        compared += 1
        if math.isinf(ours):
            # an edge of its own: OL on both sides, or within half a per cent of it
            if theirs < OVER[m.kind] * 0.995:
                wrong.append(f"{what}: OL, ngspice {theirs:g}")
            continue
        step = max(STEP.get(m.kind, 0.0), 10 ** math.floor(math.log10(max(abs(theirs), 0.1)) - 2))
        limit = max(0.005, 0.005 * abs(theirs)) + (step / 2 if m.kind == "ohms" else 0.0)
        worst = max(worst, abs(ours - theirs) / limit)
        if abs(ours - theirs) > limit:
            wrong.append(f"{what}: {ours:g}, ngspice {theirs:g}")
    print(f"{compared} compared, {len(failed)} not solved by ngspice: {failed}")
    print(f"restless, not compared: {restless}; worst {worst:.2f} of the limit")
    assert not wrong, wrong
    assert compared >= 120 and len(failed) <= 0.01 * READINGS and len(restless) <= 0.05 * READINGS
    assert len({w.candidates[i].id for i, _ in chosen}) >= 100


def test_a_wire_to_the_ground_side_of_a_load_reads_as_ngspice_has_it() -> None:
    w = world()
    points = sorted({m.plus for m in w.measurements.values() if m.kind == "jumper"})[:6]
    faults = [
        w.no_fault,
        *(i for i, c in enumerate(w.candidates) if c.id.startswith(("front_ground.", "seat_ground."))),
    ]
    compared = 0
    for point in points:
        m = w.parse(f"drop:{point}:battery.minus@grounded={point},key=run")
        column = w.predictor.columns(JobState(), [m])[m.id]
        assert column.value is not None
        for i in faults[:5]:
            text = measurement_deck(w.predictor, i, JobState(), m, m.id)
            assert abs(float(column.value[i]) - said(text, spice_operating_point(text))) < 0.005, (m.id, i)
            compared += 1
    assert compared >= 15


# ---- settling --------------------------------------------------------------------------------------


@dataclass
class Switch:
    """A device of a deck: what it looks at, the resistors it puts in, and the state it stands in.

    contacts  (plus, minus, ohms) in circuit while `made`
    """

    law: str
    id: str
    value: dict[str, float]
    at: tuple[str, ...]
    contacts: list[tuple[str, str, float]]
    inputs: tuple[str, ...] = ()
    supply: tuple[str, ...] = ()
    word: str = ""

    @property
    def made(self) -> bool:
        return self.word in ("closed", "pulled", "on")


def read_switches(text: str) -> list[Switch]:
    """Fuses, relays and outputs of the `* @state` lines."""
    out = []
    for line in re.findall(r"^\* @state (.+)$", text, re.M):
        law, name, *rest = line.split(" ")
        if law not in ("fuse", "relay", "output"):
            continue
        fields = dict(x.split("=", 1) for x in rest if "=" in x)
        ends = [tuple(p.split(",")) for p in fields["at"].split(";")]
        made = fields.get("no", "") if law == "relay" else fields["at"]
        contacts = [(a, b, float(r)) for a, b, r in (p.split(",") for p in made.split(";") if p)]
        numbers = {k: float(v) for k, v in fields.items() if re.fullmatch(r"[-+0-9.e]+", v)}
        out.append(
            Switch(
                law,
                name,
                numbers,
                ends[0][:2],
                contacts,
                tuple(x for x in fields.get("inputs", "").split(",") if x),
                tuple(x for x in fields.get("supply", "").split(",") if x),
                rest[-1],
            )
        )
    return out


def without_contacts(text: str, switches: list[Switch]) -> tuple[list[str], dict[str, bool]]:
    """The deck's lines without the switches' own resistors; switch id -> its resistor was there."""
    lines = text.splitlines()
    there: dict[str, bool] = {}
    for s in switches:
        for plus, minus, ohms in s.contacts:
            own = [
                k
                for k, x in enumerate(lines)
                if re.match(rf"R\d+ {plus} {minus} ", x)
                and float(x.split(" ")[3]) == pytest.approx(ohms, rel=1e-4)
            ]
            # a parallel joint of the same ohms would be some other part: the names behind `;` tell them apart
            own = [k for k in own if lines[k].partition("; ")[2].partition(".")[0] == s.id.partition(".")[0]]
            there[s.id] = bool(own)
            for k in reversed(own[:1]):
                del lines[k]
    return lines, there


def coil_volts(s: Switch, volts: Mapping[str, float]) -> float:
    return abs(volts.get(s.at[0], 0.0) - volts.get(s.at[1], 0.0))


def decide(s: Switch, volts: Mapping[str, float]) -> tuple[str, float]:
    """(state word the device goes to at these volts, how far its current is over its limit)."""
    volts = {**volts, "0": 0.0}
    if s.law == "relay":
        v = coil_volts(s, volts)
        if v >= s.value["operate"]:
            return "pulled", 0.0
        return ("dropped" if v <= s.value["release"] else s.word), 0.0
    amps = 0.0
    if s.made:
        plus, minus, ohms = s.contacts[0]
        amps = abs(volts[plus] - volts[minus]) / ohms
    if s.law == "fuse":
        return s.word, amps / (s.value["rating"] * s.value["opens_at"])
    if s.word == "latched":
        return "latched", 0.0
    plus, minus = (volts[x] for x in s.supply)
    low = all(volts[x] - minus < s.value["input_low"] for x in s.inputs)
    return ("on" if plus - minus >= s.value["minimum"] and low else "off"), amps / s.value["limit"]


def settle(text: str, begin: Mapping[str, str]) -> tuple[dict[str, str], int]:
    """Let the switches of a deck move until nothing changes, every round solved by ngspice.

    begin   device id -> state word to begin with, for every switch
    returns their last words, rounds
    raises  SpiceFailed; AssertionError if 25 rounds are not enough
    """
    switches = read_switches(text)
    bare, _ = without_contacts(text, switches)
    for s in switches:
        s.word = begin[s.id]
    past: list[tuple[tuple[str, ...], dict[str, float]]] = []
    for rounds in range(25):
        lines = list(bare)
        for s in switches:
            name = s.id.replace(".", "_")
            if s.made:
                lines[1:1] = [f"Rown{k}{name} {a} {b} {r!r}" for k, (a, b, r) in enumerate(s.contacts)]
        volts = spice_operating_point("\n".join(lines))
        moves = {s.id: decide(s, volts) for s in switches}
        ratio = {k: r for k, (_, r) in moves.items()}
        past.append((tuple(s.word for s in switches), ratio))
        new = tuple(moves[s.id][0] for s in switches)
        seen = [k for k, (words, _) in enumerate(past) if words == new]
        if new != past[-1][0] and not seen:
            for s, word in zip(switches, new, strict=True):
                s.word = word
            continue
        if new != past[-1][0]:
            # it buzzes: what is slow feels the mean of the loop
            turns = [r for _, r in past[seen[-1] :]]
            ratio = {k: sum(r[k] for r in turns) / len(turns) for k in ratio}
        over = [s for s in switches if ratio[s.id] > 1.0 and s.word not in ("opened", "latched")]
        if not over and new == past[-1][0]:
            return {s.id: s.word for s in switches}, rounds + 1
        if not over:
            raise AssertionError("the circuit does not come to rest")
        outputs = [s for s in over if s.law == "output"]
        for s in outputs:
            s.word = "latched"
        if not outputs:
            max(over, key=lambda s: ratio[s.id]).word = "opened"
        past.clear()
    raise AssertionError("the circuit does not come to rest")


START = {"fuse": "closed", "relay": "dropped", "output": "off"}


def beginning(text: str, known: Mapping[str, int]) -> dict[str, str]:
    """At rest, but for fuses that were found open and outputs found latched."""
    out = {}
    for s in read_switches(text):
        found = known.get(s.id, 0)
        out[s.id] = ("opened" if s.law == "fuse" else "latched") if found else START[s.law]
    return out


def test_relays_fuses_and_outputs_stand_where_ngspices_volts_put_them() -> None:
    """From rest, and from where the deck says they stand: the same states, found by the loop above."""
    rng = random.Random(SEED + 1)
    print(f"seed {SEED + 1}")
    w = world()
    conditions = [c for c in w.service.conditions if c.controls and c.engine in ("off", "5000")]
    assert len(conditions) >= 12
    faulty = [i for i, c in enumerate(w.candidates) if c.is_fault and c.faults[0].edits]
    cases = []
    for _ in range(STATES):
        i, condition = rng.choice(faulty), rng.choice(conditions)
        solution = w.predictor.solution(JobState(), condition)
        known = dict(w.predictor.case(JobState(), condition, "dc", i).states)
        text = deck(solution, i)
        cases.append((f"{w.candidates[i].id} @{condition.text}", text, known, bool(solution.restless[i])))

    def solve(case):
        _, text, known, _ = case
        stand = {s.id: s.word for s in read_switches(text)}
        try:
            return stand, settle(text, stand)[0], settle(text, beginning(text, known))[0]
        except (SpiceFailed, AssertionError) as err:
            return stand, str(err)[:100], None

    failed, restless, wrong, moved, compared = [], [], [], 0, 0
    for case, (stand, same, own) in zip(cases, children(solve, cases), strict=True):
        if case[3]:
            restless.append(case[0])
            continue
        if own is None:
            failed.append((case[0], same))
            continue
        compared += 1
        moved += sum(word in ("pulled", "on", "opened", "latched") for word in own.values())
        for label, found in (("stay", same), ("come", own)):
            different = {k: (stand[k], found[k]) for k in stand if stand[k] != found[k]}
            if different:
                wrong.append(f"{case[0]}: {label} {different}")
    print(f"{compared} settled alike, {moved} devices moved, restless: {restless}, failed: {failed}")
    assert not wrong, wrong
    assert compared >= 120 - len(restless) and len(failed) <= 0.01 * STATES
    assert moved > compared  # more than one device in each: the loop had something to decide


def test_shorts_blow_the_fuse_that_ngspice_says_from_a_fresh_start() -> None:
    """Nothing found open beforehand: the loop above opens fuses and latches outputs by itself."""
    w = world()
    rng = random.Random(SEED + 2)
    shorts = [
        f.id for f in w.faults if f.value.endswith("20mohm") and "kill" not in f.id and "coil" not in f.id
    ]
    seen_open = seen_latched = 0
    wrong = []
    on = [c.text for c in w.service.conditions if ("key", "run") in c.controls]
    # and some behind each output, so that outputs come to their limit before a fuse does
    behind = [
        ("high_wire.chafed=20mohm", "key=run,lights=high"),
        ("headlamp.both_shorted=20mohm", "key=run"),
        ("right_rear_wire.chafed=20mohm", "indicator=right,key=run"),
    ]
    cases = [(f, rng.choice(on)) for f in rng.sample(shorts, SHORTS)] + behind
    for fault, text in cases:
        condition = as_condition(w.built, text)
        s = bike_with((fault,), found=False)
        text = deck(s.predictor.solution(s.job, condition), s.index)
        stand = {x.id: x.word for x in read_switches(text)}
        own, _ = settle(text, beginning(text, {}))
        seen_open += "opened" in own.values()
        seen_latched += "latched" in own.values()
        if own != stand:
            wrong.append((fault, condition.text, {k: (stand[k], own[k]) for k in own if own[k] != stand[k]}))
    print(f"{len(cases)} shorts, {seen_open} with a fuse opened, {seen_latched} with an output latched")
    assert not wrong, wrong
    assert seen_open >= 3 and seen_latched >= 3


# ---- the command's deck ----------------------------------------------------------------------------


def deck_of(*asked) -> str:
    """The deck that the command writes."""
    return deck_for(world().built, world().service, opened().library.instruments, *asked)


def test_the_decks_point_volts_are_those_of_expect() -> None:
    """Without an instrument; the leakage of 100 Mohm is in the deck, so floating points agree too."""
    compared = 0
    for fault in ("front_ground.off", "acc_front.broken", "rear_ground.poor=1ohm"):
        text = deck_for(*parts(), [fault], ["key=run"])
        found = {**spice_operating_point(text), "0": 0.0}
        names = {name: spice for spice, name in re.findall(r"^\* @node (n\d+|0) (.+)$", text, re.M)}
        nodes = world().spec.nodes
        for point in shown("key=run", fault)["points"]:
            theirs = found[names[nodes[point["point"]]]] if nodes[point["point"]] in names else 0.0
            limit = max(0.005, 0.005 * abs(theirs))
            assert abs(point["volts"] - theirs) <= limit, (fault, point, theirs)
            compared += 1
    assert compared > 500


def test_no_element_of_a_deck_is_an_extreme() -> None:
    """Joints of 0.1 mohm and more, opens of 10 Mohm and more left out, but for the leaks and the meter."""
    text = deck_for(*parts(), ["low_wire.broken"], ["key=run"], "volts:headlamp.low:battery.minus@key=run")
    ohms = {x.split(" ")[0]: float(x.split(" ")[3]) for x in text.splitlines() if x.startswith("R")}
    assert len(ohms) > 80
    assert ohms.pop("Rmeter") == opened().library.instruments["volts"].values["resistance"].number == 1e7
    leaks = {k: v for k, v in ohms.items() if k.startswith("Rleak")}
    assert leaks and set(leaks.values()) == {1e8}
    others = np.array([v for k, v in ohms.items() if k not in leaks])
    assert others.min() >= 1e-4 and others.max() < 1e7
