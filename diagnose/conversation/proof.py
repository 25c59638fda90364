"""After a repair that helped: the proof, the exit check, the hand-over; and what to do when one fails.

Part of the conversation. A job is closed as repaired only after the complaint was proved gone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from diagnose.beliefs import posterior
from diagnose.bike.model import JobState, Repair
from diagnose.conversation import advice, asking, evidence, names, planning
from diagnose.conversation.means import Event, Means
from diagnose.conversation.state import Failed, Reading, State, with_setting

# [1] how often "it works" is said of a bike that is mended, and of one that is not (estimates)
SAID_OF_MENDED, SAID_OF_FAULTY = 0.97, 0.1
# [1] a reading is wrong (estimate), and wrong again when repeated at once
MISREAD_TWICE = 0.05 * posterior.SAME_ERROR
INFERRED = 0.2  # [1] chance a complaint must have under what the exit check showed, to be taken over


def after_repair(means: Means, state: State, repair_id: str, works: str) -> State:
    """The job once a repair was done: what changed on the bike, what it cost, what it says."""
    world = means.world
    repair = world.repairs[repair_id]
    opened = repair.place in state.paid.places or repair.place not in world.view.places
    access = 0.0 if opened else world.view.places[repair.place][1]
    whole = put_together(state.job)
    before = whole.done
    changed = works == "yes" or _leaves_another(means, repair)
    paid = replace(
        state.paid,
        places=state.paid.places | ({repair.place} if repair.place else set()),
        setup="",
        repairs_done=state.paid.repairs_done | {repair_id},
    )
    state = replace(
        state,
        job=replace(
            whole,
            done=(*whole.done, repair_id) if changed else whole.done,
            renewed=(*whole.renewed, repair.component)
            if repair.component in world.view.fuses
            else whole.renewed,
        ),
        paid=replace(paid, used=frozenset()) if changed else paid,
        hands_minutes=state.hands_minutes + (repair.minutes + access) * state.minutes_factor(),
        taken_out=(),
        taken_apart=(),
        battery_undone=False,
        shown=frozenset(),
    )
    if works == "yes":
        hope = float(evidence.chances(state.belief) @ planning.helps(world, repair_id, before))
        told = (*state.repaired, repair_id)
        return replace(state, repaired=told, phase="proving", proof="", against="", hope=hope)
    return replace(
        state,
        phase="working",
        evidence=(*state.evidence, Failed(repair_id, before)),
        belief=evidence.failed(world, state.belief, repair_id, state.setting.complaints, before),
    )


def _leaves_another(means: Means, repair: Repair) -> bool:
    """Whether some candidate would be cured by half, so that the bike reads otherwise than before.

    A repair that did not help and touched no part of a remaining candidate was done on a sound part: no
    reading changes, and nothing need be predicted again.
    """
    return any(
        len(c.faults) > 1 and any(f.id in repair.cures for f in c.faults) for c in means.world.candidates
    )


def put_together(job: JobState) -> JobState:
    """The job state with everything joined again, and what was said about it forgotten."""
    gone = ("battery_off", "unit_unplugged", "isolated")
    said = tuple(s for s in job.said if not s.startswith(gone))
    return replace(job, out=(), apart=(), battery=True, said=said)


def proves(means: Means, state: State, reading: Reading) -> bool:
    """Whether the reading after the repair is that of a sound bike."""
    own = evidence.column(means.world, reading.job, reading.measurement)
    return evidence.fits_healthy(means.world, own, state.belief, reading.value)


def is_mended(state: State) -> bool:
    """Whether a repair that the rider says helped, and a proof read twice says did not, more likely helped.

    formula  hope x 0.97 x 0.04 against (1 - hope) x 0.1 x 0.96, so from a hope of 0.71 on
    """
    mended = state.hope * SAID_OF_MENDED * MISREAD_TWICE
    return mended > (1.0 - state.hope) * SAID_OF_FAULTY * (1.0 - MISREAD_TWICE)


def not_proved(means: Means, state: State) -> State:
    """The proof failed: the repair counts as one that did not help."""
    repair = state.repaired[-1]
    world = means.world
    before = tuple(r for r in state.job.done if r != repair)
    return replace(
        state,
        repaired=state.repaired[:-1],
        phase="working",
        evidence=(*state.evidence, Failed(repair, before)),
        belief=evidence.failed(world, state.belief, repair, state.setting.complaints, before),
    )


def exit_list(means: Means, state: State) -> list[str]:
    """Measurements of the exit check that can be done here."""
    world = means.world
    found = []
    for mid in world.view.exit_check:
        m = world.measurements.get(mid)
        if m is not None and not (
            (m.engine_runs or m.condition.engine != "off") and not state.setting.engine_may_run
        ):
            found.append(mid)
    return found


def closed_up(means: Means, state: State) -> tuple[State, str]:
    """The state with every opened place closed, its minutes counted; and the sentence that lists them."""
    opened = _opened(means, state)
    if not opened:
        return state, ""
    minutes = _closing_minutes(means, state)
    places = names.listing([names.place(means.world, p) for p in opened], means.words)
    paid = replace(state.paid, places=state.paid.places - set(opened))
    state = replace(state, paid=paid, hands_minutes=state.hands_minutes + minutes)
    return state, means.say(state, "close_first", places=places)


def _opened(means: Means, state: State) -> list[str]:
    """Places that stand open and have something to close."""
    return sorted(p for p in state.paid.places if means.world.view.places.get(p, ("", 0, 0.0))[2] > 0)


def _closing_minutes(means: Means, state: State) -> float:
    closing = (means.world.view.places[p][2] for p in _opened(means, state))
    return sum(closing, 0.0) * state.minutes_factor()


def as_it_stands(means: Means, state: State) -> str:
    """What a pause leaves open, out or apart, as a sentence; '' if nothing is."""
    world, words = means.world, means.words
    opened = [names.place(world, p) for p in _opened(means, state)]
    found = [means.say(state, "left_open", places=names.listing(opened, words))] if opened else []
    found += [words.say("short_out", what=names.component(world, f)) for f in state.taken_out]
    found += [words.say("short_apart", what=names.component(world, c)) for c in state.taken_apart]
    found += [words.say("short_battery_off")] if state.battery_undone else []
    return means.say(state, "as_it_stands", what="; ".join(found)) if found else ""


def exit_question(means: Means, state: State, first: str = "") -> Event:
    """One question for the whole exit check. first: what is to be closed before it."""
    by_condition: dict[str, list[str]] = {}
    tried = [means.world.measurements[mid] for mid in exit_list(means, state)]
    runs = any(m.engine_runs for m in tried)
    for m in tried:
        if runs and means.world.view.functions[m.what].kind == "spark":
            continue  # an engine that runs has its spark: no plug comes out to see it
        when = names.condition(means.world, m, means.words)
        by_condition.setdefault(when, []).append(names.component(means.world, m.what))
    listed = [
        means.say(state, "exit_line", condition=when, functions=names.listing(titles, means.words))
        if when
        else f"- {names.listing(titles, means.words)}"
        for when, titles in by_condition.items()
    ]
    return asking.plain_question(
        state,
        question="exit_check",
        kind="confirm",
        text=means.say(state, "ask_exit_check", functions="\n".join(listed), first=first),
        choices=[("yes", means.words.say("exit_yes")), ("no", means.words.say("exit_no"))],
        measurements=exit_list(means, state),
        left_on=list(means.world.view.left_on),
    )


def which_question(means: Means, state: State) -> Event:
    """Which of the exit check fails."""
    choices = [
        (mid, names.in_short(means.world, means.world.measurements[mid], means.words))
        for mid in exit_list(means, state)
    ]
    choices += [(c, means.world.view.complaints[c][0]) for c in means.world.view.left_on]
    return asking.plain_question(
        state, question="exit_which", kind="choose", text=means.say(state, "ask_exit_which"), choices=choices
    )


def second_fault(means: Means, state: State, readings: tuple[Reading, ...]) -> State:
    """Something else fails after a proved repair: what was found then is the evidence of a new search.

    Readings from before the repair were taken on a bike with another fault in it, so they no longer count;
    they stay in the record.
    """
    world = means.world
    fresh = with_setting(state, complaints=())
    belief = evidence.rebuild(world, fresh.setting, readings)
    chance = posterior.marginal(belief)
    drawn = {c: float(chance @ np.asarray(world.complaint_likelihood((c,)))) for c in world.view.complaints}
    best = max(drawn, key=lambda c: (drawn[c], c), default="")
    complaints = (best,) if best and drawn[best] >= INFERRED else state.setting.complaints
    return replace(
        fresh,
        setting=replace(fresh.setting, complaints=complaints),
        past=(*state.past, *state.evidence),
        evidence=readings,
        belief=belief,
        phase="working",
        paid=replace(state.paid, used=frozenset(r.measurement for r in readings)),
    )


def left_on(means: Means, state: State, complaint: str) -> State:
    """After a proved repair something works that should not: that is the complaint of a new search."""
    fresh = with_setting(state, complaints=(complaint,))
    return replace(
        fresh,
        past=(*state.past, *state.evidence),
        evidence=(),
        belief=evidence.rebuild(means.world, fresh.setting, ()),
        phase="working",
        paid=replace(state.paid, used=frozenset()),
    )


def close(
    means: Means, state: State, outcome: str, causes: tuple[str, ...] = (), text: str = ""
) -> tuple[State, Event]:
    """End the job. outcome: repaired | stopped | paused."""
    opened = _opened(means, state)
    closing = 0.0 if outcome == "paused" else _closing_minutes(means, state)
    if outcome == "paused":
        text = "\n".join(filter(None, (text, as_it_stands(means, state))))
    if outcome == "repaired":
        done = [means.world.repairs[r] for r in state.repaired]
        what = [f"{names.component(means.world, r.component)}: {r.title}" for r in done]
        listed = names.listing(what, means.words)
        if state.proof:
            text = means.say(state, "hand_over", repairs=listed, proof=state.proof)
        elif state.against:
            text = means.say(state, "hand_over_against", repairs=listed, against=state.against)
        else:
            text = means.say(state, "hand_over_unproved", repairs=listed)
        if state.dozes:
            text += " " + means.say(state, "only_time")
        if state.exit_skipped:
            text += " " + means.say(state, "exit_skipped")
    if opened and outcome != "paused":
        places = names.listing([names.place(means.world, p) for p in opened], means.words)
        text = "\n".join(filter(None, (text, means.say(state, "close_places", places=places))))
    event: Event = {
        "event": "closed",
        "outcome": outcome,
        "waiting": state.waiting,
        "causes": list(causes),
        "hands_minutes": round(state.hands_minutes + closing, 1),
        "waited_minutes": round(state.waited_minutes, 1),
        "steps": state.steps,
        "text": text,
        "repairs": list(state.repaired),
    }
    if outcome == "paused":
        return state, event
    return replace(state, phase="closed", outcome=outcome, open=None), event


def causes_of(means: Means, state: State, repair_id: str) -> tuple[str, ...]:
    """What a repair that helped has most likely cured."""
    return tuple(
        means.world.candidates[i].id for i in advice.cured_candidates(means, state, repair_id)[: advice.SHOWN]
    )
