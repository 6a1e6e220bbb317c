"""Comparing plans: what the numbers are, where they come from, and what is said beside them."""

from __future__ import annotations

import json
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from casebook.outcomes.costs import (
    AttemptCost,
    labour_rate,
    read_attempt_costs,
    settle_costs,
    stated_figure,
    usual_currency,
)
from casebook.outcomes.plan_answers import (
    PLAN_CAVEATS,
    Setting,
    describe_plans,
    money,
    plan_caveats,
)
from casebook.outcomes.plan_sensitivity import NO_PLAN, vary_inputs
from casebook.outcomes.planning import (
    mean_failing_days,
    prefer_followed,
    resolution_counts,
    source_chance,
)
from casebook.outcomes.plans import (
    CHANCES,
    DRAWS,
    PLAN_NAMES,
    Chance,
    Question,
    build_ladder,
    compare_plans,
    cost_range,
    draw_chances,
    months_of_use,
    service_break_even,
    steps_of,
)
from casebook.stats.decisions import cost_plans
from tests.outcomes.worlds import (
    CAME_BACK,
    COMPONENT,
    GONE,
    LAST_SEEN,
    REPLACEMENT,
    SERVICE,
    make_neighbours,
    repeat,
)
from tests.stats.ladders import enumerate_plans

COSTS = {
    "service": 240, "component": 620, "overhaul": 1_500, "replacement.used": 1_900,
    "replacement.remanufactured": 3_200, "diagnosis": 90, "comeback": 120, "value_working": 4_500,
    "value_not_working": 600,
}  # fmt: skip
HOLDS = {
    "service": 0.5, "component": 0.7, "overhaul": 0.8, "replacement.used": 0.85,
    "replacement.remanufactured": 0.95,
}  # fmt: skip


def ask(costs=COSTS, holds=HOLDS, *, origin="outlook", **more):
    chances = {
        name: Chance(p, max(p - 0.1, 0.01), min(p + 0.1, 0.99), origin, 20)
        for name, p in holds.items()
    }
    question = Question(
        costs={name: stated_figure(amount) for name, amount in costs.items()},
        chances=chances,
        took=np.array([20.0, 10.0, 2.0, 6.0]),
        failing_days=np.array([60.0, 120.0, 200.0]),
        replacement_days=90.0,
        discount_rate=0.0,
        coverage=0.9,
    )
    return replace(question, **more)


def some_question(seed):
    r = np.random.default_rng(seed)
    costs = {name: float(amount * r.uniform(0.3, 3)) for name, amount in COSTS.items()}
    costs["value_not_working"] = costs["value_working"] * float(r.uniform(0, 0.9))
    holds = {name: float(r.uniform(0.05, 0.95)) for name in HOLDS}
    return ask(costs, holds, took=r.uniform(0, 12, 4), discount_rate=float(r.choice([0.0, 0.08])))


seeds = st.integers(0, 2**32 - 1)


def test_a_service_with_a_replacement_behind_it_costs_what_it_costs_by_hand():
    question = ask(
        {"service": 240, "replacement.used": 1_900, "diagnosis": 90, "comeback": 120},
        {"service": 0.6, "replacement.used": 0.9},
    )
    comparison = compare_plans(question)
    # A comeback of the replacement: another one, diagnosis and comeback.
    at_once = 1_900 + 0.1 * (1_900 + 210)
    assert comparison.cost[3] == pytest.approx(at_once)
    assert comparison.cost[0] == pytest.approx(240 + 0.4 * (210 + at_once))
    even = service_break_even(comparison)
    d_and_m = 210 + at_once
    assert even.chance == pytest.approx((240 + d_and_m - at_once) / d_and_m)
    assert even.other == 3


def test_further_damage_makes_failing_dearer_and_nothing_else():
    plain = compare_plans(ask())
    damaged = compare_plans(ask(COSTS | {"further_damage": 500}))
    assert np.all(damaged.cost[:3] > plain.cost[:3])
    assert_allclose(damaged.cost[3:], plain.cost[3:])


