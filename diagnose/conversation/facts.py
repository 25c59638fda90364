"""Flat facts for the rules, made from steps, job state, history and faults found.

Part of the conversation. Pure functions; knows words of parts and conditions, no probabilities, no rules.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from diagnose.bike.acts import STIRS
from diagnose.bike.model import BikeView, Condition, Fault, JobState, Measurement, Repair

Fact = dict[str, str | int]
Act = Measurement | Repair

TWO_POINT = ("volts", "drop", "ohms", "diode", "ac_volts", "lowest_volts", "worked_volts", "lamp", "jumper")
FEEDS = ("ohms", "diode", "lamp", "jumper")  # instruments that put current into what they touch
GROUND_WORDS = ("battery", "body", "engine", "ground")

_CHARGING = frozenset({"charge", "charging", "alternator", "dynamo", "generator"})

# tokens of ids and titles -> role of a part in the rules' words; first hit counts
_ROLE_TOKENS: tuple[tuple[str, frozenset[str]], ...] = (
    ("kill", frozenset({"kill"})),
    ("cdi", frozenset({"cdi"})),
    ("points", frozenset({"points", "breaker", "condenser"})),
    ("pickup", frozenset({"pickup", "trigger", "pulser", "source"})),
    ("starter", frozenset({"starter", "solenoid"})),
    ("regulator", frozenset({"regulator", "rectifier"})),
    ("alternator", frozenset({"alternator", "stator", "generator", "dynamo"})),
    ("halogen", frozenset({"halogen", "headlamp", "headlight"})),
    ("key", frozenset({"key"})),
    ("fuel", frozenset({"fuel"})),
)


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What the rules may know of a job beside its state.

    history      fact id -> yes or no, only what was answered
    first_power  the loom has not had the battery on since it was made or altered
    """

    skill: str = "beginner"
    kit: str = "meter"
    history: Mapping[str, bool] = field(default_factory=dict)
    complaints: tuple[str, ...] = ()
    first_power: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Surroundings:
    """A bike's view as the rules need it; made once for a view by `survey`."""

    view: BikeView
    roles: Mapping[str, str]  # component -> role
    kill_plugs: frozenset[str]  # connectors that carry the kill and leave the ignition joined
    bike: Fact


def tokens(*texts: str) -> frozenset[str]:
    """Lower-case words of ids and titles."""
    return frozenset(re.findall(r"[a-z0-9]+", " ".join(texts).lower()))


def role_of(component: str, title: str, word: str, kind: str = "") -> str:
    """What a part is to safety; see rules.vocabulary.ROLES."""
    words = tokens(component, title, kind)
    if word == "battery":
        return "lithium" if words & {"lithium", "lifepo4", "li"} else "lead_acid"
    for role, marks in _ROLE_TOKENS:
        if words & marks and _fits(role, word, words):
            return role
    if word == "coil":
        return "ignition_coil"
    if word == "charger":
        return "regulator"
    if word == "ignition" and not words & {"plug", "cap", "lead"}:
        return "transistor_unit"
    return "none"


def _fits(role: str, word: str, words: frozenset[str]) -> bool:
    """Whether a part of this word can have the role that a token of its names suggests."""
    if role == "starter":
        return word in ("motor", "relay") or "cable" in words
    if role == "halogen":
        return word == "lamp"
    if role == "fuel":
        return word == "motor" or (word in ("unit", "connector") and "sender" in words)
    if role == "pickup":
        return word in ("winding", "coil", "ignition", "connector", "wire")
    if role == "cdi":
        return word not in ("switch", "fuse", "ground", "body")
    if role == "key":
        return word == "switch"
    if role == "kill":
        # a switch in the feed of battery coils stops the engine when it is unplugged: no kill wire to fear
        return word != "fuse" and "feed" not in words
    if role in ("regulator", "alternator"):
        return word not in ("fuse", "ground", "switch")
    return True


