"""Shared cases as arrays, and the outlook of a search. Reads as the reader role."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable, Collection, Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from threading import Lock
from typing import Any, Final, TypeVar
from uuid import UUID

import numpy as np
from django.db import connection
from numpy.typing import NDArray

from casebook.cases.documents import SearchDocument
from casebook.cases.services import today
from casebook.cases.sharing import normalise_family
from casebook.outcomes.cohorts import (
    CaseIdentity,
    KindCases,
    TriedCases,
    cohorts_around,
    known_rho,
    siblings_of,
)
from casebook.outcomes.complete import Question, complete_outlook
from casebook.outcomes.entered import names_only_circuits, weigh_entries
from casebook.outcomes.later import Lives
from casebook.outcomes.memory import remembered
from casebook.outcomes.outlook import (
    LEAST_POOL_SHOPS,
    ParentCohorts,
    Siblings,
    similarity_cut_off,
)
from casebook.outcomes.similar import (
    EVENTS,
    SimilarCase,
    as_circumstances,
    as_neighbours,
    level_places,
    model_key,
    numbers,
    read_similar,
)
from casebook.shops.tenancy import reading_shared
from casebook.vocabulary.codes import circuit_family
from search.core.contributions import Contributions

IntArray = NDArray[np.int64]
Kept = TypeVar("Kept")

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
    contributions: Callable[[Collection[UUID]], Contributions] | None = None,
    foretold: NDArray[np.float64] | None = None,
) -> OutlookAnswer:
    """What became of these shared cases. hits: (shared id, similarity), any order.

    document: the search, which says what unit and model the case is; where it is silent, the
    similar cases' own majority does. contributions: gives what each thing it says adds to the
    similarities. foretold: how likely each level holds on this vehicle (`foretelling`). Ids that
    are withdrawn meanwhile are left out.
    """
    cut_off = similarity_cut_off(np.array([similarity for _, similarity in hits], np.float64))
    # Those that do not count stay with the cohorts around.
    counted = [(shared_id, similarity) for shared_id, similarity in hits if similarity >= cut_off]
    with reading_shared():
        rows = read_similar(counted)
        neighbours = as_neighbours(rows)
        shops = len(np.unique(neighbours.cluster))
        if shops < LEAST_POOL_SHOPS:
            shops = _count_pool_shops()
        if shops < LEAST_POOL_SHOPS:
            return OutlookAnswer(None, ["pool_too_small"])
        identity = _identify(document, rows)
        kind = None if identity.kind is None else _kind_of(identity.kind)
        cohorts = _read_cohorts(identity, kind, rows, shops, horizon_days)
    cohorts = replace(cohorts, foretold=foretold)
    day = today()
    weighed = None
    if document is not None and contributions is not None:
        found = contributions({row.id for row in rows})
        ids = [row.id.hex for row in rows]
        weighed = weigh_entries(found, document, ids=ids, today_year=day.year)
    outlook = complete_outlook(
        neighbours,
        as_circumstances(rows, day),
        cohorts,
        _question(document, horizon_days, day.year),
        weighed=weighed,
        lives=None if kind is None else kind.lives,
    )
    return OutlookAnswer(outlook, [])


def _question(document: SearchDocument | None, horizon_days: float, year: int) -> Question:
    if document is None:
        return Question(horizon_days)
    vehicle = document.vehicle
    return Question(
        horizon_days,
        age_years=None if vehicle.year is None else float(max(0, year - vehicle.year)),
        odometer_km=vehicle.odometer.km if vehicle.odometer else None,
        circuits_only=names_only_circuits(document),
    )


def _count_pool_shops() -> int:
    """Shops that share cases; counts no further than needed."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM (SELECT DISTINCT cluster FROM cases_sharedcase LIMIT %s) AS s",
            [LEAST_POOL_SHOPS],
        )
        return int(cursor.fetchone()[0])


def _identify(document: SearchDocument | None, rows: Sequence[SimilarCase]) -> CaseIdentity:
    kind = document.unit.kind if document else None
    kind = kind or majority((row.kind, row.similarity) for row in rows)
    of_kind = [row for row in rows if row.kind == kind]
    family = normalise_family(document.unit.family) if document else ""
    family = family or majority((row.family, row.similarity) for row in of_kind) or ""
    model = None
    if document and document.vehicle.make and document.vehicle.model:
        model = model_key(document.vehicle.make, document.vehicle.model)
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
    identity: CaseIdentity,
    kind: _Kind | None,
    rows: Sequence[SimilarCase],
    pool_shops: int,
    horizon_days: float,
) -> ParentCohorts:
    every = kept("kinds", _read_every_kind, lambda table: len(table.kind))
    others = _other_kinds(every, identity.kind, rows, horizon_days)
    if kind is None:
        rho = known_rho(every.cases, horizon_days)
        return ParentCohorts(pool_shops=pool_shops, rho=rho, scopes=(others,))
    return cohorts_around(
        identity,
        kind.columns,
        others,
        pool_shops=pool_shops,
        without_ids=[short_id(row.id) for row in rows],
        horizon_days=horizon_days,
    )


@dataclass(frozen=True, eq=False)
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
    every: _EveryKind, own: str | None, rows: Sequence[SimilarCase], horizon_days: float
) -> Siblings:
    """Cohorts of the kinds that the search is not about, without the similar cases."""
    strangers = [short_id(row.id) for row in rows if row.kind != own]

    def work_out() -> Siblings:
        left_out = np.isin(every.ids, np.array(strangers, np.int64))
        if own is not None:
            left_out |= every.kind == every.kinds.get(own, -1)
        return siblings_of(
            every.cases,
            np.where(left_out, -1, every.kind),
            rho=known_rho(every.cases, horizon_days),
            horizon_days=horizon_days,
        )

    # Similar cases of the kind itself are left out with it: the same for every search about it.
    return work_out() if strangers else remembered(every, (own, horizon_days), work_out)


@dataclass(frozen=True)
class _Kind:
    columns: KindCases
    lives: Lives


def _kind_of(kind: str) -> _Kind:
    return kept(("kind", kind), lambda: _read_kind(kind), lambda found: len(found.lives))


def _read_kind(kind: str) -> _Kind:
    columns = _fetch(
        "SELECT id, unit_family, make, model, codes, first_level, event, event_days, cluster,"
        " greatest(0, extract(year FROM opened_month)::float8 - year), odometer_km,"
        " other_fault_days, gone_days, coalesce(watched_days, event_days)"
        " FROM cases_sharedcase WHERE unit_kind = %s AND first_level IS NOT NULL ORDER BY id",
        kind,
    )
    families, family = _encode(columns[1])
    models, model = _encode([model_key(*pair) for pair in zip(*columns[2:4], strict=True)])
    faults: dict[str, list[int]] = defaultdict(list)
    for row, codes in enumerate(columns[4]):
        for fault in {circuit_family(code) for code in codes}:
            faults[fault].append(row)
    cases = _tried(columns[5:9])
    age, km, fault_days, gone, watched = (numbers(column) for column in columns[9:14])
    lives = Lives(age, km, fault_days, gone, watched, cases.cluster)
    kind_cases = KindCases(
        cases=cases,
        ids=np.array([short_id(i) for i in columns[0]], np.int64),
        family=family,
        model=model,
        families=families,
        models=models,
        faults={fault: np.array(places, np.int64) for fault, places in faults.items()},
    )
    return _Kind(kind_cases, lives)


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
        # Which shop is which does not matter, only which cases are of one.
        cluster=_encode(cluster)[1],
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
