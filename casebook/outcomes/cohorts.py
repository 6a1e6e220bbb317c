"""Unweighted cohorts from many cases at once: what surrounds a search, and what tables show. Pure.

The estimator is that of the outlook with all weights equal.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebook.cases.constants import LEVELS
from casebook.outcomes.memory import remembered
from casebook.outcomes.outlook import NEAR_HORIZON, ParentCohorts, Siblings
from casebook.stats.clustering import PRIOR_RHO, n_eff_from_sums, shrunk_rho
from casebook.stats.durability import CAME_BACK, GONE, effective_trials, grouped_incidence

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# Tables of groups by clusters up to this many cells are filled without sorting anything.
DENSE: Final = 1_000_000
# The largest cohorts side by side teach nearly all there is to learn from them.
MOST_SIBLINGS: Final = 40


# Compared by identity: one reading of the pool is one object.
@dataclass(frozen=True, eq=False)
class TriedCases:
    """Cases in which something was tried, as arrays of one length.

    level: place in LEVELS. event, event_days as in Neighbours. cluster: opaque shop numbers.
    """

    level: IntArray
    event: IntArray
    event_days: FloatArray
    cluster: IntArray

    def __len__(self) -> int:
        return len(self.level)

    def take(self, which: BoolArray | IntArray) -> TriedCases:
        return TriedCases(
            self.level[which], self.event[which], self.event_days[which], self.cluster[which]
        )


@dataclass(frozen=True)
class Cohorts:
    """Estimates of many cohorts; shapes (cohorts,).

    cases: count. n_eff: effective cases. came_back: incidence at the horizon. trials: what the
    estimate is worth in fully followed cases. watched: effective number followed near to it.
    """

    cases: IntArray
    n_eff: FloatArray
    came_back: FloatArray
    trials: FloatArray
    watched: FloatArray

    @property
    def held(self) -> FloatArray:
        return self.trials * (1 - self.came_back)


def estimate_cohorts(
    cases: TriedCases, groups: IntArray, count: int, *, rho: FloatArray, horizon_days: float
) -> Cohorts:
    """How often the cases of each group held.

    groups: for each case its group, from 0 to count - 1. rho: intra-shop correlation of each
    group, (count,). Raises ValueError on shapes that don't fit.
    """
    if groups.shape != cases.level.shape or rho.shape != (count,):
        raise ValueError("one group for each case and one rho for each group are needed")
    sizes, n_eff = _effective_sizes(groups, cases.cluster, count, rho)
    curve = grouped_incidence(cases.event_days, cases.event, groups, horizon_days, n_eff)
    scale = np.divide(n_eff, sizes, out=np.zeros(count), where=sizes > 0)
    near = cases.event_days >= NEAR_HORIZON * horizon_days
    watched = scale * np.bincount(groups[near], minlength=count).astype(np.float64)
    trials = effective_trials(
        curve.came_back,
        curve.gone,
        curve.variance,
        watched=watched,
        events=curve.events,
        n_eff=n_eff,
    )
    return Cohorts(sizes.astype(np.int64), n_eff, curve.came_back, trials, watched)


def _effective_sizes(
    groups: IntArray, cluster: IntArray, count: int, rho: FloatArray
) -> tuple[FloatArray, FloatArray]:
    sizes = np.bincount(groups, minlength=count).astype(np.float64)
    squares = _cluster_squares(groups, cluster, count)
    # One rho for all groups at once is what n_eff_from_sums takes.
    n_eff = np.zeros(count)
    for value in np.unique(rho):
        of_value = rho == value
        n_eff[of_value] = n_eff_from_sums(
            sizes[of_value], sizes[of_value], squares[of_value], rho=float(value)
        )
    return sizes, n_eff


def _cluster_squares(groups: IntArray, cluster: IntArray, count: int) -> FloatArray:
    """Of each group the sum of its squared numbers of cases per cluster, (count,)."""
    if not len(groups):
        return np.zeros(count)
    width = int(cluster.max()) + 1
    if cluster.min() < 0 or count * width > DENSE:
        cluster = np.unique(cluster, return_inverse=True)[1].astype(np.int64)
        width = int(cluster.max()) + 1
    cells = groups * width + cluster
    if count * width <= DENSE:
        table = np.bincount(cells, minlength=count * width).reshape(count, width)
        return np.asarray(np.square(table, dtype=np.float64).sum(axis=1), np.float64)
    found, in_cell = np.unique(cells, return_counts=True)
    squares = np.bincount(found // width, np.square(in_cell, dtype=np.float64), count)
    return np.asarray(squares, np.float64)


def level_rho(cases: TriedCases, horizon_days: float) -> FloatArray:
    """Intra-shop correlation of each level, shape (levels,), from cases known at the horizon."""
    failed = (cases.event == CAME_BACK) & (cases.event_days <= horizon_days)
    gone = (cases.event == GONE) & (cases.event_days <= horizon_days)
    known = (failed | (cases.event_days >= NEAR_HORIZON * horizon_days)) & ~gone
    rho = np.full(len(LEVELS), PRIOR_RHO)
    if not known.any():
        return rho
    shop = cases.cluster[known]
    if shop.min() < 0 or len(LEVELS) * (int(shop.max()) + 1) > DENSE:
        shop = np.unique(shop, return_inverse=True)[1].astype(np.int64)
    shops = int(shop.max()) + 1
    cells = cases.level[known] * shops + shop
    tried = np.bincount(cells, minlength=len(LEVELS) * shops).reshape(-1, shops)
    back = np.bincount(cells, failed[known], len(LEVELS) * shops).reshape(-1, shops)
    for level in range(len(LEVELS)):
        if tried[level].any():
            rho[level] = shrunk_rho(back[level], tried[level])
    return rho


def known_rho(cases: TriedCases, horizon_days: float) -> FloatArray:
    """`level_rho`, worked out once for each reading."""
    return remembered(cases, ("rho", horizon_days), lambda: level_rho(cases, horizon_days))


def siblings_of(
    cases: TriedCases, groups: IntArray, *, rho: FloatArray, horizon_days: float
) -> Siblings:
    """Cohorts side by side.

    groups: for each case its cohort, -1 to leave it out. rho: per level, (levels,).
    """
    kept = groups >= 0
    cases, groups = cases.take(kept), groups[kept]
    names, place = np.unique(groups, return_inverse=True)
    count = len(names)
    # Each level of each cohort is a group of its own.
    estimate = estimate_cohorts(
        cases,
        cases.level * count + place,
        count * len(LEVELS),
        rho=np.repeat(rho, count),
        horizon_days=horizon_days,
    )
    return largest(
        Siblings(
            estimate.held.reshape(len(LEVELS), count), estimate.trials.reshape(len(LEVELS), count)
        )
    )


def largest(siblings: Siblings, most: int = MOST_SIBLINGS) -> Siblings:
    """At most so many cohorts per level, those worth most; ties by place."""
    if siblings.trials.shape[1] <= most:
        return siblings
    order = np.argsort(-siblings.trials, axis=1, kind="stable")[:, :most]
    return Siblings(
        np.take_along_axis(siblings.held, order, axis=1),
        np.take_along_axis(siblings.trials, order, axis=1),
    )


@dataclass(frozen=True)
class KindCases:
    """The tried cases of one unit kind, with what parts them into cohorts.

    ids: 64 bits of each case's id. family, model: places in `families` and `models`.
    faults: circuit family -> rows of cases with a code of it.
    """

    cases: TriedCases
    ids: IntArray
    family: IntArray
    model: IntArray
    families: Mapping[str, int]
    models: Mapping[tuple[str, str], int]
    faults: Mapping[str, IntArray]


@dataclass(frozen=True)
class CaseIdentity:
    """Where a case belongs; None or empty: not said."""

    kind: str | None = None
    family: str | None = None
    model: tuple[str, str] | None = None
    faults: frozenset[str] = frozenset()


def cohorts_around(
    identity: CaseIdentity,
    kind: KindCases,
    other_kinds: Siblings,
    *,
    pool_shops: int,
    without_ids: Collection[int],
    horizon_days: float,
) -> ParentCohorts:
    """From the widest: other kinds; other families of the kind; other models in what is left;
    cases of it with other faults. What is left then is the narrowest cohort.

    A step of which nothing is said is left out. without_ids: the similar cases themselves.
    """
    rho = known_rho(kind.cases, horizon_days)
    inside = ~np.isin(kind.ids, np.fromiter(without_ids, np.int64, len(without_ids)))
    scopes = [other_kinds]

    def look_into(groups: IntArray, own: int) -> BoolArray:
        """Notes the cohorts beside the own one; says which cases are in that."""
        beside = np.where(inside & (groups != own), groups, -1)
        scopes.append(siblings_of(kind.cases, beside, rho=rho, horizon_days=horizon_days))
        return np.asarray(inside & (groups == own), np.bool_)

    unseen = -2
    if identity.family is not None:
        inside = look_into(kind.family, kind.families.get(identity.family, unseen))
    if identity.model is not None:
        inside = look_into(kind.model, kind.models.get(identity.model, unseen))
    if identity.faults:
        inside = look_into(_has_fault(kind, identity.faults).astype(np.int64), 1)
    own = np.where(inside, 0, -1)
    return ParentCohorts(
        pool_shops=pool_shops,
        rho=rho,
        scopes=tuple(scopes),
        own=siblings_of(kind.cases, own, rho=rho, horizon_days=horizon_days),
    )


def _has_fault(kind: KindCases, faults: frozenset[str]) -> BoolArray:
    found = np.zeros(len(kind.cases), np.bool_)
    for fault in faults:
        rows = kind.faults.get(fault)
        if rows is not None:
            found[rows] = True
    return found
