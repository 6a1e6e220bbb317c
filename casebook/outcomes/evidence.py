"""What the judgement stands on: each thing that was entered, and the figure without it. Pure.

*Leave one out*: the same similar cases, weighed by the similarity that a search without the item
would have given them, the same cut-off applied anew.

*What points where*: the cases weighed by one item, or by one group of items, alone. An item points
to a level where its cases took that level more often than all similar ones did; two groups are at
odds where each points to another level and both differences are larger than chance would make them
and large enough to matter.

For two weightings a and b (each adding up to 1) of the same cases, of which any two of one shop
correlate by rho, the difference of a share p has the variance
    p (1 - p) [(1 - rho) sum (a - b)^2 + rho sum_j (A_j - B_j)^2],
A_j and B_j the weights of shop j: the derivation of casebook.stats.clustering.cluster_n_eff.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from casebook.cases.constants import LEVELS
from casebook.outcomes.outlook import (
    CUT_OFF,
    FAMILY_ONLY,
    LEAST_PRIOR,
    LEAST_SIMILARITY,
    NEAR_HORIZON,
    Neighbours,
    as_fraction,
)
from casebook.stats.clustering import reweighted_n_eff
from casebook.stats.durability import effective_trials, reweighted_incidence
from casebook.stats.shrinkage import Grid, prior_worth, shrunk_means

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

SERVICE: Final = LEVELS.index("service")
# Groups that are held against each other, and how people call them.
GROUPS: Final[Mapping[str, str]] = {
    "codes": "the codes",
    "symptoms": "the symptoms",
    "findings": "the checks",
}
LEVEL_WORDS: Final[Mapping[str, str]] = {
    "none": "nothing to repair",
    "service": "a service",
    "component": "one part",
    "overhaul": "an overhaul",
    "replacement": "another unit",
}
# Less than a tenth more or less is no direction, however sure it is.
LEAST_LEAN: Final = 0.1
# Figures without an item are told of so many levels.
MOST_LEVELS: Final = 2
_BEST: Final = 5


@dataclass(frozen=True)
class Weighed:
    """What was entered, weighed case by case.

    items: as they are told. groups: the block of each. without: each case's similarity had the item
    not been said. met: what each case has in common with the item. Both (items, cases), NaN for
    a case that the index does not know.
    """

    items: tuple[Mapping[str, Any], ...]
    groups: tuple[str, ...]
    without: FloatArray
    met: FloatArray

    def take(self, which: BoolArray) -> Weighed:
        return Weighed(self.items, self.groups, self.without[:, which], self.met[:, which])


def describe_evidence(
    cases: Neighbours,
    weighed: Weighed,
    grids: Mapping[int, Grid],
    *,
    rho: FloatArray,
    horizon_days: float,
    coverage: float,
) -> list[dict[str, Any]]:
    """One entry for each item, in the order of entry.

    cases, weighed: of the same similar cases. grids: what the cohorts around say of each level
    that was tried; MOST_LEVELS of them are told. `shift`: the figure with the item less the figure
    without it.
    """
    if not weighed.items:
        return []
    without = np.where(np.isnan(weighed.without), cases.similarity, weighed.without)
    # The first row is the figure as it stands.
    weights = _cut(np.vstack([cases.similarity, without]))
    told = _levels_told(cases, grids)
    holds = {
        place: _holds(cases, place, weights, grids[place], float(rho[place]), horizon_days)
        for place in told
    }
    pointing = points_to(cases, np.nan_to_num(weighed.met), float(rho.mean()), coverage)
    return [
        {
            "item": dict(item),
            "service_holds_without": _told(holds, SERVICE, row + 1),
            "shift": _shift(holds, SERVICE, row + 1),
            "levels": [
                {
                    "level": LEVELS[place],
                    "holds_without": _told(holds, place, row + 1),
                    "shift": _shift(holds, place, row + 1),
                }
                for place in told
            ],
            "points_to": None if pointing[row] < 0 else LEVELS[pointing[row]],
        }
        for row, item in enumerate(weighed.items)
    ]


def _levels_told(cases: Neighbours, grids: Mapping[int, Grid]) -> list[int]:
    """Service, and the levels that were tried most: the others are too few to be moved much."""
    tried = {place: int((cases.first_level == place).sum()) for place in grids}
    most = sorted(grids, key=lambda place: (place != SERVICE, -tried[place], place))
    return sorted(most[:MOST_LEVELS])


def _cut(similarity: FloatArray) -> FloatArray:
    """Weights by the outlook's rule, each row by itself."""
    if not similarity.shape[1]:
        return similarity
    best = np.sort(similarity, axis=1)[:, ::-1][:, :_BEST].mean(axis=1)
    cut_off = np.maximum(LEAST_SIMILARITY, CUT_OFF * best)[:, None]
    return np.where(similarity >= cut_off, similarity, 0.0)


