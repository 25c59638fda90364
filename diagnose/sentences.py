"""Which sentences the program says, and which values each may hold; their words are in knowledge/wording.

Beside wording. A name with `?` is a value that a template may leave out, any other must appear in it.
"""

from __future__ import annotations

from collections.abc import Mapping

_TWO_POINT = ("volts", "drop", "ohms", "diode", "ac_volts", "lowest_volts", "lamp")
_ONE_THING = ("observe", "inspect", "amps", "count", "swap")
_ENDS = ("nothing_found", "unmodelled", "same_to_us", "switch", "works_now")

SENTENCES: Mapping[str, tuple[str, ...]] = {
    # what things are called
    "suspect_no_fault": (),
    "suspect_unmodelled": (),
    "point_with_colour": ("point", "colour"),
    "battery_plus": (),
    "battery_minus": (),
    "range": ("low", "high"),
    "anything": (),
    "doubtful": (),
    "yes": (),
    "no": (),
    **{f"short_{kind}": ("plus", "?minus") for kind in _TWO_POINT},
    **{f"short_{kind}": ("what",) for kind in _ONE_THING},
    "short_out": ("what",),
    "short_apart": ("what",),
    "short_battery_off": (),
    "short_engine_cranking": (),
    "short_engine_idle": (),
    "short_engine_rpm": ("rpm",),
    # what to do, one action a line
    "open_place": ("place",),
    "put_back_fuse": ("what",),
    "put_back_plug": ("what",),
    "put_back_battery": (),
    "undo_battery": (),
    "pull_fuse": ("what",),
    "unplug": ("what",),
    "set_control": ("control", "position"),
    "all_at_rest": (),
    "engine_cranking": (),
    "engine_idle": (),
    "engine_rpm": ("rpm",),
    "dial": ("setting",),
    "dial_volts": ("range",),
    "dial_drop": ("range",),
    "dial_ohms": ("range",),
    "dial_diode": ("?range",),
    "dial_ac_volts": ("range",),
    "dial_lowest_volts": ("range",),
    "dial_amps": (),
    **{f"do_{kind}": ("plus", "minus") for kind in _TWO_POINT},
    **{f"do_{kind}": ("what",) for kind in _ONE_THING},
    "do_amps_battery": (),
    "do_posts": ("plus", "minus"),
    "points_to": ("reading", "suspects"),
    "prove_meter": (),
    "prove_repair": (),
    "recheck": ("shown",),
    # doubt
    "doubt_note": ("note",),
    "doubt_word": ("said", "expected"),
    "doubt_swapped": ("shown",),
    "doubt_unit": ("shown", "meant"),
    "doubt_zero": ("shown",),
    "doubt_unexplained": ("shown", "?nearest"),
    # intake
    "ask_complaint": (),
    "ask_kit": (),
    "ask_skill": (),
    "ask_history": (),
    "ask_switches": ("switches",),
    "ask_others": ("functions",),
    **{f"kit_{kit}": () for kit in ("hands", "lamp", "meter", "workshop")},
    **{f"skill_{skill}": () for skill in ("beginner", "trade")},
    "history_none": (),
    "switches_yes": (),
    "switches_no": (),
    # advice and ends
    "advise_try": ("part", "repair", "suspects", "sure", "minutes"),
    "advise_repair": ("part", "repair", "suspects", "sure", "minutes"),
    "advise_stop": ("part", "repair", "suspects", "sure", "?minutes"),
    **{f"stop_{end}_title": () for end in _ENDS},
    "stop_nothing_found": (),
    "stop_unmodelled": ("?odd",),
    "stop_same_to_us": ("suspects", "?further"),
    "stop_switch": (),
    "stop_works_now": (),
    "odd_readings": ("readings",),
    "would_tell": ("measurements",),
    # proof
    "ask_exit_check": ("functions",),
    "exit_yes": (),
    "exit_no": (),
    "ask_exit_which": (),
    "exit_skipped": (),
    "hand_over": ("repairs",),
    "close_places": ("places",),
    # why
    "why_suspect": ("suspect", "sure", "?percent", "?pro", "?contra"),
    "why_for": ("readings",),
    "why_against": ("readings",),
    "why_decides": ("decides",),
    "other": ("measurement", "minutes", "tells"),
    # turns of the job
    "ask_reproduce": ("?touched",),
    "touched_last": ("what",),
    "reproduce_yes": (),
    "reproduce_no": (),
    "needs_kit": ("kit",),
    "needs_helper": (),
    "needs_engine": (),
}

# list of words -> whether one way of saying may belong to one word only
WORD_LISTS: Mapping[str, bool] = {
    "joining": False,
    "colours": False,
    "sureness": False,
    "telling": False,
    "answers": False,
    "states": False,
    "special": True,
    "functions": False,
}
