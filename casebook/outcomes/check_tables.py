"""What checks show in cases of which it is known what they took: tables of counts. Pure.

A table of counts shows some association by chance alone. What chance would give is taken off
before anything is said (Miller 1955, Note on the bias of information estimates; from memory, not
verified), and a check whose table could well be chance is not listed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from casebook.outcomes.panel import Panel, Readings
from casebook.stats.clustering import PRIOR_RHO, n_eff_from_sums

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# What it takes in the end: a service that holds, or more.
STATES: Final = ("service", "component", "overhaul", "replacement")
# All cases of the kind count as at most so many in each state beside the similar ones.
MOST_FROM_KIND: Final = 30.0
# So many cases' worth of "it shows the same whatever it takes".
DOUBT: Final = 2.0
# Cases of one shop resemble one another, in what it takes and in how a check is read there. What
# one tells of the other suffers only from both together: 1 + (m - 1) times the product of the two
# correlations (Moulton 1986, Journal of Econometrics 32:385; from memory, not verified). How alike
# one shop's readings are is taken to be twice what its outcomes are.
RHO_OF_BOTH: Final = PRIOR_RHO * 2 * PRIOR_RHO
# Of checks that tell nothing at most about one in twenty is listed all the same, and as telling
# little. Cases of which it isn't certain what they took blur the table and make it fewer.
BY_CHANCE: Final = 0.05
# Values are told in at most so many ranges: each needs cases to learn from.
MOST_RANGES: Final = 4


@dataclass(frozen=True)
class CheckedCases:
    """Cases with what their checks showed. weights: (n,), >= 0; cluster: (n,) shop numbers;
    states: (n, 4), how likely each took what, a row of 0 where that can't be told; readings: of
    these cases."""

    weights: FloatArray
    cluster: IntArray
    states: FloatArray
    readings: Readings

    def take(self, which: BoolArray) -> CheckedCases:
        place = np.cumsum(which) - 1
        kept = which[self.readings.case]
        readings = Readings(place[self.readings.case[kept]], self.readings.place[kept])
        return CheckedCases(self.weights[which], self.cluster[which], self.states[which], readings)


@dataclass(frozen=True)
class Tables:
    """What is known of each check. likelihood: (checks, 4, width), rows that sum to 1; first, last:
    the bins that each column stands for, (checks, width); made: similar cases in which it was made,
    (checks,); told: whether its table is more than chance, (checks,)."""

    likelihood: FloatArray
    first: IntArray
    last: IntArray
    made: IntArray
    told: BoolArray


def learn_tables(panel: Panel, similar: CheckedCases, of_kind: CheckedCases) -> Tables:
    """What each check shows in each state. of_kind: without the similar cases."""
    near, around = _counts(panel, similar), _counts(panel, of_kind)
    seen = around.sum(axis=-1, keepdims=True)
    # Shape (checks, states, width). Many cases of the kind must not drown the similar ones.
    share = np.minimum(seen, MOST_FROM_KIND)
    around *= np.divide(share, seen, out=np.zeros(seen.shape), where=seen > 0)
    pool, first, last = _merge_bins(panel, near + around)
    every = pool.sum(axis=1)
    total = every.sum(axis=-1)
    usual = every / np.where(total > 0, total, 1.0)[:, None]
    told, trust = _beyond_chance(pool)
    shown = pool + DOUBT * usual[:, None, :]
    row = shown.sum(axis=-1, keepdims=True)
    shown = np.divide(shown, row, out=np.zeros(shown.shape), where=row > 0)
    likelihood = trust[:, None, None] * shown + (1 - trust)[:, None, None] * usual[:, None, :]
    # A check that nobody made shows nothing: one empty column keeps its rows probabilities.
    likelihood[total <= 0] = 0.0
    likelihood[total <= 0, :, 0] = 1.0
    made = np.bincount(similar.readings.place // panel.width, minlength=len(panel.checks))
    return Tables(likelihood, first, last, made.astype(np.int64), told)


def _counts(panel: Panel, cases: CheckedCases) -> FloatArray:
    """Effective number of cases by check, state and result: (checks, 4, width)."""
    checks, width = len(panel.checks), panel.width
    case, place = cases.readings.case, cases.readings.place
    known = cases.states.sum(axis=1)
    weight = cases.weights[case] * known[case]
    check = place // width
    _, shop = np.unique(cases.cluster, return_inverse=True)
    shops = int(shop.max(initial=-1)) + 1
    of_shop = np.bincount(check * max(shops, 1) + shop[case], weight, checks * max(shops, 1))
    total = np.bincount(check, weight, checks)
    n_eff = n_eff_from_sums(
        total,
        np.bincount(check, np.square(weight), checks),
        np.square(of_shop.reshape(checks, -1)).sum(axis=1),
        rho=RHO_OF_BOTH,
    )
    scale = np.divide(n_eff, total, out=np.zeros(checks), where=total > 0)
    counts = np.stack(
        [
            np.bincount(place, cases.weights[case] * cases.states[case, state], checks * width)
            for state in range(len(STATES))
        ]
    )
    table = counts.reshape(len(STATES), checks, width).transpose(1, 0, 2)
    return np.asarray(table * scale[:, None, None], np.float64)


def _merge_bins(panel: Panel, pool: FloatArray) -> tuple[FloatArray, IntArray, IntArray]:
    """Bins of numbers joined to at most MOST_RANGES that are about equally common, whatever the
    outcome; results of other checks stay as they are."""
    checks, states, width = pool.shape
    every = pool.sum(axis=1)
    total = every.sum(axis=1, keepdims=True)
    middle = np.cumsum(every, axis=1) - every / 2
    share = np.divide(middle, total, out=np.zeros(every.shape), where=total > 0)
    ranges = np.minimum((MOST_RANGES * share).astype(np.int64), MOST_RANGES - 1)
    column = np.where(panel.numbers[:, None], ranges, np.arange(width))
    to = (np.arange(checks)[:, None] * width + column).ravel()
    merged = np.stack(
        [np.bincount(to, pool[:, state].ravel(), checks * width) for state in range(states)]
    )
    bins = np.tile(np.arange(width), checks)
    first = np.full(checks * width, width, np.int64)
    last = np.full(checks * width, -1, np.int64)
    np.minimum.at(first, to, bins)
    np.maximum.at(last, to, bins)
    table = merged.reshape(states, checks, width).transpose(1, 0, 2).astype(np.float64)
    return table, first.reshape(checks, width), last.reshape(checks, width)


def _beyond_chance(pool: FloatArray) -> tuple[BoolArray, FloatArray]:
    """Whether each table shows more than chance would, and how much of it to believe, (checks,).

    Chance alone gives a likelihood ratio of about its degrees of freedom; what is left above that,
    as a share, is the share of the information, and its root that of the contrast behind it.
    """
    rows, columns = pool.sum(axis=2), pool.sum(axis=1)
    total = rows.sum(axis=1)
    safe = np.where(total > 0, total, 1.0)[:, None, None]
    expected = rows[:, :, None] * columns[:, None, :] / safe
    ratio = np.divide(pool, expected, out=np.ones(pool.shape), where=(pool > 0) & (expected > 0))
    g = 2 * (pool * np.log(ratio)).sum(axis=(1, 2))
    freedom = ((rows > 0).sum(axis=1) - 1) * ((columns > 0).sum(axis=1) - 1)
    usable = (freedom > 0) & (g > 0)
    left = 1 - np.divide(freedom, g, out=np.ones(len(g)), where=usable)
    p = np.where(usable, chdtrc(np.maximum(freedom, 1), g.clip(0.0, None)), 1.0)
    return p < BY_CHANCE, np.sqrt(left.clip(0.0, None))
