"""How long repairs of one level held, in days and in distance, and how much is not known. Pure.

The curve is that of the similar cases alone, not drawn towards related units as `holds` is: the
weighted Aalen-Johansen estimate with `gone` competing. It ends where the weighted number still
watched falls below LEAST_AT_RISK.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebook.outcomes.outlook import NEAR_HORIZON, Neighbours
from casebook.stats.clustering import cluster_n_eff
from casebook.stats.durability import (
    CAME_BACK,
    CENSORED,
    LEAST_AT_RISK,
    Incidence,
    cumulative_incidence,
    effective_trials,
    followed_until,
    log_log_limits,
)
from casebook.stats.proportions import jeffreys_interval

FloatArray = NDArray[np.float64]

# Day 0 tells what was fixed at delivery at all.
DAYS: Final = (0, 30, 90, 180, 365, 545, 730, 1095, 1460, 1825)
DISTANCES_KM: Final = (0, 5_000, 10_000, 20_000, 30_000, 50_000, 75_000, 100_000, 150_000)
# A curve over distance needs the distance of at least this share of the weight.
LEAST_KM_KNOWN: Final = 0.5
# Rates of use are read off cases watched at least so long.
LEAST_RATE_DAYS: Final = 30.0


def describe_durability(
    cases: Neighbours, event_km: FloatArray, *, rho: float, horizon_days: float, coverage: float
) -> dict[str, Any]:
    """cases: all of one level, tried first. event_km: (n,), NaN where not known.

    `followed_share`: of the weight, those of which it is known whether they held to the horizon.
    `bounds`: how many held if all the others had failed, or had held.
    """
    if not len(cases):
        return {
            "durability": [], "durability_km": [], "km_known": None,
            "followed_share": None, "bounds": None,
        }  # fmt: skip
    weight = cases.similarity / cases.similarity.sum()
    n_eff = cluster_n_eff(cases.similarity, cases.cluster, rho=rho)
    grid = sorted({*DAYS, int(horizon_days)})
    curve = _curve(cases.event_days, cases, weight, n_eff, grid, coverage)
    known = ~np.isnan(event_km)
    km_known = float(weight @ known)
    curve_km = []
    if km_known >= LEAST_KM_KNOWN and _rate(cases.event_days, event_km, weight) > 0:
        km = np.where(known, event_km, cases.event_days * _rate(cases.event_days, event_km, weight))
        curve_km = _curve(km, cases, weight, n_eff, DISTANCES_KM, coverage)
    lost = (cases.event == CENSORED) & (cases.event_days < horizon_days)
    failed = (cases.event == CAME_BACK) & (cases.event_days <= horizon_days)
    share_lost, share_failed = float(weight @ lost), float(weight @ failed)
    return {
        "durability": [{"day": at, **point} for at, point in curve],
        "durability_km": [{"km": at, **point} for at, point in curve_km],
        "km_known": round(km_known, 3),
        "followed_share": round(1 - share_lost, 3),
        "bounds": [round(max(0.0, 1 - share_failed - share_lost), 4), round(1 - share_failed, 4)],
    }


def _curve(
    amounts: FloatArray,
    cases: Neighbours,
    weight: FloatArray,
    n_eff: float,
    grid: list[int] | tuple[int, ...],
    coverage: float,
) -> list[tuple[int, dict[str, Any]]]:
    end = followed_until(amounts, weight, size=n_eff)
    at = np.array([x for x in grid if x <= end], np.float64)  # NaN: nothing is
    if not len(at):
        return []
    # Near an amount a reading a little before it speaks for it, as it does for the horizon.
    asked = np.concatenate([at, NEAR_HORIZON * at])
    both = cumulative_incidence(
        amounts, cases.event, asked, weights=weight, size=n_eff, with_gone_variance=False
    )
    band = _band(both, len(at), n_eff, coverage)
    holding, low, high = (as_fractions(values).tolist() for values in band)
    at_risk = np.round(both.at_risk, 1).tolist()
    return [
        (int(x), {"holding": holding[i], "interval": [low[i], high[i]], "at_risk": at_risk[i]})
        for i, x in enumerate(at.tolist())
    ]


def as_fractions(values: FloatArray) -> FloatArray:
    """As `outlook.as_fraction`, many at once."""
    return np.asarray(np.round(values, 4).clip(1e-4, 1 - 1e-4), np.float64)


def _band(
    curve: Incidence, points: int, n_eff: float, coverage: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log-log limits; where those say nothing, all of one kind, Jeffreys' for as many cases as are
    known. A band that narrows again is drawn as wide as it was: limits only ever fall."""
    back, variance = curve.came_back[:points], curve.variance[:points]
    holding = 1 - back
    low, high = log_log_limits(holding, variance, confidence=coverage)
    open_ = np.isnan(low) | (variance <= 0)
    if open_.any():
        trials = effective_trials(
            back,
            curve.gone[:points],
            variance,
            watched=curve.at_risk[points:],
            events=curve.events[:points],
            n_eff=n_eff,
        )
        trials = np.maximum(trials, LEAST_AT_RISK)
        held = np.where(holding > 0.5, trials, 0.0)
        flat = jeffreys_interval(held, trials, confidence=coverage)
        low, high = np.where(open_, flat, [low, high])
    low = np.minimum.accumulate(low)
    high = np.maximum.accumulate(high[::-1])[::-1]
    return holding, np.minimum(low, holding), np.maximum(high, holding)


def _rate(days: FloatArray, km: FloatArray, weight: FloatArray) -> float:
    """km a day, the weighted median of those that tell; 0 where none does."""
    telling = ~np.isnan(km) & (days >= LEAST_RATE_DAYS)
    if not telling.any():
        return 0.0
    rate, w = km[telling] / days[telling], weight[telling]
    order = np.argsort(rate, kind="stable")
    half = np.searchsorted(np.cumsum(w[order]), w.sum() / 2)
    return float(rate[order][min(int(half), len(order) - 1)])
