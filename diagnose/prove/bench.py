"""What a proving run works with: the plan, the bike in words, the wordings, and its suspects if needed.

Holds caches and gives out frozen values. The suspects are opened only when a check fails: a sound loom never
pays for them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

from diagnose.bike.build import build
from diagnose.bike.currents import service
from diagnose.bike.fuse_lamp import fuse_lamps
from diagnose.bike.model import BikeView, Measurement
from diagnose.bike.view import view
from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.differences import Difference, read_entries
from diagnose.conversation.this_bike import as_words
from diagnose.differing import lay_over, still_fits
from diagnose.errors import UsageError
from diagnose.journal import Record
from diagnose.means import Opened
from diagnose.prove.job import UnusedWorld
from diagnose.prove.limits import Sound
from diagnose.prove.model import Check, Plan
from diagnose.prove.order import make_plan
from diagnose.prove.words import read_prove_wording
from diagnose.rules.base import RuleBase
from diagnose.wording import Wording


@dataclass(slots=True, eq=False)
class Bench:
    """Everything a proving run asks. words: of jobs; own: of proving.

    differs  what differs on this one bike from its file, in words
    """

    plan: Plan
    sound: Sound
    view: BikeView
    rulebase: RuleBase
    words: Wording
    own: Wording
    differs: tuple[str, ...]
    _open: Callable[[], UnusedWorld]
    _world: UnusedWorld | None = None
    _measurements: dict[str, Measurement] = field(default_factory=dict)

    @property
    def world(self) -> UnusedWorld:
        """The bike with all its suspects; opened when first asked for."""
        if self._world is None:
            self._world = self._open()
        return self._world

    @property
    def named(self) -> Any:
        """The bike in words, as the names of a job want it."""
        return SimpleNamespace(view=self.view)

    def measurement(self, check: Check) -> Measurement | None:
        """The measurement behind a check; None for ratings and for what wakes."""
        if check.sort in ("wakes", "rating"):
            return None
        if check.measurement not in self._measurements:
            from diagnose.bike.asked import parse_measurement

            built, instruments = self.sound.built, self.sound.instruments
            self._measurements[check.measurement] = parse_measurement(built, instruments, check.measurement)
        return self._measurements[check.measurement]


def open_bench(opened: Opened, bike: str, differences: Sequence[Difference] = ()) -> Bench:
    """Make the plan of a bike, by id or path, as it really is; raises UsageError or KnowledgeError."""
    try:
        spec, _ = lay_over(opened.library, bike, differences)
    except UsageError as err:
        raise still_fits(err, bike) if differences else err from err
    built = build(spec)
    sound = Sound(built, service(built), opened.library.instruments)
    lamps = fuse_lamps(built, sound.service)
    seen = view(built, opened.library.complaints, opened.library.instruments, lamps)
    return Bench(
        make_plan(sound),
        sound,
        seen,
        opened.rulebase,
        opened.wording,
        read_prove_wording(),
        differences_in_words(opened, bike, differences, seen),
        lambda: UnusedWorld(opened.library, spec),
    )


def differences_in_words(
    opened: Opened, bike: str, differences: Sequence[Difference], seen: BikeView
) -> tuple[str, ...]:
    """What differs on the bike that is `seen`, one half line each."""
    if not differences:
        return ()
    drawn = build(compose_bike(opened.library, bike))
    as_drawn = view(drawn, opened.library.complaints, opened.library.instruments, seen.fuse_lamps)
    return tuple(as_words(d, SimpleNamespace(view=seen), as_drawn, opened.wording) for d in differences)


def reopen_bench(opened: Opened, record: Record) -> Bench:
    """The bench of a run as its journal tells of the bike."""
    return open_bench(opened, record.bike, read_entries(record.options.get("differs") or ()))
