"""Whole jobs on the shipped single: over JSON lines, played by the program itself, and in small trials."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from shipped import opened, world

from diagnose import play as playing
from diagnose import players, trial
from diagnose.bike.candidates import read_fault
from diagnose.bike.model import Candidate, JobState
from diagnose.conversation import lines
from diagnose.conversation.means import Means, judge
from diagnose.conversation.planning import physical
from diagnose.conversation.session import Session, new_session
from diagnose.errors import CircuitError, DiagnoseError
from diagnose.players import NgspicePlayer, OwnPlayer, with_tolerances
from diagnose.quantities import quantity, read_reading
from diagnose.several import draw, play_one, shown
from diagnose.trial import Job, draw_truths, drawn_between, summary, trial_text

KNOWN = {"kit": "meter", "skill": "trade", "history": {}, "switches": "checked", "others": "skipped"}
TOOLLESS = ("observe", "inspect", "count")
JOBS = {
    "dash_dead": (
        "dash_feed.broken",
        "dash_ground.left_off",
        "dash.dead",
        "acc_front.broken",
        "acc_fuse.blown",
    ),
    "horn_dead": (
        "horn_button.does_not_make",
        "horn_return.broken",
        "horn.breaker_open",
        "horn_feed.chafed=20mohm",
    ),
}


def candidate(fault: str) -> Candidate:
    f = read_fault(world().built, world().service, fault)
    return Candidate(fault, (f,), 0.5)


class Rider(io.RawIOBase):
    """The other end of the lines: reads what the job writes and answers as the bike does.

    blocked  measurements that were asked although a rule forbids them at that moment
    """

    def __init__(self, session: Session, fault: str):
        self.session, self.fault = session, candidate(fault).faults[0]
        self.player = OwnPlayer(world(), candidate(fault))
        self.events: list[dict[str, Any]] = []
        self.blocked: list[str] = []
        self.tools = 0

    def write(self, raw: Any) -> int:
        """A line of the job."""
        event = json.loads(bytes(raw))
        self.events.append(event)
        if event["event"] == "question" and event["measurement"] and event["kind"] != "confirm":
            self.tools += event["measurement"].partition(":")[0] not in TOOLLESS
            self._check(event["measurement"])
        return len(raw)

    def _check(self, measurement: str) -> None:
        s = self.session
        means = Means(s.world, s.rulebase, s.wording)
        m = s.world.measurements[measurement]
        if not judge(means, s.state, [m])[m.id].allowed:
            self.blocked.append(measurement)

    def readline(self, size: int | None = -1) -> bytes:
        """The next message: an answer to what stands last."""
        asked = [e for e in self.events if e["event"] in ("question", "advice", "problem", "closed")]
        if asked[-1]["event"] == "closed" or len(self.events) > 200:
            return b""
        state = self.session.state
        troubled = asked[-1] if asked[-1]["event"] == "problem" else None
        message = playing.reply(
            world(), state, self.player, lambda r: r in self.fault.repairs, [], [], troubled
        )
        return json.dumps(message).encode() + b"\n"


def test_a_kill_switch_is_told_from_its_wires_before_it_is_opened() -> None:
    # common practice, no source: at its plug a switch is proved in two minutes, opening one takes far longer
    rulebase, wording = opened().rulebase, opened().wording
    told = trial.every_fault(world("trail_single"), rulebase, wording, ["engine_will_not_stop"], kit="meter")
    assert told["jobs"] >= 6
    assert (told["found"], told["first_repair_right"], told["wrong_repairs_per_job"]) == (1.0, 1.0, 0.0)


@pytest.mark.parametrize(("complaint", "fault"), [(c, f) for c, faults in JOBS.items() for f in faults])
def test_a_job_over_lines_ends_with_the_right_repair(complaint: str, fault: str, tmp_path: Path) -> None:
    """The bike answers from its own predictions; nothing is offered that a rule blocks."""
    o = opened()
    options = {**KNOWN, "complaints": [complaint]}
    session = new_session(tmp_path, "custom_single", options, world(), o.rulebase, o.wording)
    rider = Rider(session, fault)
    try:
        assert lines.run(session, rider, rider) == 0
    finally:
        session.close()
    assert rider.events[0]["event"] == "hello" and rider.events[0]["bike"] == "custom_single"
    assert all(e["protocol"] == 1 for e in rider.events)
    closed = rider.events[-1]
    assert (closed["event"], closed["outcome"]) == ("closed", "repaired"), rider.events[-3:]
    advice = [e["repair"] for e in rider.events if e["event"] == "advice"]
    assert advice[-1] in rider.fault.repairs
    # what cannot be told apart is repaired by the same hand
    assert any(candidate(c).faults[0].component == rider.fault.component for c in closed["causes"]), closed
    assert rider.blocked == []
    assert rider.tools <= 12
    assert closed["hands_minutes"] > 0


def test_the_rider_of_a_job_would_notice_a_blocked_step(tmp_path: Path) -> None:
    """A test lamp on an output of a plugged-in unit is blocked, and the check above says so."""
    o = opened()
    options = {**KNOWN, "complaints": ["dash_dead"]}
    session = new_session(tmp_path, "custom_single", options, world(), o.rulebase, o.wording)
    try:
        rider = Rider(session, "dash.dead")
        rider._check("ohms:cdi.kill:cdi.ground@battery=off")
        assert rider.blocked == ["ohms:cdi.kill:cdi.ground@battery=off"]
    finally:
        session.close()


# ---- replies of an honest user ---------------------------------------------------------------------


class Fixed:
    """A bike of which everything reads the same."""

    def __init__(self, text: str):
        self.text, self.sound = text, False

    def answer(self, m: Any, job: JobState) -> str:
        return self.text

    again = truth = answer

    def cured(self) -> None:
        self.sound = True

    def fails(self) -> bool:
        return not self.sound

    def back(self) -> bool:
        return not self.sound


def standing(**more: Any) -> Any:
    """A state of which only what is asked is known."""
    event = {"kind": "choose", "skippable": True, "sort": "try", "probability": 0.5, **more.pop("event", {})}
    asked = SimpleNamespace(
        **{"sort": "question", "id": "", "measurement": "", "choices": (), "event": event, **more}
    )
    return SimpleNamespace(open=asked, job=JobState(), rechecked=frozenset())


def answered(state: Any, player: Any, cures: bool = False, problem: Any = None) -> dict[str, Any]:
    return playing.reply(world(), state, player, lambda r: cures, [], [], problem)


def test_an_honest_user_does_the_repair_and_says_whether_it_helped() -> None:
    player = Fixed("works")
    asked = standing(sort="advice", id="horn.renew")
    assert answered(asked, player) == {"done": "horn.renew", "works": "no"} and not player.sound
    assert answered(asked, player, cures=True) == {"done": "horn.renew", "works": "yes"} and player.sound


def test_an_honest_user_says_yes_to_safety_and_skips_what_he_does_not_know() -> None:
    assert answered(standing(event={"kind": "confirm"}), Fixed("x")) == {"answer": "yes"}
    assert answered(standing(id="history"), Fixed("x")) == {"answer": "skip"}


def test_an_honest_user_repeats_a_doubted_reading_and_skips_one_not_understood() -> None:
    asked = standing(measurement="observe:horn@horn=pressed,key=run")
    assert answered(asked, Fixed("dead")) == {"answer": "dead"}
    doubt = {"message": "?", "doubt": {"slip": "x", "text": "x"}}
    assert answered(asked, Fixed("dead"), problem=doubt) == {"answer": "dead", "sure": True}
    assert answered(asked, Fixed("dead"), problem={"message": "?", "doubt": None}) == {"answer": "skip"}


def test_the_exit_check_is_answered_by_looking_at_everything() -> None:
    names = ["observe:horn@horn=pressed,key=run", "observe:dash@key=run"]
    ask = standing(id="exit_check", event={"measurements": names})
    assert answered(ask, Fixed("works")) == {"answer": "yes"}
    assert answered(ask, Fixed("dead")) == {"answer": "no"}
    assert answered(standing(id="exit_which", choices=names), Fixed("dead")) == {"answer": names[0]}
    assert answered(standing(id="exit_which", choices=names), Fixed("works")) == {"answer": "skip"}


def test_a_job_that_stands_without_a_question_or_goes_round_is_told() -> None:
    with pytest.raises(DiagnoseError, match=r"stands without a question and is not closed"):
        answered(SimpleNamespace(open=None, job=JobState()), Fixed("x"))
    with pytest.raises(DiagnoseError, match=r"repeats a question that cannot be skipped: no"):
        answered(standing(event={"skippable": False}), Fixed("x"), problem={"message": "no"})


# ---- players ---------------------------------------------------------------------------------------


def test_the_own_player_answers_as_expected_until_it_is_cured() -> None:
    player = OwnPlayer(world(), candidate("horn_feed.broken"))
    m = world().parse("observe:horn@horn=pressed,key=run")
    v = world().parse("volts:horn.plus:battery.minus@horn=pressed,key=run")
    assert player.answer(m, JobState()) == "dead"
    assert read_reading(player.answer(v, JobState()), "V").value < 0.1
    player.cured()
    assert player.answer(m, JobState()) == "works" and player.answer(v, JobState()).startswith("12.")
    sound = OwnPlayer(world(), world().candidates[0])
    assert sound.answer(m, JobState()) == "works"


def test_a_bike_as_built_differs_within_its_tolerances() -> None:
    """Seed 11: a mean of about 1, a spread of about the stated one, nothing below a fifth."""
    netlist = world().built.netlist
    drawn = with_tolerances(netlist, np.random.default_rng(11))
    z = []
    for e, d in zip(netlist.elements, drawn.elements, strict=True):
        assert (e.id, e.plus, e.minus, set(e.values)) == (d.id, d.plus, d.minus, set(d.values))
        for k, value in e.values.items():
            if k not in e.tolerances:
                assert d.values[k] == value
            elif value:
                assert d.values[k] >= 0.2 * value
                z.append((d.values[k] / value - 1.0) / e.tolerances[k])
    assert len(z) > 120 and abs(float(np.mean(z))) < 0.25 and 0.8 < float(np.std(z)) < 1.2
    same = with_tolerances(netlist, np.random.default_rng(11))
    assert same == drawn


def test_a_slip_is_an_answer_too_and_the_same_question_gets_the_same_one() -> None:
    """Only slips here, so that no simulator is needed."""
    rng = np.random.default_rng(5)
    player = NgspicePlayer(world(), candidate("horn_feed.broken"), rng, gross=1.0)
    seen = 0
    for name in (
        "volts:horn.plus:battery.minus@key=run",
        "ohms:horn.plus:horn.minus@battery=off",
        "amps:battery@",
        "diode:interlock_diode.anode:interlock_diode.cathode@battery=off",
        "ac_volts:cdi.source:cdi.ground@engine=cranking,key=run",
        "observe:horn@horn=pressed,key=run",
    ):
        m = world().parse(name)
        text = player.answer(m, JobState())
        assert text in m.choices if m.choices else read_reading(text, m.unit)
        assert player.answer(m, JobState()) == text
        seen += 1
    assert player.slips == seen


@pytest.mark.parametrize("watched", ["observe:low_beam@key=run", "observe:tail_light@key=run"])
def test_what_is_watched_follows_from_the_volts_of_the_other_simulator(
    watched: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other simulator is replaced: by one that finds nothing, then by one that finds 0 V everywhere."""

    def nothing(deck: str) -> dict[str, float]:
        raise CircuitError("no operating point")

    w = world()
    player = NgspicePlayer(w, candidate("horn_feed.broken"), np.random.default_rng(5))
    m = w.parse(watched)
    monkeypatch.setattr(players, "run_deck", nothing)
    player.predictor.sound(m.condition)  # how bright it is on a sound bike
    monkeypatch.setattr(players, "run_deck", lambda deck: {})
    words = player.predictor.columns(JobState(), [m])[m.id].words
    assert words is not None and m.choices[int(np.argmax(words[player.index]))] == "dead"


