"""The outlook: how often repairs at each level held on vehicles like this one. Pure.

What is estimated, for a level: the probability that a repair at that level, *tried first*, is
fixed at delivery and has not come back by the horizon. Not fixed is a comeback on day 0; a
comeback or a further attempt is an event on its day; a vehicle sold or scrapped competes; the last
contact censors. What was not tried counts neither for nor against.

1. Similar cases weigh by their similarity, from a cut-off on.
2. Cases of one shop resemble one another, so the effective number of cases is smaller than their
   number (casebook.stats.clustering).
3. Weighted cumulative incidence of comeback (casebook.stats.durability), worth so many fully
   followed cases.
4. Drawn towards the cohorts around it, widest to narrowest: other unit kinds, other families of
   the kind, other models of the family, the model with this fault; the similar cases themselves
   are in none of these (casebook.stats.shrinkage). Where a model of the evidence foretells the
   vehicle itself, towards that, as far as cohorts are alike (casebook.outcomes.forecast).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebook.cases.constants import LEVELS
from casebook.outcomes.caveats import CAVEATS
from casebook.stats.clustering import cluster_n_eff
from casebook.stats.durability import (
    CAME_BACK,
    CENSORED,
    GONE,
    LEAST_AT_RISK,
    cumulative_incidence,
    effective_trials,
)
from casebook.stats.multinomial import goodman_intervals
from casebook.stats.shrinkage import (
    Grid,
    descend,
    learn,
    learn_mean,
    prior_worth,
    shrink,
    told_mean,
    vague_grid,
)

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# Everything but looking: what can hold or come back.
REPAIR_LEVELS: Final = LEVELS[1:]

COVERAGE: Final = 0.9
LEAST_POOL_SHOPS: Final = 3
FEW_CASES: Final = 10.0
FAMILY_ONLY: Final = 3.0
# A contact a little before the horizon speaks for it.
NEAR_HORIZON: Final = 0.9
# A vague prior is worth one case; one worth hardly more says next to nothing.
LEAST_PRIOR: Final = 1.5
# How sure what a model foretells is, in cases, and the chance that similar cases lie further from
# it than cohorts lie apart. Measured in made-up worlds, where from 40 to 400 cases hardly differ.
FORETOLD_WORTH: Final = 80.0
FORETOLD_DOUBT: Final = 0.2
# Similar enough to count: half as similar as the best five are, and never below this.
LEAST_SIMILARITY: Final = 0.1
CUT_OFF: Final = 0.5
_BEST: Final = 5


@dataclass(frozen=True)
class Neighbours:
    """Similar cases as arrays of one length.

    similarity: fractions. cluster: opaque shop numbers. first_level, resolved_by: places in
    LEVELS, -1 where nothing was tried or it is unknown. event: CENSORED, CAME_BACK or GONE.
    event_days: of the event, or of the last contact.
    """

    similarity: FloatArray
    cluster: IntArray
    first_level: IntArray
    event: IntArray
    event_days: FloatArray
    resolved_by: IntArray

    def __len__(self) -> int:
        return len(self.similarity)

    def take(self, which: BoolArray) -> Neighbours:
        return Neighbours(
            self.similarity[which],
            self.cluster[which],
            self.first_level[which],
            self.event[which],
            self.event_days[which],
            self.resolved_by[which],
        )


@dataclass(frozen=True)
class Siblings:
    """Cohorts that lie side by side in one scope: effective numbers, shape (levels, cohorts)."""

    held: FloatArray
    trials: FloatArray


@dataclass(frozen=True)
class ParentCohorts:
    """What surrounds the similar cases, without them.

    pool_shops: shops that share cases. rho: intra-shop correlation per level, (levels,).
    scopes: widest first; each holds the cohorts beside the one that the next scope looks into.
    own: the narrowest cohort, of which the similar cases are a part: one column, or none where
    it has no other cases. foretold: per level, what a model of the evidence foretells for the
    vehicle itself (see `forecast`), (levels,), NaN where nothing.
    """

    pool_shops: int
    rho: FloatArray
    scopes: tuple[Siblings, ...] = ()
    own: Siblings | None = None
    foretold: FloatArray | None = None


@dataclass(frozen=True)
class Counts:
    """tried = held + came_back + gone + not_known, always."""

    tried: int
    held: int
    came_back: int
    gone: int
    not_known: int


def count_outcomes(event: IntArray, event_days: FloatArray, horizon_days: float) -> Counts:
    """What is known at the horizon of cases that were tried; both shapes (n,)."""
    by_then = event_days <= horizon_days
    came_back = int(((event == CAME_BACK) & by_then).sum())
    gone = int(((event == GONE) & by_then).sum())
    # An event after the horizon proves that the repair held until then.
    not_known = int(((event == CENSORED) & (event_days < horizon_days)).sum())
    tried = len(event)
    return Counts(tried, tried - came_back - gone - not_known, came_back, gone, not_known)


def compute_outlook(
    neighbours: Neighbours,
    cohorts: ParentCohorts,
    *,
    horizon_days: float,
    coverage: float = COVERAGE,
    grids: Mapping[int, Grid] | None = None,
) -> dict[str, Any] | None:
    """The outlook for the case that the neighbours are similar to; None for a pool of fewer than
    LEAST_POOL_SHOPS shops.

    horizon_days: > 0. coverage: of the intervals, in (0, 1). grids: `prior_grid` of each repair
    level, where the caller has them already. Raises ValueError otherwise, and on arrays that don't
    fit together.
    """
    _check(neighbours, horizon_days, coverage)
    if cohorts.pool_shops < LEAST_POOL_SHOPS:
        return None
    counted = neighbours.take(neighbours.similarity >= similarity_cut_off(neighbours.similarity))
    levels = []
    for place, level in enumerate(LEVELS):
        if level in REPAIR_LEVELS:
            grid = prior_grid(cohorts, place) if grids is None else grids[place]
            of_level = counted.take(counted.first_level == place)
            level_rho = float(cohorts.rho[place])
            entry = _describe_level(level, of_level, grid, level_rho, horizon_days, coverage)
            levels.append(entry | {"foretold": _foretold(cohorts, place)})
    rho = float(cohorts.rho.mean())
    shops = len(np.unique(counted.cluster))
    n_eff = cluster_n_eff(counted.similarity, counted.cluster, rho=rho) if len(counted) else 0.0
    caveats = _pool_caveats(counted, shops, n_eff)
    caveats += [key for level in levels if level["tried"] for key in level["caveats"]]
    if sum(level["tried"] > 0 for level in levels) > 1:
        caveats.append("observational")
    return {
        "cases": len(counted),
        "shops": shops if shops >= LEAST_POOL_SHOPS else None,
        "effective_cases": round(n_eff, 1),
        "levels": levels,
        "resolved_by": _describe_resolutions(counted, rho, coverage),
        "caveats": in_order(caveats),
    }


def similarity_cut_off(similarity: FloatArray) -> float:
    """Below this a case does not count."""
    if not len(similarity):
        return LEAST_SIMILARITY
    # The best one alone may be the same vehicle on an earlier visit.
    best = np.sort(similarity)[::-1][:_BEST]
    return max(LEAST_SIMILARITY, CUT_OFF * float(best.mean()))


def prior_grid(cohorts: ParentCohorts, level: int) -> Grid:
    """What the cohorts around say about one level; level: place in LEVELS."""
    grid = vague_grid()
    for step, siblings in enumerate(cohorts.scopes):
        if step:
            grid = descend(grid)
        grid = learn(grid, siblings.held[level], siblings.trials[level])
    if cohorts.foretold is not None and not np.isnan(cohorts.foretold[level]):
        mean = float(cohorts.foretold[level])
        return told_mean(grid, mean, FORETOLD_WORTH, doubt=FORETOLD_DOUBT)
    if not cohorts.scopes and cohorts.own is None:
        return grid
    # Similar cases are picked by what was found, unlike any cohort around: how far they lie from
    # those starts open.
    grid = descend(grid, alike=False)
    if cohorts.own is None or not cohorts.own.trials.shape[1]:
        return grid
    return learn_mean(grid, cohorts.own.held[level, 0], cohorts.own.trials[level, 0])


@dataclass(frozen=True)
class LevelEstimate:
    """held, trials: what the cases are worth. n_eff: effective cases. watched: weighted number
    followed up to near the horizon. ended: nobody is."""

    held: float
    trials: float
    n_eff: float
    watched: float
    ended: bool


def estimate_level(
    cases: Neighbours, *, rho: float, horizon_days: float, weights: FloatArray | None = None
) -> LevelEstimate:
    """How often these cases, all of one level, held. weights: their similarity if left out."""
    if not len(cases):
        return LevelEstimate(0.0, 0.0, 0.0, 0.0, ended=False)
    w = cases.similarity if weights is None else weights
    n_eff = cluster_n_eff(w, cases.cluster, rho=rho)
    asked = [horizon_days, NEAR_HORIZON * horizon_days]
    curve = cumulative_incidence(cases.event_days, cases.event, asked, weights=w, size=n_eff)
    trials = float(
        effective_trials(
            curve.came_back[0],
            curve.gone[0],
            curve.variance[0],
            watched=curve.at_risk[1],
            events=curve.events[0],
            n_eff=n_eff,
        )
    )
    return LevelEstimate(
        held=trials * (1 - float(curve.came_back[0])),
        trials=trials,
        n_eff=n_eff,
        watched=float(curve.at_risk[1]),
        ended=trials == 0.0,
    )


def describe_estimate(estimate: LevelEstimate, grid: Grid, coverage: float) -> dict[str, Any]:
    """The probability with its interval and how much of it the cohorts around gave; null where
    neither the cases nor those say enough."""
    told = estimate.trials > 0 or prior_worth(grid) >= LEAST_PRIOR
    if not told:
        return {"holds": None, "interval": None, "coverage": coverage, "prior_share": None}
    result = shrink(grid, estimate.held, estimate.trials, coverage=coverage)
    return {
        "holds": as_fraction(result.mean),
        "interval": [as_fraction(result.low), as_fraction(result.high)],
        "coverage": coverage,
        "prior_share": round(result.prior_share, 3),
    }


def _describe_level(
    level: str, cases: Neighbours, grid: Grid, rho: float, horizon_days: float, coverage: float
) -> dict[str, Any]:
    counts = count_outcomes(cases.event, cases.event_days, horizon_days)
    estimate = estimate_level(cases, rho=rho, horizon_days=horizon_days)
    described = describe_estimate(estimate, grid, coverage)
    return {
        "level": level,
        "tried": counts.tried,
        "held": counts.held,
        "came_back": counts.came_back,
        "gone": counts.gone,
        "not_known": counts.not_known,
        **described,
        "caveats": in_order(_level_caveats(counts, estimate, described["holds"] is None)),
    }


def _foretold(cohorts: ParentCohorts, level: int) -> float | None:
    if cohorts.foretold is None or np.isnan(cohorts.foretold[level]):
        return None
    return as_fraction(cohorts.foretold[level])


def _level_caveats(counts: Counts, estimate: LevelEstimate, is_null: bool) -> list[str]:
    if is_null:
        return ["no_evidence"]
    caveats = []
    if estimate.n_eff < FAMILY_ONLY:
        caveats.append("family_evidence_only")
    elif estimate.n_eff < FEW_CASES:
        caveats.append("few_cases")
    if counts.tried and estimate.ended:
        caveats.append("not_followed_so_long")
    elif counts.tried and _is_thin(counts, estimate):
        caveats.append("thin_follow_up")
    return caveats


def _is_thin(counts: Counts, estimate: LevelEstimate) -> bool:
    few_watched = estimate.watched < LEAST_AT_RISK and counts.not_known > counts.held
    return few_watched or counts.not_known > counts.tried / 2


def _pool_caveats(counted: Neighbours, shops: int, n_eff: float) -> list[str]:
    if not len(counted):
        return ["no_similar_cases"]
    caveats = []
    if n_eff < FEW_CASES:
        caveats.append("few_cases")
    _, place = np.unique(counted.cluster, return_inverse=True)
    weight = np.bincount(place, counted.similarity)
    if shops < LEAST_POOL_SHOPS:
        caveats.append("few_shops")
    elif weight.max() > weight.sum() / 2:
        caveats.append("one_shop_dominates")
    return caveats


def _describe_resolutions(counted: Neighbours, rho: float, coverage: float) -> list[dict[str, Any]]:
    """What it took in the end, among the cases where that is known.

    The intervals cover all together with the stated probability (Goodman's, at the effective
    number of cases); levels that no case took are counted in.
    """
    known = counted.take(counted.resolved_by >= 0)
    if not len(known):
        return []
    weight = np.bincount(known.resolved_by, known.similarity, len(LEVELS))
    share = weight / weight.sum()
    n_eff = cluster_n_eff(known.similarity, known.cluster, rho=rho)
    low, high = goodman_intervals(share * n_eff, confidence=coverage)
    return [
        {
            "level": LEVELS[place],
            "cases": int((known.resolved_by == place).sum()),
            "of": len(known),
            "share": as_fraction(share[place]),
            "interval": [as_fraction(low[place]), as_fraction(high[place])],
        }
        for place in np.flatnonzero(weight)
    ]


def as_fraction(value: float) -> float:
    """Four places, and never an end: nothing is certain."""
    return round(min(max(float(value), 1e-4), 1 - 1e-4), 4)


def in_order(caveats: Iterable[str]) -> list[str]:
    """Once each, the most important first."""
    found = set(caveats)
    return [key for key in CAVEATS if key in found]


def _check(neighbours: Neighbours, horizon_days: float, coverage: float) -> None:
    shapes = {np.shape(values) for values in vars(neighbours).values()}
    if len(shapes) != 1 or len(next(iter(shapes))) != 1:
        raise ValueError("the arrays of neighbours must be rows of one length")
    for places in (neighbours.first_level, neighbours.resolved_by):
        if len(places) and not (places.min() >= -1 and places.max() < len(LEVELS)):
            raise ValueError("levels are places in LEVELS, or -1")
    if not horizon_days > 0:
        raise ValueError(f"horizon_days must be positive, got {horizon_days!r}")
    if not 0 < coverage < 1:
        raise ValueError(f"coverage must lie in (0, 1), got {coverage!r}")
