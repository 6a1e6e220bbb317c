"""How long repairs held: the curve, its band, where it ends, what is not known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import AalenJohansenFitter, KaplanMeierFitter

from casebook.outcomes.curves import describe_durability
from tests.outcomes.worlds import CAME_BACK, GONE, LAST_SEEN, SERVICE, make_neighbours, repeat

YEAR = 365


def durability(rows, km=None, *, rho=0.1, horizon_days=YEAR, coverage=0.9):
    cases = make_neighbours(rows)
    event_km = np.full(len(cases), np.nan) if km is None else np.array(km, float)
    return describe_durability(
        cases, event_km, rho=rho, horizon_days=horizon_days, coverage=coverage
    )


def many_shops(days, events):
    """Alike cases, each of a shop of its own: as many effective cases as cases."""
    return [
        (0.8, shop, SERVICE, event, day, 1)
        for shop, (day, event) in enumerate(zip(days, events, strict=True))
    ]


some_rows = st.lists(
    st.tuples(
        st.floats(0.3, 1),
        st.integers(0, 6),
        st.just(SERVICE),
        st.integers(0, 2),
        st.sampled_from([0, 5, 40, 100, 200, 365, 400, 800]),
        st.just(1),
    ),
    max_size=60,
)


@settings(deadline=None)
@given(some_rows, st.sampled_from([30, 365, 700]))
def test_whatever_the_cases_the_curve_falls_within_its_band_and_its_bounds(rows, horizon):
    told = durability(rows, horizon_days=horizon)
    curve = told["durability"]
    holding = [point["holding"] for point in curve]
    low, high = (np.array([point["interval"][side] for point in curve]) for side in (0, 1))
    assert holding == sorted(holding, reverse=True)
    assert np.all(np.diff(low) <= 0)
    assert np.all(np.diff(high) <= 0)
    assert np.all((low > 0) & (low <= holding) & (holding <= high) & (high < 1))
    assert all(point["at_risk"] >= 4.95 for point in curve)
    at_horizon = [point["holding"] for point in curve if point["day"] == horizon]
    for value in at_horizon:
        assert told["bounds"][0] - 2e-4 <= value <= told["bounds"][1] + 2e-4
    if rows:
        assert 0 <= told["followed_share"] <= 1
        assert told["bounds"][0] <= told["bounds"][1]


@settings(deadline=None, max_examples=40)
@given(
    st.lists(
        st.tuples(st.integers(0, 500), st.sampled_from([LAST_SEEN, CAME_BACK])),
        min_size=8,
        max_size=40,
    )
)
def test_without_vehicles_gone_the_curve_is_that_of_kaplan_and_meier(cases):
    days, events = (np.array(column) for column in zip(*cases, strict=True))
    fitted = KaplanMeierFitter().fit(days, events == CAME_BACK)
    for point in durability(many_shops(days, events))["durability"]:
        expected = float(fitted.predict(point["day"]))
        assert point["holding"] == pytest.approx(min(max(expected, 1e-4), 1 - 1e-4), abs=1e-4)


def test_the_curve_is_that_of_aalen_and_johansen_where_vehicles_go():
    random = np.random.default_rng(3)
    # No two on one day: ties are broken at random there.
    days = random.permutation(np.arange(1, 601))[:150]
    events = random.choice([LAST_SEEN, CAME_BACK, GONE], 150, p=[0.4, 0.4, 0.2])
    fitted = AalenJohansenFitter(calculate_variance=False).fit(days, events, CAME_BACK)
    for point in durability(many_shops(days, events))["durability"]:
        before = fitted.cumulative_density_[fitted.cumulative_density_.index <= point["day"]]
        assert 1 - point["holding"] == pytest.approx(max(float(before.iloc[-1, 0]), 1e-4), abs=1e-4)


def test_the_curve_ends_where_fewer_than_five_are_watched():
    rows = repeat(20, day=100) + repeat(4, day=2000)
    days = [point["day"] for point in durability(rows)["durability"]]
    assert days == [0, 30, 90]
    assert durability(repeat(4))["durability"] == []
    assert durability([])["durability"] == []


def test_what_was_not_fixed_is_missing_from_day_zero_on():
    told = durability(repeat(30) + repeat(10, event=CAME_BACK, day=0))
    assert told["durability"][0] == {
        "day": 0,
        "holding": 0.75,
        "interval": told["durability"][0]["interval"],
        "at_risk": told["durability"][0]["at_risk"],
    }


def test_a_band_is_never_empty_even_if_all_held():
    for point in durability(repeat(30, day=400))["durability"]:
        assert point["interval"][0] < 0.95
        assert point["holding"] == point["interval"][1] == 0.9999


def test_bounds_tell_what_the_lost_could_change():
    rows = repeat(6) + repeat(2, event=CAME_BACK, day=20) + repeat(2, day=50)
    told = durability(rows)
    assert told["followed_share"] == 0.8
    assert told["bounds"] == [0.6, 0.8]


def test_distance_is_told_where_odometers_do():
    rows = repeat(20, day=400) + repeat(10, event=CAME_BACK, day=200)
    told = durability(rows, [22_000] * 20 + [8_000] * 10)
    by_km = {point["km"]: point["holding"] for point in told["durability_km"]}
    assert told["km_known"] == 1.0
    assert by_km == {
        0: 0.9999,
        5_000: 0.9999,
        10_000: pytest.approx(2 / 3, abs=1e-4),
        20_000: pytest.approx(2 / 3, abs=1e-4),
    }


def test_unread_odometers_are_reckoned_by_the_usual_distance_a_day():
    rows = repeat(20, day=400) + repeat(10, event=CAME_BACK, day=200)
    known = durability(rows, [20_000] * 20 + [10_000] * 10)["durability_km"]
    guessed = durability(rows, [20_000] * 20 + [np.nan] * 10)
    assert guessed["durability_km"] == known
    assert guessed["km_known"] == 0.667
    # Leaving out the comebacks without a reading would have shown none.
    assert durability(rows, [np.nan] * 11 + [20_000] * 9 + [np.nan] * 10)["durability_km"] == []


def test_intervals_cover_the_truth_of_a_simulated_world():
    random = np.random.default_rng(8)
    hits = {90: [], 365: []}
    for _ in range(150):
        shop = random.integers(0, 12, 80)
        rate = 0.002 * np.exp(random.normal(0, 0.3, 12))[shop]
        back, gone = random.exponential(1 / rate), random.exponential(1 / 0.0004, 80)
        last = random.choice([40, 200, 420, 800], 80, p=[0.2, 0.2, 0.4, 0.2])
        day = np.ceil(np.minimum(np.minimum(back, gone), last))
        event = np.where(
            (back <= gone) & (back <= last), CAME_BACK, np.where(gone <= last, GONE, LAST_SEEN)
        )
        rows = [
            (s, j, SERVICE, e, d, 1)
            for s, j, e, d in zip(random.uniform(0.5, 1, 80), shop, event, day, strict=True)
        ]
        curve = {p["day"]: p["interval"] for p in durability(rows, rho=0.05)["durability"]}
        weight = np.array([row[0] for row in rows])
        for at in hits:
            leaving = rate + 0.0004
            truth = 1 - weight @ (rate / leaving * -np.expm1(-leaving * at)) / weight.sum()
            hits[at].append(curve[at][0] <= truth <= curve[at][1])
    # Nominal .9; Monte Carlo error .025.
    assert all(np.mean(covered) > 0.84 for covered in hits.values())
