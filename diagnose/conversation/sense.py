"""Does a reading make sense: readings as flat facts for the rules, every number judged here.

Part of the conversation. Pure functions; knows what displays show and nothing of probabilities.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from diagnose.bike.model import BikeView, JobState, Measurement
from diagnose.conversation.facts import (
    Fact,
    Surroundings,
    electronics_at,
    engine_word,
    instrument,
    isolation,
    supply_on,
    word_of,
    yes,
)

DISPLAY_ZERO = {"V": 0.005, "ohm": 0.05, "A": 0.005}  # below the last digit of a 3.5 digit display
SIXTEEN_VOLTS = 16.0 / 12.0  # of the supply: no 12 V battery reads 16 V with the engine off
TWENTY_TWO_VOLTS = 22.0 / 12.0  # about what an AC range shows on 12 V DC, twice and more
FORTY_VOLTS = 40.0 / 12.0  # above what an AC range makes of 12 V DC: another unit, or no decimal point
FULL_SUPPLY = 0.85  # of the supply: a drop of this size is no joint, it is a break
AMMETER_LIMIT = 10.0  # [A] common jack
ABOVE_POSTS = 0.3 / 12.0  # of the supply: a meter's error twice over, and the last digits


@dataclass(frozen=True, slots=True)
class Taken:
    """One reading as typed. value in SI, inf for OL; expected: (low, high) over all suspects, or None.

    insisted  it was doubted before, and stood by
    since     nothing was repaired since it was taken, nor did the engine run, which charges
    """

    measurement: Measurement
    value: float
    text: str = ""
    expected: tuple[float, float] | None = None
    insisted: bool = False
    since: bool = True


def reading_facts(
    around: Surroundings, reading: Taken, job: JobState, earlier: Sequence[Taken] = ()
) -> list[Fact]:
    """A reading as facts: one `reading`, and one `series` if there are earlier ones of its instrument.

    earlier  the readings before it, oldest first
    """
    act = reading.measurement
    engine = engine_word(act.condition.engine)
    ends = {word_of(around, p.partition(".")[0]) for p in (act.plus, act.minus) if p}
    at = "battery" if ends == {"battery"} else "electronics" if electronics_at(around, act) else "other"
    fact: Fact = {
        "kind": "reading",
        "instrument": instrument(act),
        "verdict": verdict(reading, around.view.supply_volts, engine),
        "scale": scale(reading),
        "at": at,
        "supply": "on" if supply_on(act.condition, job) else "off",
        "switched": yes(act.condition.controls),
        "engine": engine,
        "isolated": isolation(around, act, job),
        "above_posts": yes(above_posts(around, reading, earlier)),
        "above_battery": yes(size(reading, around.view.supply_volts) != "plausible"),
        "size": size(reading, around.view.supply_volts),
    }
    series = _series(around.view, reading, earlier)
    return [fact, series] if series else [fact]


def is_expected(reading: Taken) -> bool:
    """Whether some suspect would show this; False if nothing is known of what to expect."""
    return reading.expected is not None and reading.expected[0] <= reading.value <= reading.expected[1]


def above_posts(around: Surroundings, reading: Taken, earlier: Sequence[Taken]) -> bool:
    """Whether volts with the engine off exceed what the battery's posts showed with all at rest.

    source  Kirchhoff's second law: with the engine off nothing on a bike adds volts to its battery's
    """
    act = reading.measurement
    if instrument(act) not in ("volts", "drop") or act.condition.engine != "off":
        return False
    shown = [
        abs(r.value)
        for r in earlier
        if r.since
        and not r.insisted
        and r.measurement.kind == "volts"
        and r.measurement.id != act.id  # of the same reading taken again the second counts
        and not r.measurement.condition.text
        and {word_of(around, p.partition(".")[0]) for p in (r.measurement.plus, r.measurement.minus)}
        == {"battery"}
    ]
    return bool(shown) and abs(reading.value) > max(shown) + ABOVE_POSTS * around.view.supply_volts


def verdict(reading: Taken, supply: float, engine: str) -> str:
    """One word for a number, see the vocabulary of `reading`; whatever some suspect would show is ok.

    supply  [V] nominal; engine: off | cranking | running
    """
    act, value = reading.measurement, reading.value
    if act.kind in ("ohms", "diode") and reading.text.strip() == "1":
        return "lone_one"
    if is_expected(reading):
        return "ok"
    if math.isinf(value) and value > 0:
        return "no_path" if act.kind in ("ohms", "diode") else "over_range"
    zero = DISPLAY_ZERO.get(act.unit, 0.0)
    if value < -4 * zero:
        return "negative"
    if abs(value) <= zero:
        return "zero"
    volts_limit = supply * (SIXTEEN_VOLTS if engine != "running" else TWENTY_TWO_VOLTS)
    if act.unit == "V" and act.kind != "ac_volts" and value > volts_limit:
        return "over_range"
    if act.unit == "A" and value > AMMETER_LIMIT:
        return "over_range"
    if act.kind == "drop" and value > FULL_SUPPLY * supply:
        return "full_supply"
    if reading.expected is None:
        return "ok"
    return "low" if value < reading.expected[0] else "high"


def size(reading: Taken, supply: float) -> str:
    """plausible | sixteen | ac_range | absurd: how far volts are beyond what the bike's battery can give."""
    if reading.measurement.unit != "V" or is_expected(reading):
        return "plausible"
    relative = abs(reading.value) / supply
    if relative <= SIXTEEN_VOLTS:
        return "plausible"
    return "sixteen" if relative <= TWENTY_TWO_VOLTS else "ac_range" if relative <= FORTY_VOLTS else "absurd"


