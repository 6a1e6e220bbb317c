"""Shared cases as arrays, and the outlook of a search. Reads as the reader role."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from threading import Lock
from typing import Any, Final, TypeVar
from uuid import UUID

import numpy as np
from django.db import connection
from numpy.typing import NDArray

from casebook.cases.constants import LEVELS
from casebook.cases.documents import SearchDocument
from casebook.cases.models import SharedCase
from casebook.cases.sharing import normalise_family
from casebook.outcomes.cohorts import (
    CaseIdentity,
    KindCases,
    TriedCases,
    cohorts_around,
    level_rho,
    siblings_of,
)
from casebook.outcomes.outlook import (
    LEAST_POOL_SHOPS,
    Neighbours,
    ParentCohorts,
    Siblings,
    compute_outlook,
    similarity_cut_off,
)
from casebook.shops.tenancy import reading_shared
from casebook.stats.durability import CAME_BACK, CENSORED, GONE
from casebook.vocabulary.codes import circuit_family

IntArray = NDArray[np.int64]
Kept = TypeVar("Kept")

EVENTS: Final = {"none": CENSORED, "came_back": CAME_BACK, "gone": GONE}
PLACE_OF_LEVEL: Final = {level: place for place, level in enumerate(LEVELS)}

# Cohorts around a search may be a minute old where reading them takes long; from so many rows on.
KEEP_S: Final = 60.0
KEEP_FROM: Final = 2_000
KEEP_AT_MOST: Final = 64
# Cases that tell enough of the kinds a search is not about.
SAMPLE: Final = 40_000


@dataclass(frozen=True)
class OutlookAnswer:
    """document: the outlook, or None; caveats: keys that say why there is none."""

    document: dict[str, Any] | None
    caveats: list[str]


def outlook_for(
    hits: Sequence[tuple[UUID, float]],
    *,
    horizon_days: float,
    document: SearchDocument | None = None,
) -> OutlookAnswer:
    """What became of these shared cases. hits: (shared id, similarity), any order.

    document: the search, which says what unit and model the case is; where it is silent, the
    similar cases' own majority does. Ids that are withdrawn meanwhile are left out.
    """
    cut_off = similarity_cut_off(np.array([similarity for _, similarity in hits], np.float64))
    # Those that do not count stay with the cohorts around.
    counted = [(shared_id, similarity) for shared_id, similarity in hits if similarity >= cut_off]
    with reading_shared():
        rows = _read_neighbours(counted)
        neighbours = _as_neighbours(rows)
        shops = len(np.unique(neighbours.cluster))
        if shops < LEAST_POOL_SHOPS:
            shops = _count_pool_shops()
        if shops < LEAST_POOL_SHOPS:
            return OutlookAnswer(None, ["pool_too_small"])
        cohorts = _read_cohorts(_identify(document, rows), rows, shops, horizon_days)
    outlook = compute_outlook(neighbours, cohorts, horizon_days=horizon_days)
    return OutlookAnswer(outlook, [])


@dataclass(frozen=True)
class _Row:
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


def _read_neighbours(hits: Sequence[tuple[UUID, float]]) -> list[_Row]:
    similarity = dict(hits)
    found = SharedCase.objects.filter(pk__in=list(similarity)).values_list(
        "id", "cluster", "first_level", "event", "event_days", "resolved_by",
        "unit_kind", "unit_family", "make", "model", "codes",
    )  # fmt: skip
    rows = [
        _Row(row[0], similarity[row[0]], *row[1:8], _model_key(row[8], row[9]), tuple(row[10]))
        for row in found
    ]
    return sorted(rows, key=lambda row: (-row.similarity, row.id))


def _as_neighbours(rows: Sequence[_Row]) -> Neighbours:
    return Neighbours(
        similarity=np.array([row.similarity for row in rows], np.float64),
        cluster=np.array([row.cluster for row in rows], np.int64),
        first_level=level_places([row.first_level for row in rows]),
        event=np.array([EVENTS[row.event or "none"] for row in rows], np.int64),
        event_days=np.array([row.event_days or 0.0 for row in rows], np.float64),
        resolved_by=level_places([row.resolved_by for row in rows]),
    )


def level_places(levels: Iterable[str | None]) -> IntArray:
    return np.array([-1 if x is None else PLACE_OF_LEVEL[x] for x in levels], np.int64)


def _count_pool_shops() -> int:
    """Shops that share cases; counts no further than needed."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM (SELECT DISTINCT cluster FROM cases_sharedcase LIMIT %s) AS s",
            [LEAST_POOL_SHOPS],
        )
        return int(cursor.fetchone()[0])


def _model_key(make: str, model: str) -> tuple[str, str]:
    return " ".join(make.casefold().split()), " ".join(model.casefold().split())


def _identify(document: SearchDocument | None, rows: Sequence[_Row]) -> CaseIdentity:
    kind = document.unit.kind if document else None
    kind = kind or majority((row.kind, row.similarity) for row in rows)
    of_kind = [row for row in rows if row.kind == kind]
    family = normalise_family(document.unit.family) if document else ""
    family = family or majority((row.family, row.similarity) for row in of_kind) or ""
    model = None
    if document and document.vehicle.make and document.vehicle.model:
        model = _model_key(document.vehicle.make, document.vehicle.model)
    elif not document:
        model = majority((row.model, row.similarity) for row in of_kind)
    faults = [circuit_family(code.base) for code in document.codes] if document else []
    return CaseIdentity(kind, family or None, model, frozenset(faults))


