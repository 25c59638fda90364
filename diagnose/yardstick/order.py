"""Do the suspects stand in the trade's order, and are the trade's deciding tests worth their minutes?

Compares; changes nothing. The belief is what a job starts from: the priors of the bike and what is
complained of, nothing measured yet.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from diagnose.bike.acts import STIRS
from diagnose.bike.model import JobState, Measurement, Wider
from diagnose.choice.score import entropy
from diagnose.conversation.planning import SHOWS_WHEN_CALM
from diagnose.conversation.state import WAIT_WEIGHT
from diagnose.widening import WideWorld
from diagnose.wiring import BikeWorld
from diagnose.yardstick.model import Row, matching

SLIP = 0.03  # [1] chance that a word was seen wrongly (estimate)
TOP = 3  # the trade's first cause must be among so many suspects
WORTH = 0.5  # [1] of the best step's information a minute that a deciding test must be worth
A_GLANCE_MINUTES = 0.5  # [min] a step without a tool up to here is a glance, not a test


@dataclass(frozen=True, slots=True)
class Worth:
    """What a test would tell if it came first. nats about the suspects; minutes with access and waiting."""

    measurement: str
    nats: float
    minutes: float

    @property
    def rate(self) -> float:
        """Information a minute [nats/min]."""
        return self.nats / self.minutes


@dataclass(frozen=True, slots=True)
class Judged:
    """One row, judged.

    ranking   (suspect, chance) from the most likely on: the row's causes, what is in none of them by part
    rank      place of the trade's first cause, from 1
    deciding  the best of the row's deciding tests, None if the bike's plan has none of them
    best      the best test of the kit; glance: the best step of the kit, glances included
    """

    row: Row
    ranking: tuple[tuple[str, float], ...]
    rank: int
    deciding: Worth | None
    best: Worth
    glance: Worth

    @property
    def first_stands(self) -> bool:
        """Whether the trade's first cause is among the leading suspects."""
        return self.rank <= TOP

    @property
    def share_of_best(self) -> float:
        """Information a minute over that of the best test; of a glance over that of the best glance [1]."""
        if self.deciding is None:
            return 0.0
        beside = self.glance if self.deciding.minutes <= A_GLANCE_MINUTES else self.best
        return self.deciding.rate / beside.rate

    @property
    def test_stands(self) -> bool:
        """Whether the deciding test is worth its minutes."""
        return self.share_of_best >= WORTH

    @property
    def agrees(self) -> bool:
        """Whether all that is not excused agrees with the trade."""
        return ("causes" in self.row.parts or self.first_stands) and (
            "deciding" in self.row.parts or self.test_stands
        )


def starting_belief(world: BikeWorld | WideWorld, row: Row) -> np.ndarray:
    """(n_candidates,) [1] chance of each suspect once the symptom is told and nothing is measured."""
    told = [world.complaint_likelihood((c,)) for c in row.complaints]
    weights = world.prior * (np.sum(told, axis=0) if told else 1.0)
    if row.seen:
        for mid, column in world.table(JobState(), tuple(row.seen)).columns.items():
            words = column.words
            if words is None:
                raise ValueError(
                    f"{row.id}: {mid} is answered with a number; expected one seen by eye or ear"
                )
            seen = words[:, column.choices.index(row.seen[mid])]
            weights = weights * (SLIP / len(column.choices) + (1.0 - SLIP) * seen)
    if row.loose:
        comes_and_goes = [any(f.intermittent < 1.0 for f in c.faults) for c in world.candidates]
        weights = weights * np.array(comes_and_goes)
    return weights / weights.sum()


def ranking(
    world: BikeWorld | WideWorld, belief: np.ndarray, row: Row
) -> tuple[tuple[tuple[str, float], ...], int]:
    """(suspects with their chances, most likely first; place of the row's first cause from 1).

    What has blown a fuse belongs to the cause that names this fuse, else a fault to the first cause that
    names it; what no cause names counts by its part.
    """
    shares: dict[str, float] = {c.title: 0.0 for c in row.causes}
    opened = world.predictor.found().opened if isinstance(world, BikeWorld) else {}
    blown = {f: opened[device] for f in world.view.fuses for device in opened if device.startswith(f"{f}.")}
    for i, (candidate, chance) in enumerate(zip(world.candidates, belief, strict=True)):
        if not candidate.is_fault:
            continue
        fault = candidate.faults[0]
        out = {f for f, rows in blown.items() if rows[i]}
        own = next((c.title for c in row.causes if out.intersection(c.blows)), "")
        own = own or next((c.title for c in row.causes if c.holds(fault.id)), fault.component)
        shares[own] = shares.get(own, 0.0) + float(chance)
    ordered = tuple(sorted(shares.items(), key=lambda item: -item[1]))
    return ordered, 1 + [title for title, _ in ordered].index(row.causes[0].title)


