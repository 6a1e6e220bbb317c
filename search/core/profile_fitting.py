"""Fits the models of `search.core.profile` to resolved cases, cross-fitted over shops."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.sparse import csr_array
from sklearn.linear_model import LogisticRegression

from search.core.evaluation import bootstrap_interval
from search.core.profile import CureModel, KindCures, name_cure

FOLDS = 5
# Below these a unit kind has no profile; above, it must still prove that it foretells.
FEWEST_CASES, FEWEST_SHOPS = 100, 5
# A class of its own, or a feature, needs so many cases, and so many shops.
FEWEST_IN_CLASS, FEWEST_WITH_FEATURE, FEWEST_SHOPS_EACH = 8, 3, 2
MOST_CLASSES = 32
MOST_FEATURES = 4_000
# Fitting takes so many cases of a kind at most, and so many of a class.
MOST_CASES, MOST_IN_CLASS = 6_000, 1_000
# Inverse strength of the penalty; out-of-fold log score chooses one for each kind.
PENALTIES = (0.1, 0.3, 1.0, 3.0)
# Groups of letters and pairs repeat what the words say: they are held to smaller coefficients.
SCALES: Mapping[str, float] = {"letters": 0.3, "word_pairs": 0.5}
_SMOOTHING = 0.5


@dataclass(frozen=True)
class Cure:
    """How a case was resolved."""

    level: str
    actions: tuple[str, ...]


@dataclass(frozen=True)
class KindReport:
    """gain: out-of-fold log score over the shares of the classes, per case, and its 95 % interval
    over shops; NaN where it was not fitted. used: whether the kind has a profile; why: why not."""

    kind: str
    cases: int
    shops: int
    classes: int = 0
    penalty: float = float("nan")
    temperature: float = float("nan")
    gain: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")
    used: bool = False
    why: str = ""


@dataclass(frozen=True)
class Fitted:
    """model: None where no kind has a profile."""

    model: CureModel | None
    kinds: tuple[KindReport, ...]


def fit_cures(
    rows: csr_array,
    names: Sequence[str],
    kinds: Sequence[str | None],
    clusters: NDArray[np.int64],
    cures: Sequence[Cure],
    *,
    seed: int = 1,
    on_kind: Callable[[str], None] | None = None,
) -> Fitted:
    """Fit to resolved cases.

    rows: raw features, cases x names. kinds, clusters, cures: one per case. The same input gives
    the same model. Raises ValueError where the lengths differ.
    """
    count = rows.shape[0]
    if not (len(kinds) == len(clusters) == len(cures) == count and len(names) == rows.shape[1]):
        raise ValueError("need one kind, shop and cure per row, and one name per column")
    fold_of = deal_shops(clusters)
    folds = np.array([fold_of[int(cluster)] for cluster in clusters], dtype=np.int64)
    rows = _scale(rows, names)
    of_kind: dict[str, list[int]] = {}
    for place, kind in enumerate(kinds):
        if kind:
            of_kind.setdefault(kind, []).append(place)
    fitted, reports = [], []
    for kind in sorted(of_kind):
        places = np.array(of_kind[kind], dtype=np.int64)
        one, report = _fit_kind(
            kind,
            rows[places],
            names,
            clusters[places],
            folds[places],
            [cures[place] for place in places],
            seed,
        )
        reports.append(report)
        if one is not None:
            fitted.append(one)
        if on_kind is not None:
            on_kind(kind)
    model = CureModel(tuple(fitted), FOLDS, fold_of) if fitted else None
    return Fitted(model, tuple(reports))


def deal_shops(clusters: NDArray[np.int64], folds: int = FOLDS) -> dict[int, int]:
    """Shop -> fold: the largest first, each to the fold with the fewest cases so far."""
    shops, sizes = np.unique(clusters, return_counts=True)
    loads, out = np.zeros(folds), {}
    for place in np.lexsort((shops, -sizes)):
        fold = int(loads.argmin())
        out[int(shops[place])] = fold
        loads[fold] += sizes[place]
    return out


def pool_cures(cures: Sequence[Cure], clusters: NDArray[np.int64]) -> list[str]:
    """The class of each case: its level and actions where enough cases of enough shops share
    them, else its level and first action, else its level, else the rest."""
    out = [""] * len(cures)
    steps: tuple[Callable[[Cure], str], ...] = (
        lambda cure: name_cure(cure.level, cure.actions) if cure.actions else "",
        lambda cure: (
            name_cure(cure.level, cure.actions[:1], others_too=True) if cure.actions else ""
        ),
        lambda cure: name_cure(cure.level),
    )
    room = MOST_CLASSES - 1
    for step in steps:
        named: dict[str, list[int]] = {}
        for place, cure in enumerate(cures):
            if not out[place] and (name := step(cure)):
                named.setdefault(name, []).append(place)
        large = sorted(
            (
                (name, places)
                for name, places in named.items()
                if len(places) >= FEWEST_IN_CLASS
                and len(set(clusters[places].tolist())) >= FEWEST_SHOPS_EACH
            ),
            key=lambda pair: (-len(pair[1]), pair[0]),
        )
        for name, places in large[:room]:
            for place in places:
                out[place] = name
        room -= min(room, len(large))
    return out


# --- One unit kind ----------------------------------------------------------------------------


def _fit_kind(
    kind: str,
    rows: csr_array,
    names: Sequence[str],
    clusters: NDArray[np.int64],
    folds: NDArray[np.int64],
    cures: Sequence[Cure],
    seed: int,
) -> tuple[KindCures | None, KindReport]:
    shops = len(np.unique(clusters))
    if len(cures) < FEWEST_CASES or shops < FEWEST_SHOPS:
        return None, KindReport(kind, len(cures), shops, why="too few cases or shops")
    classes, target = np.unique(pool_cures(cures, clusters), return_inverse=True)
    if len(classes) < 2:
        return None, KindReport(kind, len(cures), shops, 1, why="one cure for all")
    chosen = _sample(target, seed)
    rows, target = rows[chosen], target[chosen]
    clusters, folds = clusters[chosen], folds[chosen]
    columns = _tell_tale(rows, clusters)
    if not len(columns):
        return None, KindReport(kind, len(cures), shops, len(classes), why="nothing recorded")
    rows = rows[:, columns]
    best: tuple[float, float, list[_Linear]] | None = None
    for penalty in PENALTIES:
        models = [
            _fit_fold(rows, target, folds != fold, len(classes), penalty) for fold in range(FOLDS)
        ]
        score = float(_log_scores(_out_of_fold(models, rows, folds), target).mean())
        if best is None or score > best[0]:
            best = score, penalty, models
    assert best is not None  # noqa: S101 - there are penalties to choose from
    _, penalty, models = best
    logits = _out_of_fold(models, rows, folds)
    temperature = _calibrate(logits, target)
    gained = _log_scores(logits / temperature, target) - _base_scores(target, folds, len(classes))
    low, high = bootstrap_interval(gained, clusters, seed=seed).tolist()
    report = KindReport(
        kind, len(cures), shops, len(classes), penalty, temperature, float(gained.mean()), low,
        high, used=low > 0, why="" if low > 0 else "foretells no better than the shares",
    )  # fmt: skip
    if not report.used:
        return None, report
    scales = np.array([_scale_of(names[column]) for column in columns])
    model = KindCures(
        kind,
        tuple(str(name) for name in classes),
        tuple(names[column] for column in columns),
        np.array([scales[:, None] * one.slopes / temperature for one in models], dtype=np.float32),
        np.array([one.intercepts / temperature for one in models]),
    )
    return model, report


@dataclass(frozen=True)
class _Linear:
    """slopes: shape (features, classes); intercepts: shape (classes,)."""

    slopes: NDArray[np.float64]
    intercepts: NDArray[np.float64]


def _fit_fold(
    rows: csr_array,
    target: NDArray[np.int64],
    seen: NDArray[np.bool_],
    classes: int,
    penalty: float,
) -> _Linear:
    """Classes that the fold has not seen get the chance of half a case."""
    there = np.unique(target[seen])
    slopes = np.zeros((rows.shape[1], classes))
    counts = np.bincount(target[seen], minlength=classes) + _SMOOTHING
    intercepts = np.log(counts / counts.sum())
    if len(there) < 2:
        return _Linear(slopes, intercepts)
    regression = LogisticRegression(C=penalty, max_iter=200, tol=1e-3)
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
    return _Linear(slopes, intercepts)


def _out_of_fold(
    models: Sequence[_Linear], rows: csr_array, folds: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Of each case by the model that has not seen its shop, shape (cases, classes)."""
    out = np.zeros((rows.shape[0], len(models[0].intercepts)))
    for fold, model in enumerate(models):
        own = folds == fold
        out[own] = rows[own] @ model.slopes + model.intercepts
    return out


