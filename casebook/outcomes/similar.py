"""The similar cases of a search as arrays. Reads as the reader role, inside reading_shared()."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from casebook.cases.constants import LEVELS
from casebook.cases.models import SharedCase
from casebook.outcomes.circumstances import Circumstances
from casebook.outcomes.outlook import Neighbours
from casebook.stats.durability import CAME_BACK, CENSORED, GONE

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

EVENTS: Final = {"none": CENSORED, "came_back": CAME_BACK, "gone": GONE}
PLACE_OF_LEVEL: Final = {level: place for place, level in enumerate(LEVELS)}
_DAYS_A_YEAR: Final = 365.25


@dataclass(frozen=True)
class SimilarCase:
    """One similar case with what places it among others."""

    id: UUID
    similarity: float
    cluster: int
    first_level: str | None
    event: str | None
    event_days: float | None
    resolved_by: str | None
    kind: str
    family: str
    model: tuple[str, str]
    codes: tuple[str, ...]
    severity: float | None
    event_km: float | None
    opened_month: date
    path: tuple[str, ...]


def read_similar(hits: Sequence[tuple[UUID, float]]) -> list[SimilarCase]:
    """Best first; those withdrawn meanwhile are missing."""
    similarity = dict(hits)
    found = SharedCase.objects.filter(pk__in=list(similarity)).values_list(
        "id", "cluster", "first_level", "event", "event_days", "resolved_by",
        "unit_kind", "unit_family", "make", "model", "codes",
        "severity", "event_km", "opened_month", "path",
    )  # fmt: skip
    cases = [
        SimilarCase(
            row[0],
            similarity[row[0]],
            *row[1:8],
            model_key(row[8], row[9]),
            tuple(row[10]),
            *row[11:14],
            tuple(row[14]),
        )
        for row in found
    ]
    return sorted(cases, key=lambda case: (-case.similarity, case.id))


def model_key(make: str, model: str) -> tuple[str, str]:
    return " ".join(make.casefold().split()), " ".join(model.casefold().split())


def level_places(levels: Iterable[str | None]) -> IntArray:
    return np.array([-1 if x is None else PLACE_OF_LEVEL[x] for x in levels], np.int64)


def as_neighbours(cases: Sequence[SimilarCase]) -> Neighbours:
    return Neighbours(
        similarity=np.array([case.similarity for case in cases], np.float64),
        cluster=np.array([case.cluster for case in cases], np.int64),
        first_level=level_places([case.first_level for case in cases]),
        event=np.array([EVENTS[case.event or "none"] for case in cases], np.int64),
        event_days=np.array([case.event_days or 0.0 for case in cases], np.float64),
        resolved_by=level_places([case.resolved_by for case in cases]),
    )


def as_circumstances(cases: Sequence[SimilarCase], today: date) -> Circumstances:
    places: dict[tuple[str, ...], int] = {}
    return Circumstances(
        severity=numbers([case.severity for case in cases]),
        event_km=numbers([case.event_km for case in cases]),
        years_ago=np.array([(today - c.opened_month).days for c in cases], float) / _DAYS_A_YEAR,
        path=np.array([places.setdefault(c.path, len(places)) for c in cases], np.int64),
        paths=tuple(places),
    )


def numbers(values: Sequence[float | None]) -> FloatArray:
    """NaN for what is not known."""
    return np.array([np.nan if value is None else value for value in values], np.float64)
