"""Whether what the outlook states comes true, on an installation's own cases. Pure.

Shops are dealt into folds. Every query is a case of one fold that asks the cases of the other
folds' shops, with its intake evidence; what the outlook states of the level that was tried first is
held against what became of it. So a shop's own cases never foretell themselves, and what is learned
is learned without the asking shop.

Cases lost before the horizon are not judged; those that were followed count for them
(`seen_weights`), which is fair where being lost says nothing of the repair. Whether an interval
covers the truth can't be seen on real cases: a case holds or not, its chance is never shown.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebook.cases.constants import LEVELS
from casebook.outcomes.case_pool import Asked, CasePool, TriedCase, fit_to_cases
from casebook.outcomes.outlook import LEAST_POOL_SHOPS, REPAIR_LEVELS, estimate_level
from casebook.stats.calibration import (
    Reliability,
    brier_score,
    calibration_error,
    log_loss,
    reliability_table,
    seen_weights,
)
from search.core import CaseIndex, Design
from search.core.evaluation import bootstrap_interval

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FOLDS: Final = 5
# Fewer judged cases than this say nothing.
FEWEST: Final = 50
OURS: Final = "Casebook"
NEIGHBOURS: Final = "rate of the similar cases"
USUAL: Final = "rate of the unit kind"
# So many made-up repetitions tell what error chance alone would show.
REPETITIONS: Final = 200
# A rate of few cases counts as worth two cases of the level's own rate.
_WORTH: Final = 2.0


@dataclass(frozen=True)
class Judged:
    """One way to foretell. behind: its Brier score less Casebook's with the 95 % interval over
    shops, None for Casebook itself."""

    way: str
    brier: float
    log_loss: float
    calibration_error: float
    behind: tuple[float, float, float] | None


@dataclass(frozen=True)
class Calibration:
    """asked: cases that asked; judged: of those, whose outcome at the horizon is known; shops: of
    those. not_said: share of the judged for which the outlook said nothing; they are judged by the
    rate of the unit kind. by_chance: the calibration error that forecasts as good as these would
    show of so many cases, were each of them exactly right. rows: empty where too few were judged.
    """

    asked: int
    judged: int
    shops: int
    horizon_days: float
    not_said: float = 0.0
    by_chance: float = 0.0
    rows: tuple[Judged, ...] = ()
    reliability: Reliability | None = None


@dataclass(frozen=True)
class Foretold:
    """Of cases that asked, at the level that was tried first: shapes (n,). holds: NaN where the
    outlook said nothing; near, usual: the two plain rates."""

    places: IntArray
    holds: FloatArray
    near: FloatArray
    usual: FloatArray


def judge_outlooks(
    cases: Sequence[TriedCase],
    design_for: Callable[[Sequence[TriedCase]], Design],
    *,
    horizon_days: float,
    most_queries: int,
    seed: int,
    on_step: Callable[[], None] | None = None,
) -> Calibration:
    """design_for: what to search some cases with; it sees no case of the shops that will ask.

    on_step: called for every query asked. Raises ValueError unless horizon_days > 0 and
    most_queries >= 1.
    """
    if not horizon_days > 0 or most_queries < 1:
        raise ValueError("need a positive horizon and at least one query")
    repaired = [one for one in cases if LEVELS[one.first_level] in REPAIR_LEVELS]
    shops = np.array([one.cluster for one in repaired], np.int64)
    if len(np.unique(shops)) <= LEAST_POOL_SHOPS:
        return Calibration(0, 0, 0, horizon_days)
    foretold = _foretell(repaired, shops, design_for, horizon_days, most_queries, seed, on_step)
    asking = [repaired[place] for place in foretold.places.tolist()]
    return judge_forecasts(
        {OURS: foretold.holds, NEIGHBOURS: foretold.near, USUAL: foretold.usual},
        days=np.array([one.event_days for one in asking], np.float64),
        events=np.array([one.event for one in asking], np.int64),
        shops=shops[foretold.places],
        horizon_days=horizon_days,
        seed=seed,
    )


def judge_forecasts(
    forecasts: dict[str, FloatArray],
    *,
    days: FloatArray,
    events: IntArray,
    shops: IntArray,
    horizon_days: float,
    seed: int,
) -> Calibration:
    """forecasts: by way, with OURS and USUAL among them, shape (n,); NaN where a way says nothing,
    which is judged as USUAL. days, events: as in `seen_weights`. shops: of each case."""
    held, weight = seen_weights(days, events, horizon_days)
    known = weight > 0
    if known.sum() < FEWEST:
        return Calibration(len(held), int(known.sum()), len(np.unique(shops[known])), horizon_days)
    y, w, shop = held[known].astype(np.float64), weight[known], shops[known]
    said = {
        way: np.where(np.isnan(values), forecasts[USUAL], values)[known]
        for way, values in forecasts.items()
    }
    ours = said[OURS]
    return Calibration(
        asked=len(held),
        judged=int(known.sum()),
        shops=len(np.unique(shop)),
        horizon_days=horizon_days,
        not_said=float(np.isnan(forecasts[OURS][known]).mean()),
        by_chance=error_by_chance(ours, w, seed=seed),
        rows=tuple(
            Judged(
                way,
                brier_score(p, y, weights=w),
                log_loss(p, y, weights=w),
                calibration_error(p, y, weights=w),
                None if way == OURS else _behind(p, ours, y, w, shop, seed),
            )
            for way, p in said.items()
        ),
        reliability=reliability_table(ours, y, weights=w),
    )


def error_by_chance(forecasts: FloatArray, weights: FloatArray, *, seed: int) -> float:
    """Mean calibration error of outcomes drawn from the forecasts themselves."""
    rng = np.random.default_rng(seed)
    drawn = rng.random((REPETITIONS, len(forecasts))) < forecasts
    return float(np.mean([calibration_error(forecasts, y, weights=weights) for y in drawn]))


def _behind(
    p: FloatArray, ours: FloatArray, y: FloatArray, w: FloatArray, shop: IntArray, seed: int
) -> tuple[float, float, float]:
    """Weighted by counting each case as its weight of the mean."""
    lost = (np.square(p - y) - np.square(ours - y)) * w / w.mean()
    low, high = bootstrap_interval(lost, shop, seed=seed)
    return float(lost.mean()), float(low), float(high)


# --- Asking -----------------------------------------------------------------------------------


def _foretell(
    cases: Sequence[TriedCase],
    shops: IntArray,
    design_for: Callable[[Sequence[TriedCase]], Design],
    horizon_days: float,
    most_queries: int,
    seed: int,
    on_step: Callable[[], None] | None,
) -> Foretold:
    rng = np.random.default_rng(seed)
    names, number = np.unique(shops, return_inverse=True)
    fold_of = (rng.permutation(len(names)) % FOLDS)[number]
    chosen = np.sort(rng.permutation(len(cases))[:most_queries])
    parts = [np.zeros((0, 4))]
    for fold in np.unique(fold_of[chosen]).tolist():
        past = [cases[place] for place in np.flatnonzero(fold_of != fold).tolist()]
        pool = CasePool(past)
        design = design_for(past)
        index = CaseIndex.build(pool.numbered(), design=design)
        forecast = fit_to_cases(past, design, horizon_days=horizon_days, seed=seed).model
        rates = _usual_rates(pool, horizon_days)
        for place in chosen[fold_of[chosen] == fold].tolist():
            one = cases[place]
            asked = pool.ask(index, one.case, horizon_days=horizon_days, forecast=forecast)
            of_kind = rates.get((one.kind, one.first_level), rates["", one.first_level])
            parts.append(np.array([[place, *_said(asked, one, horizon_days), of_kind]]))
            if on_step is not None:
                on_step()
    table = np.concatenate(parts)
    table = table[np.argsort(table[:, 0], kind="stable")]
    return Foretold(table[:, 0].astype(np.int64), table[:, 1], table[:, 2], table[:, 3])


def _said(asked: Asked, one: TriedCase, horizon_days: float) -> tuple[float, float]:
    """What the outlook says of the level that was tried, and the plain rate of the similar."""
    if asked.outlook is None:
        return np.nan, np.nan
    name = LEVELS[one.first_level]
    entry = next(level for level in asked.outlook["levels"] if level["level"] == name)
    of_level = asked.near.take(asked.near.first_level == one.first_level)
    rho = float(asked.cohorts.rho[one.first_level])
    estimate = estimate_level(of_level, rho=rho, horizon_days=horizon_days)
    rate = estimate.held / estimate.trials if estimate.trials > 0 else np.nan
    return np.nan if entry["holds"] is None else entry["holds"], rate


def _usual_rates(pool: CasePool, horizon_days: float) -> dict[tuple[str, int], float]:
    """How often a level held on each unit kind, and (kind "") on all."""
    held, weight = seen_weights(pool.tried.event_days, pool.tried.event, horizon_days)
    rates: dict[tuple[str, int], float] = {}
    for level in range(len(LEVELS)):
        of_level = pool.tried.level == level
        total = weight[of_level].sum()
        rate = float((weight * held)[of_level].sum() / total) if total > 0 else 0.5
        rates["", level] = rate
        kind = pool.kind[of_level]
        seen = np.bincount(kind, weight[of_level], len(pool.kind_names))
        good = np.bincount(kind, (weight * held)[of_level], len(pool.kind_names))
        for place, name in enumerate(pool.kind_names):
            rates[name, level] = float((good[place] + _WORTH * rate) / (seen[place] + _WORTH))
    return rates
