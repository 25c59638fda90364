"""Let relays pull, outputs switch and fuses open until nothing changes, for a sheet of cases.

A round: solve, then ask every device what it would do at these volts. Quick things go first: relays,
outputs switching, units, motors, generators. Only when they rest do the slow ones act on the steady
current: outputs latch off, then the fuse that is furthest over its limit opens (the smallest clears
first; the others may then survive). A vector of states that comes back is a loop that never rests.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnose.circuit import elements as law
from diagnose.circuit.edits import Sheet
from diagnose.circuit.layout import BENT_LAWS
from diagnose.circuit.newton import Work
from diagnose.circuit.rest import undriven

Array = np.ndarray[Any, Any]

ROUNDS = 60  # a unit sliding down its bands needs most; ordinary cases rest after 3 to 6
# A turning motor stalls below this share of turn_volts. Estimate.
STALL_SHARE = 0.8


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """Branch volts of the nonlinear elements round by round, to begin the rounds of other cases at.

    keys  (n_rounds, S) of the device states in each round, -1 where there was none
    across  (n_rounds, n_bent, S)
    """

    keys: Array
    across: Array


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """What became of a sheet: volts by node (n + 1, B), states (D, B), flags (B,), phases by column.

    path  per round: columns, keys of the device states, branch volts of the nonlinear elements
    """

    volts: Array
    states: Array
    converged: Array
    restless: Array
    rounds: Array
    phases: Mapping[int, Array]
    path: tuple[tuple[Array, Array, Array], ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Round:
    columns: Array
    volts: Array
    ratios: Array
    keys: Array


def settle(sheet: Sheet, rounds: int = ROUNDS, begin: tuple[Path, Array] | None = None) -> Settled:
    """Settle the cases of a sheet.

    rounds  0 holds the device states as given
    begin   path of other cases of this netlist, and which of them (B,) each case starts like
    """
    still = np.flatnonzero(undriven(sheet))
    if not len(still):
        return _solved(sheet, rounds, begin)
    live = np.setdiff1d(np.arange(sheet.size), still)
    if not len(live):
        return _with_still(sheet, still, live, None)
    if begin is not None:
        begin = begin[0], begin[1][live]
    return _with_still(sheet, still, live, _solved(sheet.only(live, sheet.columns[live]), rounds, begin))


def _with_still(sheet: Sheet, still: Array, live: Array, solved: Settled | None) -> Settled:
    """What was solved of the live cases of a sheet, and the still ones: all at 0 V, found in one round."""
    size, layout = sheet.size, sheet.layout
    volts, states = np.zeros((layout.ground + 1, size)), sheet.states.copy()
    converged, restless = np.ones(size, dtype=bool), np.zeros(size, dtype=bool)
    counts = np.ones(size, dtype=np.int16)
    n_bent = sum(len(layout.by_law[name]) for name in BENT_LAWS)
    keys = _keys(_weights(len(layout.devices)), sheet.states[:, still])
    first = still, keys, np.zeros((n_bent, len(still)))
    if solved is None:
        return Settled(volts, states, converged, restless, counts, {}, (first,))
    volts[:, live], states[:, live] = solved.volts, solved.states
    converged[live], restless[live], counts[live] = solved.converged, solved.restless, solved.rounds
    path = [(live[at], its_keys, across) for at, its_keys, across in solved.path]
    at, its_keys, across = path[0]
    path[0] = (
        np.concatenate([at, first[0]]),
        np.concatenate([its_keys, first[1]]),
        np.concatenate([across, first[2]], axis=1),
    )
    phases = {int(live[column]): turns for column, turns in solved.phases.items()}
    return Settled(volts, states, converged, restless, counts, phases, tuple(path))


def _solved(sheet: Sheet, rounds: int, begin: tuple[Path, Array] | None) -> Settled:
    """Settle cases of which any may be driven. As settle."""
    work = Work(sheet)
    n, size = sheet.layout.ground, sheet.size
    states = sheet.states.copy()
    final = Settled(
        np.zeros((n + 1, size)),
        states.copy(),
        np.zeros(size, dtype=bool),
        np.zeros(size, dtype=bool),
        np.zeros(size, dtype=np.int16),
        {},
        (),
    )
    across = np.zeros((len(work.bent), size))
    path: list[tuple[Array, Array, Array]] = []
    devices = [_watch(work, d) for d in range(len(sheet.layout.devices))]
    weights = _weights(len(devices))
    past: list[_Round] = []
    phases: dict[int, Array] = {}
    count = 0
    while True:
        keys = _keys(weights, states)
        fresh = np.ones(len(keys), dtype=bool)
        if begin is not None:
            fresh = ~_begin_like(work, across, keys, *begin)
        with np.errstate(over="ignore", invalid="ignore"):  # ends as converged False
            work.settle_linear(states)
            volts, across, converged = work.newton(across, fresh)
        if count >= rounds or not devices:
            done = np.ones(len(work.columns), dtype=bool)
            new, ratios = states, None
            if rounds and devices:
                converged[:] = False
        else:
            quick, ratios = _judge(work, devices, volts, states)
            new = _act_slowly(devices, quick, states, ratios)
            done = ~(new != states).any(axis=0) | ~converged
            past.append(_Round(work.columns, volts, ratios, keys))
            again = np.flatnonzero(_seen(past, work.columns, _keys(weights, new)) & ~done)
            if len(again):
                loops = [
                    _loop(past, int(work.columns[column]), int(key))
                    for column, key in zip(again, _keys(weights, new[:, again]), strict=True)
                ]
                mean = np.array([np.mean([r for _, r in loop], axis=0) for loop in loops]).T
                slow = _act_slowly(devices, states[:, again], states[:, again], mean)
                acts = (slow != states[:, again]).any(axis=0)
                new[:, again[acts]] = slow[:, acts]
                never = again[~acts]
                done[never] = True
                final.restless[work.columns[never]] = True
                phases |= _phases(
                    work, never, [loop for loop, act in zip(loops, acts, strict=True) if not act]
                )
        path.append((work.columns, keys, across))
        count += 1
        if done.any():
            _finish(work, final, done, volts, states, converged, count)
        if done.all():
            break
        keep = ~done
        if not keep.all():
            work.keep(keep)
        states, across = np.ascontiguousarray(new[:, keep]), across[:, keep]
    return Settled(
        final.volts[work.position],
        final.states,
        final.converged,
        final.restless,
        final.rounds,
        phases,
        tuple(path),
    )


def _begin_like(work: Work, across: Array, keys: Array, path: Path, columns: Array) -> Array:
    """Set branch volts to those of the like case in the round in which its devices stood the same.

    returns  (B,) True where there was such a round
    """
    like = columns[work.columns]
    found = np.zeros(len(keys), dtype=bool)
    for its_keys, its_across in zip(path.keys, path.across, strict=True):
        same = its_keys[like] == keys
        if same.any():
            across[:, same] = its_across[:, like[same]]
            found |= same
    return found


def _finish(
    work: Work, final: Settled, done: Array, volts: Array, states: Array, converged: Array, count: int
) -> None:
    columns = work.columns[done]
    some = volts[:, done]
    work.fill_in(some, slice(None) if done.all() else done)
    final.volts[:, columns] = some
    final.states[:, columns] = states[:, done]
    final.converged[columns] = converged[done]
    final.rounds[columns] = count


def _phases(work: Work, columns: Array, loops: list[list[tuple[Array, Array]]]) -> dict[int, Array]:
    """Volts by node of every phase, (n_phases, n + 1), of cases that never rest."""
    if not loops:
        return {}
    counts = [len(loop) for loop in loops]
    turns = np.array([volts for loop in loops for volts, _ in loop]).T
    work.fill_in(turns, np.repeat(columns, counts))
    pieces = np.split(turns[work.position].T, np.cumsum(counts)[:-1])
    return dict(zip(work.columns[columns].tolist(), pieces, strict=True))


# ---- loops that never rest -------------------------------------------------------------------------


def _weights(n_devices: int) -> Array:
    """(n_devices,) numbers that make one key of a vector of device states."""
    return np.random.default_rng(20260101).integers(1, 2**52, size=n_devices)


def _keys(weights: Array, states: Array) -> Array:
    """(B,) one number for a vector of device states; equal vectors have equal numbers, others do not."""
    return weights @ states.astype(np.int64)


def _seen(past: list[_Round], columns: Array, keys: Array) -> Array:
    seen = np.zeros(len(columns), dtype=bool)
    for one in past:
        # columns only ever get fewer, in order
        seen |= one.keys[np.searchsorted(one.columns, columns)] == keys
    return seen


def _loop(past: list[_Round], column: int, key: int) -> list[tuple[Array, Array]]:
    """Volts and slow ratios of the rounds of the loop that starts with this state vector."""
    rounds = []
    for one in past:
        i = int(np.searchsorted(one.columns, column))
        rounds.append((one.keys[i], one.volts[:, i], one.ratios[:, i]))
    first = max(i for i, (k, _, _) in enumerate(rounds) if k == key)
    return [(v, r) for _, v, r in rounds[first:]]


# ---- devices ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Watch:
    """A device with the numbers of what it looks at. rows: of its element in the driven ones."""

    number: int
    law: str
    row: int
    coils: tuple[tuple[int, float], ...]
    supply: tuple[int, int]
    inputs: tuple[int, ...]
    load: int


def _watch(work: Work, number: int) -> _Watch:
    layout = work.layout
    device = layout.devices[number]
    driven = {int(e): i for i, e in enumerate(work.driven)}

    def element(role: str) -> int:
        names = device.roles.get(role, ())
        return layout.element_of[names[0]] if names else -1

    def node(role: str) -> int:
        names = device.roles.get(role, ())
        return int(work.position[layout.node_of[names[0]]]) if names else -1

    coils = tuple(
        (layout.element_of[c], float(layout.elements[layout.element_of[c]].values.get("resistance", 0.0)))
        for c in device.roles.get("coil", ())
    )
    own = element("output") if device.law == "output" else element("element")
    return _Watch(
        number,
        device.law,
        driven.get(own, -1),
        coils,
        (node("supply_plus_node"), node("supply_minus_node")),
        tuple(int(work.position[layout.node_of[x]]) for x in device.roles.get("input_node", ())),
        element("load_element"),
    )


def _judge(work: Work, devices: list[_Watch], volts: Array, states: Array) -> tuple[Array, Array]:
    """What every device does next if it is quick (D, B), and how far the slow ones are over limit (D, B)."""
    new = states.copy()
    ratios = np.zeros(states.shape)
    across = work.branch_volts(work.driven, volts)
    g, j, _ = work.driven_pieces(states)
    value = work.device_values
    for w in devices:
        d, now = w.number, states[w.number]
        if w.law == "relay":
            pull = np.max([_coil_volts(work, c, ohms, volts) for c, ohms in w.coils], axis=0)
            new[d] = np.where(
                pull >= value[d, "operate_volts"], 1, np.where(pull <= value[d, "release_volts"], 0, now)
            )
        elif w.law == "output":
            minus = volts[w.supply[1]]
            awake = volts[w.supply[0]] - minus >= value[d, "minimum_volts"]
            for k in w.inputs:
                awake &= volts[k] - minus < value[d, "input_low"]
            new[d] = np.where(now == 2, 2, awake)
            if w.load >= 0:
                amps = np.abs(work.branch_current(w.load, volts, states))
            else:
                amps = np.abs(g[w.row] * across[w.row])
            ratios[d] = np.where(now == 1, amps / value[d, "limit"], 0.0)
        elif w.law == "fuse":
            free = work.forced[w.row] < 0.0
            rating = work.table["fuse", "rating"][work.fuse_rows[w.row]]
            ratios[d] = np.where(
                (now == 0) & free, np.abs(g[w.row] * across[w.row]) / (rating * value[d, "opens_at"]), 0.0
            )
        elif w.law == "electronic":
            cut_off = work.table["electronic", "cut_off_volts"][w.row - len(work.switched)]
            new[d] = law.unit_band(across[w.row], cut_off, now)
        elif w.law == "motor":
            bemf = work.table["motor", "back_emf"][w.row - len(work.switched) - len(work.units)]
            turn = value[d, "turn_volts"]
            stalls = across[w.row] < np.maximum(STALL_SHARE * turn, bemf)
            new[d] = np.where((now == 1) & stalls, 0, np.where(across[w.row] >= turn, 1, now))
        else:
            new[d] = _generator(work, w, across[w.row], j[w.row] - g[w.row] * across[w.row], now)
    return new, ratios


def _generator(work: Work, w: _Watch, across: Array, out: Array, now: Array) -> Array:
    i = w.row - len(work.switched) - len(work.units) - len(work.motors)
    regulated, limit = (work.table["generator", name][i] for name in ("regulated_volts", "max_current"))
    ohms = work.table["generator", "resistance"][i]
    from_blocked = np.where(across < regulated, 1, 0)
    from_regulating = np.where(out > limit, 2, np.where(out < 0.0, 0, 1))
    from_limited = np.where(across > regulated - ohms * limit, 1, 2)
    return np.where(limit <= 0.0, 0, np.choose(now, [from_blocked, from_regulating, from_limited]))


def _coil_volts(work: Work, number: int, nominal: float, volts: Array) -> Array:
    """Volts that a coil feels: its ampere-turns against those of a sound one. [V]

    A coil with added ohms or a break has its current as measure, one with shorted turns its volts.
    """
    across = np.abs(work.branch_volts(np.array([number]), volts)[0])
    row = work.fixed_row[number]
    if row < 0:
        return across * work.present[number]
    return across * np.minimum(1.0, work.fixed_g[row] * nominal) if nominal else across


def _act_slowly(devices: list[_Watch], quick: Array, states: Array, ratios: Array) -> Array:
    """States after this round: the quick ones where any moves, else outputs latch, else one fuse opens."""
    new = quick.copy()
    quiet = ~(quick != states).any(axis=0)
    outputs = [w.number for w in devices if w.law == "output"]
    if outputs and quiet.any():
        over = (ratios[outputs] > 1.0) & quiet
        for i, d in enumerate(outputs):
            new[d, over[i]] = 2
        quiet &= ~over.any(axis=0)
    fuses = np.array([w.number for w in devices if w.law == "fuse"], dtype=np.intp)
    if len(fuses) and quiet.any():
        worst = np.argmax(ratios[fuses], axis=0)
        opens = quiet & (ratios[fuses][worst, np.arange(len(worst))] >= 1.0)
        new[fuses[worst[opens]], np.flatnonzero(opens)] = 1
    return new
