"""Measures of a ranking against published examples, a library and plain loops."""

import math

import numpy as np
import pytest
import pytrec_eval
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from sklearn.metrics import average_precision_score, ndcg_score

from search.core.evaluation import (
    average_precision,
    best_places,
    bootstrap_interval,
    cumulated_gain,
    ndcg_at,
    precision_at,
    reciprocal_rank,
)

# Järvelin & Kekäläinen 2002, ACM TOIS 20:422-446: the running example, b = 2. G and DCG seen in
# stored lecture notes; the ideal vector's values were computed from the definition.
GAINS = [3, 2, 3, 0, 0, 1, 2, 2, 3, 0]
IDEAL = [3, 3, 3, 2, 2, 2, 1, 1, 1, 1]


def read_ranking(text):
    return [mark == "R" for mark in text if mark != " "]


def test_cumulated_gain_matches_jarvelin_and_kekalainen_2002():
    printed = [3, 5, 6.89, 6.89, 6.89, 7.28, 7.99, 8.66, 9.61, 9.61]
    assert_allclose(cumulated_gain(GAINS, convention="log2(i)"), printed, rtol=0, atol=5.1e-3)


def test_ideal_gain_and_ndcg_of_the_same_example():
    ideal = [3, 6, 7.89, 8.89, 9.75, 10.53, 10.88, 11.22, 11.53, 11.83]
    assert_allclose(cumulated_gain(IDEAL, convention="log2(i)"), ideal, rtol=0, atol=5.1e-3)
    shares = [1, 0.83, 0.87, 0.78, 0.71, 0.69, 0.73, 0.77, 0.83, 0.81]
    ours = [ndcg_at(GAINS, IDEAL, k, convention="log2(i)") for k in range(1, 11)]
    assert_allclose(ours, shares, rtol=0, atol=5.1e-3)


def test_the_reported_convention_on_the_same_gains():
    # Computed with scikit-learn and pytrec_eval, which agree.
    assert cumulated_gain(GAINS)[-1] == pytest.approx(8.3188, abs=5e-5)
    assert ndcg_at(GAINS, GAINS, 10) == pytest.approx(0.9168, abs=5e-5)


def test_the_reported_convention_on_six_gains():
    # Computed from the definition: <3,2,3,0,1,2> against <3,3,3,2,2,2>.
    assert cumulated_gain([3, 2, 3, 0, 1, 2])[-1] == pytest.approx(6.861, abs=5e-4)
    assert cumulated_gain([3, 3, 3, 2, 2, 2])[-1] == pytest.approx(8.740, abs=5e-4)
    assert ndcg_at([3, 2, 3, 0, 1, 2], [3, 3, 3, 2, 2, 2], 6) == pytest.approx(0.785, abs=5e-4)


@pytest.mark.parametrize(
    "ranking, value", [("RRNNN NNNRN RNNNR NNNNR", 0.4163), ("RRNNN NNRRR RNNNR NNNNN", 0.5414)]
)
def test_average_precision_matches_iir_exercise_8_8(ranking, value):
    # Manning, Raghavan & Schütze 2008, chapter 8, 8 relevant in all; seen in stored solutions.
    # Their mean, printed .48, follows.
    assert average_precision(read_ranking(ranking), 8) == pytest.approx(value, abs=5e-5)


def test_precision_matches_the_same_exercise():
    assert precision_at(read_ranking("RRNNN NNNRN RNNNR NNNNR"), 20) == pytest.approx(0.30)


@pytest.mark.parametrize(
    "ranks, in_all, printed", [([1, 3, 6, 9, 10], 5, 0.62), ([2, 5, 7], 3, 0.44)]
)
def test_average_precision_matches_croft_et_al(ranks, in_all, printed):
    # Croft, Metzler & Strohman 2010, chapter 8; that the book prints these: from memory, not
    # verified. Printed to 2 decimals.
    relevant = [rank in ranks for rank in range(1, 11)]
    assert average_precision(relevant, in_all) == pytest.approx(printed, abs=5e-3)


