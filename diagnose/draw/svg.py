"""A drawing as SVG: trees from left to right on a grid, one cell a part, so that no two labels can meet.

Writes the plan with xml.etree, which keeps whatever a bike's titles hold as text. Wires carry their colours
as strokes and as letters; nothing hangs on colour alone.
"""

from __future__ import annotations

import re
import textwrap
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from diagnose.draw.plan import LEAST_SHARE, Branch, Drawing, Item, items_of
from diagnose.draw.symbols import HALF, WORDS, Shape, colours_of, ground, symbol

CELL, ROW = 112, 80  # px, one part and one line of parts
FONT = 10  # px
CHARACTER = 6.4  # px; width of a character of that size, taken wide
PER_LINE = int((CELL - 6) / CHARACTER)
LINES = 3  # of a title; what is longer is cut, the whole of it shows when pointed at
MARGIN, HEAD = 20, 64
JOINT = 30  # px along the line for a numbered joint
FEW, FEW_CELLS = 60, 12  # parts of a small drawing, and how many of them in a line
MOST_CELLS = 17  # parts in a line; what is longer goes on further down
INK, SUSPECT, SUSPECT_EDGE = "#222222", "#ffe2a8", "#a85400"
_NO_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def as_svg(drawing: Drawing) -> str:
    """The drawing as the text of an SVG file."""
    few = sum(tree.size for _, tree in drawing.trees) <= FEW
    sheet = _Sheet(most=FEW_CELLS if few else MOST_CELLS)
    y = HEAD + ROW / 2
    waiting = [(root, tree) for root, tree in drawing.trees]
    while waiting:
        root, tree = waiting.pop(0)
        sheet.root(root, y)
        y = sheet.branch(tree, MARGIN + CELL, y, 1) + ROW * 1.35
        waiting = [(f"from [{name}] on", cut) for name, cut in sheet.cut] + waiting
        sheet.cut = []
    y = _legend(sheet, drawing, y - ROW * 0.35)
    width, height = sheet.right + MARGIN, y + MARGIN
    picture = ET.Element(
        "svg", xmlns="http://www.w3.org/2000/svg", viewBox=f"0 0 {width:g} {height:g}",
        width=f"{width:g}", height=f"{height:g}",
    )  # fmt: skip
    picture.set("font-family", "DejaVu Sans, Verdana, Arial, sans-serif")
    picture.set("font-size", str(FONT))
    ET.SubElement(picture, "title").text = _clean(drawing.title)
    ET.SubElement(picture, "rect", {"width": f"{width:g}", "height": f"{height:g}", "fill": "#ffffff"})
    for y, size, weight, text in ((28, 17, "bold", drawing.title), (47, 12, "normal", drawing.subtitle)):
        place = {"x": MARGIN, "y": y, "font-size": size, "font-weight": weight, "fill": INK}
        said = _element("text", place)
        said.text = _clean(text)
        picture.append(said)
    for element in (*sheet.behind, *sheet.front):
        picture.append(element)
    return ET.tostring(picture, encoding="unicode") + "\n"


