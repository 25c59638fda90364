"""Where the two tips go, drawn in characters: the parts from tip to tip, one a line.

Part of the conversation. Fits 40 columns; R and B are said in words beside it, nothing hangs on colour.
"""

from __future__ import annotations

from collections.abc import Sequence

from diagnose.bike.model import Measurement
from diagnose.bike.way import Stretch
from diagnose.conversation import names
from diagnose.conversation.means import Event, Means
from diagnose.conversation.state import State
from diagnose.errors import ObservationError

MOST_PARTS = 8  # of one stretch; the middle of a longer one is left out
LIVE = ("volts", "lamp", "lowest_volts", "worked_volts")  # kinds whose reading comes from the battery


def where(means: Means, state: State) -> Event:
    """The drawing of the open measurement as an event.

    raises  ObservationError if no measurement with two tips is open
    """
    m = means.world.measurements.get(state.open.measurement) if state.open else None
    if m is None or not m.plus:
        raise ObservationError("where", "a question with two tips", "why", "has nothing to draw here")
    lines = drawn(means, m)
    text = "\n".join(
        (*lines, means.say(state, "where_key_lamp" if m.kind == "lamp" else "where_key", pole=_pole(means)))
    )
    return {"event": "where", "measurement": m.id, "lines": lines, "text": text}


def drawn(means: Means, m: Measurement) -> list[str]:
    """One line a part; `R` and `B` stand where the tips go, `+` (or `-`) at the post that feeds the bike."""
    world, words = means.world, means.words
    home = world.view.home(m)
    far, (mark, end) = world.view.far(m), "RB" if home == m.minus else "BR"
    if names.is_posts(world, m):  # nothing lies between: the tips stand on the battery itself
        return [f" {mark}  {names.point(world, far, words)}", f" {end}  {names.point(world, home, words)}"]
    feeding = [p for p in world.view.home_points if p.partition(".")[0] == home.partition(".")[0]]
    post = world.live_post
    fed = m.kind in LIVE and bool(feeding) and bool(post) and far != post
    ways = world.way(((post,) if fed else ()) + (far, home), m.condition)
    lines = []
    if fed:
        lines += [f" {_pole(means)}  {names.point(world, post, words)}", *_stretches(means, ways[0], m)]
    lines += [f" {mark}  {names.point(world, far, words)}", *_stretches(means, ways[-1], m)]
    return [*lines, f" {end}  {names.point(world, home, words)}"]


def _pole(means: Means) -> str:
    """Sign of the post that feeds the bike."""
    return "-" if means.world.view.ground == "plus" else "+"


def _stretches(means: Means, way: Sequence[Stretch], m: Measurement) -> list[str]:
    tips = {p.partition(".")[0] for p in (m.plus, m.minus)}
    titles = [_titled(means, s) for s in way if s.part not in tips]
    if len(titles) > MOST_PARTS:
        half = MOST_PARTS // 2
        left = means.words.say("where_more", count=len(titles) - 2 * half)
        titles = [*titles[:half], left, *titles[-half:]]
    return [f" |  {title}" for title in titles]


def _titled(means: Means, stretch: Stretch) -> str:
    title = names.component(means.world, stretch.part)
    named = names.colour_words(stretch.colour, means.words) if stretch.colour else ""
    return f"{title} ({named})" if named else title
