"""Cumulative incidence on random data: against statsmodels, lifelines and a plain second form."""

from __future__ import annotations

import math
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from numpy.testing import assert_allclose
from statsmodels.duration.survfunc import CumIncidenceRight

from casebook.stats.durability import (
    CAME_BACK,
    CENSORED,
    GONE,
    LEAST_AT_RISK,
    cumulative_incidence,
    effective_trials,
    followed_until,
    grouped_incidence,
    log_log_limits,
    reweighted_incidence,
)

cases = st.lists(
    st.tuples(st.integers(0, 40), st.sampled_from([CENSORED, CAME_BACK, GONE])),
    min_size=1,
    max_size=40,
)
weighted_cases = st.lists(
    st.tuples(
        st.integers(0, 40),
        st.sampled_from([CENSORED, CAME_BACK, GONE]),
        st.floats(0.05, 3),
    ),
    min_size=1,
    max_size=30,
)


def plain_incidence(rows, day):
    """Step by step, as one would with pencil and paper: fractions come back and gone."""
    free, came, went = 1.0, 0.0, 0.0
    for t in sorted({t for t, _, _ in rows if t <= day}):
        at_risk = sum(w for s, _, w in rows if s >= t)
        d = {k: sum(w for s, e, w in rows if s == t and e == k) for k in (CAME_BACK, GONE)}
        came += free * d[CAME_BACK] / at_risk
        went += free * d[GONE] / at_risk
        free *= 1 - (d[CAME_BACK] + d[GONE]) / at_risk
    return came, went


def plain_variance(rows, day, kind):
    """Delta method, summed as written in textbooks, quadratic in the number of steps."""
    steps, free, incidence = [], 1.0, 0.0
    for t in sorted({t for t, _, _ in rows if t <= day}):
        n = sum(w for s, _, w in rows if s >= t)
        d_own = sum(w for s, e, w in rows if s == t and e == kind)
        d_all = sum(w for s, e, w in rows if s == t and e != CENSORED)
        incidence += free * d_own / n
        steps.append((n, d_own, d_all, free, incidence))
        free *= 1 - d_all / n
    total = 0.0
    for n, d_own, d_all, free_before, so_far in steps:
        rest = incidence - so_far
        if n - d_all > 1e-9 * n:
            total += rest**2 * d_all / (n * (n - d_all))
        total += free_before**2 * d_own * (n - d_own) / n**3
        total -= 2 * rest * free_before * d_own / n**2
    return max(total, 0.0)


@given(weighted_cases, st.floats(0, 50))
def test_weighted_incidence_equals_the_pencil_and_paper_form(rows, day):
    t, e, w = (np.array(column) for column in zip(*rows, strict=True))
    result = cumulative_incidence(t, e, [day], weights=w)
    came, went = plain_incidence(rows, day)
    assert result.came_back[0] == pytest.approx(came, abs=1e-9)
    assert result.gone[0] == pytest.approx(went, abs=1e-9)
    assert result.variance[0] == pytest.approx(plain_variance(rows, day, CAME_BACK), abs=1e-9)
    assert result.gone_variance[0] == pytest.approx(plain_variance(rows, day, GONE), abs=1e-9)
    assert result.at_risk[0] == pytest.approx(w[t >= day].sum())
    assert result.events[0] == pytest.approx(w[(t <= day) & (e != CENSORED)].sum())


@settings(deadline=None)
@given(cases.filter(lambda rows: {CAME_BACK, GONE} <= {e for _, e in rows}))
def test_incidence_and_variance_agree_with_statsmodels(rows):
    t, e = np.array(rows).T
    if (t[e != CENSORED] == t.max()).any():
        # When the last one watched has an event, statsmodels divides by nobody.
        t, e = np.append(t, t.max() + 1), np.append(e, CENSORED)
    theirs = CumIncidenceRight(t.astype(float), e)
    ours = cumulative_incidence(t, e, theirs.times)
    assert_allclose(ours.came_back, theirs.cinc[0], atol=1e-9)
    assert_allclose(ours.gone, theirs.cinc[1], atol=1e-9)
    assert_allclose(np.sqrt(ours.variance), theirs.cinc_se[0], atol=1e-7)
    assert_allclose(np.sqrt(ours.gone_variance), theirs.cinc_se[1], atol=1e-7)


@settings(deadline=None)
@given(cases)
def test_with_nobody_gone_it_is_kaplan_meier_as_lifelines_has_it(rows):
    t, e = np.array(rows).T
    died = (e == CAME_BACK).astype(int)
    theirs = KaplanMeierFitter().fit(t, died)
    ours = cumulative_incidence(t, died, theirs.survival_function_.index.to_numpy())
    assert_allclose(1 - ours.came_back, theirs.survival_function_.iloc[:, 0], atol=1e-9)
    # Greenwood: S^2 sum d / (n (n - d)).
    table = theirs.event_table
    left = table.at_risk - table.observed
    terms = np.where(left > 0, table.observed / (table.at_risk * left.where(left > 0, 1)), 0)
    greenwood = (1 - ours.came_back) ** 2 * np.cumsum(terms)
    assert_allclose(ours.variance, greenwood, atol=1e-9)