@dataclass(slots=True)
class _Sheet:
    behind: list[ET.Element] = field(default_factory=list)
    front: list[ET.Element] = field(default_factory=list)
    cut: list[tuple[str, Branch]] = field(default_factory=list)
    cuts: int = 0
    most: int = 17
    right: float = 700.0

    def root(self, title: str, y: float) -> None:
        """What a tree starts from, before its first cell."""
        self.shapes(_dot(), MARGIN + CELL, y)
        lines = _wrapped(title)
        for n, line in enumerate(lines[: LINES + 1]):
            at = y + 4 + (n - (len(lines) - 1) / 2) * (FONT + 2)
            self.text(line, MARGIN + CELL - 8, at, "end", weight="bold")

    def branch(self, branch: Branch, x: float, y: float, cells: int) -> float:
        """Draw a branch from a point to the right; returns the lowest line that it used."""
        for n, item in enumerate(branch.items):
            if cells > self.most and len(branch.items) - n > 2:
                self.goes_on(replace(branch, items=branch.items[n:]), x, y)
                return y
            self.item(item, x, y)
            x += CELL
            cells += 1
        self.right = max(self.right, x)
        if branch.end:
            self.end(branch, x, y)
            return y
        if branch.joint:
            self.line(x, y, x + (JOINT if branch.branches else JOINT / 2), y)
            self.number(str(branch.joint), x + JOINT / 2, y)
            x += JOINT
        lowest = y
        for n, way in enumerate(branch.branches):
            at = y if n == 0 else lowest + ROW
            self.line(x, y, x, at)
            long = len(way.items) if self.most == FEW_CELLS else _longest(way)
            if cells + long > self.most and way.size > 2 and cells > 3:
                self.goes_on(way, x, at)
                lowest = max(lowest, at)
            else:
                lowest = max(lowest, self.branch(way, x, at, cells))
        if len(branch.branches) > 1:
            self.shapes(_dot(), x, y)
        return lowest

    def goes_on(self, branch: Branch, x: float, y: float) -> None:
        """End a line that is long enough; the rest of the branch follows further down."""
        self.cuts += 1
        self.cut.append((chr(64 + self.cuts) if self.cuts <= 26 else f"A{self.cuts - 26}", branch))
        self.line(x, y, x + 12, y)
        self.text(f"goes on at [{self.cut[-1][0]}]", x + 16, y + 4, "start")
        self.right = max(self.right, x + CELL)

    def item(self, item: Item, x: float, y: float) -> None:
        middle = x + CELL / 2
        if item.share >= LEAST_SHARE:
            box = {"x": x + 3, "y": y - 27, "width": CELL - 6, "height": ROW - 3, "rx": 6,
                   "fill": SUSPECT, "stroke": SUSPECT_EDGE, "stroke-dasharray": "4 3"}  # fmt: skip
            self.behind.append(_element("rect", box))
            self.text(f"{item.share:.0%}", x + CELL - 7, y - 15, "end", weight="bold")
        if item.sort == "wire":
            self.wire(item, x, y)
        else:
            self.line(x, y, middle - HALF, y)
            self.line(middle + HALF, y, x + CELL, y)
            self.shapes(symbol(item.sort, item.is_open), middle, y)
        title = f"{item.title}, {item.by}" if item.by else item.title
        self.title(title, middle, y + 22)

    def wire(self, item: Item, x: float, y: float) -> None:
        colours = colours_of(item.colour)
        self.line(x, y, x + CELL, y, width=6)
        if colours:
            self.line(x, y, x + CELL, y, width=4, stroke=colours[0])
        if len(colours) > 1:
            self.line(x, y, x + CELL, y, width=4, stroke=colours[1], dash="7 9")
        self.text(item.colour, x + CELL / 2, y - 7, "middle", weight="bold")

    def end(self, branch: Branch, x: float, y: float) -> None:
        if branch.end == "ground":
            self.shapes(ground(), x, y)
            lines = _wrapped(branch.where)[: LINES + 1]
            for n, line in enumerate(lines):
                self.text(line, x + 23, y + 4 + (n - (len(lines) - 1) / 2) * (FONT + 1.5), "start")
            self.right = max(self.right, x + CELL + 20)
        else:
            self.line(x, y, x + 12, y)
            self.number(branch.where, x + 22, y)
            self.right = max(self.right, x + 40)

    def title(self, text: str, x: float, y: float) -> None:
        """A title under its symbol, in at most so many lines."""
        whole = _clean(text)
        lines = _wrapped(whole)
        short = lines[:LINES]
        if len(lines) > LINES:
            short[-1] = short[-1][: PER_LINE - 1] + "…"
        for n, line in enumerate(short):
            self.text(line, x, y + n * (FONT + 1.5), "middle", tip=whole if len(lines) > LINES else "")

    def number(self, text: str, x: float, y: float) -> None:
        self.front.append(_element("circle", {"cx": x, "cy": y, "r": 10, "fill": "#ffffff", "stroke": INK}))
        self.text(text, x, y + 3.5, "middle")

    def text(self, text: str, x: float, y: float, anchor: str, weight: str = "", tip: str = "") -> None:
        more = {"font-weight": weight} if weight else {}
        element = _element("text", {"x": x, "y": y, "text-anchor": anchor, "fill": INK, **more})
        element.text = _clean(text)
        if tip:
            whole = ET.SubElement(element, "title")
            whole.text = tip
        self.front.append(element)

    def line(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        width: float = 1.4,
        stroke: str = INK,
        dash: str = "",
    ) -> None:
        more = {"stroke-dasharray": dash} if dash else {}
        ends = {"x1": x1, "y1": y1, "x2": x2, "y2": y2}
        self.behind.append(_element("line", {**ends, "stroke": stroke, "stroke-width": width, **more}))

    def shapes(self, shapes: list[Shape], x: float, y: float) -> None:
        group = _element("g", {"transform": f"translate({x:g},{y:g})", "stroke": INK, "stroke-width": 1.4})
        group.set("fill", "none")
        group.extend(_element(tag, attributes) for tag, attributes in shapes)
        self.front.append(group)


def _wrapped(text: str) -> list[str]:
    """A title in lines of a cell's width; a long word breaks at a stroke if it has one."""
    words = [w.replace("/", "/ ") if len(w) > PER_LINE else w for w in _clean(text).split()]
    return textwrap.wrap(" ".join(words), PER_LINE, break_long_words=True) or [""]


def _longest(branch: Branch) -> int:
    """Parts on the longest line of a branch."""
    return len(branch.items) + max((_longest(b) for b in branch.branches), default=0)


def _legend(sheet: _Sheet, drawing: Drawing, y: float) -> float:
    """What each symbol that was used stands for, and what is in no circuit; returns the lowest line."""
    used = {i.sort for _, tree in drawing.trees for i in items_of(tree)}
    shown = [(sort, word) for sort, word in WORDS.items() if sort in used]
    wide = CELL * 1.25
    across = max(1, int((sheet.right - MARGIN) // wide))
    for n, (sort, word) in enumerate(shown):
        x, at = MARGIN + (n % across) * wide + HALF, y + (n // across) * 44
        if sort == "wire":
            sheet.line(x - HALF, at, x + HALF, at, width=6)
        else:
            sheet.shapes(symbol(sort), x, at)
        sheet.text(word, x + HALF + 5, at + 4, "start")
    y += 44 * ((len(shown) - 1) // across + 1)
    notes = ["A number in a circle is one joint, wherever it stands. Letters on a wire: IEC 60757."]
    if drawing.apart:
        notes.append(f"In no circuit of this drawing: {', '.join(drawing.apart)}.")
    for note in notes:
        for line in textwrap.wrap(_clean(note), int((sheet.right - MARGIN) / CHARACTER)):
            sheet.text(line, MARGIN, y, "start")
            y += FONT + 4
    return y


def _dot() -> list[Shape]:
    return [("circle", {"cx": 0, "cy": 0, "r": 3, "fill": INK})]


def _element(tag: str, attributes: Mapping[str, object]) -> ET.Element:
    written = {k: f"{v:g}" if isinstance(v, (int, float)) else str(v) for k, v in attributes.items()}
    return ET.Element(tag, written)


def _clean(text: str) -> str:
    """Text without the characters that XML cannot hold."""
    return _NO_XML.sub(" ", text)