def majority(votes: Iterable[tuple[Kept, float]]) -> Kept | None:
    """What has more than half of the weight, if anything has."""
    weight: dict[Kept, float] = defaultdict(float)
    for value, vote in votes:
        weight[value] += vote
    best = max(weight, key=lambda value: weight[value], default=None)
    return best if best is not None and weight[best] > sum(weight.values()) / 2 else None


# --- the cohorts around ----------------------------------------------------------------------


def _read_cohorts(
    identity: CaseIdentity, rows: Sequence[_Row], pool_shops: int, horizon_days: float
) -> ParentCohorts:
    every = kept("kinds", _read_every_kind, lambda table: len(table.kind))
    others = _other_kinds(every, identity.kind, rows, horizon_days)
    if identity.kind is None:
        rho = level_rho(every.cases, horizon_days)
        return ParentCohorts(pool_shops=pool_shops, rho=rho, scopes=(others,))
    kind = identity.kind
    columns = kept(("kind", kind), lambda: _read_kind(kind), lambda c: len(c.ids))
    return cohorts_around(
        identity,
        columns,
        others,
        pool_shops=pool_shops,
        without_ids=[short_id(row.id) for row in rows],
        horizon_days=horizon_days,
    )


@dataclass(frozen=True)
class _EveryKind:
    """Tried cases of the whole pool. kind: place in `kinds`."""

    cases: TriedCases
    ids: IntArray
    kind: IntArray
    kinds: dict[str, int]


def _read_every_kind() -> _EveryKind:
    """Of a large pool a sample."""
    [[rows]] = _fetch("SELECT reltuples FROM pg_class WHERE oid = 'cases_sharedcase'::regclass")
    columns = _fetch(
        "SELECT unit_kind, id, first_level, event, event_days, cluster"
        " FROM cases_sharedcase WHERE first_level IS NOT NULL AND id <= %s ORDER BY id",
        str(last_of_sample(rows)),
    )
    kinds, place = _encode(columns[0])
    return _EveryKind(
        _tried(columns[2:6]), np.array([short_id(i) for i in columns[1]], np.int64), place, kinds
    )


def last_of_sample(rows: float) -> UUID:
    """Of so many rows about SAMPLE have this id or a lower one: shared ids are random."""
    share = min(1.0, SAMPLE / max(rows, 1.0))
    return UUID(int=min(int(share * 2**128), 2**128 - 1))


def _other_kinds(
    every: _EveryKind, own: str | None, rows: Sequence[_Row], horizon_days: float
) -> Siblings:
    similar = np.array([short_id(row.id) for row in rows], np.int64)
    left_out = np.isin(every.ids, similar)
    if own is not None:
        left_out |= every.kind == every.kinds.get(own, -1)
    return siblings_of(
        every.cases,
        np.where(left_out, -1, every.kind),
        rho=level_rho(every.cases, horizon_days),
        horizon_days=horizon_days,
    )


def _read_kind(kind: str) -> KindCases:
    columns = _fetch(
        "SELECT id, unit_family, make, model, codes, first_level, event, event_days, cluster"
        " FROM cases_sharedcase WHERE unit_kind = %s AND first_level IS NOT NULL ORDER BY id",
        kind,
    )
    families, family = _encode(columns[1])
    models, model = _encode([_model_key(*pair) for pair in zip(*columns[2:4], strict=True)])
    faults: dict[str, list[int]] = defaultdict(list)
    for row, codes in enumerate(columns[4]):
        for fault in {circuit_family(code) for code in codes}:
            faults[fault].append(row)
    return KindCases(
        cases=_tried(columns[5:9]),
        ids=np.array([short_id(i) for i in columns[0]], np.int64),
        family=family,
        model=model,
        families=families,
        models=models,
        faults={fault: np.array(places, np.int64) for fault, places in faults.items()},
    )


def short_id(shared_id: UUID) -> int:
    """64 random bits of an id, as a signed number."""
    return int.from_bytes(shared_id.bytes[8:], "big", signed=True)


def _fetch(statement: str, *parameters: str) -> list[list[Any]]:
    """Columns of the result. Inside reading_shared()."""
    with connection.cursor() as cursor:
        cursor.execute(statement, parameters)
        width = len(cursor.description)
        rows = cursor.fetchall()
    return [list(column) for column in zip(*rows, strict=True)] if rows else [[]] * width


def _tried(columns: Sequence[Sequence[Any]]) -> TriedCases:
    level, event, days, cluster = columns
    return TriedCases(
        level=level_places(level),
        event=np.array([EVENTS[name] for name in event], np.int64),
        event_days=np.array(days, np.float64),
        cluster=np.array(cluster, np.int64),
    )


def _encode(values: Sequence[Any]) -> tuple[dict[Any, int], IntArray]:
    places: dict[Any, int] = {}
    encoded = [places.setdefault(value, len(places)) for value in values]
    return places, np.array(encoded, np.int64)


_lock = Lock()
_keeping: dict[Hashable, tuple[float, Any]] = {}


def kept(
    key: Hashable,
    read: Callable[[], Kept],
    size: Callable[[Kept], int],
    *,
    least: int = KEEP_FROM,
) -> Kept:
    """What was read less than KEEP_S ago, else read anew. Smaller than `least` isn't kept."""
    now = time.monotonic()
    with _lock:
        read_at, value = _keeping.get(key, (0.0, None))
    if value is not None and now - read_at < KEEP_S:
        return value  # type: ignore[no-any-return]
    fresh = read()
    if size(fresh) >= least:
        with _lock:
            if len(_keeping) >= KEEP_AT_MOST:
                _keeping.clear()
            _keeping[key] = (now, fresh)
    return fresh
