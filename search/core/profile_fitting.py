"""Fits the models of `search.core.profile` to resolved cases, cross-fitted over shops."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from search.core.design import Design
from search.core.evaluation import bootstrap_interval
from search.core.likeness import collect
from search.core.profile import CureModel, KindCures, name_cure
from search.core.regressions import (
    Linear,
    base_scores,
    find_temperature,
    fit_linear,
    log_scores,
    out_of_fold,
)
from search.core.resolved import Cure, Followed
from search.core.threads import on_one_thread

FOLDS = 5
# Below these a unit kind has no profile; above, it must still prove that it foretells.
FEWEST_CASES, FEWEST_SHOPS = 100, 5
# A class of its own, or a feature, needs so many cases, and so many shops.
FEWEST_IN_CLASS, FEWEST_WITH_FEATURE, FEWEST_SHOPS_EACH = 8, 3, 2
# A kind's profile is used where the gain is surely above 0 and worth having (log score per case).
CONFIDENCE, LEAST_GAIN = 0.99, 0.05
MOST_CLASSES = 32
MOST_FEATURES = 4_000
# Fitting takes so many cases of a kind at most, and so many of a class.
MOST_CASES, MOST_IN_CLASS = 6_000, 1_000
# Inverse strength of the penalty; out-of-fold log score chooses one for each kind.
PENALTIES = (0.1, 0.3, 1.0, 3.0)
USUAL_PENALTY = (1.0,)
# Groups of letters and pairs repeat what the words say: they start with smaller values, hence
# smaller coefficients.
SCALES: Mapping[str, float] = {"letters": 0.3, "word_pairs": 0.5}
# Blocks whose features are scaled together, and by how much at a time; out-of-fold log score
# over the kinds decides, on some of the cases and folds.
SCALED_TOGETHER = (
    ("words",),
    ("word_pairs", "letters"),
    ("codes",),
    ("symptoms",),
    ("findings",),
    ("unit", "vehicle"),
    ("age", "odometer"),
)
SCALE_STEPS = (2.0, 1.4)
SCALE_KINDS, SCALE_CASES, SCALE_FOLDS = 10, 1_000, 3
LEAST_STEP_GAIN = 0.001


@dataclass(frozen=True)
class KindReport:
    """gain: out-of-fold log score over the shares of the classes, per case, and its 99 % interval
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
    """model: None where no kind has a profile. scales: of the features of blocks, others 1."""

    model: CureModel | None
    kinds: tuple[KindReport, ...]
    scales: Mapping[str, float]


@on_one_thread()
def fit_cures(
    rows: csr_array,
    names: Sequence[str],
    kinds: Sequence[str | None],
    clusters: NDArray[np.int64],
    cures: Sequence[Cure],
    *,
    seed: int = 1,
    scales: Mapping[str, float] | None = None,
    penalties: Sequence[float] = PENALTIES,
    on_kind: Callable[[str], None] | None = None,
) -> Fitted:
    """Fit to resolved cases.

    rows: raw features, cases x names. kinds, clusters, cures: one per case. scales: of the
    features of blocks; None: chosen here, which takes most of the time. penalties: to choose
    among. The same input gives the same model. Raises ValueError where the lengths differ.
    """
    count = rows.shape[0]
    if not (len(kinds) == len(clusters) == len(cures) == count and len(names) == rows.shape[1]):
        raise ValueError("need one kind, shop and cure per row, and one name per column")
    fold_of = deal_shops(clusters)
    folds = np.array([fold_of[int(cluster)] for cluster in clusters], dtype=np.int64)
    of_kind: dict[str, list[int]] = {}
    for place, kind in enumerate(kinds):
        if kind:
            of_kind.setdefault(kind, []).append(place)
    prepared, reports = [], []
    for kind in sorted(of_kind):
        places = np.array(of_kind[kind], dtype=np.int64)
        own = [cures[place] for place in places]
        ready = _prepare(kind, rows[places], names, clusters[places], folds[places], own, seed)
        if isinstance(ready, KindReport):
            reports.append(ready)
        else:
            prepared.append(ready)
    if scales is None:
        scales = _choose_scales(prepared)
    fitted = []
    for ready in prepared:
        model, report = _fit_kind(ready, scales, penalties, seed)
        reports.append(report)
        if model is not None:
            fitted.append(model)
        if on_kind is not None:
            on_kind(ready.kind)
    return Fitted(
        CureModel(tuple(fitted), FOLDS, fold_of) if fitted else None,
        tuple(sorted(reports, key=lambda report: report.kind)),
        dict(scales),
    )


def fit_model(
    followed: Sequence[Followed],
    design: Design,
    *,
    seed: int = 1,
    scales: Mapping[str, float] | None = None,
    penalties: Sequence[float] = PENALTIES,
    on_kind: Callable[[str], None] | None = None,
) -> Fitted:
    """Fit to resolved cases as `design` reads them."""
    plain = replace(design, cures=None)
    collector = collect([one.case for one in followed], plain)
    return fit_cures(
        collector.raw_rows(),
        list(collector.numbers),
        collector.kinds,
        np.array(collector.clusters, dtype=np.int64),
        [one.cure for one in followed],
        seed=seed,
        scales=scales,
        penalties=penalties,
        on_kind=on_kind,
    )


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


