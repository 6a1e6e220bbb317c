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
from casebook.outcomes.memory import remembered
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
MOST_LOOKED_AT: Final = 8_000


# Compared by identity: one reading of the pool is one object.
@dataclass(frozen=True, eq=False)
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

    def take(self, which: IntArray | slice) -> Lives:
        return Lives(
            self.age_years[which],
            self.odometer_km[which],
            self.fault_days[which],
            self.gone_days[which],
            self.watched_days[which],
            self.cluster[which],
        )


AsEvents = Callable[[Lives], tuple[IntArray, FloatArray]]
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
    weight = nearness(lives.take(slice(MOST_LOOKED_AT)), age_years, odometer_km)
    near = np.flatnonzero(weight > 0)[:MOST_NEAR]
    described = [
        _describe(
            as_events(lives.take(near)),
            weight[near],
            lives.cluster[near],
            _age_bands(lives, as_events, horizon_days).grid_beside(age_years),
            horizon_days,
            coverage,
        )
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
    events: tuple[IntArray, FloatArray],
    weight: FloatArray,
    cluster: IntArray,
    beside: tuple[Grid, float],
    horizon_days: float,
    coverage: float,
) -> dict[str, Any]:
    (event, days), (grid, rho) = events, beside
    nobody = np.full(len(weight), -1)
    estimate = estimate_level(
        Neighbours(weight, cluster, nobody, event, days, nobody),
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


@dataclass(frozen=True)
class _AgeBands:
    """What vehicles of each band of ages met. first_age: where each begins; NaN for those whose age
    is not known. happened, trials: effective numbers. rho: intra-shop correlation."""

    first_age: FloatArray
    happened: FloatArray
    trials: FloatArray
    rho: float

    def grid_beside(self, age_years: float | None) -> tuple[Grid, float]:
        """What the bands say that lie wholly out of reach of that age, and rho. Without an age the
        vehicles near are all there are."""
        if age_years is None:
            return vague_grid(), self.rho
        low, high = age_years - AGE_REACH_YEARS, age_years + AGE_REACH_YEARS
        beside = (self.first_age >= high) | (self.first_age + AGE_REACH_YEARS <= low)
        return learn(vague_grid(), self.happened[beside], self.trials[beside]), self.rho


def _age_bands(lives: Lives, as_events: AsEvents, horizon_days: float) -> _AgeBands:
    """The same for every search over one reading of a kind."""
    return remembered(
        lives,
        (as_events.__name__, horizon_days),
        lambda: _read_age_bands(lives, as_events, horizon_days),
    )


def _read_age_bands(lives: Lives, as_events: AsEvents, horizon_days: float) -> _AgeBands:
    some = lives.take(slice(MOST_LOOKED_AT))
    event, days = as_events(some)
    rho = _rho(event, days, some.cluster, horizon_days)
    band = np.floor(some.age_years / AGE_REACH_YEARS)
    first_age, place = np.unique(band, return_inverse=True)
    count = len(first_age)
    cohorts = estimate_cohorts(
        TriedCases(np.zeros(len(some), np.int64), event, days, some.cluster),
        place.astype(np.int64),
        count,
        rho=np.full(count, rho),
        horizon_days=horizon_days,
    )
    return _AgeBands(
        first_age * AGE_REACH_YEARS, cohorts.trials - cohorts.held, cohorts.trials, rho
    )


def _rho(event: IntArray, days: FloatArray, cluster: IntArray, horizon_days: float) -> float:
    """Intra-shop correlation among those of which it is known."""
    happened = (event == CAME_BACK) & (days <= horizon_days)
    known = happened | (days >= NEAR_HORIZON * horizon_days)
    _, shop = np.unique(cluster[known], return_inverse=True)
    return shrunk_rho(np.bincount(shop, happened[known]), np.bincount(shop))
