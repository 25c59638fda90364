"""Beliefs against enumeration, closed forms and their own invariances."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import decision_oracles as oracle
import numpy as np
import pytest

from diagnose.beliefs import posterior
from diagnose.beliefs.doubles import Heard, likely_pairs
from diagnose.beliefs.evidence import (
    for_against,
    is_surprising,
    leave_one_out,
    supports,
    surprise,
    to_check,
)
from diagnose.beliefs.likelihood import mixed, stories
from diagnose.errors import NoCandidateExplains, ObservationError
from diagnose.predictions.table import Column

SURE = ((1e-9,), (1.0,))  # an observer who never errs, for closed forms


def volts(name, value, spread=0.1, shift=None):
    value = np.asarray(value, dtype=float)
    return Column(
        f"volts:{name}:frame@",
        "volts",
        "V",
        value=value,
        spread=np.full(len(value), spread),
        shift=None if shift is None else np.asarray(shift, dtype=float)[:, None],
        low=-20.0,
        high=20.0,
    )


def words(name, rows, choices=("dead", "works")):
    return Column(f"observe:{name}@", "observe", "", words=np.asarray(rows, dtype=float), choices=choices)


def ohms(name, value, spread=0.1):
    value = np.asarray(value, dtype=float)
    return Column(
        f"ohms:{name}:frame@",
        "ohms",
        "ohm",
        value=value,
        spread=np.full(len(value), spread),
        scale="log",
        low=0.0,
        high=2e7,
    )


def chance(belief):
    return posterior.marginal(belief)


# ---- exact numbers -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_the_posterior_over_words_equals_enumeration_over_candidates_and_error_rates(seed):
    """Bayes by enumeration with fsum over candidates x error rates."""
    rng = np.random.default_rng(seed)
    n, rates, weights = 5, (0.01, 0.05, 0.2), (0.3, 0.5, 0.2)
    prior = rng.dirichlet(np.ones(n))
    tables = [rng.dirichlet(np.ones(3), size=n) for _ in range(4)]
    answers = rng.integers(0, 3, 4)
    now = posterior.start(prior, skill=(rates, weights), temper=1.0)
    for i, (table, a) in enumerate(zip(tables, answers, strict=True)):
        now = posterior.update(now, words(f"f{i}", table, ("a", "b", "c")), "abc"[a])
    joint = [
        math.fsum(
            prior[h] * w * math.prod((1 - e) * t[h, a] + e / 3 for t, a in zip(tables, answers, strict=True))
            for e, w in zip(rates, weights, strict=True)
        )
        for h in range(n)
    ]
    assert chance(now) == pytest.approx(np.array(joint) / math.fsum(joint), abs=1e-12)
    assert now.log_evidence == pytest.approx(math.log(math.fsum(joint)), abs=1e-9)


def test_two_readings_that_share_the_battery_follow_the_joint_normal():
    """Closed form: readings of one job share z ~ N(0, 0.3); y is bivariate normal under each candidate."""
    mean = np.array([[12.4, 12.4], [12.1, 12.4], [12.1, 12.1]])
    sd, battery, y = 0.1, 0.3, np.array([12.12, 12.05])
    cov = sd**2 * np.eye(2) + battery**2
    inverse, root = np.linalg.inv(cov), math.sqrt(np.linalg.det(cov))
    density = [math.exp(-0.5 * (y - m) @ inverse @ (y - m)) / (2 * math.pi * root) for m in mean]
    exact = np.array(oracle.bayes([1 / 3] * 3, density))
    now = posterior.start(np.full(3, 1 / 3), [battery], SURE, temper=1.0)
    for k in range(2):
        now = posterior.update(now, volts(f"p{k}", mean[:, k], sd, np.ones(3)), float(y[k]))
    assert chance(now) == pytest.approx(exact, abs=0.02)
    # as if independent, the middle candidate would look quite different
    alone = posterior.start(np.full(3, 1 / 3), (), SURE, temper=1.0)
    for k in range(2):
        alone = posterior.update(alone, volts(f"p{k}", mean[:, k], math.hypot(sd, battery)), float(y[k]))
    assert abs(chance(alone)[1] - exact[1]) > 0.05
    assert posterior.latent_mean(now)[0] == pytest.approx(
        # the posterior mean of z is a normal regression under each candidate
        sum(p * battery**2 * np.ones(2) @ inverse @ (y - m) for p, m in zip(exact, mean, strict=True)),
        abs=0.02,
    )


def test_strata_keep_mean_and_variance_of_the_normal():
    """Law of total variance: variance of the means plus mean variance inside is 1, exactly."""
    for n_draws, n_latents in ((32, 1), (32, 3), (7, 2)):
        mean, inside = posterior.normal_strata(n_draws, n_latents)
        assert mean.shape == inside.shape == (n_draws, n_latents)
        assert mean.mean(axis=0) == pytest.approx(np.zeros(n_latents), abs=1e-12)
        assert (mean**2).mean(axis=0) + (inside**2).mean(axis=0) == pytest.approx(np.ones(n_latents))
        assert len(np.unique(mean[:, -1])) == n_draws


@pytest.mark.parametrize(
    "column", [volts("a", [0.0, 6.0, 12.4, np.nan]), ohms("a", [0.0, 4.0, 5e4, np.inf, np.nan])]
)
def test_the_density_of_a_reading_sums_to_one_over_all_readings(column):
    """Trapezoid rule over the display; for ohms in ln(ohms + 0.2), OL added as an outcome of its own."""
    none = np.zeros((1, 0))
    rates = np.array([0.05])
    if column.scale == "linear":
        grid = np.linspace(-20.0, 20.0, 2001)
        total = np.array([mixed(stories(column, float(y), none, none), rates)[:, 0, 0] for y in grid]).sum(
            axis=0
        )
        total *= grid[1] - grid[0]
    else:
        x = np.linspace(math.log(0.2), math.log(2e7 + 0.2), 2001)
        readings = np.exp(x) - 0.2
        total = np.array(
            [mixed(stories(column, float(y), none, none), rates)[:, 0, 0] for y in readings]
        ).sum(axis=0)
        total = total * (x[1] - x[0]) + mixed(stories(column, "OL", none, none), rates)[:, 0, 0]
        # half of a reading of exactly 0 ohm would lie below what a meter can show
        total[0] += 0.5 * 0.95
        total[4] += 0.0
    known = np.arange(len(total)) if column.scale == "linear" else np.array([0, 1, 2, 3])
    assert total[known] == pytest.approx(np.ones(len(known)), abs=0.012)


# ---- invariances -------------------------------------------------------------------------------------------


def four_readings():
    return [
        (volts("a", [12.4, 0.0, 12.4, 6.0], shift=[1, 0, 1, 0.5]), 12.2),
        (volts("b", [12.4, 12.4, 0.0, 6.0], shift=[1, 1, 0, 0.5]), 0.1),
        (words("horn", [[0.05, 0.95], [0.9, 0.1], [0.6, 0.4], [0.9, 0.1]]), "dead"),
        (ohms("c", [1.0, 1.0, np.inf, 30.0]), "OL"),
    ]


def test_the_order_of_readings_is_irrelevant():
    """Property of Bayes' rule."""
    results = []
    for order in itertools.permutations(four_readings()):
        now = posterior.start(np.full(4, 0.25), [0.3], "beginner")
        for column, answer in order:
            now = posterior.update(now, column, answer, session="frame")
        results.append(chance(now))
    assert len(results) == 24
    assert np.ptp(results, axis=0).max() < 1e-9


