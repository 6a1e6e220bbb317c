"""How long repairs held, as a small drawing, a sentence and a table. Pure.

The drawing says nothing that the sentence and the table do not say in words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from casebook.web.words import (
    NO_BREAK_SPACE,
    group_thousands,
    say_horizon,
    say_out_of_ten,
    say_percent,
    say_range,
    say_tenths_span,
)

WIDTH, HEIGHT = 320, 172
_LEFT, _RIGHT, _TOP, _BOTTOM = 44, 312, 10, 140
# A longer curve would press the first months, which decide most, into nothing.
_LEAST_DAYS_DRAWN = 730
_EARLY_DAY = 30
_DAYS_NAMED = {
    0: "at delivery",
    30: "30 days",
    90: "90 days",
    180: "half a year",
    365: "a year",
    545: "18 months",
    730: "2 years",
    1095: "3 years",
    1460: "4 years",
    1825: "5 years",
}


@dataclass(frozen=True)
class Tick:
    at: str
    label: str
    anchor: str = "middle"


@dataclass(frozen=True)
class Row:
    """One line of the table: how many still held then, and how many were still watched."""

    when: str
    holding: str
    range: str
    watched: str


@dataclass(frozen=True)
class Curve:
    """line, band: paths. thin: drawn broken, few cases stand behind it. ends: where it stops before
    the horizon. by_km: the same over the distance run, where odometers tell."""

    sentence: str
    line: str
    band: str
    dots: Sequence[tuple[str, str]]
    ticks: Sequence[Tick]
    horizon_x: str
    thin: bool
    rows: Sequence[Row]
    by_km: Sequence[Row]


def draw_curve(level: Mapping[str, Any], horizon_days: float, *, thin: bool) -> Curve | None:
    """None where nobody was watched long enough for a curve: one point is none."""
    points = level.get("durability") or ()
    if len(points) < 2:
        return None
    last = max(horizon_days, _LEAST_DAYS_DRAWN)
    drawn = [point for point in points if point["day"] <= last]
    end = max(horizon_days, drawn[-1]["day"])

    def place(day: float, share: float) -> str:
        x = _LEFT + (_RIGHT - _LEFT) * day / end
        return f"{x:.1f} {_BOTTOM - (_BOTTOM - _TOP) * share:.1f}"

    line = [place(point["day"], point["holding"]) for point in drawn]
    upper = [place(point["day"], point["interval"][1]) for point in drawn]
    lower = [place(point["day"], point["interval"][0]) for point in reversed(drawn)]
    return Curve(
        sentence=_say(drawn, horizon_days, thin=thin),
        line=f"M{'L'.join(line)}",
        band=f"M{'L'.join(upper + lower)}z",
        dots=[(x, y) for x, y in (at.split(" ") for at in line)],
        ticks=_ticks(end),
        horizon_x=place(horizon_days, 0).split(" ")[0],
        thin=thin,
        rows=[_row(name_day(p["day"]), p) for p in points if p["day"] > 0],
        by_km=[
            _row(f"{group_thousands(p['km'])}{NO_BREAK_SPACE}km", p)
            for p in level.get("durability_km") or ()
            if p["km"] > 0
        ],
    )


def name_day(day: float) -> str:
    return _DAYS_NAMED.get(int(day)) or say_horizon(round(day))


def _say(points: Sequence[Mapping[str, Any]], horizon_days: float, *, thin: bool) -> str:
    """'Held in about 9 in 10 after 30 days (8 to 10), about 6 in 10 after a year (5 to 7).'"""
    inside = [point for point in points if 0 < point["day"] <= horizon_days]
    if not inside or thin:
        return ""
    last = inside[-1]
    early = next((point for point in inside if point["day"] >= _EARLY_DAY), last)
    said = [
        f"{say_out_of_ten(point['holding'])} after {name_day(point['day'])} "
        f"({say_tenths_span(*point['interval'])})"
        for point in ([early] if early is last else [early, last])
    ]
    end = "" if last["day"] >= horizon_days else " Too few were watched for longer than that."
    return f"Held in {', '.join(said)}.{end}"


def _ticks(end: float) -> list[Tick]:
    """Round spans that leave each other room; the last stands at the edge."""
    steps = (30, 90, 180, 365, 730, 1095, 1825, 3650)
    step = next((step for step in steps if end / step <= 3.2), steps[-1])
    names = {180: "6 months", 365: "1 year", 540: "18 months"}
    days = [step * i for i in range(1, int(end / step) + 1)]
    if step == 180:
        days = [180, 365, *([540] if end >= 540 else [])]
        days = [day for day in days if day <= end]
    return [
        Tick(
            f"{_LEFT + (_RIGHT - _LEFT) * day / end:.1f}",
            names.get(day) or name_day(day),
            "end" if day > 0.93 * end else "middle",
        )
        for day in days
    ]


def _row(when: str, point: Mapping[str, Any]) -> Row:
    return Row(
        when=when,
        holding=say_percent(point["holding"]),
        range=say_range(*point["interval"]),
        watched=f"{point['at_risk']:.0f}",
    )
