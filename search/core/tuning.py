"""Learns the weights of the blocks from resolved cases, leaving shops out.

What is maximised, over the logarithms of the weights: for held-out cases, the log chance that
neighbours drawn by similarity (softmax) share the case's resolution, plus the log score with
which the neighbours' outcomes foretell whether service held; less a penalty on the squared
distance to the start. Nothing a held-out case meets has seen its shop: neither the cases it is
compared with, nor the model of cures that describes both.

Nested folds over shops: outer folds judge what was gained; the strength of the penalty is chosen
within what is left of them. Where the gain is not surely above 0, the start stays.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from search.core.design import Design
from search.core.evaluation import bootstrap_interval
from search.core.likeness import BlockLikeness, compare_blocks
from search.core.objective import (
    ARRAYS,
    Comparisons,
    as_vector,
    as_weights,
    choose_penalty,
    fit,
    rank_quality,
    score,
    shares,
)
from search.core.profile_fitting import SCALES, USUAL_PENALTY, deal_shops, fit_model
from search.core.resolved import Followed
from search.core.threads import on_one_thread

FOLDS = 5
# Below these the weights stay as they were set.
FEWEST_OF_A_KIND, FEWEST_SHOPS = 200, 10
# What is learned from, at most.
MOST_CASES, MOST_QUERIES = 8_000, 1_000
# Nearest by the start, nearest by all blocks alike, and any.
NEAREST, NEAREST_ALIKE, ANY = 120, 80, 100


@dataclass(frozen=True)
class Gain:
    """Mean per held-out case and its 95 % interval over shops."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True)
class Tuned:
    """weights: what to use. learned: whether they differ from the start; why: why not, else "".
    gain: of the score, tuned over start, in the outer folds (None where it was not measured).
    ranking: of nDCG@10 there, cases resolved alike being what is to find.
    without_cures: what the tuned weights lose without the learned block."""

    weights: Mapping[str, float]
    learned: bool
    why: str = ""
    proposed: Mapping[str, float] | None = None
    gain: Gain | None = None
    ranking: Gain | None = None
    without_cures: Gain | None = None
    penalty: float = float("nan")
    cases: int = 0
    queries: int = 0
    shops: int = 0
    score_before: float = float("nan")
    score_after: float = float("nan")


@on_one_thread()
def tune_weights(
    followed: Sequence[Followed],
    design: Design,
    *,
    scales: Mapping[str, float] = SCALES,
    seed: int = 1,
    on_step: Callable[[str], None] | None = None,
) -> Tuned:
    """Weights for `design`, whose own are the start; its model of cures is not used: every outer
    fold fits one of its own, with the feature scales given. The same input gives the same weights.
    """
    step = on_step or (lambda _: None)
    start = dict(design.weights)
    kinds, counts = np.unique([one.kind for one in followed] or [""], return_counts=True)
    large = {str(k) for k, n in zip(kinds, counts, strict=True) if k and n >= FEWEST_OF_A_KIND}
    shops = len({one.cluster for one in followed})
    if not large or shops < FEWEST_SHOPS:
        why = f"needs {FEWEST_OF_A_KIND} resolved cases of a unit kind, and {FEWEST_SHOPS} shops"
        return Tuned(start, False, why, cases=len(followed), shops=shops)
    together = compare_held_out(followed, large, design, scales=scales, seed=seed, on_step=step)
    return learn(together, start, cases=len(followed), seed=seed, on_step=step)


@on_one_thread()
def learn(
    together: Comparisons,
    start: Mapping[str, float],
    *,
    cases: int,
    seed: int = 1,
    on_step: Callable[[str], None] | None = None,
) -> Tuned:
    """The weights for these comparisons, judged in folds that they have not seen."""
    step = on_step or (lambda _: None)
    shops = len(np.unique(together.shop))
    if len(together) < FEWEST_OF_A_KIND or len(np.unique(together.fold)) < 2:
        why = "too few cases that others resolved alike"
        return Tuned(dict(start), False, why, cases=cases, shops=shops)
    first = as_vector(start, together.blocks)
    cures = together.blocks.index("cures") if "cures" in together.blocks else None
    before, after, bare, ranked = (np.zeros(len(together)) for _ in range(4))
    for fold in np.unique(together.fold):
        seen, own = together.take(together.fold != fold), together.take(together.fold == fold)
        plain = fit(seen, first, np.inf)
        tuned = fit(seen, first, choose_penalty(seen, first))
        here = together.fold == fold
        before[here] = score(own, plain)
        after[here] = score(own, tuned)
        ranked[here] = rank_quality(own, tuned.weights) - rank_quality(own, first)
        if cures is not None:
            bare[here] = score(own, tuned.without(cures))
        step("judging")
    penalty = choose_penalty(together, first)
    proposed = as_weights(fit(together, first, penalty), together.blocks, start)
    gain = _gain(after - before, together.shop, seed)
    ranking = _gain(ranked, together.shop, seed)
    why = "" if gain.low > 0 else "no sure gain in shops that were left out"
    if not why and ranking.high <= 0:
        why = "what is to be found ranks lower in shops that were left out"
    return Tuned(
        weights=dict(start) if why else proposed,
        learned=not why,
        why=why,
        proposed=proposed,
        gain=gain,
        ranking=ranking,
        without_cures=None if cures is None else _gain(bare - after, together.shop, seed),
        penalty=penalty,
        score_before=float(before.mean()),
        score_after=float(after.mean()),
        cases=cases,
        queries=len(together),
        shops=shops,
    )