def test_a_reading_that_all_predict_alike_changes_nothing():
    """Property of Bayes' rule."""
    now = posterior.start(np.array([0.5, 0.3, 0.2]), [0.3], temper=1.0)
    after = posterior.update(now, volts("a", [12.4] * 3, shift=[1] * 3), 11.0)
    assert chance(after) == pytest.approx(chance(now), abs=1e-12)


def test_chances_stay_calibrated_when_the_model_is_true():
    """Identity of Bayes: the mean chance given to the truth equals the mean sum of squared chances."""
    rng = np.random.default_rng(5)
    n, given, claimed = 8, [], []
    prior = rng.dirichlet(np.ones(n))
    columns = [volts(f"p{k}", rng.choice([0.0, 6.0, 12.4], n), 0.3, np.ones(n)) for k in range(3)]
    for _ in range(300):
        truth, z = int(rng.choice(n, p=prior)), rng.normal(0.0, 0.5)
        now = posterior.start(prior, [0.5], ((0.1,), (1.0,)), temper=1.0, n_draws=16)
        for column in columns:
            y = column.value[truth] + z + rng.normal(0.0, 0.3)
            if rng.random() < 0.1:
                y = rng.normal(0.0, 0.15) if rng.random() < 0.6 else rng.uniform(-20.0, 20.0)
            now = posterior.update(now, column, float(y))
        given.append(chance(now)[truth])
        claimed.append((chance(now) ** 2).sum())
    difference = np.array(given) - np.array(claimed)
    assert abs(difference.mean()) < 3.0 * difference.std() / math.sqrt(len(difference))
    assert np.mean(claimed) > 0.5


