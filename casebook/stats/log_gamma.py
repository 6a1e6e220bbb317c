"""Many logarithms of the gamma function at once: log Gamma(a + x) for fixed a and any x.

A Chebyshev series in log(1 + x) for each a. A sum over many x then costs one series of summed
coefficients instead of one function call for each pair of a and x.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln

FloatArray = NDArray[np.float64]

# Beyond the range the function itself is called. The nearest singularity lies pi off the axis, so
# each term of the series gains a factor of 1.8: this many reach the precision of the numbers.
LARGEST: Final = 20_000.0
TERMS: Final = 52
# So many factors can be multiplied before a logarithm is due, without leaving the range of floats.
_FACTORS: Final = 20


class LogGammaTable:
    """For offsets a > 0, shape (points,)."""

    def __init__(self, offsets: ArrayLike) -> None:
        """Raises ValueError unless offsets are one row of numbers above 0."""
        a = np.asarray(offsets, float)
        if a.ndim != 1 or not np.all((a > 0) & np.isfinite(a)):
            raise ValueError("offsets must be one row of numbers above 0")
        self.offsets = a
        angle = np.pi * (np.arange(TERMS) + 0.5) / TERMS
        nodes = np.expm1((np.cos(angle) + 1) / 2 * np.log1p(LARGEST))
        # One step away from zero everything is smooth: Gamma(a + x) = Gamma(a + x + 1) / (a + x).
        values = gammaln(a + 1 + nodes[:, None])
        series = np.cos(np.arange(TERMS)[:, None] * angle) * (2.0 / TERMS)
        series[0] /= 2
        self._coefficients: FloatArray = series @ values

    def each(self, x: ArrayLike) -> FloatArray:
        """log Gamma(a + x); x: shape (n,), >= 0. Returns (n, points)."""
        at = np.asarray(x, float)
        out = self._basis(at) @ self._coefficients - np.log(self.offsets + at[:, None])
        beyond = at > LARGEST
        if beyond.any():
            out[beyond] = gammaln(self.offsets + at[beyond, None])
        return np.asarray(out, np.float64)

    def sums(self, x: ArrayLike) -> FloatArray:
        """Sum of log Gamma(a + x) over x; x: shape (n,), >= 0. Returns (points,)."""
        at = np.asarray(x, float)
        beyond = at > LARGEST
        total = np.zeros(len(self.offsets))
        if beyond.any():
            total += gammaln(self.offsets + at[beyond, None]).sum(axis=0)
            at = at[~beyond]
        total += self._basis(at).sum(axis=0) @ self._coefficients
        for first in range(0, len(at), _FACTORS):
            factors = self.offsets + at[first : first + _FACTORS, None]
            total -= np.log(np.multiply.reduce(factors, axis=0))
        return total

    def _basis(self, x: FloatArray) -> FloatArray:
        place = 2 * np.log1p(np.minimum(x, LARGEST)) / np.log1p(LARGEST) - 1
        angle = np.arccos(place.clip(-1.0, 1.0))
        return np.asarray(np.cos(angle[:, None] * np.arange(TERMS)), np.float64)
