"""Intervals for one binomial proportion. Counts may be fractional (effective counts)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, ndtri

FloatArray = NDArray[np.float64]


def wilson_interval(
    successes: ArrayLike, trials: ArrayLike, *, confidence: float = 0.95
) -> FloatArray:
    """Wilson's score interval.

    successes, trials: counts, broadcast to shape (n,) or scalar.
    Returns low, high: shape (2, n) or (2,); fractions in [0, 1].
    Raises ValueError unless 0 <= successes <= trials, trials > 0 (NaN fails)
    and 0 < confidence < 1.
    Source: Wilson 1927, JASA 22:209; Newcombe 1998, Stat Med 17:857, method 3.
    """
    k, n = _checked_counts(successes, trials, confidence)
    z = float(ndtri((1 + confidence) / 2))
    centre = (k + z**2 / 2) / (n + z**2)
    half = z * np.sqrt(k * (n - k) / n + z**2 / 4) / (n + z**2)
    return np.stack([centre - half, centre + half]).clip(0.0, 1.0)


def jeffreys_interval(
    successes: ArrayLike, trials: ArrayLike, *, confidence: float = 0.95
) -> FloatArray:
    """Equal-tailed interval of Jeffreys' posterior, Beta(k + 1/2, n - k + 1/2).

    The low end is 0 where nothing succeeded and the high end 1 where everything did, so that
    the interval does not miss a proportion at the very end.
    Shapes and errors as for `wilson_interval`.
    Source: Brown, Cai, DasGupta 2001, Stat Sci 16:101.
    """
    k, n = _checked_counts(successes, trials, confidence)
    tail = (1 - confidence) / 2
    low = np.where(k == 0, 0.0, betaincinv(k + 0.5, n - k + 0.5, tail))
    high = np.where(k == n, 1.0, betaincinv(k + 0.5, n - k + 0.5, 1 - tail))
    return np.stack([low, high])


def clopper_pearson_interval(
    successes: ArrayLike, trials: ArrayLike, *, confidence: float = 0.95
) -> FloatArray:
    """The exact interval: never covers less than `confidence`, and is wide for it.

    Shapes and errors as for `wilson_interval`.
    Source: Clopper and Pearson 1934, Biometrika 26:404; Newcombe 1998, method 5.
    """
    k, n = _checked_counts(successes, trials, confidence)
    tail = (1 - confidence) / 2
    # A beta distribution needs both parameters above 0; the ends are 0 and 1 by definition.
    low = np.where(k == 0, 0.0, betaincinv(np.where(k == 0, 1.0, k), n - k + 1, tail))
    high = np.where(k == n, 1.0, betaincinv(k + 1, np.where(k == n, 1.0, n - k), 1 - tail))
    return np.stack([low, high])


def _checked_counts(
    successes: ArrayLike, trials: ArrayLike, confidence: float
) -> tuple[FloatArray, FloatArray]:
    k, n = np.broadcast_arrays(np.asarray(successes, float), np.asarray(trials, float))
    if not np.all((k >= 0) & (k <= n) & (n > 0)):
        raise ValueError("need 0 <= successes <= trials and trials > 0")
    check_confidence(confidence)
    return k, n


def check_confidence(confidence: float) -> None:
    """Raises ValueError unless 0 < confidence < 1."""
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie in (0, 1), got {confidence!r}")
