"""What each check must read on a sound bike, with its tolerance, and from where on it fails.

Everything comes from the predictions of the bike without a fault; the few numbers here say how well a hand
meter reads and what the trade allows to be lost at a joint.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from diagnose.bike.acts import amps, observe, two_point
from diagnose.bike.build import Build, node_of_point
from diagnose.bike.currents import Service
from diagnose.bike.model import Candidate, Condition, JobState, Measurement
from diagnose.catalogue.model import Instrument
from diagnose.circuit import instruments as bench
from diagnose.errors import DiagnoseError
from diagnose.predictions.compute import Found, Predictor
from diagnose.predictions.table import Column
from diagnose.prove.model import Limit, Reason

GATE_OHMS = 2.0  # battery ground to any ground joint (common practice, no source)
# Two digits of a 200 ohm range and what is left of the leads after subtracting (meter manuals: 0.1 ohm a
# step, 2 digits; leads 0.1 to 0.3 ohm).
LEFT_OHMS = 0.3
JOINT_VOLTS = 0.1  # lost at one ground joint under its own load (common practice of the trade)
CRANKING_VOLTS = 0.3  # ground side while cranking (common practice of the trade)
SIGMAS = 4.0
LEAK_OHMS = 1e6  # where nothing should conduct: a leak of 100 kohm is told, damp fingers are not
ELECTRONICS_OHMS = 1e3  # what electronics may read unpowered: 1 to 100 kohm, climbing (common practice)
OPEN_OHMS = 2e7  # a handheld meter's highest range; above it the display shows OL
JUNCTION_OHMS = 1e5  # above it a meter drives junctions and damp rather than windings (common practice)
LEAST_SD = 0.05  # [1] of ohms as built, joints and meter
BATTERY_SD = 0.2  # V, a rested 12 V battery from 12.4 to 12.9 V (estimate)
WORD_FROM = 0.05  # [1] chance from which a sound bike's word is accepted without an instrument
DOUBT_FROM = 0.0005  # [1] and from which it is left to an instrument
AMPS_SD = 0.08  # [1] of a current: loads as built and the meter (5 % lamps and windings, 1.5 % meter)
POST_VOLTS = (11.8, 13.4)  # V, a 12 V battery fit for the job, lead or lithium, rested (domain of both)


@dataclass(slots=True, eq=False)
class Sound:
    """The bike without a fault, as built and not yet used: what limits are computed from."""

    built: Build
    service: Service
    instruments: Mapping[str, Instrument]
    predictor: Predictor = field(init=False)

    def __post_init__(self) -> None:
        healthy = (Candidate("no_fault", (), 1.0),)
        self.predictor = Predictor(
            self.built, self.service, healthy, self.instruments, np.array([self.battery_sd]), Found({}, {})
        )

    @property
    def battery_sd(self) -> float:
        """What a rested battery's volts may differ [V]."""
        return BATTERY_SD * self.built.spec.of_twelve

    def column(self, job: JobState, m: Measurement) -> Column:
        """The sound bike's reading of a measurement."""
        return self.predictor.columns(job, [m])[m.id]

    def two_point(self, kind: str, plus: str, minus: str, condition: Condition) -> Measurement:
        return two_point(self.built, self.instruments, kind, plus, minus, condition)

    def to_ground(self, kind: str, point: str, condition: Condition, home: str = "") -> Measurement:
        """A point against the ground side, the tips so that a sound bike shows no minus sign.

        home  where on the ground side, else its post of the battery
        """
        return self.two_point(kind, *self.built.spec.tips(point, home), condition)

    def observe(self, function: str, condition: Condition) -> Measurement:
        return observe(self.built, self.instruments, function, condition)

    def amps(self, where: str, condition: Condition) -> Measurement:
        return amps(self.built, self.instruments, where, condition)

    def volts(self, job: JobState, condition: Condition, plus: str, minus: str) -> float:
        """Volts between two points of the sound bike, no meter in circuit."""
        solution = self.predictor.solution(job, condition)
        spec = self.built.spec
        return float(solution.between(node_of_point(spec, plus), node_of_point(spec, minus))[0])

    def ohms(
        self, job: JobState, condition: Condition, pairs: Sequence[tuple[str, str]]
    ) -> list[tuple[float, float]]:
        """(ohms, standard deviation of their logarithm as built) of each pair of points; +inf for OL."""
        solution = self.predictor.solution(job, condition, "dead")
        spec = self.built.spec
        nodes = [(node_of_point(spec, a), node_of_point(spec, b)) for a, b in pairs]
        values, spreads = bench.read_ohms_with_spread(solution, nodes)
        return [
            (math.inf if v[0] > OPEN_OHMS else float(v[0]), float(s[0]))
            for v, s in zip(values, spreads, strict=True)
        ]


def reason(sentence: str, **values: object) -> Reason:
    """A reason in words: sentence id and its values."""
    return (sentence, tuple((k, str(v)) for k, v in values.items()))