# ---- wrong readings ----------------------------------------------------------------------------------------


def test_zero_volts_where_volts_were_due_may_be_an_open_lead():
    """A reading of nothing is forgiven sooner than an equally wrong one elsewhere."""
    column = volts("a", [12.4, 6.0])
    now = posterior.start(np.array([0.5, 0.5]))
    third = replace(column, value=np.array([12.4, 0.0]))
    odd = replace(column, value=np.array([12.4, 3.3]))
    assert chance(posterior.update(now, third, 0.0))[0] > 3.0 * chance(posterior.update(now, odd, 3.3))[0]


def test_a_reading_that_fits_the_neighbouring_terminal_is_forgiven_sooner():
    """Mis-probe outcome from the confusable measurement."""
    column, beside = volts("a", [12.4, 5.0]), volts("b", [5.0, 5.0])
    now = posterior.start(np.array([0.5, 0.5]))
    plain = chance(posterior.update(now, column, 5.0))[0]
    known = chance(posterior.update(now, column, 5.0, neighbours=(beside,)))[0]
    assert known > 5.0 * plain


def test_the_same_reading_twice_hardly_helps_and_another_method_does():
    """Persistence 0.8 against 0.1; the worked example holds the exact number."""
    column, other = volts("a", [12.4, 0.0]), volts("a2", [12.4, 0.0])
    once = posterior.update(posterior.start(np.array([0.98, 0.02])), column, 0.0)
    again = posterior.update(once, column, 0.02, repeat_of=column.measurement)
    elsewhere = posterior.update(once, other, 0.02, repeat_of=column.measurement, method="other")

    def odds(belief):
        return math.log(chance(belief)[1] / chance(belief)[0])

    assert odds(once) < odds(again) < odds(once) + 0.4
    assert odds(elsewhere) > odds(once) + 1.0


def test_a_repeat_that_disagrees_takes_the_first_reading_back():
    """If the second reading contradicts the first, one of them was gross: belief returns to the prior."""
    column = volts("a", [12.4, 0.0])
    first = posterior.update(posterior.start(np.array([0.5, 0.5]), temper=1.0), column, 0.0)
    second = posterior.update(first, column, 12.4, repeat_of=column.measurement)
    assert chance(first)[1] > 0.95
    assert 0.3 < chance(second)[0] < 1.0


def test_a_doubtful_reading_moves_belief_less():
    """Gross errors four times as likely."""
    column, now = volts("a", [12.4, 0.0]), posterior.start(np.array([0.5, 0.5]))
    sure, doubtful = posterior.update(now, column, 0.0), posterior.update(now, column, 0.0, doubtful=True)
    assert 0.5 < chance(doubtful)[1] < chance(sure)[1]


def test_a_black_lead_on_paint_spoils_every_reading_until_it_moves():
    """Three zeros with one black lead speak less for a dead supply than three with it moved each time."""
    columns = [volts(f"p{k}", [12.4, 0.0]) for k in range(3)]

    def after(keys, answers=(0.0, 0.0, 0.0)):
        now = posterior.start(np.array([0.99, 0.01]), temper=1.0)
        for column, key, answer in zip(columns, keys, answers, strict=True):
            now = posterior.update(now, column, answer, session=key)
        return chance(now)[0]

    assert after(("a", "a", "a")) > 5.0 * after(("a", "b", "c"))
    # a good reading first proves the lead: then two zeros count in full
    proved = posterior.start(np.array([0.99, 0.01]), temper=1.0)
    proved = posterior.update(proved, volts("battery", [12.4, 12.4]), 12.4, session="a")
    for column in columns[:2]:
        proved = posterior.update(proved, column, 0.0, session="a")
    unproved = posterior.start(np.array([0.99, 0.01]), temper=1.0)
    for column in columns[:2]:
        unproved = posterior.update(unproved, column, 0.0, session="a")
    assert chance(proved)[0] < 0.5 * chance(unproved)[0]


