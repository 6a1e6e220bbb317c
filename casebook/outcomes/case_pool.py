"""Past cases at hand and the outlook that a search among them gives. Pure.

What `queries` does with rows of the database, for cases in memory: for judging the outlook.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebook.cases.constants import LEVELS
from casebook.cases.sharing import normalise_family
from casebook.outcomes.cohorts import (
    CaseIdentity,
    KindCases,
    TriedCases,
    cohorts_around,
    level_rho,
    siblings_of,
)
from casebook.outcomes.forecast import Evidence, ForecastModel, age_of, foretell_query
from casebook.outcomes.forecast_fitting import ForecastFit, fit_forecast
from casebook.outcomes.outlook import (
    Neighbours,
    ParentCohorts,
    compute_outlook,
    similarity_cut_off,
)
from casebook.stats.calibration import seen_weights
from search.core import CaseIndex, Design
from search.core.cure_levels import case_level_chances
from search.core.resolved import Cure

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Case = Mapping[str, Any]

NEIGHBOURS: Final = 500


@dataclass(frozen=True)
class TriedCase:
    """case: as `search.core` reads it. first_level, resolved_by: places in LEVELS, resolved_by -1
    where it is not known. event, event_days: as in Neighbours. cure: how it was resolved."""

    case: Case
    first_level: int
    event: int
    event_days: float
    resolved_by: int = -1
    cure: Cure | None = None

    @property
    def cluster(self) -> int:
        return int(self.case["cluster"])

    @property
    def kind(self) -> str:
        return str(self.case["unit_kind"] or "")


@dataclass(frozen=True)
class Asked:
    """What a search gave. places, similarity: of the similar cases that count, best first.
    outlook: None where the pool is too small for one."""

    places: IntArray
    near: Neighbours
    cohorts: ParentCohorts
    outlook: dict[str, Any] | None


class CasePool:
    """Cases in a fixed order; their index knows them by `id_of` their places."""

    def __init__(self, cases: Sequence[TriedCase]) -> None:
        self.cases = cases
        self.tried = TriedCases(
            level=np.array([one.first_level for one in cases], np.int64),
            event=np.array([one.event for one in cases], np.int64),
            event_days=np.array([one.event_days for one in cases], np.float64),
            cluster=np.array([one.cluster for one in cases], np.int64),
        )
        self._resolved_by = np.array([one.resolved_by for one in cases], np.int64)
        self._kinds, self.kind = _encode([one.kind for one in cases])
        self._of_kind = {name: self._read_kind(place) for name, place in self._kinds.items()}
        self._shops = len(np.unique(self.tried.cluster))

    @property
    def kind_names(self) -> list[str]:
        """By the numbers in `kind`."""
        return list(self._kinds)

    def ask(
        self,
        index: CaseIndex,
        query: Case,
        *,
        horizon_days: float,
        forecast: ForecastModel | None = None,
    ) -> Asked:
        """What the outlook is for a query whose shop is not in the pool. forecast: fitted to the
        pool for the same horizon."""
        hits = index.search(query, limit=NEIGHBOURS, explained=0)
        places = np.array([int(hit.id, 16) for hit in hits], np.int64)
        similarity = np.array([hit.similarity for hit in hits], np.float64)
        counts = similarity >= similarity_cut_off(similarity)
        places, similarity = places[counts], similarity[counts]
        near = Neighbours(
            similarity=similarity,
            cluster=self.tried.cluster[places],
            first_level=self.tried.level[places],
            event=self.tried.event[places],
            event_days=self.tried.event_days[places],
            resolved_by=self._resolved_by[places],
        )
        cohorts = self._around(query, places, horizon_days)
        if forecast is not None:
            cohorts = replace(cohorts, foretold=foretell_query(forecast, index, query))
        outlook = compute_outlook(near, cohorts, horizon_days=horizon_days)
        return Asked(places, near, cohorts, outlook)

    def numbered(self) -> list[dict[str, Any]]:
        """The cases with their places as ids."""
        return [dict(one.case) | {"id": f"{place:08x}"} for place, one in enumerate(self.cases)]

    def _around(self, query: Case, similar: IntArray, horizon_days: float) -> ParentCohorts:
        name = str(query["unit_kind"] or "")
        own = self._kinds.get(name, -1)
        beside = np.where(self.kind == own, -1, self.kind)
        beside[similar] = -1
        rho = level_rho(self.tried, horizon_days)
        others = siblings_of(self.tried, beside, rho=rho, horizon_days=horizon_days)
        if own < 0:
            return ParentCohorts(pool_shops=self._shops, rho=rho, scopes=(others,))
        return cohorts_around(
            identify(query),
            self._of_kind[name],
            others,
            pool_shops=self._shops,
            without_ids=similar.tolist(),
            horizon_days=horizon_days,
        )

    def _read_kind(self, number: int) -> KindCases:
        places = np.flatnonzero(self.kind == number)
        found = [identify(self.cases[place].case) for place in places.tolist()]
        families, family = _encode([one.family for one in found])
        models, model = _encode([one.model for one in found])
        faults: dict[str, list[int]] = {}
        for row, one in enumerate(found):
            for fault in one.faults:
                faults.setdefault(fault, []).append(row)
        return KindCases(
            cases=self.tried.take(places),
            ids=places.astype(np.int64),
            family=family,
            model=model,
            families=families,
            models=models,
            faults={fault: np.array(rows, np.int64) for fault, rows in faults.items()},
        )


def fit_to_cases(
    cases: Sequence[TriedCase], design: Design, *, horizon_days: float, seed: int = 1
) -> ForecastFit:
    """design: with the model of cures by which queries will be described too."""
    documents = [one.case for one in cases]
    held, weights = seen_weights(
        np.array([one.event_days for one in cases], np.float64),
        np.array([one.event for one in cases], np.int64),
        horizon_days,
    )
    return fit_forecast(
        Evidence(
            case_level_chances(documents, design, LEVELS),
            np.array([age_of(case) for case in documents], np.float64),
            [one.kind for one in cases],
        ),
        level=np.array([one.first_level for one in cases], np.int64),
        held=held,
        weights=weights,
        shops=np.array([one.cluster for one in cases], np.int64),
        seed=seed,
    )


def identify(case: Case) -> CaseIdentity:
    make, model = (_tidy(case.get(name)) for name in ("make", "model"))
    return CaseIdentity(
        kind=str(case["unit_kind"] or "") or None,
        family=normalise_family(case.get("unit_family") or "") or None,
        model=(make, model) if make and model else None,
        faults=frozenset(code["family"] for code in case.get("codes") or []),
    )


def _tidy(name: str | None) -> str:
    return " ".join((name or "").casefold().split())


def _encode(values: Sequence[Any]) -> tuple[dict[Any, int], IntArray]:
    places: dict[Any, int] = {}
    encoded = [places.setdefault(value, len(places)) for value in values]
    return places, np.array(encoded, np.int64)