def ohms_limit(value: float, spread: float, *, electronics: bool = False) -> Limit:
    """Accepted ohms around a computed value.

    value    [ohm], +inf for OL; spread: standard deviation of ln(ohms) as built
    returns  a limit whose `blind` says that a dead short could read the same
    """
    if math.isinf(value):
        low = ELECTRONICS_OHMS if electronics else LEAK_OHMS
        return Limit("ohm", math.inf, low, math.inf, reasons=(reason("why_open", low=_short(low)),))
    if value >= (ELECTRONICS_OHMS if electronics else JUNCTION_OHMS):
        return Limit(
            "ohm",
            value,
            ELECTRONICS_OHMS,
            math.inf,
            reasons=(reason("why_electronics", value=_short(value)),),
        )
    sd = SIGMAS * math.hypot(spread, LEAST_SD)
    low = max(value * math.exp(-sd) - 0.1, 0.0)
    high = value * math.exp(sd) + LEFT_OHMS
    if high > OPEN_OHMS / 2:
        high = math.inf
    blind = low < 0.1
    reasons = [reason("why_cold", value=_short(value), share=f"{100 * (math.exp(sd) - 1):.0f}")]
    if blind:
        reasons.append(reason("why_blind"))
    return Limit("ohm", value, 0.0 if blind else low, high, blind=blind, reasons=tuple(reasons))


def joined_limit(value: float) -> Limit:
    """What copper that belongs together may read: the computed ohms and what a hand meter cannot tell."""
    return Limit(
        "ohm",
        value,
        0.0,
        value * math.exp(SIGMAS * LEAST_SD) + LEFT_OHMS,
        reasons=(reason("why_joined", value=_short(value)),),
    )


def ground_limit(value: float, bare: float, amperes: float, of_twelve: float) -> Limit:
    """The three figures of a ground joint, and the tightest that a hand meter can tell.

    value    computed with lamps fitted [ohm]; bare: with the lamps out
    amperes  this joint's own largest healthy current [A]
    of_twelve  as in drop_limit
    """
    allowed = (CRANKING_VOLTS if amperes > 20.0 else JOINT_VOLTS) * of_twelve
    demand = allowed / amperes if amperes > 1e-3 else GATE_OHMS
    high = min(GATE_OHMS, max(value, bare) * math.exp(SIGMAS * LEAST_SD) + LEFT_OHMS)
    blind = demand < high
    reasons = [
        reason("why_ground_gate", gate=f"{GATE_OHMS:g}"),
        reason("why_ground_sound", value=_short(value), bare=_short(bare)),
        reason("why_ground_current", amps=_amps(amperes), demand=_short(demand)),
    ]
    if blind:
        reasons.append(reason("why_ground_blind"))
    return Limit("ohm", value, 0.0, high, blind=blind, reasons=tuple(reasons))


def volts_limit(column: Column, battery_sd: float) -> Limit:
    """Accepted volts around the computed ones, the battery's own uncertainty included.

    battery_sd  [V], 0 without a battery
    """
    value, spread = _number(column), float(np.asarray(column.spread)[0])
    shift = float(np.asarray(column.shift)[0, 0]) if column.shift is not None else 0.0
    sd = SIGMAS * math.hypot(spread, shift * battery_sd) + 0.05
    reasons = (reason("why_volts", value=f"{value:.2f}"),)
    return Limit("V", value, value - sd, value + sd, reasons=reasons)


def drop_limit(column: Column, amperes: float, of_twelve: float) -> Limit:
    """A joint under its own load: the trade's 0.1 V (0.3 V cranking), or the computed drop if higher.

    of_twelve  the bike's rated volts against 12 V: at 6 V half of it may be lost [1]
    """
    value, spread = _number(column), float(np.asarray(column.spread)[0])
    allowed = (CRANKING_VOLTS if amperes > 20.0 else JOINT_VOLTS) * of_twelve
    high = max(allowed, value + SIGMAS * spread + 0.03)
    reasons = (reason("why_drop", allowed=f"{allowed:g}", value=f"{value:.2f}", amps=_amps(amperes)),)
    return Limit("V", value, -0.1, high, reasons=reasons)


def amps_limit(column: Column, extra: float = 0.0) -> Limit:
    """Accepted current around the computed one. extra: absolute tolerance [A]."""
    value = _number(column)
    sd = SIGMAS * AMPS_SD * value + 0.05 + extra
    return Limit(
        "A", value, max(value - sd, 0.0), value + sd, reasons=(reason("why_amps", value=f"{value:.2f}"),)
    )


def words_limit(column: Column, sentence: str) -> Limit:
    """The words of a sound bike; those it shows rarely are left to an instrument."""
    if column.words is None:
        raise DiagnoseError(f"{column.measurement}: it is read as a number; expected one told in words")
    row = np.asarray(column.words)[0]
    accepted = tuple(c for c, p in zip(column.choices, row, strict=True) if p >= WORD_FROM)
    doubtful = tuple(c for c, p in zip(column.choices, row, strict=True) if DOUBT_FROM <= p < WORD_FROM)
    expected = column.choices[int(np.argmax(row))]
    return Limit(words=accepted, doubtful=doubtful, expected=expected, reasons=(reason(sentence),))


def passes(limit: Limit, value: float | str | tuple[str, ...]) -> bool:
    """Whether a reading is within its limit."""
    if isinstance(value, str):
        return value in limit.words
    if isinstance(value, tuple):
        return set(value) == set(limit.words)
    return limit.low <= value <= limit.high


def _number(column: Column) -> float:
    if column.value is None:
        raise DiagnoseError(f"{column.measurement}: it is told in words; expected one read as a number")
    return float(np.asarray(column.value)[0])


def _amps(value: float) -> str:
    return f"{value:.2g}" if value >= 0.01 else "under 0.01"


def _short(ohms: float) -> str:
    if math.isinf(ohms):
        return "OL"
    if ohms < 0.095:
        return f"{ohms * 1000:.2g} mohm" if ohms >= 5e-4 else "0 ohm"
    for factor, unit in ((1e6, "Mohm"), (1e3, "kohm")):
        if ohms >= factor:
            return f"{ohms / factor:.3g} {unit}"
    return f"{float(f'{ohms:.2g}'):g} ohm"