@given(weighted_cases, st.floats(0.1, 200))
def test_scaling_the_weights_moves_the_variance_and_not_the_estimate(rows, size):
    t, e, w = (np.array(column) for column in zip(*rows, strict=True))
    plain = cumulative_incidence(t, e, [5, 20], weights=w)
    scaled = cumulative_incidence(t, e, [5, 20], weights=w, size=size)
    assert_allclose(scaled.came_back, plain.came_back, atol=1e-9)
    assert_allclose(scaled.variance * size, plain.variance * w.sum(), atol=1e-8)
    assert_allclose(scaled.at_risk / size, plain.at_risk / w.sum(), atol=1e-9)


@given(weighted_cases)
def test_a_case_of_weight_two_is_two_cases(rows):
    t, e, w = (np.array(column) for column in zip(*rows, strict=True))
    doubled = cumulative_incidence(
        np.append(t, t[0]), np.append(e, e[0]), [10, 30], weights=np.append(w, w[0])
    )
    w[0] *= 2
    heavier = cumulative_incidence(t, e, [10, 30], weights=w)
    assert_allclose(doubled.came_back, heavier.came_back, atol=1e-9)
    assert_allclose(doubled.variance, heavier.variance, atol=1e-9)


@given(weighted_cases)
def test_incidence_grows_and_both_kinds_stay_below_one_together(rows):
    t, e, w = (np.array(column) for column in zip(*rows, strict=True))
    result = cumulative_incidence(t, e, np.arange(45), weights=w)
    for curve in (result.came_back, result.gone):
        assert (np.diff(curve) >= -1e-12).all()
    assert (result.came_back + result.gone <= 1 + 1e-9).all()


@given(st.lists(cases, min_size=1, max_size=6), st.integers(0, 45), st.integers(1, 4))
def test_many_groups_at_once_give_what_each_gives_alone(groups, day, at_once):
    rows = [(t, e, g) for g, cases_of in enumerate(groups) for t, e in cases_of]
    t, e, g = np.array(rows).T
    order = np.random.default_rng(0).permutation(len(t))
    sizes = np.array([len(cases_of) * 0.7 for cases_of in groups])
    with patch("casebook.stats.durability._AT_ONCE", at_once):
        together = grouped_incidence(t[order], e[order], g[order], day, sizes)
    for number, cases_of in enumerate(groups):
        alone = cumulative_incidence(*np.array(cases_of).T, [day], size=sizes[number])
        for name in ("came_back", "gone", "variance", "at_risk", "events"):
            ours = getattr(together, name)[number]
            assert ours == pytest.approx(getattr(alone, name)[0], abs=1e-9), name


def test_groups_without_cases_are_zero_and_harm_no_other():
    result = grouped_incidence([0, 9, 9, 9], [CAME_BACK, 0, 0, 0], [1, 1, 1, 1], 5, [0, 4, 7])
    assert_allclose(result.came_back, [0, 0.25, 0])
    assert_allclose(result.variance, [0, 0.25 * 0.75 / 4, 0])
    assert_allclose(grouped_incidence([], [], [], 5, [0, 0]).came_back, [0, 0])


@given(weighted_cases, st.floats(1, 60))
def test_the_curve_ends_on_the_last_day_that_enough_are_watched(rows, size):
    t, _, w = (np.array(column) for column in zip(*rows, strict=True))
    end = followed_until(t, w, size=size)
    scaled = w * size / w.sum()
    enough = [day for day in range(42) if scaled[t >= day].sum() >= LEAST_AT_RISK - 1e-9]
    if enough:
        assert end == max(enough)
    else:
        assert math.isnan(end)


def test_log_log_limits_stay_inside_and_have_none_at_the_ends():
    low, high = log_log_limits([0.0, 0.02, 0.5, 0.99, 1.0], [0.0, 1e-4, 0.01, 1e-4, 0.0])
    assert np.isnan(low[[0, 4]]).all()
    assert np.isnan(high[[0, 4]]).all()
    assert (low[1:4] > 0).all()
    assert (high[1:4] < 1).all()
    assert (low[1:4] < [0.02, 0.5, 0.99]).all()
    assert (high[1:4] > [0.02, 0.5, 0.99]).all()


def worth_of(result, n_eff):
    """Of a result at one day."""
    return effective_trials(
        result.came_back,
        result.gone,
        result.variance,
        watched=result.at_risk,
        events=result.events,
        n_eff=n_eff,
    )[0]