def test_a_reading_that_ngspice_does_not_solve_is_told_by_our_own_circuit_and_counted(monkeypatch) -> None:
    def nothing(deck: str) -> dict[str, float]:
        raise CircuitError("no operating point")

    w = world()
    player = NgspicePlayer(w, candidate("horn_feed.broken"), np.random.default_rng(5))
    m = w.parse("volts:battery.plus:battery.minus@")
    monkeypatch.setattr(players, "run_deck", nothing)
    told = read_reading(player.answer(m, JobState()), "V")
    assert 12.0 < told.value < 13.4 and player.unsolved == 1
    player.cured()
    assert player.unsolved == 1
    one = playing.Played("repaired", (), (playing.Advised("try", "x", 0.9, True),), 1, 1, 5.0, 0, ())
    job = trial.Job("horn_feed.broken", "horn_dead", one, 0, 0.1, unsolved=player.unsolved)
    told_in_full = summary(w, [job], seed=1, gross=0.05, kit="meter", player="ngspice")
    assert told_in_full["unsolved_by_ngspice"] == 1
    assert "not solved by ngspice      1 readings" in trial_text(told_in_full)


# ---- trials ----------------------------------------------------------------------------------------


def test_truths_are_drawn_by_complaint_and_cause_and_by_seed() -> None:
    w = world()
    drawn = draw_truths(w, 60, np.random.default_rng(2), ["dash_dead", "horn_dead"])
    assert {c for _, c in drawn} == {"dash_dead", "horn_dead"}
    assert all(w.candidates[i].is_fault and w.complaint_chance(c)[i] >= 0.5 for i, c in drawn)
    assert drawn == draw_truths(w, 60, np.random.default_rng(2), ["dash_dead", "horn_dead"])
    assert len({i for i, _ in drawn}) > 20


