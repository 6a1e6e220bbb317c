"""Numbers and keys in plain words."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebook.outcomes.answer import NEIGHBOURS
from casebook.web import words


@pytest.mark.parametrize(
    "fraction, said",
    [(0.0, "under 1 %"), (0.004, "under 1 %"), (0.584, "58 %"), (0.996, "over 99 %")],
)
def test_a_share_is_never_said_to_be_nothing_or_everything(fraction: float, said: str) -> None:
    assert words.say_percent(fraction).replace("\u00a0", " ") == said


def test_a_range_stays_inside_1_and_99() -> None:
    assert words.say_range(0.0, 1.0).replace("\u00a0", " ").replace("\u2060", "") == "1–99 %"


@pytest.mark.parametrize(
    "cases, shops, effective, said",
    [
        (0, 0, 0.0, "No similar case yet."),
        (6, 4, 4.2, "6 similar cases in 4 shops: little to go on."),
        (1, 1, 1.0, "1 similar case in 1 shop: little to go on."),
        (40, 9, 18.0, "40 similar cases in 9 shops: a first indication."),
        (143, 22, 61.2, "143 similar cases in 22 shops: a fair base."),
        (480, 24, 130.0, "480 similar cases in 24 shops: a broad base."),
        (6, None, None, "6 similar cases in fewer than 3 shops: too little for a picture."),
    ],
)
def test_small_numbers_are_said_to_be_small(
    cases: int, shops: int | None, effective: float | None, said: str
) -> None:
    assert words.say_weight(cases=cases, shops=shops, effective=effective) == said


@pytest.mark.parametrize(
    "days, said",
    [(1, "1 day"), (44, "44 days"), (60, "2 months"), (410, "13 months"), (800, "2 years")],
)
def test_a_span_is_said_as_people_say_it(days: int, said: str) -> None:
    assert words.say_days(days) == said


@pytest.mark.parametrize(
    "fraction, said",
    [(0.58, "about 6 in 10"), (0.02, "fewer than 1 in 10"), (0.99, "more than 9 in 10")],
)
def test_a_share_is_said_in_tenths(fraction: float, said: str) -> None:
    assert words.say_out_of_ten(fraction) == said


def test_days_and_months_are_written_out() -> None:
    assert words.say_month("2025-11") == "Nov 2025"
    assert words.say_day("2026-03-09") == "9 Mar 2026"
    assert words.say_day(date(2026, 3, 9)) == "9 Mar 2026"


def test_a_key_that_the_vocabulary_lost_is_still_readable() -> None:
    assert words.name_symptom("some_old_symptom") == "some old symptom"
    assert words.name_result("some_old_check", "far_gone") == "far gone"


@given(st.lists(st.floats(0.0, 0.25), min_size=1, max_size=8))
def test_points_add_up_and_none_is_off_by_one_or_more(shares: list[float]) -> None:
    whole = sum(shares)
    points = words.share_points(shares, whole=whole)
    assert sum(points) == round(whole * 100)
    assert all(
        point - share * 100 + 1 >= -1e-9 and point - share * 100 <= 1 + 1e-9
        for point, share in zip(points, shares, strict=True)
    )


def test_where_only_the_nearest_are_looked_at_the_count_is_no_count_of_all() -> None:
    assert words.MOST_COUNTED == NEIGHBOURS
    said = words.say_weight(cases=NEIGHBOURS, shops=26, effective=120.0)
    assert said.startswith("The 500 most similar cases in 26 shops")


@pytest.mark.parametrize(
    "low, high, said",
    [(0.5, 0.7, "5 to 7"), (0.84, 0.96, "8 to 10"), (0.3, 0.3, "3 to 4"), (0.0, 0.04, "0 to 1")],
)
def test_a_span_in_tenths_is_rounded_outwards(low: float, high: float, said: str) -> None:
    assert words.say_tenths_span(low, high) == said


@pytest.mark.parametrize(
    "amount, whole, said",
    [
        ("1240.00", False, "1 240 EUR"),
        ("90.50", False, "90.50 EUR"),
        ("90.50", True, "90 EUR"),
        ("0.999", False, "1 EUR"),
        ("-240.00", False, "\N{MINUS SIGN}240 EUR"),
    ],
)
def test_money_has_cents_only_where_there_are_some(amount: str, whole: bool, said: str) -> None:
    assert words.say_money(amount, "EUR", whole=whole).replace("\u00a0", " ") == said
