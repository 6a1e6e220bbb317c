"""The beta-binomial hierarchy against the rat tumours of Bayesian Data Analysis."""

from __future__ import annotations

import numpy as np
import pytest

from casebook.stats.shrinkage import learn, shrink, vague_grid

# Gelman et al., Bayesian Data Analysis, 3rd ed., Table 5.1 (Tarone 1982): tumours among rats in
# 71 experiments; four stored teaching sources agree on the data.
TUMOURS = [
    *[0] * 14, *[1] * 8, *[2] * 9, 1, 5, 2, 5, 3, 2, 7, 7, 3, 3, 2, 9, 10, *[4] * 7, 10, 4, 4, 4,
    5, 11, 12, 5, 5, 6, 5, 6, 6, 6, 6, 16, 15, 15, 9, 4,
]  # fmt: skip
RATS = [
    *[20] * 7, *[19] * 4, 18, 18, 17, *[20] * 4, 19, 19, 18, 18, 25, 24, 23, *[20] * 6, 10, 49, 19,
    46, 27, 17, 49, 47, 20, 20, 13, 48, 50, *[20] * 7, 48, 19, 19, 19, 22, 46, 49, 20, 20, 23, 19,
    22, 20, 20, 20, 52, 46, 47, 24, 14,
]  # fmt: skip


def test_the_experiments_are_the_published_ones():
    assert (len(TUMOURS), sum(TUMOURS), sum(RATS)) == (71, 267, 1739)


@pytest.mark.parametrize("points, tolerance", [((61, 10), 0.05), ((240, 120), 0.01)])
def test_hyperparameters_of_the_rat_tumours(points, tolerance):
    # Section 5.3, prior (a + b)^(-5/2): posterior means of a and b, 2.403 and 14.320 by own
    # integration; that the book prints 2.4 and 14.3 is from memory, not verified. The grid in
    # use is coarse; a fine one must agree closely.
    grid = learn(vague_grid(mean_points=points[0], strength_points=points[1]), TUMOURS, RATS)
    weight = np.exp(grid.log_weight)
    assert weight @ (grid.strength * grid.mean) == pytest.approx(2.403, abs=tolerance)
    assert weight @ (grid.strength * (1 - grid.mean)) == pytest.approx(14.320, abs=5 * tolerance)


@pytest.mark.parametrize(
    "left_out, mean, low, high",
    [
        (70, 0.211, 0.086, 0.378),  # the current experiment, 4 of 14
        (0, 0.064, 0.007, 0.164),  # one of those with 0 of 20
    ],
)
def test_posterior_of_single_experiments(left_out, mean, low, high):
    # By own integration; 95 % intervals, three decimals, Monte Carlo error up to .002.
    others = [i for i in range(71) if i != left_out]
    grid = learn(
        vague_grid(mean_points=240, strength_points=120),
        np.array(TUMOURS)[others],
        np.array(RATS)[others],
    )
    result = shrink(grid, TUMOURS[left_out], RATS[left_out], coverage=0.95)
    assert result.mean == pytest.approx(mean, abs=1e-3)
    assert (result.low, result.high) == pytest.approx((low, high), abs=2e-3)


def test_a_new_experiment_is_drawn_from_what_the_others_taught():
    # Mean .144, 95 % (.019, .360), by Monte Carlo, so within .002.
    grid = learn(vague_grid(mean_points=240, strength_points=120), TUMOURS, RATS)
    result = shrink(grid, 0, 0, coverage=0.95)
    assert (result.mean, result.low, result.high) == pytest.approx((0.144, 0.019, 0.360), abs=2e-3)
    assert result.prior_share == 1.0