def scale(reading: Taken) -> str:
    """Whether a factor of a thousand (mV for V, ohm for kohm) would bring it to what is expected."""
    if reading.expected is None or not math.isfinite(reading.value) or reading.value <= 0:
        return "fits"
    low, high = reading.expected
    if not math.isfinite(high):
        return "fits"
    low, high = low / 1.5 if low > 0 else low, high * 1.5
    if low <= reading.value <= high:
        return "fits"
    if low <= reading.value / 1000 <= high and reading.value > 20 * max(high, 1e-12):
        return "thousandfold"
    if low > 0 and low <= reading.value * 1000 <= high:
        return "thousandth"
    return "fits"


def _series(view: BikeView, reading: Taken, earlier: Sequence[Taken]) -> Fact | None:
    """How the run of readings of one instrument that ends here looks.

    A run is a slip only where it surprises: if some suspect shows this reading, the pattern is `mixed`. Not
    so if the reading before was doubted and stood by: what it made of the suspects explains the next one too.
    """
    run = [reading]
    for r in reversed(earlier):
        if instrument(r.measurement) != instrument(reading.measurement):
            break
        run.append(r)
    if len(run) < 2:
        return None
    zero = DISPLAY_ZERO.get(reading.measurement.unit, 0.0)
    black = "same" if len({view.home(r.measurement) for r in run}) == 1 else "moved"

    def length(fits: Callable[[Taken], bool]) -> int:
        count = 0
        for r in run:
            if not fits(r):
                break
            count += 1
        return count

    zeros = length(lambda r: abs(r.value) <= zero)
    highs = length(lambda r: r.expected is not None and r.value > r.expected[1] > 0)
    fact: Fact = {"kind": "series", "instrument": instrument(reading.measurement), "black": black}
    if not is_expected(reading) or run[1].insisted:
        if zeros >= 2 and any(r.expected is not None and r.expected[0] > 10 * zero for r in run[:zeros]):
            return fact | {"pattern": "all_zero", "count": zeros}
        if highs >= 2:
            return fact | {"pattern": "all_high", "count": highs}
    return fact | {"pattern": "mixed", "count": len(run)}
