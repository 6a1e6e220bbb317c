"""How much cases of one shop resemble one another, and how many independent cases that leaves."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# Intra-shop correlation expected before looking, how far it may lie from that (one standard
# deviation), and the least that is ever assumed: shops always differ somewhat.
PRIOR_RHO: Final = 0.10
PRIOR_RHO_SD: Final = 0.05
LEAST_RHO: Final = 0.05


def kish_n_eff(weights: ArrayLike) -> float:
    """Effective number of unequally weighted, independent cases: (sum w)^2 / sum w^2.

    weights: shape (n,), >= 0, not all 0. Returns a number in [1, n].
    Raises ValueError otherwise (NaN and infinity too).
    Source: Kish 1965, Survey Sampling.
    """
    w = _checked_weights(weights)
    return float(w.sum() ** 2 / np.square(w).sum())


def cluster_n_eff(weights: ArrayLike, clusters: ArrayLike, *, rho: float) -> float:
    """Effective number of weighted cases that come in clusters.

    (sum w)^2 / [(1 - rho) sum w^2 + rho sum_j W_j^2], W_j the weight of cluster j.
    weights: shape (n,), >= 0, not all 0; clusters: shape (n,), any labels; rho: in [0, 1].
    Raises ValueError otherwise. rho = 0 gives Kish's number.
    Derivation: Var(mean) = p(1 - p) times the bracket over (sum w)^2, if any two cases of one
    cluster correlate by rho and others not at all.
    """
    w = _checked_weights(weights)
    labels = np.asarray(clusters)
    if labels.shape != w.shape:
        raise ValueError(f"weights {w.shape} and clusters {labels.shape} must have one shape")
    _check_rho(rho)
    _, place = np.unique(labels, return_inverse=True)
    per_cluster = np.bincount(place, weights=w)
    bracket = (1 - rho) * np.square(w).sum() + rho * np.square(per_cluster).sum()
    return float(w.sum() ** 2 / bracket)


def n_eff_from_sums(
    total: ArrayLike, squares: ArrayLike, cluster_squares: ArrayLike, *, rho: float
) -> FloatArray:
    """`cluster_n_eff` for many groups at once, from each group's sums.

    total: sum w; squares: sum w^2; cluster_squares: sum_j W_j^2; all of one shape, returned too.
    A group with nothing in it has 0 effective cases.
    Raises ValueError on negative or not finite sums, or rho outside [0, 1].
    """
    _check_rho(rho)
    t, s, c = np.broadcast_arrays(
        np.asarray(total, float), np.asarray(squares, float), np.asarray(cluster_squares, float)
    )
    for sums in (t, s, c):
        if not np.all((sums >= 0) & np.isfinite(sums)):
            raise ValueError("sums must be finite and >= 0")
    bracket = (1 - rho) * s + rho * c
    n_eff = np.zeros(t.shape)
    np.divide(t**2, bracket, out=n_eff, where=bracket > 0)
    return n_eff


def reweighted_n_eff(weights: ArrayLike, clusters: ArrayLike, *, rho: float) -> FloatArray:
    """`cluster_n_eff` for many weightings of the same cases at once.

    weights: shape (weightings, n), >= 0; a row of zeros has 0 effective cases. clusters: (n,).
    Returns shape (weightings,). Raises ValueError otherwise.
    """
    w, labels = np.asarray(weights, float), np.asarray(clusters)
    if w.ndim != 2 or labels.shape != w.shape[1:] or not np.all((w >= 0) & np.isfinite(w)):
        raise ValueError("weights must be rows of finite numbers >= 0 over the cases")
    if not len(labels):
        return np.zeros(len(w))
    order = np.argsort(labels, kind="stable")
    starts = np.unique(labels[order], return_index=True)[1]
    per_cluster = np.add.reduceat(w[:, order], starts, axis=1)
    return n_eff_from_sums(
        w.sum(axis=1), np.square(w).sum(axis=1), np.square(per_cluster).sum(axis=1), rho=rho
    )


def anova_icc(successes: ArrayLike, trials: ArrayLike) -> float:
    """Intra-cluster correlation of a yes/no outcome, by analysis of variance; may be negative.

    successes, trials: counts per cluster, shape (clusters,), 0 <= successes <= trials; empty
    clusters are left out. Returns NaN where nothing can be said: fewer than two clusters, none
    with two cases, or outcomes that are all alike.
    Raises ValueError on counts that can't be.
    Source: Donner and Klar 2000, Design and Analysis of Cluster Randomization Trials
    (formula from memory, not verified).
    """
    x, n = _checked_clusters(successes, trials)
    clusters, total = len(n), float(n.sum())
    if clusters < 2 or total <= clusters:
        return float("nan")
    share = x / n
    between = float((n * np.square(share - x.sum() / total)).sum()) / (clusters - 1)
    within = float((n * share * (1 - share)).sum()) / (total - clusters)
    usual_size = _usual_size(n)
    scale = between + (usual_size - 1) * within
    if scale <= 0:
        return float("nan")
    return (between - within) / scale


def rao_scott_design_effect(successes: ArrayLike, trials: ArrayLike) -> float:
    """By how much clustering inflates the variance of a pooled proportion.

    successes, trials: counts per cluster, shape (clusters,). Needs two clusters or more.
    Effective trials are trials / effect, effective successes successes / effect.
    Returns NaN where the pooled proportion is 0 or 1. Raises ValueError on counts that can't be.
    Source: Rao and Scott 1992, Biometrics 48:577.
    """
    x, n = _checked_clusters(successes, trials)
    clusters, total = len(n), float(n.sum())
    if clusters < 2:
        raise ValueError("a design effect needs at least two clusters")
    p = float(x.sum()) / total
    if p in (0.0, 1.0):
        return float("nan")
    variance = clusters / (clusters - 1) * float(np.square(x - n * p).sum()) / total**2
    return total * variance / (p * (1 - p))


def shrunk_rho(successes: ArrayLike, trials: ArrayLike) -> float:
    """The intra-cluster correlation to work with: estimated, drawn to PRIOR_RHO, floored.

    The estimate counts by its precision against PRIOR_RHO_SD. Its variance is taken at PRIOR_RHO,
    so that an estimate which is low by chance doesn't pass for a precise one.
    Shapes and errors as for `anova_icc`. Returns a number in [LEAST_RHO, 1).
    Source of the variance: Swiger et al. 1964, Biometrics 20:818 (from memory, not verified).
    """
    estimate = anova_icc(successes, trials)
    if np.isnan(estimate):
        return PRIOR_RHO
    _, n = _checked_clusters(successes, trials)
    clusters, total, size = len(n), float(n.sum()), _usual_size(n)
    variance = (
        2
        * (total - 1)
        * ((1 - PRIOR_RHO) * (1 + (size - 1) * PRIOR_RHO)) ** 2
        / (size**2 * (total - clusters) * (clusters - 1))
    )
    trust = PRIOR_RHO_SD**2 / (PRIOR_RHO_SD**2 + variance)
    return float(np.clip(trust * estimate + (1 - trust) * PRIOR_RHO, LEAST_RHO, 0.99))


def _usual_size(trials: FloatArray) -> float:
    """The cluster size that stands for unequal ones in the analysis of variance."""
    total = float(trials.sum())
    return (total - float(np.square(trials).sum()) / total) / (len(trials) - 1)


def _checked_weights(weights: ArrayLike) -> FloatArray:
    w = np.asarray(weights, float)
    if w.ndim != 1 or not np.all((w >= 0) & np.isfinite(w)) or not w.sum() > 0:
        raise ValueError("weights must be one row of finite numbers >= 0, not all 0")
    return w


def _check_rho(rho: float) -> None:
    if not 0 <= rho <= 1:
        raise ValueError(f"rho must lie in [0, 1], got {rho!r}")


def _checked_clusters(successes: ArrayLike, trials: ArrayLike) -> tuple[FloatArray, FloatArray]:
    x, n = np.broadcast_arrays(np.asarray(successes, float), np.asarray(trials, float))
    if x.ndim != 1 or not np.all((x >= 0) & (x <= n) & np.isfinite(n)):
        raise ValueError("need 0 <= successes <= trials per cluster")
    filled = n > 0
    return x[filled], n[filled]
