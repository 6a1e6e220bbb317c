"""Shrinkage: against numerical integration done plainly, and how often its intervals are right."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import beta

from casebook.stats.shrinkage import (
    Grid,
    descend,
    forget,
    learn,
    learn_mean,
    prior_worth,
    shrink,
    shrunk_means,
    vague_grid,
)

cohorts = st.lists(
    st.floats(0.5, 60).flatmap(
        lambda n: st.tuples(st.floats(0, 1).map(lambda p: p * n), st.just(n))
    ),
    min_size=0,
    max_size=8,
)


def weights(grid):
    return np.exp(grid.log_weight - grid.log_weight.max())


def plain_posterior(cohorts, held, trials, coverage):
    """Mean and interval by summing over the grid point by point, quantiles by bisection."""
    grid = vague_grid()
    parts = []
    for m, k, lw in zip(grid.mean, grid.strength, grid.log_weight, strict=True):
        a, b = k * m, k * (1 - m)
        log_weight = lw
        for x, n in [*cohorts, (held, trials)]:
            # Likelihood of a fractional binomial, integrated over its own fraction.
            log_weight += log_beta(a + x, b + n - x) - log_beta(a, b)
        parts.append((log_weight, a + held, b + trials - held))
    top = max(part[0] for part in parts)
    w = np.array([np.exp(part[0] - top) for part in parts])
    w /= w.sum()
    a, b = (np.array([part[i] for part in parts]) for i in (1, 2))

    def quantile(q):
        low, high = 0.0, 1.0
        for _ in range(50):
            middle = (low + high) / 2
            below = w @ beta.cdf(middle, a, b)
            low, high = (middle, high) if below < q else (low, middle)
        return low

    return w @ (a / (a + b)), quantile((1 - coverage) / 2), quantile((1 + coverage) / 2)


def log_beta(a, b):
    from math import lgamma

    return lgamma(a) + lgamma(b) - lgamma(a + b)


@settings(max_examples=10, deadline=None)
@given(cohorts, st.floats(0, 1), st.floats(0, 80), st.sampled_from([0.5, 0.9, 0.95]))
def test_shrinking_equals_the_sum_over_the_grid_done_point_by_point(around, p, trials, coverage):
    x, n = np.array(around).reshape(-1, 2).T
    result = shrink(learn(vague_grid(), x, n), p * trials, trials, coverage=coverage)
    mean, low, high = plain_posterior(around, p * trials, trials, coverage)
    assert result.mean == pytest.approx(mean, abs=1e-6)
    assert (result.low, result.high) == pytest.approx((low, high), abs=1e-3)


@settings(deadline=None)
@given(cohorts, st.floats(0, 1), st.just(0.0) | st.floats(0.01, 500))
def test_a_shrunk_fraction_never_reaches_an_end(around, p, trials):
    x, n = np.array(around).reshape(-1, 2).T
    result = shrink(learn(vague_grid(), x, n), p * trials, trials)
    assert 0 < result.low < result.mean < result.high < 1
    assert 0 < result.prior_share <= 1
    assert (result.prior_share == 1) == (trials == 0)


@settings(deadline=None)
@given(cohorts, st.floats(0, 1), st.floats(0.1, 80))
def test_exchanging_success_and_failure_mirrors_everything(around, p, trials):
    x, n = np.array(around).reshape(-1, 2).T
    one = shrink(learn(vague_grid(), x, n), p * trials, trials)
    other = shrink(learn(vague_grid(), n - x, n), (1 - p) * trials, trials)
    assert other.mean == pytest.approx(1 - one.mean, abs=1e-9)
    assert (other.low, other.high) == pytest.approx((1 - one.high, 1 - one.low), abs=2e-5)


def test_alike_cohorts_pull_harder_than_unlike_ones():
    alike = learn(vague_grid(), np.full(20, 16.0), np.full(20, 20.0))
    unlike = learn(vague_grid(), np.tile([20.0, 12.0], 10), np.full(20, 20.0))
    assert prior_worth(alike) > 4 * prior_worth(unlike)
    pulled, left = (shrink(grid, 2, 10).mean for grid in (alike, unlike))
    assert 0.2 < left < pulled < 0.8


def test_without_any_cohort_the_prior_is_worth_about_one_case():
    # Even in the mean, even in the spread: close to Jeffreys' prior, Beta(1/2, 1/2).
    assert prior_worth(vague_grid()) == pytest.approx(1, abs=0.1)
    result = shrink(vague_grid(), 7, 10)
    assert result.mean == pytest.approx(7.5 / 11, abs=0.01)
    assert result.low == pytest.approx(beta.ppf(0.05, 7.5, 3.5), abs=0.01)
    assert result.high == pytest.approx(beta.ppf(0.95, 7.5, 3.5), abs=0.011)
    assert result.prior_share == pytest.approx(1 / 11, abs=0.01)


def test_order_and_grouping_of_what_is_learned_do_not_matter():
    x, n = np.array([3.0, 1.0, 8.5]), np.array([4.0, 6.0, 9.0])
    together = learn(vague_grid(), x, n)
    in_turn = learn(learn(vague_grid(), x[2:], n[2:]), x[:2], n[:2])
    assert np.allclose(weights(together), weights(in_turn))
    with_empty = learn(vague_grid(), np.append(x, 0.0), np.append(n, 0.0))
    assert np.allclose(weights(together), weights(with_empty))


def test_forgetting_undoes_learning():
    x, n = np.array([3.0, 1.0, 8.5]), np.array([4.0, 6.0, 9.0])
    without = forget(learn(vague_grid(), x, n), 1.0, 6.0)
    assert np.allclose(weights(without), weights(learn(vague_grid(), x[[0, 2]], n[[0, 2]])))


def test_the_whole_tells_of_the_mean_directly():
    # An even prior of the mean and 15 of 60: Beta(16, 46).
    told = learn_mean(vague_grid(mean_points=400), 15, 60)
    w = weights(told)
    mean = w @ told.mean / w.sum()
    assert mean == pytest.approx(16 / 62, abs=1e-3)
    assert np.sqrt(w @ told.mean**2 / w.sum() - mean**2) == pytest.approx(
        beta.std(16, 46), rel=0.01
    )
    # How alike its parts are stays unknown.
    before, after = (
        np.bincount(np.unique(grid.strength, return_inverse=True)[1], weights(grid))
        for grid in (vague_grid(mean_points=400), told)
    )
    assert np.allclose(before / before.sum(), after / after.sum())


def test_going_a_step_down_keeps_the_mean_and_loses_certainty():
    wide = learn(vague_grid(), np.full(15, 14.0), np.full(15, 20.0))
    narrow = descend(wide)
    before, after = shrink(wide, 0, 0), shrink(narrow, 0, 0)
    assert after.mean == pytest.approx(before.mean, abs=0.01)
    assert after.high - after.low > before.high - before.low
    # The mean of the next step is spread as a new cohort of this step is: by simulation.
    random = np.random.default_rng(6)
    w = weights(wide)
    point = random.choice(len(w), 20_000, p=w / w.sum())
    k, m = wide.strength[point], wide.mean[point]
    drawn = random.beta(k * m, k * (1 - m))
    w = weights(narrow)
    mean = w @ narrow.mean / w.sum()
    sd = np.sqrt(w @ narrow.mean**2 / w.sum() - mean**2)
    assert mean == pytest.approx(drawn.mean(), abs=0.01)
    assert sd == pytest.approx(drawn.std(), rel=0.05)


def test_a_step_down_takes_over_how_alike_cohorts_are_unless_told_not_to():
    wide = learn(vague_grid(), np.full(15, 14.0), np.full(15, 20.0))

    def strengths(grid):
        total = np.bincount(np.unique(grid.strength, return_inverse=True)[1], weights(grid))
        return total / total.sum()

    assert np.allclose(strengths(descend(wide)), strengths(wide))
    assert np.allclose(strengths(descend(wide, alike=False)), strengths(vague_grid()))


def test_intervals_over_small_cohorts_cover_as_often_as_they_say():
    # 25 cohorts of 1 to 40 cases, truth Beta(mean .6, strength 8): nominal 95 % intervals covered
    # .949 in an independent run of 150 repetitions with an integrated prior, and .905 with a
    # plugged-in one. 40 repetitions of 25: Monte Carlo error .007.
    random = np.random.default_rng(7)
    hits = total = 0
    for _ in range(40):
        p = random.beta(4.8, 3.2, 25)
        n = random.integers(1, 41, 25)
        x = random.binomial(n, p)
        for i in range(0, 25, 3):
            others = np.arange(25) != i
            result = shrink(learn(vague_grid(), x[others], n[others]), x[i], n[i], coverage=0.95)
            hits += result.low <= p[i] <= result.high
            total += 1
    assert hits / total == pytest.approx(0.95, abs=0.03)


@pytest.mark.parametrize(
    "call",
    [
        lambda: vague_grid(mean_points=0),
        lambda: learn(vague_grid(), [3], [2]),
        lambda: learn(vague_grid(), [-1], [2]),
        lambda: learn(vague_grid(), [float("nan")], [2]),
        lambda: learn_mean(vague_grid(), 3, 2),
        lambda: shrink(vague_grid(), 3, 2),
        lambda: shrink(vague_grid(), 1, 2, coverage=1.0),
    ],
)
def test_impossible_input_is_refused(call):
    with pytest.raises(ValueError):
        call()


def test_many_means_at_once_equal_each_by_itself():
    grid = descend(learn(vague_grid(), [18, 9, 40], [20, 15, 41]))
    held, trials = np.array([0.0, 0.0, 3.2, 50.0]), np.array([0.0, 4.0, 7.7, 50.0])
    expected = [shrink(grid, x, n).mean for x, n in zip(held, trials, strict=True)]
    assert_allclose(shrunk_means(grid, held, trials), expected, rtol=1e-9)
    with pytest.raises(ValueError):
        shrunk_means(grid, [3.0], [2.0])


@given(cohorts)
def test_the_usual_grid_learns_by_tables_what_any_other_is_worked_out_to(shown):
    held, trials = np.array(shown).reshape(-1, 2).T
    usual = vague_grid()
    # The same points, but not known as the usual ones.
    other = Grid(usual.mean.copy(), usual.strength.copy(), usual.log_weight.copy())
    assert_allclose(
        learn(usual, held, trials).log_weight, learn(other, held, trials).log_weight, atol=1e-6
    )
    assert_allclose(shrunk_means(usual, held, trials), shrunk_means(other, held, trials), rtol=1e-8)
