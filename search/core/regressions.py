"""Multinomial regressions of a class on sparse features, and how well they foretell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.sparse import csr_array
from sklearn.linear_model import LogisticRegression

# A class that was never seen counts as half a case.
_SMOOTHING = 0.5


@dataclass(frozen=True)
class Linear:
    """slopes: shape (features, classes); intercepts: shape (classes,)."""

    slopes: NDArray[np.float64]
    intercepts: NDArray[np.float64]


def fit_linear(
    rows: csr_array,
    target: NDArray[np.int64],
    seen: NDArray[np.bool_],
    classes: int,
    penalty: float,
    *,
    rough: bool = False,
) -> Linear:
    """Classes that the fold has not seen get the chance of half a case."""
    there = np.unique(target[seen])
    slopes = np.zeros((rows.shape[1], classes))
    counts = np.bincount(target[seen], minlength=classes) + _SMOOTHING
    intercepts = np.log(counts / counts.sum())
    if len(there) < 2:
        return Linear(slopes, intercepts)
    regression = LogisticRegression(
        C=penalty, max_iter=100 if rough else 200, tol=1e-2 if rough else 1e-3
    )
    regression.fit(rows[seen], target[seen])
    weights: NDArray[Any] = regression.coef_
    offsets: NDArray[Any] = regression.intercept_
    if len(there) == 2:  # one row stands for both
        weights, offsets = np.vstack([-weights, weights]) / 2, np.array([-1, 1]) * offsets / 2
    missing = np.setdiff1d(np.arange(classes), there)
    slopes[:, there] = weights.T
    if len(missing):
        # Half a case as against the mean of those seen, on the scale of the regression.
        usual = float(np.log(counts[there]).mean())
        intercepts[missing] = offsets.mean() + np.log(_SMOOTHING) - usual
    intercepts[there] = offsets
    return Linear(slopes, intercepts)


def out_of_fold(
    models: Sequence[Linear], rows: csr_array, folds: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Of each case by the model that has not seen its shop, shape (cases, classes)."""
    out = np.zeros((rows.shape[0], len(models[0].intercepts)))
    for fold, model in enumerate(models):
        own = folds == fold
        out[own] = rows[own] @ model.slopes + model.intercepts
    return out


def log_scores(logits: NDArray[np.float64], target: NDArray[np.int64]) -> NDArray[np.float64]:
    """Log chance of what came true, shape (cases,)."""
    top = logits.max(axis=1)
    total = top + np.log(np.exp(logits - top[:, None]).sum(axis=1))
    scores: NDArray[np.float64] = logits[np.arange(len(target)), target] - total
    return scores


def base_scores(
    target: NDArray[np.int64], folds: NDArray[np.int64], classes: int
) -> NDArray[np.float64]:
    """Log share of what came true among the other folds' cases, shape (cases,)."""
    out = np.zeros(len(target))
    for fold in np.unique(folds):
        counts = np.bincount(target[folds != fold], minlength=classes) + _SMOOTHING
        own = folds == fold
        out[own] = np.log(counts / counts.sum())[target[own]]
    return out


def find_temperature(logits: NDArray[np.float64], target: NDArray[np.int64]) -> float:
    """The temperature with the best log score, from sure to unsure.

    Source: Guo et al. 2017, On Calibration of Modern Neural Networks (from memory, not verified).
    """
    found = minimize_scalar(
        lambda log_t: -log_scores(logits / np.exp(log_t), target).mean(),
        bounds=(-2.0, 2.0),
        method="bounded",
    )
    return float(np.exp(found.x))