def test_every_job_of_a_trial_has_dice_of_its_own(monkeypatch) -> None:
    """However often the job before throws, the next one throws the same."""
    thrown: list[float] = []

    monkeypatch.setattr(trial, "summary", lambda world, done, **about: {})
    for times in (1, 7):

        def play_one(world, rulebase, wording, truth, complaint, rng, *, times=times, **options) -> None:
            thrown.append(float(rng.random(times)[0]))

        monkeypatch.setattr(trial, "play_one", play_one)
        o = opened()
        options = {"gross": 0.0, "kit": "meter", "complaints": ["horn_dead"], "player": "own"}
        trial.run_trial(world(), o.rulebase, o.wording, jobs=4, seed=3, **options)
    assert thrown[:4] == thrown[4:] and len(set(thrown)) == 4


def test_what_comes_and_goes_is_caused_by_what_can() -> None:
    w = world()
    drawn = {
        i for i, _ in draw_truths(w, 60, np.random.default_rng(2), ["cuts_out_bumps", "fuse_blows_bumps"])
    }
    faults = [w.candidates[i].faults[0] for i in drawn]
    assert len(faults) > 10
    assert all(not f.lasting and {"vibration", "heat", "wet"}.intersection(f.tags) for f in faults)


def test_a_complaint_without_a_cause_cannot_be_tried() -> None:
    w = world()
    none = SimpleNamespace(
        spec=w.spec,
        library=w.library,
        candidates=w.candidates,
        prior=w.prior,
        complaint_chance=lambda name: np.zeros(len(w.candidates)),
    )
    with pytest.raises(ValueError, match=r"no fault of this bike causes any of these complaints"):
        draw_truths(none, 1, np.random.default_rng(1), ["dash_dead"])  # type: ignore[arg-type]