def test_mean_reciprocal_rank_of_first_hits_at_ranks_3_2_1():
    # Computed from the definition: (1/3 + 1/2 + 1) / 3.
    rankings = [[False, False, True], [False, True, True], [True, False, False]]
    mean = sum(map(reciprocal_rank, rankings)) / 3
    assert mean == pytest.approx(0.6111, abs=5e-5)


@pytest.mark.parametrize("k", [1, 3, 10, 40])
def test_ndcg_equals_scikit_learns_on_random_rankings(k):
    rng = np.random.default_rng(4)
    for _ in range(30):
        gains = rng.choice([0.0, 0.25, 2.0], size=30, p=[0.6, 0.3, 0.1])
        gains[0] = 2.0
        scores = rng.permutation(30).astype(float)  # no ties: the library averages over them
        expected = ndcg_score([gains], [scores], k=k)
        assert ndcg_at(gains[np.argsort(-scores)], gains, k) == pytest.approx(expected, abs=1e-12)


def test_average_precision_equals_scikit_learns_on_random_rankings():
    rng = np.random.default_rng(5)
    for _ in range(30):
        relevant = rng.random(25) < 0.3
        relevant[7] = True
        scores = rng.permutation(25).astype(float)
        expected = average_precision_score(relevant, scores)
        ours = average_precision(relevant[np.argsort(-scores)], int(relevant.sum()))
        assert ours == pytest.approx(expected, abs=1e-12)


# pytrec_eval takes whole numbers for gains, and gains linearly as we do: 8 and 1 stand for 2 and
# 0.25. Scores without ties: it breaks them by document name, backwards.
@given(
    gains=st.lists(st.sampled_from([0, 0, 1, 8]), min_size=1, max_size=30),
    found=st.integers(0, 30),
    k=st.sampled_from([5, 10, 20]),
)
def test_measures_equal_pytrec_evals_on_random_rankings(gains, found, k):
    ranking = gains[:found]
    if not any(gains):
        return  # it answers 0 where we say that nothing is known
    library = pytrec_eval.RelevanceEvaluator(
        {"q": {f"d{i}": gain for i, gain in enumerate(gains)}},
        {f"ndcg_cut.{k}", f"P.{k}", "recip_rank"},
        relevance_level=1,
    )
    run = {f"d{i}": float(-i) for i in range(len(ranking))} or {"unjudged": 0.0}
    theirs = library.evaluate({"q": run})["q"]
    assert ndcg_at(ranking, gains, k) == pytest.approx(theirs[f"ndcg_cut_{k}"], abs=1e-9)
    assert precision_at(np.array(ranking) > 0, k) == pytest.approx(theirs[f"P_{k}"], abs=1e-9)
    first = reciprocal_rank(np.array(ranking) > 0)
    assert first == pytest.approx(theirs["recip_rank"], abs=1e-9)


def test_gains_are_linear():
    # An exponential gain, 2^g - 1, would make the second ranking (7 + 3/log2(3)) : (3 + 7/log2(3)).
    best, other = ndcg_at([3, 2], [3, 2], 2), ndcg_at([2, 3], [3, 2], 2)
    assert other / best == pytest.approx((2 + 3 / math.log2(3)) / (3 + 2 / math.log2(3)))


def naive_ndcg(gains, available, k):
    found = sum(gain / math.log2(i + 2) for i, gain in enumerate(gains[:k]))
    best = sorted(available, reverse=True)[:k]
    return found / sum(gain / math.log2(i + 2) for i, gain in enumerate(best))


def naive_average_precision(relevant, in_all):
    total = 0.0
    for rank in range(1, len(relevant) + 1):
        if relevant[rank - 1]:
            total += sum(relevant[:rank]) / rank
    return total / in_all


def naive_reciprocal_rank(relevant):
    for rank, hit in enumerate(relevant, start=1):
        if hit:
            return 1 / rank
    return 0.0