def tests(world: BikeWorld | WideWorld, row: Row, belief: np.ndarray) -> Mapping[str, Worth]:
    """Every step of the bike's plan for this complaint and kit, and the row's own, with what it is worth."""
    ids = dict.fromkeys(m for c in row.complaints for m in world.planned((c,), JobState(), row.kit))
    for pattern in row.deciding:
        ids |= dict.fromkeys(matching(pattern, world.measurements))
    if not row.complaints:  # only something seen: whatever is read in the condition in which it was seen
        when = {m.partition("@")[2] for m in row.seen}
        ids |= dict.fromkeys(m for m in world.measurements if m.partition("@")[2] in when)
    found = {}
    for mid, outcomes in world.outlook(JobState(), tuple(ids)).items():
        m = world.measurements[mid]
        if (
            row.loose and m.kind not in STIRS
        ):  # brought in, it is asleep: what is not stirred mostly looks sound
            outcomes = SHOWS_WHEN_CALM * outcomes + (1.0 - SHOWS_WHEN_CALM) * outcomes[:, [world.no_fault]]
        told = entropy(outcomes @ belief) - float(belief @ _own_entropy(outcomes))
        found[mid] = Worth(mid, max(told, 0.0), minutes(world, m, row.kit))
    return found


def _own_entropy(outcomes: np.ndarray) -> np.ndarray:
    """(n_candidates,) [nats] what remains open about a reading when the suspect is known."""
    return -(outcomes * np.log(np.maximum(outcomes, 1e-30))).sum(axis=0)


def minutes(world: BikeWorld | WideWorld, m: Measurement, kit: str) -> float:
    """Minutes of a measurement that comes first: the act, opening and closing its places, the wait."""
    access = sum(sum(world.view.places[p][1:]) for p in m.places if p in world.view.places)
    return m.minutes + access + WAIT_WEIGHT.get(kit, 1.0) * m.wait_min


def judge(bike: BikeWorld, row: Row) -> Judged:
    """Judge one row on its bike."""
    world = bike.widened(Wider(loose=True)) if row.loose else bike
    belief = starting_belief(world, row)
    ordered, rank = ranking(world, belief, row)
    found = tests(world, row, belief)
    wanted = {m for p in row.deciding for m in matching(p, found) if _as_meant(world, p, m)}
    deciding = max((found[m] for m in sorted(wanted)), key=lambda w: w.rate, default=None)
    serious = [w for w in found.values() if not _is_glance(world, w)]
    return Judged(
        row,
        ordered,
        rank,
        deciding,
        max(serious, key=lambda w: w.rate),
        max(found.values(), key=lambda w: w.rate),
    )


def _as_meant(world: BikeWorld | WideWorld, pattern: str, measurement: str) -> bool:
    """Whether a measurement is what a pattern means: the engine stands unless the pattern says it runs."""
    return "engine=" in pattern or not world.measurements[measurement].engine_runs


def _is_glance(world: BikeWorld | WideWorld, worth: Worth) -> bool:
    kit = world.measurements[worth.measurement].kit
    return kit == "hands" and worth.minutes <= A_GLANCE_MINUTES


def table(judged: Iterable[Judged]) -> str:
    """The rows for the screen, with the trade's shares beside the program's."""
    lines = [
        "row                        bike              first cause (place, chance; trade)            "
        "deciding test (nats/min, share of best test, of best step)"
    ]
    for j in judged:
        first = j.row.causes[0]
        chance = dict(j.ranking)[first.title]
        trade = f"{first.share} %" if first.share is not None else "first"
        mark = "" if j.agrees and not j.row.parts else ("  excused" if j.agrees else "  DIFFERS")
        head = f"{first.title} ({j.rank}., {chance:.0%}; {trade})"
        test = "none in the plan"
        if j.deciding:
            seen = j.deciding.rate / j.glance.rate
            test = f"{j.deciding.measurement} ({j.deciding.rate:.2f}, {j.share_of_best:.0%}, {seen:.0%})"
        lines.append(f"{j.row.id:<26} {j.row.bike:<17} {head:<45} {test}{mark}")
    return "\n".join(lines)


def detail(j: Judged) -> str:
    """One row at length: the suspects, the trade's shares, the best tests."""
    trade = {c.title: c.share for c in j.row.causes}
    lines = [
        f"{j.row.id} on {j.row.bike}, {j.row.complaint or 'no complaint'}, kit {j.row.kit}: {j.row.source}"
    ]
    for title, chance in j.ranking[: len(trade) + 6]:
        said = f"   trade {trade[title]} %" if trade.get(title) is not None else ""
        lines.append(f"  {100 * chance:5.1f} %  {title}{'' if title in trade else '  (in no cause)'}{said}")
    for name, worth in (("deciding", j.deciding), ("best test", j.best), ("best step", j.glance)):
        if worth:
            price = f"{worth.nats:.3f} nats in {worth.minutes:.1f} min = {worth.rate:.3f}"
            lines.append(f"  {name}: {worth.measurement}: {price}")
    if j.row.excused:
        lines.append(f"  excused ({', '.join(j.row.parts)}): {j.row.excused}")
    return "\n".join(lines)
