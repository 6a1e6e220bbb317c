"""What vehicles like this one met later on, whatever was repaired. Pure.

A good repair in a worn-out vehicle is money lost: how often was there another fault, how often was
the vehicle sold or scrapped, within the horizon. Of vehicles whose same kind of unit was repaired,
those near in age and mileage weigh most; their share is drawn towards those of other ages.
A vehicle that is gone can't have another fault (competing); one with another fault can still go.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebook.outcomes.cohorts import TriedCases, estimate_cohorts
from casebook.outcomes.outlook import (
    LEAST_PRIOR,
    NEAR_HORIZON,
    Neighbours,
    as_fraction,
    estimate_level,
)
from casebook.stats.clustering import shrunk_rho
from casebook.stats.durability import CAME_BACK, CENSORED, GONE
from casebook.stats.shrinkage import Grid, learn, prior_worth, shrink, vague_grid

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Beyond this a vehicle is of another age, or of another mileage.
AGE_REACH_YEARS: Final = 4.0
MILEAGE_REACH: Final = float(np.log(2.0))
# A vehicle of which one of the two is not known counts half.
UNKNOWN: Final = 0.5
LEAST_KM: Final = 1_000.0
# Enough to tell: more would only take longer.
MOST_NEAR: Final = 800
MOST_FAR: Final = 2_000


@dataclass(frozen=True)
class Lives:
    """Vehicles after a repair of one kind of unit, as arrays of one length, in random order.

    age_years, odometer_km: then; NaN where not known. fault_days, gone_days: to another fault, and
    to when it was sold or scrapped; NaN where neither was seen. watched_days: to the last news.
    cluster: opaque shop numbers.
    """

    age_years: FloatArray
    odometer_km: FloatArray
    fault_days: FloatArray
    gone_days: FloatArray
    watched_days: FloatArray
    cluster: IntArray

    def __len__(self) -> int:
        return len(self.cluster)

    def take(self, which: IntArray) -> Lives:
        return Lives(
            self.age_years[which],
            self.odometer_km[which],
            self.fault_days[which],
            self.gone_days[which],
            self.watched_days[which],
            self.cluster[which],
        )


NOTHING: Final[dict[str, Any]] = {"probability": None, "interval": None, "prior_share": None}


def describe_later(
    lives: Lives | None,
    *,
    age_years: float | None,
    odometer_km: float | None,
    horizon_days: float,
    coverage: float,
) -> dict[str, Any]:
    """lives: of the unit's kind, None where that is not known. age_years, odometer_km: of the
    vehicle in question. Raises ValueError unless horizon_days > 0."""
    if not horizon_days > 0:
        raise ValueError(f"horizon_days must be positive, got {horizon_days!r}")
    if lives is None or not len(lives):
        return {"other_major_fault": NOTHING, "gone": NOTHING, "cases": 0, "coverage": coverage}
    weight = nearness(lives, age_years, odometer_km)
    near = np.flatnonzero(weight > 0)[:MOST_NEAR]
    far = np.flatnonzero(weight == 0)[:MOST_FAR]
    weight, lives, others = weight[near], lives.take(near), lives.take(far)
    described = [
        _describe(as_events, weight, lives, others, horizon_days, coverage)
        for as_events in (_as_faults, _as_departures)
    ]
    return {
        "other_major_fault": described[0],
        "gone": described[1],
        "cases": len(near),
        "coverage": coverage,
    }


def nearness(lives: Lives, age_years: float | None, odometer_km: float | None) -> FloatArray:
    """How much each vehicle's story tells of one of that age and mileage, 0 to 1; (n,)."""
    weight = np.ones(len(lives))
    if age_years is not None:
        apart = np.abs(lives.age_years - age_years) / AGE_REACH_YEARS
        weight *= np.where(np.isnan(apart), UNKNOWN, (1 - apart).clip(0, None))
    if odometer_km is not None:
        logs = np.log(np.maximum(lives.odometer_km, LEAST_KM))
        apart = np.abs(logs - np.log(max(odometer_km, LEAST_KM))) / MILEAGE_REACH
        weight *= np.where(np.isnan(apart), UNKNOWN, (1 - apart).clip(0, None))
    return weight


def _as_faults(lives: Lives) -> tuple[IntArray, FloatArray]:
    """(event, day) with CAME_BACK for another fault, GONE competing."""
    fault = np.nan_to_num(lives.fault_days, nan=np.inf)
    gone = np.nan_to_num(lives.gone_days, nan=np.inf)
    first = np.minimum(fault, gone)
    seen = np.isfinite(first)
    event = np.where(~seen, CENSORED, np.where(fault <= gone, CAME_BACK, GONE))
    return event, np.where(seen, first, lives.watched_days)


def _as_departures(lives: Lives) -> tuple[IntArray, FloatArray]:
    """(event, day) with CAME_BACK for being gone; nothing competes."""
    gone = ~np.isnan(lives.gone_days)
    return np.where(gone, CAME_BACK, CENSORED), np.where(gone, lives.gone_days, lives.watched_days)


def _describe(
    as_events: Callable[[Lives], tuple[IntArray, FloatArray]],
    weight: FloatArray,
    near: Lives,
    far: Lives,
    horizon_days: float,
    coverage: float,
) -> dict[str, Any]:
    event, days = as_events(near)
    other_event, other_days = as_events(far)
    rho = _rho(
        np.concatenate([event, other_event]),
        np.concatenate([days, other_days]),
        np.concatenate([near.cluster, far.cluster]),
        horizon_days,
    )
    grid = _other_ages(other_event, other_days, far, rho, horizon_days)
    nobody = np.full(len(near), -1)
    estimate = estimate_level(
        Neighbours(weight, near.cluster, nobody, event, days, nobody),
        rho=rho,
        horizon_days=horizon_days,
    )
    if estimate.trials <= 0 and prior_worth(grid) < LEAST_PRIOR:
        return NOTHING
    happened = max(estimate.trials - estimate.held, 0.0)
    found = shrink(grid, happened, estimate.trials, coverage=coverage)
    return {
        "probability": as_fraction(found.mean),
        "interval": [as_fraction(found.low), as_fraction(found.high)],
        "prior_share": round(found.prior_share, 3),
    }


def _rho(event: IntArray, days: FloatArray, cluster: IntArray, horizon_days: float) -> float:
    """Intra-shop correlation among those of which it is known."""
    happened = (event == CAME_BACK) & (days <= horizon_days)
    known = happened | (days >= NEAR_HORIZON * horizon_days)
    _, shop = np.unique(cluster[known], return_inverse=True)
    return shrunk_rho(np.bincount(shop, happened[known]), np.bincount(shop))


def _other_ages(
    event: IntArray, days: FloatArray, far: Lives, rho: float, horizon_days: float
) -> Grid:
    """What bands of other ages say, side by side. One band for those whose age is not known."""
    if not len(far):
        return vague_grid()
    age = np.nan_to_num(far.age_years, nan=-AGE_REACH_YEARS)
    _, band = np.unique(np.floor(age / AGE_REACH_YEARS), return_inverse=True)
    count = int(band.max()) + 1
    cohorts = estimate_cohorts(
        TriedCases(np.zeros(len(far), np.int64), event, days, far.cluster),
        band,
        count,
        rho=np.full(count, rho),
        horizon_days=horizon_days,
    )
    return learn(vague_grid(), cohorts.trials - cohorts.held, cohorts.trials)
