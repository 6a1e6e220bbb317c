"""What else is known of the similar cases, beside what the outlook itself needs. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Circumstances:
    """Arrays of one length, a place for each similar case.

    severity: of the worst finding at intake, in [0, 1]; NaN where nothing checked tells. event_km:
    how far it went to the event or to the last reading; NaN where no odometer tells. years_ago:
    since it was opened. path: place in `paths`, the levels tried in order (empty: nothing was).
    """

    severity: FloatArray
    event_km: FloatArray
    years_ago: FloatArray
    path: IntArray
    paths: tuple[tuple[str, ...], ...]

    def __len__(self) -> int:
        return len(self.path)

    def take(self, which: BoolArray) -> Circumstances:
        return Circumstances(
            self.severity[which],
            self.event_km[which],
            self.years_ago[which],
            self.path[which],
            self.paths,
        )
