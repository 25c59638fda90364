"""What a step works with: the world, the rules, the wording; and how rules reach one step.

Part of the conversation. Nothing here decides what to do next.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from diagnose.bike.model import Measurement, Repair
from diagnose.conversation import permits
from diagnose.conversation.facts import Circumstances
from diagnose.conversation.permits import Confirmation, Permit
from diagnose.conversation.state import State
from diagnose.conversation.world import World
from diagnose.rules.base import Firing, RuleBase
from diagnose.wording import Wording

Event = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Means:
    """World, rules and wording of one job."""

    world: World
    rulebase: RuleBase
    words: Wording

    def say(self, state: State, sentence: str, /, **values: object) -> str:
        """A sentence in the form for this user."""
        return self.words.say(sentence, state.setting.skill, **values)


def circumstances(state: State) -> Circumstances:
    """What the rules may know of this job."""
    history = dict(state.setting.history or ())
    if state.setting.brought_on:  # said with the complaint: rules take it as they take what happened before
        history[state.setting.brought_on] = True
    return Circumstances(
        state.setting.skill or "beginner",
        state.setting.kit or "hands",
        history,
        state.setting.complaints,
        history.get("first_power", False),
    )


def judge(means: Means, state: State, acts: Iterable[Measurement | Repair]) -> Mapping[str, Permit]:
    """Permit of each step as the job stands."""
    about = circumstances(state)
    return permits.judge(
        means.rulebase,
        means.world.view,
        acts,
        state.job,
        about.history,
        about.skill,
        kit=about.kit,
        complaints=about.complaints,
        first_power=about.first_power,
    )


def permit(means: Means, state: State, act: Measurement | Repair) -> Permit:
    """Permit of one step."""
    return judge(means, state, (act,))[act.id]


def is_closed(found: Permit, state: State) -> bool:
    """Whether no answer of the user can open a step: a block without question, or one answered no."""
    return any(not f.until or f.until in state.said_no for f in found.blocked)


def confirmation(found: Permit, act: str) -> Confirmation | None:
    """The first safety question that stands before a step."""
    asked = permits.confirmations({act: found})
    return asked[0] if asked else None


def show(means: Means, state: State, firings: Iterable[Firing]) -> tuple[State, list[Event]]:
    """Cautions as the protocol writes them, new ones marked, and the state that has shown them."""
    seen = set(state.shown)
    out: list[Event] = []
    for firing in firings:
        text = firing.short if state.setting.skill == "trade" else firing.text
        key = f"{firing.rule}: {firing.text}"
        out.append({"rule": firing.rule, "text": text, "new": key not in seen})
        seen.add(key)
    return replace(state, shown=frozenset(seen)), out


def problem(message: str, doubt: Event | None = None) -> Event:
    """The event of something not understood, or doubted ({slip, text}); the same question stands."""
    return {"event": "problem", "message": message, "doubt": doubt}
