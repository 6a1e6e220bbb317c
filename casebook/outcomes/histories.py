"""What similar cases and their unit kind went through: findings, attempts and costs, as arrays.

Reads as the reader role. Withdrawn cases are missing from the next read on; what is kept of a
whole unit kind may be as old as the cohorts of the outlook.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from uuid import UUID

import numpy as np
from django.db import connection
from numpy.typing import NDArray

from casebook.cases.constants import LEVELS
from casebook.outcomes import queries
from casebook.outcomes.check_tables import CheckedCases
from casebook.outcomes.checks import likely_states
from casebook.outcomes.costs import AttemptCost, read_attempt_costs
from casebook.outcomes.outlook import Neighbours, similarity_cut_off
from casebook.outcomes.panel import panel_for, place_findings
from casebook.outcomes.similar import EVENTS, level_places
from casebook.shops.tenancy import reading_shared

IntArray = NDArray[np.int64]

# Cases of a kind that are enough to know what its checks usually show.
SAMPLE_OF_KIND: Final = 4_000
# A read of so many cases is worth keeping for a minute.
KEPT_FROM: Final = 100

_COLUMNS = "c.id, c.cluster, c.first_level, c.event, c.event_days, c.resolved_by, c.unit_kind"
_PARTS = {"findings": "c.document->'findings'", "attempts": "c.document->'attempts'"}


@dataclass(frozen=True)
class Histories:
    """Similar cases, best first. kind: the unit kind in question, None where unclear. findings:
    of each case, empty if not asked for. attempts: those of all cases whose cost is known.
    source: of the replacement that was tried first, "" elsewhere, one per case. actions: done at
    each level."""

    ids: tuple[UUID, ...]
    cases: Neighbours
    kind: str | None
    findings: tuple[Sequence[dict[str, Any]], ...]
    attempts: tuple[AttemptCost, ...]
    source: tuple[str, ...]
    actions: dict[str, frozenset[str]]


@dataclass(frozen=True)
class KindHistories:
    """Cases of one unit kind, equally weighted, with what they took and what checks showed."""

    ids: IntArray
    checked: CheckedCases


def read_histories(
    hits: Sequence[tuple[UUID, float]], *, kind: str | None, findings: bool = True
) -> Histories:
    """Of the similar cases that count. hits: (shared id, similarity). kind: as the search says;
    else the one that most of their weight has. findings: whether to read those too."""
    cut_off = similarity_cut_off(np.array([similarity for _, similarity in hits], np.float64))
    similarity = {shared_id: value for shared_id, value in hits if value >= cut_off}
    parts = ("attempts", "findings") if findings else ("attempts",)
    with reading_shared():
        rows = _select(parts, "WHERE c.id = ANY(%s)", [list(similarity)])
    rows.sort(key=lambda row: (-similarity[row[0]], row[0]))
    attempts = [_json(row[7]) for row in rows]
    weights = [(row[6], similarity[row[0]]) for row in rows]
    return Histories(
        ids=tuple(row[0] for row in rows),
        cases=_as_cases(rows, [similarity[row[0]] for row in rows]),
        kind=kind or queries.majority(weights),
        findings=tuple(_json(row[8]) for row in rows) if findings else (),
        attempts=tuple(cost for tries in attempts for cost in read_attempt_costs(tries)),
        source=tuple(
            _first_source(row[2], tries) for row, tries in zip(rows, attempts, strict=True)
        ),
        actions=_actions_by_level(attempts),
    )


def _actions_by_level(attempts: Sequence[Sequence[dict[str, Any]]]) -> dict[str, frozenset[str]]:
    done: dict[str, set[str]] = {level: set() for level in LEVELS}
    for tries in attempts:
        for attempt in tries:
            done[attempt["level"]].update(attempt["actions"])
    return {level: frozenset(actions) for level, actions in done.items()}


def read_kind(kind: str, horizon_days: int) -> KindHistories:
    """A sample of the kind's cases in which something was tried; maybe a minute old."""
    return queries.kept(
        ("histories", kind, horizon_days),
        lambda: _read_kind(kind, horizon_days),
        lambda found: len(found.ids),
        least=KEPT_FROM,
    )


def _read_kind(kind: str, horizon_days: int) -> KindHistories:
    # Ids are random: the lowest are a fair sample. Chosen first, so that only those are unpacked.
    statement = """
        WHERE c.id IN (
            SELECT id FROM cases_sharedcase
            WHERE unit_kind = %s AND first_level IS NOT NULL ORDER BY id LIMIT %s
        )
    """
    with reading_shared():
        rows = _select(("findings",), statement, [kind, SAMPLE_OF_KIND])
    cases = _as_cases(rows, [1.0] * len(rows))
    readings = place_findings([_json(row[7]) for row in rows], panel_for(kind))
    return KindHistories(
        ids=np.array([queries.short_id(row[0]) for row in rows], np.int64),
        checked=CheckedCases(
            cases.similarity,
            cases.cluster,
            likely_states(cases, horizon_days=horizon_days),
            readings,
        ),
    )


def _select(parts: Sequence[str], where: str, parameters: list[Any]) -> list[tuple[Any, ...]]:
    """Columns, then these parts of the documents, as text."""
    columns = ", ".join([_COLUMNS, *(_PARTS[part] for part in parts)])
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {columns} FROM cases_sharedcase c {where}", parameters)  # noqa: S608
        return list(cursor.fetchall())


def _as_cases(rows: Sequence[tuple[Any, ...]], similarity: Sequence[float]) -> Neighbours:
    return Neighbours(
        similarity=np.array(similarity, np.float64),
        cluster=np.array([row[1] for row in rows], np.int64),
        first_level=level_places([row[2] for row in rows]),
        event=np.array([EVENTS[row[3] or "none"] for row in rows], np.int64),
        event_days=np.array([row[4] or 0.0 for row in rows], np.float64),
        resolved_by=level_places([row[5] for row in rows]),
    )


def _first_source(first_level: str | None, attempts: Sequence[dict[str, Any]]) -> str:
    if first_level != "replacement":
        return ""
    return next((a.get("unit_source") or "" for a in attempts if a["level"] != "none"), "")


def _json(value: Any) -> list[dict[str, Any]]:
    # Django has psycopg hand JSON over as text.
    return list(json.loads(value) if isinstance(value, str) else value)
