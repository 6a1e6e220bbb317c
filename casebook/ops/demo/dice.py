"""Seeded draws for one case, cheap enough for thousands of cases a second."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TypeVar

import numpy as np

T = TypeVar("T")

_AT_ONCE = 256


class Dice:
    """Draws that depend on the seed's numbers alone.

    Every case has dice of its own, so that asking for more cases leaves the first ones as they
    were. Only uniform numbers come from the generator (bit-identical on every platform); all else
    is worked out from them here.
    """

    def __init__(self, *seed: int) -> None:
        self._generator = np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed)))
        self._waiting: list[float] = []

    def roll(self) -> float:
        """Uniform in [0, 1)."""
        if not self._waiting:
            self._waiting = self._generator.random(_AT_ONCE).tolist()
        return self._waiting.pop()

    def chance(self, probability: float) -> bool:
        return self.roll() < probability

    def between(self, low: float, high: float) -> float:
        return low + (high - low) * self.roll()

    def whole(self, low: int, high: int) -> int:
        """A whole number from low to high, both included."""
        return low + int(self.roll() * (high - low + 1))

    def pick(self, items: Sequence[T]) -> T:
        return items[int(self.roll() * len(items))]

    def weigh(self, weights: Mapping[T, float]) -> T:
        """A key, as often as its weight says."""
        left = self.roll() * sum(weights.values())
        for key, weight in weights.items():
            left -= weight
            if left < 0:
                return key
        return key

    def normal(self, mean: float = 0.0, spread: float = 1.0) -> float:
        # Box and Muller 1958; the second number is not worth keeping.
        radius = math.sqrt(-2.0 * math.log(1.0 - self.roll()))
        return mean + spread * radius * math.cos(2.0 * math.pi * self.roll())

    def wait(self, mean: float, shape: float = 1.0) -> float:
        """A waiting time (Weibull); shape under 1 puts more of it at the start."""
        scale = mean / math.gamma(1.0 + 1.0 / shape)
        return scale * math.pow(-math.log(1.0 - self.roll()), 1.0 / shape)
