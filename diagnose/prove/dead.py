"""Checks with the battery off: ohms between what belongs together and what must not touch.

Generated from the nets of the loom and the sound bike's computed ohms; no check is written by hand.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import replace

from diagnose.bike.model import Condition, JobState
from diagnose.circuit.netlist import Element
from diagnose.prove.limits import (
    LEFT_OHMS,
    Sound,
    ground_limit,
    joined_limit,
    ohms_limit,
    reason,
)
from diagnose.prove.loom import Loom, loom_nets, pins_of, place_of, representative, units
from diagnose.prove.model import Check, Limit

STAGE = "battery_off"
SERIES = 0.4  # [1] of an instrument's minutes when it is the next reading of a series (estimate)
TELLS = 3.0  # [1] a switch that changes the ohms by less is tried in another position of the others
OFF = Condition(battery=False)


def dead_job(sound: Sound, loom: Loom) -> JobState:
    """Battery off, every fuse out, every unit unplugged."""
    return JobState(out=tuple(sound.built.fuses), apart=loom.apart, battery=False)


class Dead:
    """Makes the checks of one bike; keeps each pair of points in one condition once."""

    def __init__(self, sound: Sound, loom: Loom):
        self.sound, self.loom, self.built = sound, loom, sound.built
        self.job = dead_job(sound, loom)
        self.found: dict[str, Check] = {}
        self.nets = loom_nets(loom)
        for fuse in self.built.fuses:  # the box's own bars have no wire, but every fuse sits on them
            for terminal in self.built.spec.kinds[self.built.spec.parts[fuse].kind].terminals[:2]:
                net = loom.net(f"{fuse}.{terminal}")
                if net != loom.ground:
                    self.nets.setdefault(net, representative(loom, net))

    def all(self) -> list[Check]:
        """Every check with the battery off."""
        self.grounds()
        self.to_ground()
        self.kill()
        self.switches()
        self.supplies()
        self.contacts()
        self.neighbours()
        self.regulator()
        self.ratings()
        return list(self.found.values())

    # ---- pieces ----------------------------------------------------------------------------------

    def _put(
        self,
        sort: str,
        plus: str,
        minus: str,
        limit: Limit,
        about: str,
        condition: Condition = OFF,
        more: Iterable[str] = (),
    ) -> None:
        m = self.sound.two_point("ohms", plus, minus, condition)
        mirrored = self.sound.two_point("ohms", minus, plus, condition)
        for known in (m.id, mirrored.id):
            if f"{STAGE}/{known}" in self.found:
                return
        parts = {p for point in (plus, minus) for p in self.loom.parts[self.loom.net(point)]} | set(more)
        if self.loom.lead in (plus, minus):  # what hangs on the frame everywhere would call for all again
            other = plus if minus == self.loom.lead else minus
            parts = set(self.loom.parts[self.loom.net(other)]) | set(more)
            if self.loom.net(other) == self.loom.ground:
                parts = {other.partition(".")[0], *more}
        self.found[f"{STAGE}/{m.id}"] = Check(
            f"{STAGE}/{m.id}",
            STAGE,
            1,
            sort,
            m.id,
            limit,
            about,
            place_of(self.built, plus if plus != self.loom.lead else minus),
            "meter",
            SERIES * self.sound.instruments["ohms"].values["minutes"].number,
            parts=frozenset(parts),
            points=(plus, minus),
        )

    def _ohms(self, pairs: list[tuple[str, str]], condition: Condition = OFF) -> list[tuple[float, float]]:
        return self.sound.ohms(self.job, condition, pairs)

    def _electronics(self, *nets: str) -> bool:
        """Whether a unit that stays plugged in, an LED or a diode hangs on one of the nets."""
        laws = {
            e.law
            for e in self.built.netlist.elements
            if {self.loom.net_of.get(e.plus), self.loom.net_of.get(e.minus)} & set(nets)
            and e.id.partition(".")[0] not in self.loom.apart
            and e.id.partition(".")[0] != self.built.spec.live_post.partition(".")[0]
            and not self._is_apart(e.id)
        }
        return bool({"electronic", "diode"} & laws)

    # ---- grounds ---------------------------------------------------------------------------------

    def grounds(self) -> None:
        """Battery ground to every ground joint: ground bolts, bodies, and the ground ways of plugs."""
        points = list(self._ground_points())
        spec = self.built.spec
        bodies = {spec.nodes[spec.body[b]]: spec.body[b].partition(".")[0] for b in ("engine", "frame")}
        with_lamps = self._ohms([(p, self.loom.lead) for p in points])
        bare = self.sound.ohms(self._lamps_out(), OFF, [(p, self.loom.lead) for p in points])
        for point, (value, _), (empty, _) in zip(points, with_lamps, bare, strict=True):
            part = bodies.get(self.built.spec.nodes[point], point.partition(".")[0])
            limit = ground_limit(value, empty, self.amperes(part), spec.of_twelve)
            self._put("ground", point, self.loom.lead, limit, part, more=self._way_to(point))

    def _ground_points(self) -> Iterator[str]:
        spec = self.built.spec
        seen = {spec.nodes[self.loom.lead], spec.nodes[spec.ground_post]}
        bodies = [spec.body[b] for b in ("engine", "frame")]
        joints = [
            f"{p.id}.{t}"
            for p in spec.parts.values()
            if spec.kinds[p.kind].word == "ground" and p.id not in spec.wires
            for t in spec.kinds[p.kind].terminals
        ]
        ways = [f"{w}.{'a'}" for members in spec.connectors.values() for w in members]
        pins = [p for u in units(self.built) for p in pins_of(self.built, u).values()]
        for point in (*bodies, *joints, *pins, *ways):
            at = spec.nodes.get(point)
            if at is None or at in seen or self.loom.net_of[at] != self.loom.ground:
                continue
            seen.add(at)
            yield self.loom.best.get(at, point)

    def _lamps_out(self) -> JobState:
        """The same with every lamp that has a plug or wire of its own taken out of the circuit."""
        spec = self.built.spec
        lamps = [p.id for p in spec.parts.values() if spec.kinds[p.kind].word in ("lamp", "led")]
        apart = {u for p in lamps for u in (spec.parts[p].unplugs,) if u}
        # lamps screwed into a housing: their feed wire undone does the same
        for p in lamps:
            if not spec.parts[p].unplugs:
                ends = {spec.nodes[f"{p}.{t}"] for t in spec.kinds[spec.parts[p].kind].terminals}
                apart |= {
                    w.id
                    for w in spec.wires.values()
                    if {spec.nodes[w.start], spec.nodes[w.end]} & ends
                    and self.loom.net_of[spec.nodes[w.start]] != self.loom.ground
                }
        return replace(self.job, apart=tuple(sorted({*self.job.apart, *apart})))

    def amperes(self, part: str) -> float:
        kind = self.built.spec.kinds[self.built.spec.parts[part].kind]
        own = [self.sound.service.amperes.get(f"{part}.{e.name}", 0.0) for e in kind.elements]
        if own:
            return max(own)
        # a body: what the straps and cables that end at it carry
        spec = self.built.spec
        at = {spec.nodes[f"{part}.{t}"] for t in kind.terminals}
        near = [
            self.sound.service.amperes.get(e.id, 0.0)
            for e in self.built.netlist.elements
            if {e.plus, e.minus} & at and e.id.partition(".")[0] in spec.wires
        ]
        return max(near, default=0.0)

    def _way_to(self, point: str) -> tuple[str, ...]:
        """Parts on the shortest way from a ground point to the battery's lead."""
        import networkx as nx

        spec = self.built.spec
        graph = nx.Graph()
        for e in self.built.netlist.elements:
            part = e.id.partition(".")[0]
            if self.loom.net_of.get(e.plus) == self.loom.ground == self.loom.net_of.get(e.minus):
                graph.add_edge(e.plus, e.minus, part=part)
        start, end = spec.nodes[point], spec.nodes[self.loom.lead]
        if start not in graph or end not in graph or not nx.has_path(graph, start, end):
            return ()
        way = nx.shortest_path(graph, start, end)
        return tuple(graph.edges[a, b]["part"] for a, b in itertools.pairwise(way))

    # ---- circuits --------------------------------------------------------------------------------

    def to_ground(self) -> None:
        """Every circuit to ground, at rest: the computed cold value of what is plugged in."""
        for net, point in self.nets.items():
            ((value, spread),) = self._ohms([(point, self.loom.lead)])
            limit = ohms_limit(value, spread, electronics=self._electronics(net))
            self._put("to_ground", point, self.loom.lead, limit, self._name(net))

    def _name(self, net: str) -> str:
        """The part that a net is best called by: a fuse, else the wire of its point."""
        spec = self.built.spec
        fuses = [p for p in self.loom.parts[net] if p in self.built.fuses]
        outs = [
            f for f in fuses if self.loom.net(f"{f}.{spec.kinds[spec.parts[f].kind].terminals[1]}") == net
        ]
        if len(outs) == 1:
            return outs[0]
        wires = [w for w in spec.wires if w in self.loom.parts[net]]
        return wires[0] if wires else sorted(self.loom.parts[net])[0]

    def _apart(self, first: str, second: str, sort: str, about: str, condition: Condition = OFF) -> None:
        """Two nets that must not touch; nothing is asked where a sound bike reads as good as joined."""
        if first == second:
            return
        a, b = self.nets.get(first), self.nets.get(second)
        if not a or not b:
            return
        ((value, spread),) = self._ohms([(a, b)], condition)
        if value < 2 * LEFT_OHMS or (sort != "kill" and self._shows_to_ground(a, b)):
            return
        limit = ohms_limit(value, spread, electronics=self._electronics(first, second))
        self._put(sort, a, b, limit, about, condition)

    def _shows_to_ground(self, one: str, two: str) -> bool:
        """Whether two nets that touch fail a reading to ground: both then read the two in parallel."""
        lead = self.loom.lead
        ((first, _), (second, _)) = self._ohms([(one, lead), (two, lead)])
        together = 1.0 / (1.0 / first + 1.0 / second + 1e-12)
        for point in (one, two):
            known = self.found.get(f"{STAGE}/{self.sound.two_point('ohms', point, lead, OFF).id}")
            if known and not known.limit.low <= together <= known.limit.high:
                return True
        return False

    def supplies(self) -> None:
        """The live post and every fuse's outgoing side reach only their own circuits."""
        if not self.built.spec.has_battery:
            return
        live = self.loom.net(self.built.spec.live_post)
        outs = {f: self._out(f) for f in self.built.fuses}
        nets = list(dict.fromkeys([live, *outs.values()]))
        for i, first in enumerate(nets):
            for second in nets[i + 1 :]:
                self._apart(second, first, "apart", self._name(second))

    def _out(self, fuse: str) -> str:
        """Net of a fuse's side away from the battery: the one the battery does not reach without it."""
        terminals = [
            f"{fuse}.{t}" for t in self.built.spec.kinds[self.built.spec.parts[fuse].kind].terminals[:2]
        ]
        first, second = (self.loom.net(t) for t in terminals)
        return first if second == self.loom.net(self.built.spec.live_post) else second

    def contacts(self) -> None:
        """Contacts that nothing holds closed at rest."""
        for e in self.built.netlist.elements:
            if e.law != "contact" or e.values.get("closed") or self._is_apart(e.id) or self._is_inside(e):
                continue
            nets = (self.loom.net_of[e.plus], self.loom.net_of[e.minus])
            if self.loom.ground not in nets:
                self._apart(*nets, "contact", e.id.partition(".")[0])

    def _is_inside(self, e: Element) -> bool:
        """Whether an end lies inside a unit, where no tip reaches."""
        return e.plus not in self.loom.net_of or e.minus not in self.loom.net_of

    def _is_apart(self, element: str) -> bool:
        return any(element in self.built.ways[a] for a in self.loom.apart)

    def neighbours(self) -> None:
        """Terminal to terminal of neighbours in a connector."""
        spec = self.built.spec
        for connector, ways in spec.connectors.items():
            for one, two in itertools.pairwise(ways):
                nets = [
                    self.loom.net(f"{w}.{spec.kinds[spec.parts[w].kind].terminals[0]}") for w in (one, two)
                ]
                if self.loom.ground not in nets:
                    self._apart(nets[0], nets[1], "apart", connector)

    # ---- switches --------------------------------------------------------------------------------

    def switches(self) -> None:
        """Every position of every switch: what it should close, and nothing else."""
        spec = self.built.spec
        for control in spec.controls.values():
            own = [e for e, (c, _) in self.built.contacts.items() if c == control.id]
            for element in own:
                pair = self._pair(element)
                if pair is None:
                    continue
                others = self._telling(control.id, pair, self.built.contacts[element][1])
                for position in control.positions:
                    moved = dict(others) | ({control.id: position} if position != control.rest else {})
                    condition = Condition(tuple(sorted(moved.items())), battery=False)
                    ((value, spread),) = self._ohms([pair], condition)
                    closed = position in self.built.contacts[element][1]
                    nets = [self.loom.net(p) for p in pair]
                    limit = (
                        joined_limit(value)
                        if closed and value < 1.0
                        else ohms_limit(value, spread, electronics=self._electronics(*nets))
                    )
                    part = element.partition(".")[0]
                    self._put("switch", *pair, limit, part, condition, (part,))

    def _pair(self, element: str) -> tuple[str, str] | None:
        """The two test points between which a contact is measured; None where there are none."""
        e = self.built.elements[element]
        if self._is_inside(e):
            return None
        nets = (self.loom.net_of[e.plus], self.loom.net_of[e.minus])
        if nets[0] == nets[1] or self._is_apart(element):
            return None
        points = [self.loom.lead if n == self.loom.ground else self.nets.get(n, "") for n in nets]
        if not all(points):
            return None
        return (points[1], points[0]) if points[0] == self.loom.lead else (points[0], points[1])

    def _telling(self, control: str, pair: tuple[str, str], closed_in: tuple[str, ...]) -> dict[str, str]:
        """Positions of other switches in which this contact shows: nothing moved, if that will do."""
        spec = self.built.spec
        own = spec.controls[control]
        on = closed_in[0]
        off = next((p for p in own.positions if p not in closed_in), on)
        tries: list[dict[str, str]] = [{}]
        tries += [
            {c.id: p} for c in spec.controls.values() if c.id != control for p in c.positions if p != c.rest
        ]
        for others in tries:
            ohms = []
            for position in (on, off):
                moved = dict(others) | ({control: position} if position != own.rest else {})
                condition = Condition(tuple(sorted(moved.items())), battery=False)
                ohms.append(self._ohms([pair], condition)[0][0])
            if ohms[1] > TELLS * ohms[0] + LEFT_OHMS:
                return others
        return {}

    # ---- what burns units ------------------------------------------------------------------------

    def kill(self) -> None:
        """A wire that stops the engine by being grounded carries no supply, whatever the key does."""
        spec = self.built.spec
        live = [self.loom.net(spec.live_post)] if spec.has_battery else []
        for f in spec.functions.values():
            if f.kind != "stop":
                continue
            when = dict(pair.strip().split("=") for pair in f.when.split(","))
            for element, (control, closed_in) in self.built.contacts.items():
                e = self.built.elements[element]
                if self._is_inside(e):
                    continue
                nets = (self.loom.net_of[e.plus], self.loom.net_of[e.minus])
                stops = when.get(control) in closed_in
                if not stops or self.loom.ground not in nets or nets[0] == nets[1]:
                    continue
                wire = nets[0] if nets[1] == self.loom.ground else nets[1]
                for condition in self._open_conditions(wire):
                    switched = [
                        self.loom.net_of[at]
                        for e2, (c2, _) in self.built.contacts.items()
                        if c2 in dict(condition.controls) and not self._is_inside(self.built.elements[e2])
                        for at in (self.built.elements[e2].plus, self.built.elements[e2].minus)
                    ]
                    # any other net that touches it fails to ground already: at rest this wire is grounded
                    for supply in dict.fromkeys([*live, *switched]):
                        if supply not in (self.loom.ground, wire):
                            self._apart(wire, supply, "kill", self._name(wire), condition)

    def _open_conditions(self, wire: str) -> Iterator[Condition]:
        """The condition, nearest to rest, in which nothing grounds a wire."""
        moved: dict[str, str] = {}
        for element, (control, closed_in) in self.built.contacts.items():
            e = self.built.elements[element]
            if self._is_inside(e):
                continue
            nets = {self.loom.net_of[e.plus], self.loom.net_of[e.minus]}
            own = self.built.spec.controls[control]
            if nets == {wire, self.loom.ground} and own.rest in closed_in:
                free = next((p for p in own.positions if p not in closed_in), "")
                if free:
                    moved[control] = free
        yield Condition(tuple(sorted(moved.items())), battery=False)

    def regulator(self) -> None:
        """What the regulator gives joins the battery by its own way, as drawn: each piece of copper of it."""
        spec = self.built.spec
        for f in spec.functions.values():
            if f.kind != "charge" or not f.element:
                continue
            unit = f.element.partition(".")[0]
            output = self.built.elements[f.element]
            pins = pins_of(self.built, unit)
            own = {output.plus, output.minus}
            given = (t for t in pins if self.loom.net(f"{unit}.{t}") != self.loom.ground)
            terminal = next((t for t in given if spec.nodes[f"{unit}.{t}"] in own), "")
            if terminal:
                self._chain(pins[terminal], self.nets[self.loom.net(spec.live_post)], unit)

    def _chain(self, start: str, end: str, about: str) -> None:
        """Net by net from one point to another, over fuses: in each net, where it enters and leaves."""
        target = self.loom.net(end)
        point, used = start, set()
        while True:
            net = self.loom.net(point)
            if net == target:
                self._joined(point, end, about)
                return
            step = next(
                (
                    (f, t, u)
                    for f in self.built.fuses
                    if f not in used
                    for t, u in (self._ends(f), tuple(reversed(self._ends(f))))
                    if self.loom.net(t) == net
                ),
                None,
            )
            if step is None:
                return
            fuse, near, far = step
            self._joined(point, near, about)
            used.add(fuse)
            point = far

    def _ends(self, fuse: str) -> tuple[str, str]:
        first, second = self.built.spec.kinds[self.built.spec.parts[fuse].kind].terminals[:2]
        return f"{fuse}.{first}", f"{fuse}.{second}"

    def _joined(self, one: str, two: str, about: str) -> None:
        if self.built.spec.nodes[one] == self.built.spec.nodes[two]:
            return
        ((value, _),) = self._ohms([(one, two)])
        if not math.isinf(value):
            limit = joined_limit(value)
            self._put(
                "joined", one, two, replace(limit, reasons=(reason("why_regulator"), *limit.reasons)), about
            )

    # ---- fuses -----------------------------------------------------------------------------------

    def ratings(self) -> None:
        """The number on each fuse, read before it goes in."""
        spec = self.built.spec
        for fuse, (link, *_) in self.built.fuses.items():
            rating = self.built.elements[link].values["rating"]
            self.found[f"{STAGE}/rating:{fuse}"] = Check(
                f"{STAGE}/rating:{fuse}",
                STAGE,
                1,
                "rating",
                "",
                Limit("A", rating, rating, rating, reasons=(reason("why_rating", rating=f"{rating:g}"),)),
                fuse,
                spec.parts[fuse].place,
                "hands",
                0.2,
                parts=frozenset({fuse}),
            )
