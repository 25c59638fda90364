"""Checks with the battery on: through a lamp first, one fuse at a time, one unit at a time, then everything.

Generated from the bike's own file: order of the fuses from who feeds whom, lamps sized by the computed
currents, expectations from the sound bike in the same state.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np

from diagnose.bike.acts import FUNCTION_WORDS, LAMP_WORDS
from diagnose.bike.acts import posts as battery_posts
from diagnose.bike.build import Build, last_lead
from diagnose.bike.currents import as_condition
from diagnose.bike.model import Condition, JobState, Measurement
from diagnose.prove.dead import SERIES, Dead
from diagnose.prove.limits import (
    POST_VOLTS,
    Sound,
    amps_limit,
    reason,
    volts_limit,
    words_limit,
)
from diagnose.prove.loom import Loom, pins_of, plugs_of, units
from diagnose.prove.model import Check, Limit, Reason, Stage

LAMPS = (21, 55)  # watts of the lamps a workshop has at hand: brake lamp, headlamp
LAMPS_SIX = (21, 35)  # the same at 6 V
LEAST_AMPS = 0.05  # A from which a current is worth reading against its computed value
SIX_BELOW = 9.0  # V rated: half way between 6 and 12
REST = Condition()
ASLEEP = "dead"  # any other word means that a function is awake
SURELY = 1e-3  # [1]
# A stronger or weaker lamp stands for loads as built: electronics to within 20 % (their own tolerance), two
# standard deviations of it, and the battery's half volt.
LAMP_MAY_BE = (0.6, 1.5)
KINDS_THAT_WAKE = ("light", "sound", "unit", "flash")
FED_SHARE = 0.5  # [1] of the rated volts, above it a pin counts as fed
PIN_FREE_VOLTS = 1.0  # V, below it a pin counts as free of supply


@dataclass(slots=True, eq=False)
class Live:
    """Makes the stages and checks with power on; `stages` and `checks` are what came out."""

    sound: Sound
    dead: Dead
    stages: list[Stage] = field(default_factory=list)
    checks: list[Check] = field(default_factory=list)

    @property
    def built(self) -> Build:
        return self.sound.built

    @property
    def loom(self) -> Loom:
        return self.dead.loom

    @property
    def lamps(self) -> tuple[int, ...]:
        """Watts of the lamps at hand, smallest first."""
        return LAMPS if self.built.spec.supply_volts > SIX_BELOW else LAMPS_SIX

    def all(self) -> None:
        """Every stage with power, in the order that risks least."""
        self.first_power()
        self.fuses()
        self.units()

    # ---- pieces ----------------------------------------------------------------------------------

    def enter(
        self, name: str, phase: int, job: JobState, *sets: Reason, guards: tuple[str, ...] = ()
    ) -> Stage:
        """Add a stage: what it is called, its phase, the state of the bike in it, and how to come to it."""
        stage = Stage(name, phase, job, sets, guards)
        self.stages.append(stage)
        return stage

    def put(
        self,
        stage: Stage,
        sort: str,
        m: Measurement,
        limit: Limit,
        about: str,
        parts: tuple[str, ...] = (),
        *,
        instead: str = "",
        place: str = "",
    ) -> Check:
        points = tuple(p for p in (m.plus, m.minus) if p)
        check = Check(
            f"{stage.id}/{m.id}",
            stage.id,
            stage.phase,
            sort,
            m.id,
            limit,
            about,
            place or (m.places[0] if m.places else ""),
            m.kit,
            m.minutes if m.engine_runs else SERIES * m.minutes,
            m.choices,
            parts=frozenset((*m.components, *parts, about)),
            instead=instead,
            helper=m.helper,
            engine_runs=m.engine_runs,
            points=points,
        )
        if all(c.id != check.id for c in self.checks):
            self.checks.append(check)
        return check

    def volts(
        self, stage: Stage, sort: str, point: str, condition: Condition, about: str, home: str = ""
    ) -> None:
        """Volts of a point against the ground side. home: where on it, else the ground post."""
        m = self.sound.to_ground("volts", point, condition, home)
        self.put(stage, sort, m, self.limit(stage, m), about, tuple(self.loom.parts[self.loom.net(point)]))

    def limit(self, stage: Stage, m: Measurement) -> Limit:
        """What a voltmeter may show on the sound bike."""
        return volts_limit(self.sound.column(stage.job, m), self.sound.battery_sd)

    def key_on(self) -> Condition:
        """The position of one control that most functions ask for: the key."""
        spec = self.built.spec
        counted = Counter(
            p for f in spec.functions.values() for p in as_condition(self.built, f.when).controls
        )
        return Condition((counted.most_common(1)[0][0],)) if counted else REST

    # ---- first power -----------------------------------------------------------------------------

    def first_power(self) -> None:
        """Battery posts before the last lead; then the last lead through a lamp, key off, fuses out."""
        spec = self.built.spec
        if not spec.has_battery:
            return
        lead = last_lead(spec)
        apart = (*self.loom.apart, *((lead,) if lead else ()))
        posts = self.enter(
            "battery_posts",
            2,
            JobState(out=tuple(self.built.fuses), apart=apart),
            reason("set_posts"),
        )
        m = self.sound.two_point("volts", *battery_posts(self.built), REST)
        value = self.sound.column(posts.job, m)
        low, high = (x * spec.of_twelve for x in POST_VOLTS)
        limit = Limit("V", float(np.asarray(value.value)[0]), low, high, reasons=(reason("why_posts"),))
        self.put(posts, "posts", m, limit, spec.live_post.partition(".")[0])
        if not lead:
            return
        stage = self.enter(
            "battery_lamp",
            2,
            JobState(out=tuple(self.built.fuses), apart=self.loom.apart, lamps=(f"{lead}:{self.lamps[0]}",)),
            reason("set_battery_lamp", watts=self.lamps[0], post=spec.ground),
        )
        self._picture(stage, lead, REST, "lamp")
        frame = spec.body["frame"]
        for fuse in self.built.fuses:
            for terminal in spec.kinds[spec.parts[fuse].kind].terminals[:2]:
                self.volts(stage, "live", f"{fuse}.{terminal}", REST, fuse, frame)

    def _picture(self, stage: Stage, part: str, condition: Condition, sort: str) -> None:
        """How bright the lamp that stands in a part's place is; its volts decide where eyes cannot."""
        terminals = [
            f"{part}.{t}" for t in self.built.spec.kinds[self.built.spec.parts[part].kind].terminals[:2]
        ]
        m = self.sound.two_point("lamp", terminals[0], terminals[1], condition)
        column = self.sound.column(stage.job, m)
        limit = words_limit(column, "why_picture")
        # only brighter than computed is a danger; a darker lamp is told by what does not wake
        darker = LAMP_WORDS[LAMP_WORDS.index(limit.expected) :]
        limit = replace(
            limit,
            words=tuple(dict.fromkeys((*limit.words, *darker))),
            doubtful=tuple(w for w in limit.doubtful if w not in darker),
        )
        instead = ""
        if limit.doubtful:
            across = self.sound.two_point("volts", terminals[0], terminals[1], condition)
            own = self.limit(stage, across)
            own = replace(own, low=-abs(own.high) - 1.0 if own.value < 0 else -0.5)
            instead = self.put(stage, "lamp", across, own, part).id
        self.put(stage, sort, m, limit, part, self._behind(part), instead=instead)

    def _behind(self, part: str) -> tuple[str, ...]:
        """Parts of the nets that a fuse or clamp joins."""
        spec = self.built.spec
        terminals = spec.kinds[spec.parts[part].kind].terminals[:2]
        return tuple(
            p for t in terminals for p in self.loom.parts[self.loom.net(f"{part}.{t}")] if p in spec.wires
        )

    # ---- fuses -----------------------------------------------------------------------------------

    def fuse_order(self) -> list[str]:
        """Feeding fuses before those they feed; within that, the least current first."""
        spec = self.built.spec
        key = self.key_on()
        feeds: dict[str, int] = {}
        for fuse in self.built.fuses:
            others = tuple(f for f in self.built.fuses if f != fuse)
            feeds[fuse] = 0
            for other in others:
                job = JobState(out=(other,), apart=self.loom.apart)
                terminals = spec.kinds[spec.parts[fuse].kind].terminals[:2]
                live = max(
                    abs(self.sound.volts(job, key, f"{fuse}.{t}", spec.ground_post)) for t in terminals
                )
                feeds[fuse] += live < PIN_FREE_VOLTS
        amps = {f: self.sound.service.amperes.get(links[0], 0.0) for f, links in self.built.fuses.items()}
        return sorted(self.built.fuses, key=lambda f: (feeds[f], amps[f]))

    def lamp_for(self, fuse: str, job: JobState, condition: Condition) -> int:
        """Watts of the lamp for a fuse: the smallest that stays well below full light on the sound bike."""
        spec = self.built.spec
        terminals = [f"{fuse}.{t}" for t in spec.kinds[spec.parts[fuse].kind].terminals[:2]]
        for watts in self.lamps:
            m = self.sound.two_point("lamp", terminals[0], terminals[1], condition)
            column = self.sound.column(replace(job, lamps=(f"{fuse}:{watts}",)), m)
            if column.words is not None and column.words[0][0] < 1e-3:
                return watts
        return self.lamps[-1]

    def fuses(self) -> None:
        """One fuse at a time: a lamp in its place first, then the fuse."""
        order = self.fuse_order()
        key = self.key_on()
        for i, fuse in enumerate(order):
            later = tuple(order[i + 1 :])
            rated = f"battery_off/rating:{fuse}"
            job = JobState(out=(*later, fuse), apart=self.loom.apart)
            self._lit(fuse, f"lamp_{fuse}", job, later, key, (rated,))
            fitted = self.enter(
                f"fuse_{fuse}",
                3,
                JobState(out=later, apart=self.loom.apart),
                reason("set_fuse", fuse=fuse),
                guards=(rated,),
            )
            out = self._load_side(fuse)
            self.volts(fitted, "live", out, key, fuse)
            m = self.sound.amps(fuse, replace(key, out=(fuse,)))
            column = self.sound.column(fitted.job, m)
            if column.value is not None and float(column.value[0]) > LEAST_AMPS:
                self.put(fitted, "current", m, amps_limit(column), fuse, self._behind(fuse))

    def _load_side(self, fuse: str) -> str:
        spec = self.built.spec
        first, second = (f"{fuse}.{t}" for t in spec.kinds[spec.parts[fuse].kind].terminals[:2])
        live = self.loom.net(spec.live_post)
        return first if self.loom.net(second) == live else second

    def _lit(
        self,
        fuse: str,
        name: str,
        job: JobState,
        later: tuple[str, ...],
        key: Condition,
        guards: tuple[str, ...] = (),
        more: tuple[Reason, ...] = (),
    ) -> None:
        """A stage with a lamp in place of a fuse: its picture key off and on, and what wakes."""
        watts = self.lamp_for(fuse, replace(job, out=later), key)
        stage = self.enter(
            name,
            3,
            replace(job, out=later, lamps=(f"{fuse}:{watts}",)),
            *more,
            reason("set_fuse_lamp", fuse=fuse, watts=watts),
            guards=guards,
        )
        self._picture(stage, fuse, REST, "lamp")
        self._picture(stage, fuse, key, "lamp")
        self._wakes(stage, key, fuse)
        self._wakes_by_switch(stage, key, fuse)

    def _wakes_by_switch(self, stage: Stage, key: Condition, about: str) -> None:
        """What a small lamp lets work by a switch is tried while the lamp still protects it."""
        tried: set[str] = set()
        for f in self.built.spec.functions.values():
            condition = as_condition(self.built, f.when)
            further = len(condition.controls) == 2 and set(key.controls) <= set(condition.controls)
            if condition.engine != "off" or f.kind not in ("light", "flash") or not further:
                continue
            if condition.text in tried or not self._carries(about, condition):
                continue
            tried.add(condition.text)
            if self._awake(stage, condition) - self._awake(stage, key):
                self._wakes(stage, condition, about)

    def _carries(self, fuse: str, condition: Condition) -> bool:
        """Whether a condition adds to the current of a fuse."""
        link = self.built.fuses[fuse][0]
        row = self.row(link)
        texts = [c.text for c in self.sound.service.conditions]
        if condition.text not in texts or self.key_on().text not in texts:
            return False
        currents = self.sound.service.currents[row]
        return bool(currents[texts.index(condition.text)] > currents[texts.index(self.key_on().text)] + 0.02)

    def row(self, element: str) -> int:
        """Row of an element in what the sound bike carries in use."""
        return next(i for i, e in enumerate(self.built.netlist.elements) if e.id == element)

    def _awake(self, stage: Stage, condition: Condition) -> set[str]:
        """Functions that are awake for certain."""
        return {
            f.id
            for f in self.built.spec.functions.values()
            if f.kind in KINDS_THAT_WAKE and self._asleep(stage, f.id, condition)[1] < SURELY
        }

    def _asleep(self, stage: Stage, function: str, condition: Condition) -> tuple[float, float]:
        """Least and greatest chance that a function is asleep, over what loads and lamp may differ."""
        kind = self.built.spec.functions[function].kind
        jobs = [stage.job]
        for share in LAMP_MAY_BE if stage.job.lamps else ():
            other = tuple(
                f"{n}:{float(w) * share:g}" for n, _, w in (x.partition(":") for x in stage.job.lamps)
            )
            jobs.append(replace(stage.job, lamps=other))
        chances = []
        for job in jobs:
            words = self.sound.predictor.function_words(job, function, condition)[0]
            named = dict(zip(FUNCTION_WORDS[kind], map(float, words), strict=True))
            # what comes and goes may be called either
            chances.append(named[ASLEEP] + 0.5 * named.get("flickers", 0.0))
        return min(chances), max(chances)

    def _wakes(self, stage: Stage, condition: Condition, about: str) -> None:
        """Which functions wake, and no others."""
        spec = self.built.spec
        asked = [f for f in spec.functions.values() if f.kind in KINDS_THAT_WAKE]
        awake, unsure = [], []
        for f in asked:
            least, greatest = self._asleep(stage, f.id, condition)
            if greatest < SURELY:
                awake.append(f.id)
            elif least < 1 - SURELY:
                unsure.append(f.id)
        if any(c.id == f"{stage.id}/wakes@{condition.text}" for c in self.checks):
            return
        parts = frozenset(
            {about, *(e.partition(".")[0] for f in asked for e in (f.element, *f.elements) if e)}
        )
        self.checks.append(
            Check(
                f"{stage.id}/wakes@{condition.text}",
                stage.id,
                stage.phase,
                "wakes",
                f"wakes@{condition.text}",
                Limit(words=tuple(awake), doubtful=tuple(unsure), reasons=(reason("why_wakes"),)),
                about,
                "",
                "hands",
                0.5,
                tuple(f.id for f in asked),
                True,
                parts=parts,
            )
        )

    # ---- units -----------------------------------------------------------------------------------

    def unit_order(self) -> list[str]:
        """Units by the price of a new one: the cheapest is plugged in first."""
        spec = self.built.spec
        prices = {
            u: max((r.price.number for r in spec.kinds[spec.parts[u].kind].repairs), default=0.0)
            for u in units(self.built)
        }
        return sorted(prices, key=lambda u: (prices[u], u))

    def units(self) -> None:
        """One unit at a time: volts at its open plug, then plugged in with a lamp in its fuse's place."""
        key = self.key_on()
        order = self.unit_order()
        apart = list(self.loom.apart)
        for unit in order:
            pins = self.enter(f"pins_{unit}", 3, JobState(apart=tuple(apart)), reason("set_pins", unit=unit))
            guards = []
            for point in pins_of(self.built, unit).values():
                if self.loom.net(point) == self.loom.ground:
                    continue
                m = self.sound.to_ground("volts", point, key)
                limit = self.limit(pins, m)
                if abs(limit.value) < PIN_FREE_VOLTS:
                    limit = replace(limit, reasons=(*limit.reasons, reason("why_pin_free", unit=unit)))
                parts = (unit, *self.loom.parts[self.loom.net(point)])
                guards.append(self.put(pins, "pin", m, limit, unit, parts).id)
            own = plugs_of(self.built, unit)
            apart = [a for a in apart if a not in own]
            fuse = self._feeding(unit, key)
            job = JobState(apart=tuple(apart))
            told = reason("set_plug", unit=unit)
            if fuse:
                self._lit(fuse, f"plug_{unit}", job, (), key, tuple(guards), (told,))
            else:
                stage = self.enter(f"plug_{unit}", 3, job, told, guards=tuple(guards))
                self._wakes(stage, key, unit)

    def _feeding(self, unit: str, key: Condition) -> str:
        """The fuse nearest to a unit without which its plug is dead; '' for a unit without supply."""
        pins = pins_of(self.built, unit)
        ground, fed = self.built.spec.ground_post, FED_SHARE * self.built.spec.supply_volts
        everything = JobState(apart=self.loom.apart)
        live = [p for p in pins.values() if abs(self.sound.volts(everything, key, p, ground)) > fed]
        feeding = [
            f
            for f in self.built.fuses
            if live
            and all(
                abs(self.sound.volts(replace(everything, out=(f,)), key, p, ground)) < PIN_FREE_VOLTS
                for p in live[:1]
            )
        ]
        return next((f for f in reversed(self.fuse_order()) if f in feeding), "")