@settings(max_examples=30, deadline=None)
@given(seeds)
def test_expected_costs_are_those_of_the_best_policy_played_out(seed):
    question = some_question(seed)
    comparison = compare_plans(question)
    ladder = replace(
        comparison.ladder, leave=np.float64(comparison.ladder.leave),
        # Infinite prices times nothing are nothing: what can't be had must not be reached.
        replace=np.where(np.isfinite(comparison.ladder.replace), comparison.ladder.replace, 1e9),
        again=np.where(np.isfinite(comparison.ladder.again), comparison.ladder.again, 1e9),
    )  # fmt: skip
    expected = np.array(enumerate_plans(ladder))
    usable = np.isfinite(comparison.cost)
    assert_allclose(comparison.cost[usable], expected[usable], rtol=1e-9)
    assert usable.tolist() == [True, True, True, True, True, False, True]


@settings(max_examples=30, deadline=None)
@given(seeds)
def test_the_average_over_draws_is_the_cost_at_the_averages(seed):
    question = some_question(seed)
    comparison = compare_plans(question)
    drawn = cost_plans(
        build_ladder(question, draw_chances(question)), choice=comparison.costed.choice
    ).plans
    usable = np.isfinite(comparison.cost)
    error = drawn[:, usable].std(axis=0) / np.sqrt(DRAWS)
    assert np.all(abs(drawn[:, usable].mean(axis=0) - comparison.cost[usable]) <= 5 * error + 1e-6)


@settings(max_examples=40, deadline=None)
@given(seeds, st.sampled_from(sorted(COSTS)), st.floats(1, 4_000))
def test_no_plan_gets_cheaper_when_something_costs_more(seed, name, more):
    question = some_question(seed)
    amount = question.costs[name].amount
    # A vehicle worth more as it stands makes giving up cheaper: the one price that works so.
    change = -min(more, amount) if name == "value_not_working" else more
    dearer = replace(question, costs={**question.costs, name: stated_figure(amount + change)})
    before, after = compare_plans(question).cost, compare_plans(dearer).cost
    usable = np.isfinite(before)
    assert np.all(after[usable] >= before[usable] - 1e-6)


@settings(max_examples=40, deadline=None)
@given(seeds)
def test_at_the_break_even_the_service_costs_as_much_as_the_best_other_plan(seed):
    question = some_question(seed)
    comparison = compare_plans(question)
    even = service_break_even(comparison)
    others = np.delete(comparison.cost, 0)
    others = others[np.isfinite(others)]
    sure = Chance(1.0, 1.0, 1.0, "given")
    if 0 <= even.chance <= 1:
        at = Chance(even.chance, even.chance, even.chance, "given")
        cost = compare_plans(replace(question, chances={**question.chances, "service": at})).cost
        assert cost[0] == pytest.approx(others.min())
    elif even.chance > 1:
        cost = compare_plans(replace(question, chances={**question.chances, "service": sure})).cost
        assert cost[0] > others.min()
    else:
        never = Chance(0.0, 0.0, 0.0, "given")
        cost = compare_plans(replace(question, chances={**question.chances, "service": never})).cost
        assert cost[0] < others.min()


@settings(max_examples=20, deadline=None)
@given(seeds)
def test_where_an_input_flips_the_choice_two_plans_cost_the_same(seed):
    question = some_question(seed)
    comparison = compare_plans(question)
    for item in vary_inputs(question, comparison):
        if item.flips_at is None:
            continue
        group, _, name = item.name.partition(".")
        if group == "costs":
            changed = replace(
                question, costs={**question.costs, name: stated_figure(item.flips_at)}
            )
        else:
            at = replace(question.chances[name], mean=item.flips_at)
            changed = replace(question, chances={**question.chances, name: at})
        cost = cost_plans(build_ladder(changed, {})).plans
        cheapest = cost[np.isfinite(cost)].min()
        assert cost[item.flips_to] == pytest.approx(cheapest)
        # Just over the edge: the old choice costs hardly more.
        assert cost[comparison.best] - cheapest < 0.001 * cheapest + 2


