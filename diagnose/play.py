"""Play one job to its end against a bike with a hidden fault: the job as a function.

Used by trials, demonstrations and replays. The player answers measurements; everything else (safety
questions, "did it help?") is answered as an honest user would.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, cast

from diagnose.bike.acts import BARE_HANDED
from diagnose.bike.model import JobState, Measurement
from diagnose.conversation.means import Means, permit
from diagnose.conversation.planning import physical
from diagnose.conversation.step import begin, step
from diagnose.conversation.world import World
from diagnose.errors import DiagnoseError
from diagnose.rules.base import RuleBase
from diagnose.wording import Wording

MOST_MESSAGES = 150  # a job of more than this has lost its way
# the answers to the first questions of a rider who is used to a meter, with nothing to tell
AS_KNOWN: Mapping[str, Any] = {
    "kit": "meter", "skill": "trade", "history": {}, "switches": "checked", "others": "skipped",
}  # fmt: skip

Told = Callable[[Mapping[str, Any]], None]
Said = Callable[[Mapping[str, Any]], None]


class Player(Protocol):
    """A bike that answers."""

    def answer(self, m: Measurement, job: JobState) -> str:
        """What the user reports of this measurement in this job state."""
        ...

    def again(self, m: Measurement, job: JobState) -> str:
        """The same measurement once more, because the first answer was doubted."""
        ...

    def truth(self, m: Measurement, job: JobState) -> str:
        """What a careful user reports: no slip."""
        ...

    def cured(self) -> None:
        """The fault was repaired: from now on the bike is sound."""
        ...

    def fails(self) -> bool:
        """Whether what was complained of is there just now."""
        ...


@dataclass(frozen=True, slots=True)
class Mended:
    """What a repair did to a bike with several faults. works: yes | no | some, as the user says it."""

    right: bool
    works: str


class SeveralFaults(Player, Protocol):
    """A bike with several faults, of which a repair takes one."""

    def left_over(self, complaints: Sequence[str]) -> list[str]:
        """Of these complaints those that the bike still has."""
        ...


class ComesAndGoes(Player, Protocol):
    """A bike whose fault shows at times."""

    def back(self) -> bool:
        """Whether whoever tries to bring the fault back succeeds."""
        ...


@dataclass(frozen=True, slots=True)
class Advised:
    """One piece of advice on the way. right: it cures the hidden fault."""

    sort: str
    repair: str
    probability: float
    right: bool


@dataclass(frozen=True, slots=True)
class Played:
    """How a job went.

    outcome   repaired | stopped | paused | lost
    steps     measurements asked; tool_steps: of them those that need an instrument
    minutes   hands-on minutes as the job itself counts them
    doubts    readings that were questioned and stood by
    asked     measurements in order; answers: with what was said
    stop      the text of a stop, if it ended so
    blocked   steps offered although a rule blocks them (must be none)
    estimate  (low, expected, high) hands-on minutes told before work started; () if none was
    refused   what the job said against messages that were to be said first
    """

    outcome: str
    causes: tuple[str, ...]
    advice: tuple[Advised, ...]
    steps: int
    tool_steps: int
    minutes: float
    doubts: int
    asked: tuple[str, ...]
    stop: str = ""
    answers: tuple[tuple[str, str], ...] = ()
    blocked: tuple[str, ...] = ()
    estimate: tuple[float, ...] = ()
    refused: tuple[str, ...] = ()


def play(
    world: World,
    rulebase: RuleBase,
    wording: Wording,
    options: Mapping[str, Any],
    player: Player,
    cures: Callable[[str], bool | Mended],
    *,
    first: Sequence[Mapping[str, Any]] = (),
    told: Told | None = None,
    said: Said | None = None,
    watch: Callable[[Any], None] | None = None,
) -> Played:
    """Play a job.

    options  as intake.settle takes them: complaints, kit, skill, history ...
    cures    whether a repair id cures what is hidden; with several faults, what it did
    first    messages to say before the player answers by himself
    watch    called with the job's state before each message
    told     called with every event; said: with every message (to show or record the talk)
    """
    state, events = begin(options, world, rulebase, wording)
    advice: list[Advised] = []
    asked: list[str] = []
    answers: list[tuple[str, str]] = []
    blocked: list[str] = []
    doubts = 0
    stop = ""
    estimate: tuple[float, ...] = ()
    scripted, refused = list(first), list[str]()
    by_script = False
    for _ in range(MOST_MESSAGES):
        for event in events:
            if told:
                told(event)
            if "estimate" in event and not estimate:
                estimate = tuple(event["estimate"]["minutes"][k] for k in ("low", "expected", "high"))
        closing = next((e for e in events if e["event"] == "closed"), None)
        ends = [e for e in events if e["event"] == "advice" and e["sort"] == "stop"]
        stop = ends[-1]["text"] if ends else stop
        if closing is not None:
            tools = sum(1 for a in asked if a.partition(":")[0] not in BARE_HANDED)
            return Played(
                closing["outcome"],
                tuple(closing["causes"]),
                tuple(advice),
                len(asked),
                tools,
                float(closing["hands_minutes"]),
                doubts,
                tuple(asked),
                stop,
                tuple(answers),
                tuple(blocked),
                estimate,
                tuple(refused),
            )
        problem = next((e for e in events if e["event"] == "problem"), None)
        # a doubted slip is part of the story
        if problem is not None and by_script and not problem.get("doubt"):
            refused.append(str(problem["message"]))
        opened = state.open
        if opened is not None and opened.measurement and opened.sort != "safety":
            judged = permit(Means(world, rulebase, wording), state, world.measurements[opened.measurement])
            if judged.blocked:
                blocked.append(opened.measurement)
        if watch:
            watch(state)
        by_script = bool(scripted)
        message = (
            dict(scripted.pop(0)) if scripted else reply(world, state, player, cures, advice, asked, problem)
        )
        doubts += "sure" in message
        if state.open is not None and state.open.measurement and "answer" in message:
            answers.append((state.open.measurement, str(message["answer"])))
        if said:
            said(message)
        state, events = step(state, message, world, rulebase, wording)
    return Played("lost", (), tuple(advice), len(asked), 0, state.hands_minutes, doubts, tuple(asked), stop)


def reply(
    world: World,
    state: Any,
    player: Player,
    cures: Callable[[str], bool | Mended],
    advice: list[Advised],
    asked: list[str],
    problem: Mapping[str, Any] | None,
) -> dict[str, Any]:
    """The message of an honest user to what stands open."""
    opened = state.open
    if opened is None:
        raise DiagnoseError("the job stands without a question and is not closed; expected one or the other")
    if opened.sort == "advice":
        event = opened.event
        did = cures(opened.id)
        if isinstance(did, bool):
            did = Mended(did, "yes" if did else "no")
            if did.right:
                player.cured()
        advice.append(Advised(event["sort"], opened.id, float(event["probability"]), did.right))
        return {"done": opened.id, "works": did.works}
    if opened.measurement and opened.sort != "safety":
        m = world.measurements[opened.measurement]
        if problem is None:
            asked.append(m.id)
        if problem is None:
            ask = player.again if m.id in state.rechecked else player.answer
            return {"answer": ask(m, physical(state.job))}
        if problem.get("doubt"):
            return {"answer": player.again(m, physical(state.job)), "sure": True}
        return {"answer": "skip"}
    if opened.id == "remaining":
        return {"answer": ", ".join(cast(SeveralFaults, player).left_over(opened.choices)) or "none"}
    if opened.id == "exit_check":
        shown = opened.event.get("left_on", ())
        all_well = _all_works(world, state, player) and not _left_on(player, shown)
        return {"answer": "yes" if all_well else "no"}
    if opened.id == "exit_which":
        tried = [m for m in opened.choices if m in world.view.exit_check]
        bad = [m for m in tried if not _works(world, state, player, m)]
        bad += _left_on(player, [c for c in opened.choices if c not in tried])
        return {"answer": bad[0] if bad else "skip"}
    if opened.id == "reproduce":
        return {"answer": "yes" if cast(ComesAndGoes, player).back() else "no"}
    if opened.id in ("shows", "still_there"):
        return {"answer": "yes" if player.fails() else "no"}
    if opened.event.get("kind") == "confirm":
        return {"answer": "yes"}
    if problem is not None and not opened.event.get("skippable", True):
        raise DiagnoseError(f"the job repeats a question that cannot be skipped: {problem['message']}")
    return {"answer": "skip"}


def _left_on(player: Player, complaints: Sequence[str]) -> list[str]:
    """Of these complaints those that a bike with several faults still has; no other bike tells."""
    return cast(SeveralFaults, player).left_over(complaints) if hasattr(player, "left_over") else []


def _works(world: World, state: Any, player: Player, measurement: str) -> bool:
    m = world.measurements[measurement]
    return player.truth(m, physical(state.job)) == m.choices[0]


def _all_works(world: World, state: Any, player: Player) -> bool:
    shown = state.open.event.get("measurements", ())
    return all(_works(world, state, player, m) for m in shown)
