"""Information and its value on random tables: against scikit-learn and plain second forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from sklearn.metrics import mutual_info_score

from casebook.stats.information import (
    binary_test,
    entropy,
    expected_costs,
    information_gain,
    posterior,
    table_gain,
    value_of_check,
    value_of_perfect_information,
)


@st.composite
def problems(draw):
    """costs (actions, states), prior (states,), likelihood (states, results); some are 0."""
    states, results, actions = (draw(st.integers(1, 4)) for _ in range(3))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    weights = rng.random((states, results + 1)) * (rng.random((states, results + 1)) > 0.2)
    prior = weights[:, 0] + 1e-6
    given_state = weights[:, 1:] + 1e-9
    costs = rng.normal(0, 1000, (actions, states))
    return costs, prior / prior.sum(), given_state / given_state.sum(axis=1, keepdims=True)


def plain_entropy(row):
    total = sum(row)
    return -sum(x / total * math.log2(x / total) for x in row if x / total > 0)


def plain_gain(prior, likelihood):
    """Entropy before, less the average entropy after, result by result."""
    left = 0.0
    for r in range(len(likelihood[0])):
        joint = [p * row[r] for p, row in zip(prior, likelihood, strict=True)]
        if sum(joint) > 0:
            left += sum(joint) * plain_entropy(joint)
    return plain_entropy(prior) - left


def plain_least(costs, probabilities):
    return min(sum(c * p for c, p in zip(row, probabilities, strict=True)) for row in costs)


def plain_value(costs, prior, likelihood):
    """Average of the least cost after every result, by the tree."""
    after = 0.0
    for r in range(len(likelihood[0])):
        joint = [p * row[r] for p, row in zip(prior, likelihood, strict=True)]
        if sum(joint) > 0:
            after += sum(joint) * plain_least(costs, [x / sum(joint) for x in joint])
    return plain_least(costs, prior) - after


@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=8).filter(lambda row: sum(row) > 1e-3))
def test_entropy_equals_the_plain_sum_and_keeps_its_bounds(row):
    bits = float(entropy(row))
    assert bits == pytest.approx(plain_entropy(row), abs=1e-9)
    assert -1e-12 <= bits <= math.log2(len(row)) + 1e-9


@given(problems())
def test_gain_equals_the_tree_and_lies_between_nothing_and_all(problem):
    _, prior, likelihood = problem
    gain = float(information_gain(prior, likelihood))
    assert gain == pytest.approx(plain_gain(prior.tolist(), likelihood.tolist()), abs=1e-9)
    assert 0 <= gain <= float(entropy(prior)) + 1e-9


@given(
    st.lists(st.lists(st.integers(0, 30), min_size=3, max_size=3), min_size=2, max_size=4).filter(
        lambda table: sum(map(sum, table)) > 0
    )
)
def test_gain_of_a_table_of_counts_is_scikit_learns_mutual_information(table):
    pairs = [
        (row, column)
        for row, counts in enumerate(table)
        for column, n in enumerate(counts)
        for _ in range(n)
    ]
    theirs = mutual_info_score(*zip(*pairs, strict=True)) / math.log(2)
    assert float(table_gain(table)) == pytest.approx(theirs, abs=1e-9)


@given(problems())
def test_value_equals_the_tree_and_never_exceeds_that_of_knowing(problem):
    costs, prior, likelihood = problem
    worth = float(value_of_check(costs, prior, likelihood))
    assert worth == pytest.approx(plain_value(costs, prior, likelihood), abs=1e-6)
    assert 0 <= worth <= float(value_of_perfect_information(costs, prior)) + 1e-6


@given(problems())
def test_a_check_that_shows_the_state_is_worth_as_much_as_knowing_it(problem):
    costs, prior, _ = problem
    perfect = np.eye(len(prior))
    knowing = float(value_of_perfect_information(costs, prior))
    assert float(value_of_check(costs, prior, perfect)) == pytest.approx(knowing, abs=1e-6)
    assert float(information_gain(prior, perfect)) == pytest.approx(float(entropy(prior)))


@given(problems())
def test_a_check_that_shows_the_same_whatever_the_state_is_worth_nothing(problem):
    costs, prior, likelihood = problem
    same = np.tile(likelihood[0], (len(prior), 1))
    assert float(value_of_check(costs, prior, same)) == pytest.approx(0, abs=1e-6)
    assert float(information_gain(prior, same)) == pytest.approx(0, abs=1e-9)


@given(problems(), st.randoms(use_true_random=False))
def test_merging_two_results_never_tells_more(problem, random):
    costs, prior, likelihood = problem
    if likelihood.shape[1] < 2:
        likelihood = np.column_stack([likelihood / 3, 2 * likelihood / 3])
    a, b = random.sample(range(likelihood.shape[1]), 2)
    merged = likelihood.copy()
    merged[:, a] += merged[:, b]
    merged = np.delete(merged, b, axis=1)
    assert information_gain(prior, merged) <= information_gain(prior, likelihood) + 1e-9
    assert value_of_check(costs, prior, merged) <= value_of_check(costs, prior, likelihood) + 1e-6


@given(problems())
def test_what_results_say_averages_to_what_was_known_before(problem):
    _, prior, likelihood = problem
    chance, after = posterior(prior, likelihood)
    assert chance.sum() == pytest.approx(1)
    possible = chance > 0
    assert_allclose(after[:, possible] @ chance[possible], prior, atol=1e-9)
    assert np.isnan(after[:, ~possible]).all()


def test_many_draws_at_once_give_what_each_gives_alone():
    rng = np.random.default_rng(7)
    priors = rng.dirichlet([1, 2, 3], size=20)
    likelihood = rng.dirichlet([1, 1], size=(20, 3))
    costs = rng.normal(0, 100, (4, 3))
    for function, arguments in (
        (information_gain, (priors, likelihood)),
        (value_of_check, (np.broadcast_to(costs, (20, 4, 3)), priors, likelihood)),
        (value_of_perfect_information, (np.broadcast_to(costs, (20, 4, 3)), priors)),
        (expected_costs, (np.broadcast_to(costs, (20, 4, 3)), priors)),
    ):
        alone = [function(*(a[i] for a in arguments)) for i in range(20)]
        assert_allclose(function(*arguments), alone, atol=1e-9)
    # One table of costs serves all draws.
    assert_allclose(
        value_of_check(costs, priors, likelihood),
        [value_of_check(costs, p, k) for p, k in zip(priors, likelihood, strict=True)],
        atol=1e-9,
    )


@pytest.mark.parametrize(
    "call",
    [
        lambda: entropy([]),
        lambda: entropy([0, 0]),
        lambda: entropy([1, -1]),
        lambda: entropy([1, float("nan")]),
        lambda: entropy(1.0),
        lambda: table_gain([1, 2]),
        lambda: information_gain([0.5, 0.6], np.eye(2)),
        lambda: information_gain([0.5, 0.5], [[1, 0], [0.5, 0.4]]),
        lambda: information_gain([0.5, 0.5], [1, 0]),
        lambda: information_gain([1.0], np.eye(2)),
        lambda: posterior([0.2, 0.3, 0.5], np.eye(2)),
        lambda: binary_test(1.1, 0.5),
        lambda: binary_test(float("nan"), 0.5),
        lambda: expected_costs([1, 2], [0.5, 0.5]),
        lambda: expected_costs([[1, float("inf")]], [0.5, 0.5]),
        lambda: expected_costs([[1, 2, 3]], [0.5, 0.5]),
        lambda: value_of_perfect_information([[1, 2, 3]], [0.5, 0.5]),
        lambda: value_of_check([[1, 2, 3]], [0.5, 0.5], np.eye(2)),
    ],
)
def test_impossible_input_is_refused(call):
    with pytest.raises(ValueError):
        call()