# --- Comparing held-out cases with all others' ------------------------------------------------


@on_one_thread()
def compare_held_out(
    followed: Sequence[Followed],
    kinds: set[str],
    design: Design,
    *,
    scales: Mapping[str, float] = SCALES,
    seed: int,
    on_step: Callable[[str], None] | None = None,
) -> Comparisons:
    """Queries of the kinds from each fold of shops, against the cases of the other folds."""
    rng = np.random.default_rng(seed)
    chosen = np.sort(rng.permutation(len(followed))[:MOST_CASES])
    pool = [followed[place] for place in chosen]
    clusters = np.array([one.cluster for one in pool], dtype=np.int64)
    fold_of = deal_shops(clusters, FOLDS)
    folds = np.array([fold_of[int(cluster)] for cluster in clusters])
    parts = []
    for fold in range(FOLDS):
        past = [one for one, at in zip(pool, folds, strict=True) if at != fold]
        asking = [one for one, at in zip(pool, folds, strict=True) if at == fold]
        asking = [one for one in asking if one.kind in kinds and one.cure.actions]
        order = rng.permutation(len(asking))[: MOST_QUERIES // FOLDS]
        asking = [asking[place] for place in np.sort(order)]
        if not asking or not past:
            continue
        # Choosing scales and penalties anew in every fold would take most of the time.
        model = fit_model(past, design, seed=seed, scales=scales, penalties=USUAL_PENALTY).model
        likeness = compare_blocks(
            [one.case for one in asking],
            [one.case for one in past],
            replace(design, cures=model),
        )
        parts.append(_compare_fold(asking, past, likeness, design, fold, rng))
        if on_step is not None:
            on_step("comparing")
    return _join(parts)


def _compare_fold(
    asking: Sequence[Followed],
    past: Sequence[Followed],
    likeness: BlockLikeness,
    design: Design,
    fold: int,
    rng: np.random.Generator,
) -> Comparisons:
    first = as_vector(design.weights, likeness.blocks)
    names = {cure: i for i, cure in enumerate(dict.fromkeys(_resolution(o) for o in past))}
    theirs = np.array([names[_resolution(one)] for one in past])
    held = np.array([float(one.held or 0) for one in past])
    certainty = np.array([one.certainty if one.held is not None else 0.0 for one in past])
    usual = float(held @ certainty / certainty.sum()) if certainty.sum() > 0 else 0.5
    picked, kept = [], []
    width = NEAREST + NEAREST_ALIKE + ANY
    for number, one in enumerate(asking):
        alike = theirs == names.get(_resolution(one), -1)
        near = likeness.values[number] @ shares(first, likeness.asks[number])
        even = likeness.values[number] @ shares(np.ones(len(first)), likeness.asks[number])
        chosen = np.unique(
            np.concatenate(
                [
                    np.argsort(-near, kind="stable")[:NEAREST],
                    np.argsort(-even, kind="stable")[:NEAREST_ALIKE],
                    rng.permutation(len(past))[:ANY],
                ]
            )
        )
        if alike[chosen].any() and not alike[chosen].all():
            picked.append(np.pad(chosen, (0, width - len(chosen)), constant_values=-1))
            kept.append((number, alike))
    at = np.array(picked, dtype=np.int64).reshape(len(kept), width)
    rows = np.array([number for number, _ in kept], dtype=np.int64)
    there = at >= 0
    alike_all = np.array([alike for _, alike in kept], dtype=bool).reshape(len(kept), len(past))
    return Comparisons(
        blocks=likeness.blocks,
        likeness=likeness.values[rows[:, None], at].astype(np.float32),
        asks=likeness.asks[rows],
        alike=np.take_along_axis(alike_all, at, axis=1) & there,
        there=there,
        held=held[at].astype(np.float32),
        certainty=np.where(there, certainty[at], 0.0).astype(np.float32),
        own_held=np.array([float(asking[i].held or 0) for i in rows]),
        own_certainty=np.array(
            [asking[i].certainty if asking[i].held is not None else 0.0 for i in rows]
        ),
        shop=np.array([asking[i].cluster for i in rows], dtype=np.int64),
        fold=np.full(len(rows), fold),
        usual=np.full(len(rows), usual),
    )


def _resolution(one: Followed) -> tuple[str, frozenset[str]]:
    return one.kind, frozenset(one.cure.actions)


def _join(parts: Sequence[Comparisons]) -> Comparisons:
    """One set; a block that a fold lacks (a model that could not be fitted) is not asked there."""
    blocks = tuple(dict.fromkeys(block for part in parts for block in part.blocks))

    def widened(part: Comparisons, name: str) -> NDArray[Any]:
        values: NDArray[Any] = getattr(part, name)
        if name not in ("likeness", "asks"):
            return values
        out = np.zeros((*values.shape[:-1], len(blocks)), dtype=values.dtype)
        out[..., [blocks.index(block) for block in part.blocks]] = values
        return out

    arrays = {name: np.concatenate([widened(part, name) for part in parts]) for name in ARRAYS}
    return Comparisons(blocks, **arrays)


def _gain(differences: NDArray[np.float64], shops: NDArray[np.int64], seed: int) -> Gain:
    low, high = bootstrap_interval(differences, shops, seed=seed).tolist()
    return Gain(float(differences.mean()), low, high)
