"""Graphical symbols for parts on a horizontal line, as IEC 60617 has them (from memory), and wire colours.

Shapes only: where they go is the layout's, how they are written is the SVG's.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

Shape = tuple[str, Mapping[str, object]]  # tag and attributes of one SVG element, around the point (0, 0)

HALF = 17  # px; half the width of a symbol: the line of the loom reaches to here on both sides
# letters of IEC 60757 and the few that looms add -> what the eye should see (estimate)
PALETTE: Mapping[str, str] = {
    "BK": "#1a1a1a", "BN": "#7a4a1e", "RD": "#cf1f1f", "OG": "#f07d00", "YE": "#f2d600", "GN": "#1e8a3c",
    "BU": "#1f57c3", "VT": "#7b3fb3", "GY": "#8a8a8a", "WH": "#ffffff", "PK": "#f29ab8", "GD": "#c9a227",
    "TQ": "#35b8b0", "SR": "#c3c7cb", "LGN": "#7fd07f", "LBU": "#7db8e8", "DGN": "#0d5a2a", "CL": "#eeeeee",
}  # fmt: skip
WORDS: Mapping[str, str] = {  # what the legend calls each symbol
    "wire": "wire", "plug": "way of a plug", "joint": "ground joint", "splice": "splice", "fuse": "fuse",
    "switch": "contact", "coil": "relay coil", "winding": "winding", "lamp": "lamp", "led": "LED lamp",
    "motor": "motor", "horn": "horn", "diode": "diode", "flasher": "flasher", "unit": "unit",
    "battery": "battery",
}  # fmt: skip


def colours_of(letters: str) -> tuple[str, ...]:
    """The one or two colours of a wire, as an SVG knows them; grey for letters nobody knows."""
    codes = ("GN/YE" if letters == "GNYE" else letters).split("/")
    return tuple(PALETTE.get(c, "#8a8a8a") for c in codes if c)


def symbol(sort: str, is_open: bool = False) -> list[Shape]:
    """The shapes of one symbol, its two ends at (-HALF, 0) and (HALF, 0)."""
    if sort == "switch":
        return _switch(is_open)
    return _DRAWN.get(sort, _unit)()


def ground() -> list[Shape]:
    """Frame, chassis: a bar with strokes, at the end of a line that comes from the left."""
    shapes = [_line(0, 0, 10, 0), _line(10, -11, 10, 11)]
    return shapes + [_line(10, y, 17, y - 6) for y in (-5, 3, 11)]


def _line(x1: float, y1: float, x2: float, y2: float, **more: object) -> Shape:
    return "line", {"x1": x1, "y1": y1, "x2": x2, "y2": y2, **more}


def _circle(x: float, y: float, r: float, fill: str = "#ffffff") -> Shape:
    return "circle", {"cx": x, "cy": y, "r": r, "fill": fill}


def _box(width: float, height: float) -> Shape:
    return "rect", {"x": -width / 2, "y": -height / 2, "width": width, "height": height, "fill": "#ffffff"}


def _path(d: str, fill: str = "none") -> Shape:
    return "path", {"d": d, "fill": fill}


def _fuse() -> list[Shape]:
    return [_box(2 * HALF, 12), _line(-HALF, 0, HALF, 0)]


def _switch(is_open: bool) -> list[Shape]:
    blade = _line(-9, 0, 8, -11) if is_open else _line(-9, 0, 9, 0)
    return [_line(-HALF, 0, -9, 0), _line(9, 0, HALF, 0), blade, _circle(-9, 0, 2.2), _circle(9, 0, 2.2)]


def _lamp() -> list[Shape]:
    leads = [_line(-HALF, 0, -11, 0), _line(11, 0, HALF, 0)]
    return [*leads, _circle(0, 0, 11), _line(-7.8, -7.8, 7.8, 7.8), _line(-7.8, 7.8, 7.8, -7.8)]


def _diode() -> list[Shape]:
    leads = [_line(-HALF, 0, -8, 0), _line(8, 0, HALF, 0)]
    return [*leads, _path("M-8,-8 L-8,8 L8,0 Z", "#ffffff"), _line(8, -8, 8, 8)]


def _led() -> list[Shape]:
    rays = [_path(f"M{x},-9 l6,-6 m-4,0 l4,0 l0,4") for x in (-4, 3)]
    return [*_diode(), *rays]


def _motor() -> list[Shape]:
    leads = [_line(-HALF, 0, -11, 0), _line(11, 0, HALF, 0)]
    return [*leads, _circle(0, 0, 11), _path("M-5,5 L-5,-5 L0,2 L5,-5 L5,5")]


def _horn() -> list[Shape]:
    return [_line(-HALF, 0, HALF, 0), _box(10, 14), _path("M5,-5 L13,-11 L13,11 L5,5", "#ffffff")]


def _coil() -> list[Shape]:
    return [_line(-HALF, 0, -8, 0), _line(8, 0, HALF, 0), _box(16, 20)]


def _winding() -> list[Shape]:
    return [_path(f"M{-HALF},0 h3 " + "a3.5,4.5 0 0 1 7,0 " * 4 + "h3")]


def _plug() -> list[Shape]:
    return [_line(-HALF, 0, -1, 0), _path("M5,-7 A7,7 0 0 0 5,7"), ("rect", {
        "x": -2, "y": -2.5, "width": 10, "height": 5, "fill": "#222222"}), _line(8, 0, HALF, 0)]  # fmt: skip


def _joint() -> list[Shape]:
    return [_line(-HALF, 0, -4, 0), _line(4, 0, HALF, 0), _circle(0, 0, 4)]


def _splice() -> list[Shape]:
    return [_line(-HALF, 0, HALF, 0), _circle(0, 0, 4, "#222222")]


def _flasher() -> list[Shape]:
    return [_box(2 * HALF, 22), _path("M-13,6 h6 v-12 h7 v12 h7 v-12 h6")]


def _battery() -> list[Shape]:
    plates = [_line(x, -h, x, h) for x, h in ((-6, 11), (-2, 5), (2, 11), (6, 5))]
    return [_line(-HALF, 0, -6, 0), _line(6, 0, HALF, 0), *plates]


def _unit() -> list[Shape]:
    return [_box(2 * HALF, 22)]


_DRAWN: Mapping[str, Callable[[], list[Shape]]] = {
    "fuse": _fuse, "lamp": _lamp, "led": _led, "diode": _diode, "motor": _motor, "horn": _horn, "coil": _coil,
    "winding": _winding, "plug": _plug, "joint": _joint, "splice": _splice, "flasher": _flasher,
    "battery": _battery, "unit": _unit,
}  # fmt: skip
