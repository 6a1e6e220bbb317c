"""Measures of forecasts: published examples, plain loops, scikit-learn, what must always hold."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss
from sklearn.metrics import log_loss as reference_log_loss

from casebook.stats.calibration import (
    LEAST_CHANCE,
    MOST_WEIGHT,
    brier_score,
    calibration_error,
    decompose_brier,
    log_loss,
    reliability_table,
    seen_weights,
)
from casebook.stats.durability import CAME_BACK, CENSORED, GONE

# Ten rain forecasts. Brier 1950, Monthly Weather Review 78:1 (from memory, not verified).
RAIN = [0.7, 0.9, 0.8, 0.4, 0.2, 0, 0, 0, 0, 0.1]
RAINED = [0, 1, 1, 1, 0, 0, 0, 0, 0, 0]

forecasts_and_outcomes = st.lists(
    st.tuples(st.floats(0, 1), st.integers(0, 1), st.floats(0.01, 5)), min_size=1, max_size=40
)


def test_brier_score_matches_brier_1950():
    # He sums over rain and no rain: twice the form of today.
    assert 2 * brier_score(RAIN, RAINED) == pytest.approx(0.19)


def test_murphys_parts_of_briers_forecasts():
    parts = decompose_brier(RAIN, RAINED)
    assert (parts.reliability, parts.resolution, parts.uncertainty) == pytest.approx(
        (0.095, 0.210, 0.210)
    )


def test_forecasts_that_come_true_as_stated_have_no_reliability_term():
    # Forecasts of .2 and .8, five each; one and four come true.
    p, y = [0.2] * 5 + [0.8] * 5, [1, 0, 0, 0, 0, 1, 1, 1, 1, 0]
    parts = decompose_brier(p, y)
    assert brier_score(p, y) == pytest.approx(0.16)
    assert (parts.reliability, parts.resolution, parts.uncertainty) == pytest.approx(
        (0, 0.09, 0.25)
    )
    assert calibration_error(p, y) == pytest.approx(0.0)


def test_calibration_error_of_three_bins():
    p = [0.1] * 10 + [0.5] * 10 + [0.9] * 10
    y = [1] * 2 + [0] * 8 + [1] * 5 + [0] * 5 + [1] * 8 + [0] * 2
    assert calibration_error(p, y) == pytest.approx(0.2 / 3)
    assert brier_score(p, y) == pytest.approx(0.0067 - 0.06 + 0.25, abs=5e-5)
    table = reliability_table(p, y)
    found, stated = calibration_curve(y, p, n_bins=10)
    filled = table.share > 0
    np.testing.assert_allclose(table.stated[filled], stated)
    np.testing.assert_allclose(table.found[filled], found)


@given(forecasts_and_outcomes)
def test_scores_equal_scikit_learns(rows):
    p, y, w = map(np.array, zip(*rows, strict=True))
    assert brier_score(p, y, weights=w) == pytest.approx(
        brier_score_loss(y, p, sample_weight=w, pos_label=1)
    )
    held = p.clip(LEAST_CHANCE, 1 - LEAST_CHANCE)
    assert log_loss(p, y, weights=w) == pytest.approx(
        reference_log_loss(y, held, sample_weight=w, labels=[0, 1])
    )


@given(forecasts_and_outcomes, st.integers(1, 12))
@settings(max_examples=60)
def test_calibration_error_equals_a_plain_loop(rows, bins):
    total = sum(w for _, _, w in rows)
    expected = 0.0
    for number in range(bins):
        low, high = number / bins, (number + 1) / bins
        inside = [r for r in rows if low <= r[0] < high or (number == bins - 1 and r[0] == 1)]
        if inside:
            expected += abs(sum(w * (p - y) for p, y, w in inside)) / total
    p, y, w = map(np.array, zip(*rows, strict=True))
    assert calibration_error(p, y, weights=w, bins=bins) == pytest.approx(expected, abs=1e-12)


def test_every_tenth_falls_into_the_bin_that_it_opens():
    tenths = np.arange(10) / 10
    table = reliability_table(tenths, np.zeros(10))
    np.testing.assert_allclose(table.share, 0.1)
    np.testing.assert_allclose(table.stated, tenths)


def test_a_weight_of_two_counts_as_two_cases():
    once = [0.3, 0.3, 0.8], [0, 0, 1]
    assert brier_score([0.3, 0.8], [0, 1], weights=[2, 1]) == pytest.approx(brier_score(*once))
    assert log_loss([0.3, 0.8], [0, 1], weights=[2, 1]) == pytest.approx(log_loss(*once))


def test_a_perfect_forecaster_of_500_shows_an_error_of_nearly_a_twentieth():
    """Why the error is judged on ten thousand."""
    rng = np.random.default_rng(4)

    def shown(count):
        p = rng.random((200, count))
        y = rng.random((200, count)) < p
        return np.mean([calibration_error(*pair) for pair in zip(p, y, strict=True)])

    assert shown(500) == pytest.approx(0.045, abs=0.003)
    assert shown(10_000) == pytest.approx(0.010, abs=0.001)


def test_a_certain_forecast_that_fails_costs_much_and_not_infinitely_much():
    assert log_loss([1.0], [0]) == pytest.approx(-math.log(LEAST_CHANCE))


@given(
    st.lists(
        st.tuples(st.integers(0, 30), st.sampled_from([CENSORED, CAME_BACK, GONE])), min_size=1
    ),
    st.integers(1, 30),
)
def test_weights_of_what_was_seen_equal_a_plain_loop(rows, horizon):
    days, events = np.array(rows).T
    held, weight = seen_weights(days, events, horizon)
    for place, (day, event) in enumerate(rows):
        assert held[place] == (event != CAME_BACK or day > horizon)
        if event == CENSORED and day < horizon:
            assert weight[place] == 0
            continue
        followed = 1.0
        for before in range(min(day, horizon)):
            there = sum(1 for d, _ in rows if min(d, horizon) >= before)
            gone = sum(1 for d, e in rows if d == before and e == CENSORED and d < horizon)
            followed *= 1 - gone / there
        assert weight[place] == pytest.approx(min(1 / followed, MOST_WEIGHT) if followed else 10)


def test_weights_make_up_for_what_was_lost():
    """Failures come early and losses too: the rate of the seen misleads, the weighted one not."""
    rng = np.random.default_rng(8)
    fails, lost = rng.exponential(400, 40_000), rng.exponential(300, 40_000)
    events = np.where(fails <= lost, CAME_BACK, CENSORED)
    held, weight = seen_weights(np.minimum(fails, lost), events, 365)
    truth = math.exp(-365 / 400)
    assert np.average(held, weights=weight) == pytest.approx(truth, abs=0.01)
    assert held[weight > 0].mean() < truth - 0.1


@pytest.mark.parametrize(
    "arguments",
    [
        ([], []),
        ([0.2], [0.5]),
        ([1.2], [1]),
        ([math.nan], [1]),
        ([0.2, 0.3], [1]),
        ([[0.2]], [[1]]),
    ],
)
def test_what_is_no_forecast_is_refused(arguments):
    for measure in (brier_score, log_loss, calibration_error, decompose_brier):
        with pytest.raises(ValueError):
            measure(*arguments)


@pytest.mark.parametrize("weights", [[-1.0], [0.0], [math.inf], [1.0, 1.0]])
def test_weights_that_cannot_be_are_refused(weights):
    with pytest.raises(ValueError):
        brier_score([0.2], [1], weights=weights)


def test_horizons_and_bins_that_cannot_be_are_refused():
    with pytest.raises(ValueError):
        seen_weights([1.0], [CENSORED], 0)
    with pytest.raises(ValueError):
        seen_weights([-1.0], [CENSORED], 10)
    with pytest.raises(ValueError):
        reliability_table([0.5], [1], bins=0)