def survey(view: BikeView) -> Surroundings:
    """Read once from a view what every act of this bike is judged by."""
    roles = {
        c: role_of(c, title, word, view.kinds.get(c, "")) for c, (title, word, _) in view.components.items()
    }
    found = set(roles.values())
    ignition = (
        "cdi"
        if any(roles[c] == "cdi" and view.components[c][1] == "ignition" for c in roles)
        else "magneto"  # its points close a coil that no battery feeds
        if any(word == "coil" and "magneto" in tokens(c, t) for c, (t, word, _) in view.components.items())
        else "points"
        if "points" in found
        else "transistor"
        if "transistor_unit" in found
        else "unknown"
    )
    units = {p for c, ps in view.plugs.items() if view.components[c][1] == "ignition" for p in ps}
    kill_plugs = set()
    for connector, (title, _) in view.connectors.items():
        ways = [c for c in view.components if c.startswith(f"{connector}_")]
        behind = [c for c, ps in view.plugs.items() if connector in ps]
        kills = any(roles[c] == "kill" for c in (*ways, *behind)) or "kill" in tokens(connector, title)
        if kills and connector not in units:
            kill_plugs.add(connector)
    return Surroundings(
        view,
        roles,
        frozenset(kill_plugs),
        {
            "kind": "bike",
            "starter": yes(view.has_starter),
            "supply": "six" if view.supply_volts < 9 else "twelve",
            "wiring": "fresh" if view.fresh else "used",
            "ignition": ignition,
            "led_indicators": yes(
                any(
                    word == "led" and "indicator" in tokens(c, title)
                    for c, (title, word, _) in view.components.items()
                )
            ),
            "battery": "lithium" if "lithium" in found else "lead_acid" if "lead_acid" in found else "none",
        },
    )


def instrument(act: Measurement) -> str:
    """What rules call the instrument of a measurement: volts are volts, before and after a minute's work."""
    return "volts" if act.kind == "worked_volts" else act.kind


def yes(value: object) -> str:
    return "yes" if value else "no"


# ---- the step ----


def act_facts(around: Surroundings, act: Act, job: JobState) -> list[Fact]:
    """The step as facts: one `act`, and one `touch` for each sort of part it touches.

    Parts that are not electronics are told by word and role only, so that alike steps give alike facts.
    """
    if isinstance(act, Repair):
        return _repair_facts(around, act, job)
    return _measurement_facts(around, act, job)


def get_home_facts(around: Surroundings, repair: Repair, job: JobState) -> list[Fact]:
    """A repair's get-home measure as facts."""
    step, *touched = _repair_facts(around, repair, job)
    words = tokens(repair.get_home)
    charges = bool(words & {"jump", "boost"})
    # what a repair needs (tools, heat, acid) is not said again for the way home, only the way's own limits
    told = {k: v for k, v in step.items() if k not in ("instrument", "supply")}
    step = told | {
        "sort": "get_home",
        "jumps": yes(words & {"jumper", "wire", "feed"} and words & {"fuse", "fused", "jumper", "plus"}),
        "pushes": yes("push" in words),
        "charges": yes(charges),
        "kill": "unplugged" if "kill" in words and words & {"unplug", "pull", "off", "apart"} else "joined",
    }
    if charges:
        step["supply"] = "on"
    return [step, *touched]


def _looks_for_spark(around: Surroundings, act: Measurement) -> bool:
    """Whether a spark is looked at: itself, or whether it comes and goes."""
    functions = around.view.functions
    if act.kind == "observe":
        return act.what in functions and functions[act.what].kind == "spark"
    sparks = (f.condition.text for f in functions.values() if f.kind == "spark")
    return act.kind in (*STIRS, "swap") and act.condition.text in sparks


def _measurement_facts(around: Surroundings, act: Measurement, job: JobState) -> list[Fact]:
    condition = act.condition
    apart = {*condition.apart, *job.apart}
    battery_on = supply_on(condition, job)
    engine = engine_word(condition.engine)
    pressed = any("start" in tokens(c) and p == "pressed" for c, p in condition.controls)
    if pressed and engine == "off":
        engine = "cranking"
    turning = around.view.has_starter and engine == "cranking"
    # a bike with a starter is started with it, so a running engine takes a starter step too
    starter = turning or (around.view.has_starter and engine == "running")
    touched = touched_parts(around, act, job)
    undone = set(act.disturbs) - {*job.apart, *job.out}
    step: Fact = {
        "kind": "act",
        "sort": "measure",
        "instrument": instrument(act),
        "feeds": yes(act.kind in FEEDS),
        "supply": "on" if battery_on else "off",
        "switched": yes(condition.controls),
        "engine": engine,
        "starter": yes(starter),
        "spark": yes(_looks_for_spark(around, act)),
        "isolated": isolation(around, act, job),
        "amps_at": _amps_at(around, act, turning),
        "kill": "unplugged" if apart & around.kill_plugs else "joined",
        "lifts_battery": yes(around.view.ground and job.battery and not condition.battery),
        "parts_plug": yes(undone & set(around.view.connectors)),
        "pulls_fuse": yes(undone & set(around.view.fuses)),
        "helper": yes(act.helper),
        "charges": "no",
        "jumps": "no",
        "pushes": "no",
    }
    return [step, *touched]


