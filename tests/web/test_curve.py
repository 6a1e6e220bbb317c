"""The drawing of how long repairs held: what it says, and that its words say the same."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Any

import pytest

from casebook.web.curve import draw_curve


def point(day: int, holding: float, low: float, high: float, at_risk: float) -> dict[str, Any]:
    return {"day": day, "holding": holding, "interval": [low, high], "at_risk": at_risk}


POINTS = [
    point(0, 0.97, 0.9, 0.99, 60.0),
    point(30, 0.92, 0.84, 0.96, 52.4),
    point(180, 0.75, 0.62, 0.84, 33.0),
    point(365, 0.58, 0.5, 0.7, 21.0),
]


def level(points: list[dict[str, Any]]) -> dict[str, Any]:
    return {"durability": points, "durability_km": [point(0, 1, 1, 1, 9) | {"km": 10_000}]}


def coordinates(path: str) -> list[tuple[float, float]]:
    pairs = re.findall(r"(-?[\d.]+) (-?[\d.]+)", path)
    return [(float(x), float(y)) for x, y in pairs]


def test_the_sentence_says_early_and_late_with_the_span_rounded_outwards() -> None:
    curve = draw_curve(level(POINTS), 365, thin=False)
    assert curve is not None
    assert curve.sentence == (
        "Held in about 9 in 10 after 30 days (8 to 10), about 6 in 10 after a year (5 to 7)."
    )


def test_a_curve_that_ends_before_the_horizon_says_where() -> None:
    curve = draw_curve(level(POINTS[:3]), 365, thin=False)
    assert curve is not None
    assert "after half a year (6 to 9)." in curve.sentence
    assert curve.sentence.endswith("Too few were watched for longer than that.")
    # Drawn over the whole span asked for, so that what is missing shows as a gap.
    assert coordinates(curve.line)[-1][0] < float(curve.horizon_x)


def test_the_line_lies_inside_its_band_and_falls() -> None:
    curve = draw_curve(level(POINTS), 365, thin=False)
    assert curve is not None
    line, band = coordinates(curve.line), coordinates(curve.band)
    upper, lower = band[: len(line)], band[len(line) :][::-1]
    for at, high, low in zip(line, upper, lower, strict=True):
        assert at[0] == high[0] == low[0]
        # Downwards on the screen is less.
        assert high[1] <= at[1] <= low[1]
    assert [y for _, y in line] == sorted(y for _, y in line)


def test_few_cases_give_no_rate_in_words() -> None:
    curve = draw_curve(level(POINTS), 365, thin=True)
    assert curve is not None
    assert curve.sentence == ""
    assert curve.thin


@pytest.mark.parametrize("points", [[], POINTS[:1]])
def test_nothing_is_drawn_of_what_nobody_watched(points: list[dict[str, Any]]) -> None:
    assert draw_curve(level(points), 365, thin=False) is None


def test_every_number_of_the_table_has_its_span_and_how_many_were_watched() -> None:
    curve = draw_curve(level(POINTS), 365, thin=False)
    assert curve is not None
    assert [row.when for row in curve.rows] == ["30 days", "half a year", "a year"]
    assert [row.watched for row in curve.rows] == ["52", "33", "21"]
    assert all(row.range for row in (*curve.rows, *curve.by_km))


def test_labels_below_the_curve_never_run_into_each_other() -> None:
    for days in (30, 90, 365, 730, 1095, 3650):
        last = POINTS[-1] | {"day": days}
        curve = draw_curve(level([POINTS[0], last]), days, thin=False)
        assert curve is not None
        places = [float(tick.at) for tick in curve.ticks]
        assert places
        assert all(b - a > 60 for a, b in pairwise(places))
