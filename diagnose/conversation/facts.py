"""Flat facts for the rules, made from steps, job state, history and faults found.

Part of the conversation. Pure functions; knows words of parts and conditions, no probabilities, no rules.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from diagnose.bike.model import BikeView, Condition, Fault, JobState, Measurement, Repair

Fact = dict[str, str | int]
Act = Measurement | Repair

TWO_POINT = ("volts", "drop", "ohms", "diode", "ac_volts", "lowest_volts", "lamp", "jumper")
FEEDS = ("ohms", "diode", "lamp", "jumper")  # instruments that put current into what they touch
GROUND_WORDS = ("battery", "body", "engine", "ground")

# tokens of ids and titles -> role of a part in the rules' words; first hit counts
_ROLE_TOKENS: tuple[tuple[str, frozenset[str]], ...] = (
    ("kill", frozenset({"kill"})),
    ("cdi", frozenset({"cdi"})),
    ("points", frozenset({"points", "breaker", "condenser"})),
    ("pickup", frozenset({"pickup", "trigger", "pulser", "source"})),
    ("starter", frozenset({"starter", "solenoid"})),
    ("regulator", frozenset({"regulator", "rectifier"})),
    ("alternator", frozenset({"alternator", "stator", "generator"})),
    ("halogen", frozenset({"halogen", "headlamp", "headlight"})),
    ("hot", frozenset({"resistor"})),
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
    electronics: frozenset[str]  # components with points that must not be fed
    sensitive: frozenset[str]  # test points
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
        if not words & marks:
            continue
        if role == "starter" and (word in ("switch", "fuse") or "button" in words):
            continue
        if role == "halogen" and word != "lamp":
            continue
        if role == "pickup" and word not in ("winding", "coil", "ignition", "connector", "wire"):
            continue
        if role in ("points", "cdi") and word in ("switch", "fuse") and "points" not in words:
            continue
        return role
    if word == "coil":
        return "ignition_coil"
    if word == "charger":
        return "regulator"
    if word == "ignition":
        return "transistor_unit"
    return "none"


def survey(view: BikeView) -> Surroundings:
    """Read once from a view what every act of this bike is judged by."""
    roles = {
        c: role_of(c, title, word, view.kinds.get(c, "")) for c, (title, word, _) in view.components.items()
    }
    found = set(roles.values())
    ignition = (
        "cdi"
        if any(roles[c] == "cdi" and view.components[c][1] == "ignition" for c in roles)
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
        frozenset(p.partition(".")[0] for p in view.sensitive),
        frozenset(view.sensitive),
        frozenset(kill_plugs),
        {
            "kind": "bike",
            "starter": yes(view.has_starter),
            "supply": "six" if view.supply_volts < 9 else "twelve",
            "wiring": "fresh" if view.fresh else "used",
            "ignition": ignition,
            "battery": "lithium" if "lithium" in found else "lead_acid" if "lead_acid" in found else "none",
        },
    )


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
    return [
        step
        | {
            "sort": "get_home",
            "jumps": yes(words & {"jumper", "bridge", "overlay", "feed"}),
            "fuse": "bypassed" if "foil" in words and not words & {"never", "no", "not"} else "none",
        },
        *touched,
    ]


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
    function = around.view.functions.get(act.what)
    undone = set(act.disturbs) - {*job.apart, *job.out}
    step: Fact = {
        "kind": "act",
        "sort": "measure",
        "instrument": act.kind,
        "feeds": yes(act.kind in FEEDS),
        "supply": "on" if battery_on else "off",
        "switched": yes(condition.controls),
        "engine": engine,
        "starter": yes(starter),
        "spark": yes(act.kind == "observe" and function is not None and function.kind == "spark"),
        "isolated": isolation(around, act, job),
        "amps_at": _amps_at(around, act, turning),
        "kill": "unplugged" if apart & around.kill_plugs else "joined",
        "fuse": "none",
        "lifts_battery": yes(job.battery and not condition.battery),
        "parts_plug": yes(undone & set(around.view.connectors)),
        "pulls_fuse": yes(undone & set(around.view.fuses)),
        "helper": yes(act.helper),
        "charges": "no",
        "jumps": "no",
    }
    return [step, *touched]


def _repair_facts(around: Surroundings, act: Repair, job: JobState) -> list[Fact]:
    words = tokens(act.id.partition(".")[2], act.title)
    _, word, _ = around.view.components.get(act.component, ("", "body", ""))
    fuse = "none"
    if word == "fuse":
        fuse = "same"
        if words & {"bypass", "foil"}:
            fuse = "bypassed"
        elif words & {"bigger", "higher", "uprate", "uprated"}:
            fuse = "bigger"
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
        "fuse": fuse,
        "lifts_battery": "no",
        "parts_plug": "no",
        "pulls_fuse": "no",
        "helper": "no",
        "charges": yes(words & {"charge", "charger", "boost", "recharge"}),
        "jumps": yes(words & {"jumper", "jump"}),
    }
    return [step, _touch(around, act.component, False, job)]


def touched_parts(around: Surroundings, act: Measurement, job: JobState) -> list[Fact]:
    """One `touch` fact for each sort of part under the tips, or looked at."""
    facts: dict[tuple[tuple[str, str | int], ...], Fact] = {}
    for component in electronics_at(around, act):
        fact = _touch(around, component, True, job, act.condition.apart)
        facts[tuple(sorted(fact.items()))] = fact
    parts = dict.fromkeys((*(p.partition(".")[0] for p in (act.plus, act.minus) if p), *act.components))
    for component in parts:
        if component in around.view.components:
            fact = _touch(around, component, False, job, act.condition.apart)
            facts[tuple(sorted(fact.items()))] = fact
    return list(facts.values())


def electronics_at(around: Surroundings, act: Measurement) -> list[str]:
    """Electronic units that a tip sits on, directly or by a joint without a wire."""
    if act.kind not in TWO_POINT:
        return []
    found: dict[str, None] = {}
    for point in (act.plus, act.minus):
        component = point.partition(".")[0]
        if point in around.sensitive:
            found[component] = None
        elif word_of(around, component) not in (*GROUND_WORDS, "fuse"):
            # a plug's pin: the unit behind it is touched too
            for near in act.components:
                if near in around.electronics and component.startswith(
                    tuple(f"{plug}_" for plug in around.view.plugs.get(near, ())) or "\0"
                ):
                    found[near] = None
    return list(found)


def word_of(around: Surroundings, component: str) -> str:
    return around.view.components.get(component, ("", "", ""))[1]


def _touch(
    around: Surroundings, component: str, electronics: bool, job: JobState, apart: Iterable[str] = ()
) -> Fact:
    title, word, _ = around.view.components.get(component, (component, "body", ""))
    fact: Fact = {
        "kind": "touch",
        "word": word,
        "role": around.roles.get(component, "none"),
        "electronics": yes(electronics),
    }
    if electronics:
        plugged = not is_unplugged(around.view, component, {*apart, *job.apart}, job)
        fact |= {"plugged": yes(plugged), "component": component, "title": title}
    return fact


def is_unplugged(view: BikeView, component: str, apart: Iterable[str], job: JobState) -> bool:
    """Whether a connector of this part is apart; for a part without one, whether the user has said so."""
    plugs = view.plugs.get(component, ())
    return bool({*plugs} & {*apart}) if plugs else f"unit_unplugged_{component}" in job.said


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
    if own and all(is_unplugged(around.view, c, apart, job) for c in own):
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
    if "alternator" in roles:
        return "alternator"
    if act.what == "battery":
        return "battery_lead"
    return "fuse" if word_of(around, act.what) == "fuse" else "part"


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

_CHANGES: tuple[tuple[str, frozenset[str]], ...] = (
    ("blown", frozenset({"blown", "blew"})),
    ("crossed", frozenset({"crossed", "cross", "swapped"})),
    ("left_off", frozenset({"left", "off", "missing"})),
    ("wrong_part", frozenset({"wrong", "reversed"})),
    ("overvoltage", frozenset({"overvoltage", "unregulated", "overcharging", "overcharges"})),
    ("flat", frozenset({"flat", "discharged", "empty"})),
    ("short", frozenset({"short", "shorted", "chafed", "grounded"})),
    ("leak", frozenset({"leak", "leaky", "leakage", "wet", "water", "drain"})),
    ("corroded", frozenset({"corroded", "corrosion", "green", "rust", "sulphated"})),
    ("burnt", frozenset({"burnt", "burned", "melted", "overheated"})),
    ("resistance", frozenset({"resistance", "poor", "loose", "dirty", "worn", "high"})),
    ("open", frozenset({"open", "broken", "cut", "fatigued", "dead"})),
)


def change_of(mode: str, title: str, word: str) -> str:
    """One word for what a fault mode did to its part. word: the part's own word."""
    for texts in ((mode,), (title,)):
        found = tokens(*texts)
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
                "change": change_of(fault.mode, fault.title, fault.word),
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
