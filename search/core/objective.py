"""How well weighted neighbours foretell, and the weights that make them foretell best."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from search.core.evaluation import ndcg_at

PENALTIES = (0.001, 0.01, 0.1)
# No weight moves further than this factor, whatever the cases seem to say.
MOST_FACTOR = 20.0
_FIRST_SHARPNESS = 15.0
# The word of the neighbours on service, and of the usual share, as numbers of cases.
_NEIGHBOURS_WORTH, _USUAL_WORTH = 20.0, 4.0
_NOWHERE = -1e9


@dataclass(frozen=True)
class Comparisons:
    """Held-out cases (queries) against candidates, Q x D, block by block (B).

    likeness: shape (Q, D, B), silence of a case credited. asks: shape (Q, B), whether the query
    has the block. alike: shape (Q, D), same resolution. there: shape (Q, D), False for padding.
    held, certainty: of the candidates, shape (Q, D); certainty 0 where nothing is known.
    own_held, own_certainty, shop, fold: of the queries, shape (Q,). usual: share of service that
    held among the candidates, shape (Q,).
    """

    blocks: tuple[str, ...]
    likeness: NDArray[np.float32]
    asks: NDArray[np.bool_]
    alike: NDArray[np.bool_]
    there: NDArray[np.bool_]
    held: NDArray[np.float32]
    certainty: NDArray[np.float32]
    own_held: NDArray[np.float64]
    own_certainty: NDArray[np.float64]
    shop: NDArray[np.int64]
    fold: NDArray[np.int64]
    usual: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.shop)

    def take(self, chosen: NDArray[np.bool_]) -> Comparisons:
        arrays = {name: getattr(self, name)[chosen] for name in ARRAYS}
        return Comparisons(self.blocks, **arrays)


ARRAYS = tuple(name for name in Comparisons.__dataclass_fields__ if name != "blocks")


@dataclass(frozen=True)
class Weighting:
    """weights: one per block, shape (B,), >= 0. sharpness: of the softmax over similarities."""

    weights: NDArray[np.float64]
    sharpness: float

    def without(self, place: int) -> Weighting:
        weights = self.weights.copy()
        weights[place] = 0.0
        return Weighting(weights, self.sharpness)


def shares(weights: NDArray[np.float64], asks: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Weights over the blocks that queries have, adding up to 1; shape of `asks`, (..., B)."""
    asked = weights * asks
    total = asked.sum(axis=-1, keepdims=True)
    out: NDArray[np.float64] = np.divide(asked, total, out=np.zeros_like(asked), where=total > 0)
    return out


def score(together: Comparisons, weighting: Weighting) -> NDArray[np.float64]:
    """Of each query, shape (Q,): log chance that a neighbour drawn by softmax has the same
    resolution, plus the log score of service holding, by its certainty, where it is known."""
    return _score(together, weighting)[0]


