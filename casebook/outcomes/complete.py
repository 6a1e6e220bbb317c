"""The whole outlook of a search: figures, curves, paths, evidence, later life, caveats. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from casebook.cases.constants import LEVELS
from casebook.outcomes.circumstances import Circumstances
from casebook.outcomes.curves import describe_durability
from casebook.outcomes.evidence import Weighed, describe_agreement, describe_evidence
from casebook.outcomes.later import Lives, describe_later
from casebook.outcomes.outlook import (
    COVERAGE,
    LEAST_POOL_SHOPS,
    REPAIR_LEVELS,
    Neighbours,
    ParentCohorts,
    compute_outlook,
    in_order,
    prior_grid,
    similarity_cut_off,
)
from casebook.outcomes.overlap import describe_overlap, hardly_overlaps
from casebook.outcomes.paths import describe_paths

# More than half of the weight from before this: parts and ways of working change.
OLD_YEARS: Final = 5.0


@dataclass(frozen=True)
class Question:
    """The vehicle asked about, as far as it was told, and until when a repair shall hold.

    circuits_only: all codes read are the standard's own.
    """

    horizon_days: float
    age_years: float | None = None
    odometer_km: float | None = None
    circuits_only: bool = False
    coverage: float = COVERAGE


def complete_outlook(
    neighbours: Neighbours,
    details: Circumstances,
    cohorts: ParentCohorts,
    question: Question,
    *,
    weighed: Weighed | None = None,
    lives: Lives | None = None,
) -> dict[str, Any] | None:
    """The outlook of `compute_outlook` with all that stands beside its figures; None as there.

    details, weighed: of the same similar cases. weighed None: nothing was entered one by one.
    lives: of vehicles with such a unit. Raises ValueError as `compute_outlook` does, and where the
    arrays differ in length.
    """
    if len(details) != len(neighbours):
        raise ValueError("neighbours and details must be of the same cases")
    if cohorts.pool_shops < LEAST_POOL_SHOPS:
        return None
    grids = {
        LEVELS.index(level): prior_grid(cohorts, LEVELS.index(level)) for level in REPAIR_LEVELS
    }
    horizon_days, coverage = question.horizon_days, question.coverage
    outlook = compute_outlook(
        neighbours, cohorts, horizon_days=horizon_days, coverage=coverage, grids=grids
    )
    if outlook is None:
        return None
    kept = neighbours.similarity >= similarity_cut_off(neighbours.similarity)
    counted, details = neighbours.take(kept), details.take(kept)
    rho = float(cohorts.rho.mean())
    caveats = list(outlook["caveats"])
    for entry in outlook["levels"]:
        place = LEVELS.index(entry["level"])
        first = counted.first_level == place
        entry |= describe_durability(
            counted.take(first),
            details.event_km[first],
            rho=float(cohorts.rho[place]),
            horizon_days=horizon_days,
            coverage=coverage,
        )
        overlap = describe_overlap(
            entry["level"], first, counted, details, rho=rho, coverage=coverage
        )
        entry["overlap"] = overlap
        if hardly_overlaps(overlap):
            entry["caveats"] = in_order([*entry["caveats"], "no_overlap"])
            caveats.append("no_overlap")
    outlook["paths"] = describe_paths(counted, details)
    outlook["evidence"], outlook["agreement"] = [], None
    if weighed is not None and len(counted):
        ours = weighed.take(kept)
        tried = {place: grids[place] for place in grids if (counted.first_level == place).any()}
        outlook["evidence"] = describe_evidence(
            counted, ours, tried, rho=cohorts.rho, horizon_days=horizon_days, coverage=coverage
        )
        outlook["agreement"] = describe_agreement(counted, ours, rho=rho, coverage=coverage)
    outlook["later"] = describe_later(
        lives,
        age_years=question.age_years,
        odometer_km=question.odometer_km,
        horizon_days=horizon_days,
        coverage=coverage,
    )
    caveats += _more_caveats(counted, details, outlook["agreement"], question)
    outlook["caveats"] = in_order(caveats)
    return outlook


def _more_caveats(
    counted: Neighbours,
    details: Circumstances,
    agreement: dict[str, Any] | None,
    question: Question,
) -> list[str]:
    caveats = []
    old = details.years_ago > OLD_YEARS
    if len(counted) and float(counted.similarity @ old) > counted.similarity.sum() / 2:
        caveats.append("old_cases")
    if agreement is not None and agreement["verdict"] == "conflict":
        caveats.append("conflicting_evidence")
    if question.circuits_only:
        caveats.append("generic_codes_only")
    return caveats
