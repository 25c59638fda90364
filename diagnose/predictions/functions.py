"""What each function of a bike does under every candidate, in words: light, sound, starter, flash, spark.

Part of the fourth arrow (solved circuit -> chances of words), between `situations` and `readings`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from diagnose.bike.build import (
    node_of_point,
)
from diagnose.bike.currents import as_condition, is_lit, need_condition
from diagnose.bike.model import Condition, JobState
from diagnose.catalogue.model import Function, Requirement
from diagnose.circuit.solve import Solution
from diagnose.circuit.thevenin import thevenin
from diagnose.predictions import effects
from diagnose.predictions.severity import NO_RANGES, Ranges, words_by_degree
from diagnose.predictions.situations import Mode, Situations

HARMLESS_VOLTS = 0.02  # V: no meter of the trade shows less for certain on its 20 V range
HARMLESS_LIT = 0.04  # of the rated volts: an AC range on a running engine scatters by more (estimate)
HARMLESS_WORDS = 0.02
FLICKER_SHARE = 0.3  # share of its volts that a thing must gain and lose to be seen to flicker or chatter

# what turns shares of the candidates into words, and these shares; (..., n_candidates) each
Judgement = tuple[Callable[..., np.ndarray], Sequence[np.ndarray]]


class Functions(Situations):
    """Situations that also tell what a rider would see, hear and feel."""

    ranges: Ranges = NO_RANGES  # that severities stand for

    def function_words(self, job: JobState, function: str, condition: Condition) -> np.ndarray:
        """(n_candidates, n_words) what the function does in a condition; words of bike.acts."""
        words = self.function_degrees(job, function, condition).mean(axis=1)
        return np.clip(words, 0.0, 1.0)  # the mean of ones may come out a last digit over

    def function_degrees(self, job: JobState, function: str, condition: Condition) -> np.ndarray:
        """(n_candidates, n_points, n_words) the same at points of each severity's range, mildest first."""
        return words_by_degree(*self._judgement(job, function, condition), self.ranges)

    def _judgement(self, job: JobState, function: str, condition: Condition) -> Judgement:
        f = self.built.spec.functions[function]
        own = as_condition(self.built, f.when)
        if f.kind in ("spark", "stop"):
            return self._judged_by_needs(job, f, condition)
        here = self.solution(job, condition)
        healthy = self.sound(own)
        heated, sound = self.driven(job, condition), self.sound_driven(own)
        match f.kind:
            case "light":
                return _by_weakest, (self._light_shares(f, heated, sound),)
            case "sound":
                return effects.sound_words, (self._current_share(f.element, heated, sound),)
            case "heat":
                return effects.heat_words, (self._current_share(f.element, heated, sound),)
            case "gauge":
                shown = self._current_share(f.element, heated, sound)
                due = float(self._current_share(f.element, self.sound_driven(condition), sound)[0])
                return lambda needle: effects.gauge_words(needle, due), (shown,)
            case "unit":
                awake = here.state(self._device_of(f.element)) > 0
                return effects.unit_words, (awake, self._comes_and_goes(f.element, here))
            case "starter":
                return effects.starter_words, self._starting(f, job, condition, here, healthy)
            case "flash":
                return self._flashing(effects.flash_words, f, job, condition, heated, sound)
            case "charge":
                edges = effects.CHARGE_EDGES
                return lambda share: effects.grade(share, edges), (self._charging_share(condition),)
        raise ValueError(f"function {function} has kind {f.kind!r}")

    def flash_counts(self, job: JobState, function: str, condition: Condition) -> np.ndarray:
        """(n_candidates, n_points, 4) what a count of an indicator's flashes comes to; words of bike.aids."""
        f = self.built.spec.functions[function]
        sound = self.sound_driven(as_condition(self.built, f.when))
        driven = self.driven(job, condition)
        judgement = self._flashing(effects.count_words, f, job, condition, driven, sound)
        return words_by_degree(*judgement, self.ranges)

    def _flashing(
        self,
        words_of: Callable[..., np.ndarray],
        f: Function,
        job: JobState,
        condition: Condition,
        heated: Sequence[Solution],
        sound: Sequence[Solution],
    ) -> Judgement:
        """What its light and its rate hang on. words_of: effects.flash_words, or count_words."""
        rates = {flasher.rate for flasher in self.built.flashers.values()}
        hurries = bool(rates & {"by_heat", "by_count"}) or (not rates and self._counts_load())
        shares = self._light_shares(f, heated, sound)
        load = self._flashers_load(f, heated, sound)
        steady, stalls = self._lit_between_flashes(f, job, condition, sound), "by_heat" in rates

        def words(light: np.ndarray, current: np.ndarray, still: np.ndarray) -> np.ndarray:
            return words_of(light, current, hurries, still, stalls)

        return words, (shares, load, steady)

    def cell_volts(self, job: JobState) -> np.ndarray:
        """(n_candidates,) volts of the battery's cells at rest, without what only sits on their surface."""
        cell = self.built.batteries[0]
        return self._changed(cell, "emf", self.built.elements[cell].values["emf"], job)

    def seen_at(self, function: str, condition: Condition) -> list[tuple[Condition, Mode]]:
        """The solutions that tell what a function does in a condition of the job; see function_words."""
        f = self.built.spec.functions[function]
        if f.kind in ("spark", "stop"):
            return [
                *([(condition, "dc")] * (f.kind == "stop" and bool(f.elements))),
                *(
                    (need_condition(self.built, need, condition), mode)
                    for need in f.needs
                    for mode in self._need_modes(need)
                ),
            ]
        if f.kind == "charge":
            return []  # of the bike as brought in
        dark = f.kind == "flash" and bool(self.built.flashers)
        rest = f.kind == "starter"
        lit = is_lit(self.built, condition)
        return [
            (condition, "dc"),
            *([(condition, "ac")] * lit),
            *([(condition, "dark")] * dark),
            *([(Condition(), "dc")] * rest),
        ]

    def _need_modes(self, need: Requirement) -> tuple[Mode, ...]:
        return {"ac_volts": self.ac_modes(), "ohms": ("dead",)}.get(need.quantity, ("dc",))

    def _charging_share(self, condition: Condition) -> np.ndarray:
        """(n_candidates,) how far charging lifts the posts at 5000 rpm, against a sound bike [1]."""
        job = JobState()
        plus, minus = (
            self.built.spec.nodes[self.built.spec.body[r]] for r in ("battery_plus", "battery_minus")
        )
        running = self.solution(job, replace(condition, engine="5000")).between(plus, minus)
        standing = self.solution(job, replace(condition, engine="off")).between(plus, minus)
        lift = running - standing[self.healthy]
        return np.clip(lift / max(float(lift[self.healthy]), 0.1), 0.0, None)

    def _lit_between_flashes(
        self, f: Function, job: JobState, condition: Condition, healthy: Sequence[Solution]
    ) -> np.ndarray:
        """(n_candidates,) bool: some lamp burns although the flasher's contact is open."""
        if not self.built.flashers:
            return np.zeros(len(self.candidates), dtype=bool)
        dark = self._light_shares(f, (self.solution(job, condition, "dark"),), healthy)
        return dark.max(axis=0) > effects.LIGHT_EDGES[1]

    def _flashers_load(
        self, f: Function, here: Sequence[Solution], healthy: Sequence[Solution]
    ) -> np.ndarray:
        """(n_candidates,) current that sets the rate, against what its flasher is made for [1].

        A flasher that says what it is made for is judged by that, so that a bike wrong from the start shows.
        """
        made_for = {e: x.load for e, x in self.built.flashers.items() if x.load}
        if made_for:
            return np.max([np.abs(here[0].current(e)) / amperes for e, amperes in made_for.items()], axis=0)
        return np.mean([self._current_share(e, here, healthy) for e in f.elements], axis=0)

    def _counts_load(self) -> bool:
        return any(d.law == "output" for d in self.built.netlist.devices)

    def _device_of(self, element: str) -> str:
        return next(d.id for d in self.built.netlist.devices if element in d.roles.get("element", ()))

    def _light_shares(self, f: Function, here: Sequence[Solution], healthy: Sequence[Solution]) -> np.ndarray:
        """(n_lamps, n_candidates) light of each lamp against a sound bike's.

        here     what heats it: direct and, where it is so fed, alternating
        healthy  the same of the sound bike alone
        """
        shares = []
        for element in f.elements:
            e = self.built.elements[element]
            if e.law == "lamp":
                # by watts, not volts: supply volts stand across a broken filament too
                watts = np.sum([np.abs(s.across(element) * s.current(element)) for s in here], axis=0)
                full = sum(abs(float(s.power(element)[0])) for s in healthy)
                shares.append((watts / max(full, 1e-6)) ** effects.LIGHT_OF_WATTS)
            elif e.law == "electronic":
                awake = here[0].state(self._device_of(element)) > 0
                shares.append(awake.astype(float))
            else:
                shares.append(self._current_share(element, here, healthy))
        return np.array(shares)

    def _current_share(
        self, element: str, here: Sequence[Solution], healthy: Sequence[Solution]
    ) -> np.ndarray:
        amperes = np.sqrt(np.sum([np.square(s.current(element)) for s in here], axis=0))
        full = float(np.sqrt(sum(float(s.current(element)[0]) ** 2 for s in healthy)))
        return amperes / max(full, 1e-9)

    def _starting(
        self, f: Function, job: JobState, condition: Condition, here: Solution, healthy: Solution
    ) -> Sequence[np.ndarray]:
        """The arguments of effects.starter_words."""
        turning = here.state(self._device_of(f.element)) == 1
        volts = np.abs(here.across(f.element))
        full = abs(float(healthy.across(f.element)[0]))
        rest = self.solution(job, Condition())
        pulled = np.zeros(len(self.candidates), dtype=bool)
        for d in self.built.netlist.devices:
            if d.law == "relay" and f.element.partition(".")[0] != d.id.partition(".")[0]:
                woke = healthy.state(d.id)[0] == 1
                asleep = self.service_state(d.id, condition) == 0
                if woke and asleep:
                    pulled |= (here.state(d.id) == 1) & (rest.state(d.id) == 0)
        chatters = self._comes_and_goes(f.element, here)
        return turning, volts / max(full, 1e-6), pulled, chatters

    def _comes_and_goes(self, element: str, here: Solution) -> np.ndarray:
        """(n_candidates,) bool: its volts differ between the phases of a loop that never rests."""
        out = np.zeros(here.size, dtype=bool)
        e = self.built.elements[element]
        for column, volts in here.turns_between(e.plus, e.minus):
            across = np.abs(volts)
            out[column] = across.max() - across.min() > FLICKER_SHARE * max(across.max(), 1.0)
        return out

    def service_state(self, device: str, condition: Condition) -> int:
        """State of a device on the sound bike with the last-pressed control released."""
        momentary = Condition(tuple(p for p in condition.controls if p[1] != "pressed"))
        return int(self.sound(momentary).state(device)[0])

    def _judged_by_needs(self, job: JobState, f: Function, condition: Condition) -> Judgement:
        """Volts or ohms of each need, and for a stop the light of lamps that must be out."""
        shares = []
        for need in f.needs:
            here = need_condition(self.built, need, condition)
            plus = node_of_point(self.built.spec, need.plus)
            minus = node_of_point(self.built.spec, need.minus)
            seen = [self.solution(job, here, mode) for mode in self._need_modes(need)]
            if need.quantity == "ohms":
                shares.append(thevenin(seen[0], plus, minus)[1])
            else:
                shares.append(np.sqrt(sum(s.between(plus, minus) ** 2 for s in seen)))
        if f.kind == "stop" and f.elements:
            shares.append(self._left_burning(f, job, condition))

        def words(*each: np.ndarray) -> np.ndarray:
            of_needs = [
                effects.need_words(value, need.weak, need.dead, need.below)
                for need, value in zip(f.needs, each[: len(f.needs)], strict=True)
            ]
            if len(each) > len(f.needs):
                of_needs.append(_gone_out(each[-1]))
            return effects.worst_of(of_needs) if f.kind == "spark" else effects.stop_words(of_needs)

        return words, shares

    def _left_burning(self, f: Function, job: JobState, condition: Condition) -> np.ndarray:
        """(n_candidates,) light of the brightest of the function's lamps, of its rated light."""
        here = self.driven(job, condition)
        shares = []
        for element in f.elements:
            watts = np.sum([np.abs(s.across(element) * s.current(element)) for s in here], axis=0)
            rated = self.built.elements[element].values["rated_watts"]
            shares.append((watts / rated) ** effects.LIGHT_OF_WATTS)
        return np.max(shares, axis=0)

    def changes_something(self) -> np.ndarray:
        """(n_candidates,) bool: the candidate moves some node, some word, or is no matter of circuits.

        A chafe of a ground wire against the frame, a leak beside a lamp: real, and without effect. Such
        faults are left out of a job, which could neither see them nor be caused by them.
        """
        self.found()
        assert self._used is not None
        volts = self._used.volts.reshape(len(self._used.nodes), -1, len(self.candidates))
        reference = volts[:, :, self.healthy]
        moved = np.abs(volts - reference[:, :, None]).max(axis=(0, 1)) > HARMLESS_VOLTS
        for c_index, c in enumerate(self.candidates):
            if not c.is_fault or not any(f.edits for f in c.faults):
                moved[c_index] = True
        for mask in (*self.found().opened.values(), *self.found().latched.values()):
            moved |= mask
        conditions = {f.id: as_condition(self.built, f.when) for f in self.built.spec.functions.values()}
        lit = [c for c in self.service.conditions if is_lit(self.built, c)]
        seen = [each for f, c in conditions.items() for each in self.seen_at(f, c)]
        self.prepare(JobState(), [*seen, *((c, "ac") for c in lit)])
        for condition in lit:
            volts = self.solution(JobState(), condition, "ac").volts
            change = np.abs(volts - volts[:, [self.healthy]]).max(axis=0)
            moved |= change > HARMLESS_LIT * self.built.spec.supply_volts
        for function, condition in conditions.items():
            words = self.function_words(JobState(), function, condition)
            moved |= np.abs(words - words[self.healthy]).max(axis=1) > HARMLESS_WORDS
        return moved


def _by_weakest(shares: np.ndarray) -> np.ndarray:
    """Words of several lamps that are looked at as one: the weakest tells."""
    return effects.light_words(shares.min(axis=0))


def _gone_out(light: np.ndarray) -> np.ndarray:
    """(n_candidates, 3) words of a need: dead where none of the lamps burns, broken or not."""
    dark = effects.light_words(light)[:, 3]
    return np.stack([1.0 - dark, np.zeros_like(dark), dark], axis=1)
