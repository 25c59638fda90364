"""A drawing in characters: one part a line or runs of parts, branches set in, never wider than asked.

Writes the plan; knows no circuit. Nothing hangs on colour, and every character is ASCII but for what the
bike's own titles hold.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator

from diagnose.draw.plan import LEAST_SHARE, Branch, Drawing, Item

NARROWEST = 30  # columns; below it nothing could be read
JOIN = " - "


def as_text(drawing: Drawing, columns: int, colours: Callable[[str], str], *, runs: bool = False) -> str:
    """The drawing as lines of at most `columns` characters.

    colours  letters of a wire -> words
    runs     parts in series on one line, for a whole loom; else one part a line
    """
    writer = _Writer(max(columns, NARROWEST), colours, runs)
    lines = [*writer.plain(drawing.title), *writer.plain(drawing.subtitle)]
    waiting = [(root, tree) for root, tree in drawing.trees]
    for root, tree in waiting:
        lines += ["", *writer.plain(root), *writer.branch(tree, "")]
        while writer.cut:
            number, cut = writer.cut.pop(0)
            lines += ["", *writer.plain(f"from [{number}] on"), *writer.branch(cut, "")]
    if drawing.apart:
        lines += ["", *writer.plain(f"In no circuit of this drawing: {', '.join(drawing.apart)}.")]
    return "\n".join(line.rstrip() for line in lines).strip("\n")


class _Writer:
    def __init__(self, columns: int, colours: Callable[[str], str], runs: bool):
        self.columns, self.colours, self.runs = columns, colours, runs
        self.deepest = columns // 3  # columns of set-in from which a branch goes on further down
        self.cut: list[tuple[str, Branch]] = []
        self.cuts = 0

    def plain(self, text: str) -> list[str]:
        return textwrap.wrap(text, self.columns, break_long_words=True) if text else []

    def branch(self, branch: Branch, margin: str) -> Iterator[str]:
        """Lines of a branch; margin: what stands before each of them."""
        said = [self.item(i) for i in branch.items]
        tail = ""
        if branch.end == "ground":
            tail = f"=> ground: {branch.where}"
        elif branch.end == "joint":
            tail = f"=> joint ({branch.where})"
        if self.runs:
            run = JOIN.join(said)
            yield from self.wrapped(f"{run} {tail}".strip(), margin)
        else:
            for line in (*said, *((tail,) if tail else ())):
                yield from self.wrapped(line, margin)
        if branch.joint:
            yield from self.wrapped(f"joint ({branch.joint})", margin)
        ways = branch.branches
        for n, way in enumerate(ways):
            last = n == len(ways) - 1
            if len(ways) == 1:
                yield from self.branch(way, margin)
            elif len(margin) + 2 > self.deepest and way.size > 2:
                self.cuts += 1
                name = _letters(self.cuts)
                self.cut.append((name, way))
                after = margin + ("  " if last else "| ")
                yield from self.wrapped(f"=> goes on at [{name}]", margin + "+ ", after)
            else:
                first = True
                for line in self.branch(way, margin + ("  " if last else "| ")):
                    yield margin + "+ " + line[len(margin) + 2 :] if first else line
                    first = False

    def item(self, item: Item) -> str:
        title = f"{item.title}, {item.by}" if item.by else item.title
        notes = [self.colours(item.colour)] if item.colour else []
        notes += ["open"] if item.is_open else []
        notes += [f"suspect, {item.share:.0%}"] if item.share >= LEAST_SHARE else []
        return f"{title} ({'; '.join(notes)})" if notes else title

    def wrapped(self, text: str, margin: str, after: str = "") -> list[str]:
        if not text:
            return []
        return textwrap.wrap(
            text, self.columns, initial_indent=margin, subsequent_indent=(after or margin) + "  ",
            break_long_words=True,
        )  # fmt: skip


def _letters(number: int) -> str:
    """1 -> A, 26 -> Z, 27 -> AA."""
    out = ""
    while number:
        number, rest = divmod(number - 1, 26)
        out = chr(65 + rest) + out
    return out
