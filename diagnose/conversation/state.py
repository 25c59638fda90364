"""Where a job stands, as one frozen value: a fold over the messages of its journal.

Part of the conversation. Holds no words and no physics; everything that costs time is cached in the world.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from diagnose.bike.acts import COMES_AND_GOES
from diagnose.bike.model import NOT_WIDER, JobState, Wider
from diagnose.catalogue.differences import Difference
from diagnose.choice.problem import Paid

KITS = ("hands", "lamp", "meter", "workshop")
SKILLS = ("beginner", "trade")
BEGINNER_FACTOR = 2.2  # [1] a beginner's minutes over the trade's (2 to 2.5, common practice, no source)
# weight of a minute of waiting: alone at the roadside it costs as much as work, in a shop it costs little
WAIT_WEIGHT: Mapping[str, float] = {"hands": 1.0, "lamp": 1.0, "meter": 0.5, "workshop": 0.1}

PHASES = ("intake", "working", "advised", "proving", "exit_check", "reproduce", "closed")


@dataclass(frozen=True, slots=True)
class Proved:
    """That this loom was proved before: by whom, when, and what that says about its faults now.

    factors  (fault id, factor on its chance), only what differs from 1
    """

    run: str
    by: str
    when: str
    checks: int
    factors: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Setting:
    """What the job is about and what it may use. '' and None mean: not said yet.

    switches   the switches that fool people: '' | checked | skipped
    shows      whether a fault that comes and goes is there at the beginning: '' | yes | no | skipped
    brought_on what brings it on, as the complaint says; '' if it is always there
    others     the line about other functions: '' | said | skipped
    meter      proof of meter and black lead: '' | proved | skipped
    differs    what differs on this bike from what is drawn
    price_limit  parts dearer than this wait for the customer's word; None: no limit
    proved     what an earlier proving run of this loom rules out; None without one
    """

    complaints: tuple[str, ...] = ()
    kit: str = ""
    skill: str = ""
    history: tuple[tuple[str, bool], ...] | None = None
    switches: str = ""
    shows: str = ""
    brought_on: str = ""
    others: str = ""
    meter: str = ""
    helper: bool = True
    engine_may_run: bool = True
    differs: tuple[Difference, ...] = ()
    price_limit: float | None = None
    proved: Proved | None = None


@dataclass(frozen=True, slots=True)
class Open:
    """The question that stands.

    id      id of an intake or safety question, of a measurement, or of the advised repair
    sort    intake | intake_meter | safety | measure | advice | proof | exit_check | exit_which | exit |
            reproduce | still_there | remaining (complaints after a repair) | agreement (a price above
            the limit)
    event   the event that asked it, to be shown again
    purpose for a safety question: the sort of the measurement that it opens
    """

    id: str
    sort: str
    measurement: str = ""
    choices: tuple[str, ...] = ()
    event: Mapping[str, Any] = field(default_factory=dict)
    purpose: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """One answered measurement. value is SI, +inf for OL, or the word.

    job       job state in which it was taken (what predicts it)
    slip      why it was doubted before it was accepted; '' if it was not
    repeats   it only confirms an earlier reading
    """

    measurement: str
    value: float | str
    text: str
    job: JobState
    slip: str = ""
    repeats: bool = False

    @property
    def doubtful(self) -> bool:
        """Accepted although it made no sense."""
        return bool(self.slip)


@dataclass(frozen=True, slots=True)
class Failed:
    """A repair that was done and did not help (fact among the readings, in its place)."""

    repair: str
    done: tuple[str, ...] = ()  # repairs done before it


@dataclass(frozen=True, slots=True)
class Calm:
    """'It works now': from here on a fault that comes and goes is asleep.

    unseen  nobody saw it go: it may have slept through any of the readings before
    """

    spell: str
    unseen: bool = False


@dataclass(frozen=True, slots=True)
class Back:
    """The fault was brought back: from here on it shows."""

    spell: str


@dataclass(frozen=True, slots=True)
class Awake:
    """A reading showed the fault while it was thought asleep: from here on it is read while it lasts."""


@dataclass(frozen=True, slots=True)
class Returned:
    """The fault came back after these repairs: they are suspect again, though somewhat less than before."""

    repairs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Still:
    """Asked once more before an end, the complaint is there: the bike is not sound."""


Evidence = Reading | Failed | Calm | Back | Awake | Returned | Still


UNTOUCHED, NOTHING_PAID, NOTHING_SAID = JobState(), Paid(), Setting()


@dataclass(frozen=True, slots=True)
class State:
    """One moment of a job.

    evidence   what the belief rests on, in order
    belief     diagnose.beliefs value, or None before it is needed
    refused    measurements skipped, not reachable or not known; points that cannot be reached
    declined   repairs the user does not want now
    said_no    safety facts that were answered no
    shown      cautions already shown: 'rule' ids
    doubted    (measurement, answer) that was questioned and waits to be said again
    taken_out, taken_apart, battery_undone  what the last step left apart, to be put back in words
    repaired   repairs that helped; causes: candidates they most likely cured
    proof      the reading that proved the last repair, in words; '' if none was taken
    against    the reading that spoke against it though the rider says that it works; '' if none did
    hope       chance [1] of the last repair before it was proved
    exit_skipped  the exit check was not done
    past       evidence from before a repair that was proved, when the search went on for a second fault
    rechecked  readings that were asked again because they fit least
    held       the state in which a proving run holds the bike: no question puts it together; None in a job
    log        accepted messages, each with the question it answered: what a journal holds
    wider      what the suspects were widened by; widened_at: how many readings there were then
    later      complaints kept for later, because no one or two faults explain all of them
    waiting    what the job waits for, '' if it goes on; waited_minutes: of all waits that are over
    agreed     repairs above the price limit that the customer agreed to
    estimated  the estimate was told
    insisted   whether the complaint is there was asked once more before an end
    before     the state that undo goes back to
    """

    phase: str = "intake"
    setting: Setting = NOTHING_SAID
    open: Open | None = None
    evidence: tuple[Evidence, ...] = ()
    belief: Any = None
    job: JobState = UNTOUCHED
    paid: Paid = NOTHING_PAID
    refused: frozenset[str] = frozenset()
    declined: frozenset[str] = frozenset()
    said_no: frozenset[str] = frozenset()
    shown: frozenset[str] = frozenset()
    doubted: tuple[str, str] | None = None
    notes: tuple[str, ...] = ()
    hands_minutes: float = 0.0
    steps: int = 0
    asked: int = 0
    taken_out: tuple[str, ...] = ()
    taken_apart: tuple[str, ...] = ()
    battery_undone: bool = False
    repaired: tuple[str, ...] = ()
    causes: tuple[str, ...] = ()
    proof: str = ""
    against: str = ""
    hope: float = 0.0
    exit_skipped: bool = False
    past: tuple[Evidence, ...] = ()
    rechecked: frozenset[str] = frozenset()
    outcome: str = ""
    held: JobState | None = None
    wider: Wider = NOT_WIDER
    widened_at: int = 0
    later: tuple[str, ...] = ()
    waiting: str = ""
    waited_minutes: float = 0.0
    agreed: frozenset[str] = frozenset()
    estimated: bool = False
    insisted: bool = False
    log: tuple[Mapping[str, Any], ...] = ()
    before: State | None = field(default=None, repr=False, compare=False)

    @property
    def readings(self) -> tuple[Reading, ...]:
        """The answered measurements among the evidence."""
        return tuple(e for e in self.evidence if isinstance(e, Reading))

    @property
    def all_complaints(self) -> tuple[str, ...]:
        """What is complained of, those kept for later included."""
        return (*self.setting.complaints, *self.later)

    @property
    def calm(self) -> bool:
        """Whether the fault does not show itself now: it worked, and nothing has brought it back since."""
        for e in reversed(self.evidence):
            if isinstance(e, Calm):
                return True
            if isinstance(e, Back | Awake) or (isinstance(e, Reading) and e.value == COMES_AND_GOES):
                return False
        return False

    @property
    def dozes(self) -> bool:
        """Whether the fault is asleep, or was until a reading showed it: it may sleep again at any time."""
        for e in reversed(self.evidence):
            if isinstance(e, Calm | Awake):
                return True
            if isinstance(e, Back) or (isinstance(e, Reading) and e.value == COMES_AND_GOES):
                return False
        return False

    def minutes_factor(self) -> float:
        """How much longer this user takes than the trade."""
        return BEGINNER_FACTOR if self.setting.skill == "beginner" else 1.0


def with_setting(state: State, **changes: Any) -> State:
    """The state with some of its setting changed."""
    return replace(state, setting=replace(state.setting, **changes))