def test_an_observer_who_contradicts_himself_is_believed_less():
    """The error rate is a latent of the posterior."""
    now = posterior.start(np.full(2, 0.5), skill="beginner")
    before = posterior.error_rate(now)
    for k, answer in enumerate(["works", "dead", "works", "dead"]):
        now = posterior.update(now, words(f"f{k}", [[0.01, 0.99], [0.01, 0.99]]), answer)
    assert before == pytest.approx(0.126)
    assert posterior.error_rate(now) > before + 0.02


# ---- intermittent, unmodelled ------------------------------------------------------------------------------


def loose():
    """Healthy, a lasting open, an open that shows 30 % of the time."""
    return posterior.start(np.array([0.2, 0.4, 0.4]), no_fault=0, shows=np.array([1.0, 1.0, 0.3]), temper=1.0)


def test_an_intermittent_fault_in_one_window_is_active_or_not_for_all_its_readings():
    """Enumeration over active now: three good readings in one window cost it 0.7 once, not three times."""
    now = loose()
    for k in range(3):
        now = posterior.update(now, volts(f"p{k}", [12.4, 0.0, 0.0]), 12.4, window="w1")
    assert chance(now)[2] / chance(now)[0] == pytest.approx(2.0 * 0.7, rel=0.02)
    other = loose()
    for k in range(3):
        other = posterior.update(other, volts(f"p{k}", [12.4, 0.0, 0.0]), 12.4, window=f"w{k}")
    assert chance(other)[2] / chance(other)[0] == pytest.approx(2.0 * 0.7**3, rel=0.02)
    assert chance(now)[1] < 0.01


def test_a_fault_that_may_go_between_two_readings_is_cleared_less_by_the_second():
    """Shown once, it asleep at the next reading with 0.2 x 0.7: a hidden Markov chain by hand."""
    prior = np.array([0.2, 0.4, 0.4])
    now = posterior.start(
        prior,
        no_fault=0,
        shows=np.array([1.0, 1.0, 0.3]),
        spell_ends=0.2,
        temper=1.0,
        skill=((1e-9,), (1.0,)),
    )
    now = posterior.update(now, words("f", [[0.0, 1.0], [1.0, 0.0], [1.0, 0.0]]), "dead", window="w1")
    shown = chance(now)
    assert shown[2] / shown[1] == pytest.approx(0.3, rel=0.01)
    # the next reading would be sound on a bike that is, or that sleeps; on the lasting fault it is not
    then = posterior.update(now, words("g", [[0.0, 1.0], [0.5, 0.5], [1.0, 0.0]]), "works", window="w1")
    asleep = 0.2 * 0.7
    assert chance(then)[2] / chance(then)[1] == pytest.approx(0.3 * asleep / 0.5, rel=0.01)


def test_a_wiggle_makes_a_good_reading_count_against_an_intermittent_fault():
    """raised = 0.8 leaves 0.2 of the chance of being dormant."""
    column = volts("p", [12.4, 0.0, 0.0])
    calm = posterior.update(posterior.new_window(loose(), "w1"), column, 12.4, window="w1")
    wiggled = posterior.update(posterior.new_window(loose(), "w1", raised=0.8), column, 12.4, window="w1")
    assert chance(calm)[2] / chance(calm)[0] == pytest.approx(2.0 * 0.7, rel=0.02)
    assert chance(wiggled)[2] / chance(wiggled)[0] == pytest.approx(2.0 * 0.7 * 0.2, rel=0.02)
    assert posterior.active(posterior.new_window(loose(), "w", raised=0.8))[2] == pytest.approx(0.86)