def test_measures_equal_plain_loops_where_not_everything_was_found():
    rng = np.random.default_rng(6)
    for _ in range(100):
        available = rng.choice([0.0, 0.25, 2.0], size=40)
        available[3] = 2.0
        gains = rng.permutation(available)[: rng.integers(0, 40)].tolist()
        relevant, in_all = [gain == 2.0 for gain in gains], int((available == 2.0).sum())
        k = int(rng.integers(1, 50))
        assert ndcg_at(gains, available, k) == pytest.approx(naive_ndcg(gains, available, k))
        assert average_precision(relevant, in_all) == pytest.approx(
            naive_average_precision(relevant, in_all)
        )
        assert reciprocal_rank(relevant) == pytest.approx(naive_reciprocal_rank(relevant))
        assert precision_at(relevant, k) == pytest.approx(sum(relevant[:k]) / k)


def test_a_short_answer_is_not_flattered():
    assert precision_at([True], 10) == pytest.approx(0.1)
    assert ndcg_at([2.0], [2.0, 2.0], 10) < 1.0


def test_nothing_to_find_is_neither_good_nor_bad():
    assert math.isnan(ndcg_at([0.0, 0.0], [0.0, 0.0, 0.0], 10))
    assert math.isnan(average_precision([False], 0))


def test_nothing_found_is_worth_nothing():
    assert ndcg_at([], [2.0], 10) == 0.0
    assert reciprocal_rank([]) == 0.0


@pytest.mark.parametrize(
    "call",
    [
        lambda: precision_at([True], 0),
        lambda: ndcg_at([1.0], [1.0], 0),
        lambda: ndcg_at([-1.0], [1.0], 3),
        lambda: ndcg_at([1.0], [math.nan], 3),
        lambda: average_precision([True, True], 1),
        lambda: bootstrap_interval([], [], seed=1),
        lambda: bootstrap_interval([1.0, math.nan], [1, 2], seed=1),
        lambda: bootstrap_interval([1.0, 2.0], [1], seed=1),
        lambda: bootstrap_interval([1.0, 2.0], [1, 2], seed=1, confidence=1.0),
    ],
)
def test_impossible_input_is_refused(call):
    with pytest.raises(ValueError):
        call()


def test_best_places_are_those_of_the_highest_scores_ties_by_place():
    scores = np.array([[0.5, 0.9, 0.0, 0.5], [0.0, 0.0, 0.0, 0.0]])
    assert [row.tolist() for row in best_places(scores, 3)] == [[1, 0, 3], []]
    assert [row.tolist() for row in best_places(scores, 2)] == [[1, 0], []]


def test_bootstrap_interval_equals_drawing_the_cases_one_by_one():
    rng = np.random.default_rng(7)
    values, shops = rng.random(60), rng.integers(0, 9, size=60)
    labels = np.unique(shops)
    drawn = np.random.default_rng(11).integers(len(labels), size=(300, len(labels)))
    means = [np.concatenate([values[shops == labels[s]] for s in draw]).mean() for draw in drawn]
    expected = np.quantile(means, [0.05, 0.95])
    ours = bootstrap_interval(values, shops, seed=11, resamples=300, confidence=0.9)
    assert_allclose(ours, expected, rtol=1e-12)


def test_bootstrap_over_shops_is_wider_than_over_cases_when_shops_differ():
    rng = np.random.default_rng(8)
    shops = np.repeat(np.arange(12), 20)
    values = rng.normal(size=12)[shops] + 0.1 * rng.normal(size=240)
    low, high = bootstrap_interval(values, shops, seed=1)
    case_low, case_high = bootstrap_interval(values, np.arange(240), seed=1)
    assert high - low > 2 * (case_high - case_low)


def test_bootstrap_over_one_shop_says_nothing():
    low, high = bootstrap_interval([0.2, 0.4], ["a", "a"], seed=1)
    assert low == high == pytest.approx(0.3)


def test_the_same_seed_gives_the_same_interval():
    values, shops = np.arange(30) / 30, np.arange(30) % 7
    first, second = (bootstrap_interval(values, shops, seed=3) for _ in range(2))
    assert first.tolist() == second.tolist()
