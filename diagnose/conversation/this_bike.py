"""This bike differs: what a user says of his own bike changes the world at once, is listed and taken back.

Part of the conversation. Reads words and rebuilds the belief; what a difference does to the circuit is the
world's to know, keeping it is the session's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from diagnose.bike.model import NOT_WIDER, BikeView, JobState
from diagnose.catalogue.differences import (
    PLAIN,
    VALUED,
    Difference,
    Names,
    as_entry,
    read_words,
)
from diagnose.conversation import intake, names
from diagnose.conversation.means import Event, Means
from diagnose.conversation.state import Reading, State, with_setting
from diagnose.conversation.world import World
from diagnose.errors import KnowledgeError, ObservationError, UsageError
from diagnose.wording import Wording

SAYABLE = (*PLAIN, *VALUED)
AS_DRAWN = "as_drawn"


def say(means: Means, state: State, key: str, text: str) -> tuple[State, Means, Event]:
    """Take one difference, or take one back (`as_drawn`: its number or part).

    returns  the state, the means with the bike as it is now, and what to tell
    raises   ObservationError that says what to type instead
    """
    if state.held is not None:
        raise ObservationError(
            text, "a bike that stays as it is during a proving run", "pausing, and `diagnose differs`",
            "comes too late",
        )  # fmt: skip
    known = state.setting.differs
    if key == AS_DRAWN:
        taken = _which(means, known, text)
        after, said = tuple(d for d in known if d != taken), "differs_back"
    else:
        try:
            taken = read_words(key, text, _names(means.world), means.words.words["colours"])
        except UsageError as err:
            raise _refused(text, err) from err
        same = [d for d in known if (d.key, d.what) == (taken.key, taken.what)]
        after, said = (*(d for d in known if d not in same), taken), "differs_kept"
    what = in_words(means, taken)  # before the bike loses the part's name
    before = tuple(means.world.lost)
    state, means = _laid(means, state, after, text)
    lost = names.listing([f for f in means.world.lost if f not in before], means.words, "or")
    text = means.say(state, said, what=what)
    if lost:
        text += "\n" + means.say(state, "differs_lost", lost=lost)
    return state, means, {"event": "noted", "text": text}


def in_words(means: Means, d: Difference) -> str:
    """One difference as half a line."""
    return as_words(d, means.world, means.world.differing(()).view, means.words)


def as_words(d: Difference, world: Any, drawn: BikeView, words: Wording) -> str:
    """One difference as half a line.

    world  holds the `view` of the bike as it is
    drawn  the bike as its file has it, for what it has no more
    """
    what = _called((world.view, drawn), d.what)
    if d.key == "colour":
        return words.say("differs_colour", what=what, value=names.colour_words(d.value, words))
    if d.key == "place":
        return words.say("differs_place", what=what, value=names.place(world, d.value))
    if d.key == "load":
        watts, _, at = d.value.partition(" at ")
        return words.say("differs_load", what=what, value=watts, at=names.point(world, at, words))
    return words.say(f"differs_{d.key}", **({} if d.key == "added" else {"what": what}))


def _refused(text: str, why: Exception) -> ObservationError:
    return ObservationError(text, "something in which this bike can differ", wrong=f"cannot be taken ({why})")


def _title(means: Means, id: str) -> str:
    return _called((means.world.view, means.world.differing(()).view), id)


def _called(views: Sequence[BikeView], id: str) -> str:
    """What a part is called: on this bike, or on the bike as drawn if it has it no more."""
    known = next((v for v in views if id in v.components or id in v.connectors), None)
    if known is None:
        return id.replace("_", " ")
    return known.components[id][0] if id in known.components else known.connectors[id][0]


def listed(means: Means, state: State) -> Event:
    """What differs on this bike, numbered."""
    return {
        "event": "differs",
        "list": [
            {**as_entry(d), "number": n, "text": in_words(means, d)}
            for n, d in enumerate(state.setting.differs, 1)
        ],
        "text": told(means, state) or means.say(state, "differs_none"),
    }


def told(means: Means, state: State) -> str:
    """What differs on this bike, one a line; '' if nothing does."""
    lines = [f"{n}  {in_words(means, d)}" for n, d in enumerate(state.setting.differs, 1)]
    return means.say(state, "differs_list", listed="\n".join(lines)) if lines else ""


def _which(means: Means, known: Sequence[Difference], text: str) -> Difference:
    said = text.strip().lower()
    if said.isascii() and said.isdigit() and 1 <= int(said) <= len(known):
        return known[int(said) - 1]
    hits = [
        d
        for d in known
        if d.what and said in (d.what, d.what.replace("_", " "), _title(means, d.what).lower())
    ]
    if len(hits) != 1:
        wrong = "could mean more than one difference" if hits else "is no difference of this bike"
        raise ObservationError(text, "the number of one that `differs` lists", "differs", wrong)
    return hits[0]


def _names(world: World) -> Names:
    view = world.view
    joints = {c: title for c, (title, _) in view.connectors.items() if "." not in c}
    parts = {p: title for p, (title, _, _) in view.components.items()}
    wires = frozenset(p for p, (_, word, _) in view.components.items() if word == "wire")
    places = {p: title for p, (title, _, _) in view.places.items()}
    return Names({**joints, **parts}, wires, places, frozenset(view.points))


def _laid(means: Means, state: State, differences: tuple[Difference, ...], text: str) -> tuple[State, Means]:
    """The job on the bike as it really is: readings that it cannot give any more are left out."""
    try:
        world = means.world.differing(differences)
    except (UsageError, KnowledgeError) as err:
        raise _refused(text, err) from err
    missing = [c for c in state.all_complaints if c not in world.view.complaints]
    if missing:
        title = means.world.view.complaints[missing[0]][0]
        raise ObservationError(
            text,
            f"something without which '{title}' still means something",
            "bypassed, if its wires are joined",
            "would take away what is complained of",
        )  # fmt: skip
    touched = _touched(state.job) - set(world.view.components) - set(world.view.connectors)
    if touched:
        part = names.component(means.world, min(touched))
        raise ObservationError(text, f"a bike that still has: {part}", "undo", "was worked on in this job")
    wider = replace(state.wider, pairs=())
    if wider != NOT_WIDER:
        world = world.widened(wider)
    kept = tuple(e for e in state.evidence if not isinstance(e, Reading) or _can_read(world, e.measurement))
    state = with_setting(state, differs=differences)
    asked = state.open if state.phase == "intake" else None
    state = replace(state, evidence=kept, open=asked, wider=wider, widened_at=0)
    means = replace(means, world=world)
    return (intake.belief_of(means, state) if state.belief is not None else state), means


def _touched(job: JobState) -> set[str]:
    """Parts, wires and connectors that were worked on."""
    ids: tuple[Any, ...] = (*job.renewed, *job.out, *job.apart, *job.done)
    return {i for i in (str(x).partition(".")[0] for x in ids) if i}


def _can_read(world: World, measurement: str) -> bool:
    if measurement in world.measurements:
        return True
    try:
        return bool(world.measurements[measurement].id)
    except (UsageError, KeyError):
        return False