def played(
    outcome: str, *advice: tuple[str, str, float, bool], tools: int = 4, minutes: float = 10.0
) -> playing.Played:
    """A job that went so."""
    told = tuple(playing.Advised(*a) for a in advice)
    return playing.Played(outcome, (), told, tools + 2, tools, minutes, 0, (), "gone")


def test_the_figures_of_a_trial_are_counted_by_hand() -> None:
    """Four made-up jobs: right at once; a try first; wrong and sure; stopped."""
    done = [
        Job("a.x", "horn_dead", played("repaired", ("repair", "a.mend", 0.95, True)), 0, 0.1),
        Job(
            "b.x",
            "horn_dead",
            played("repaired", ("try", "c.clean", 0.4, False), ("repair", "b.mend", 0.8, True), minutes=30.0),
            1,
            0.1,
        ),
        Job(
            "c.x",
            "dash_dead",
            played("repaired", ("repair", "d.mend", 0.93, False), ("repair", "c.mend", 0.9, True), tools=8),
            0,
            0.1,
        ),
        Job("d.x", "dash_dead", played("stopped", minutes=50.0), 0, 0.1),
    ]
    result = summary(world(), done, seed=1, gross=0.05, kit="meter", player="own")
    assert (result["jobs"], result["slips"], result["lost"]) == (4, 1, 0)
    assert result["found"] == 0.75
    assert result["first_repair_right"] == pytest.approx(2 / 3, abs=1e-4)
    assert result["wrong_repairs_per_job"] == 0.25 and result["wrong_and_confident"] == 0.25
    assert result["tool_steps_mean"] == 5.0 and result["minutes_mean"] == 25.0
    assert result["complaints"]["dash_dead"]["found"] == 0.5
    assert {m["truth"] for m in result["missed"]} == {"c.x", "d.x"}
    text = trial_text(result)
    assert "4 jobs on custom_single, seed 1" in text and "cause found                75.0%" in text
    assert "missed: d.x (dash_dead, stopped, 0 slips): gone" in text
    assert json.loads(json.dumps(result)) == result


