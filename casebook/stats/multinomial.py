"""Intervals for several shares of one whole that cover all together."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from casebook.stats.proportions import check_confidence, wilson_interval

FloatArray = NDArray[np.float64]


def goodman_intervals(counts: ArrayLike, *, confidence: float = 0.95) -> FloatArray:
    """Simultaneous intervals for the shares of a multinomial.

    counts: how many of each kind, shape (kinds,), >= 0, not all 0, at least two kinds; may be
    fractional (effective counts). Kinds that could have come and didn't belong in it, with 0.
    Returns low, high: shape (2, kinds), in [0, 1]; with probability `confidence` all of them hold.
    Raises ValueError otherwise.
    Each is Wilson's score interval at 1 - (1 - confidence) / kinds.
    Source: Goodman 1965, On simultaneous confidence intervals for multinomial proportions,
    Technometrics 7:247.
    """
    k = np.asarray(counts, float)
    if k.ndim != 1 or len(k) < 2 or not np.all((k >= 0) & np.isfinite(k)) or not k.sum() > 0:
        raise ValueError("counts must be one row of two or more numbers >= 0, not all 0")
    check_confidence(confidence)
    total = k.sum()
    # The sum may exceed what it is made of by a rounding.
    return wilson_interval(np.minimum(k, total), total, confidence=1 - (1 - confidence) / len(k))
