"""What an answer stands on: each thing entered and the figure without it, which of them are at
odds, the ways repairs went, and what came later in the vehicles' lives. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from casebook.web.words import (
    LEVEL_NAMES,
    group_thousands,
    name_check,
    name_condition,
    name_result,
    name_symptom,
    say_count,
    say_list,
    say_number,
    say_percent,
    say_range,
    uncapital,
)

# Less than two points of 100 is no reason to look at a thing again.
LEAST_SHIFT = 0.02
MOST_ITEMS = 5
MOST_PATHS = 5
_POINTS_TO = {
    "none": "cases that needed no repair",
    "service": "cases put right by a service",
    "component": "cases put right by one part",
    "overhaul": "cases that took an overhaul",
    "replacement": "cases that took another unit",
}


@dataclass(frozen=True)
class Item:
    name: str
    said: str


@dataclass(frozen=True)
class Grounds:
    """figure: the one that the items move, with n and interval. conflict: whether the sentence on
    agreement is a warning. little: things that hardly move it, in one sentence."""

    figure: str
    items: Sequence[Item]
    little: str
    agreement: str
    conflict: bool

    def __bool__(self) -> bool:
        return bool(self.items or self.little or self.agreement)


@dataclass(frozen=True)
class Path:
    steps: str
    of: str
    resolved: str


def present_grounds(outlook: Mapping[str, Any], horizon: str) -> Grounds:
    entries = outlook.get("evidence") or ()
    level = _level_told(outlook, entries)
    moved: list[tuple[float, int, Item]] = []
    little = []
    for place, entry in enumerate(entries):
        without, shift = _without(entry, level)
        said = _say_item(without, shift, entry.get("points_to"))
        if said:
            moved.append((-abs(shift or 0.0), place, Item(name_item(entry["item"]), said)))
        else:
            little.append(name_item(entry["item"]))
    items = [item for *_, item in sorted(moved, key=lambda row: row[:2])]
    little += [item.name for item in items[MOST_ITEMS:]]
    agreement = outlook.get("agreement") or {}
    conflict = agreement.get("verdict") == "conflict"
    return Grounds(
        figure=_say_figure(outlook, level, horizon),
        items=items[:MOST_ITEMS],
        little=f"Hardly moves it: {'; '.join(uncapital(name) for name in little)}."
        if little
        else "",
        agreement=_say_agreement(agreement),
        conflict=conflict,
    )


def name_item(item: Mapping[str, Any]) -> str:
    if item.get("code"):
        return str(item["code"])
    if item.get("symptom"):
        when = [name_condition(key).lower() for key in item.get("when") or ()]
        return name_symptom(item["symptom"]) + (f" ({', '.join(when)})" if when else "")
    if item.get("check"):
        check = item["check"]
        if item.get("value") is not None:
            said = f"{say_number(item['value'])} {item.get('unit') or ''}".strip()
        else:
            said = name_result(check, item.get("result") or "").lower()
        return f"{name_check(check)}: {said}"
    if item.get("age_years") is not None:
        years = round(item["age_years"])
        return f"its age ({say_count(years, 'year') if years else 'under a year'})"
    if item.get("odometer_km") is not None:
        return f"its {group_thousands(item['odometer_km'])}\N{NO-BREAK SPACE}km"
    return "what was entered"


def _level_told(outlook: Mapping[str, Any], entries: Sequence[Mapping[str, Any]]) -> str | None:
    """Service where it has a figure; else the first level that has one."""
    if not entries:
        return None
    told = {row["level"]: row.get("holds") for row in outlook.get("levels", ())}
    names = ["service", *(row["level"] for row in entries[0].get("levels", ()))]
    return next((name for name in names if told.get(name) is not None), None)


def _without(entry: Mapping[str, Any], level: str | None) -> tuple[float | None, float | None]:
    if level == "service":
        return entry.get("service_holds_without"), entry.get("shift")
    row = next((row for row in entry.get("levels", ()) if row["level"] == level), None)
    return (row["holds_without"], row["shift"]) if row else (None, None)


def _say_item(without: float | None, shift: float | None, points_to: str | None) -> str:
    said = []
    if without is not None and shift is not None and abs(shift) >= LEAST_SHIFT:
        change = "lowers" if shift < 0 else "raises"
        said.append(f"{change} the figure: without it {say_percent(without)}")
    if points_to:
        said.append(f"more often seen in {_POINTS_TO.get(points_to, points_to)}")
    return "; ".join(said)


def _say_figure(outlook: Mapping[str, Any], level: str | None, horizon: str) -> str:
    row = next((row for row in outlook.get("levels", ()) if row["level"] == level), None)
    if row is None or row.get("interval") is None:
        return ""
    return (
        f"{LEVEL_NAMES[row['level']]} tried first holds {horizon}: {say_percent(row['holds'])}, "
        f"likely {say_range(*row['interval'])}, tried in {say_count(row['tried'], 'case')}."
    )


def _say_agreement(agreement: Mapping[str, Any]) -> str:
    if not agreement or agreement["verdict"] == "unclear":
        return ""
    end = " Look again at what does not fit." if agreement["verdict"] == "conflict" else ""
    known = f" That is from {say_count(agreement['of'], 'case')} whose end is known."
    return f"{agreement['sentence']}{known}{end}"


def present_paths(outlook: Mapping[str, Any]) -> list[Path]:
    """What was tried one after the other, the most usual first."""
    return [
        Path(
            steps=_say_steps(path["steps"]),
            of=f"{path['cases']} of {path['of']}",
            resolved=f"known to have done it in {path['resolved']}",
        )
        for path in (outlook.get("paths") or ())[:MOST_PATHS]
    ]


def _say_steps(steps: Sequence[str]) -> str:
    names = [LEVEL_NAMES[step] for step in steps]
    said = [names[0], *(name.lower() for name in names[1:])]
    return ", then ".join(said)


def say_later(outlook: Mapping[str, Any], horizon: str) -> str:
    """'Of 143 vehicles of such an age …: another major fault in 14 % (8–22 %), …'"""
    later = outlook.get("later") or {}
    told = [
        f"{words} {say_percent(later[name]['probability'])} (likely "
        f"{say_range(*later[name]['interval'])})"
        for name, words in (
            ("other_major_fault", "another major fault in"),
            ("gone", "sold or scrapped"),
        )
        if later.get(name) and later[name].get("probability") is not None
    ]
    if not told:
        return ""
    of = say_count(later["cases"], "vehicle")
    return f"Within {horizon}, of {of} near it in age and mileage: {say_list(told)}."
