"""How the cases of one level differ from the others, before anything was done. Pure.

Nobody drew lots over which repair a vehicle got. Where those that got it looked worse at intake
than those that did not, the levels answer for different vehicles; where the two hardly overlap
they can't be compared at all.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from casebook.outcomes.circumstances import Circumstances
from casebook.outcomes.outlook import Neighbours
from casebook.stats.clustering import cluster_n_eff

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Severity is told in quarters: normal, slight, clear, grave, failed.
EDGES: Final = np.array([0.125, 0.375, 0.625, 0.875])
BINS: Final = len(EDGES) + 1
# With fewer effective cases whose findings tell, nothing is said.
LEAST_KNOWN: Final = 3.0
ENOUGH: Final = 5.0
# Less in common than this, and the levels were done to different vehicles.
LEAST_OVERLAP: Final = 0.5


def describe_overlap(
    level: str,
    first: BoolArray,
    cases: Neighbours,
    details: Circumstances,
    *,
    rho: float,
    coverage: float,
) -> dict[str, Any]:
    """level: its name. first: which cases tried it first. cases, details: all similar ones.

    `never_tried`: of the cases in which anything was tried, those that never came to this level.
    `severity`, `severity_others`: mean of those that tried it first, and of those that did not;
    null where too few findings tell. `overlap`: what the two have in common, 0 to 1.
    """
    tried = cases.first_level >= 0
    with_level = np.array([level in path for path in details.paths] or [False], np.bool_)
    never = tried & ~with_level[details.path] if len(details) else tried
    graded = ~np.isnan(details.severity)
    own, others = first & graded, tried & ~first & graded
    described: dict[str, Any] = {
        "never_tried": int(never.sum()),
        "known": [int(own.sum()), int(others.sum())],
        "severity": None, "severity_others": None, "difference": None, "interval": None,
        "overlap": None, "looked": None,
    }  # fmt: skip
    sizes = [_size(cases, which, rho) for which in (own, others)]
    if min(sizes) < LEAST_KNOWN:
        return described
    means, spreads, shares = zip(
        *(_graded(cases.similarity[which], details.severity[which]) for which in (own, others)),
        strict=True,
    )
    difference = means[0] - means[1]
    half = float(ndtri((1 + coverage) / 2)) * float(
        np.sqrt(spreads[0] / sizes[0] + spreads[1] / sizes[1])
    )
    described |= {
        "severity": round(means[0], 3),
        "severity_others": round(means[1], 3),
        "difference": round(difference, 3),
        "interval": [round(difference - half, 3), round(difference + half, 3)],
        "looked": "worse" if difference > half else "milder" if difference < -half else "alike",
    }
    if min(sizes) >= ENOUGH:
        described["overlap"] = round(float(np.minimum(shares[0], shares[1]).sum()), 3)
    return described


def hardly_overlaps(described: dict[str, Any]) -> bool:
    overlap = described["overlap"]
    return overlap is not None and overlap < LEAST_OVERLAP and described["looked"] != "alike"


def _size(cases: Neighbours, which: BoolArray, rho: float) -> float:
    if not which.any():
        return 0.0
    return cluster_n_eff(cases.similarity[which], cases.cluster[which], rho=rho)


def _graded(weight: FloatArray, severity: FloatArray) -> tuple[float, float, FloatArray]:
    """Mean, variance and shares of the grades."""
    w = weight / weight.sum()
    mean = float(w @ severity)
    shares = np.asarray(np.bincount(np.digitize(severity, EDGES), w, BINS), np.float64)
    return mean, float(w @ np.square(severity - mean)), shares
