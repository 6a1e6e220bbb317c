"""A prior whose mean is told: against numbers worked out point by point."""

import numpy as np
import pytest

from casebook.stats.shrinkage import learn, prior_worth, shrink, told_mean, vague_grid

# Forty cohorts of fifty cases that differ no more than chance would have it.
ALIKE = learn(vague_grid(), [29.0, 30, 31, 30] * 10, [50.0] * 40)


def test_without_cases_it_says_what_was_told():
    for mean in (0.2, 0.5, 0.85):
        assert shrink(told_mean(ALIKE, mean, 80, doubt=0.2), 0, 0).mean == pytest.approx(
            mean, abs=0.02
        )


def test_it_equals_a_sum_over_all_points():
    """Even in the mean, told by 80 cases; strengths by what cohorts taught, or vague."""
    grid = told_mean(ALIKE, 0.3, 80, doubt=0.2)
    weight = np.exp(grid.log_weight) / np.exp(grid.log_weight).sum()
    expected = np.zeros(len(weight))
    taught = np.exp(ALIKE.log_weight) / np.exp(ALIKE.log_weight).sum()
    base = np.exp(vague_grid().log_weight)
    strengths = np.unique(grid.strength)
    for place, (m, k) in enumerate(zip(grid.mean, grid.strength, strict=True)):
        of_strength = taught[ALIKE.strength == k].sum()
        prior = base[place] * (0.8 * of_strength + 0.2 / len(strengths))
        expected[place] = prior * m**24 * (1 - m) ** 56
    np.testing.assert_allclose(weight, expected / expected.sum(), rtol=1e-6, atol=1e-15)


def test_doubt_makes_it_worth_less_and_the_interval_wider():
    sure, unsure, vague = (told_mean(ALIKE, 0.6, 80, doubt=doubt) for doubt in (0.0, 0.2, 1.0))
    assert prior_worth(sure) > prior_worth(unsure) > prior_worth(vague)
    width = [(found := shrink(grid, 6, 10)).high - found.low for grid in (sure, unsure, vague)]
    assert width == sorted(width)


def test_cases_that_contradict_it_win_where_there_is_doubt():
    """Forty cases that nearly all failed, where four in five were told to hold."""
    stubborn = shrink(told_mean(ALIKE, 0.8, 80, doubt=0.0), 2, 40).mean
    open_ = shrink(told_mean(ALIKE, 0.8, 80, doubt=0.2), 2, 40).mean
    assert open_ < 0.2 < stubborn


@pytest.mark.parametrize(
    "mean, worth, doubt", [(0, 80, 0.2), (1, 80, 0.2), (0.5, 0, 0.2), (0.5, 80, 1.2)]
)
def test_what_cannot_be_told_is_refused(mean, worth, doubt):
    with pytest.raises(ValueError):
        told_mean(ALIKE, mean, worth, doubt=doubt)
