"""What each instrument shows at solved operating points: one group of measurements at a time.

Part of the fourth arrow. A group shares kind and condition, so that one factorisation serves all its
points. Numbers are rounded here, once, to what a display can show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from diagnose.bike.acts import STIRS, is_stirred_first
from diagnose.bike.aids import core_of
from diagnose.bike.build import lamp_nodes, node_of_point
from diagnose.bike.currents import is_lit
from diagnose.bike.fuse_lamp import fuse_lamps
from diagnose.bike.model import JobState, Measurement
from diagnose.circuit import instruments as bench
from diagnose.circuit.netlist import Case, Element
from diagnose.circuit.solve import Solution
from diagnose.predictions import effects
from diagnose.predictions.functions import Functions
from diagnose.predictions.outcomes import log_ohms, log_ohms_spread
from diagnose.predictions.severity import words_by_degree
from diagnose.predictions.situations import Mode
from diagnose.predictions.swapping import shown_by_swap
from diagnose.predictions.table import Column

# Ranges that a handheld meter shows: 200 V on the ranges that a bike uses, 20 Mohm, 10 A. What a loom shows
# above 5 Mohm is damp, dirt and fingers, and tells no fault (estimate): as good as OL.
VOLTS_RANGE = 60.0
AC_RANGE = 400.0
OHMS_RANGE = 5e6
AMPS_RANGE = 10.0
OHMS_BUILT = 0.08  # windings and cold filaments from part to part (half of their usual +-15 %)
OHMS_STEP = 0.1  # ohm, last digit of a 200 ohm range
AC_SPREAD = 0.15  # kick speed and a meter that averages (estimate)
LIT_SPREAD = (
    0.08  # the same with lamps on a running engine, whose volts a regulator or the lamps hold (estimate)
)
LAMP_WATTS = 5.0  # the test lamp itself
DIODE_TOP = 3.2  # V, open volts of a diode range at most
DIODE_SPREAD = 0.04  # V, junctions differ from part to part (estimate)
AMPS_SPREAD = 0.06  # loads as built (5 % lamps and windings) and the meter's 1.5 %
# Which faults a stir brings out, by their tag, and how often it does (estimates).
STIRRED_BY = {"wiggle": "vibration", "heat": "heat", "wet": "wet"}
STIRRED_LOOSE = 0.75  # a fault that comes and goes, at this place
STIRRED_FIRST = 0.5  # the same when one looks only afterwards: it may have fallen back (estimate)
STIRRED_STEADY = 0.2  # one that is there all the time flickers when it is moved
STIRRED_BY_CHANCE = 0.02
CELL_VOLTS = 2.12  # V, of a charged lead-acid cell at rest
# V, a cell at rest less its specific gravity (rule of the trade, from memory; good to 0.01)
VOLTS_LESS_GRAVITY = 0.845
ONE_CELL = "one_cell"  # tag of a battery's mode that spoils one cell and leaves the others
SEEN_WHEN_BLOWN = 0.95  # a blown fuse is seen by whoever looks at it (common practice)


def read_group(p: Functions, job: JobState, group: Sequence[Measurement]) -> list[Column]:
    """Columns of measurements of one kind in one condition."""
    kind = group[0].kind
    if kind in ("volts", "drop", "lowest_volts", "worked_volts"):
        return _volts(p, job, group, "dc")
    if kind == "ac_volts":
        return _volts(p, job, group, "ac")
    if kind == "ohms":
        return _ohms(p, job, group)
    if kind == "diode":
        return _diode(p, job, group)
    if kind == "lamp":
        return _lamp(p, job, group)
    if kind == "clamp":
        return [_clamp(p, job, m) for m in group]
    if kind == "amps":
        return _amps(p, job, group)
    if kind in STIRS:
        return [_stirred(p, job, m) for m in group]
    if kind == "swap":
        return [_words(m, shown_by_swap(p, job, m)) for m in group]
    if kind in ("observe", "jumper"):
        return [_observe(p, job, m) for m in group]
    if kind == "count":
        return [_by_degree(m, p.flash_counts(job, m.what, m.condition)) for m in group]
    if kind == "gravity":
        return [_gravity(p, job, m) for m in group]
    return [_inspect(p, job, m) for m in group]


def stirred_loose(m: Measurement) -> float:
    """[1] chance that a stir at its place shows a fault that comes and goes."""
    return STIRRED_FIRST if is_stirred_first(m) else STIRRED_LOOSE


def _stirred(p: Functions, job: JobState, m: Measurement) -> Column:
    """Whether the fault comes or goes while everything at a place is moved, warmed or wetted.

    With a meter between two points it comes and goes only if it changes what that meter shows.
    """
    answered = np.full(len(p.candidates), STIRRED_BY_CHANCE)
    shows = _moves_meter(p, job, m) if m.plus else np.ones(len(p.candidates), dtype=bool)
    for i, c in enumerate(p.candidates):
        if not shows[i]:
            continue
        own = [f for f in c.faults if f.place == m.what and STIRRED_BY[m.kind] in f.tags]
        if own:
            loose = any(f.intermittent < 1.0 for f in own)
            answered[i] = stirred_loose(m) if loose else STIRRED_STEADY
    words = np.stack([1.0 - answered, answered], axis=1)
    return Column(m.id, m.kind, "", choices=m.choices, words=words)


def _moves_meter(p: Functions, job: JobState, m: Measurement) -> np.ndarray:
    """(n_candidates,) whether a fault changes the reading between a stir's two points by three spreads."""
    (column,) = read_group(p, job, [replace(m, kind="volts" if m.condition.battery else "ohms")])
    assert column.value is not None and column.spread is not None
    if column.scale == "log":
        value, spread = log_ohms(column.value), log_ohms_spread(column.value, column.spread)
    else:
        value, spread = column.value, column.spread
    sound = value[p.healthy]
    with np.errstate(invalid="ignore"):  # OL on both sides is no change
        away = np.abs(value - sound) > 3.0 * np.maximum(spread, spread[p.healthy])
    return (value != sound) & (away | (np.isinf(value) != np.isinf(sound)))