def test_a_reading_weighed_again_is_weighed_in_its_own_spell():
    """What a wiggle had raised counts again, and so does what may have changed since."""
    column, other = volts("p", [12.4, 0.0, 0.0]), volts("q", [12.4, 0.0, 0.0])
    now = posterior.start(
        np.array([0.2, 0.4, 0.4]), no_fault=0, shows=np.array([1.0, 1.0, 0.3]), spell_ends=0.2, temper=1.0
    )
    now = posterior.update(posterior.new_window(now, "w1", raised=0.8), column, 12.4)
    now = posterior.update(now, other, 12.4)
    assert chance(posterior.replay(now)) == pytest.approx(chance(now), rel=1e-9)


def test_it_works_now_speaks_for_what_comes_and_goes():
    """A lasting fault hardly ever lets its complaint stay away."""
    now = posterior.works_now(loose(), "w1")
    assert chance(now)[2] > 10.0 * chance(now)[1]
    assert posterior.active(now)[2] < 0.05
    # what is measured while it works says little against it
    good = posterior.update(now, volts("p", [12.4, 0.0, 0.0]), 12.4, window="w1")
    assert chance(good)[2] == pytest.approx(chance(now)[2], rel=0.1)


def test_an_unmodelled_fault_rises_only_when_no_candidate_fits_all_readings():
    """Each reading alone looks like some candidate; together like none. What looks like one halves it."""
    columns = [volts(f"p{k}", np.where(np.arange(6) == k, 0.0, 12.4)) for k in range(5)]

    def after(answers):
        now = posterior.start(np.array([0.18] * 5 + [0.1]), unmodelled=5)
        for column, answer in zip(columns, answers, strict=True):
            now = posterior.update(now, column, answer)
        return chance(now)

    assert after([0.0, 12.4, 12.4, 12.4, 12.4])[5] == pytest.approx(0.05, abs=0.01)
    lost = after([0.0, 0.0, 0.0, 0.0, 12.4])
    assert lost[5] > 0.5
    assert int(np.argmax(lost)) == 5


def test_a_fault_beside_a_listed_one_reads_like_it_until_that_ones_repair_does_not_help():
    """Two readings point at the first fault; its repair fails. Bayes by hand: words, no errors shared.

    What is left after the repair is the second fault, which both readings speak against, and the fault
    nobody listed, which they do not.
    """
    rows = [[0.1, 0.9], [0.9, 0.1], [0.5, 0.5]]
    now = posterior.start(np.array([0.49, 0.49, 0.02]), unmodelled=2, temper=1.0, skill=((1e-9,), (1.0,)))
    for name in ("horn", "lamp"):
        now = posterior.update(now, words(name, rows, ("good", "bad")), "bad")
    before = chance(now)
    assert before[2] == pytest.approx(0.02, abs=0.01) and before[0] > 0.95
    now = posterior.condition(now, np.array([1e-6, 1.0, 1.0]), repaired=True)

    beside = 0.5 * 0.5 * sum((0.95 * p + 0.05 * 0.5) ** 2 for p in (0.9, 0.1))
    strange = 0.5 * (0.75 * 0.5 + 0.25 * 0.5) ** 2
    unlisted, second = 0.02 * (beside + strange), 0.49 * 0.1**2
    assert chance(now)[2] == pytest.approx(unlisted / (unlisted + second + 0.49 * 0.81e-6), rel=1e-4)


# ---- conditions, tempering, widening -----------------------------------------------------------------------


def test_a_failed_repair_is_taken_into_account_by_what_it_does_not_cure():
    """Bayes with likelihood 1 - cures."""
    now = posterior.condition(
        posterior.start(np.array([0.5, 0.3, 0.2]), temper=1.0), np.array([0.1, 1.0, 1.0])
    )
    assert chance(now) == pytest.approx(np.array([0.05, 0.3, 0.2]) / 0.55)


def test_tempering_flattens_faults_and_leaves_the_rest_its_share():
    """prior ** 0.5 among the faults; no_fault keeps 0.1."""
    out = posterior.tempered(np.array([0.1, 0.81, 0.09]), 0.5, keep=[0])
    assert out == pytest.approx([0.1, 0.9 * 0.9 / 1.2, 0.9 * 0.3 / 1.2])
    assert posterior.tempered(np.array([0.1, 0.9, 0.0]), 0.5)[2] == 0.0


