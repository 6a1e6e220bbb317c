"""Outcome statistics of the pool: SQL in, a table of plain values out. Reads shared rows only."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, Final

import numpy as np
from django.db import connection
from numpy.typing import NDArray

from casebook.cases.sharing import normalise_family
from casebook.errors import FieldError, InvalidDocument
from casebook.outcomes.outlook import COVERAGE
from casebook.outcomes.requests import WHOLE_OF, StatisticsFilters, StatisticsQuery
from casebook.outcomes.similar import EVENTS, PLACE_OF_LEVEL
from casebook.outcomes.tables import CaseRows, Dimension, build_table
from casebook.shops.tenancy import reading_shared
from casebook.vocabulary.codes import circuit_family

IntArray = NDArray[np.int64]

# Changes whenever the same cases would give other figures.
METHOD_VERSION: Final = "1"
MOST_ROWS: Final = 5_000
BAND_KM: Final = 50_000
_AT_ONCE: Final = 50_000

# What a case is grouped by, where it has one value of it.
_SINGLE: Final = {
    "unit_kind": "c.unit_kind",
    "unit_family": "nullif(c.unit_family, '')",
    "make": "nullif(c.make, '')",
    "model": "nullif(c.model, '')",
    "year": "c.year",
    "odometer_band": f"floor(c.odometer_km / {BAND_KM})::int",
    "opened_quarter": "to_char(c.opened_month, 'YYYY-\"Q\"Q')",
    "level": "c.first_level",
}
# Where it may have several, or none (one row, null): how its values are listed. Only what was
# known at intake counts; a code of the teardown would tell the outcome.
_SEVERAL: Final = {
    "code": "SELECT unnest(c.codes)",
    "symptom": (
        "SELECT s #>> '{}' FROM jsonb_path_query(c.document,"
        " '$.symptoms[*] ? (@.stage == \"intake\").symptom') AS s"
    ),
    "check_result": (
        "SELECT (f ->> 'check') || ':' || (f ->> 'result') FROM jsonb_path_query(c.document,"
        " '$.findings[*] ? (@.stage == \"intake\" && exists(@.result))') AS f"
    ),
    "action": "SELECT unnest(c.actions)",
}
_FACTS: Final = (
    "c.id, c.first_level, c.event, c.event_days, c.cluster, c.resolved_by, c.cost, c.currency"
)


def outcome_statistics(query: StatisticsQuery) -> dict[str, Any]:
    """The table asked for, with what it takes to read it and to ask for it again.

    Raises InvalidDocument where it would have more than MOST_ROWS rows.
    """
    with reading_shared():
        as_of, snapshot = _read_moment()
        rows = _read_rows(query)
    within = {
        part: whole
        for part, whole in WHOLE_OF.items()
        if part in query.dimensions and whole in query.dimensions
    }
    total = build_table(_ungrouped(rows), within={}, horizon_days=query.horizon_days)
    return {
        **query.as_document(),
        "dimensions": list(query.dimensions),
        "coverage": COVERAGE,
        "method_version": METHOD_VERSION,
        "as_of": as_of.isoformat(),
        "snapshot": snapshot,
        "total": total[0] if total else None,
        "rows": build_table(rows, within=within, horizon_days=query.horizon_days),
        "caveats": ["observational"],
    }


def _read_moment() -> tuple[datetime, str]:
    """When the pool is read, and a name for the state it is in."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT statement_timestamp(), pg_current_snapshot()::text")
        at, state = cursor.fetchone()
    return at, f"{at:%Y%m%dT%H%M%SZ}-{state.replace(':', '.')}"


def _ungrouped(rows: CaseRows) -> CaseRows:
    return CaseRows(**{**vars(rows), "dimensions": ()})


def _read_rows(query: StatisticsQuery) -> CaseRows:
    sources = _sources(query.dimensions)
    condition, parameters = _condition(query.filters)
    columns = [_SINGLE.get(name, f"{name}_values.value") for name in sources]
    joins = [
        f"LEFT JOIN LATERAL ({_SEVERAL[name]}) AS {name}_values(value) ON true"
        for name in sources
        if name in _SEVERAL
    ]
    statement = (
        f"SELECT {', '.join([_FACTS, *columns])} FROM cases_sharedcase c "  # noqa: S608
        f"{' '.join(joins)} WHERE {condition} ORDER BY c.id"
    )
    collected = _Collector(query.dimensions, sources)
    with connection.cursor() as cursor:
        cursor.execute(statement, parameters)
        while chunk := cursor.fetchmany(_AT_ONCE):
            collected.add(chunk)
    return collected.as_rows()


def _sources(dimensions: Sequence[str]) -> list[str]:
    """What must be read for the dimensions: a family of codes is read as its codes."""
    read = ["code" if name == "code_family" else name for name in dimensions]
    return list(dict.fromkeys(read))