def _repair_facts(around: Surroundings, act: Repair, job: JobState) -> list[Fact]:
    words = tokens(act.id.partition(".")[2], act.title)
    step: Fact = {
        "kind": "act",
        "sort": act.sort,
        "instrument": "none",
        "feeds": "no",
        "supply": "on" if job.battery else "off",
        "switched": "no",
        "engine": "off",
        "starter": "no",
        "spark": "no",
        "isolated": "paths" if not job.battery else "no",
        "amps_at": "none",
        "kill": "unplugged" if {*job.apart} & around.kill_plugs else "joined",
        "lifts_battery": "no",
        "parts_plug": "no",
        "pulls_fuse": "no",
        "helper": "no",
        "charges": yes(words & {"charge", "charger", "boost", "recharge"}),
        "jumps": yes(words & {"jumper", "jump"}),
        "pushes": "no",
    }
    return [step, _touch(around, act.component)]


def touched_parts(around: Surroundings, act: Measurement, job: JobState) -> list[Fact]:
    """One `touch` fact for each sort of part under the tips, or looked at."""
    facts: dict[tuple[tuple[str, str | int], ...], Fact] = {}
    apart = {*act.condition.apart, *job.apart}
    for unit, plugs in electronics_at(around, act).items():
        title, word, _ = around.view.components.get(unit, (unit, "unit", ""))
        fact: Fact = {
            "kind": "touch",
            "word": word,
            "role": around.roles.get(unit, "none"),
            "electronics": "yes",
            "plugged": yes(not is_cut_off(around.view, unit, plugs, apart, job)),
            "component": unit,
            "title": title,
        }
        facts[tuple(sorted(fact.items()))] = fact
    parts = dict.fromkeys((*(p.partition(".")[0] for p in (act.plus, act.minus) if p), *act.components))
    for component in parts:
        if component in around.view.components:
            fact = _touch(around, component)
            facts[tuple(sorted(fact.items()))] = fact
    return list(facts.values())


def electronics_at(around: Surroundings, act: Measurement) -> dict[str, tuple[str, ...]]:
    """Electronic units that a tip reaches by joints, wires and plugs.

    returns  unit -> plugs any of which, apart, cut the tips off from it
    """
    if act.kind not in TWO_POINT:
        return {}
    found: dict[str, tuple[str, ...]] = {}
    for point in (act.plus, act.minus):
        for unit, plugs in units_at(around.view, point):
            # two tips on one unit: only a plug that cuts off both counts
            found[unit] = tuple(p for p in plugs if p in found[unit]) if unit in found else plugs
    return found


def units_at(view: BikeView, point: str) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """(unit, plugs that cut the point off from it) for each electronic unit at a point."""
    known = view.wired.get(point)
    if known is not None:
        return known
    if view.wired or point not in view.sensitive:
        return ()
    unit = point.partition(".")[0]  # a view without a word about wiring: the unit's own pins only
    return ((unit, view.plugs.get(unit, ())),)


def word_of(around: Surroundings, component: str) -> str:
    return around.view.components.get(component, ("", "", ""))[1]


def _touch(around: Surroundings, component: str) -> Fact:
    _, word, _ = around.view.components.get(component, (component, "body", ""))
    return {
        "kind": "touch",
        "word": word,
        "role": around.roles.get(component, "none"),
        "electronics": "no",
    }


def is_cut_off(view: BikeView, unit: str, plugs: Iterable[str], apart: Iterable[str], job: JobState) -> bool:
    """Whether a plug between tip and unit is apart, or the user has said that the unit is unplugged.

    What was said holds as long as the plugs that the bike's drawing gives the unit stay apart.
    """
    apart = {*apart}
    said = f"unit_unplugged_{unit}" in job.said and {*view.plugs.get(unit, ())} <= apart
    return said or bool({*plugs} & apart)


def is_unplugged(view: BikeView, component: str, apart: Iterable[str]) -> bool:
    """Whether a plug of this part is apart."""
    return bool({*view.plugs.get(component, ())} & {*apart})


def supply_on(condition: Condition, job: JobState) -> bool:
    """Whether the battery is joined to the loom."""
    return condition.battery and job.battery


def engine_word(engine: str) -> str:
    """off | cranking | running."""
    return engine if engine in ("off", "cranking") else "running"


def isolation(around: Surroundings, act: Measurement, job: JobState) -> str:
    """yes: unplugged, or battery off and something opened on purpose; paths: battery off only; no: live."""
    condition = act.condition
    apart = {*condition.apart, *job.apart}
    parts = {p.partition(".")[0] for p in (act.plus, act.minus) if p} or {*act.components}
    own = {c for c in parts if word_of(around, c) not in GROUND_WORDS}
    if own and all(is_unplugged(around.view, c, apart) for c in own):
        return "yes"
    if supply_on(condition, job):
        return "no"
    return "yes" if apart or condition.out or job.out else "paths"


