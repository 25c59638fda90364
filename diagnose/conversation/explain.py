"""Why: suspects in words, what speaks for and against them, what else could be measured.

Part of the conversation. Reads beliefs, changes nothing.
"""

from __future__ import annotations

import numpy as np

from diagnose.beliefs.evidence import for_against, surprise
from diagnose.conversation import evidence, names, planning
from diagnose.conversation.means import Event, Means, is_closed, judge, permit
from diagnose.conversation.state import Reading, State

LISTED = 8
EXPLAINED = 3
WORTH_SAYING = 0.3  # [nats] below this a reading says nothing either way
OTHERS = 5
WORTH_CHECKING = 1.0  # [nats] of surprise from which a reading is asked again


def suspects(means: Means, state: State) -> Event:
    """The leading suspects, figures and words."""
    world = means.world
    shown = evidence.ranking(world, state.belief, floor=0.005)[:LISTED]
    return {
        "event": "suspects",
        "list": [
            {
                "candidate": world.candidates[i].id,
                "component": "+".join(f.component for f in world.candidates[i].faults),
                "mode": "+".join(f.mode for f in world.candidates[i].faults),
                "probability": round(p, 4),
                "text": names.candidate(world, world.candidates[i], means.words),
                "sure": names.sure(p, means.words),
            }
            for i, p in shown
        ],
    }


def why(means: Means, state: State) -> Event:
    """Readings for and against each leading suspect, and what the open question would decide."""
    world = means.world
    speaks_for: list[Event] = []
    against: list[Event] = []
    lines: list[str] = []
    leading = [(i, p) for i, p in evidence.ranking(world, state.belief, floor=0.02)][:EXPLAINED]
    for i, p in leading:
        name = names.candidate(world, world.candidates[i], means.words)
        pro: list[tuple[float, str]] = []
        contra: list[tuple[float, str]] = []
        for k, (mid, nats) in enumerate(for_against(state.belief, i)):
            if abs(nats) < WORTH_SAYING:
                continue
            shown = _shown(means, state, mid, k)
            entry = {
                "candidate": world.candidates[i].id,
                "measurement": mid,
                "nats": round(nats, 2),
                "text": shown,
            }
            (speaks_for if nats > 0 else against).append(entry)
            (pro if nats > 0 else contra).append((abs(nats), shown))
        lines.append(
            means.say(
                state,
                "why_suspect",
                suspect=name,
                sure=names.sure(p, means.words),
                percent=round(100 * p),
                pro=_clause(means, state, "why_for", pro),
                contra=_clause(means, state, "why_against", contra),
            )
        )
    decides = (state.open.event.get("why") or "") if state.open else ""
    if decides:
        lines.append(means.say(state, "why_decides", decides=decides))
    return {
        "event": "why",
        "for": speaks_for,
        "against": against,
        "text": "\n".join(lines),
        "rules": _rules(means, state),
    }


def _rules(means: Means, state: State) -> list[Event]:
    """Which rules speak about the step that is asked, and the facts they used."""
    asked = state.open
    if asked is None or asked.measurement not in means.world.measurements:
        return []
    found = permit(means, state, means.world.measurements[asked.measurement])
    return [
        {
            "rule": f.rule,
            "sort": f.conclusion,
            "title": f.title,
            "text": f.short if state.setting.skill == "trade" else f.text,
            "facts": [dict(fact) for _, fact in f.facts],
        }
        for f in (*found.blocked, *found.cautions)
    ]


def _clause(means: Means, state: State, sentence: str, found: list[tuple[float, str]]) -> str:
    if not found:
        return ""
    shown = [text for _, text in sorted(found, key=lambda pair: -pair[0])[:3]]
    return means.say(state, sentence, readings=names.listing(shown, means.words))


def _shown(means: Means, state: State, measurement: str, number: int) -> str:
    """The reading behind the k-th observation of the belief, in words."""
    seen = state.belief.observations[number]
    m = means.world.measurements.get(measurement)
    value = seen.answer
    if m is None:
        return f"{measurement}: {value}"
    doubtful = f" ({means.words.say('doubtful')})" if seen.doubtful else ""
    where = names.in_short(means.world, m, means.words)
    return f"{where}: {names.reading(value, m.unit, means.words)}{doubtful}"


def others(means: Means, state: State) -> Event:
    """Other measurements worth taking now: what each would tell and cost."""
    world = means.world
    measurements, _ = planning.options(world, state)
    found = judge(means, state, (world.measurements[m.id] for m in measurements))
    blocked = {mid: is_closed(p, state) for mid, p in found.items() if p.blocked}
    current = state.open.measurement if state.open else ""
    act = planning.plan(world, state, blocked).act
    # the act itself is among the others when something else was taken instead of it
    rows = [r for r in act.runners_up if r[0] != current]
    if act.sort == "measure" and act.option != current:
        rows.insert(
            0, (act.option, float("nan"), planning.minutes_for(world, state, world.measurements[act.option]))
        )
    return {
        "event": "others",
        "list": [
            {
                "measurement": mid,
                "minutes": round(minutes, 1),
                "nats": None if np.isnan(nats) else round(nats, 3),
                "text": means.say(
                    state,
                    "other",
                    measurement=names.in_short(world, world.measurements[mid], means.words),
                    minutes=names.minutes(minutes),
                    tells=_tells(nats, means),
                ),
            }
            for mid, nats, minutes in rows[:OTHERS]
        ],
    }


def _tells(nats: float, means: Means) -> str:
    word = "much" if np.isnan(nats) or nats > 0.7 else "something" if nats > 0.2 else "little"
    return means.words.word("telling", word)


def least_fitting(state: State) -> Reading | None:
    """The reading that the best suspect likes least, to be taken again."""
    odd = dict(surprise(state.belief))
    return max(
        (r for r in state.readings if odd.get(r.measurement, 0.0) > WORTH_CHECKING),
        key=lambda r: odd[r.measurement],
        default=None,
    )
