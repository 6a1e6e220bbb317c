"""How good a ranking is: the usual measures, and how sure they are.

A ranking is given as the gains of its cases in the order in which they were found (or, for the
yes-or-no measures, as truth values). Gains are linear: a case worth 2 counts twice one worth 1.

Two conventions of the discount are in use. Casebook reports `log2(i + 1)` at rank i, which already
halves the gain of rank 3 against rank 1. The older one divides by log2(i) from rank 2 on, so that
ranks 1 and 2 count alike; it is here to be checked against its published example.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Convention = Literal["log2(i+1)", "log2(i)"]


def precision_at(relevant: ArrayLike, k: int) -> float:
    """Share of the first k ranks that hold something relevant.

    relevant: truth values in the order found, shape (n,); ranks beyond n hold nothing.
    Raises ValueError unless k >= 1.
    """
    return float(_truths(relevant)[: _depth(k)].sum()) / k


def reciprocal_rank(relevant: ArrayLike) -> float:
    """1 / rank of the first relevant case, 0 where none was found. relevant: shape (n,)."""
    found = np.flatnonzero(_truths(relevant))
    return 1.0 / (1.0 + float(found[0])) if len(found) else 0.0


def average_precision(relevant: ArrayLike, relevant_in_all: int) -> float:
    """Mean, over everything relevant, of the precision at its rank; 0 for what was not found.

    relevant: shape (n,). relevant_in_all: how many there are to find.
    NaN where there is nothing to find. Raises ValueError where more was found than there is.
    Source: Manning, Raghavan & Schütze 2008, Introduction to Information Retrieval, section 8.4.
    """
    truths = _truths(relevant)
    found = np.flatnonzero(truths)
    if len(found) > relevant_in_all:
        raise ValueError(f"{len(found)} relevant found, but only {relevant_in_all} in all")
    if relevant_in_all == 0:
        return float("nan")
    precisions = np.arange(1, len(found) + 1) / (found + 1.0)
    return float(precisions.sum()) / relevant_in_all


def cumulated_gain(
    gains: ArrayLike, *, convention: Convention = "log2(i+1)"
) -> NDArray[np.float64]:
    """Discounted cumulated gain at every rank, shape (n,).

    gains: >= 0, in the order found, shape (n,).
    Source: Järvelin & Kekäläinen 2002, ACM TOIS 20:422, for "log2(i)" (their base b = 2).
    """
    worth = _gains(gains)
    ranks = np.arange(1, len(worth) + 1, dtype=np.float64)
    discounts = np.log2(ranks + 1) if convention == "log2(i+1)" else np.log2(ranks.clip(2.0))
    return np.cumsum(worth / discounts)


def ndcg_at(
    gains: ArrayLike,
    available: ArrayLike,
    k: int,
    *,
    convention: Convention = "log2(i+1)",
) -> float:
    """Discounted gain of the first k ranks, as a share of the best order of what there is.

    gains: in the order found, shape (n,); ranks beyond n gain nothing. available: gains of every
    case that could have been found, in any order, shape (m,), those found included.
    NaN where nothing is worth finding. Raises ValueError unless k >= 1 and gains are >= 0.
    """
    best = np.sort(_gains(available))[::-1][: _depth(k)]
    if not best.sum() > 0:
        return float("nan")
    found = _gains(gains)[:k]
    if not len(found):
        return 0.0
    ideal = cumulated_gain(best, convention=convention)[-1]
    return float(cumulated_gain(found, convention=convention)[-1] / ideal)


def best_places(scores: NDArray[np.float64], depth: int) -> list[NDArray[np.int64]]:
    """Of each row of scores (shape (queries, cases)), the places of the best, best first; equal
    scores by place, those of 0 left out."""
    order = np.argsort(-scores, axis=1, kind="stable")[:, : _depth(depth)]
    return [best[row[best] > 0] for best, row in zip(order, scores, strict=True)]


def bootstrap_interval(
    values: ArrayLike,
    shops: ArrayLike,
    *,
    seed: int,
    resamples: int = 2_000,
    confidence: float = 0.95,
) -> NDArray[np.float64]:
    """Percentile interval of the mean of `values` when whole shops are drawn with replacement.

    Cases of a shop resemble one another, so it is shops that vary, not single cases. For a
    comparison give the differences case by case.
    values: finite, shape (n,). shops: of each value, any labels, shape (n,).
    Returns low, high: shape (2,). With one shop both are the mean: nothing can be said.
    Raises ValueError for no values, NaN, shapes that differ or a confidence outside (0, 1).
    Source: Efron & Tibshirani 1993, An Introduction to the Bootstrap, chapter 13 (percentile
    method; from memory, not verified), applied to clusters.
    """
    numbers = np.asarray(values, dtype=np.float64)
    _, members = np.unique(np.asarray(shops), return_inverse=True)
    if numbers.ndim != 1 or not len(numbers) or members.shape != numbers.shape:
        raise ValueError("need one value and one shop per case, and at least one case")
    if not np.all(np.isfinite(numbers)):
        raise ValueError("values must be finite")
    if not 0 < confidence < 1 or resamples < 1:
        raise ValueError("need 0 < confidence < 1 and resamples >= 1")
    shop_count = int(members.max()) + 1
    totals = np.bincount(members, weights=numbers)
    sizes = np.bincount(members).astype(np.float64)
    drawn = np.random.default_rng(seed).integers(shop_count, size=(resamples, shop_count))
    means = totals[drawn].sum(axis=1) / sizes[drawn].sum(axis=1)
    tail = (1 - confidence) / 2
    interval: NDArray[np.float64] = np.quantile(means, [tail, 1 - tail])
    return interval


def _depth(k: int) -> int:
    if k < 1:
        raise ValueError(f"k must be at least 1, got {k!r}")
    return k


def _truths(relevant: ArrayLike) -> NDArray[np.bool_]:
    truths = np.asarray(relevant, dtype=bool)
    if truths.ndim != 1:
        raise ValueError("need one truth value per rank")
    return truths


def _gains(gains: ArrayLike) -> NDArray[np.float64]:
    worth = np.asarray(gains, dtype=np.float64)
    if worth.ndim != 1 or not np.all((worth >= 0) & np.isfinite(worth)):
        raise ValueError("gains must be finite and >= 0, one per rank")
    return worth
