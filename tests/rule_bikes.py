"""Two made-up bikes in words, for the tests of rules and permits; no circuit behind them."""

from __future__ import annotations

from dataclasses import replace

from diagnose.bike.model import BikeView, Condition, FunctionView, Measurement, Repair

SINGLE_PARTS = {
    "battery": ("battery", "battery"),
    "main_fuse": ("main fuse", "fuse"),
    "charge_fuse": ("charge fuse", "fuse"),
    "acc_fuse": ("accessory fuse", "fuse"),
    "key_switch": ("key switch", "switch"),
    "kill_switch": ("kill switch", "switch"),
    "start_button": ("start button", "switch"),
    "cdi": ("CDI unit", "ignition"),
    "cdi_plug_kill": ("CDI plug, kill", "connector"),
    "cdi_plug_source": ("CDI plug, source", "connector"),
    "bar_plug_kill": ("bar plug, kill", "connector"),
    "dash_plug_feed": ("dash plug, feed", "connector"),
    "source_coil": ("source coil", "winding"),
    "ignition_coil": ("ignition coil", "coil"),
    "starter_motor": ("starter motor", "motor"),
    "starter_relay": ("starter solenoid", "relay"),
    "fuel_pump": ("fuel pump", "motor"),
    "stator": ("alternator stator", "winding"),
    "regulator": ("regulator", "charger"),
    "dash": ("dash", "unit"),
    "module": ("control module", "module"),
    "headlamp": ("headlamp", "lamp"),
    "tail_lamp": ("tail lamp", "lamp"),
    "ballast": ("load resistor", "unit"),
    "frame": ("frame", "body"),
    "engine": ("engine", "engine"),
    "rear_ground": ("rear ground", "ground"),
}

SINGLE = BikeView(
    id="made_up_single",
    title="made-up single",
    text="",
    points={},
    functions={
        "spark": FunctionView("spark", "spark", "spark", Condition(engine="cranking"), ("works", "dead")),
        "starter": FunctionView(
            "starter", "starter", "starter", Condition((("start", "pressed"),)), ("works",)
        ),
        "low_beam": FunctionView("low_beam", "low beam", "light", Condition((("key", "run"),)), ("works",)),
    },
    controls={},
    places={},
    components={c: (title, word, "seat") for c, (title, word) in SINGLE_PARTS.items()},
    complaints={},
    connectors={
        "cdi_plug": ("CDI plug", "seat"),
        "bar_plug": ("bar plug", "bar"),
        "dash_plug": ("dash plug", "bar"),
    },
    fuses=("main_fuse", "acc_fuse"),
    sensitive=("cdi.kill", "cdi.source", "dash.feed", "module.horn_input"),
    has_starter=True,
    kinds={"battery": "lead_acid_battery"},
    plugs={
        "cdi": ("cdi_plug",),
        "dash": ("dash_plug",),
        "kill_switch": ("bar_plug",),
        "module": ("power_plug",),
    },
    wired={
        "cdi.kill": (("cdi", ("cdi_plug",)),),
        "cdi.source": (("cdi", ("cdi_plug",)),),
        "cdi_plug_kill.b": (("cdi", ("cdi_plug",)),),
        "cdi_plug_kill.a": (("cdi", ("cdi_plug",)),),
        "cdi_plug_source.a": (("cdi", ("cdi_plug",)),),
        "bar_plug_kill.a": (("cdi", ("cdi_plug",)),),
        "bar_plug_kill.b": (("cdi", ("bar_plug", "cdi_plug")),),
        "source_coil.a": (("cdi", ("cdi_plug",)),),
        "dash.feed": (("dash", ("dash_plug",)),),
        "dash_plug_feed.b": (("dash", ("dash_plug",)),),
        "module.horn_input": (("module", ()),),
    },
)

LED = replace(
    SINGLE,
    id="made_up_led",
    components={**SINGLE.components, "left_indicator": ("left indicator", "led", "seat")},
)
LITHIUM = replace(SINGLE, id="made_up_lithium", kinds={"battery": "lithium_battery"})

TWIN_PARTS = {
    "battery": ("battery", "battery"),
    "main_fuse": ("main fuse", "fuse"),
    "key_switch": ("key switch", "switch"),
    "kill_switch": ("kill switch", "switch"),
    "bar_plug_kill": ("bar plug, kill", "connector"),
    "left_points": ("left points", "switch"),
    "left_coil": ("left coil", "coil"),
    "tail_lamp": ("tail lamp", "lamp"),
    "frame": ("frame", "body"),
}

TWIN = BikeView(
    id="made_up_twin",
    title="made-up twin, 6 V, points, kick only",
    text="",
    points={},
    functions={
        "spark": FunctionView("spark", "spark", "spark", Condition(engine="cranking"), ("works", "dead")),
    },
    controls={},
    places={},
    components={c: (title, word, "seat") for c, (title, word) in TWIN_PARTS.items()},
    complaints={},
    connectors={"bar_plug": ("bar plug", "bar")},
    fuses=("main_fuse",),
    has_starter=False,
    kinds={"battery": "lead_acid_battery"},
    supply_volts=6.0,
)


def condition(text: str = "") -> Condition:
    """Condition from the short form, such as `key=run,engine=idle,out=acc_fuse,battery=off`."""
    controls, engine, out, apart, battery = [], "off", [], [], True
    for pair in filter(None, text.split(",")):
        name, _, value = pair.partition("=")
        if name == "engine":
            engine = value
        elif name == "out":
            out.append(value)
        elif name == "apart":
            apart.append(value)
        elif name == "battery":
            battery = value != "off"
        else:
            controls.append((name, value))
    return Condition(tuple(controls), engine, tuple(out), tuple(apart), battery)


UNITS = {
    "volts": "V",
    "drop": "V",
    "ac_volts": "V",
    "lowest_volts": "V",
    "diode": "V",
    "ohms": "ohm",
    "amps": "A",
}


def step(text: str, *also: str, helper: bool = False) -> Measurement:
    """Measurement from its id; also: further components that the tips touch by a joint."""
    body, _, situation = text.partition("@")
    kind, first, *second = body.split(":")
    if kind in ("observe", "inspect", "amps", "gravity", "wiggle", "heat", "wet") and not second:
        plus, minus, what = "", "", first
    else:
        plus, minus, what = first, second[0], ""
    own = [p.partition(".")[0] for p in (plus, minus) if p]
    if kind == "amps" and what:
        own = ["battery" if what == "battery" else what]
    c = condition(situation)
    return Measurement(
        text,
        kind,
        c,
        plus=plus,
        minus=minus,
        what=what,
        unit=UNITS.get(kind, ""),
        helper=helper,
        components=tuple(dict.fromkeys((*own, *also))),
        disturbs=(*c.apart, *c.out),
    )


def work(text: str, title: str = "", sort: str = "repair", get_home: str = "") -> Repair:
    """Repair from its id `component.repair`."""
    component = text.partition(".")[0]
    return Repair(text, component, title or text, sort, 5.0, 0.0, "seat", "", get_home)
