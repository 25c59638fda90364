"""The closed lists that knowledge is written in: units of values, words, laws, edit operations.

Kept beside the models so that reading needs no circuit; a test holds the laws and roles against the
circuit's own tables.
"""

from __future__ import annotations

from collections.abc import Mapping

SOURCE_STATUSES = ("read", "from_memory", "common_practice", "estimate")

PART_WORDS = [
    "wire",
    "connector",
    "ground",
    "fuse",
    "switch",
    "lamp",
    "led",
    "relay",
    "coil",
    "winding",
    "battery",
    "unit",
    "motor",
    "horn",
    "ignition",
    "module",
    "charger",
    "body",
    "engine",
    "flasher",
    "socket",
    "plug",
]

# law -> its values and their units. In `source`, ac_per_1000rpm, its phase in degrees and wakes_at (the volts
# of its field at which it wakes) are optional; so are dc_per_1000rpm and held_volts, which make it a dynamo's
# armature, reactance_per_1000rpm, which makes a winding one that lights lamps, and charge_most, a battery's
# limit. `alternating` tells that a diode or source stands in the AC circuit too. `closed` of a contact is set
# by what drives it; trigger_volts goes with triggered_by, rated_load with a flasher, surface_volts with a
# battery.
LAW_VALUES: Mapping[str, Mapping[str, str]] = {
    "resistor": {"resistance": "ohm"},
    "contact": {"resistance": "ohm", "closed": "1", "trigger_volts": "V", "rated_load": "A"},
    "fuse": {"resistance": "ohm", "rating": "A"},
    "source": {
        "emf": "V",
        "resistance": "ohm",
        "ac_per_1000rpm": "V",
        "phase": "1",
        "wakes_at": "V",
        "reactance_per_1000rpm": "ohm",
        "alternating": "1",
        "dc_per_1000rpm": "V",
        "held_volts": "V",
        "charge_most": "V",
        "surface_volts": "V",
    },
    "lamp": {"rated_volts": "V", "rated_watts": "W", "cold_ratio": "1"},
    "diode": {"saturation_current": "A", "emission": "1", "alternating": "1"},
    "electronic": {"rated_volts": "V", "rated_watts": "W", "cut_off_volts": "V"},
    "motor": {"resistance": "ohm", "back_emf": "V"},
    "generator": {"regulated_volts": "V", "resistance": "ohm", "max_current": "A"},
}
OPTIONAL_VALUES = frozenset(
    {
        "closed",
        "trigger_volts",
        "rated_load",
        "ac_per_1000rpm",
        "phase",
        "wakes_at",
        "reactance_per_1000rpm",
        "alternating",
        "dc_per_1000rpm",
        "held_volts",
        "charge_most",
        "surface_volts",
    }
)

# what sets a flasher's rate: the heat of the lamps' current, a count of that current, nothing outside it
FLASH_RATES = ("by_heat", "by_count", "fixed")

# device law -> role -> least number of members; roles ending in _node name own terminals, others elements
DEVICE_ROLES: Mapping[str, Mapping[str, int]] = {
    "relay": {"coil": 1, "no": 0, "nc": 0},
    "fuse": {"element": 1},
    "output": {"output": 1, "supply_plus_node": 1, "supply_minus_node": 1, "input_node": 0},
    "electronic": {"element": 1},
    "motor": {"element": 1},
    "generator": {"element": 1},
}
DEVICE_VALUES: Mapping[str, Mapping[str, str]] = {
    "relay": {"operate_volts": "V", "release_volts": "V"},
    "fuse": {"opens_at": "1"},
    "output": {"minimum_volts": "V", "input_low": "V", "limit": "A"},
    "electronic": {},
    "motor": {"turn_volts": "V"},
    "generator": {},
}

# edit operation -> the keys beside it
EDIT_KEYS: Mapping[str, tuple[str, ...]] = {
    "open": (),
    "set": ("to",),
    "scale": ("by",),
    "series": (),
    "bridge": ("other",),
    "to_ground": (),
    "to_supply": (),
    "to_neighbour": (),
    "cross": (),
    "move": ("to_point",),
    "reverse": (),
    "force": ("state",),
}
EDIT_MOST = 4
# operations whose ohms come from the severity
SEVERE_OPS = frozenset({"series", "bridge", "to_ground", "to_supply", "to_neighbour"})
SEVERITIES = ("none", "series", "leak", "short")

REPAIR_SORTS = ("try", "repair", "stop")
KITS = ("hands", "lamp", "meter", "workshop")
TEST_INSTRUMENTS = ("ohms", "diode", "ac_volts", "volts", "lowest_volts")
INSTRUMENTS = [
    "volts",
    "drop",
    "ohms",
    "diode",
    "ac_volts",
    "lowest_volts",
    "worked_volts",
    "lamp",
    "jumper",
    "amps",
    "clamp",
    "observe",
    "inspect",
    "count",
    "gravity",
    "swap",
    "wiggle",
    "heat",
    "wet",
]
INSTRUMENT_UNITS = ("V", "ohm", "A", "rpm", "/min", "")
# what brings on a fault that comes and goes -> the tag of the modes that it brings out; chance: any of them
TRIGGERS: Mapping[str, str] = {
    "bars": "bars", "bumps": "vibration", "heat": "heat", "wet": "wet", "chance": "",
}  # fmt: skip
LOOSE_TAGS = frozenset({"vibration", "heat", "wet"})  # of modes that may come and go
ENGINE_WORDS = ("off", "cranking", "idle")
# what a contact may be closed in beside the positions of a control: the engine moves it by itself
ENGINE_MOVES = ("standing", "turning")

# kind of a function -> the words a rider can answer with, best first
FUNCTION_STATES: Mapping[str, tuple[str, ...]] = {
    "light": ("works", "weak", "very_weak", "dead"),
    "sound": ("works", "weak", "dead"),
    "heat": ("works", "weak", "dead"),
    "gauge": ("works", "reads_low", "reads_high", "dead"),
    "starter": ("works", "slow", "clicks", "chatters", "dead"),
    "unit": ("works", "flickers", "dead"),
    "flash": ("works", "fast", "weak", "steady", "dead"),
    "spark": ("works", "weak", "dead"),
    "stop": ("works", "dead"),
    "charge": ("works", "weak", "dead"),
}
STATES = tuple(dict.fromkeys(word for words in FUNCTION_STATES.values() for word in words))
NEEDS_REQUIRED = ("spark", "stop")  # kinds of function judged by needs alone
NEEDS_ALLOWED = (*NEEDS_REQUIRED, "charge")
NEED_UNITS: Mapping[str, str] = {"ac_volts": "V", "volts": "V", "ohms": "ohm"}

METAL_ROLES = ("frame", "engine")
POST_ROLES = ("battery_plus", "battery_minus")  # both, or neither on a bike without a battery
RESERVED_CONTROLS = ("engine", "out", "apart", "battery", "grounded")
WIRE_KIND = "wire"
WAY_KIND = "connector_way"
