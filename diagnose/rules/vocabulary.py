"""What rules may speak about: kinds of fact, their fields, and the words each field may hold.

Facts are flat: every value is a word, a text or a whole number that code has judged before
(low, high, across the battery ...), so that rules compare and never calculate.
"""

from __future__ import annotations

from collections.abc import Mapping

YES_NO = ("yes", "no")
TEXT = "text"  # any text: ids and titles
NUMBER = "number"  # whole numbers

Field = str | tuple[str, ...]
Vocabulary = Mapping[str, Mapping[str, Field]]

INSTRUMENTS = (
    "volts", "drop", "ohms", "diode", "ac_volts", "lowest_volts", "lamp", "jumper", "amps", "clamp",
    "observe", "inspect", "count", "gravity", "swap", "wiggle", "heat", "wet", "none",
)  # fmt: skip

WORDS = (
    "wire", "connector", "ground", "fuse", "switch", "lamp", "led", "relay", "coil", "winding", "battery",
    "unit", "motor", "horn", "ignition", "module", "charger", "body", "engine", "flasher", "socket", "plug",
)  # fmt: skip

# what a touched part is to safety; each part has one
ROLES = (
    "cdi",  # capacitor-discharge unit and its wires: 100-300 V
    "points",  # contact breaker, condenser
    "ignition_coil",
    "transistor_unit",
    "pickup",  # trigger or source winding of the ignition
    "starter",  # motor, solenoid and their thick cables
    "alternator",
    "regulator",
    "lead_acid",
    "lithium",
    "kill",  # stops the engine
    "halogen",
    "fuel",  # electric fuel pump
    "key",  # the switch that cuts everything
    "none",
)  # fmt: skip

# what a conclusion speaks about: without a condition of such a kind nobody would ever ask for it
SUBJECTS: Mapping[str, tuple[str, ...]] = {
    "block": ("act", "touch"),
    "caution": ("act", "touch"),
    "doubt": ("reading", "series"),
    "advise": ("history", "complaint", "job", "bike", "user"),
    "root_cause": ("finding",),
}

VOCABULARY: Vocabulary = {
    # the step that is being judged; one fact
    "act": {
        "sort": ("measure", "try", "repair", "stop", "power_up", "get_home"),
        "instrument": INSTRUMENTS,
        "feeds": YES_NO,  # the instrument puts current into what it touches: lamp, jumper, ohms, diode
        "supply": ("on", "off"),  # battery joined to the loom during the step
        "switched": YES_NO,  # something is switched on for it
        "engine": ("off", "cranking", "running"),
        "starter": YES_NO,  # the starter is worked
        "spark": YES_NO,  # sparks are looked at
        "isolated": ("yes", "paths", "no"),  # paths: battery off, but the part is still joined to others
        "amps_at": ("none", "fuse", "battery_lead", "across_battery", "starter", "alternator", "part"),
        "kill": ("joined", "unplugged"),
        "lifts_battery": YES_NO,  # the step itself takes the battery lead off
        "parts_plug": YES_NO,  # it pulls a connector that was joined
        "pulls_fuse": YES_NO,
        "helper": YES_NO,
        "charges": YES_NO,  # the battery is charged or boosted
        "jumps": YES_NO,  # a wire from battery plus feeds a circuit
        "pushes": YES_NO,  # the bike is pushed to start it
    },
    # a part that the step touches; one fact each
    "touch": {
        "component": TEXT,
        "title": TEXT,
        "word": WORDS,
        "role": ROLES,
        "electronics": YES_NO,  # the tip reaches electronics
        "plugged": YES_NO,  # electronics: nothing between tip and unit is apart
    },
    # every safety fact, said or not; the questions of the rule files name them
    "said": {"what": TEXT, "answer": YES_NO},
    "bike": {
        "starter": YES_NO,
        "supply": ("six", "twelve"),
        "wiring": ("fresh", "used"),
        "ignition": ("cdi", "points", "magneto", "transistor", "unknown"),
        "battery": ("lead_acid", "lithium", "none"),
        "led_indicators": YES_NO,
        "first_power": YES_NO,  # the loom has not had the battery on it since it was made
    },
    "user": {"skill": ("beginner", "trade"), "kit": ("hands", "lamp", "meter", "workshop")},
    "job": {
        "battery": ("joined", "off"),
        "fuses_renewed": NUMBER,
        "same_fuse_renewed": NUMBER,  # most times that one and the same fuse was renewed
        "apart": YES_NO,
        "repairs_done": NUMBER,
    },
    "history": {"what": TEXT, "answer": YES_NO},
    "complaint": {"what": TEXT},
    # one reading as it came in
    "reading": {
        "instrument": INSTRUMENTS,
        "verdict": (
            "ok", "low", "high", "over_range", "negative", "zero", "full_supply", "lone_one", "no_path",
        ),
        "scale": ("fits", "thousandfold", "thousandth"),  # what would bring it into the expected range
        "at": ("battery", "electronics", "other"),
        "supply": ("on", "off"),
        "switched": YES_NO,
        "engine": ("off", "cranking", "running"),
        "isolated": ("yes", "paths", "no"),
        "above_posts": YES_NO,  # more volts, engine off, than the battery's posts have shown at rest
        "above_battery": YES_NO,  # more volts than the battery of this bike can give
        # sixteen: up to 22 V on a 12 V bike; ac_range: up to 40 V; absurd: beyond; scaled by supply
        "size": ("plausible", "sixteen", "ac_range", "absurd"),
    },
    # how the last readings of one instrument look together
    "series": {
        "instrument": INSTRUMENTS,
        "pattern": ("all_zero", "mixed", "all_high"),
        "count": NUMBER,
        "black": ("same", "moved"),
    },
    # a fault as the job has found it
    "finding": {
        "component": TEXT,
        "title": TEXT,
        "word": WORDS,
        "role": ROLES,
        "change": (
            "open", "short", "leak", "resistance", "blown", "crossed", "flat", "overvoltage", "wrong_part",
            "left_off", "corroded", "burnt", "other",
        ),
    },
}  # fmt: skip
