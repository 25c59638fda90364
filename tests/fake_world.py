# ruff: noqa: E501 (tables are easier to check on one line)
"""A World small enough to check by hand: battery, fuse, one lamp with its ground, one horn.

Numbers are Ohm's law done by hand for a 12.6 V battery (0.05 ohm), fuse 0.02, feed 0.10, lamp 6.0,
ground 0.05 ohm, so that conversations can be tested without any circuit solver:
healthy current 12.6 / 6.22 = 2.026 A, and so on for each fault, see READINGS.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from diagnose.bike.model import (
    BikeView,
    Candidate,
    Condition,
    Fault,
    FunctionView,
    JobState,
    Measurement,
    PointView,
    Repair,
)
from diagnose.catalogue.differences import Difference
from diagnose.conversation.step import step
from diagnose.conversation.world import SingleFaults
from diagnose.errors import UsageError, unknown
from diagnose.predictions.outcomes import planning_outcomes
from diagnose.predictions.table import Column, Table
from diagnose.rules.base import RuleBase, load_rules
from diagnose.wording import Wording, read_wording

KNOWLEDGE = Path(__file__).resolve().parent.parent / "knowledge"
OL = float("inf")
ON = Condition((("key", "run"),))
HORN = Condition((("horn", "pressed"), ("key", "run")))
APART = Condition(apart=("lamp_plug",), battery=False)
MINUS = "battery.minus"

# fault id, component, mode, value, title, prior, repair, word, place
FAULTS = (
    ("battery.flat", "battery", "flat", "", "battery discharged", 0.10, "battery.charge", "battery", "seat"),
    ("horn.seized", "horn", "seized", "", "horn seized", 0.05, "horn.renew", "horn", "frame_front"),
    ("lamp.open", "lamp", "open", "", "filament broken", 0.20, "lamp.renew", "lamp", "headlamp"),
    ("lamp_feed.open", "lamp_feed", "open", "", "wire broken", 0.10, "lamp_feed.renew", "wire", "frame_front"),
    (
        "lamp_ground.open", "lamp_ground", "open", "", "ground joint off",
        0.10, "lamp_ground.clean", "ground", "headlamp",
    ),
    (
        "lamp_ground.resistance=3ohm", "lamp_ground", "resistance", "3ohm", "ground joint corroded",
        0.20, "lamp_ground.clean", "ground", "headlamp",
    ),
    ("main_fuse.blown", "main_fuse", "blown", "", "fuse blown", 0.15, "main_fuse.renew", "fuse", "seat"),
    ("headlamp.aim", "headlamp", "aim", "", "lit, but aimed too low", 0.02, "headlamp.set_aim", "body", "headlamp"),
)  # fmt: skip
CANDIDATES = ("no_fault", *(f[0] for f in FAULTS), "unmodelled")

VOLTS_REST = f"volts:battery.plus:{MINUS}@"
VOLTS_POST = f"volts:battery.plus:{MINUS}@key=run"
VOLTS_FUSE = f"volts:main_fuse.out:{MINUS}@key=run"
VOLTS_FEED = f"volts:lamp.feed:{MINUS}@key=run"
DROP_GROUND = f"drop:lamp.ground:{MINUS}@key=run"
VOLTS_LAMP = "volts:lamp.feed:lamp.ground@key=run"
OHMS_LAMP = "ohms:lamp.feed:lamp.ground@apart=lamp_plug,battery=off"
LAMP_FEED = f"lamp:lamp.feed:{MINUS}@key=run"
SEE_LAMP = "observe:headlight@key=run"
HEAR_HORN = "observe:horn_sound@horn=pressed,key=run"
LOOK_FUSE = "inspect:main_fuse@"
LOOK_GROUND = "inspect:lamp_ground@"
VOLTS_IDLE = f"volts:battery.plus:{MINUS}@engine=idle"

#                 no_fault flat  horn  l.open feed  g.open g.3ohm fuse  aim
READINGS: Mapping[str, tuple[float, ...]] = {
    VOLTS_REST:  (12.60, 10.80, 12.60, 12.60, 12.60, 12.60, 12.60, 12.60, 12.60),
    VOLTS_POST:  (12.50, 10.14, 12.50, 12.60, 12.60, 12.60, 12.53, 12.60, 12.50),
    VOLTS_FUSE:  (12.46, 10.11, 12.46, 12.60, 12.60, 12.60, 12.50,  0.00, 12.46),
    VOLTS_FEED:  (12.26,  9.95, 12.26, 12.60,  0.00, 12.60, 12.37,  0.00, 12.26),
    DROP_GROUND: ( 0.10,  0.08,  0.10,  0.00,  0.00, 12.60,  4.17,  0.00,  0.10),
    VOLTS_LAMP:  (12.16,  9.86, 12.16, 12.60,  0.00,  0.00,  8.20,  0.00, 12.16),
    OHMS_LAMP:   ( 0.50,  0.50,  0.50,    OL,  0.50,  0.50,  0.50,  0.50,  0.50),
    VOLTS_IDLE:  (14.10, 13.20, 14.10, 14.10, 14.10, 14.10, 14.10, 14.10, 14.10),
}  # fmt: skip
LIGHT = ("works", "weak", "very_weak", "dead")
SOUND = ("works", "weak", "dead")
LOOK = ("sound", "damaged")
TEST_LAMP = ("bright", "half", "dim", "dark")
# index of the word each candidate shows, in the order of READINGS
WORDS: Mapping[str, tuple[tuple[str, ...], tuple[int, ...]]] = {
    SEE_LAMP:    (LIGHT, (0, 1, 0, 3, 3, 3, 2, 3, 0)),
    HEAR_HORN:   (SOUND, (0, 1, 2, 0, 0, 0, 0, 2, 0)),
    LAMP_FEED:   (TEST_LAMP, (0, 1, 0, 0, 3, 0, 0, 3, 0)),
    LOOK_FUSE:   (LOOK, (0, 0, 0, 0, 0, 0, 0, 1, 0)),
    LOOK_GROUND: (LOOK, (0, 0, 0, 0, 0, 1, 1, 0, 0)),
}  # fmt: skip
# chance that a bike with each candidate draws the complaint
COMPLAINTS: Mapping[str, tuple[float, ...]] = {
    "lamp_dead": (0.01, 0.01, 0.01, 0.90, 0.90, 0.90, 0.05, 0.90, 0.01, 0.05),
    "lamp_dim":  (0.01, 0.60, 0.01, 0.01, 0.01, 0.01, 0.90, 0.01, 0.30, 0.05),
    "horn_dead": (0.01, 0.20, 0.90, 0.01, 0.01, 0.01, 0.01, 0.90, 0.01, 0.05),
    "all_dead":  (0.01, 0.20, 0.01, 0.01, 0.01, 0.01, 0.01, 0.90, 0.01, 0.05),
}  # fmt: skip
SIGMA_VOLTS = 0.08
SIGMA_LN_OHMS = 0.15


def _measurement(mid: str) -> Measurement:
    kind, _, rest = mid.partition(":")
    body, _, condition_text = rest.partition("@")
    condition = {"": Condition(), "key=run": ON, "horn=pressed,key=run": HORN}.get(condition_text)
    if condition_text == "engine=idle":
        condition = Condition(engine="idle")
    if condition is None:
        condition = APART
    plus, _, minus = body.partition(":")
    place = {"battery": "seat", "main_fuse": "seat", "lamp": "headlamp", "lamp_ground": "headlamp"}
    component = plus.partition(".")[0]
    base = Measurement(
        mid, kind, condition, minutes=0.7, setup=f"{kind}|{condition_text}", components=(component,),
        places=(place[component],) if component in place else (),
    )  # fmt: skip
    if kind in ("volts", "drop"):
        return replace(
            base, plus=plus, minus=minus, unit="V", kit="meter", engine_runs=condition.engine == "idle"
        )
    if kind == "ohms":
        return replace(
            base, plus=plus, minus=minus, unit="ohm", kit="meter", minutes=2.0, disturbs=("lamp_plug",)
        )
    if kind == "lamp":
        return replace(base, plus=plus, minus=minus, choices=TEST_LAMP, kit="lamp")
    text = {
        SEE_LAMP: "Is the headlamp lit?",
        HEAR_HORN: "Does the horn sound?",
        LOOK_FUSE: "Pull the main fuse and hold it against the light.",
        LOOK_GROUND: "Tug the ground lead and look for green or white crust.",
    }[mid]
    part = {"headlight": "lamp", "horn_sound": "horn"}.get(plus, plus)
    return replace(
        base, what=plus, components=(part,), choices=WORDS[mid][0], minutes=0.5, text=text, setup=f"eyes|{condition_text}",
        disturbs=("main_fuse",) if mid == LOOK_FUSE else (),
    )  # fmt: skip


MEASUREMENTS = {mid: _measurement(mid) for mid in (*READINGS, *WORDS)}

REPAIRS = {
    r.id: r
    for r in (
        Repair("battery.charge", "battery", "charge the battery", "repair", 15.0, 0.0, "seat",
               "Charge it overnight and let it rest.", cures=("battery.flat",)),
        Repair("horn.renew", "horn", "fit a new horn", "repair", 15.0, 25.0, "frame_front",
               "Same current as the old one.", cures=("horn.seized",)),
        Repair("lamp.renew", "lamp", "fit a new lamp", "repair", 4.0, 6.0, "headlamp",
               "Do not touch the glass.", cures=("lamp.open",)),
        Repair("lamp_feed.renew", "lamp_feed", "lay a new wire beside the broken one", "repair", 20.0, 2.0,
               "frame_front", "Same area, crimped and sealed.", cures=("lamp_feed.open",)),
        Repair("lamp_ground.clean", "lamp_ground", "clean and refit the ground joint", "try", 4.0, 0.0,
               "headlamp", "Bright metal, a little grease, tight.",
               cures=("lamp_ground.open", "lamp_ground.resistance=3ohm")),
        Repair("main_fuse.renew", "main_fuse", "fit a new fuse of the same rating", "try", 1.0, 1.0, "seat",
               "Never a bigger one.", "Swap with the spare in the holder.", cures=("main_fuse.blown",)),
        Repair("headlamp.set_aim", "headlamp", "set the aim of the lamp", "stop", 5.0, 0.0, "headlamp",
               "The electrics are right: set the aim at a wall.", cures=("headlamp.aim",)),
    )
}  # fmt: skip

_POINTS = (
    ("battery.plus", "plus post of the battery", "seat", ""),
    (MINUS, "minus post of the battery", "seat", ""),
    ("main_fuse.out", "main fuse, the end towards the key", "seat", "RD"),
    ("lamp.feed", "feed contact of the headlamp", "headlamp", "BU"),
    ("lamp.ground", "ground contact of the headlamp", "headlamp", "BN"),
)

VIEW = BikeView(
    id="bench_lamp",
    title="bench lamp (invented)",
    text="A battery, a fuse, a lamp and a horn on a bench.",
    points={p[0]: PointView(*p) for p in _POINTS},
    functions={
        "headlight": FunctionView("headlight", "headlamp", "light", ON, LIGHT, "Is the headlamp lit?"),
        "horn_sound": FunctionView("horn_sound", "horn", "sound", HORN, SOUND, "Does the horn sound?"),
    },
    controls={
        "key": ("key switch", {"off": "OFF", "run": "ON"}),
        "horn": ("horn button", {"released": "released", "pressed": "pressed and held"}),
    },
    places={
        "seat": ("under the seat", 1.0, 1.0),
        "headlamp": ("inside the headlamp", 4.0, 4.0),
        "frame_front": ("at the front of the frame", 0.0, 0.0),
    },
    components={
        f[1]: (title, f[7], f[8])
        for f, title in zip(
            FAULTS,
            ("battery", "horn", "headlamp lamp", "lamp feed wire", "headlamp ground", "headlamp ground",
             "main fuse", "headlamp"),
            strict=True,
        )
    },
    complaints={
        "lamp_dead": ("the headlamp is dead", ("no headlight", "headlamp out")),
        "lamp_dim": ("the headlamp is dim", ("weak headlight", "poor light")),
        "horn_dead": ("the horn is dead", ("no horn", "silent horn")),
        "all_dead": ("nothing works at all", ("no electrics", "completely dead")),
    },
    connectors={"lamp_plug": ("headlamp plug", "headlamp")},
    fuses=("main_fuse",),
    home_points=(MINUS,),
    exit_check=(SEE_LAMP, HEAR_HORN),
)  # fmt: skip


class FakeWorld(SingleFaults):
    """The World protocol over the tables above."""

    def __init__(self, missing: tuple[str, ...] = ()):
        self.view = VIEW
        self.missing = missing
        faults = [
            Fault(fid, comp, mode, value, title, (), prior, (repair,), 0.5, place, word)
            for fid, comp, mode, value, title, prior, repair, word, place in FAULTS
        ]
        self.rows = [i for i, c in enumerate(CANDIDATES) if c.partition(".")[0] not in missing]
        pairs = [
            Candidate("no_fault", (), 0.05),
            *(Candidate(f.id, (f,), f.prior) for f in faults),
            Candidate("unmodelled", (), 0.03),
        ]
        self.candidates = tuple(pairs[i] for i in self.rows)
        self.measurements = {k: m for k, m in MEASUREMENTS.items() if not set(m.components) & set(missing)}
        self.repairs = {k: r for k, r in REPAIRS.items() if r.component not in missing}
        weights = np.array([c.prior for c in self.candidates])
        self.prior = weights / weights.sum()
        self.no_fault = 0
        self.unmodelled = len(self.candidates) - 1
        self.latent_sd = np.array([0.15])
        self._columns: dict[tuple[JobState, str], Column] = {}
        self._without: dict[tuple[str, ...], FakeWorld] = {}

    def complaint_likelihood(self, complaints: Sequence[str]) -> np.ndarray:
        rows = [COMPLAINTS[c] for c in complaints]
        product = np.prod(rows, axis=0) if rows else np.ones(len(CANDIDATES))
        return product[self.rows]

    def history_factor(self, facts: Mapping[str, bool]) -> np.ndarray:
        factor = np.ones(len(CANDIDATES))
        if facts.get("wet"):
            factor[[5, 6]] = 3.0
        return factor[self.rows]

    def history_questions(self) -> Sequence[tuple[str, str]]:
        return (
            ("wet", "Was it washed, or ridden in rain, shortly before?"),
            ("stood", "Has it stood for months?"),
        )

    def planned(
        self, complaints: Sequence[str], job: JobState, kit: str = "workshop", *, first: bool = False
    ) -> Sequence[str]:
        return tuple(self.measurements)

    def table(self, job: JobState, measurements: Sequence[str]) -> Table:
        columns = {}
        for mid in measurements:
            if mid not in self.measurements:
                raise UsageError(unknown("measurement", mid, self.measurements))
            if (job, mid) not in self._columns:
                self._columns[job, mid] = self._column(job, mid)
            columns[mid] = self._columns[job, mid]
        return Table(tuple(c.id for c in self.candidates), columns)

    def cures(self, repair: str, done: Sequence[str] = ()) -> np.ndarray:
        cured = self.repairs[repair].cures
        return np.array([float(c.id in cured) for c in self.candidates])

    def verify(self, repair: str, complaints: Sequence[str], chances: np.ndarray | None = None) -> str:
        return HEAR_HORN if "horn_dead" in complaints else SEE_LAMP

    def differing(self, differences: Sequence[Difference]) -> FakeWorld:
        missing = tuple(d.what for d in differences if d.key == "not_fitted")
        if missing not in self._without:
            self._without[missing] = FakeWorld(missing)
        return self._without[missing]

    def _column(self, job: JobState, mid: str) -> Column:
        done = {f for r in job.done if r in REPAIRS for f in REPAIRS[r].cures}
        done |= {f"{fuse}.blown" for fuse in job.renewed}
        rows = [0 if CANDIDATES[i] in done else i for i in self.rows[:-1]]
        m = MEASUREMENTS[mid]
        if mid in WORDS:
            choices, shown = WORDS[mid]
            words = np.full((len(rows) + 1, len(choices)), 0.06 / (len(choices) - 1))
            words[np.arange(len(rows)), [shown[i] for i in rows]] = 0.94
            words[-1] = 1.0 / len(choices)
            column = Column(mid, m.kind, m.unit, choices=choices, words=words)
        else:
            value = np.array([*(READINGS[mid][i] for i in rows), np.nan])
            ohms = m.kind == "ohms"
            shift = np.where(np.abs(value) > 5, 1.0, 0.0)[:, None] if not ohms else None
            column = Column(
                mid, m.kind, m.unit, value, np.full(len(value), SIGMA_LN_OHMS if ohms else SIGMA_VOLTS), shift,
                "log" if ohms else "linear", 0.0 if ohms else -20.0, 1e6 if ohms else 20.0,
            )  # fmt: skip
        return replace(column, outcomes=planning_outcomes(column, latent_sd=self.latent_sd))


def bench() -> tuple[FakeWorld, RuleBase, Wording]:
    """World, shipped rules (with the small matcher) and shipped wording."""
    return FakeWorld(), _rules(), _wording()


@cache
def _rules() -> RuleBase:
    return load_rules([KNOWLEDGE / "rules"], engine="chainer")


@cache
def _wording() -> Wording:
    return read_wording(KNOWLEDGE / "wording" / "en.yaml")


def true_answer(measurement: str, fault: str) -> str:
    """What a rider of a bench with this fault would type: the predicted reading itself."""
    row = CANDIDATES.index(fault)
    if measurement in WORDS:
        words, shown = WORDS[measurement]
        return words[shown[row]]
    value = READINGS[measurement][row]
    return "OL" if value == OL else f"{value} {MEASUREMENTS[measurement].unit}"


KNOWN = {"kit": "meter", "skill": "trade", "history": {}, "switches": True, "others": True, "meter": True}


def play(state, events, fault: str, tools, *, limit: int = 40, said=()):
    """Answer as a bench with one fault would until the job is closed; every event in order comes back.

    said  (question id, answer) pairs that are answered otherwise
    """
    told = list(events)
    repaired = False
    for _ in range(limit):
        asked = state.open
        if state.phase == "closed" or asked is None:
            return state, told
        if asked.id in dict(said):
            message = {"answer": dict(said)[asked.id]}
        elif asked.sort == "advice":
            repaired = fault in REPAIRS[asked.id].cures
            message = {"done": asked.id, "works": "yes" if repaired else "no"}
        elif asked.measurement and asked.sort != "safety":
            message = {"answer": true_answer(asked.measurement, "no_fault" if repaired else fault)}
        else:
            message = {"answer": "yes" if asked.event["kind"] == "confirm" else "none"}
        state, events = step(state, message, *tools)
        told += events
    raise AssertionError(f"{fault}: not closed after {limit} messages; last was {told[-1]}")
