"""A table of outcome statistics as the page shows it. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

from casebook.vocabulary import load_vocabulary
from casebook.web.choices import Faults, Field, Option
from casebook.web.ladder import THIN, Gauge, make_gauge
from casebook.web.words import (
    LEVEL_NAMES,
    SPAN,
    group_thousands,
    name_action,
    name_check,
    name_result,
    name_symptom,
    name_unit,
    say_day,
    say_percent,
    say_range,
)

SHOWN_LEVELS = ("service", "component", "overhaul", "replacement")
MOST_ROWS = 150
GROUP_NAMES = {
    "unit_kind": "Unit",
    "unit_family": "Unit type",
    "make": "Make",
    "model": "Model",
    "year": "Year",
    "code": "Code",
    "code_family": "Circuit",
    "symptom": "Symptom",
    "check_result": "Finding",
    "odometer_band": "Distance run",
    "opened_quarter": "Quarter it came in",
    "level": "Tried first",
    "action": "Work done",
}
_NOT_RECORDED = "not recorded"


@dataclass(frozen=True)
class LevelCell:
    """What became of one group's repairs at one level. `why`: why there is no figure."""

    level: str
    holds: str
    range: str
    gauge: Gauge | None
    counts: str
    cost: str
    why: str


@dataclass(frozen=True)
class TableRow:
    names: Sequence[str]
    cases: str
    shops: str
    withheld: bool
    levels: Sequence[LevelCell]


@dataclass(frozen=True)
class Table:
    heads: Sequence[str]
    levels: Sequence[str]
    rows: Sequence[TableRow]
    hidden: int
    withheld: int

    @property
    def columns(self) -> int:
        """That a withheld row spans."""
        return 2 + len(self.levels)


def present_table(rows: Sequence[Mapping[str, Any]], dimensions: Sequence[str]) -> Table:
    shown = rows[:MOST_ROWS]
    return Table(
        heads=[GROUP_NAMES.get(name, name) for name in dimensions],
        levels=[LEVEL_NAMES[level] for level in SHOWN_LEVELS],
        rows=[_row(row, dimensions) for row in shown],
        hidden=len(rows) - len(shown),
        withheld=sum(bool(row["suppressed"]) for row in rows),
    )


def _row(row: Mapping[str, Any], dimensions: Sequence[str]) -> TableRow:
    levels = {level["level"]: level for level in row["levels"]}
    return TableRow(
        names=[name_group(name, row[name]) for name in dimensions] or ["All cases"],
        cases="" if row["cases"] is None else group_thousands(row["cases"]),
        shops="" if row["shops"] is None else str(row["shops"]),
        withheld=row["suppressed"],
        levels=[_cell(LEVEL_NAMES[level], levels.get(level)) for level in SHOWN_LEVELS],
    )


def _cell(name: str, level: Mapping[str, Any] | None) -> LevelCell:
    if level is None or level["tried"] == 0:
        return LevelCell(name, "", "", None, "", "", "not tried first")
    if level["suppressed"]:
        return LevelCell(name, "", "", None, "", "", "withheld")
    counts = f"{level['came_back']} of {level['tried']} came back"
    cost = ""
    if level["median_cost"] is not None:
        cost = f"median {float(level['median_cost']):.0f} {level['currency']}"
    if level["holds"] is None:
        return LevelCell(name, "", "", None, counts, cost, "not followed long enough")
    interval = (level["interval_low"], level["interval_high"])
    thin = (level.get("effective_cases") or 0) < THIN
    return LevelCell(
        level=name,
        holds=say_percent(level["holds"]),
        range=say_range(*interval),
        gauge=make_gauge(level["holds"], interval, thin),
        counts=counts,
        cost=cost,
        why="",
    )


