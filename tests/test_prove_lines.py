"""The mistakes of assembly over JSON lines, answered from ngspice: caught before they burn, and named.

The bike is built with tolerances drawn, the meter errs, and the operating points are ngspice's. What each
stage would have done to the bike until then is computed by the program's own solver, which ngspice checks
elsewhere.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from assembly_faults import LED, SINGLE, TWIN
from prove_bench import bench

from diagnose.bike.currents import as_condition
from diagnose.conversation import lines
from diagnose.prove.damage import harms
from diagnose.prove.play import LoomPlayer, hidden, reply
from diagnose.prove.session import new_session

MOST = 400


class Rider:
    """The other end of the lines: writes down what comes, answers as the bike does, ends when it is named."""

    def __init__(self, session, player):
        self.session, self.player = session, player
        self.events, self.sent = [], 0
        self.component = player.truth.faults[0].component

    def write(self, data):
        self.events += [json.loads(line) for line in data.splitlines()]

    def flush(self):
        pass

    @property
    def named(self):
        """What was named as the cause, the last time."""
        told = [e for e in self.events if e["event"] == "advice" or e.get("question") == "mend"]
        return {c for e in told for c in (*e.get("candidates", ()), e.get("repair") or "")}

    def readline(self, limit=-1):
        if any(c.partition(".")[0] == self.component for c in self.named) or self.session.is_closed:
            return b""
        self.sent += 1
        if self.sent > MOST:
            return b""
        return json.dumps(reply(self.session.bench, self.player, self.session.state)).encode() + b"\n"


def proved(tmp_path, bike, maker, *, ngspice=True, seed=7):
    """(rider after the run, harm done until the first failed check)."""
    b = bench(bike)
    truth = hidden([maker(b.sound.built, b.sound.service)])
    session = new_session(tmp_path, {"kit": "workshop", "skill": "trade"}, b)
    rider = Rider(session, LoomPlayer(b, truth, np.random.default_rng(seed), ngspice=ngspice))
    assert lines.run(session, rider, rider) == 0  # type: ignore[arg-type]
    session.close()
    return rider, _harm(b, truth, rider.events)


def _harm(b, truth, events):
    """What the stages entered before the first failed check do to the bike: current against its limit."""
    own = LoomPlayer(b, truth).predictor
    seen, found = set(), []
    for event in events:
        if event["event"] == "check" and event["result"] == "fail":
            break
        check = b.plan.by_id.get(str(event.get("question", "")))
        if event["event"] != "question" or check is None:
            continue
        condition = as_condition(b.sound.built, check.measurement.partition("@")[2])
        if (check.stage, condition.text) not in seen:
            seen.add((check.stage, condition.text))
            found += [(check.id, h) for h in harms(own, 1, b.plan.stage(check.stage).job, condition)]
    return found


def caught_and_named(tmp_path, bike, maker, **how):
    rider, harm = proved(tmp_path, bike, maker, **how)
    failed = [e["id"] for e in rider.events if e["event"] == "check" and e["result"] == "fail"]
    assert failed and harm == []
    assert any(c.partition(".")[0] == rider.component for c in rider.named), (failed[:1], rider.named)


@pytest.mark.oracle
@pytest.mark.timeout(120)
@pytest.mark.parametrize("name", ["wrong-rated fuse", "kill wire open"])
def test_a_mistake_is_caught_and_named_over_lines_when_ngspice_plays_the_bike(name, tmp_path):
    caught_and_named(tmp_path, "custom_single", SINGLE[name])


EVERY = [
    *(("custom_single", name, maker) for name, maker in SINGLE.items()),
    *(("custom_single_led", name, maker) for name, maker in {**SINGLE, **LED}.items()),
    *(("road_twin", name, maker) for name, maker in TWIN.items()),
]


@pytest.mark.long
@pytest.mark.timeout(600)
@pytest.mark.parametrize(("bike", "name", "maker"), EVERY, ids=[f"{b}: {n}" for b, n, _ in EVERY])
def test_each_mistake_on_three_bikes_is_caught_and_named_over_lines_when_ngspice_plays(
    bike, name, maker, tmp_path
):
    caught_and_named(tmp_path, bike, maker)


@pytest.mark.oracle
def test_a_fuse_of_the_wrong_number_names_itself_over_lines(tmp_path):
    caught_and_named(tmp_path, "custom_single", SINGLE["wrong-rated fuse"], ngspice=False)


@pytest.mark.oracle
def test_the_harm_of_a_turned_battery_at_full_power_would_have_been_seen():
    """So that an empty list of harm means something: with everything joined the same bike is harmed."""
    b = bench()
    truth = hidden([SINGLE["battery reversed"](b.sound.built, b.sound.service)])
    own = LoomPlayer(b, truth).predictor
    full = b.plan.stage("functions").job
    found = list(harms(own, 1, full, as_condition(b.sound.built, "key=run")))
    assert {h.what for h in found} & {"reversed", "current", "blows"}
    assert all(abs(h.value) >= abs(h.limit) for h in found)
