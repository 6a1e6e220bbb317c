"""Plans as decision trees: against an enumeration, a simulation, and what must always hold."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from casebook.stats.decisions import (
    Ladder,
    beta_like,
    break_even,
    cost_plans,
    failing_factors,
    policy_costs,
)
from casebook.stats.information import value_of_check
from casebook.stats.survivability import expected_months, share_surviving
from tests.stats.ladders import (
    COMPONENT,
    LEAVE,
    OVERHAUL,
    REPLACE_NEW,
    REPLACE_USED,
    SERVICE,
    enumerate_plans,
    simple_ladder,
    simulate_plan,
    some_ladder,
)

seeds = st.integers(0, 2**32 - 1)


@settings(max_examples=40, deadline=None)
@given(seeds)
def test_plans_cost_what_the_best_of_all_policies_costs(seed):
    ladder = some_ladder(seed)
    assert_allclose(cost_plans(ladder).plans, enumerate_plans(ladder), rtol=1e-9)


@pytest.mark.parametrize("plan", [SERVICE, COMPONENT, OVERHAUL, REPLACE_USED])
def test_plans_cost_what_many_vehicles_cost_on_average(plan):
    ladder = some_ladder(8)
    costed = cost_plans(ladder)
    mean, error = simulate_plan(ladder, plan, costed.choice, vehicles=8_000, seed=plan)
    assert abs(mean - costed.plans[plan]) < 4 * error


def test_many_decisions_at_once_are_many_decisions():
    ladders = some_ladder(3, (4, 5))
    costed = cost_plans(ladders)
    for i in range(4):
        for j in range(5):
            one = Ladder(*(getattr(ladders, field.name)[i, j] for field in fields(Ladder)))
            assert_allclose(costed.plans[i, j], cost_plans(one).plans)
            assert_allclose(costed.choice[i, j], cost_plans(one).choice)


@settings(max_examples=60, deadline=None)
@given(
    seeds, st.sampled_from(["cost", "failure", "replace", "again", "leave"]), st.floats(0, 4_000)
)
def test_no_plan_gets_cheaper_when_a_price_rises(seed, price, more):
    ladder = some_ladder(seed)
    dearer = replace(ladder, **{price: getattr(ladder, price) + more})
    assert np.all(cost_plans(dearer).plans >= cost_plans(ladder).plans - 1e-9)


@settings(max_examples=60, deadline=None)
@given(seeds, st.integers(0, 2), st.floats(0, 1))
def test_a_plan_never_costs_more_when_its_repair_holds_more_often(seed, level, share):
    # Failing is never better than holding: what follows costs nothing or something.
    ladder = some_ladder(seed)
    holds = ladder.holds.copy()
    holds[level] += share * (1 - holds[level])
    assert np.all(cost_plans(replace(ladder, holds=holds)).plans <= cost_plans(ladder).plans + 1e-9)


@settings(max_examples=60, deadline=None)
@given(seeds, st.sampled_from([COMPONENT, OVERHAUL, REPLACE_USED, REPLACE_NEW, LEAVE]))
def test_at_the_break_even_both_plans_cost_the_same(seed, other):
    ladder = some_ladder(seed)
    costed = cost_plans(ladder)
    failed = ladder.discount[SERVICE] * costed.failed[SERVICE]
    p = float(break_even(ladder.cost[SERVICE], failed, costed.plans[other]))
    if 0 <= p <= 1:
        at = replace(ladder, holds=np.array([p, *ladder.holds[1:]]))
        assert cost_plans(at).plans[SERVICE] == pytest.approx(costed.plans[other])
    else:
        always = ladder.cost[SERVICE] + np.array(
            [0, failed]
        )  # holds for certain, fails for certain
        assert (
            np.all(always < costed.plans[other]) if p < 0 else np.all(always > costed.plans[other])
        )


def test_break_even_is_the_formula_with_every_term():
    # p* = (Cs + d (D + M) - R) / (d (D + M)).
    service, d, comeback, m, r = 240.0, 0.9, 210.0, 1_900.0, 1_500.0
    by_hand = (service + d * (comeback + m) - r) / (d * (comeback + m))
    assert break_even(service, d * (comeback + m), r) == pytest.approx(by_hand)
    assert np.isnan(break_even(service, 0.0, r))


def test_the_way_on_after_a_failure_is_chosen_on_the_average_not_by_each_draw():
    # After the service a component repair holds either always or never: nobody knows which.
    ladder = replace(
        simple_ladder(service=100, holds=0.0, failure=0, replacement=1_000),
        cost=np.array([100, 400, np.inf]),
        after=np.array([[np.nan, 0.5, np.nan], [np.nan] * 3, [np.nan] * 3]),
    )
    mean = cost_plans(ladder)
    draws = replace(ladder, after=np.stack([ladder.after * 0, ladder.after * 2]))
    fixed = cost_plans(draws, choice=mean.choice)
    assert fixed.plans[:, SERVICE].mean() == pytest.approx(mean.plans[SERVICE])
    clairvoyant = cost_plans(draws)
    assert clairvoyant.plans[:, SERVICE].mean() < fixed.plans[:, SERVICE].mean()


def test_what_is_not_known_makes_only_the_plans_that_need_it_unknown():
    ladder = some_ladder(5)
    unknown = replace(ladder, holds=np.array([0.5, np.nan, 0.5]))
    plans = cost_plans(unknown).plans
    assert np.isnan(plans[COMPONENT])
    assert np.isfinite(np.delete(plans, COMPONENT)).all()
    stuck = simple_ladder(service=100, holds=0.5, failure=0, replacement=np.inf)
    assert np.isinf(cost_plans(stuck).plans[SERVICE])
    sure = simple_ladder(service=100, holds=1.0, failure=0, replacement=np.inf)
    assert cost_plans(sure).plans[SERVICE] == 100


@pytest.mark.parametrize(
    "change",
    [
        {"holds": np.array([1.2, 0.5, 0.5])},
        {"discount": np.zeros(3)},
        {"cost": np.array([-1.0, 2, 3])},
        {"leave": np.array(np.nan)},
    ],
)
def test_impossible_ladders_are_refused(change):
    with pytest.raises(ValueError):
        cost_plans(replace(some_ladder(1), **change))


def test_a_failure_makes_it_less_likely_that_the_next_level_does():
    # Of twenty cases 10 took a service, 5 a component, 3 an overhaul, 2 another unit.
    factors = failing_factors([10, 5, 3, 2])
    assert factors[0, 1] == pytest.approx((5 / 10) / (15 / 20))
    assert factors[0, 2] == pytest.approx((8 / 10) / (18 / 20))
    assert factors[1, 2] == pytest.approx((3 / 5) / (18 / 20))
    assert np.isnan(factors[2]).all()
    with pytest.raises(ValueError):
        failing_factors([1, -1, 0, 2])


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0.01, 50), min_size=4, max_size=4))
def test_a_failure_never_makes_a_higher_level_likelier_to_do(shares):
    factors = failing_factors(shares)
    known = factors[np.isfinite(factors)]
    assert len(known) == 3
    assert np.all((known >= 0) & (known <= 1 + 1e-12))


@settings(max_examples=40, deadline=None)
@given(seeds, st.booleans())
def test_every_way_through_costs_what_walking_it_costs(seed, can_leave):
    r = np.random.default_rng(seed)
    cost, failure, replacement = r.uniform(10, 900, 3), r.uniform(0, 300), r.uniform(500, 3_000)
    leave = r.uniform(100, 4_000) if can_leave else np.inf
    ways, first = policy_costs(cost, failure=failure, replacement=replacement, leave=leave)
    walked = []
    for tried in [t for n in range(8) for t in [[i for i in range(3) if n >> i & 1]]]:
        for name, end in ((3, replacement), (6, leave)):
            if np.isinf(end):
                continue
            row = []
            for state in range(4):
                total = 0.0
                for level in tried:
                    total += cost[level]
                    if level >= state:
                        break
                    total += failure
                else:
                    total += end
                row.append(total)
            walked.append((tuple(row), tried[0] if tried else name))
    assert len(ways) == len(walked)
    assert_allclose(ways, [row for row, _ in walked])
    assert first.tolist() == [step for _, step in walked]


@settings(max_examples=60, deadline=None)
@given(seeds)
def test_a_free_check_is_never_worth_less_than_nothing_and_one_that_tells_nothing_is_worth_nothing(
    seed,
):
    r = np.random.default_rng(seed)
    ways, _ = policy_costs(r.uniform(10, 900, 3), failure=100, replacement=2_000, leave=1_500)
    belief = r.dirichlet(np.ones(4))
    telling = r.dirichlet(np.ones(5), 4)
    assert value_of_check(ways, belief, telling) >= 0
    silent = np.repeat(telling[:1], 4, axis=0)
    assert value_of_check(ways, belief, silent) == pytest.approx(0, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.02, 0.98), st.floats(2, 500))
def test_a_beta_distribution_is_found_again_from_its_interval(mean, strength):
    from scipy.stats import beta

    a, b = mean * strength, (1 - mean) * strength
    low, high = beta.ppf([0.05, 0.95], a, b)
    if not 1e-9 < low <= mean <= high < 1 - 1e-9:
        return
    found = beta_like([mean], [low], [high], coverage=0.9)[:, 0]
    assert_allclose(beta.ppf(0.95, *found) - beta.ppf(0.05, *found), high - low, rtol=2e-3)
    assert found[0] / found.sum() == pytest.approx(mean)


def test_months_on_the_road_never_exceed_those_asked_and_fall_with_age():
    months = [float(expected_months(age, 24, "car")) for age in (0, 5, 12, 20, 40)]
    assert months == sorted(months, reverse=True)
    assert 0 < months[-1] < months[0] <= 24
    assert_allclose(expected_months(7, [0.0, 1.0], "car"), [0, 1], atol=0.01)


def test_months_on_the_road_are_those_of_simulated_vehicles():
    r = np.random.default_rng(11)
    drawn = r.random(40_000)
    # The age at which each of them goes, by the inverse of the curve; those gone before 9 left out.
    ages = np.linspace(0, 60, 60 * 240)
    gone = np.interp(drawn, 1 - share_surviving(ages, "light_truck"), ages)
    left = np.minimum(gone[gone > 9] - 9, 3) * 12
    assert left.mean() == pytest.approx(float(expected_months(9, 36, "light_truck")), rel=0.01)


def test_impossible_ages_are_refused():
    for bad in (-1, np.nan):
        with pytest.raises(ValueError):
            share_surviving(bad, "car")
    with pytest.raises(ValueError):
        share_surviving(3, "boat")
    with pytest.raises(ValueError):
        expected_months(3, -2, "car")
