"""The other ways to foretell are what they are said to be, and so is what judges them."""

from __future__ import annotations

import numpy as np
import pytest

from casebook.stats.calibration import seen_weights
from tests.benchmarks.calibration import BREAK_EVENS, regret_ratio
from tests.benchmarks.forecasters import by_base_rate, by_boosting, by_code, known_outcomes
from tests.benchmarks.outcome_worlds import draw_split, shuffle_within
from tests.simulator.outcomes import REGIMES

YEAR = 365.0


@pytest.fixture(scope="module")
def split():
    return draw_split(3, REGIMES["first"], cases=700, queries=40, shops=15)


def test_no_shop_is_on_both_sides(split):
    assert not set(split.past.shops) & set(split.asking.shops)
    assert len(split.asking) == 40
    assert [case["id"] for case in split.past.cases[:3]] == ["00000000", "00000001", "00000002"]


def test_weights_for_the_lost_are_those_of_another_hand(split):
    """Two implementations that share no code."""
    outcomes = split.past.outcomes
    held, weight = known_outcomes(outcomes, YEAR)
    theirs = seen_weights(outcomes.event_days, outcomes.event, YEAR)
    np.testing.assert_array_equal(held.astype(bool), theirs[0])
    np.testing.assert_allclose(weight, theirs[1])


def test_base_rates_equal_a_plain_loop(split):
    past, outcomes = split.past.cases, split.past.outcomes
    ours = by_base_rate(past, outcomes, split.asking.cases, YEAR)
    held, weight = known_outcomes(outcomes, YEAR)
    for row, query in enumerate(split.asking.cases[:10]):
        for level in range(4):
            at = [i for i in range(len(past)) if outcomes.first[i] == level]
            usual = sum(weight[i] * held[i] for i in at) / sum(weight[i] for i in at)
            own = [i for i in at if past[i]["unit_kind"] == query["unit_kind"]]
            good = sum(weight[i] * held[i] for i in own) + 2 * usual
            assert ours[row, level] == pytest.approx(good / (sum(weight[i] for i in own) + 2))


def test_code_rates_equal_a_plain_loop(split):
    past, outcomes = split.past.cases, split.past.outcomes
    ours = by_code(past, outcomes, split.asking.cases, YEAR)
    usual = by_base_rate(past, outcomes, split.asking.cases, YEAR)
    held, weight = known_outcomes(outcomes, YEAR)
    for row, query in enumerate(split.asking.cases[:10]):
        codes = {code["code"] for code in query["codes"]}
        alike = [
            i
            for i, case in enumerate(past)
            if case["unit_kind"] == query["unit_kind"]
            and codes & {code["code"] for code in case["codes"]}
        ]
        for level in range(4):
            own = [i for i in alike if outcomes.first[i] == level]
            good = sum(weight[i] * held[i] for i in own) + 2 * usual[row, level]
            assert ours[row, level] == pytest.approx(good / (sum(weight[i] for i in own) + 2))


def test_boosting_learns_from_the_evidence(split):
    """Of the cases it has seen it knows more than the rates; it says something of every level."""
    past, outcomes = split.past.cases, split.past.outcomes
    ordered = [f"{kind.name}-wear" for kind in split.layer.world.kinds]
    forecast = by_boosting(past, outcomes, past, YEAR, ordered=ordered)
    usual = by_base_rate(past, outcomes, past, YEAR)
    held, weight = known_outcomes(outcomes, YEAR)
    at = (np.arange(len(past)), outcomes.first)
    assert ((forecast > 0) & (forecast < 1)).all()
    ours, theirs = (np.average(np.square(p[at] - held), weights=weight) for p in (forecast, usual))
    assert ours < theirs - 0.01


def test_knowing_the_truth_has_no_regret_and_one_answer_for_all_has_all_of_it():
    truth = np.random.default_rng(1).random(500)
    assert regret_ratio(truth, truth) == 0
    always = [regret_ratio(np.full(500, chance), truth) for chance in (0.0, 1.0)]
    assert min(always) >= 1
    best = sum(min((truth - b).clip(0).sum(), (b - truth).clip(0).sum()) for b in BREAK_EVENS)
    wrong = sum(abs(truth - b)[truth >= b].sum() for b in BREAK_EVENS)
    assert always[0] == pytest.approx(wrong / best)


def test_shuffled_outcomes_stay_in_their_shop(split):
    outcomes, shop = split.past.outcomes, split.past.shops
    mixed = shuffle_within(outcomes, shop, np.random.default_rng(2))
    assert mixed.cases == outcomes.cases
    assert (mixed.event_days != outcomes.event_days).mean() > 0.5
    for name in np.unique(shop):
        own = shop == name
        # What became of a case stays together.
        before, after = (
            sorted(zip(o.first[own], o.event[own], o.event_days[own], strict=True))
            for o in (outcomes, mixed)
        )
        assert before == after
