"""The lamp that stands in place of a blown fuse while its short is hunted: how big, by what the fuse feeds.

Third arrow of the flow. A lamp no bigger than the load glows nearly as bright on the sound circuit as
on a short (21 W in place of a headlamp's fuse: 57 % light against 95 %), so a big load wants a big lamp.
"""

from __future__ import annotations

from collections.abc import Mapping

from diagnose.bike.build import Build
from diagnose.bike.currents import Service, is_held
from diagnose.bike.model import Measurement

# rated watts: an indicator bulb and a headlamp bulb of the bike's own volts; common practice, no source
SMALL_WATTS = 21.0
BIG_WATTS = {12.0: 55.0, 6.0: 35.0}
# of the small lamp's own current: a load that draws more leaves it too bright to tell from a short (estimate)
MOST_LOAD = 1.5


def fuse_lamps(built: Build, service: Service) -> Mapping[str, float]:
    """Fuse -> rated watts of the lamp that takes its place, by the load that stays on behind it."""
    volts = built.spec.supply_volts
    least = MOST_LOAD * SMALL_WATTS / volts
    big = BIG_WATTS.get(volts, SMALL_WATTS)
    steady = [j for j, c in enumerate(service.conditions) if c.engine == "off" and not is_held(c)]
    row_of = {e.id: i for i, e in enumerate(built.netlist.elements)}
    found = {}
    for fuse, links in built.fuses.items():
        load = service.currents[[row_of[link] for link in links]][:, steady].max(initial=0.0)
        found[fuse] = big if load > least else SMALL_WATTS
    return found


def is_later(m: Measurement) -> bool:
    """Whether nobody does this first: an ammeter for a fuse, or a lamp there with more done than the key on.

    More: branches undone behind it, or another switch on. Of 196 complaints on four bikes none began with
    another step without these, nor with another estimate by more than a tenth of a minute.
    """
    more = bool(m.condition.apart) or len(m.condition.controls) > 1
    return bool(m.condition.out) and (m.kind == "amps" or (m.kind == "lamp" and more))
