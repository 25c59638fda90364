"""Quantities in words: strict in files, forgiving but never guessing in what a user types.

Stands before the first arrow of the flow; knows no YAML, no bike and no circuit. Inside the program a
quantity is a float in SI, except areas (mm2), times (min) and speeds (rpm), which stay as they are
called; a percentage becomes a fraction. `unit` in this module is always one of UNITS.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from functools import cache
from typing import Any

from diagnose.errors import ObservationError, QuantityError

# unit -> (what a quantity in it is called, with article)
UNITS: dict[str, str] = {
    "ohm": "a resistance",
    "V": "a voltage",
    "A": "a current",
    "W": "a power",
    "F": "a capacitance",
    "m": "a length",
    "mm2": "an area",
    "min": "a time",
    "rpm": "a speed",
    "/min": "a rate",
    "%": "a percentage",
    "1": "a pure number",
}

# as written in files, exactly -> (unit, power of ten to it); powers, so that '470 mohm' is exactly 0.47
WRITTEN: dict[str, tuple[str, int]] = {
    "ohm": ("ohm", 0),
    "mohm": ("ohm", -3),
    "kohm": ("ohm", 3),
    "Mohm": ("ohm", 6),
    "V": ("V", 0),
    "mV": ("V", -3),
    "kV": ("V", 3),
    "A": ("A", 0),
    "mA": ("A", -3),
    "uA": ("A", -6),
    "nA": ("A", -9),
    "pA": ("A", -12),
    "W": ("W", 0),
    "mW": ("W", -3),
    "F": ("F", 0),
    "uF": ("F", -6),
    "nF": ("F", -9),
    "m": ("m", 0),
    "mm": ("m", -3),
    "mm2": ("mm2", 0),
    "min": ("min", 0),
    "rpm": ("rpm", 0),
    "/min": ("/min", 0),
    "%": ("1", -2),
    "": ("1", 0),
}

_FILE_FORM = re.compile(r"([+-]?[0-9]{1,15}(?:\.[0-9]{1,15})?)(?: ?(/min|[A-Za-z%][A-Za-z0-9]*))?", re.ASCII)


def any_quantity(text: object) -> tuple[float, str]:
    """Read a quantity of any unit as files write it: '0.5 ohm', '470 mohm', '4 mm2', '5 %', '85'.

    returns  (number in the unit, unit of UNITS); '5 %' gives (0.05, '1')
    raises   QuantityError, with what is wrong and what was expected
    """
    if not isinstance(text, str):
        raise QuantityError(f"{text!r} is not quoted; expected quotes, such as '0.5 ohm' or '85'")
    match = _FILE_FORM.fullmatch(text)
    if not match:
        raise QuantityError(f"{text!r} is not a quantity; expected a number and a unit such as '0.5 ohm'")
    written = match[2] or ""
    if written not in WRITTEN:
        known = ", ".join(name for name in WRITTEN if name)
        raise QuantityError(f"{text!r} has the unknown unit {written!r}; expected one of {known}")
    unit, power = WRITTEN[written]
    return float(f"{match[1]}e{power}"), unit


def quantity(text: object, unit: str) -> float:
    """Read a quantity of one unit as files write it.

    unit     of UNITS; '%' and '1' both take '5 %' (0.05) and '0.05'
    returns  the number in that unit (SI, or mm2, min, rpm)
    raises   QuantityError such as "'3.4 V' is a voltage; expected a resistance such as '3.4 ohm'"
    """
    wanted = "1" if unit == "%" else _known(unit)
    number, found = any_quantity(text)
    if found != wanted:
        match = _FILE_FORM.fullmatch(str(text))
        digits = match[1] if match else ""
        raise QuantityError(f"{text!r} is {UNITS[found]}; expected {_example(unit, digits)}")
    return number


def _known(unit: str) -> str:
    if unit not in UNITS:
        raise QuantityError(f"unit {unit!r} is unknown; expected one of {', '.join(UNITS)}")
    return unit


def _example(unit: str, digits: str = "") -> str:
    sample = digits or ("12.6" if unit in ("V", "A") else "3.4")
    return f"{UNITS[unit]} such as '{sample}{'' if unit == '1' else ' ' + unit}'"


@dataclass(frozen=True, slots=True)
class Reading:
    """What a user read off an instrument. value in `unit`, +inf when over range; note: what is doubtful."""

    value: float
    text: str
    unit: str
    note: str = ""


# names of units as people write them, lower case
_NAMES: dict[str, tuple[str, ...]] = {
    "ohm": ("ohm", "ohms", "ω"),
    "V": ("v", "volt", "volts"),
    "A": ("a", "amp", "amps", "ampere", "amperes"),
    "W": ("w", "watt", "watts"),
    "F": ("f", "farad", "farads"),
    "m": ("m", "metre", "metres", "meter", "meters"),
    "mm2": ("mm2",),
    "min": ("min", "mins", "minute", "minutes"),
    "rpm": ("rpm",),
    "/min": ("/min", "per minute", "a minute", "flashes per minute", "flashes a minute"),
    "%": ("%", "percent", "per cent"),
    "1": ("",),
}
_PREFIXES: dict[str, int] = {"u": -6, "μ": -6, "m": -3, "k": 3, "K": 3, "M": 6}
_PREFIX_WORDS: dict[str, int] = {"micro": -6, "milli": -3, "kilo": 3, "mega": 6, "meg": 6}
_PREFIXED = ("ohm", "V", "A", "W", "F", "m")
_BARE_OHMS: dict[str, int] = {"k": 3, "K": 3, "M": 6, "R": 0, "r": 0}

# IEC 60062 writes the multiplier where the decimal point would stand: 4k7, 4R7; the trade also 12V6
_CODES: dict[str, tuple[str, int]] = {
    "R": ("ohm", 0),
    "r": ("ohm", 0),
    "Ω": ("ohm", 0),
    "k": ("ohm", 3),
    "K": ("ohm", 3),
    "M": ("ohm", 6),
    "V": ("V", 0),
    "v": ("V", 0),
    "A": ("A", 0),
    "a": ("A", 0),
}

_OVER = {"ol", "0l", "ovl", "over", "overrange", "overload", "overlimit", "outofrange", "offscale", "∞"}
_OVER_OHMS = {"open", "opencircuit", "infinite", "infinity", "nocontinuity"}
_SIGN = r"([+-]?) ?"
_NUMBER = re.compile(_SIGN + r"([0-9]{1,12}(?:[.,][0-9]{0,9})?|[.,][0-9]{1,9}) ?(.*)", re.ASCII)
_CODED = re.compile(_SIGN + r"([0-9]{0,6})([A-Za-zΩ])([0-9]{1,6}) ?(.*)")
_EXPONENT = re.compile(r"[+-]?[0-9.,]+ ?[eE] ?[+-]?[0-9]+.*")
_DASHES = str.maketrans(dict.fromkeys("−–—‒‐‑﹣", "-"))
_LONGEST = 40


def read_reading(text: object, unit: str) -> Reading:
    """Read what a user types as the reading of an instrument whose unit is known.

    text     '12.6', '12,6 V', '350mV', '4k7', '4R7', '12V6', '470 mohm', 'OL', '1 .' ...
    unit     of UNITS, the unit the instrument shows
    returns  Reading in that unit; over range is +inf; `note` says what may be misread
    raises   ObservationError, whatever the text, when it cannot be read in exactly one way
    """
    expected = _example(_known(unit))
    if not isinstance(text, str):
        raise ObservationError(str(text), expected)
    shown = text.strip()
    if len(shown) > _LONGEST:
        raise ObservationError(shown[:_LONGEST] + "...", expected, "only the number on the display")
    # NFKC would turn a superscript into a digit of the number: only mm² may use one
    if any(unicodedata.category(c) == "No" for c in shown.replace("mm²", "mm2")):
        raise ObservationError(shown, expected)
    plain = " ".join(unicodedata.normalize("NFKC", shown).translate(_DASHES).split())
    if not plain:
        raise ObservationError(shown, expected, "'skip' if there is nothing to read")
    if _is_over_range(plain, unit):
        note = "" if unit == "ohm" else "over range: the value is more than this range of the meter shows"
        return Reading(math.inf, shown, unit, note)
    if _EXPONENT.fullmatch(plain):
        raise ObservationError(shown, expected, "the number written out, without an exponent")
    coded = _CODED.fullmatch(plain)
    if coded and coded[3] in _CODES and (coded[2] or coded[3] in "Rr"):
        return _read_coded(coded, shown, unit)
    match = _NUMBER.fullmatch(plain)
    if not match:
        raise ObservationError(shown, expected, "only the number on the display")
    sign, digits, tail = match[1], match[2], match[3]
    if tail and (tail[0] in "0123456789.,+-*/^" and not tail.startswith("/min")):
        raise ObservationError(shown, expected, "one number, with one decimal point and no spaces inside")
    if re.fullmatch(r"0*[1-9][0-9]*,[0-9]{3}", digits):
        point, thousands = digits.replace(",", "."), digits.replace(",", "")
        raise ObservationError(
            shown, expected, f"{sign}{point} or {sign}{thousands}", f"could mean {point} or {thousands}"
        )
    value = float(f"{digits.replace(',', '.')}e{_power(tail, digits, unit, shown)}")
    value = -value if sign == "-" else value
    return Reading(value, shown, unit, _note(value, digits, tail, unit))


def _is_over_range(plain: str, unit: str) -> bool:
    if plain == "1 .":  # a 1 at the far left and a point: how a plain digital meter shows over range
        return True
    words = plain.lower().split(" ")
    named = _find_unit(plain.split(" ")[-1]) if len(words) > 1 else None
    if named is not None:
        if named[0] != unit:
            return False
        words = words[:-1]
    key = re.sub(r"[.\-_]", "", "".join(words))
    return key in _OVER or (unit == "ohm" and key in _OVER_OHMS)


def _read_coded(coded: re.Match[str], shown: str, unit: str) -> Reading:
    sign, whole, letter, part, tail = coded.groups()
    found, power = _CODES[letter]
    tail_unit = _find_unit(_without_kind(tail)) if tail else None
    if found != unit or (tail and (tail_unit is None or tail_unit != (found, 0))):
        expected = _example(unit, f"{whole or '0'}.{part}")
        if found != unit:
            raise ObservationError(shown, expected, wrong=f"is {UNITS[found]}")
        raise ObservationError(shown, expected, "the number without what follows it")
    value = float(f"{whole or '0'}.{part}e{power}")
    value = -value if sign == "-" else value
    return Reading(value, shown, unit, _note(value, whole, letter, unit))


def _without_kind(tail: str) -> str:
    """'V DC' and 'volts ac.' name the same unit as 'V'."""
    return re.sub(r"(?i)[ .]*(dc|ac|d\.c|a\.c)?[ .]*$", "", tail).strip()


def _find_unit(word: str) -> tuple[str, int] | None:
    """(unit, power of ten) that a word after a number names, or None. The case of m and M counts."""
    lower = word.lower()
    for unit, names in _NAMES.items():
        if lower in names:
            return ("1", -2) if unit == "%" else (unit, 0)
    if word in _BARE_OHMS:
        return "ohm", _BARE_OHMS[word]
    for prefixes, size in ((_PREFIX_WORDS, None), (_PREFIXES, 1)):
        for prefix, power in prefixes.items():
            head = lower if size is None else word
            rest = lower[len(prefix) :].strip(" -")
            if head.startswith(prefix) and any(rest in _NAMES[u] for u in _PREFIXED):
                return next(u for u in _PREFIXED if rest in _NAMES[u]), power
    return None


def _power(tail: str, digits: str, unit: str, shown: str) -> int:
    wanted = "1" if unit == "%" else unit
    tail = _without_kind(tail)
    if not tail:
        return -2 if unit == "%" else 0
    found = _find_unit(tail)
    expected = _example(unit, digits.replace(",", "."))
    if found is None:
        raise ObservationError(shown, expected, "only the number on the display")
    if found[0] != wanted:
        raise ObservationError(shown, expected, wrong=f"is {UNITS[found[0]]}")
    if found[1] == 6 and unit != "ohm":
        small = f"'{digits} m{unit}' for thousandths"
        raise ObservationError(shown, expected, small, f"is millions of {unit}")
    return found[1]


def _note(value: float, digits: str, tail: str, unit: str) -> str:
    if unit != "ohm":
        return ""
    if value < 0:
        return "ohms below zero: the part still carries a voltage, so the reading means nothing"
    if digits.rstrip(".") == "1" and not tail:
        return "a lone 1: is it 1 ohm, or the 1 that the meter shows over range? Over range is typed OL"
    return ""


def write(value: float, unit: str) -> str:
    """Write a value as a meter would show it: '12.31 V', '470 mohm', '4.7 kohm', 'OL' for +inf.

    value    in `unit`; four figures are kept, and nothing finer than a millionth
    returns  text that read_reading reads back to the same four figures
    raises   QuantityError for what no display shows (not a number, -inf, a thousand milliard)
    """
    _known(unit)
    if value == math.inf:
        return "OL"
    if not math.isfinite(value) or abs(value) >= 1e12:
        raise QuantityError(f"{value!r} {unit} cannot be shown; expected a number below 1e12")
    if abs(value) < 1e-6:  # the last digit that is shown is a millionth
        value = math.copysign(1e-6, value) if abs(value) >= 5e-7 else 0.0
    if value == 0:
        return _with_unit("0", unit)
    if unit == "%":
        return _with_unit(_four_figures(value * 100), unit)
    largest = {"ohm": 999.95e6, "m": 999.95}.get(unit, 999.95e3)
    if unit not in _PREFIXED or abs(value) >= largest:
        return _with_unit(_four_figures(value), unit)
    shown = _shown_with({"ohm": "Mkmu", "m": "mu"}.get(unit, "kmu"))
    return str(shown(value, unit).render(prec=3))


@cache
def _shown_with(prefixes: str) -> Any:
    from quantiphy import Quantity  # 11 ms to import, and only needed once something is shown

    # a subclass, so that nobody else's preferences change
    shown = type("Shown", (Quantity,), {})
    shown.set_prefs(output_sf=prefixes)  # type: ignore[attr-defined]
    return shown


def _four_figures(value: float) -> str:
    decimals = max(0, 3 - math.floor(math.log10(abs(value))))
    text = f"{round(value, 3 - math.floor(math.log10(abs(value)))):.{min(decimals, 9)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _with_unit(number: str, unit: str) -> str:
    return number if unit == "1" else f"{number} {unit}"
