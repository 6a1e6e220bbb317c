"""How good stated probabilities were: measures of forecasts of a yes or no.

Forecasts are probabilities in [0, 1], outcomes 0 or 1, both shape (n,). weights: what each counts,
>= 0, not all 0; equal where left out. All functions raise ValueError on other shapes or values.

Where some outcomes were never seen, those that were stand for them (`seen_weights`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from casebook.stats.durability import CAME_BACK, CENSORED

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

BINS: Final = 10
# A forecast of never or always that fails would cost infinitely much.
LEAST_CHANCE: Final = 1e-4
# No outcome that was seen stands for more than so many.
MOST_WEIGHT: Final = 10.0


@dataclass(frozen=True)
class Reliability:
    """Forecasts in bins of equal width, shapes (bins,).

    edges: (bins + 1,). share: of the weight. stated: mean forecast, found: what came of it; both
    NaN in an empty bin.
    """

    edges: FloatArray
    share: FloatArray
    stated: FloatArray
    found: FloatArray


@dataclass(frozen=True)
class Decomposition:
    """score = reliability - resolution + uncertainty, exactly where all forecasts of a bin are
    equal."""

    reliability: float
    resolution: float
    uncertainty: float


def brier_score(
    forecasts: ArrayLike, outcomes: ArrayLike, *, weights: ArrayLike | None = None
) -> float:
    """Mean squared distance of forecast and outcome: 0 is perfect, 0.25 is always saying half.

    Source: Brier 1950, Monthly Weather Review 78:1; half of his sum over both classes.
    """
    p, y, w = _checked(forecasts, outcomes, weights)
    return float(w @ np.square(p - y))


def log_loss(
    forecasts: ArrayLike, outcomes: ArrayLike, *, weights: ArrayLike | None = None
) -> float:
    """Mean of -ln(chance given to what happened); forecasts are held away from the ends by
    LEAST_CHANCE. Source: Good 1952, JRSS B 14:107 (from memory, not verified)."""
    p, y, w = _checked(forecasts, outcomes, weights)
    p = p.clip(LEAST_CHANCE, 1 - LEAST_CHANCE)
    return float(-(w @ (y * np.log(p) + (1 - y) * np.log1p(-p))))


def reliability_table(
    forecasts: ArrayLike,
    outcomes: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    bins: int = BINS,
) -> Reliability:
    """What came of forecasts, bin by bin. A forecast on an edge is in the upper bin, 1 in the last.

    Raises ValueError unless bins >= 1 too.
    """
    p, y, w = _checked(forecasts, outcomes, weights)
    if bins < 1:
        raise ValueError(f"bins must be at least 1, got {bins!r}")
    # np.linspace misses 0.3 and others by a rounding, and a forecast of 0.3 its bin.
    edges = np.arange(bins + 1, dtype=np.float64) / bins
    place = np.clip(np.searchsorted(edges, p, side="right") - 1, 0, bins - 1)
    share = np.asarray(np.bincount(place, w, bins), np.float64)
    stated, found = (
        np.divide(
            np.bincount(place, w * x, bins), share, out=np.full(bins, np.nan), where=share > 0
        )
        for x in (p, y)
    )
    return Reliability(edges, share, stated, found)


def calibration_error(
    forecasts: ArrayLike,
    outcomes: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    bins: int = BINS,
) -> float:
    """Expected calibration error: mean distance of what was stated and what was found, over bins.

    Of few outcomes it is far from 0 by chance alone: about .045 for a perfect forecaster of 500.
    Source: Naeini et al. 2015, AAAI (from memory, not verified).
    """
    table = reliability_table(forecasts, outcomes, weights=weights, bins=bins)
    filled = table.share > 0
    return float(table.share[filled] @ np.abs(table.stated - table.found)[filled])


def decompose_brier(
    forecasts: ArrayLike,
    outcomes: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    bins: int = BINS,
) -> Decomposition:
    """Murphy's three parts. Source: Murphy 1973, Journal of Applied Meteorology 12:595."""
    table = reliability_table(forecasts, outcomes, weights=weights, bins=bins)
    filled = table.share > 0
    share, stated, found = table.share[filled], table.stated[filled], table.found[filled]
    usual = float(share @ found)
    return Decomposition(
        reliability=float(share @ np.square(stated - found)),
        resolution=float(share @ np.square(found - usual)),
        uncertainty=usual * (1 - usual),
    )


def seen_weights(
    days: ArrayLike, events: ArrayLike, horizon_days: float
) -> tuple[BoolArray, FloatArray]:
    """Whether a repair held to the horizon, and what it counts, both shape (n,).

    days: of the event or of the last contact, >= 0. events: codes of `casebook.stats.durability`.
    A repair counts 0 where it was lost before the horizon, else 1 over the chance of being followed
    as long as it was, at most MOST_WEIGHT: unbiased where being lost says nothing of the repair.
    A vehicle that is gone has proved that it did not come back.
    Raises ValueError unless the shapes are one row of one length and horizon_days > 0.
    Source: Graf et al. 1999, Statistics in Medicine 18:2529 (from memory, not verified).
    """
    t, kind = np.asarray(days, float), np.asarray(events, np.int64)
    if not (t.ndim == 1 and t.shape == kind.shape and np.all(t >= 0)):
        raise ValueError("days and events must be rows of one length, days >= 0")
    if not horizon_days > 0:
        raise ValueError(f"horizon_days must be positive, got {horizon_days!r}")
    held = ~((kind == CAME_BACK) & (t <= horizon_days))
    if not len(t):
        return held, np.zeros(0)
    lost = (kind == CENSORED) & (t < horizon_days)
    until = np.minimum(t, horizon_days)
    times, place, count = np.unique(until, return_inverse=True, return_counts=True)
    watched = np.cumsum(count[::-1])[::-1]
    # What happens on a day happens before those last seen on that day leave.
    stays = np.cumprod(1 - np.bincount(place, lost, len(times)) / watched)
    followed = np.concatenate([[1.0], stays[:-1]])[place]
    weight = np.minimum(1 / np.maximum(followed, 1e-12), MOST_WEIGHT)
    return held, np.where(lost, 0.0, weight)


def _checked(
    forecasts: ArrayLike, outcomes: ArrayLike, weights: ArrayLike | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Weights come back summing to 1."""
    p, y = np.asarray(forecasts, float), np.asarray(outcomes, float)
    w = np.ones(p.shape) if weights is None else np.asarray(weights, float)
    if not (p.ndim == 1 and len(p) and p.shape == y.shape == w.shape):
        raise ValueError("forecasts, outcomes and weights must be rows of one length, not empty")
    if not np.all((p >= 0) & (p <= 1)) or not np.all((y == 0) | (y == 1)):
        raise ValueError("forecasts must lie in [0, 1] and outcomes be 0 or 1")
    if not np.all((w >= 0) & np.isfinite(w)) or not w.sum() > 0:
        raise ValueError("weights must be finite and >= 0, not all 0")
    return p, y, w / w.sum()
