"""Interval functions on random counts: against statsmodels, and what must hold always."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from statsmodels.stats.proportion import proportion_confint

from casebook.stats.proportions import (
    clopper_pearson_interval,
    jeffreys_interval,
    wilson_interval,
)

INTERVALS = {
    wilson_interval: "wilson",
    jeffreys_interval: "jeffreys",
    clopper_pearson_interval: "beta",
}
counts = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
confidences = st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99])


@pytest.mark.parametrize("interval", INTERVALS, ids=lambda f: f.__name__)
@given(counts, confidences)
def test_intervals_agree_with_statsmodels(interval, count, confidence):
    k, n = count
    theirs = proportion_confint(k, n, alpha=1 - confidence, method=INTERVALS[interval])
    ours = interval(k, n, confidence=confidence)
    if interval is jeffreys_interval:
        # statsmodels does not have the end rules.
        theirs = (0.0 if k == 0 else theirs[0], 1.0 if k == n else theirs[1])
    assert_allclose(ours, theirs, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("interval", INTERVALS, ids=lambda f: f.__name__)
@given(counts, confidences)
def test_intervals_hold_the_observed_share_and_mirror_failures(interval, count, confidence):
    k, n = count
    low, high = interval(k, n, confidence=confidence)
    assert 0 <= low <= k / n + 1e-12
    assert k / n - 1e-12 <= high <= 1
    assert_allclose(interval(n - k, n, confidence=confidence), [1 - high, 1 - low], atol=1e-9)


@pytest.mark.parametrize("interval", INTERVALS, ids=lambda f: f.__name__)
def test_many_counts_at_once_give_what_single_counts_give(interval):
    k, n = np.array([0, 2.5, 7]), np.array([4.5, 6, 7])
    together = interval(k, n)
    assert together.shape == (2, 3)
    for i in range(3):
        assert_allclose(together[:, i], interval(k[i], n[i]))


@pytest.mark.parametrize("interval", INTERVALS, ids=lambda f: f.__name__)
@pytest.mark.parametrize(
    "k, n, confidence",
    [(-1, 5, 0.9), (6, 5, 0.9), (0, 0, 0.9), (float("nan"), 5, 0.9), (1, 5, 0.0), (1, 5, 1.0)],
)
def test_impossible_counts_and_confidences_are_refused(interval, k, n, confidence):
    with pytest.raises(ValueError, match=r"need|confidence"):
        interval(k, n, confidence=confidence)