def _pairs(p: Functions, group: Sequence[Measurement]) -> list[tuple[str, str]]:
    spec = p.built.spec
    return [(node_of_point(spec, m.plus), node_of_point(spec, m.minus)) for m in group]


def _over_phases(
    solution: Solution, plus: str, minus: str, value: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """What a slow eye or meter makes of a loop that never rests: the mean of its phases, and their swing.

    returns  (n,) values, restless ones replaced; (n,) half the range of the phases, 0 elsewhere
    """
    swing = np.zeros(len(value))
    if not solution.restless.any():
        return value, swing
    value = value.copy()
    for column, across in solution.turns_between(plus, minus):
        value[column], swing[column] = across.mean(), 0.5 * np.ptp(across)
    return value, swing


def _instrument(p: Functions, kind: str, name: str, default: float) -> float:
    value = p.instruments[kind].values.get(name)
    return value.number if value is not None else default


def round_to(values: np.ndarray, step: float) -> np.ndarray:
    """Round to a display's step; infinite stays infinite, negative zero becomes zero."""
    return np.round(values / step) * step + 0.0


def _volts(p: Functions, job: JobState, group: Sequence[Measurement], mode: str) -> list[Column]:
    solution = p.solution(job, group[0].condition, mode)
    pairs = _pairs(p, group)
    meter = _instrument(p, group[0].kind, "resistance", 1e7)
    accuracy = _instrument(p, group[0].kind, "accuracy", 0.005)
    digits = _instrument(p, group[0].kind, "digits", 0.02)
    cell = p.built.batteries[0] if p.built.batteries else None
    values, spreads, shifts = bench.read_volts_with_spread(solution, pairs, meter, cell)
    for other in p.ac_modes()[1:] if mode == "ac" else ():
        across = p.solution(job, group[0].condition, other)
        more, _, _ = bench.read_volts_with_spread(across, pairs, meter, cell)
        values = np.hypot(values, more)
    out = []
    for i, m in enumerate(group):
        value, swing = _over_phases(solution, *pairs[i], values[i])
        own = np.hypot(spreads[i], swing)
        shift = shifts[i][:, None]
        low, high = -VOLTS_RANGE, VOLTS_RANGE
        if mode == "ac":
            value = np.abs(value)
            own = np.hypot(own, (LIT_SPREAD if is_lit(p.built, m.condition) else AC_SPREAD) * value)
            shift = np.zeros((len(value), 1))
            low, high = 0.0, AC_RANGE
        spread = np.sqrt(own**2 + (accuracy * value) ** 2 + digits**2)
        out.append(
            Column(
                m.id,
                m.kind,
                "V",
                round_to(value, 0.001),
                round_to(spread, 1e-4),
                round_to(shift, 1e-3),
                low=low,
                high=high,
            )
        )
    return out


def _ohms(p: Functions, job: JobState, group: Sequence[Measurement]) -> list[Column]:
    solution = p.solution(job, group[0].condition, "dead")
    pairs = _pairs(p, group)
    values = bench.read_ohms(solution, pairs)
    accuracy = _instrument(p, "ohms", "accuracy", 0.008)
    out = []
    for i, m in enumerate(group):
        value = np.where(values[i] > OHMS_RANGE, np.inf, values[i])
        safe = np.where(np.isinf(value), OHMS_RANGE, value)
        # filaments, windings and joints as built, and the meter; its last digit is the likelihood's matter
        relative = np.full(len(value), np.hypot(OHMS_BUILT, accuracy))
        rounded = np.where(np.isinf(value), np.inf, _as_displayed(safe))
        out.append(
            Column(
                m.id,
                m.kind,
                "ohm",
                rounded,
                relative,
                np.zeros((len(value), 1)),
                scale="log",
                low=0.0,
                high=OHMS_RANGE,
            )
        )
    return out


def _as_displayed(ohms: np.ndarray) -> np.ndarray:
    """Three figures, and never finer than the 0.1 ohm of a 200 ohm range."""
    exponent = np.floor(np.log10(np.maximum(ohms, 1e-3)))
    step = np.maximum(10.0 ** (exponent - 2), OHMS_STEP)
    return np.round(ohms / step) * step


def _diode(p: Functions, job: JobState, group: Sequence[Measurement]) -> list[Column]:
    cases = p.solution(job, group[0].condition, "dead").cases
    values = bench.read_diode_test(p.compiled, cases, _pairs(p, group))
    out = []
    for m, value in zip(group, values, strict=True):
        shown = np.where(np.isinf(value), 0.0, value)
        spread = np.sqrt(DIODE_SPREAD**2 + (0.02 * shown) ** 2)
        zeros = np.zeros((len(value), 1))
        out.append(Column(m.id, m.kind, "V", round_to(value, 0.001), spread, zeros, low=0.0, high=DIODE_TOP))
    return out


def lamp_watts(p: Functions, m: Measurement) -> float:
    """Rated watts of a lamp: the test lamp's own, or of the one that takes the place of a fuse."""
    fuse = m.plus.partition(".")[0]
    if fuse in m.condition.out and fuse == m.minus.partition(".")[0]:
        return fuse_lamps(p.built, p.service)[fuse]
    return LAMP_WATTS


def _lamp(p: Functions, job: JobState, group: Sequence[Measurement]) -> list[Column]:
    """A test lamp between two points, or one in place of a fuse that is out; one batch for all."""
    mode = "ac" if is_lit(p.built, group[0].condition) else "dc"
    standing = {lamp_nodes(p.built, lamp.partition(":")[0]) for lamp in job.lamps}
    rated = p.built.spec.supply_volts
    full = rated * 1.03
    pairs = _pairs(p, group)
    found: dict[str, np.ndarray] = {}
    cases: list[Case] = []
    lamps: list[Element] = []
    added: list[int] = []
    by_condition: dict[str, list[Case]] = {}
    for i, (m, (plus, minus)) in enumerate(zip(group, pairs, strict=True)):
        if {(plus, minus), (minus, plus)} & standing:  # the lamp is in the circuit already
            bare = p.solution(job, m.condition, mode)
            found[m.id], _ = _over_phases(bare, plus, minus, bare.between(plus, minus))
            continue
        text = m.condition.text
        if text not in by_condition:
            by_condition[text] = p.bare_cases(job, m.condition, mode)[0]
        watts = lamp_watts(p, m)
        own = by_condition[text]
        cases += own
        lamps += [bench.lamp_between(plus, minus, volts=rated, watts=watts)] * len(own)
        added.append(i)
    if cases:
        loaded = bench.with_elements(p.compiled, cases, lamps).solution
        n = len(p.candidates)
        for k, i in enumerate(added):
            mine = slice(k * n, (k + 1) * n)
            if loaded.restless[mine].any():
                part = loaded.take(np.arange(mine.start, mine.stop))
                found[group[i].id], _ = _over_phases(part, *pairs[i], part.between(*pairs[i]))
            else:
                found[group[i].id] = loaded.between(*pairs[i])[mine]

    def lit(volts: np.ndarray) -> np.ndarray:
        return effects.lamp_words(volts, full)

    return [_by_degree(m, words_by_degree(lit, (np.abs(found[m.id]),), p.ranges)) for m in group]


def _amps(p: Functions, job: JobState, group: Sequence[Measurement]) -> list[Column]:
    """An ammeter in place of each fuse, all in one batch, or in the battery's own lead."""
    shunt = _instrument(p, "amps", "resistance", 0.01)
    found: dict[str, np.ndarray] = {}
    cases: list[Case] = []
    meters: list[Element] = []
    fuses = [m for m in group if m.what != "battery"]
    for m in group:
        own, start = p.bare_cases(job, m.condition)
        if m.what == "battery":
            cell = p.built.batteries[0]
            found[m.id] = bench.read_amps_in_series(p.compiled, own, cell, shunt, start).amps
            continue
        kind = p.built.spec.kinds[p.built.spec.parts[m.what].kind]
        plus, minus = (node_of_point(p.built.spec, f"{m.what}.{t}") for t in kind.terminals[:2])
        cases += own
        meters += [Element("#ammeter", "resistor", plus, minus, {"resistance": shunt})] * len(own)
    if fuses:
        amps = bench.with_elements(p.compiled, cases, meters).amps.reshape(len(fuses), -1)
        found |= dict(zip((m.id for m in fuses), amps, strict=True))
    return [_amps_column(m, np.abs(found[m.id])) for m in group]


def _clamp(p: Functions, job: JobState, m: Measurement) -> Column:
    """The current through a cable, felt by its field: nothing is put into the circuit."""
    value = np.abs(p.solution(job, m.condition).current(core_of(m.what)))
    digits = _instrument(p, "clamp", "digits", 0.3)
    spread = np.hypot(AMPS_SPREAD * value, digits)
    zeros = np.zeros((len(value), 1))
    high = float(value.max(initial=0.0)) * 1.2 + 10.0
    return Column(m.id, m.kind, "A", round_to(value, 0.01), round_to(spread, 1e-4), zeros, low=0.0, high=high)


def _amps_column(m: Measurement, value: np.ndarray) -> Column:
    spread = np.sqrt((AMPS_SPREAD * value) ** 2 + 0.002**2)
    zeros = np.zeros((len(value), 1))
    high = max(AMPS_RANGE, float(value.max()) * 1.1)
    return Column(m.id, m.kind, "A", round_to(value, 1e-4), round_to(spread, 1e-5), zeros, low=0.0, high=high)


def _observe(p: Functions, job: JobState, m: Measurement) -> Column:
    return _by_degree(m, p.function_degrees(job, m.what, m.condition))


def _gravity(p: Functions, job: JobState, m: Measurement) -> Column:
    """What a hydrometer shows in the cells of a battery under each candidate: charge, not terminals."""
    emf = p.cell_volts(job)
    cells = round(float(emf[p.healthy]) / CELL_VOLTS)
    one = [any(f.component == m.what and ONE_CELL in f.tags for f in c.faults) for c in p.candidates]
    return _words(m, effects.gravity_words(emf / cells - VOLTS_LESS_GRAVITY, np.array(one)))


def _words(m: Measurement, words: np.ndarray) -> Column:
    clipped = np.clip(words, 0.0, 1.0)
    total = clipped.sum(axis=1, keepdims=True)
    return Column(m.id, m.kind, "", words=np.round(clipped / total, 4), choices=m.choices)


def _by_degree(m: Measurement, words: np.ndarray) -> Column:
    """A column of words (n_candidates, n_points, n_choices) that hang on where a severity lies."""
    clipped = np.clip(words, 0.0, 1.0)
    degree = np.round(clipped / clipped.sum(axis=2, keepdims=True), 4)
    return replace(_words(m, degree.mean(axis=1)), degree=degree)


def _inspect(p: Functions, job: JobState, m: Measurement) -> Column:
    """Chance of each answer of a look: what is wrong shows or not; a blown fuse shows as well."""
    n = len(p.candidates)
    spec = p.built.spec
    damaged: dict[str, np.ndarray] = {}
    traced = m.what in spec.wires
    for component in m.components:
        kind = spec.kinds[spec.parts[component].kind]
        look = (kind.trace if traced else None) or kind.look
        false_alarm = look.false_alarm if look else 0.01
        damaged[component] = np.full(n, false_alarm if len(m.components) == 1 else false_alarm / 4.0)
    done = set(job.done)
    for i, candidate in enumerate(p.candidates):
        for fault in candidate.faults:
            if fault.component in damaged and not done.intersection(fault.repairs):
                shows = fault.traced if traced and fault.traced is not None else fault.visible
                damaged[fault.component][i] = max(damaged[fault.component][i], shows)
    for device, mask in p.found().opened.items():
        component = device.partition(".")[0]
        if component in damaged and component not in job.renewed:
            damaged[component] = np.where(mask, SEEN_WHEN_BLOWN, damaged[component])
    if len(m.choices) == 2:
        bad = damaged[m.components[0]]
        return _words(m, np.stack([1.0 - bad, bad], axis=1))
    # a sweep: the user names the part that looks worst; nothing, if none does
    rates = np.array([damaged[c] for c in m.choices[1:]])  # (n_parts, n)
    none = np.prod(1.0 - rates, axis=0)
    odds = rates / np.maximum(1.0 - rates, 1e-3)
    share = odds / np.maximum(odds.sum(axis=0), 1e-12)
    return _words(m, np.concatenate([none[None, :], share * (1.0 - none)], axis=0).T)


def mode_of(m: Measurement) -> Mode:
    """Which solution of its condition a measurement reads."""
    if m.kind == "ac_volts":
        return "ac"
    if m.kind in ("ohms", "diode"):
        return "dead"
    return "dc"