def test_costs_at_both_ends_of_an_input_are_what_the_comparison_gives_there():
    question = ask()
    comparison = compare_plans(question)
    items = {item.name: item for item in vary_inputs(question, comparison)}
    assert set(items) == {
        *(f"costs.{name}" for name in COSTS), *(f"probabilities.{name}" for name in HOLDS)
    }  # fmt: skip
    item = items["costs.comeback"]
    assert (item.low, item.value, item.high) == (90, 120, 150)
    for value, best, cost in (
        (item.low, item.best_at_low, item.cost_at_low),
        (item.high, item.best_at_high, item.cost_at_high),
    ):
        there = compare_plans(ask(COSTS | {"comeback": value}))
        assert there.best == best
        assert there.cost[best] == pytest.approx(cost)
    assert items["probabilities.service"].low == pytest.approx(0.4)


def test_where_no_plan_can_be_costed_at_some_value_that_is_no_other_choice():
    # A service that is sure to hold needs no way on; one that may fail would.
    question = ask({"service": 240}, {"service": 1.0}, origin="given")
    comparison = compare_plans(question)
    assert comparison.cost[0] == 240
    items = {item.name: item for item in vary_inputs(question, comparison)}
    chance = items["probabilities.service"]
    assert (chance.best_at_low, chance.best_at_high) == (NO_PLAN, 0)
    assert chance.flips_at is None
    body = describe_plans(question, comparison, Setting("EUR", 24, lambda m: m, {}))
    low = next(s["low"] for s in body["sensitivity"] if s["input"] == "probabilities.service")
    assert low == {"value": "0.900", "cheapest": None, "expected_cost": None}


@settings(max_examples=60, deadline=None)
@given(seeds)
def test_every_question_has_an_answer_that_can_be_written(seed):
    r = np.random.default_rng(seed)
    amounts = [0.0, 0.01, 250.0, 9_999_999_999.99]
    names = [*COSTS, "replacement.new", "further_damage", "replacement_comeback"]
    costs = {name: float(r.choice(amounts)) for name in names if r.random() < 0.6}
    if costs.get("value_not_working", 0) > costs.get("value_working", 1e12):
        costs["value_not_working"] = 0.0
    chances = {}
    for name in CHANCES:
        if r.random() < 0.6:
            p, spread = float(r.choice([1e-4, 0.3, 1 - 1e-4])), float(r.choice([0, 1e-4, 0.4]))
            low, high = max(p - spread, 1e-4), min(p + spread, 1 - 1e-4)
            chances[name] = Chance(p, low, high, "outlook", 3)
            if r.random() < 0.5:
                stated = float(r.choice([0.0, 0.5, 1.0]))
                chances[name] = Chance(stated, stated, stated, "given")
    question = ask(
        costs,
        {},
        chances=chances,
        took=r.choice([0.0, 4.0], 4),
        discount_rate=float(r.choice([0, 1])),
    )
    comparison = compare_plans(question)
    body = describe_plans(question, comparison, Setting(None, 24, lambda m: min(m, 1.0), {}))
    assert json.dumps(body, allow_nan=False)
    assert {row["plan"] for row in body["plans"]} == set(PLAN_NAMES)
    assert set(plan_caveats(question, comparison)) <= PLAN_CAVEATS.keys()


def test_discounting_makes_what_comes_later_weigh_less():
    now, later = compare_plans(ask()), compare_plans(ask(discount_rate=0.2))
    assert later.cost[0] < now.cost[0]
    assert later.cost[6] == now.cost[6]
    assert cost_range(now, steps_of(ask(), now, 0))[0] == 240


def test_a_stated_chance_has_no_doubt_and_counts_after_a_failure_too():
    question = ask(origin="given", took=np.zeros(4))
    comparison = compare_plans(question)
    assert_allclose(comparison.low[:3], comparison.cost[:3])
    assert_allclose(comparison.high[:3], comparison.cost[:3])
    assert comparison.cheapest.max() == 1
    steps = steps_of(question, comparison, 0)
    assert [step.holds for step in steps[:2]] == [0.5, 0.7]