def test_candidates_added_late_stand_as_if_they_had_been_there_from_the_start():
    """extend against a job begun with all of them, sessions and repeats included."""
    prior = np.array([0.4, 0.3, 0.2, 0.1])
    readings = [*four_readings(), (four_readings()[0][0], 12.25)]
    whole = posterior.start(prior, [0.3], temper=1.0)
    part = posterior.start(prior[:2], [0.3], temper=1.0)

    def cut(column, rows):
        def take(x):
            return None if x is None else x[rows]

        return replace(
            column,
            value=take(column.value),
            spread=take(column.spread),
            shift=take(column.shift),
            words=take(column.words),
        )

    for k, (column, answer) in enumerate(readings):
        more = {"session": "a", "repeat_of": readings[0][0].measurement if k == 4 else None}
        whole = posterior.update(whole, column, answer, **more)
        part = posterior.update(part, cut(column, slice(0, 2)), answer, **more)
    columns = {column.measurement: cut(column, slice(2, 4)) for column, _ in readings}
    # on the scale of the part's own start, which was normalised from 0.7
    joined = posterior.extend(part, prior[2:] / 0.7, columns)
    assert chance(joined) == pytest.approx(chance(whole), abs=1e-9)
    assert len(joined.observations) == 5


def test_pairs_weigh_as_two_faults_drawn_one_after_the_other():
    """Against brute force over all pairs of drawing i and j one after the other without putting back."""
    prior = np.array([0.0, 0.4, 0.3, 0.2, 0.1])
    nothing = Heard(np.zeros((0, 5)), np.zeros((0, 5), dtype=bool))
    pairs, weight = likely_pairs(prior, nothing, sound=0, second=1.0)
    drawn = {
        (i, j): prior[i] * prior[j] / (1 - prior[i]) + prior[j] * prior[i] / (1 - prior[j])
        for i, j in itertools.combinations(range(1, 5), 2)
    }
    assert dict(zip(pairs, weight, strict=True)) == pytest.approx(drawn)
    assert weight.sum() == pytest.approx(1.0)
    same_plug = np.ones((5, 5))
    same_plug[3, 4] = 50.0
    same_plug[1, 2] = 0.0  # a short and the fuse it blew: one cause and its effect
    tied, _ = likely_pairs(prior, nothing, sound=0, factor=same_plug)
    assert tied[0] == (3, 4)
    assert (1, 2) not in tied
    few, _ = likely_pairs(prior, nothing, sound=0, limit=2, leave=[1])
    assert len(few) == 2 and not any(1 in p for p in few)


def test_the_pair_whose_members_each_explain_one_reading_comes_first():
    """Two readings, each foretold by one fault alone: by hand, only 2 and 4 together explain both."""
    prior = np.array([0.0, 0.3, 0.1, 0.3, 0.1, 0.2])
    given = np.log(np.array([[0.01, 0.01, 0.9, 0.01, 0.01, 0.01], [0.01, 0.01, 0.01, 0.01, 0.9, 0.2]]))
    departs = np.array([[0, 0, 1, 0, 0, 0], [0, 0, 0, 0, 1, 1]], dtype=bool)
    pairs, _ = likely_pairs(prior, Heard(given, departs), sound=0)
    assert pairs[0] == (2, 4)
    assert pairs[1] == (2, 5)
    # a reading that stays as of a sound bike speaks against every pair that would change it
    healthy = np.log(np.array([[0.9, 0.9, 0.01, 0.9, 0.9, 0.9]]))
    calm, _ = likely_pairs(prior, Heard(healthy, departs[:1]), sound=0, limit=3)
    assert not any(2 in p for p in calm)


# ---- what the readings say ---------------------------------------------------------------------------------


def odd_job():
    now = posterior.start(np.array([0.4, 0.3, 0.3]), [0.2])
    for k, answer in enumerate([0.0, 12.4, 12.3, 5.0]):
        column = volts(f"p{k}", [[0.0, 12.4, 12.4, 12.4][k], 12.4 - k, 6.0], shift=[1, 1, 1])
        now = posterior.update(now, column, answer)
    return now