def _holds(
    cases: Neighbours, place: int, weights: FloatArray, grid: Grid, rho: float, horizon_days: float
) -> FloatArray:
    """The level's figure under each weighting; NaN where nothing can be told."""
    of_level = cases.first_level == place
    own = weights[:, of_level]
    held, trials = np.zeros(len(weights)), np.zeros(len(weights))
    some = own.sum(axis=1) > 0
    if some.any():
        n_eff = reweighted_n_eff(own[some], cases.cluster[of_level], rho=rho)
        days, events = cases.event_days[of_level], cases.event[of_level]
        curve = reweighted_incidence(days, events, own[some], horizon_days, n_eff)
        near = days >= NEAR_HORIZON * horizon_days
        watched = own[some][:, near].sum(axis=1) * n_eff / own[some].sum(axis=1)
        back = np.minimum(curve.came_back, 1.0)
        trials[some] = effective_trials(
            back, curve.gone, curve.variance, watched=watched, events=curve.events, n_eff=n_eff
        )
        held[some] = trials[some] * (1 - back)
    means = shrunk_means(grid, held, trials)
    told = (trials > 0) | (prior_worth(grid) >= LEAST_PRIOR)
    return np.where(told, means, np.nan)


def _told(holds: Mapping[int, FloatArray], place: int, row: int) -> float | None:
    if place not in holds or np.isnan(holds[place][row]):
        return None
    return as_fraction(holds[place][row])


def _shift(holds: Mapping[int, FloatArray], place: int, row: int) -> float | None:
    if place not in holds or np.isnan(holds[place][[0, row]]).any():
        return None
    return round(float(holds[place][0] - holds[place][row]), 4)


# --- What points where -----------------------------------------------------------------------


def points_to(cases: Neighbours, met: FloatArray, rho: float, coverage: float) -> IntArray:
    """The level that each item speaks for, as a place in LEVELS; -1 where it speaks for none more
    than all similar cases do. met: (items, cases)."""
    known = cases.resolved_by >= 0
    pointing = np.full(len(met), -1, np.int64)
    weights = met[:, known]
    heard = (weights.sum(axis=1) > 0) & (
        reweighted_n_eff(weights, cases.cluster[known], rho=rho) >= FAMILY_ONLY
    )
    if not heard.any():
        return pointing
    shares, normal = _shares(cases, known, np.vstack([cases.similarity[known], weights[heard]]))
    spread = _difference_spread(normal[1:] - normal[0], cases.cluster[known], rho)
    # Shares near an end have room to surprise: at least as if one in twenty were otherwise.
    p = shares[0].clip(0.05, 0.95)
    surprise = (shares[1:] - shares[0]) / np.sqrt(np.maximum(p * (1 - p) * spread[:, None], 1e-12))
    best = surprise.argmax(axis=1)
    # Every level of every item had its chance.
    limit = float(ndtri(1 - (1 - coverage) / (2 * shares.shape[1])))
    rows = np.arange(len(best))
    clear = (surprise[rows, best] > limit) & (shares[1:][rows, best] - shares[0, best] > LEAST_LEAN)
    pointing[np.flatnonzero(heard)] = np.where(clear, best, -1)
    return pointing