def test_steps_say_how_likely_it_comes_to_them_and_the_worst_pays_for_all_of_them():
    question = ask(
        {"service": 240, "component": 620, "replacement.used": 1_900, "comeback": 100},
        {"service": 0.5, "component": 0.7},
    )
    comparison = compare_plans(question)
    steps = steps_of(question, comparison, 0)
    # Of 38 cases (and half a one for each thing it may take) 20 took a service, 10 a component:
    # of those that took more than a service 10.5 of 19.5, of all 31 of 40 are cured by one.
    component = 0.7 * (10.5 / 19.5) / (31 / 40)
    assert [step.what for step in steps] == [0, 1, 3]
    assert_allclose([step.reached for step in steps], [1, 0.5, 0.5 * (1 - component)])
    assert cost_range(comparison, steps) == (240, 240 + 100 + 620 + 100 + 1_900)
    assert [step.day for step in steps] == [0, 60, 180]


def test_months_of_use_end_where_the_vehicle_is_given_up():
    question = ask(
        {"service": 240, "value_working": 900, "value_not_working": 600}, {"service": 0.4}
    )
    comparison = compare_plans(question)
    steps = steps_of(question, comparison, 0)
    months = months_of_use(steps, lambda m: m, 24)
    assert months == pytest.approx(0.4 * 24 + 0.6 * 60 / (365.25 / 12))
    assert months_of_use(steps_of(question, comparison, 6), lambda m: m, 24) == 0
    # What the vehicle doesn't live to see is no use either.
    assert months_of_use(steps, lambda m: min(m, 6), 24) < months


def test_the_answer_puts_the_cheapest_first_and_says_why_a_plan_has_no_cost():
    question = ask({"service": 240, "component": 620, "replacement.used": 1_900}, {"service": 0.6})
    comparison = compare_plans(question)
    body = describe_plans(question, comparison, Setting("EUR", 24, lambda m: m, {}))
    rows = {row["plan"]: row for row in body["plans"]}
    assert [row["plan"] for row in body["plans"]][:2] == ["service_first", "replace_now"]
    assert rows["component_first"]["caveats"] == ["chance_not_known"]
    assert rows["overhaul_now"]["caveats"] == ["no_cost"]
    assert rows["leave_it"]["caveats"] == ["worth_not_known"]
    assert rows["replace_now"]["caveats"] == ["replacement_taken_to_hold"]
    assert rows["overhaul_now"]["expected_cost"] is None
    assert "comeback_costs_nothing" in plan_caveats(question, comparison)
    stuck = ask({"service": 240}, {"service": 0.6})
    body = describe_plans(stuck, compare_plans(stuck), Setting(None, 24, lambda m: m, {}))
    assert body["plans"][0]["caveats"] == ["no_way_on"]
    assert body["break_even"]["service_holds_at_least"] is None
    assert {key for row in body["plans"] for key in row["caveats"]} <= PLAN_CAVEATS.keys()


@pytest.mark.parametrize(
    "costs, words",
    [
        ({"service": 100, "replacement.used": 1_000}, "at least 10 for 24 months"),
        ({"service": 2_000, "replacement.used": 1_000}, "Even a service that is certain"),
        # The sum that falls due much later weighs so much less that waiting alone pays.
        ({"service": 10, "replacement.used": 5_001}, "whatever its chance"),
        ({"service": 100}, "There is no break-even yet"),
    ],
)
def test_the_break_even_is_one_sentence(costs, words):
    question = ask(costs, {"service": 0.6, "replacement.used": 1.0}, origin="given")
    if words == "whatever its chance":
        question = replace(question, discount_rate=0.9, failing_days=np.full(3, 300.0))
    body = describe_plans(question, compare_plans(question), Setting("EUR", 24, lambda m: m, {}))
    assert words in body["break_even"]["sentence"]


def test_money_is_rounded_as_people_do():
    assert [money(x) for x in (0.125, 2.675, 1e6, 0.0)] == ["0.13", "2.68", "1000000.00", "0.00"]


# --- costs of the similar cases ---------------------------------------------------------------


def paid(level, total, *, source=None, currency="EUR", hours=1.0):
    return AttemptCost(level, source, total - 60.0, 60.0, hours, currency)


