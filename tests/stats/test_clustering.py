"""Effective numbers: against a second, plain implementation and by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from casebook.stats.clustering import (
    LEAST_RHO,
    PRIOR_RHO,
    anova_icc,
    cluster_n_eff,
    kish_n_eff,
    n_eff_from_sums,
    rao_scott_design_effect,
    reweighted_n_eff,
    shrunk_rho,
)

weighted_cases = st.lists(
    st.tuples(st.floats(0.01, 10), st.integers(0, 5)), min_size=1, max_size=40
)
clusters_of_counts = st.lists(
    st.integers(1, 30).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
    min_size=2,
    max_size=12,
)


def pairwise_n_eff(weights, clusters, rho):
    """From the definition: the variance of a weighted mean of correlated outcomes."""
    variance = 0.0
    for i, wi in enumerate(weights):
        for j, wj in enumerate(weights):
            correlation = 1.0 if i == j else rho if clusters[i] == clusters[j] else 0.0
            variance += wi * wj * correlation
    return sum(weights) ** 2 / variance


def textbook_icc(successes, trials):
    """Analysis of variance over the single cases."""
    outcomes = [[1.0] * x + [0.0] * (n - x) for x, n in zip(successes, trials, strict=True)]
    everyone = [y for cluster in outcomes for y in cluster]
    total, k = len(everyone), len(outcomes)
    grand = sum(everyone) / total
    means = [sum(cluster) / len(cluster) for cluster in outcomes]
    between = sum(len(c) * (m - grand) ** 2 for c, m in zip(outcomes, means, strict=True))
    within = sum((y - m) ** 2 for c, m in zip(outcomes, means, strict=True) for y in c)
    size = (total - sum(len(c) ** 2 for c in outcomes) / total) / (k - 1)
    msb, msw = between / (k - 1), within / (total - k)
    return (msb - msw) / (msb + (size - 1) * msw)


@given(weighted_cases, st.floats(0, 1))
def test_effective_number_follows_from_the_variance_of_a_weighted_mean(cases, rho):
    weights, clusters = zip(*cases, strict=True)
    expected = pairwise_n_eff(weights, clusters, rho)
    assert cluster_n_eff(weights, clusters, rho=rho) == pytest.approx(expected)
    w, c = np.array(weights), np.array(clusters)
    per_cluster = np.bincount(c, weights=w)
    sums = n_eff_from_sums(w.sum(), (w**2).sum(), (per_cluster**2).sum(), rho=rho)
    assert sums == pytest.approx(expected)


@given(weighted_cases)
def test_without_correlation_only_the_weights_count(cases):
    weights, clusters = zip(*cases, strict=True)
    kish = kish_n_eff(weights)
    assert cluster_n_eff(weights, clusters, rho=0) == pytest.approx(kish)
    assert 1 - 1e-9 <= kish <= len(weights) + 1e-9
    # Kish's other form: n over one plus the squared variation of the weights.
    variation = np.var(weights) / np.mean(weights) ** 2
    assert kish == pytest.approx(len(weights) / (1 + variation))


def test_one_shop_is_never_worth_more_than_one_over_rho():
    assert cluster_n_eff(np.ones(100_000), np.zeros(100_000), rho=0.1) == pytest.approx(
        10, rel=1e-3
    )


def test_groups_without_cases_have_no_effective_cases():
    assert_allclose(n_eff_from_sums([0, 2], [0, 2], [0, 4], rho=0.1), [0, 2 / 1.1])


@given(clusters_of_counts)
def test_icc_is_the_textbook_analysis_of_variance(clusters):
    successes, trials = zip(*clusters, strict=True)
    ours = anova_icc(successes, trials)
    nothing_to_say = sum(trials) == len(trials) or sum(successes) in (0, sum(trials))
    assert math.isnan(ours) == nothing_to_say
    if not nothing_to_say:
        assert ours == pytest.approx(textbook_icc(successes, trials), abs=1e-9)


def test_icc_finds_the_correlation_that_made_the_data():
    random = np.random.default_rng(3)
    p = random.beta(0.6 * 9, 0.4 * 9, 4000)  # correlation 1 / (9 + 1)
    trials = random.integers(2, 30, 4000)
    assert anova_icc(random.binomial(trials, p), trials) == pytest.approx(0.1, abs=0.01)


@given(clusters_of_counts)
def test_the_correlation_worked_with_is_floored_and_between_estimate_and_prior(clusters):
    successes, trials = zip(*clusters, strict=True)
    rho, estimate = shrunk_rho(successes, trials), anova_icc(successes, trials)
    assert LEAST_RHO <= rho < 1
    if math.isnan(estimate):
        assert rho == PRIOR_RHO
    elif rho > LEAST_RHO:
        assert min(estimate, PRIOR_RHO) - 1e-9 <= rho <= max(estimate, PRIOR_RHO) + 1e-9


def test_much_data_overrules_the_expected_correlation_and_little_does_not():
    random = np.random.default_rng(4)
    p = random.beta(0.5 * 2, 0.5 * 2, 400)  # correlation 1/3
    trials = np.full(400, 40)
    successes = random.binomial(trials, p)
    assert shrunk_rho(successes, trials) == pytest.approx(1 / 3, abs=0.05)
    assert shrunk_rho([3, 0], [3, 3]) < 0.15  # an estimate of 1 from two shops


@given(clusters_of_counts)
def test_design_effect_compares_two_variances(clusters):
    successes, trials = zip(*clusters, strict=True)
    n, p, k = sum(trials), sum(successes) / sum(trials), len(trials)
    effect = rao_scott_design_effect(successes, trials)
    if p in (0.0, 1.0):
        assert math.isnan(effect)
        return
    residual = sum((x - m * p) ** 2 for x, m in clusters)
    assert effect == pytest.approx((k / (k - 1) * residual / n**2) / (p * (1 - p) / n))


@pytest.mark.parametrize(
    "call",
    [
        lambda: kish_n_eff([]),
        lambda: kish_n_eff([0, 0]),
        lambda: kish_n_eff([1, -1]),
        lambda: kish_n_eff([1, float("nan")]),
        lambda: cluster_n_eff([1, 1], [1], rho=0.1),
        lambda: cluster_n_eff([1, 1], [1, 2], rho=1.5),
        lambda: n_eff_from_sums(-1, 1, 1, rho=0.1),
        lambda: anova_icc([3], [2]),
        lambda: rao_scott_design_effect([1], [2]),
    ],
)
def test_impossible_input_is_refused(call):
    with pytest.raises(ValueError):
        call()


@given(st.integers(1, 20), st.integers(0, 1000), st.floats(0, 1))
def test_many_weightings_at_once_equal_each_by_itself(cases, seed, rho):
    random = np.random.default_rng(seed)
    clusters = random.integers(0, 4, cases)
    weights = random.uniform(0.01, 1, (3, cases))
    expected = [cluster_n_eff(row, clusters, rho=rho) for row in weights]
    assert_allclose(reweighted_n_eff(weights, clusters, rho=rho), expected)
    assert reweighted_n_eff(np.zeros((2, cases)), clusters, rho=rho).tolist() == [0, 0]


def test_weightings_that_do_not_fit_are_refused():
    for weights in ([1.0, 2.0], [[1.0, -1.0]], [[1.0, 1.0, 1.0]]):
        with pytest.raises(ValueError):
            reweighted_n_eff(weights, [1, 2], rho=0.1)
