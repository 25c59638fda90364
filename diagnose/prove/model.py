"""What proving a loom is made of: stages, checks, limits, outcomes. Frozen values, no circuit inside.

Above the conversation: a whole job built on predictions, which calls the fault finding as a function.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from diagnose.bike.model import JobState

RESULTS = ("pass", "fail", "open")

# A reason in words: sentence id of the wording, and its values as (name, value) pairs.
Reason = tuple[str, tuple[tuple[str, str], ...]]


@dataclass(frozen=True, slots=True)
class Limit:
    """What a sound bike shows, and from where on a reading fails.

    value      computed for the sound bike [unit], +inf for OL; 0 for words
    low, high  accepted, both inclusive [unit]; high +inf accepts OL
    words      answers accepted; () for numbers
    doubtful   answers that an instrument must decide
    expected   what the sound bike shows, a word
    blind      this reading cannot tell the fault it looks for from a sound bike: another check has to
    reasons    how the limit comes about
    """

    unit: str = ""
    value: float = 0.0
    low: float = 0.0
    high: float = 0.0
    words: tuple[str, ...] = ()
    doubtful: tuple[str, ...] = ()
    expected: str = ""
    blind: bool = False
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True)
class Stage:
    """A situation of the bike in which checks are made, and what brings it about.

    job     fuses out, plugs apart, battery and lamps as they are in it
    needs   stages that must be without a failed check before this one; risk only grows
    guards  ids of checks that must have passed: without them this stage is not entered
    sets    what to do to come to it, in words
    """

    id: str
    phase: int
    job: JobState
    sets: tuple[Reason, ...] = ()
    guards: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Check:
    """One question with its limit.

    sort         ground | to_ground | switch | apart | joined | rating | posts | lamp | live | wakes |
                 current | pin | observe | drop | loaded | standing
    measurement  id of the measurement that predicts it; '' for ratings and for what wakes
    about        part, function or control that it is about
    choices      answers by id; () for numbers
    weight       how much of the likely mistakes it would show [1]
    parts        parts whose repair calls for it again
    instead      id of the check by instrument that decides a doubtful answer; '' without one
    """

    id: str
    stage: str
    phase: int
    sort: str
    measurement: str
    limit: Limit
    about: str = ""
    place: str = ""
    kit: str = "meter"
    minutes: float = 0.5
    choices: tuple[str, ...] = ()
    several: bool = False
    weight: float = 0.0
    parts: frozenset[str] = frozenset()
    instead: str = ""
    helper: bool = False
    engine_runs: bool = False
    points: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    """Every check of a bike, in order. minutes: hands-on, trade, places opened once a stage."""

    bike: str
    title: str
    stages: tuple[Stage, ...]
    checks: tuple[Check, ...]
    by_id: Mapping[str, Check] = field(default_factory=dict)

    def stage(self, name: str) -> Stage:
        """A stage by its id."""
        return next(s for s in self.stages if s.id == name)


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a check came out. value: SI, +inf for OL, or the word; None without a reading.

    why  sentence id that says why it is open, or ''
    """

    check: str
    result: str
    value: float | str | None = None
    text: str = ""
    why: str = ""
    times: int = 1