def test_a_message_changes_no_state_of_the_bike_that_is_not_physical() -> None:
    said = JobState(said=("rolled_neutral",), renewed=("acc_fuse",))
    assert physical(said) == physical(replace(said, said=()))


# ---- several complaints ------------------------------------------------------------------------------


def test_one_shared_cause_of_three_complaints_is_found():
    """By command 20 pairs of faults and 10 triples: python -m diagnose.several custom_single"""
    shared = draw(world(), 0, 1, 1)[0]
    assert len(shared.complaints) == 3 and len(shared.faults) == 1
    assert shown(world(), shared.faults, shared.complaints) == list(shared.complaints)
    one = play_one(world(), opened().rulebase, opened().wording, shared)
    assert one.missed == () and one.played.outcome == "repaired"


@pytest.mark.long
@pytest.mark.timeout(600)
def test_pairs_of_faults_are_all_found_in_nine_of_ten_jobs():
    jobs = draw(world(), 6, 4, 2)
    done = [play_one(world(), opened().rulebase, opened().wording, d) for d in jobs]
    assert sum(not r.missed for r in done) >= 9


def test_a_severity_drawn_between_lies_within_half_way_to_its_neighbours() -> None:
    """By hand: half way in the logarithm to the next milder and the next worse ohms of the same joint."""
    w = world()
    rng = np.random.default_rng(4)
    rows = [i for i, c in enumerate(w.candidates) if c.id.startswith("main_fuse.poor_clip=")]
    ohms = [quantity(w.candidates[i].faults[0].value, "ohm") for i in rows]
    assert len(rows) >= 2 and ohms == sorted(ohms)
    worst = rows[-1]
    low, high = (ohms[-1] * ohms[-2]) ** 0.5, ohms[-1] * (ohms[-1] / ohms[-2]) ** 0.5
    drawn = [drawn_between(w, worst, rng, "lights_dim").faults[0] for _ in range(12)]
    values = [quantity(f.value, "ohm") for f in drawn]
    assert len(set(values)) > 4
    assert all(0.95 * low <= v <= 1.05 * high for v in values)
    assert all(f.repairs == w.candidates[worst].faults[0].repairs for f in drawn)
    open_wire = next(i for i, c in enumerate(w.candidates) if c.id == "key_feed.broken")
    assert drawn_between(w, open_wire, rng, "dash_dead") is w.candidates[open_wire]