def test_missing_costs_are_medians_of_enough_attempts_in_the_same_currency():
    attempts = [paid("service", x) for x in (100, 200, 900)]
    attempts += [paid("service", 5_000, currency="GBP"), paid("component", 700)]
    attempts += [paid("replacement", x, source="used") for x in (1_000, 1_200, 1_400, 1_600)]
    figures = settle_costs({"component": None, "comeback": Decimal("80")}, attempts, "EUR")
    assert set(figures) == {"service", "comeback", "replacement.used"}
    assert (figures["service"].amount, figures["service"].attempts) == (200, 3)
    assert figures["service"].origin == "similar_cases"
    assert figures["replacement.used"].amount == 1_300
    assert (figures["comeback"].low, figures["comeback"].high) == (60, 100)
    assert settle_costs({"service": Decimal("1")}, attempts, "EUR")["service"].origin == "given"
    assert usual_currency(attempts) == "EUR"
    assert usual_currency([]) is None


def test_only_attempts_with_parts_and_labour_tell_a_cost():
    known = {
        "level": "service", "parts_cost": "40", "labour_cost": "60", "labour_hours": 0.5,
        "currency": "EUR",
    }  # fmt: skip
    attempts = [known, known | {"labour_cost": None}, known | {"currency": None}]
    assert read_attempt_costs(attempts) == [AttemptCost("service", None, 40, 60, 0.5, "EUR")]
    assert labour_rate(None, read_attempt_costs([known] * 3), "EUR") == 120
    assert labour_rate(None, read_attempt_costs([known] * 2), "EUR") is None
    assert labour_rate(Decimal("75"), [], None) == 75


def test_failures_show_on_the_average_day_of_those_that_came_back():
    cases = make_neighbours(
        [
            (0.8, 0, SERVICE, CAME_BACK, 100, -1),
            (0.4, 1, SERVICE, CAME_BACK, 10, -1),
            (0.8, 2, SERVICE, CAME_BACK, 900, -1),
            (0.8, 3, SERVICE, LAST_SEEN, 50, -1),
            (0.8, 4, COMPONENT, GONE, 50, -1),
            (0.8, 5, -1, LAST_SEEN, 0, -1),
        ]
    )
    assert_allclose(mean_failing_days(cases, 365), [(0.8 * 100 + 0.4 * 10) / 1.2, 0, 0, 0])


def test_a_source_of_replacements_is_drawn_from_all_of_them_towards_its_own():
    every = Chance(0.8, 0.7, 0.88, "outlook", 60)
    nothing = make_neighbours([])
    alone = source_chance(every, nothing, 365)
    assert alone.mean == pytest.approx(0.8)
    # All of them together count as ten cases at most: less sure than they are of themselves.
    assert alone.low < 0.6
    bad = make_neighbours(repeat(20, level=REPLACEMENT, event=CAME_BACK, day=50))
    assert source_chance(every, bad, 365).mean < 0.5
    assert source_chance(every, bad, 365).tried == 20


def test_a_level_that_was_hardly_followed_so_long_has_the_figure_of_a_year():
    def level(name, holds, *caveats):
        return {"level": name, "holds": holds, "caveats": list(caveats), "tried": 9}

    two_years = {
        "cases": 9,
        "caveats": ["few_shops", "thin_follow_up"],
        "levels": [
            level("service", 0.4),
            level("component", 0.1, "thin_follow_up"),
            level("overhaul", None),
            level("replacement", None),
        ],
    }
    one = {
        "levels": [
            level("service", 0.6), level("component", 0.7), level("overhaul", 0.8),
            level("replacement", None),
        ]
    }  # fmt: skip
    merged, taken = prefer_followed(two_years, one)
    assert [row["holds"] for row in merged["levels"]] == [0.4, 0.7, 0.8, None]
    assert taken == {"component", "overhaul"}
    assert merged["cases"] == 9
    assert merged["caveats"] == ["few_shops"]
    assert prefer_followed(two_years, None) == (two_years, set[str]())


def test_what_cases_took_in_the_end_counts_by_their_effective_number():
    outlook = {
        "resolved_by": [
            {"level": "none", "share": 0.1, "of": 50},
            {"level": "service", "share": 0.4, "of": 50},
            {"level": "replacement", "share": 0.5, "of": 50},
        ],
        "cases": 100, "effective_cases": 25.0,
    }  # fmt: skip
    assert_allclose(resolution_counts(outlook), [6.25, 0, 0, 6.25])