FILTER_NAMES = {
    "group_by": "Group by",
    "unit_kind": "Unit",
    "unit_family": "Unit type",
    "make": "Make",
    "model": "Model",
    "year_min": "Year from",
    "year_max": "Year to",
    "code": "Code",
    "level": "Tried first",
    "opened_from": "Came in from",
    "opened_to": "Came in to",
    "horizon_days": "Must hold, days",
    "symptom": "Symptom",
    "check": "Check",
    "result": "Result of the check",
    "action": "Work done",
}
# May stand in an address, without a field of their own on the page.
WITHOUT_FIELD = ("symptom", "check", "result", "action")


def filter_fields(given: Mapping[str, str], faults: Faults) -> dict[str, Field]:
    """The fields of the filter form, filled as the address says."""
    fields = {name: Field(name, given.get(name, ""), faults.get(name, ())) for name in FILTER_NAMES}
    units = load_vocabulary().units.values()
    fields["unit_kind"] = _select(fields["unit_kind"], [(u.key, u.label) for u in units])
    fields["level"] = _select(fields["level"], list(LEVEL_NAMES.items()))
    return fields


def say_filters(fields: Mapping[str, Field]) -> list[str]:
    """What the table is narrowed down to, in words."""
    said = []
    for name, field in fields.items():
        if name == "group_by" or not field.value:
            continue
        value = next((o.label for o in field.options if o.chosen), field.value)
        said.append(f"{FILTER_NAMES[name]}: {value}")
    return said


_EXPORT_STATES = {
    "queued": "Waiting for its turn",
    "running": "Being made",
    "finished": "Ready",
    "failed": "Failed",
}


@dataclass(frozen=True)
class Export:
    """A file that was asked for."""

    path: str
    state: str
    waiting: bool
    ready: bool
    error: str
    title: str
    filters: Sequence[str]
    made: str
    rows: str
    address: str


def present_export(job: Mapping[str, Any]) -> Export:
    given = {
        "group_by": ",".join(job["group_by"]),
        **{name: str(value) for name, value in job["filters"].items()},
        "horizon_days": str(job["horizon_days"]),
    }
    groups = [GROUP_NAMES.get(name, name) for name in job["group_by"]]
    return Export(
        path=f"/statistics/exports/{job['id']}",
        state=_EXPORT_STATES.get(job["state"], job["state"]),
        waiting=job["state"] in ("queued", "running"),
        ready=job["state"] == "finished",
        error=job["error"] or "",
        title="By " + ", ".join(group.lower() for group in groups) if groups else "All cases",
        filters=say_filters(filter_fields(given, {})),
        made=say_moment(job["created_at"]).removeprefix("As of ").rstrip("."),
        rows="" if job["rows"] is None else group_thousands(job["rows"]),
        address=f"/statistics?{urlencode(given)}",
    )


def _select(field: Field, pairs: Sequence[tuple[str, str]]) -> Field:
    options = [Option(key, label, key == field.value) for key, label in pairs]
    return replace(field, options=options)


def say_moment(text: str) -> str:
    """'As of 9 Mar 2026, 14:05 UTC.'"""
    moment = datetime.fromisoformat(text).astimezone(UTC)
    return f"As of {say_day(moment.date())}, {moment:%H:%M} UTC."


def name_group(dimension: str, value: Any) -> str:
    """A group's key in words."""
    if value is None or value == "":
        return _NOT_RECORDED
    say = _SAYINGS.get(dimension)
    return say(value) if say else str(value)


def _say_finding(value: Any) -> str:
    check, _, result = str(value).partition(":")
    return f"{name_check(check)}: {name_result(check, result.strip())}"


def _say_band(value: Any) -> str:
    low, high = str(value).removesuffix(" km").split("-")
    return f"{int(low) // 1000}{SPAN}{group_thousands(int(high))}\N{NO-BREAK SPACE}km"


_SAYINGS = {
    "unit_kind": name_unit,
    "symptom": name_symptom,
    "action": name_action,
    "level": lambda value: LEVEL_NAMES.get(value, str(value)),
    "check_result": _say_finding,
    "odometer_band": _say_band,
}
