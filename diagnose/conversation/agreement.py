"""A price limit: what a part above it needs before it is advised.

Part of the conversation. "Call me above 80" is a price limit of 80.
"""

from __future__ import annotations

from diagnose.bike.model import Repair
from diagnose.conversation import asking, names
from diagnose.conversation.answers import plain
from diagnose.conversation.means import Event, Means
from diagnose.conversation.state import State
from diagnose.errors import ObservationError

AGREE = "agree:"  # before the id of a repair: the question whether it is agreed to


def read_limit(word: str) -> float | None:
    """A price limit: a number, or none. Raises ObservationError."""
    if plain(word) in ("none", "no", "no limit"):
        return None
    try:
        value = float(word)
    except ValueError:
        value = -1.0
    if not 0.0 <= value < 1e6:
        raise ObservationError(word, "a price of at least 0, or none", "80")
    return value


def needs_word(state: State, repair: Repair) -> bool:
    """Whether a repair costs more than was agreed and nobody has agreed to it."""
    limit = state.setting.price_limit
    return limit is not None and repair.price > limit and repair.id not in state.agreed


def question(means: Means, state: State, repair: Repair) -> Event:
    """The customer's word before a part above the limit, as a question."""
    what = f"{names.component(means.world, repair.component)}: {repair.title}"
    limit = f"{state.setting.price_limit:g}"
    return asking.plain_question(
        state,
        question=AGREE + repair.id,
        kind="confirm",
        text=means.say(state, "ask_agreement", what=what, price=f"{repair.price:g}", limit=limit),
        choices=[("yes", means.words.say("agreement_yes")), ("no", means.words.say("agreement_no"))],
        repair=repair.id,
        price=repair.price,
    )
