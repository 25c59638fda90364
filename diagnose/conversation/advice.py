"""Advice as an event: what to do, how sure, what it costs, what proves it; and the honest ends.

Part of the conversation. Which act it is was decided by the choice; here it is only told.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from diagnose.beliefs.evidence import surprise
from diagnose.bike.model import Candidate
from diagnose.conversation import asking, evidence, facts, names, permits, planning
from diagnose.conversation.means import Event, Means, circumstances, judge, show
from diagnose.conversation.state import KITS, State
from diagnose.ties import in_order

SHOWN_FROM = 0.02  # [1] share of the cured chance from which a candidate is named
SHOWN = 6
LOST = 0.5  # [1] chance of a fault nobody listed from which the end says so


def repair_advice(means: Means, state: State, repair_id: str) -> tuple[State, Event]:
    """Advice to try or to do a repair. The state has then shown its cautions."""
    world, words = means.world, means.words
    repair = world.repairs[repair_id]
    belief = evidence.chances(state.belief)
    probability = float(belief @ planning.helps(world, repair_id, state.job.done))
    group = cured_candidates(means, state, repair_id)
    judged = judge(means, state, (repair,))[repair_id]
    found = [f for i in group[:1] for f in _its_own(world.candidates[i], repair.cures).faults]
    around = permits.surroundings(means.rulebase, world.view)
    firings = permits.advice_for(
        means.rulebase, world.view, state.job, circumstances(state), facts.finding_facts(around, found)
    )
    state, cautions = show(means, state, (*judged.cautions, *judged.blocked))
    verify = world.verify(repair_id, state.setting.complaints, evidence.chances(state.belief))
    minutes = planning.repair_minutes(world, state, repair)
    sort = planning.sort_now(world, state, repair_id)
    cured = [_its_own(world.candidates[i], repair.cures) for i in group[:SHOWN]]
    suspects = list(dict.fromkeys(names.candidate(world, c, words) for c in cured))
    own = f"{names.component(world, repair.component)}: "  # said once, before the repair
    suspects = (
        [s.removeprefix(own) for s in suspects] if all(s.startswith(own) for s in suspects) else suspects
    )
    lines = [
        means.say(
            state,
            f"advise_{sort}",
            part=names.component(world, repair.component),
            repair=repair.title,
            suspects=names.listing(suspects[:3], words, "or"),
            sure=names.sure(probability, words),
            minutes=names.minutes(minutes),
        ),
        repair.text,
        *_new_fuses(means, state, group[:1], repair.component),
        *asking.put_back(world, state, None, words),
    ]
    home = _get_home(means, state, repair_id)
    event: Event = {
        "event": "advice",
        "step": state.asked + 1,
        "sort": sort,
        "repair": repair_id,
        "candidates": [world.candidates[i].id for i in group[:SHOWN]],
        "probability": round(probability, 4),
        "minutes": round(minutes, 1),
        "price": repair.price,
        "text": "\n".join(filter(None, lines)),
        "cautions": cautions,
        "verify": verify if verify in world.measurements else None,
        "title": f"{names.component(world, repair.component)}: {repair.title}",
        "sure": names.sure(probability, words),
        "place": {"place": repair.place, "title": names.place(world, repair.place)},
        "get_home": home,
        "rules": [
            {
                "rule": f.rule,
                "sort": f.conclusion,
                "text": f.short if state.setting.skill == "trade" else f.text,
            }
            for f in firings
        ],
    }
    return state, event


def _new_fuses(means: Means, state: State, cured: list[int], component: str) -> list[str]:
    """What the cured fault has blown and the repair does not renew, as a line; nothing if nothing has."""
    world = means.world
    blown = [f for i in cured for f in world.blown(i) if f not in (component, *state.job.renewed)]
    fuses = names.listing([names.component(world, f) for f in blown], means.words)
    return [means.say(state, "new_fuse_too", fuses=fuses)] if blown else []


def _get_home(means: Means, state: State, repair_id: str) -> str:
    """The get-home measure with its limits; '' when there is none or a rule forbids it."""
    repair = means.world.repairs[repair_id]
    if not repair.get_home or state.held is not None:  # a loom in the making goes nowhere
        return ""
    found = permits.judge_get_home(means.rulebase, means.world.view, repair, state.job, circumstances(state))
    if found.blocked:
        return ""
    limits = [f.short if state.setting.skill == "trade" else f.text for f in found.cautions]
    return " ".join([repair.get_home, *limits])


def _its_own(candidate: Candidate, cures: Collection[str]) -> Candidate:
    """Of a pair the faults that the repair cures; any other candidate as it is."""
    own = tuple(f for f in candidate.faults if f.id in cures)
    return replace(candidate, faults=own) if own and len(candidate.faults) > 1 else candidate


def cured_candidates(means: Means, state: State, repair_id: str) -> list[int]:
    """Candidates that the repair cures and that are not negligible, likeliest first."""
    belief = evidence.chances(state.belief)
    cured = planning.helps(means.world, repair_id, state.job.done) * belief
    total = cured.sum()
    order = [int(i) for i in in_order(cured) if cured[i] > 0]
    return [i for i in order if total <= 0 or cured[i] >= SHOWN_FROM * total] or order[:1]


def stop_advice(
    means: Means, state: State, sort: str, *, text: str = "", causes: tuple[str, ...] = ()
) -> Event:
    """An end without a repair.

    sort  nothing_found | unmodelled | same_to_us | switch | works_now
    """
    none = np.zeros(len(means.world.candidates))
    belief = none if state.belief is None else evidence.chances(state.belief)
    index = {c.id: i for i, c in enumerate(means.world.candidates)}
    chance = sum(float(belief[index[c]]) for c in causes if c in index)
    return {
        "event": "advice",
        "step": state.asked + 1,
        "sort": "stop",
        "repair": None,
        "candidates": list(causes),
        "probability": round(chance, 4),
        "minutes": 0.0,
        "price": 0.0,
        "text": text,
        "cautions": [],
        "verify": None,
        "title": means.words.say(f"stop_{sort}_title"),
        "sure": names.sure(chance, means.words) if causes else "",
        "place": None,
        "get_home": "",
        "rules": [],
        "stop": sort,
    }


def bare_stop(means: Means, state: State) -> Event:
    """The end when nothing is left that is worth doing: nothing known fits, or too much does."""
    world, words = means.world, means.words
    belief = evidence.chances(state.belief)
    if belief[world.unmodelled] >= LOST or not any(
        world.candidates[i].is_fault for i, _ in _leading(means, state)
    ):
        odd = sorted(surprise(state.belief), key=lambda pair: -pair[1])[:3]
        shown = [_reading_words(means, state, mid) for mid, nats in odd if nats > 1.0]
        listed = means.say(state, "odd_readings", readings=names.listing(shown, words)) if shown else ""
        text = means.say(state, "stop_unmodelled", odd=listed)
        return stop_advice(means, state, "unmodelled", text=text, causes=("unmodelled",))
    group = [i for i, _ in _leading(means, state)]
    suspects = [names.candidate(world, world.candidates[i], words) for i in group]
    more = _would_tell(means, state)
    further = means.say(state, "would_tell", measurements=names.listing(more, words)) if more else ""
    text = means.say(state, "stop_same_to_us", suspects=names.listing(suspects, words), further=further)
    return stop_advice(
        means, state, "same_to_us", text=text, causes=tuple(world.candidates[i].id for i in group)
    )


def works_now(means: Means, state: State) -> Event:
    """The end of a fault that went away by itself: nothing is repaired, and who was suspected."""
    world, words = means.world, means.words
    leading = [world.candidates[i] for i, p in _leading(means, state) if p > 0.05][:3]
    suspects = names.listing([names.candidate(world, c, words) for c in leading], words)
    shown = world.measurements.get(world.verify("", state.setting.complaints))
    unseen = shown is not None and shown.kind != "observe"
    text = means.say(
        state,
        "stop_works_now",
        suspects=means.say(state, "suspected_most", suspects=suspects) if leading else "",
        unseen=means.say(state, "only_a_meter_shows") if unseen else "",
    )
    return stop_advice(means, state, "works_now", text=text, causes=tuple(c.id for c in leading))


def nothing_found(means: Means, state: State) -> Event:
    """The end of a sound bike."""
    return stop_advice(
        means, state, "nothing_found", text=means.say(state, "stop_nothing_found"), causes=("no_fault",)
    )


def _leading(means: Means, state: State) -> list[tuple[int, float]]:
    return [
        (i, p)
        for i, p in evidence.ranking(means.world, state.belief, floor=0.03)
        if means.world.candidates[i].is_fault
    ][:SHOWN]


def _would_tell(means: Means, state: State) -> list[str]:
    """Measurements that only a better kit, a helper or a running engine allows, the most telling first."""
    world = means.world
    closed = [
        mid
        for mid in world.planned(state.setting.complaints, planning.physical(state.job))
        if planning.closed_because(world, state, mid) in ("kit", "helper", "engine")
        and mid not in state.paid.used
    ]
    if not closed:
        return []
    free = replace(
        state,
        setting=replace(state.setting, kit=KITS[-1], helper=True, engine_may_run=True),
        refused=frozenset(),
    )
    act = planning.plan(world, free, {}).act
    order = [act.option, *(mid for mid, _, _ in act.runners_up)]
    return [names.in_short(world, world.measurements[m], means.words) for m in order if m in closed][:2]


def _reading_words(means: Means, state: State, measurement: str) -> str:
    m = means.world.measurements[measurement]
    value = next((r.value for r in reversed(state.readings) if r.measurement == measurement), "")
    return f"{names.in_short(means.world, m, means.words)}: {names.reading(value, m.unit, means.words)}"
