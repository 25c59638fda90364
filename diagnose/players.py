"""A bike with a hidden fault that answers measurements: what a trial or a demonstration plays against.

Two players. `OwnPlayer` answers from this program's own predictions (for demonstrations). `NgspicePlayer`
builds the bike with component values drawn from their tolerances and lets ngspice, an independent
simulator, say what the instrument reads; words (lit, dim, clicks) follow from ngspice's node volts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from diagnose.bike.model import Candidate, JobState, Measurement
from diagnose.circuit.netlist import Element, Netlist
from diagnose.expect import reading_text
from diagnose.predictions.compute import Predictor
from diagnose.quantities import write
from diagnose.wiring import BikeWorld

LEAST_FACTOR = 0.2  # a drawn value stays above this share of its nominal one


def with_tolerances(netlist: Netlist, rng: np.random.Generator) -> Netlist:
    """One bike as built: every value with a tolerance drawn anew."""
    drawn = []
    for e in netlist.elements:
        values = dict(e.values)
        for param, tolerance in e.tolerances.items():
            values[param] *= max(LEAST_FACTOR, 1.0 + tolerance * float(rng.standard_normal()))
        drawn.append(Element(e.id, e.law, e.plus, e.minus, values, e.tolerances))
    return Netlist(tuple(drawn), netlist.devices, netlist.ground)


class OwnPlayer:
    """Answers from the program's own predictions of one candidate, without noise."""

    def __init__(self, world: BikeWorld, truth: Candidate):
        self.world, self.truth = world, truth
        healthy = Candidate("no_fault", (), 0.5)
        chosen = (healthy, truth) if truth.is_fault else (healthy,)
        self.index = len(chosen) - 1
        self.predictor = Predictor(world.built, world.service, chosen, world.library.instruments)

    def answer(self, m: Measurement, job: JobState) -> str:
        """A valid answer to this measurement in this job state."""
        column = self.predictor.columns(job, [m])[m.id]
        return reading_text(column, self.index)[2]