def job_about(
    bike: str, hidden: str, complaint: str, player: type[OwnPlayer] = OwnPlayer, *, kit: str = "meter"
) -> tuple[playing.Played, list[dict[str, Any]]]:
    """One job about a hidden fault of a shipped bike, and every event of it."""
    w = world(bike)
    truth = next(i for i, c in enumerate(w.candidates) if c.id == hidden)
    events: list[dict[str, Any]] = []
    told = playing.play(
        w,
        opened().rulebase,
        opened().wording,
        {**playing.AS_KNOWN, "complaints": [complaint], "kit": kit},
        player(w, w.candidates[truth]),
        lambda r: bool(w.cures(r)[truth] > 0.5),
        told=events.append,
    )
    return told, events


@pytest.mark.parametrize("hidden", ["rear_plug_tail.poor=21ohm", "rear_plug_tail.poor=5.6ohm"])
def test_no_job_ends_with_nothing_found_before_each_lamp_that_was_meant_was_looked_at(hidden: str) -> None:
    told, _ = job_about("trail_single", hidden, "lamp_dim")
    assert told.outcome == "repaired" and any(a.right for a in told.advice), told


class SeesNothingAtAGlance(OwnPlayer):
    """Sweeps show nothing; only a wire that is followed shows what is wrong with it."""

    def answer(self, m, job):
        own = super().answer(m, job)
        return "nothing_found" if "nothing_found" in m.choices else own

    again = answer


@pytest.mark.parametrize("hidden", ["key_run.chafed=20mohm", "start_feed.chafed=20mohm"])
def test_of_two_wires_that_no_meter_tells_apart_neither_is_mended_before_it_was_followed(hidden: str) -> None:
    """Common practice, no source: nobody cuts a loom open on an even chance."""
    told, _ = job_about("custom_single", hidden, "fuse_blows", SeesNothingAtAGlance)
    assert told.outcome == "repaired"
    assert [a.right for a in told.advice] == [True], told
    assert {"inspect:key_run@", "inspect:start_feed@"} & set(told.asked)


@pytest.mark.parametrize("hidden", ["key_plug_feed.backed_out", "battery.link_open", "key_switch.open_main"])
def test_by_eye_and_hand_alone_no_part_is_bought_on_a_hunch(hidden: str) -> None:
    """Common practice, no source: a dead bike and no lamp or meter calls for one, not for a new switch."""
    w = world("road_twin")
    _, events = job_about("road_twin", hidden, "indicators_dead", kit="hands")
    advice = [e for e in events if e["event"] == "advice"]
    assert advice
    for each in advice:
        if each["sort"] == "repair" and w.repairs[each["repair"]].price > 0.0:
            assert each["probability"] >= 0.6, each
    if (
        hidden == "key_plug_feed.backed_out"
    ):  # nothing a hand can do tells it from the switch: what would, is said
        assert advice[-1]["sort"] == "stop" and "would tell: volts" in advice[-1]["text"]


def test_on_a_sound_bike_the_spark_itself_is_looked_at_before_a_long_search() -> None:
    """Common practice, no source: see whether it sparks at all before the whole ignition is unplugged."""
    rulebase, wording, w = opened().rulebase, opened().wording, world()
    told = playing.play(
        w,
        rulebase,
        wording,
        {**playing.AS_KNOWN, "complaints": ["no_spark"], "kit": "meter"},
        OwnPlayer(w, w.candidates[w.no_fault]),
        lambda r: False,
    )
    assert (told.outcome, told.advice) == ("stopped", ())
    assert any(m.startswith("observe:spark@") for m in told.asked)
    assert told.tool_steps <= 8