def _amps_at(around: Surroundings, act: Measurement, turning: bool) -> str:
    if act.kind != "amps":
        return "none"
    ends = {p.partition(".")[0] for p in (act.plus, act.minus) if p}
    if len(ends) == 1 and word_of(around, next(iter(ends))) == "battery" and act.plus and act.minus:
        return "across_battery"
    roles = {around.roles.get(c, "none") for c in (act.what, *act.components)}
    if turning or "starter" in roles:
        return "starter"
    if "alternator" in roles or (act.condition.engine != "off" and _carries_charge(around, act.what)):
        return "alternator"
    if act.what == "battery":
        return "battery_lead"
    return "fuse" if word_of(around, act.what) == "fuse" else "part"


def _carries_charge(around: Surroundings, fuse: str) -> bool:
    """Whether all that a running engine charges passes this fuse: opened then, the volts of its feed rise."""
    return bool(tokens(fuse, around.view.components.get(fuse, ("", "", ""))[0]) & _CHARGING)


# ---- the job ----


def job_facts(
    around: Surroundings, job: JobState, circumstances: Circumstances, safety: Iterable[str] = ()
) -> list[Fact]:
    """The job as facts. safety: ids of all safety facts, so that what was not said is told as `no`."""
    counts = [job.renewed.count(f) for f in set(job.renewed)]
    # the battery's own state decides: what was said about it ends when it is joined again
    said = set(job.said) - {"battery_off"} | (set() if job.battery else {"battery_off"})
    facts: list[Fact] = [
        around.bike | {"first_power": yes(circumstances.first_power)},
        {"kind": "user", "skill": circumstances.skill, "kit": circumstances.kit},
        {
            "kind": "job",
            "battery": "joined" if job.battery else "off",
            "fuses_renewed": len(job.renewed),
            "same_fuse_renewed": max(counts, default=0),
            "apart": yes(job.apart or job.out),
            "repairs_done": len(job.done),
        },
    ]
    facts += [{"kind": "said", "what": what, "answer": yes(what in said)} for what in sorted(safety)]
    facts += [
        {"kind": "history", "what": what, "answer": yes(answer)}
        for what, answer in sorted(circumstances.history.items())
    ]
    facts += [{"kind": "complaint", "what": what} for what in sorted(circumstances.complaints)]
    return facts


# ---- what the job found ----

# tokens of a fault mode's id -> what it did to its part; first hit counts
_CHANGES: tuple[tuple[str, frozenset[str]], ...] = (
    ("blown", frozenset({"blown", "blew"})),
    ("crossed", frozenset({"crossed", "cross", "swapped", "twice"})),
    ("wrong_part", frozenset({"wrong", "reversed", "turned"})),
    ("overvoltage", frozenset({"overvoltage", "unregulated", "overcharging", "overcharges"})),
    ("flat", frozenset({"flat", "discharged", "empty"})),
    ("open", frozenset({"open", "broken", "cut", "fatigued", "apart", "backed"})),
    ("short", frozenset({"short", "shorted", "chafed", "grounded", "welded", "touch", "bridged"})),
    ("leak", frozenset({"leak", "leaks", "leaky", "leakage", "wet", "water", "drain"})),
    ("corroded", frozenset({"corroded", "corrosion", "green", "rust", "rusty"})),
    ("burnt", frozenset({"burnt", "burned", "melted", "overheated"})),
    (
        "resistance",
        frozenset({"resistance", "poor", "loose", "dirty", "worn", "joint", "paint", "holder", "lug"}),
    ),
)
_LEFT_OFF = ("left_off", "off", "missing")


def change_of(mode: str, word: str) -> str:
    """One word for what a fault mode did to its part. mode: its id; word: the part's own word."""
    if mode in _LEFT_OFF:
        return "left_off"
    found = tokens(mode)
    for change, marks in _CHANGES:
        if found & marks:
            return "blown" if word == "fuse" and change in ("open", "burnt") else change
    return "other"


def finding_facts(around: Surroundings, faults: Iterable[Fault]) -> list[Fact]:
    """Faults that the job has found, as facts: one `finding` each."""
    facts: list[Fact] = []
    for fault in faults:
        title = around.view.components.get(fault.component, (fault.component, "", ""))[0]
        facts.append(
            {
                "kind": "finding",
                "component": fault.component,
                "title": title,
                "word": fault.word,
                "role": around.roles.get(fault.component, "none"),
                "change": change_of(fault.mode, fault.word),
            }
        )
    return facts


def opened_fuse_facts(around: Surroundings, fuses: Iterable[str]) -> list[Fact]:
    """Fuses seen or inferred to be blown, as findings."""
    return [
        {
            "kind": "finding",
            "component": fuse,
            "title": around.view.components.get(fuse, (fuse, "", ""))[0],
            "word": "fuse",
            "role": around.roles.get(fuse, "none"),
            "change": "blown",
        }
        for fuse in fuses
    ]