def describe_agreement(
    cases: Neighbours, weighed: Weighed, *, rho: float, coverage: float
) -> dict[str, Any] | None:
    """Whether codes, symptoms and checks tell the same story; None where fewer than two of them
    say anything.

    verdict: "agree" (all point to one level), "conflict" (two point to different ones, by more than
    chance), "unclear".
    """
    known = cases.resolved_by >= 0
    met = np.nan_to_num(weighed.met[:, known])
    groups, rows = [], []
    for group in GROUPS:
        own = met[[place for place, name in enumerate(weighed.groups) if name == group]]
        weight = own.sum(axis=0)
        if weight.sum() <= 0:
            continue
        if reweighted_n_eff(weight[None], cases.cluster[known], rho=rho)[0] >= FAMILY_ONLY:
            groups.append(group)
            rows.append(weight)
    if len(groups) < 2:
        return None
    shares, normal = _shares(cases, known, np.array(rows))
    top = shares.argmax(axis=1)
    told = [
        {"group": group, "level": LEVELS[top[i]], "share": as_fraction(shares[i, top[i]])}
        for i, group in enumerate(groups)
    ]
    pair = _at_odds(shares, normal, top, cases.cluster[known], rho, coverage)
    if pair is not None:
        first, second = (told[i] for i in pair)
        verdict, sentence = "conflict", _conflict_sentence(first, second)
    elif len(set(top.tolist())) == 1:
        verdict, sentence = "agree", _agreement_sentence(groups, LEVELS[top[0]])
    else:
        verdict, sentence = (
            "unclear",
            ("Codes, symptoms and checks do not clearly point to the same repair."),
        )
    return {"verdict": verdict, "sentence": sentence, "groups": told, "of": int(known.sum())}


def _at_odds(
    shares: FloatArray,
    normal: FloatArray,
    top: IntArray,
    cluster: IntArray,
    rho: float,
    coverage: float,
) -> tuple[int, int] | None:
    """The two groups furthest apart, if any are apart by more than chance."""
    pairs = list(combinations(range(len(shares)), 2))
    limit = float(ndtri(1 - (1 - coverage) / (2 * len(pairs))))
    worst: tuple[float, tuple[int, int]] | None = None
    for i, j in pairs:
        if top[i] == top[j]:
            continue
        spread = float(_difference_spread((normal[i] - normal[j])[None], cluster, rho)[0])
        # Each must prefer its own level: the weaker of the two differences decides.
        apart = (shares[i] - shares[j])[top[[i, j]]] * [1, -1]
        p = (shares[i] + shares[j])[top[[i, j]]].clip(0.1, 1.9) / 2
        surprise = apart / np.sqrt(np.maximum(p * (1 - p) * spread, 1e-12))
        least = float(apart.min())
        if surprise.min() > limit and least > LEAST_LEAN and (worst is None or least > worst[0]):
            worst = (least, (i, j))
    return None if worst is None else worst[1]


def _shares(
    cases: Neighbours, known: BoolArray, weights: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Of each level among the resolved, (rows, levels), and the weights scaled to 1."""
    normal = weights / weights.sum(axis=1, keepdims=True)
    is_level = cases.resolved_by[known][:, None] == np.arange(len(LEVELS))
    return normal @ is_level.astype(np.float64), normal


def _difference_spread(difference: FloatArray, cluster: IntArray, rho: float) -> FloatArray:
    """The bracket of the module's formula, (rows,). difference: (rows, cases)."""
    order = np.argsort(cluster, kind="stable")
    starts = np.unique(cluster[order], return_index=True)[1]
    per_shop = np.add.reduceat(difference[:, order], starts, axis=1)
    return np.asarray(
        (1 - rho) * np.square(difference).sum(axis=1) + rho * np.square(per_shop).sum(axis=1),
        np.float64,
    )


def _conflict_sentence(first: Mapping[str, Any], second: Mapping[str, Any]) -> str:
    one, other = (
        f"{GROUPS[side['group']]} point to {LEVEL_WORDS[side['level']]}" for side in (first, second)
    )
    return f"{one[0].upper()}{one[1:]}, {other}."


def _agreement_sentence(groups: Sequence[str], level: str) -> str:
    names = [GROUPS[group] for group in groups]
    listed = f"{', '.join(names[:-1])} and {names[-1]}"
    return f"{listed[0].upper()}{listed[1:]} point to {LEVEL_WORDS[level]}."