def test_the_ratios_for_a_candidate_add_up_to_the_move_of_its_log_odds():
    """Chain rule: the sum over readings is exact."""
    now = odd_job()
    start = posterior.marginal(posterior.replay(now, range(4)))
    for h in range(3):
        moved = math.log(chance(now)[h] / (1 - chance(now)[h])) - math.log(start[h] / (1 - start[h]))
        found = for_against(now, h)
        assert len(found) == 4
        assert sum(x for _, x in found) == pytest.approx(moved, abs=1e-6)  # 1 - p has few digits


def test_the_reading_that_fits_least_is_named_and_asked_to_be_checked():
    """Three readings fit the first candidate, the last is far off."""
    now = odd_job()
    odd = dict(surprise(now))
    assert max(odd, key=odd.get) == "volts:p3:frame@"
    assert odd["volts:p3:frame@"] > 4.0 > odd["volts:p1:frame@"]
    assert is_surprising(now)
    assert not is_surprising(posterior.start(np.full(3, 1 / 3)))
    assert to_check(posterior.start(np.full(3, 1 / 3))) == ""
    assert to_check(now) in odd


def test_leaving_a_reading_out_equals_a_job_without_it():
    """Brute force: play the job again without the reading."""
    now = odd_job()
    effect = leave_one_out(now)
    for k, (name, distance) in enumerate(effect):
        again = posterior.start(np.array([0.4, 0.3, 0.3]), [0.2])
        for i, seen in enumerate(now.observations):
            if i != k:
                again = posterior.update(again, seen.column, seen.answer)
        assert name == now.observations[k].measurement
        assert distance == pytest.approx(0.5 * np.abs(chance(now) - chance(again)).sum(), abs=1e-12)


def test_independent_supports_are_counted_once_for_repeats():
    """A repeat by the same method is no second support."""
    column = volts("a", [12.4, 0.0, 0.0])
    now = posterior.update(posterior.start(np.full(3, 1 / 3)), column, 12.4)
    members = np.array([True, False, False])
    assert supports(now, members) == 1
    again = posterior.update(now, column, 12.4, repeat_of=column.measurement)
    assert supports(again, members) == 1
    rest = posterior.update(now, words("x", [[0.0, 1.0], [1.0, 0.0], [1.0, 0.0]]), "works")
    assert supports(rest, members) == 2


# ---- refusals ----------------------------------------------------------------------------------------------


def test_nothing_is_renormalised_when_nothing_is_left():
    """Zeros are said, not hidden."""
    now = posterior.start(np.array([0.5, 0.5]))
    with pytest.raises(NoCandidateExplains, match="condition: no candidate gives this any chance"):
        posterior.condition(now, np.zeros(2))
    with pytest.raises(NoCandidateExplains, match="every prior is zero"):
        posterior.start(np.zeros(2))


def test_wrong_use_is_refused_with_what_was_expected():
    """Each refusal of beliefs, with its text."""
    now = posterior.start(np.array([0.5, 0.5]))
    column = words("a", [[0.5, 0.5], [0.5, 0.5]])
    with pytest.raises(ValueError, match="skill='guru' is unknown; expected one of trade, beginner"):
        posterior.start(np.array([1.0]), skill="guru")
    with pytest.raises(ValueError, match="negative or undefined numbers"):
        posterior.start(np.array([1.0, -0.1]))
    with pytest.raises(ValueError, match="repeat_of='x' was never measured; expected one of none so far"):
        posterior.update(now, column, "works", repeat_of="x")
    with pytest.raises(ValueError, match="method='new' is unknown; expected 'same' or 'other'"):
        posterior.update(now, column, "works", method="new")
    with pytest.raises(ValueError, match=r"factor has shape \(3,\) or negative numbers"):
        posterior.condition(now, np.ones(3))
    with pytest.raises(ObservationError, match="'blue' is not understood; expected one of dead, works"):
        posterior.update(now, column, "blue")
    with pytest.raises(ObservationError, match="expected a number in V"):
        posterior.update(now, volts("a", [1.0, 2.0]), "much")
    with pytest.raises(ObservationError, match="'nan' is not understood"):
        posterior.update(now, volts("a", [1.0, 2.0]), float("nan"))
    seen = posterior.update(now, column, "works")
    with pytest.raises(ValueError, match="no predictions of the new candidates for observe:a@"):
        posterior.extend(seen, np.array([0.1]), {})
