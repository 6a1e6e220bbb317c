"""Fits the model of `forecast` to past cases, and judges it on shops it has not seen. Pure.

Past cases are described by profiles whose model never saw their shop, and count for those that
were lost to follow-up (`seen_weights`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression

from casebook.cases.constants import LEVELS
from casebook.outcomes.forecast import Evidence, ForecastModel, log_chances, read_inputs
from search.core.evaluation import bootstrap_interval
from search.core.profile_fitting import deal_shops
from search.core.threads import on_one_thread

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

FOLDS: Final = 5
# Below these nothing is fitted; above, it must still prove itself.
FEWEST_CASES, FEWEST_SHOPS = 200, 5
# Inverse strengths of the penalty; the out-of-fold log loss chooses, see `_choose`.
PENALTIES: Final = (0.003, 0.01, 0.03, 0.1)
# The gain must be above nothing by one standard error: more would keep out many models that help,
# and one that does not help does little harm beside the similar cases.
SURE: Final = 0.68
# What a level has of its own costs so much more than what all share.
OWN_SCALE: Final = 1.0


@dataclass(frozen=True)
class ForecastFit:
    """model: None where none is used; why: why not. cases: whose outcome is known. gain: log loss
    of the unit kinds' rates less that of the model, per case of shops not seen, with its 95 %
    interval over shops."""

    model: ForecastModel | None
    cases: int
    shops: int
    why: str = ""
    penalty: float = float("nan")
    gain: tuple[float, float, float] | None = None


@on_one_thread()
def fit_forecast(
    evidence: Evidence,
    *,
    level: IntArray,
    held: BoolArray,
    weights: FloatArray,
    shops: IntArray,
    seed: int = 1,
) -> ForecastFit:
    """level: tried first, places in LEVELS. held, weights: as `seen_weights` gives them. shops: of
    the cases; all shape (n,). Raises ValueError where lengths differ."""
    if not len(evidence) == len(level) == len(held) == len(weights) == len(shops):
        raise ValueError("need one level, outcome, weight and shop per case")
    known = np.flatnonzero((weights > 0) & (level > 0))
    evidence, level, shops = evidence.take(known), level[known], shops[known]
    y, w = held[known].astype(np.int64), weights[known]
    count, shop_count = len(known), len(np.unique(shops))
    if count < FEWEST_CASES or shop_count < FEWEST_SHOPS or len(np.unique(y)) < 2:
        return ForecastFit(None, count, shop_count, "too few cases or shops")
    table = _Table(evidence, level, y, w)
    fold_of = deal_shops(shops, FOLDS)
    folds = np.array([fold_of[int(shop)] for shop in shops])
    outside = {penalty: np.zeros(count) for penalty in PENALTIES}
    usual = np.zeros(count)
    for fold in np.unique(folds):
        seen, own = np.flatnonzero(folds != fold), np.flatnonzero(folds == fold)
        usual[own] = table.rates(seen, own)
        for penalty in PENALTIES:
            model = table.fit(seen, penalty)
            forecast = model.foretell(evidence.take(own))[np.arange(len(own)), level[own]]
            # A level that those shops never tried.
            outside[penalty][own] = np.where(np.isnan(forecast), usual[own], forecast)
    losses = {penalty: _losses(forecast, y) * w / w.mean() for penalty, forecast in outside.items()}
    best = _choose(losses, shops, seed)
    gained = _losses(usual, y) * w / w.mean() - losses[best]
    low, high = bootstrap_interval(gained, shops, seed=seed)
    gain = (float(gained.mean()), float(low), float(high))
    sure, _ = bootstrap_interval(gained, shops, seed=seed, confidence=SURE)
    if sure <= 0:
        why = "foretells no better than the rates of the unit kinds"
        return ForecastFit(None, count, shop_count, why, best, gain)
    return ForecastFit(table.fit(np.arange(count), best), count, shop_count, "", best, gain)


def _choose(losses: Mapping[float, FloatArray], shops: IntArray, seed: int) -> float:
    """The strongest penalty that is within one standard error of the best.

    Source: Breiman et al. 1984, Classification and Regression Trees, section 3.4.3 (from memory,
    not verified).
    """
    best = min(losses, key=lambda penalty: (losses[penalty].mean(), penalty))
    for penalty in sorted(losses):
        worse = losses[penalty] - losses[best]
        low, high = bootstrap_interval(worse, shops, seed=seed, confidence=0.68)
        if worse.mean() <= (high - low) / 2:
            return penalty
    return best


class _Table:
    """Cases to fit to."""

    def __init__(self, evidence: Evidence, level: IntArray, y: IntArray, w: FloatArray) -> None:
        self.evidence, self.level, self.y, self.w = evidence, level, y, w
        self.kinds = tuple(sorted(set(evidence.kinds)))
        logs = log_chances(evidence.chances)
        told = ~np.isnan(logs[:, 0])
        self.centre = logs[told].mean(axis=0) if told.any() else np.zeros(len(LEVELS))
        self.inputs = read_inputs(evidence, self.kinds, self.centre)
        place = {kind: number for number, kind in enumerate(self.kinds)}
        self.kind = np.array([place[kind] for kind in evidence.kinds], np.int64)

    def fit(self, rows: IntArray, penalty: float) -> ForecastModel:
        """One regression on inputs that all levels share and, beside them, the same inputs for
        each level alone."""
        tried = np.eye(len(LEVELS))[self.level[rows]]
        shared = self.inputs[rows]
        own = OWN_SCALE * (tried[:, :, None] * shared[:, None, :]).reshape(len(rows), -1)
        design = np.hstack([shared, own, 2.0 * tried])
        fitted = LogisticRegression(C=penalty, max_iter=1_000).fit(
            design, self.y[rows], sample_weight=self.w[rows]
        )
        found = fitted.coef_[0]
        width = shared.shape[1]
        of_level = OWN_SCALE * found[width : -len(LEVELS)].reshape(len(LEVELS), width)
        intercepts = fitted.intercept_[0] + 2.0 * found[-len(LEVELS) :]
        intercepts = np.where(tried.any(axis=0), intercepts, np.nan)
        return ForecastModel(self.kinds, self.centre, found[:width] + of_level, intercepts)

    def rates(self, seen: IntArray, own: IntArray) -> FloatArray:
        """How often the level held on the kind, drawn to the level's rate by two cases."""
        shape = (len(LEVELS), len(self.kinds))
        at = (self.level[seen], self.kind[seen])
        total, good = np.zeros(shape), np.zeros(shape)
        np.add.at(total, at, self.w[seen])
        np.add.at(good, at, self.w[seen] * self.y[seen])
        every = (good.sum(axis=1) + 1) / (total.sum(axis=1) + 2)
        rate = (good + 2 * every[:, None]) / (total + 2)
        return np.asarray(rate[self.level[own], self.kind[own]], np.float64)


def _losses(forecast: FloatArray, y: IntArray) -> FloatArray:
    p = forecast.clip(1e-4, 1 - 1e-4)
    return np.asarray(-np.where(y == 1, np.log(p), np.log1p(-p)), np.float64)
