"""A bike as composed: what the rest of the program reads of it.

Value of the first arrow (catalogue -> one bike). Beside the parts it says which post of the battery is the
ground, and how its rated volts stand against the 12 V for which the trade tells its limits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from diagnose.catalogue.model import Control, Function, Kind, Part, Place, Wire
from diagnose.errors import Mark

CHARGE_MOST = 14.8  # V at the posts of a 12 V lead-acid battery (motorcycle practice, from memory)


@dataclass(frozen=True, slots=True)
class BikeSpec:
    """A bike as composed: everything of its sections, joined and overridden; ready for bike.build.

    kinds  every kind used; nodes  component.terminal -> node name (wire ends resolved, bonds merged)
    body   node roles: {'battery_minus':…, 'battery_plus':…, 'frame':…, 'engine':…} as test points; without a
           battery only frame and engine
    ground which of the battery's posts is joined to the frame: minus | plus
    """

    id: str
    title: str
    text: str
    path: str
    kinds: Mapping[str, Kind]
    places: Mapping[str, Place]
    controls: Mapping[str, Control]
    parts: Mapping[str, Part]
    wires: Mapping[str, Wire]
    nodes: Mapping[str, str]
    functions: Mapping[str, Function]
    body: Mapping[str, str]
    complaints: tuple[str, ...]
    connectors: Mapping[str, tuple[str, ...]]  # id -> ids of its ways, in order
    fresh: bool = False
    invented: bool = True
    supply_volts: float = 12.0
    cranking_rpm: float = 400.0
    idle_rpm: float = 1300.0
    connector_titles: Mapping[str, str] = field(default_factory=dict)
    ground: str = "minus"
    mark: Mark = field(default=Mark(), compare=False)

    @property
    def has_battery(self) -> bool:
        return "battery_plus" in self.body

    @property
    def ground_post(self) -> str:
        """Where one tip stays: the post joined to the frame, or without a battery the engine."""
        return self.body[f"battery_{self.ground}" if self.has_battery else "engine"]

    @property
    def live_post(self) -> str:
        """The post that feeds the bike; '' without a battery."""
        other = "plus" if self.ground == "minus" else "minus"
        return self.body.get(f"battery_{other}", "")

    @property
    def of_twelve(self) -> float:
        """This bike's rated volts against the 12 V for which the limits of the trade are told [1]."""
        return self.supply_volts / 12.0

    @property
    def charge_most(self) -> float:
        """What charging may bring to the posts at most [V]: as the battery's kind says, else 14.8 V of 12."""
        battery = self.parts.get(self.live_post.partition(".")[0])
        values = {**self.kinds[battery.kind].values, **battery.values} if battery else {}
        told = (v.number for key, v in values.items() if key.endswith(".charge_most"))
        return next(told, CHARGE_MOST * self.of_twelve)

    def tips(self, point: str, home: str = "") -> tuple[str, str]:
        """Where red and black go to read a point against the ground side so that a sound bike shows no minus.

        home  the point of the ground side, else the ground post
        """
        home = home or self.ground_post
        return (point, home) if self.ground == "minus" else (home, point)
