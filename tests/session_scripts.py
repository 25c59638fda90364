"""What the users of the recorded sessions type: three users, two bikes, two complaints a bike.

A line is typed as it stands. `*` is what an honest user of the bike with the hidden fault reports. After
the last line the user goes on honestly until the job is closed. `resume` starts the program again after a
pause, as `diagnose resume last` does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Script:
    """One session. columns: of the screen; fault: hidden; lines: what is typed; known: said at the start."""

    name: str
    columns: int
    bike: str
    fault: str
    lines: tuple[str, ...]
    known: Mapping[str, Any] = field(default_factory=dict)


PHONE, DESK, BENCH = 40, 80, 100  # columns: a beginner without a meter, one with, the trade

# sessions of one kit stand together: their predictions are made once
SCRIPTS = (
    # a complaint and an answer that mean nothing, then why, two answers in one line and what else there is
    Script(
        "single_dash_hands",
        PHONE,
        "custom_single",
        "acc_fuse.blown",
        (
            "it wobbles",
            "the dash is dead",
            "1",
            "1",
            "none",
            "yes",
            "no",
            "banana",
            "*",
            "why",
            "*",
            "works; dead",
            "others",
        ),
    ),
    # something noticed in the middle of a question
    Script(
        "single_dim_hands",
        PHONE,
        "custom_single",
        "front_ground.poor=950mohm",
        (
            "all the lights are dim",
            "nothing",
            "1",
            "none",
            "yes",
            "skip",
            "do not know",
            "see low beam dim",
            "*",
            "undo",
            "*",
            "suspects",
        ),
    ),
    # battery out of reach, an answer taken back and given again, a night in between
    Script(
        "single_dash_meter",
        DESK,
        "custom_single",
        "dash_plug_ground.backed_out",
        (
            "dash dead",
            "multimeter",
            "little",
            "none",
            "yes",
            "skip",
            "cannot reach",
            "works",
            "dead",
            "undo",
            "*",
            "pause",
            "resume",
            "*",
        ),
    ),
    # a wrong reading, doubted, stood by
    Script(
        "single_dim_meter",
        DESK,
        "custom_single",
        "engine_strap.poor=860mohm",
        ("5", "meter", "1", "none", "yes", "no", "127 V", "7 V", "7 V", "figures"),
    ),
    # several things in one line, another step chosen
    Script(
        "single_dash_trade",
        BENCH,
        "custom_single",
        "main_relay.coil_open",
        (
            "dash dead",
            "workshop",
            "trade",
            "none",
            "yes",
            "horn dead, low beam dead, batt 12,6",
            "others",
            "take 3",
            "why",
        ),
    ),
    Script(
        "single_dim_trade",
        BENCH,
        "custom_single",
        "main_fuse.poor_clip=850mohm",
        (
            "lights dim",
            "4",
            "2",
            "skip",
            "yes",
            "skip",
            "?",
            "note began after a wash",
            "*",
            "*",
            "pause",
            "resume",
            "undo",
            "*",
            "others",
        ),
    ),
    Script(
        "twin_headlamp_lamp",
        PHONE,
        "road_twin",
        "lights_fuse.blown",
        ("headlamp", "1", "1", "1", "none", "yes", "skip", "*", "dim", "undo", "*", "skip", "why"),
    ),
    # a meter turns up during the job
    Script(
        "twin_horn_hands",
        PHONE,
        "road_twin",
        "signals_fuse.blown",
        ("horn silent", "eyes", "1", "none", "yes", "skip", "works", "cannot reach", "have meter", "others"),
    ),
    # leads swapped
    Script(
        "twin_headlamp_meter",
        DESK,
        "road_twin",
        "dip_switch.low_open",
        (
            "no headlight",
            "meter",
            "1",
            "none",
            "yes",
            "skip",
            "-12.7 V",
            "12.7 V",
            "*",
            "pause",
            "resume",
            "*",
            "*",
            "*",
            "cannot reach",
            "why",
        ),
    ),
    Script(
        "twin_horn_meter",
        DESK,
        "road_twin",
        "horn_button.does_not_make",
        (
            "list",
            "horn dead",
            "meter",
            "1",
            "none",
            "yes",
            "skip",
            "*",
            "loud",
            "see low beam ok",
            "*",
            "why",
            "*",
            "take 1",
            "cannot reach",
        ),
    ),
    Script(
        "twin_headlamp_trade",
        BENCH,
        "road_twin",
        "headlamp.low_open",
        (
            "headlamp dead",
            "workshop",
            "trade",
            "none",
            "yes",
            "left indicators ok, high beam ok, batt 12,7",
            "others",
            "take 1",
            "*",
            "skip",
        ),
    ),
    Script(
        "twin_horn_trade",
        BENCH,
        "road_twin",
        "horn.breaker_open",
        (
            "horn dead",
            "workshop",
            "trade",
            "none",
            "yes",
            "skip",
            "*",
            "*",
            "undo",
            "undo",
            "*",
            "*",
            "*",
            "0 V",
            "pause",
            "resume",
            "why",
        ),
    ),
)

PICTURE = Script(
    "picture",
    DESK,
    "road_twin",
    "headlamp.low_open",
    ("none", "yes", "high beam ok, horn ok, batt 12,7"),
    {"complaints": ["headlamp_dead"], "kit": "meter", "skill": "beginner"},
)
