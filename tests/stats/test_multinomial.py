"""Intervals for several shares at once."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import chi2
from statsmodels.stats.proportion import multinomial_proportions_confint

from casebook.stats.multinomial import goodman_intervals

some_counts = st.lists(st.integers(0, 200), min_size=2, max_size=6).filter(any)


@given(some_counts, st.floats(0.5, 0.99))
def test_intervals_equal_those_of_statsmodels(counts, confidence):
    expected = multinomial_proportions_confint(counts, alpha=1 - confidence, method="goodman")
    assert_allclose(goodman_intervals(counts, confidence=confidence).T, expected, atol=1e-9)


def test_the_formula_of_the_paper_by_hand():
    counts, total = [56.0, 72.0, 73.0, 59.0], 260.0
    a = chi2.ppf(1 - 0.05 / 4, 1)
    for k, (low, high) in zip(counts, goodman_intervals(counts).T, strict=True):
        root = np.sqrt(a * (a + 4 * k * (total - k) / total))
        assert low == pytest.approx((a + 2 * k - root) / (2 * (total + a)))
        assert high == pytest.approx((a + 2 * k + root) / (2 * (total + a)))


def test_all_of_them_cover_as_often_as_stated():
    random = np.random.default_rng(5)
    shares = np.array([0.55, 0.25, 0.12, 0.06, 0.02])
    for size in (15, 60, 300):
        drawn = random.multinomial(size, shares, 600)
        covered = [
            bool(np.all((low <= shares) & (shares <= high)))
            for low, high in (goodman_intervals(counts, confidence=0.9) for counts in drawn)
        ]
        # Monte Carlo error .012; the method is known to be cautious.
        assert np.mean(covered) > 0.86


@given(some_counts)
def test_each_contains_its_share_and_none_reaches_beyond_the_ends(counts):
    low, high = goodman_intervals(counts)
    share = np.array(counts) / sum(counts)
    assert np.all((low >= 0) & (low <= share + 1e-12) & (share <= high + 1e-12) & (high <= 1))


@pytest.mark.parametrize("counts", [[], [3], [0, 0], [-1, 2], [float("nan"), 1], [[1, 2], [3, 4]]])
def test_counts_that_cannot_be_are_refused(counts):
    with pytest.raises(ValueError):
        goodman_intervals(counts)
