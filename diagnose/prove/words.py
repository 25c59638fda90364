"""Which sentences proving says, and which values each may hold; knowledge/wording/prove.yaml says them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from diagnose.locations import knowledge_folder
from diagnose.wording import Wording, read_wording

_OPENS = (
    "skip",
    "cannot_reach",
    "do_not_know",
    "works_now",
    "not_fitted",
    "kit",
    "helper",
    "before",
    "guard",
    "stage",
    "doubtful",
)
_SORTS = (
    "ground", "to_ground", "switch", "apart", "contact", "joined", "kill", "rating", "posts", "lamp", "live",
    "wakes", "current", "pin", "observe", "drop", "loaded", "standing", "by_meter",
)  # fmt: skip

SENTENCES: Mapping[str, tuple[str, ...]] = {
    "plan": ("checks", "minutes", "first", "first_minutes", "bike"),
    "set_battery_off": (),
    "set_posts": (),
    "set_battery_lamp": ("watts",),
    "set_fuse_lamp": ("fuse", "watts"),
    "set_fuse": ("fuse",),
    "set_pins": ("unit",),
    "set_plug": ("unit",),
    "set_everything": (),
    "stage": ("title", "checks", "minutes"),
    "fuses_out": ("fuses",),
    "fuses_in": ("fuses",),
    "units_out": ("units",),
    "units_in": ("units",),
    "stage_ready": (),
    "read_again_ohms": (),
    "series": ("points",),
    "series_ohms": ("points",),
    "series_left": ("count",),
    "read_again": (),
    "ask_rating": ("fuse",),
    "ask_wakes": ("functions",),
    "ask_lamp": ("part",),
    "ask_pin": ("plus", "minus"),
    "rest": ("positions",),
    "ask_amps_battery": (),
    "ask_amps_fuse": ("fuse",),
    "why_open": ("low",),
    "why_electronics": ("value",),
    "why_cold": ("value", "share"),
    "why_blind": (),
    "why_joined": ("value",),
    "why_ground_gate": ("gate",),
    "why_ground_sound": ("value", "bare"),
    "why_ground_current": ("amps", "demand"),
    "why_ground_blind": (),
    "why_volts": ("value",),
    "why_drop": ("allowed", "value", "amps"),
    "why_amps": ("value",),
    "why_posts": (),
    "why_picture": (),
    "why_wakes": (),
    "why_function": (),
    "why_regulator": (),
    "why_rating": ("rating",),
    "why_pin_free": ("unit",),
    "why_all_on": ("fuse", "amps", "rating", "share"),
    "limit_between": ("low", "high"),
    "limit_at_most": ("high",),
    "limit_at_least": ("low",),
    "limit_exactly": ("value",),
    "limit_words": ("words",),
    "limit_nothing": (),
    "expected": ("value", "limit"),
    "passed": ("check",),
    "failed": ("check", "reading", "limit"),
    **{f"open_{why}": () for why in _OPENS},
    **{f"sort_{sort}": ("about",) for sort in _SORTS},
    "job_begins": (),
    "repeats": ("count",),
    "mend_rating": ("fuse", "limit"),
    "mend_posts": (),
    "ask_left": ("check",),
    "left_again": (),
    "left_leave": (),
    "closed_proved": ("checks", "minutes"),
    "closed_open": ("passed", "open", "minutes"),
    "closed_stopped": ("failed", "passed", "open", "minutes"),
    "closed_paused": ("left",),
    "in_list": ("check", "result", "reading"),
    "to_come": ("count", "minutes"),
    "sheet_title": ("bike",),
    "sheet_by": ("by", "when"),
    "sheet_counts": ("passed", "failed", "open"),
    "sheet_stands": (),
    "sheet_open": (),
    "sheet_notes": (),
    "sheet_repairs": (),
    "sheet_repair": ("check", "repair"),
    "sheet_none": (),
    **{f"phase_{n}": () for n in range(1, 5)},
    **{f"head_{name}": () for name in ("check", "limit", "why", "reading", "result")},
    **{f"result_{r}": () for r in ("pass", "fail", "open", "to_do")},
}


def read_prove_wording(path: str | Path | None = None) -> Wording:
    """The sentences of proving; raises KnowledgeError with every problem, as the wording of jobs does."""
    found = Path(path) if path else knowledge_folder() / "wording" / "prove.yaml"
    return read_wording(found, SENTENCES, {})
