"""`diagnose differs`: say, list and take back what differs on the user's own bike, outside a job.

The same words and the same file as inside one. What a difference does to a sound bike is solved before it is
kept, so that nothing is kept that the next job would stumble over.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.differences import Difference, as_entry, names_of, read_words, split_words
from diagnose.catalogue.model import Library
from diagnose.differing import lay_over, still_fits
from diagnose.errors import UsageError
from diagnose.journal import PROTOCOL, now
from diagnose.kept import Kept, differs_file, kept_differences, read_kept, write_kept
from diagnose.locations import knowledge_folder
from diagnose.means import read_library
from diagnose.wording import read_wording

ALL = "all"


def change(options: argparse.Namespace) -> dict[str, Any]:
    """Do what was asked and tell what differs now: `bike`, `file`, `differs[]`, `lost[]`, and what of it does
    not fit the bike any more.

    raises  UsageError for what is not understood or cannot be on this bike
    """
    library = read_library(options.knowledge)
    spec = compose_bike(library, options.bike)
    file = differs_file(spec.id, options.folder)
    kept = list(read_kept(file))
    if options.undo is not None:
        kept = _taken_back(kept, options.undo)
        write_kept(file, kept)
    lost: tuple[str, ...] = ()
    trouble = ""
    if options.words:
        folder = Path(options.knowledge) if options.knowledge else knowledge_folder()
        colours = read_wording(folder / "wording" / "en.yaml").words["colours"]
        new = _said(" ".join(options.words), library, options.bike, kept, colours)
        kept = [k for k in kept if (k.difference.key, k.difference.what) != (new.key, new.what)]
        kept.append(Kept(new, now()))
        _, lost = lay_over(library, options.bike, [k.difference for k in kept])
        write_kept(file, kept)
    elif kept:
        try:
            _, lost = lay_over(library, options.bike, [k.difference for k in kept])
        except UsageError as err:  # the bike has changed since: it can still be listed and taken back
            trouble = str(err)
    titles = names_of(spec).components
    rows = [
        {
            "number": n,
            **as_entry(k.difference),
            "said": k.said,
            "title": titles.get(k.difference.what, k.difference.what.replace("_", " ")),
        }
        for n, k in enumerate(kept, 1)
    ]
    head = {"protocol": PROTOCOL, "bike": spec.id, "file": str(file), "trouble": trouble}
    return head | {"differs": rows, "lost": list(lost)}


def _said(
    line: str, library: Library, bike: str, kept: Sequence[Kept], colours: Mapping[str, Sequence[str]]
) -> Difference:
    said = split_words(line)
    if said is None:
        raise UsageError(
            f"{line!r} is not understood; expected not fitted PART, bypassed PART, spliced WIRE, "
            "colour WIRE COLOUR, place PART PLACE or added NAME WATTS at POINT"
        )
    now_so, _ = lay_over(library, bike, [k.difference for k in kept])
    return read_words(*said, names_of(now_so), colours)


def _taken_back(kept: Sequence[Kept], which: str) -> list[Kept]:
    if which == ALL:
        return []
    if not (which.isascii() and which.isdigit() and 1 <= int(which) <= len(kept)):
        raise UsageError(f"--undo={which} is none of {len(kept)}; expected a number of the list, or {ALL}")
    return [k for n, k in enumerate(kept, 1) if n != int(which)]


def laid(library: Library, bike: str, as_drawn: bool = False) -> tuple[Any, tuple[Difference, ...]]:
    """(composed bike, what differs) as the user's folder has it; as_drawn: without any of it."""
    spec = compose_bike(library, bike)
    differences = () if as_drawn else kept_differences(differs_file(spec.id))
    if not differences:
        return spec, ()
    try:
        return lay_over(library, bike, differences)[0], differences
    except UsageError as err:
        raise still_fits(err, bike) from err


def differences_text(data: Mapping[str, Any]) -> str:
    """What differs as lines to read."""
    lines = [f"{data['bike']}: {'as drawn' if not data['differs'] else 'differs from what is drawn'}"]
    lines += [f"  {row['number']}  {entry_text(row)}" for row in data["differs"]]
    if data["trouble"]:
        lines.append(data["trouble"])
    if data["lost"]:
        lines.append(f"so it has none of these: {', '.join(data['lost'])}")
    return "\n".join(lines)


def entry_text(row: Mapping[str, Any]) -> str:
    """One entry as half a line: 'not fitted: horn', 'colour: key feed is RD/WH'."""
    key = next(k for k in row if k not in ("number", "title", "said", "is"))
    if key == "added":
        return "added in the bike's own file"
    what = row.get("title") or str(row[key]).replace("_", " ")
    said = key.replace("_", " ")
    return f"{said}: {what} is {row['is']}" if row.get("is") else f"{said}: {what}"
