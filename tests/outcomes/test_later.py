"""What vehicles like this one met later on."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from casebook.outcomes.later import Lives, describe_later, nearness
from casebook.stats.durability import cumulative_incidence

NAN = float("nan")
YEAR = 365


def lives_of(rows):
    """rows: (age, km, fault day or None, gone day or None, watched until, shop)."""
    columns = list(zip(*rows, strict=True)) if rows else [[]] * 6
    numbers = [np.array([NAN if v is None else v for v in c], float) for c in columns[:5]]
    return Lives(*numbers, np.array(columns[5], int))


def later(rows, *, age_years=8.0, odometer_km=None, horizon_days=YEAR, coverage=0.9):
    return describe_later(
        lives_of(rows),
        age_years=age_years,
        odometer_km=odometer_km,
        horizon_days=horizon_days,
        coverage=coverage,
    )


def alike(count, *, fault=None, gone=None, watched=400, age=8, km=100_000):
    return [(age, km, fault, gone, watched, shop) for shop in range(count)]


some_lives = st.lists(
    st.tuples(
        st.none() | st.integers(0, 25),
        st.none() | st.integers(0, 400_000),
        st.none() | st.integers(0, 300),
        st.none() | st.integers(0, 600),
        st.integers(600, 900) | st.integers(300, 600),
        st.integers(0, 4),
    ).map(lambda r: (*r[:4], max(r[4], r[2] or 0, r[3] or 0), r[5])),
    max_size=40,
)


@settings(deadline=None)
@given(some_lives, st.none() | st.floats(0, 30), st.none() | st.floats(0, 500_000))
def test_whatever_the_vehicles_chances_are_never_certain(rows, age, km):
    told = later(rows, age_years=age, odometer_km=km)
    assert 0 <= told["cases"] <= len(rows)
    for name in ("other_major_fault", "gone"):
        chance = told[name]
        if chance["probability"] is None:
            assert chance["interval"] is None
        else:
            low, high = chance["interval"]
            assert 0 < low < chance["probability"] < high < 1
            assert 0 < chance["prior_share"] <= 1


def test_a_large_cohort_speaks_for_itself():
    rows = alike(60, fault=100) + alike(120, gone=200) + alike(220)
    told = later(rows)
    assert told["cases"] == 400
    assert told["other_major_fault"]["probability"] == pytest.approx(0.15, abs=0.02)
    assert told["gone"]["probability"] == pytest.approx(0.30, abs=0.02)


def test_what_is_gone_cannot_break_and_what_broke_can_still_go():
    # Gone on day 50, so the fault is never seen; then faults of those that stay.
    rows = alike(100, gone=50) + alike(100, fault=100, gone=300)
    told = later(rows)
    assert told["other_major_fault"]["probability"] == pytest.approx(0.5, abs=0.03)
    assert told["gone"]["probability"] > 0.97


def test_vehicles_of_that_age_weigh_most_and_others_hold_them_together():
    young = [(2, 40_000, None, None, 400, shop) for shop in range(100)]
    old = [(15, 220_000, 100, None, 400, shop) for shop in range(100)]
    chances = [
        later(young + old, age_years=age)["other_major_fault"]["probability"] for age in (2, 15)
    ]
    assert chances[0] < 0.05
    assert chances[1] > 0.95
    few_old = later(young + old[:2], age_years=15)["other_major_fault"]
    # Two vehicles are drawn towards what those of other ages met.
    assert 0.02 < few_old["probability"] < 0.9
    assert few_old["prior_share"] > 0.2


def test_nearness_falls_with_the_distance_in_age_and_in_mileage():
    known = [(8, 100_000), (10, 100_000), (12, 100_000), (None, None), (8, 200_000), (8, 141_421)]
    lives = lives_of([(age, km, None, None, 1, 0) for age, km in known])
    assert nearness(lives, 8, None) == pytest.approx([1, 0.5, 0, 0.5, 1, 1])
    assert nearness(lives, None, 100_000) == pytest.approx([1, 1, 1, 0.5, 0, 0.5], abs=1e-5)
    assert nearness(lives, None, None).tolist() == [1] * 6


def test_without_anything_known_there_is_no_number():
    for told in (
        later([]),
        describe_later(None, age_years=3, odometer_km=None, horizon_days=YEAR, coverage=0.9),
        later(alike(20, watched=0)),
    ):
        assert told["other_major_fault"]["probability"] is None
        assert told["gone"]["probability"] is None
    with pytest.raises(ValueError):
        later([], horizon_days=0)


def test_the_estimate_is_the_incidence_among_vehicles_of_any_age_if_none_is_asked_for():
    random = np.random.default_rng(3)
    fault = random.integers(1, 900, 400)
    gone = random.integers(1, 1500, 400)
    watched = random.choice([200, 380, 700], 400)
    rows = [
        (
            8, 90_000,
            f if f <= w and f <= g else None, g if g <= w else None, min(w, g), shop,
        )
        for f, g, w, shop in zip(fault, gone, watched, range(400), strict=True)
    ]  # fmt: skip
    told = later(rows, age_years=None)
    first = np.minimum(fault, gone)
    event = np.where(first > watched, 0, np.where(fault <= gone, 1, 2))
    expected = cumulative_incidence(np.minimum(first, watched), event, [YEAR]).came_back[0]
    assert told["other_major_fault"]["probability"] == pytest.approx(expected, abs=0.01)


def test_intervals_cover_the_truth_of_a_simulated_world():
    random = np.random.default_rng(12)
    hits = {"other_major_fault": [], "gone": []}
    for _ in range(120):
        age = random.integers(0, 20, 300)
        shop = random.integers(0, 15, 300)
        fault_rate, gone_rate = 0.0002 + 0.00004 * age, 0.0001 + 0.00005 * age
        fault, gone = random.exponential(1 / fault_rate), random.exponential(1 / gone_rate)
        watched = random.choice([100, 380, 700], 300, p=[0.3, 0.5, 0.2])
        rows = [
            (
                a, None, np.ceil(f) if f <= min(g, w) else None,
                np.ceil(g) if g <= w else None, min(np.ceil(g), w), s,
            )
            for a, f, g, w, s in zip(age, fault, gone, watched, shop, strict=True)
        ]  # fmt: skip
        asked = int(random.integers(2, 18))
        told = later(rows, age_years=asked)
        f, g = 0.0002 + 0.00004 * asked, 0.0001 + 0.00005 * asked
        truth = {
            "other_major_fault": f / (f + g) * -np.expm1(-(f + g) * YEAR),
            "gone": -np.expm1(-g * YEAR),
        }
        for name, values in hits.items():
            low, high = told[name]["interval"]
            values.append(low <= truth[name] <= high)
    # Nominal .9, of vehicles of just that age; Monte Carlo error .03.
    assert all(np.mean(values) > 0.83 for values in hits.values())