def _log_scores(logits: NDArray[np.float64], target: NDArray[np.int64]) -> NDArray[np.float64]:
    """Log chance of what came true, shape (cases,)."""
    top = logits.max(axis=1)
    total = top + np.log(np.exp(logits - top[:, None]).sum(axis=1))
    scores: NDArray[np.float64] = logits[np.arange(len(target)), target] - total
    return scores


def _base_scores(
    target: NDArray[np.int64], folds: NDArray[np.int64], classes: int
) -> NDArray[np.float64]:
    """Log share of what came true among the other folds' cases, shape (cases,)."""
    out = np.zeros(len(target))
    for fold in range(FOLDS):
        counts = np.bincount(target[folds != fold], minlength=classes) + _SMOOTHING
        own = folds == fold
        out[own] = np.log(counts / counts.sum())[target[own]]
    return out


def _calibrate(logits: NDArray[np.float64], target: NDArray[np.int64]) -> float:
    """The temperature with the best log score, from sure to unsure.

    Source: Guo et al. 2017, On Calibration of Modern Neural Networks (from memory, not verified).
    """
    found = minimize_scalar(
        lambda log_t: -_log_scores(logits / np.exp(log_t), target).mean(),
        bounds=(-2.0, 2.0),
        method="bounded",
    )
    return float(np.exp(found.x))