@dataclass(frozen=True)
class _Prepared:
    """rows: cases x features, without scales. blocks: of each feature. target: place among
    classes."""

    kind: str
    rows: csr_array
    features: tuple[str, ...]
    blocks: NDArray[np.str_]
    target: NDArray[np.int64]
    classes: tuple[str, ...]
    clusters: NDArray[np.int64]
    folds: NDArray[np.int64]
    cases: int
    shops: int

    def scaled(self, scales: Mapping[str, float]) -> csr_array:
        factors = np.array([scales.get(str(block), 1.0) for block in self.blocks])
        out = self.rows.astype(np.float64)
        out.data *= factors[out.indices]
        return out


def _prepare(
    kind: str,
    rows: csr_array,
    names: Sequence[str],
    clusters: NDArray[np.int64],
    folds: NDArray[np.int64],
    cures: Sequence[Cure],
    seed: int,
) -> _Prepared | KindReport:
    """What is fitted to, or why nothing is."""
    cases, shops = len(cures), len(np.unique(clusters))
    if cases < FEWEST_CASES or shops < FEWEST_SHOPS:
        return KindReport(kind, cases, shops, why="too few cases or shops")
    classes, target = np.unique(pool_cures(cures, clusters), return_inverse=True)
    if len(classes) < 2:
        return KindReport(kind, cases, shops, 1, why="one cure for all")
    chosen = _sample(target, seed)
    rows, clusters = rows[chosen], clusters[chosen]
    columns = _tell_tale(rows, clusters)
    if not len(columns):
        return KindReport(kind, cases, shops, len(classes), why="nothing recorded")
    features = tuple(names[column] for column in columns)
    return _Prepared(
        kind=kind,
        rows=rows[:, columns],
        features=features,
        blocks=np.array([name.partition(":")[0] for name in features]),
        target=target[chosen],
        classes=tuple(str(name) for name in classes),
        clusters=clusters,
        folds=folds[chosen],
        cases=cases,
        shops=shops,
    )


def _choose_scales(prepared: Sequence[_Prepared]) -> dict[str, float]:
    """One group of blocks after the other, for all kinds together: there is too little of one."""
    largest = sorted(prepared, key=lambda one: (-one.cases, one.kind))[:SCALE_KINDS]

    def judge(scales: Mapping[str, float]) -> float:
        scores = []
        for one in largest:
            rows, some = one.scaled(scales), np.arange(len(one.target)) < SCALE_CASES
            for fold in range(SCALE_FOLDS):
                own, seen = some & (one.folds == fold), some & (one.folds != fold)
                model = fit_linear(rows, one.target, seen, len(one.classes), 1.0, rough=True)
                logits = rows[own] @ model.slopes + model.intercepts
                scores.append(log_scores(logits, one.target[own]))
        return float(np.concatenate(scores).mean()) if scores else 0.0

    scales, best = dict(SCALES), judge(SCALES)
    for step in SCALE_STEPS:
        for group in SCALED_TOGETHER:
            for factor in (step, 1.0 / step):
                tried = scales | {block: scales.get(block, 1.0) * factor for block in group}
                reached = judge(tried)
                if reached > best + LEAST_STEP_GAIN:
                    scales, best = tried, reached
                    break
    return scales


def _fit_kind(
    ready: _Prepared, scales: Mapping[str, float], penalties: Sequence[float], seed: int
) -> tuple[KindCures | None, KindReport]:
    rows, target, folds, classes = ready.scaled(scales), ready.target, ready.folds, ready.classes
    best: tuple[float, float, list[Linear]] | None = None
    for penalty in penalties:
        models = [
            fit_linear(rows, target, folds != fold, len(classes), penalty) for fold in range(FOLDS)
        ]
        reached = float(log_scores(out_of_fold(models, rows, folds), target).mean())
        if best is None or reached > best[0]:
            best = reached, penalty, models
    assert best is not None  # noqa: S101 - there are penalties to choose from
    _, penalty, models = best
    logits = out_of_fold(models, rows, folds)
    temperature = find_temperature(logits, target)
    gained = log_scores(logits / temperature, target) - base_scores(target, folds, len(classes))
    low, high = bootstrap_interval(
        gained, ready.clusters, seed=seed, confidence=CONFIDENCE
    ).tolist()
    used = low > 0 and float(gained.mean()) >= LEAST_GAIN
    report = KindReport(
        kind=ready.kind,
        cases=ready.cases,
        shops=ready.shops,
        classes=len(classes),
        penalty=penalty,
        temperature=temperature,
        gain=float(gained.mean()),
        low=low,
        high=high,
        used=used,
        why="" if used else "foretells no better than the shares of the cures",
    )
    if not report.used:
        return None, report
    factors = np.array([scales.get(str(block), 1.0) for block in ready.blocks])[:, None]
    slopes = [factors * one.slopes / temperature for one in models]
    intercepts = np.array([one.intercepts / temperature for one in models])
    model = KindCures(
        ready.kind, classes, ready.features, np.array(slopes, dtype=np.float32), intercepts
    )
    return model, report


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