def rank_quality(together: Comparisons, weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """nDCG@10 of each query, shape (Q,): cases resolved alike are what is to find."""
    parts = shares(weights, together.asks)
    similarity = np.einsum("qdb,qb->qd", together.likeness, parts)
    best = np.argsort(-np.where(together.there, similarity, -1.0), axis=1, kind="stable")[:, :10]
    found = np.take_along_axis(together.alike, best, axis=1)
    return np.array(
        [ndcg_at(gains, alike, 10) for gains, alike in zip(found, together.alike, strict=True)]
    )


def fit(together: Comparisons, start: NDArray[np.float64], penalty: float) -> Weighting:
    """The best weights by score less `penalty` times the mean squared log distance to `start`;
    with an infinite penalty the start itself, with the sharpness that suits it. Weights that
    start at 0 stay there."""
    free = (start > 0) & np.isfinite(penalty)
    blocks = int(free.sum())
    width = np.log(MOST_FACTOR)

    def weighting(x: NDArray[np.float64]) -> Weighting:
        weights = start.copy()
        weights[free] *= np.exp(x[:blocks])
        return Weighting(weights, float(np.exp(x[blocks])))

    def loss(x: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        scores, by_weight, by_sharpness = _score(together, weighting(x))
        moved = x[:blocks]
        value = -float(scores.mean())
        slope = -np.append(by_weight[:, free].mean(axis=0), by_sharpness.mean())
        if blocks:
            value += penalty * float(moved @ moved)
            slope[:blocks] += 2 * penalty * moved
        return value, slope

    found = minimize(
        loss,
        np.append(np.zeros(blocks), np.log(_FIRST_SHARPNESS)),
        jac=True,
        method="L-BFGS-B",
        bounds=[(-width, width)] * blocks + [(np.log(0.1), np.log(200.0))],
        options={"maxiter": 60, "ftol": 1e-7},
    )
    return weighting(found.x)


def choose_penalty(together: Comparisons, start: NDArray[np.float64]) -> float:
    """The penalty whose weights score best in folds that they have not seen; the stronger of
    equals; infinite where no moving helps."""
    best = (-np.inf, np.inf)
    for penalty in (np.inf, *sorted(PENALTIES, reverse=True)):
        total = 0.0
        for fold in np.unique(together.fold):
            seen, own = together.take(together.fold != fold), together.take(together.fold == fold)
            total += float(score(own, fit(seen, start, penalty)).sum())
        if total > best[0]:
            best = (total, penalty)
    return best[1]


def as_vector(weights: Mapping[str, float], blocks: Sequence[str]) -> NDArray[np.float64]:
    return np.array([weights.get(block, 0.0) for block in blocks], dtype=np.float64)


def as_weights(
    weighting: Weighting, blocks: Sequence[str], start: Mapping[str, float]
) -> dict[str, float]:
    """By name, adding up to what the start adds up to over these blocks; others as they were."""
    known = sum(start.get(block, 0.0) for block in blocks)
    scaled = weighting.weights * known / weighting.weights.sum()
    return dict(start) | {
        block: round(value, 4) for block, value in zip(blocks, scaled.tolist(), strict=True)
    }


def _score(
    together: Comparisons, weighting: Weighting
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Scores, and their slopes by log weights, shape (Q, B), and by log sharpness, shape (Q,)."""
    parts = shares(weighting.weights, together.asks)
    similarity = np.matmul(together.likeness, parts.astype(np.float32)[:, :, None])[:, :, 0]
    logits = (weighting.sharpness * similarity).astype(np.float64)
    every, log_every = _softmax(np.where(together.there, logits, _NOWHERE))
    same, log_same = _softmax(np.where(together.alike, logits, _NOWHERE))
    scores = log_same - log_every
    by_logit = same - every
    if together.own_certainty.any():
        more, slope = _score_service(together, logits)
        scores += more
        by_logit += slope
    pull = weighting.sharpness * by_logit
    of_blocks = np.matmul(pull.astype(np.float32)[:, None, :], together.likeness)[:, 0, :]
    by_weight = parts * (of_blocks - (pull * similarity).sum(axis=1, keepdims=True))
    return scores, by_weight, (pull * similarity).sum(axis=1)


def _score_service(
    together: Comparisons, logits: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log score of service holding for each query, shape (Q,), and its slopes by logits."""
    known = together.certainty > 0
    votes, _ = _softmax(
        np.where(known, logits + np.log(np.where(known, together.certainty, 1.0)), _NOWHERE)
    )
    votes = np.where(known.any(axis=1, keepdims=True), votes, 0.0)
    said = (votes * together.held).sum(axis=1)
    worth = np.where(known.any(axis=1), _NEIGHBOURS_WORTH, 0.0)
    usual = together.usual.clip(0.01, 0.99)
    chance = (_USUAL_WORTH * usual + worth * said) / (_USUAL_WORTH + worth)
    held = together.own_held > 0.5
    scores = together.own_certainty * np.log(np.where(held, chance, 1.0 - chance))
    by_chance = together.own_certainty * np.where(held, 1.0 / chance, -1.0 / (1.0 - chance))
    by_said = by_chance * worth / (_USUAL_WORTH + worth)
    return scores, by_said[:, None] * votes * (together.held - said[:, None])


def _softmax(logits: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Along the last axis, with the logarithm of its denominator."""
    top = logits.max(axis=1, keepdims=True)
    odds = np.exp(logits - top)
    total = odds.sum(axis=1, keepdims=True)
    return odds / total, (np.log(total) + top)[:, 0]
