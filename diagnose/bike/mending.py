"""Every repair of every part of a bike, with the faults it cures, from the kinds of part.

Third arrow of the flow, words and lists only; solves nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

from diagnose.bike.build import Build
from diagnose.bike.model import Fault, Repair


def _told(built: Build, text: str) -> str:
    """A repair's text for this bike: `{ground}` and `{ground_post}` are the post at the frame."""
    post = f"{built.spec.ground} post" if built.spec.has_battery else ""
    long = f"{post} of the battery" if post else "engine"
    return text.replace("{ground_post}", long).replace("{ground}", post or "engine")


def repairs(built: Build, faults: Sequence[Fault]) -> dict[str, Repair]:
    """Every repair of every part, by id `component.repair`, with the faults it cures."""
    cured: dict[str, list[str]] = {}
    for fault in faults:
        for repair in fault.repairs:
            cured.setdefault(repair, []).append(fault.id)
    out: dict[str, Repair] = {}
    for part in built.spec.parts.values():
        for r in built.spec.kinds[part.kind].repairs:
            repair_id = f"{part.id}.{r.id}"
            if repair_id not in cured:
                continue
            out[repair_id] = Repair(
                repair_id,
                part.id,
                r.title,
                r.sort,
                r.minutes.number,
                r.price.number,
                part.place,
                _told(built, r.text),
                r.get_home,
                r.returnable,
                r.tool,
                tuple(cured[repair_id]),
            )
    return out
