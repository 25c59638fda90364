"""Kinds of part out of components/*.yaml: terminals, elements, values, failures, repairs.

Part of the first arrow (YAML -> catalogue). Everything that can be judged within one kind is judged
here, where the place of every word is known.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from diagnose.catalogue.fields import ID, Cursor
from diagnose.catalogue.model import (
    DeviceSpec,
    EditSpec,
    ElementSpec,
    Kind,
    LookSpec,
    ModeSpec,
    RepairSpec,
    SwapSpec,
    TestSpec,
    Value,
)
from diagnose.catalogue.words import (
    DEVICE_ROLES,
    DEVICE_VALUES,
    EDIT_KEYS,
    EDIT_MOST,
    ENGINE_WORDS,
    FLASH_RATES,
    KITS,
    LAW_VALUES,
    PART_WORDS,
    REPAIR_SORTS,
    SEVERE_OPS,
    SEVERITIES,
    TEST_INSTRUMENTS,
)
from diagnose.errors import unknown

_KIND_NEEDS = ("title", "word", "terminals", "rate", "modes")
_KIND_MAY = (
    *("elements", "devices", "values", "look", "trace", "repairs", "tests", "swap"),
    *("sensitive", "high_tension", "flash_rate", "shared", "sides", "filler_caps"),
)
_MODE_NEEDS = ("title", "edits", "share", "repair")
_MODE_MAY = ("handbook", "severity", "visible", "traced", "fresh", "tags", "intermittent", "get_home")
_REPAIR_NEEDS = ("title", "sort", "cures", "minutes", "price")
_REPAIR_MAY = ("text", "get_home", "parts", "returnable", "tool")


def value_units(kind: Kind) -> dict[str, str]:
    """Every value key that parts of this kind may set -> its unit."""
    return _units(kind.elements, kind.devices)


def _units(elements: Collection[ElementSpec], devices: Collection[DeviceSpec]) -> dict[str, str]:
    units = {f"{e.name}.{p}": u for e in elements for p, u in LAW_VALUES.get(e.law, {}).items()}
    units.update({f"{d.name}.{p}": u for d in devices for p, u in DEVICE_VALUES.get(d.law, {}).items()})
    return units


def read_values(here: Cursor, units: Mapping[str, str], sources: Collection[str]) -> dict[str, Value]:
    """The mapping `values`: key -> Value, each in the unit of its law; unknown keys are noted."""
    values: dict[str, Value] = {}
    if here.data is None:
        return values
    if not isinstance(here.data, dict):
        here.note(f"{here.name} is not a mapping; expected keys such as {', '.join(sorted(units)[:3])}")
        return values
    for key in here.data:
        if key not in units:
            here.problems.append(here.key_mark(key).problem(unknown("value", key, units)))
            continue
        # the only negative number a part can have is none at all
        values[key] = here.at(key).value(units[key], sources, low=0.0)
    return values


def read_kind(here: Cursor, id: str, sources: Collection[str]) -> Kind:
    """One kind of part; all its problems are noted on the cursor."""
    here.is_mapping(_KIND_NEEDS, _KIND_MAY)
    terminals = here.texts("terminals")
    for t in here.items("terminals"):
        if isinstance(t.data, str) and not ID.fullmatch(t.data):
            t.note(f"terminal {t.data!r} is not snake_case; expected letters a-z, digits and '_'")
    if len(set(terminals)) != len(terminals):
        here.note(f"terminals {', '.join(terminals)} repeat; expected each once", "terminals")
    elements = tuple(_element(c, name, terminals) for name, c in here.entries("elements"))
    names = {e.name for e in elements}
    for e in elements:
        if e.excited_by and (e.law != "source" or e.excited_by not in names):
            here.at("elements").at(e.name).note(
                f"excited_by={e.excited_by} of {e.name}; expected law source and another own element",
                "excited_by",
            )
    devices = tuple(_device(c, name, names, terminals) for name, c in here.entries("devices"))
    for d in devices:
        if d.name in names:
            here.at("devices").at(d.name).note(
                f"device {d.name!r} has the name of an element; try {d.name}_device"
            )
    values = read_values(here.at("values"), _units(elements, devices), sources)
    repairs = tuple(_repair(c, name, sources) for name, c in here.entries("repairs"))
    modes = tuple(
        _mode(c, name, elements, devices, terminals, [r.id for r in repairs], sources)
        for name, c in here.entries("modes")
    )
    _check_cures(here, modes, repairs)
    return Kind(
        id=id,
        title=here.text("title"),
        word=here.word("word", PART_WORDS),
        terminals=terminals,
        elements=elements,
        devices=devices,
        values=values,
        modes=modes,
        repairs=repairs,
        rate=_required(here, "rate", "1", sources),
        look=_look(here.at("look"), sources) if here.has("look") else None,
        trace=_look(here.at("trace"), sources) if here.has("trace") else None,
        tests=tuple(_test(c, name, terminals) for name, c in here.entries("tests")),
        sensitive=here.flag("sensitive"),
        high_tension=_high_tension(here, terminals),
        flash_rate=_flash_rate(here),
        shared=here.flag("shared"),
        filler_caps=_filler_caps(here),
        swap=_swap(here.at("swap"), [m.id for m in modes], sources) if here.has("swap") else None,
        sides=_sides(here, terminals),
        mark=here.own_key_mark,
    )


def _sides(here: Cursor, terminals: Collection[str]) -> dict[str, str]:
    for terminal, c in here.entries("sides"):
        if terminal not in terminals:
            here.at("sides").note(unknown("terminal", terminal, terminals))
        elif not isinstance(c.data, str):
            c.note(f"the side of {terminal} is not text")
    return {t: c.data for t, c in here.entries("sides") if t in terminals and isinstance(c.data, str)}


def _high_tension(here: Cursor, terminals: Collection[str]) -> tuple[str, ...]:
    for item in here.items("high_tension"):
        if item.data not in terminals:
            item.note(unknown("terminal", str(item.data), terminals))
    return here.texts("high_tension")


def _flash_rate(here: Cursor) -> str:
    if here.has("flash_rate") and here.data.get("word") != "flasher":
        here.note("flash_rate belongs to a kind with the word flasher", "flash_rate")
    return here.word("flash_rate", FLASH_RATES, "by_heat")


def _filler_caps(here: Cursor) -> bool:
    if here.has("filler_caps") and here.data.get("word") != "battery":
        here.note("filler_caps belongs to a kind with the word battery", "filler_caps")
    return here.flag("filler_caps")


def _required(here: Cursor, key: str, unit: str, sources: Collection[str]) -> Value:
    if not here.has(key):  # is_mapping has noted it
        return Value(0.0, unit, mark=here.mark)
    return here.at(key).value(unit, sources, low=0.0)


def _element(here: Cursor, name: str, terminals: Collection[str]) -> ElementSpec:
    here.is_mapping(("law", "plus", "minus"), ("closed_in", "triggered_by", "excited_by", "sensed_at"))
    law = here.word("law", LAW_VALUES)
    for end in ("plus", "minus"):
        _own_end(here, end, terminals)
    if here.has("closed_in") and law != "contact":
        here.note(f"closed_in belongs to law contact, not {law!r}", "closed_in")
    trigger = here.texts("triggered_by", terminals, "terminal") if here.has("triggered_by") else ()
    if here.has("triggered_by") and (law != "contact" or len(trigger) != 2):
        here.note(
            f"triggered_by={list(trigger)} of {name}; expected a contact and two terminals", "triggered_by"
        )
    sensed = here.text("sensed_at") if here.has("sensed_at") else ""
    if sensed and (law != "generator" or sensed not in terminals):
        here.note(f"sensed_at={sensed} of {name}; expected law generator and an own terminal", "sensed_at")
    excited = here.text("excited_by") if here.has("excited_by") else ""
    ends = here.text("plus"), here.text("minus")
    return ElementSpec(name, law, *ends, here.texts("closed_in"), trigger, excited, sensed)


def _own_end(here: Cursor, key: str, terminals: Collection[str]) -> None:
    end = here.text(key)
    if not end:
        return
    if end.startswith("#"):
        if not ID.fullmatch(end[1:]):
            here.note(f"inner node {end!r} is not '#' and snake_case", key)
    elif end not in terminals:
        here.note(unknown("terminal", end, terminals) + " (an inner node begins with '#')", key)


def _device(here: Cursor, name: str, elements: Collection[str], terminals: Collection[str]) -> DeviceSpec:
    law = here.word("law", DEVICE_ROLES) if isinstance(here.data, dict) else ""
    expected = DEVICE_ROLES.get(law, {})
    needs = [role for role, least in expected.items() if least]
    here.is_mapping(["law", *needs], [role for role in expected if role not in needs])
    roles: dict[str, tuple[str, ...]] = {}
    for role in expected:
        known = terminals if role.endswith("_node") else elements
        roles[role] = here.texts(role, known, "terminal" if role.endswith("_node") else "element")
        if role in needs and here.has(role) and not roles[role]:
            here.note(f"{role} of {law} is empty; expected at least one", role)
    return DeviceSpec(name, law, roles)


def _mode(
    here: Cursor,
    name: str,
    elements: Collection[ElementSpec],
    devices: Collection[DeviceSpec],
    terminals: Collection[str],
    repairs: Collection[str],
    sources: Collection[str],
) -> ModeSpec:
    here.is_mapping(_MODE_NEEDS, _MODE_MAY)
    edits = tuple(_edit(c, elements, devices, terminals) for c in here.items("edits"))
    least = 1 if elements else 0  # what has no elements can fail in no electrical way: fuel, compression
    if here.has("edits") and not least <= len(edits) <= EDIT_MOST:
        here.note(f"{name} has {len(edits)} edits; expected {least} to {EDIT_MOST}", "edits")
    severity = here.word("severity", SEVERITIES, "none")
    severe = [e.op for e in edits if e.op in SEVERE_OPS]
    if severe and severity == "none":
        here.note(
            f"edit {severe[0]!r} takes its ohms from the severity; expected severity: series, leak or short"
        )
    if severity != "none" and edits and not severe:
        here.note(
            f"severity {severity!r} is used by no edit; expected one of {', '.join(sorted(SEVERE_OPS))}"
        )
    intermittent = here.number("intermittent", "1", 1.0, low=0.0)
    if intermittent > 1:
        here.note(f"intermittent={intermittent:g} is a chance; expected at most 1", "intermittent")
    return ModeSpec(
        id=name,
        title=here.text("title"),
        edits=edits,
        share=_required(here, "share", "1", sources),
        repair=here.word("repair", repairs),
        handbook=here.at("handbook").value("1", sources, low=0.0) if here.has("handbook") else None,
        severity=severity,
        visible=here.at("visible").value("1", sources, low=0.0) if here.has("visible") else None,
        traced=here.at("traced").value("1", sources, low=0.0) if here.has("traced") else None,
        fresh=here.number("fresh", "1", 1.0, low=0.0),
        tags=here.texts("tags"),
        intermittent=intermittent,
        get_home=here.text("get_home"),
    )


def _edit(
    here: Cursor,
    elements: Collection[ElementSpec],
    devices: Collection[DeviceSpec],
    terminals: Collection[str],
) -> EditSpec:
    blank = EditSpec("", "")
    if not isinstance(here.data, dict) or not here.data:
        here.note(f"{here.name} is not an edit; expected one such as {{open: element}}")
        return blank
    ops = [key for key in here.data if key in EDIT_KEYS]
    if len(ops) != 1:
        first = next(iter(here.data))
        message = (
            unknown("edit", first, EDIT_KEYS) if not ops else f"has the edits {', '.join(ops)}; expected one"
        )
        here.note(message if not ops else f"{here.name} {message}")
        return blank
    op = ops[0]
    if not here.is_mapping((op, *EDIT_KEYS[op])):
        return blank
    target = here.text(op)
    laws = {e.name: e.law for e in elements}
    units = _units(elements, devices)
    number = 0.0
    if op in ("set", "scale"):
        if target not in units:
            here.note(unknown("value", target, units), op)
        elif op == "scale":
            number = here.number("by", "1", low=0.0)
        else:
            number = here.number("to", units[target])
    elif op in ("bridge", "to_ground", "to_supply", "to_neighbour", "cross"):
        here.word(op, terminals, kind="terminal")
        here.word("other", terminals, kind="terminal")
    elif op == "move":
        element, _, end = target.rpartition(".")
        if element not in laws or end not in ("plus", "minus"):
            here.note(f"move={target!r} is not element.plus or element.minus", op)
        if "." not in here.text("to_point"):
            here.note(f"to_point={here.text('to_point')!r} is not component.terminal", "to_point")
    else:
        here.word(op, laws, kind="element")
        if op == "force":
            if laws.get(target, "contact") != "contact":
                here.note(f"force={target!r} has law {laws[target]}; expected a contact", op)
            here.word("state", ("closed", "open"))
    return EditSpec(op, target, here.text("other"), number, here.text("state"), here.text("to_point"))


def _repair(here: Cursor, name: str, sources: Collection[str]) -> RepairSpec:
    here.is_mapping(_REPAIR_NEEDS, _REPAIR_MAY)
    return RepairSpec(
        id=name,
        title=here.text("title"),
        sort=here.word("sort", REPAIR_SORTS),
        cures=here.texts("cures"),
        minutes=_required(here, "minutes", "min", sources),
        price=_required(here, "price", "1", sources),
        text=here.text("text"),
        get_home=here.text("get_home"),
        parts=here.texts("parts"),
        returnable=here.flag("returnable", True),
        tool=here.word("tool", KITS, "hands"),
    )


def _check_cures(here: Cursor, modes: Collection[ModeSpec], repairs: Collection[RepairSpec]) -> None:
    ids = {m.id for m in modes}
    cures = {r.id: r.cures for r in repairs}
    for r in repairs:
        for mode in r.cures:
            if mode not in ids and mode != "*":
                here.at("repairs").at(r.id).note(unknown("mode", mode, ids) + " or '*'", "cures")
    for m in modes:
        if m.repair in cures and m.id not in cures[m.repair] and "*" not in cures[m.repair]:
            message = f"mode {m.id} names repair {m.repair}, which does not cure it; try adding it to cures"
            here.at("modes").at(m.id).note(message, "repair")


def _look(here: Cursor, sources: Collection[str]) -> LookSpec:
    here.is_mapping(("minutes", "text"), ("false_alarm",))
    minutes = _required(here, "minutes", "min", sources)
    return LookSpec(minutes, here.text("text"), here.number("false_alarm", "1", 0.03, low=0.0))


def _swap(here: Cursor, modes: Collection[str], sources: Collection[str]) -> SwapSpec:
    here.is_mapping(("minutes", "text"), ("stays",))
    for item in here.items("stays"):
        if item.data not in modes:
            item.note(unknown("mode", str(item.data), modes))
    return SwapSpec(_required(here, "minutes", "min", sources), here.text("text"), here.texts("stays"))


def _test(here: Cursor, name: str, terminals: Collection[str]) -> TestSpec:
    here.is_mapping(("instrument", "plus", "minus"), ("text", "apart", "engine"))
    for end in ("plus", "minus"):
        point = here.text(end)
        if point and "." not in point and point not in terminals:
            here.note(unknown("terminal", point, terminals), end)
    engine = here.text("engine", "off")
    if engine not in ENGINE_WORDS and not engine.isdigit():
        here.note(unknown("engine state", engine, ENGINE_WORDS) + " or a number of rpm", "engine")
    return TestSpec(
        id=name,
        instrument=here.word("instrument", TEST_INSTRUMENTS),
        plus=here.text("plus"),
        minus=here.text("minus"),
        text=here.text("text"),
        apart=here.flag("apart", True),
        engine=engine,
    )
