"""The ladder of levels: what it took, and whether what was tried first held. Pure.

Words and counts with the geometry of their gauges; nothing is said of a rate where few cases stand
behind it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from casebook.cases.constants import LEVEL_RANK
from casebook.web.curve import Curve, draw_curve
from casebook.web.words import (
    LEVEL_NAMES,
    LEVEL_SHORT,
    say_caveat,
    say_count,
    say_horizon,
    say_out_of_ten,
    say_percent,
    say_range,
)

# Below this many effective cases a dot is drawn hollow and no rate is put in words.
THIN = 10.0
_MARKS_PER_ROW = 20
_MARK_SIZE = 16
_MOST_MARKS = 80


@dataclass(frozen=True)
class Gauge:
    """Positions in percent of the width, as SVG attributes want them."""

    low: str
    width: str
    dot: str
    hollow: bool


@dataclass(frozen=True)
class Rung:
    """One level of the ladder: in how many of the similar cases it took this."""

    name: str
    meaning: str
    rank: int
    of: str
    share: str
    range: str
    gauge: Gauge | None
    first: str


@dataclass(frozen=True)
class Mark:
    kind: str
    x: int
    y: int


@dataclass(frozen=True)
class Strip:
    """One mark per repair (or per so many), in four shapes."""

    marks: Sequence[Mark]
    width: int
    height: int
    each: int


@dataclass(frozen=True)
class Tried:
    """What became of repairs at one level that was tried first."""

    name: str
    tried: int
    held: int
    came_back: int
    gone: int
    not_known: int
    verdict: str
    range: str
    gauge: Gauge | None
    strip: Strip | None
    prior: str
    curve: Curve | None
    notes: Sequence[str]


def climb_ladder(outlook: Mapping[str, Any]) -> list[Rung]:
    """All four levels, always: that nobody needed one is news too. Cases that needed no repair
    come last, where there are any."""
    found = {item["level"]: item for item in outlook.get("resolved_by") or ()}
    names = [name for name in LEVEL_RANK if name != "none"]
    names += ["none"] if "none" in found else []
    tried = {item["level"]: item for item in outlook["levels"]}
    thin = outlook["effective_cases"] < THIN
    return [_rung(name, found.get(name), tried.get(name), thin) for name in names]


def _rung(
    name: str, item: Mapping[str, Any] | None, tried: Mapping[str, Any] | None, thin: bool
) -> Rung:
    share = interval = None
    of = "no case"
    if item is not None:
        share, interval = item["share"], item["interval"]
        if item.get("cases") is not None and item.get("of") is not None:
            of = f"{item['cases']} of {item['of']}"
        elif share is not None:
            of = say_percent(share)
    gauge = make_gauge(share, interval, thin)
    share_said = say_percent(share) if gauge and share is not None else ""
    range_said = say_range(*interval) if gauge and interval else ""
    return Rung(
        name=LEVEL_NAMES[name],
        meaning=LEVEL_SHORT[name],
        rank=LEVEL_RANK[name],
        of=of,
        share=share_said,
        range=range_said,
        gauge=gauge,
        first=_say_first(tried),
    )


def _say_first(tried: Mapping[str, Any] | None) -> str:
    """'tried first: 20 of 60 came back'. Not how many held: many were not followed for so long,
    and a count of those that were would make any repair look worse than it is."""
    if tried is None or not tried["tried"]:
        return ""
    return f"tried first: {tried['came_back']} of {tried['tried']} came back"


def make_gauge(value: float | None, interval: Sequence[float] | None, thin: bool) -> Gauge | None:
    if value is None or interval is None:
        return None
    low, high = (min(1.0, max(0.0, bound)) for bound in interval)
    return Gauge(
        low=f"{low * 100:.1f}%",
        width=f"{(high - low) * 100:.1f}%",
        dot=f"{min(1.0, max(0.0, value)) * 100:.1f}%",
        hollow=thin,
    )


def present_tried(
    level: Mapping[str, Any], outlook: Mapping[str, Any], horizon_days: float
) -> Tried:
    horizon = say_horizon(round(horizon_days))
    counts = {name: level[name] for name in ("held", "came_back", "gone", "not_known")}
    known = counts["held"] + counts["came_back"]
    holds, interval = level.get("holds"), level.get("interval")
    thin = known < THIN or outlook["effective_cases"] < THIN
    if holds is None or interval is None:
        verdict = f"Not enough follow-up to say whether it holds {horizon}."
    elif thin:
        verdict = (
            f"{counts['held']} seen to hold, {counts['came_back']} came back: little to go on."
        )
    else:
        verdict = f"{say_out_of_ten(holds).capitalize()} held {horizon}."
    prior = level.get("prior_share")
    return Tried(
        name=LEVEL_NAMES[level["level"]],
        tried=level["tried"],
        verdict=verdict,
        range=say_range(*interval) if holds is not None and interval else "",
        gauge=make_gauge(holds, interval, thin),
        strip=_strip(counts),
        prior=_say_prior(prior, level.get("foretold"))
        if holds is not None and prior is not None
        else "",
        curve=draw_curve(level, horizon_days, thin=thin),
        notes=[
            note
            for note in (
                _say_lost(level, horizon),
                _say_looked(level.get("overlap") or {}),
                *map(say_caveat, level.get("caveats", ())),
            )
            if note
        ],
        **counts,
    )


def _say_lost(level: Mapping[str, Any], horizon: str) -> str:
    """The widest that those nobody heard of again leave open."""
    bounds, lost = level.get("bounds"), level["not_known"]
    if not bounds or not lost or level["tried"] < THIN:
        return ""
    worst, best = (say_out_of_ten(bound) for bound in bounds)
    return (
        f"Of {lost} of the {level['tried']} nobody knows whether they held {horizon}. Had all of "
        f"them come back, {worst} would have held; had none, {best}."
    )


def _say_looked(overlap: Mapping[str, Any]) -> str:
    """How the vehicles compare with those that got something else: a note, no correction."""
    looked = overlap.get("looked")
    if looked not in ("worse", "milder"):
        return ""
    own, others = overlap["known"]
    return (
        f"At intake these vehicles looked {looked} than those that got something else first "
        f"({say_count(own, 'case')} against {others}), so it was not tried on the same terms."
    )


def _say_prior(share: float, foretold: float | None) -> str:
    if share < 0.1:
        return ""
    if foretold is not None:
        return (
            f"{say_percent(share)} of this figure is what the evidence foretells by all followed "
            f"cases: {say_percent(foretold)}."
        )
    return f"{say_percent(share)} of this figure comes from the wider family of units."


def _strip(counts: Mapping[str, int]) -> Strip | None:
    total = sum(counts.values())
    if not total:
        return None
    each = -(-total // _MOST_MARKS)
    kinds = [
        kind
        for name, kind in (
            ("held", "held"),
            ("came_back", "back"),
            ("gone", "gone"),
            ("not_known", "dark"),
        )
        for _ in range(round(counts[name] / each))
    ]
    marks = [
        Mark(kind, (i % _MARKS_PER_ROW) * _MARK_SIZE, (i // _MARKS_PER_ROW) * _MARK_SIZE)
        for i, kind in enumerate(kinds)
    ]
    rows = -(-len(kinds) // _MARKS_PER_ROW)
    return Strip(marks, _MARKS_PER_ROW * _MARK_SIZE, rows * _MARK_SIZE, each)
