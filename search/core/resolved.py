"""Resolved cases: what the learned parts of the search learn from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Cure:
    """How a case was resolved."""

    level: str
    actions: tuple[str, ...]


@dataclass(frozen=True)
class Followed:
    """case: as the core reads it. held: whether service, tried first, held for the horizon; None
    where it was not tried or not seen so long. certainty: its weight for those not seen so long
    (1 / the chance of being seen)."""

    case: Mapping[str, Any]
    cure: Cure
    held: bool | None = None
    certainty: float = 0.0

    @property
    def cluster(self) -> int:
        return int(self.case.get("cluster") or 0)

    @property
    def kind(self) -> str:
        return str(self.case.get("unit_kind") or "")


def certainties(
    days: NDArray[np.float64], events: NDArray[np.int64], *, horizon_days: float
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Whether a repair held for the horizon, and the weight of knowing it.

    days: to the event, or to the last contact; NaN where it was not tried. events: 0 nothing more
    is known, 1 came back, 2 gone for another reason. Both shape (n,); negative days are errors.
    Returns held, weights, shape (n,): the weight is 0 where it is not known, else 1 / the chance
    of being watched until then (Kaplan-Meier of the losses), at most 10. A vehicle that is gone has
    not come back. Raises ValueError for negative days, other events or a horizon <= 0.
    Source: inverse probability of censoring weights, Robins & Finkelstein 2000, Biometrics 56:779
    (from memory, not verified).
    """
    tried = np.isfinite(days)
    if horizon_days <= 0 or np.any(days[tried] < 0) or not np.isin(events, (0, 1, 2)).all():
        raise ValueError("need days >= 0, events 0, 1 or 2, and a horizon above 0")
    back = tried & (events == 1) & (days <= horizon_days)
    known = tried & ((events != 0) | (days >= horizon_days))
    lost = tried & (events == 0)
    watched = np.where(tried, np.minimum(days, horizon_days), 0.0)
    stay, chance = {}, 1.0
    for day in np.unique(watched[lost & (days < horizon_days)]):
        at_risk = int((tried & (days >= day)).sum())
        chance *= 1.0 - int((lost & (days == day)).sum()) / at_risk
        stay[float(day)] = chance
    times = np.array([*stay], dtype=np.float64)
    chances = np.array([1.0, *stay.values()])
    # Watched up to the day itself: losses on that very day come after it.
    watching = chances[np.searchsorted(times, watched, side="left")]
    weights = np.where(known, 1.0 / np.maximum(watching, 0.1), 0.0)
    return known & ~back, weights