def _sample(target: NDArray[np.int64], seed: int) -> NDArray[np.int64]:
    """Places to fit on, in order: at most so many of a class, and in all."""
    order = np.random.default_rng(seed).permutation(len(target))
    seen: Counter[int] = Counter()
    chosen = []
    for place in order.tolist():
        if seen[int(target[place])] < MOST_IN_CLASS:
            seen[int(target[place])] += 1
            chosen.append(place)
    return np.sort(np.array(chosen[:MOST_CASES], dtype=np.int64))


def _tell_tale(rows: csr_array, clusters: NDArray[np.int64]) -> NDArray[np.int64]:
    """Columns of features that enough cases of enough shops have, the commonest of them."""
    entries = rows.tocoo()
    having = np.bincount(entries.col, minlength=rows.shape[1])
    of_shop = np.unique(clusters, return_inverse=True)[1][entries.row]
    pairs = np.unique(np.stack([entries.col.astype(np.int64), of_shop.astype(np.int64)]), axis=1)
    shops = np.bincount(pairs[0], minlength=rows.shape[1])
    usable = np.flatnonzero((having >= FEWEST_WITH_FEATURE) & (shops >= FEWEST_SHOPS_EACH))
    commonest = usable[np.argsort(-having[usable], kind="stable")[:MOST_FEATURES]]
    return np.sort(commonest)


def _scale_of(name: str) -> float:
    return SCALES.get(name.partition(":")[0], 1.0)


def _scale(rows: csr_array, names: Sequence[str]) -> csr_array:
    scales = np.array([_scale_of(name) for name in names], dtype=np.float64)
    out = rows.astype(np.float64)
    out.data *= scales[out.indices]
    return out