@given(st.integers(0, 60), st.integers(0, 60), st.integers(0, 60))
def test_cases_all_followed_are_worth_their_number(came, went, holding):
    n = came + went + holding
    if n == 0:
        return
    e = np.repeat([CAME_BACK, GONE, CENSORED], [came, went, holding])
    t = np.where(e == CENSORED, 400, 5)
    result = cumulative_incidence(t, e, [365])
    assert worth_of(result, n_eff=n) == pytest.approx(n)
    assert worth_of(result, n_eff=n / 2) == pytest.approx(n / 2)


def test_fifty_repairs_last_seen_on_day_ten_say_nothing_about_a_year():
    result = cumulative_incidence(np.full(50, 10), np.zeros(50, int), [365])
    assert worth_of(result, n_eff=50) == 0.0


def test_comebacks_alone_say_nothing_of_the_others_once_those_are_out_of_sight():
    # Ten came back at once, forty were last seen on day 10: how many of them held is unknown.
    t, e = np.repeat([0, 10], [10, 40]), np.repeat([CAME_BACK, CENSORED], [10, 40])
    assert worth_of(cumulative_incidence(t, e, [365]), n_eff=50) == 0.0


def test_where_all_came_back_nobody_needs_to_be_watched():
    result = cumulative_incidence(np.zeros(8), np.full(8, CAME_BACK), [365])
    assert worth_of(result, n_eff=8) == 8.0


def test_an_estimate_is_worth_no_more_than_the_cases_whose_state_is_known():
    # Six of forty are watched to the end; no comeback among them makes the variance look small.
    t = np.repeat([0, 10, 400], [10, 34, 6])
    e = np.repeat([CAME_BACK, CENSORED, CENSORED], [10, 34, 6])
    result = cumulative_incidence(t, e, [365])
    assert result.came_back[0] * (1 - result.came_back[0]) / result.variance[0] > 40
    assert worth_of(result, n_eff=50) == pytest.approx(16)


@pytest.mark.parametrize(
    "call",
    [
        lambda: cumulative_incidence([], [], [1]),
        lambda: cumulative_incidence([1, 2], [0], [1]),
        lambda: cumulative_incidence([-1], [0], [1]),
        lambda: cumulative_incidence([1], [3], [1]),
        lambda: cumulative_incidence([1], [0], [1], weights=[0]),
        lambda: cumulative_incidence([1], [0], [1], size=0),
        lambda: cumulative_incidence([1], [0], [-1]),
        lambda: cumulative_incidence([float("nan")], [0], [1]),
        lambda: grouped_incidence([1], [1], [2], 5, [1, 1]),
        lambda: grouped_incidence([1], [1], [0], 5, [0]),
        lambda: grouped_incidence([1], [1], [0], 5, [-1]),
        lambda: log_log_limits(1.2, 0.1),
        lambda: effective_trials(0.5, 0, -1, watched=1, events=1, n_eff=1),
        lambda: effective_trials(1.5, 0, 1, watched=1, events=1, n_eff=1),
    ],
)
def test_impossible_input_is_refused(call):
    with pytest.raises(ValueError):
        call()


# --- many weightings of the same cases --------------------------------------------------------


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0, 10, 40, 200, 365, 500]), st.integers(0, 2), st.floats(0.1, 1)
        ),
        min_size=1,
        max_size=12,
    ),
    st.integers(0, 600),
    st.integers(0, 10_000),
)
def test_many_weightings_at_once_equal_each_by_itself(rows, at_day, seed):
    days, events, own = (np.array(column) for column in zip(*rows, strict=True))
    random = np.random.default_rng(seed)
    weights = np.stack([own, own * random.uniform(0, 1, len(own)) + 1e-3, np.ones(len(own))])
    sizes = np.array([3.0, 7.5, len(own)])
    many = reweighted_incidence(days, events, weights, at_day, sizes)
    for i in range(3):
        one = cumulative_incidence(days, events, [at_day], weights=weights[i], size=sizes[i])
        for name in ("came_back", "gone", "variance", "at_risk", "events"):
            assert_allclose(getattr(many, name)[i], getattr(one, name)[0], rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize(
    "changes",
    [
        {"weights": [[1.0, 1.0]]},
        {"weights": [[0.0, 0.0, 0.0]]},
        {"weights": [1.0, 1.0, 1.0]},
        {"sizes": [0.0]},
        {"sizes": [1.0, 2.0]},
        {"at_day": -1},
    ],
)
def test_weightings_that_do_not_fit_are_refused(changes):
    fine = {"weights": [[1.0, 2.0, 3.0]], "sizes": [3.0], "at_day": 5.0}
    with pytest.raises(ValueError):
        reweighted_incidence([1, 2, 3], [0, 1, 2], **fine | changes)
