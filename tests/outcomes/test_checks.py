"""Which check to make next: what is listed, in which order, and what is said of each."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from numpy.testing import assert_allclose

from casebook.outcomes.check_tables import learn_tables
from casebook.outcomes.checks import (
    CHECK_NOTES,
    Stakes,
    belief_of,
    likely_states,
    next_checks,
)
from casebook.outcomes.panel import panel_for, place_findings
from casebook.stats.information import information_gain
from tests.outcomes.check_worlds import PANEL, CheckWorld, plain_table, shuffled
from tests.outcomes.worlds import (
    CAME_BACK,
    COMPONENT,
    GONE,
    LAST_SEEN,
    NONE,
    OVERHAUL,
    REPLACEMENT,
    SERVICE,
    make_neighbours,
)

BELIEF = np.array([0.4, 0.3, 0.1, 0.2])
ORDINARY = Stakes(
    cost=np.array([150.0, 600.0, 1_500.0]), failure=200.0, replacement=2_000.0, leave=np.inf,
    hour=60.0,
)  # fmt: skip
CHECKS = len(PANEL.checks)
NAMED = next(i for i, check in enumerate(PANEL.checks) if check.kind != "number")
NUMBER = next(i for i, check in enumerate(PANEL.checks) if check.kind == "number")


def only(*telling, strength=2.0):
    """Checks that tell much; all others tell nothing."""
    values = np.zeros(CHECKS)
    values[list(telling)] = strength
    return values


def tables_of(world, similar=400, of_kind=1_500):
    near = world.draw(similar)
    return near, learn_tables(PANEL, near, world.draw(of_kind))


def test_the_check_that_tells_is_listed_and_those_that_tell_nothing_are_not():
    world = CheckWorld(1, only(NAMED, NUMBER))
    _, tables = tables_of(world)
    listed, notes = next_checks(PANEL, tables, world.belief, done=())
    names = [item["check"] for item in listed]
    assert {PANEL.checks[NAMED].key, PANEL.checks[NUMBER].key} <= set(names)
    assert len(names) <= 4
    assert notes == []
    assert all(item["net_value"] is None for item in listed)


def test_without_costs_they_rank_by_what_they_tell_per_minute():
    world = CheckWorld(2, only(*range(12)))
    _, tables = tables_of(world)
    listed, _ = next_checks(PANEL, tables, world.belief, done=())
    rates = [item["expected_gain_bits"] / item["minutes"] for item in listed]
    assert len(listed) == 8
    assert rates == sorted(rates, reverse=True)


def test_with_costs_they_rank_by_what_they_save_less_their_time():
    world = CheckWorld(2, only(*range(12)))
    _, tables = tables_of(world)
    listed, _ = next_checks(PANEL, tables, world.belief, done=(), stakes=ORDINARY)
    net = [float(item["net_value"]) for item in listed]
    assert net == sorted(net, reverse=True)
    free = Stakes(**vars(ORDINARY) | {"hour": 0.0})
    gross, _ = next_checks(PANEL, tables, world.belief, done=(), stakes=free)
    worth = {item["check"]: float(item["net_value"]) for item in gross}
    assert all(value >= 0 for value in worth.values())
    for item in listed:
        if item["check"] in worth:
            time = item["minutes"] / 60 * ORDINARY.hour
            assert float(item["net_value"]) == pytest.approx(worth[item["check"]] - time, abs=0.011)


def test_the_value_is_what_deciding_with_and_without_the_result_costs_by_plain_loops():
    world = CheckWorld(3, only(*range(6)))
    _, tables = tables_of(world)
    listed, _ = next_checks(PANEL, tables, world.belief, done=(), stakes=ORDINARY)
    ways = []  # what each way costs in each state: levels tried in order, then a replacement
    for tried in ([], [0], [1], [2], [0, 1], [0, 2], [1, 2], [0, 1, 2]):
        row = []
        for state in range(4):
            spent = 0.0
            for level in tried:
                spent += ORDINARY.cost[level]
                if level >= state:
                    break
                spent += ORDINARY.failure
            else:
                spent += ORDINARY.replacement
            row.append(spent)
        ways.append(row)
    for item in listed:
        place = PANEL.places[item["check"]]
        given = tables.likelihood[place]
        now = min(sum(p * c for p, c in zip(world.belief, way, strict=True)) for way in ways)
        later = sum(
            min(sum(world.belief[s] * given[s, r] * way[s] for s in range(4)) for way in ways)
            for r in range(PANEL.width)
        )
        expected = now - later - item["minutes"] / 60 * ORDINARY.hour
        assert float(item["net_value"]) == pytest.approx(expected, abs=0.011)
        assert item["changes_decision"] == (now - later > 0.005)


def test_tables_are_those_of_plain_loops():
    world = CheckWorld(4, np.full(CHECKS, 0.8))
    near, around = world.draw(120), world.draw(500)
    tables = learn_tables(PANEL, near, around)
    compared = 0
    for place, check in enumerate(PANEL.checks):
        if check.kind != "number":
            width = len(check.results)
            expected = plain_table(check, near, around)
            assert_allclose(tables.likelihood[place, :, :width], expected, atol=1e-9)
            compared += 1
    assert compared > 20


def test_what_the_results_say_adds_up_to_what_is_believed_now():
    world = CheckWorld(5, np.full(CHECKS, 1.0))
    _, tables = tables_of(world)
    listed, _ = next_checks(PANEL, tables, world.belief, done=(), stakes=ORDINARY)
    for item in listed:
        chances = [result["probability"] for result in item["results"]]
        assert sum(chances) == pytest.approx(1, abs=1e-3)
        average = sum(r["probability"] * r["service_holds"] for r in item["results"])
        assert average == pytest.approx(world.belief[0], abs=1e-3)
        assert all(result["then"] for result in item["results"])


def test_a_check_already_made_is_never_listed():
    world = CheckWorld(1, only(NAMED, NUMBER))
    _, tables = tables_of(world)
    key = PANEL.checks[NAMED].key
    listed, _ = next_checks(PANEL, tables, world.belief, done={key})
    assert key not in [item["check"] for item in listed]


def test_outcomes_dealt_out_anew_leave_hardly_anything_to_list():
    told = 0
    for seed in range(12):
        world = CheckWorld(seed, np.full(CHECKS, 1.0))
        near, around = shuffled(world.draw(250), seed), shuffled(world.draw(600), seed)
        told += int(learn_tables(PANEL, near, around).told.sum())
    # Without shops of their own the counts are believed less than they could be.
    assert told <= 0.025 * 12 * CHECKS


def test_shops_that_read_and_repair_in_their_own_way_do_not_make_checks_tell():
    told = 0
    for seed in range(12):
        # Spread .7: about a tenth of the variance of outcomes and readings is between shops.
        world = CheckWorld(seed, np.zeros(CHECKS), shops=15, shop_spread=0.7)
        told += int(learn_tables(PANEL, world.draw(200), world.draw(400)).told.sum())
    assert told <= 0.06 * 12 * CHECKS  # one in twenty, and what chance adds


def test_the_information_that_is_stated_is_not_flattered_by_small_numbers():
    stated, true = [], []
    for seed in range(6):
        world = CheckWorld(seed, np.full(CHECKS, 0.5))
        tables = learn_tables(PANEL, world.draw(150), world.draw(300))
        for place in np.flatnonzero(~PANEL.numbers):
            stated.append(float(information_gain(world.belief, tables.likelihood[place])))
            true.append(world.true_gain(place))
    assert np.mean(stated) < 1.1 * np.mean(true)
    assert np.corrcoef(stated, true)[0, 1] > 0.5


def test_the_first_suggestion_closes_most_of_the_way_from_a_random_check_to_the_best():
    of_first, of_random, of_best, of_usual = [], [], [], []
    for seed in range(6):
        strength = np.random.default_rng(100 + seed).gamma(0.7, 0.8, CHECKS)
        world = CheckWorld(seed, strength)
        tables = learn_tables(PANEL, world.draw(300), world.draw(1_500))
        listed, _ = next_checks(PANEL, tables, world.belief, done=())
        rate = np.array([world.true_gain(i) / PANEL.checks[i].minutes for i in range(CHECKS)])
        of_first.append(rate[PANEL.places[listed[0]["check"]]])
        of_random.append(rate.mean())
        of_best.append(rate.max())
        of_usual.append(rate[world.habit.mean(axis=0).argmax()])
    closed = (np.mean(of_first) - np.mean(of_random)) / (np.mean(of_best) - np.mean(of_random))
    assert closed > 0.5
    assert np.mean(of_first) > np.mean(of_usual)


def test_where_one_plan_is_best_whatever_is_found_no_check_changes_the_decision():
    world = CheckWorld(6, only(NAMED))
    _, tables = tables_of(world)
    cheap = Stakes(np.array([1.0, 5_000.0, 6_000.0]), 0.0, 5_000.0, np.inf, 60.0)
    listed, notes = next_checks(PANEL, tables, world.belief, done=(), stakes=cheap)
    assert notes == ["no_check_changes_decision"]
    assert listed
    assert not any(item["changes_decision"] for item in listed)
    dear = Stakes(**vars(ORDINARY) | {"hour": 1e6})
    _, notes = next_checks(PANEL, tables, world.belief, done=(), stakes=dear)
    assert notes == ["no_check_pays"]
    assert set(notes) <= CHECK_NOTES.keys()


def test_without_any_case_no_check_is_known_to_tell():
    world = CheckWorld(7, np.ones(CHECKS))
    nothing = world.draw(0)
    tables = learn_tables(PANEL, nothing, nothing)
    assert next_checks(PANEL, tables, BELIEF, done=()) == ([], ["no_check_tells_more"])
    assert_allclose(tables.likelihood.sum(axis=-1), 1)


def test_values_are_told_in_a_few_ranges_that_follow_one_another():
    world = CheckWorld(8, only(*np.flatnonzero(PANEL.numbers), strength=3.0))
    _, tables = tables_of(world)
    listed, _ = next_checks(PANEL, tables, world.belief, done=())
    assert len(listed) >= 4
    for item in listed:
        ranges = [result["range"] for result in item["results"]]
        assert 2 <= len(ranges) <= 4
        assert ranges[0][0] is None
        assert ranges[-1][1] is None
        assert all(one[1] == next_[0] for one, next_ in pairwise(ranges))


def test_findings_are_placed_by_result_or_by_range():
    panel = panel_for("ac_system")
    check = panel.checks[panel.places["low_side_pressure"]]
    edge = panel.edges[check.key][2]
    findings = [
        {"check": check.key, "value": edge + 1, "unit": "kPa"},
        {"check": "dye_inspection", "result": "seepage"},
        {"check": "dye_inspection", "result": "no_such_result"},
        {"check": "compressor_clutch_gap", "result": "worn", "stage": "repair"},
        {"check": "stall_speed", "value": 2_000},
    ]
    readings = place_findings([[], findings], panel)
    assert readings.case.tolist() == [1, 1]
    assert readings.place[0] == panel.places[check.key] * panel.width + 3
    assert readings.place[1] == panel.results["dye_inspection", "seepage"]


def test_what_a_case_took_is_read_from_what_cured_it_and_from_what_failed():
    cases = make_neighbours(
        [
            (0.8, 0, SERVICE, LAST_SEEN, 400, SERVICE),  # held
            (0.8, 1, SERVICE, CAME_BACK, 30, COMPONENT),  # took a component
            (0.8, 2, SERVICE, CAME_BACK, 30, -1),  # took more, unknown what
            (0.8, 3, OVERHAUL, CAME_BACK, 10, -1),  # only a replacement is left
            (0.8, 4, COMPONENT, GONE, 20, COMPONENT),  # gone before anybody could tell
            (0.8, 5, -1, LAST_SEEN, 0, -1),  # never repaired
            (0.8, 6, SERVICE, CAME_BACK, 500, REPLACEMENT),  # held until the horizon
            (0.8, 7, NONE, LAST_SEEN, 400, NONE),  # needed nothing
        ]
    )
    states = likely_states(cases, horizon_days=365)
    assert_allclose(states[0], [1, 0, 0, 0])
    assert_allclose(states[1], [0, 1, 0, 0])
    # Two weighing .8 took a component, none an overhaul, one a replacement; a tenth for each.
    assert_allclose(states[2], np.array([0, 1.7, 0.1, 0.9]) / 2.7)
    assert_allclose(states[3], [0, 0, 0, 1])
    assert_allclose(states[4], 0)
    assert_allclose(states[5], 0)
    assert_allclose(states[6], [1, 0, 0, 0])
    assert_allclose(states[7], [1, 0, 0, 0])


def test_a_service_last_seen_early_may_yet_fail():
    rows = [(0.8, i, SERVICE, CAME_BACK, 200, COMPONENT) for i in range(5)]
    rows += [(0.8, i, SERVICE, LAST_SEEN, 400, SERVICE) for i in range(5)]
    rows += [(0.8, 9, SERVICE, LAST_SEEN, 30, SERVICE), (0.8, 9, SERVICE, LAST_SEEN, 300, SERVICE)]
    states = likely_states(make_neighbours(rows), horizon_days=365)
    early, late = states[-2], states[-1]
    # Of eleven watched on day 200 five fail: half of those still to be watched.
    assert early[0] == pytest.approx(1 - 5 / 11)
    assert late[0] == pytest.approx(1)
    assert_allclose(states.sum(axis=1), 1)


def test_what_is_believed_is_what_the_similar_cases_took():
    world = CheckWorld(9, np.zeros(CHECKS))
    near, around = world.draw(400), world.draw(2_000)
    assert_allclose(belief_of(near, around), world.belief, atol=0.08)
    nothing = world.draw(0)
    # Without similar cases, what all of the kind took; without those either, nothing.
    assert_allclose(belief_of(nothing, around), world.belief, atol=0.08)
    assert belief_of(nothing, nothing) is None
    assert belief_of(near, nothing).min() > 0


def test_results_are_expected_as_often_as_similar_cases_show_them():
    # Shops that look first try a service only where it will do: it always holds there. Half of
    # all show the other result all the same.
    world = CheckWorld(10, only(NAMED, strength=4.0))
    near, tables = tables_of(world, similar=600, of_kind=0)
    belief = belief_of(near, world.draw(0))
    item = next(
        c
        for c in next_checks(PANEL, tables, belief, done=())[0]
        if c["check"] == PANEL.checks[NAMED].key
    )
    made = near.readings.place[near.readings.place // PANEL.width == NAMED] % PANEL.width
    for result in item["results"]:
        within = [r.key for r in PANEL.checks[NAMED].results].index(result["result"])
        assert result["probability"] == pytest.approx((made == within).mean(), abs=0.06)
    assert item["service_holds_now"] == pytest.approx(belief[0], abs=1e-4)
