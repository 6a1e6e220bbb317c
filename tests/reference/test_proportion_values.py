"""Binomial intervals against printed tables."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import binom

from casebook.stats.proportions import (
    clopper_pearson_interval,
    jeffreys_interval,
    wilson_interval,
)

# Newcombe 1998, Stat Med 17:857-872, Table I, as reprinted in the manual of an R package and
# reproduced with statsmodels; the paper's own page was not seen. Jeffreys is not in the paper:
# statsmodels. All 95 %, printed to four decimals.
COUNTS = np.array([[81, 263], [15, 148], [0, 20], [1, 29]]).T
PRINTED = {
    wilson_interval: [(0.2553, 0.3662), (0.0624, 0.1605), (0.0, 0.1611), (0.0061, 0.1718)],
    clopper_pearson_interval: [
        (0.2527, 0.3676),
        (0.0578, 0.1617),
        (0.0, 0.1684),
        (0.0009, 0.1776),
    ],
    jeffreys_interval: [(0.2545, 0.3656), (0.0604, 0.1576), (0.0, 0.1166), (0.0037, 0.1501)],
}


@pytest.mark.parametrize("interval", PRINTED, ids=lambda f: f.__name__)
def test_intervals_match_the_table_of_newcombe_1998(interval):
    assert_allclose(interval(*COUNTS), np.array(PRINTED[interval]).T, rtol=0, atol=5e-5)


@pytest.mark.parametrize(
    "interval, successes, trials, low, high",
    [
        # The same R manual, five decimals; reproduced with statsmodels.
        (wilson_interval, 37, 43, 0.72736, 0.93444),
        (jeffreys_interval, 37, 43, 0.73481, 0.93959),
        (clopper_pearson_interval, 37, 43, 0.72068, 0.94702),
        (wilson_interval, 4, 19, 0.08508, 0.43334),
    ],
)
def test_intervals_match_the_further_printed_examples(interval, successes, trials, low, high):
    assert_allclose(interval(successes, trials), [low, high], rtol=0, atol=5e-6)


def test_jeffreys_interval_has_the_end_rules_of_brown_cai_and_dasgupta_2001():
    # Reproduced with scipy; that these are entries of their appendix table is from memory,
    # not verified.
    successes, trials = [0, 0, 1, 0, 15], [7, 10, 10, 20, 30]
    printed = [(0, 0.292), (0, 0.217), (0.011, 0.381), (0, 0.117), (0.328, 0.672)]
    assert_allclose(jeffreys_interval(successes, trials), np.array(printed).T, rtol=0, atol=5e-4)
    assert jeffreys_interval(7, 7)[1] == 1.0


# Coverage of nominal 95 %, exact sums over the binomial distribution (own arithmetic).
@pytest.mark.parametrize(
    "trials, p, wilson, clopper_pearson, jeffreys",
    [
        (10, 0.1, 0.9298, 0.9872, 0.9872),
        (10, 0.5, 0.9785, 0.9785, 0.9785),
        (20, 0.2, 0.9563, 0.9785, 0.9563),
        (50, 0.2, 0.9507, 0.9671, 0.9507),
        (100, 0.5, 0.9431, 0.9648, 0.9431),
    ],
)
def test_intervals_cover_exactly_as_often_as_tabled(trials, p, wilson, clopper_pearson, jeffreys):
    k = np.arange(trials + 1)
    wanted = {
        wilson_interval: wilson,
        clopper_pearson_interval: clopper_pearson,
        jeffreys_interval: jeffreys,
    }
    for interval, coverage in wanted.items():
        low, high = interval(k, trials)
        covered = binom.pmf(k, trials, p)[(low <= p) & (p <= high)].sum()
        assert covered == pytest.approx(coverage, abs=5e-5), interval.__name__