def _condition(filters: StatisticsFilters) -> tuple[str, list[Any]]:
    """SQL for the filters; values always travel as parameters."""
    f = filters
    family = None if f.unit_family is None else normalise_family(f.unit_family)
    clauses: list[tuple[str, Any]] = [
        ("c.unit_kind = %s", f.unit_kind),
        ("c.unit_family = %s", family),
        ("lower(c.make) = lower(%s)", f.make),
        ("lower(c.model) = lower(%s)", f.model),
        ("c.year >= %s", f.year_min),
        ("c.year <= %s", f.year_max),
        ("%s = ANY(c.codes)", f.code),
        ("%s = ANY(c.actions)", f.action),
        ("c.first_level = %s", f.level),
        ("c.opened_month >= %s", _first_day(f.opened_from)),
        ("c.opened_month <= %s", _first_day(f.opened_to)),
        ("c.document @> %s::jsonb", _containing(f)),
    ]
    used = [(clause, value) for clause, value in clauses if value is not None]
    return " AND ".join(["true", *(clause for clause, _ in used)]), [value for _, value in used]


def _first_day(month: str | None) -> date | None:
    return None if month is None else date.fromisoformat(f"{month}-01")


def _containing(filters: StatisticsFilters) -> str | None:
    """What the shared document must hold, for symptom and finding."""
    wanted: dict[str, Any] = {}
    if filters.symptom is not None:
        wanted["symptoms"] = [{"symptom": filters.symptom, "stage": "intake"}]
    if filters.check is not None:
        finding = {"check": filters.check, "stage": "intake"}
        if filters.result is not None:
            finding["result"] = filters.result
        wanted["findings"] = [finding]
    return json.dumps(wanted) if wanted else None


class _Values:
    """The values of one dimension, in the order they were met; spellings of one name are one."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.shown: list[object] = []
        self._places: dict[object, int] = {}

    def place_of(self, raw: object) -> int:
        value = _present(self.name, raw)
        alike = " ".join(value.casefold().split()) if isinstance(value, str) else value
        place = self._places.setdefault(alike, len(self.shown))
        if place == len(self.shown):
            self.shown.append(value)
        return place


def _present(name: str, raw: object) -> object:
    if raw is None:
        return None
    if name == "odometer_band" and isinstance(raw, int):
        return f"{raw * BAND_KM}-{(raw + 1) * BAND_KM} km"
    if name == "code_family":
        return circuit_family(str(raw))
    return raw


class _Collector:
    """Turns fetched rows into arrays, chunk by chunk."""

    def __init__(self, dimensions: Sequence[str], sources: Sequence[str]) -> None:
        self._dimensions = [_Values(name) for name in dimensions]
        self._column = [
            sources.index("code" if name == "code_family" else name) for name in dimensions
        ]
        self._currencies = _Values("currency")
        self._cases: dict[Any, int] = {}
        self._facts: list[NDArray[np.float64]] = []
        self._places: list[IntArray] = []

    def add(self, chunk: Sequence[Sequence[Any]]) -> None:
        facts = [self._facts_of(row) for row in chunk]
        self._facts.append(np.array(facts, np.float64))
        values = [
            [dimension.place_of(row[8 + column]) for row in chunk]
            for dimension, column in zip(self._dimensions, self._column, strict=True)
        ]
        self._places.append(np.array(values, np.int64).reshape(len(values), len(chunk)))
        if any(len(dimension.shown) > MOST_ROWS for dimension in self._dimensions):
            raise _too_many()

    def _facts_of(self, row: Sequence[Any]) -> tuple[float, ...]:
        shared_id, level, event, days, cluster, resolved_by, cost, currency = row[:8]
        return (
            self._cases.setdefault(shared_id, len(self._cases)),
            -1 if level is None else PLACE_OF_LEVEL[level],
            EVENTS[event or "none"],
            days or 0.0,
            cluster,
            -1 if resolved_by is None else PLACE_OF_LEVEL[resolved_by],
            np.nan if cost is None else float(cost),
            self._currencies.place_of(currency),
        )

    def as_rows(self) -> CaseRows:
        facts = np.concatenate([np.zeros((0, 8)), *self._facts])
        none = np.zeros((len(self._dimensions), 0), np.int64)
        places = np.concatenate([none, *self._places], axis=1)
        if places.shape[0] and len(np.unique(places, axis=1).T) > MOST_ROWS:
            raise _too_many()
        whole = {i: facts[:, i].astype(np.int64) for i in (0, 1, 2, 4, 5, 7)}
        return CaseRows(
            case=whole[0],
            dimensions=[
                Dimension(values.name, values.shown, place)
                for values, place in zip(self._dimensions, places, strict=True)
            ],
            level=whole[1],
            event=whole[2],
            event_days=facts[:, 3],
            cluster=whole[4],
            resolved_by=whole[5],
            cost=facts[:, 6],
            currency=whole[7],
            currencies=[str(name) for name in self._currencies.shown],
        )


def _too_many() -> InvalidDocument:
    detail = f"This makes more than {MOST_ROWS:,} groups: group by less, or filter."
    return InvalidDocument([FieldError("/group_by", detail)])
