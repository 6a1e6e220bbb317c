"""Which check to make next: what each would tell, and what it would save. Pure.

In question is what it will take in the end (STATES). How likely each is comes from the outlook;
what a check shows in each of them comes from the similar cases in which it *was made*, drawn
towards all such cases of the unit kind. Both are independent and enter as averages over what is
not known of them, so that averaging over draws has a closed form, and the decision after a result
is made on that average, as people make it, not on a single draw.

A table of counts shows some association by chance alone. What chance would give is taken off
before anything is said (Miller 1955, Note on the bias of information estimates; from memory, not
verified), and a check whose table could well be chance is not listed.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from casebook.cases.constants import LEVELS
from casebook.outcomes.outlook import Neighbours
from casebook.outcomes.panel import Panel, Readings
from casebook.stats.clustering import PRIOR_RHO, n_eff_from_sums
from casebook.stats.decisions import LEAVE, REPLACE, RUNGS, failing_factors, policy_costs
from casebook.stats.durability import CAME_BACK, CENSORED, GONE, cumulative_incidence
from casebook.stats.information import information_gain, posterior, value_of_check

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# What it takes in the end: a service that holds, or more.
STATES: Final = ("service", "component", "overhaul", "replacement")
_STATE_OF_LEVEL: Final = np.array([0, 0, 1, 2, 3])  # a vehicle that needed nothing needs no more
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
MOST_LISTED: Final = 8
_CENT: Final = 0.005

FIRST_STEPS: Final = {
    0: "service_first",
    1: "component_first",
    2: "overhaul_now",
    REPLACE: "replace_now",
    LEAVE: "leave_it",
}

# Said where a list alone would mislead: key -> sentence.
CHECK_NOTES: Final[dict[str, str]] = {
    "unit_kind_needed": "Say which unit it is about, and checks of that unit can be weighed.",
    "pool_too_small": "Too few shops have shared cases to say what a check would tell.",
    "labour_rate_needed": (
        "Give labour_rate, and checks are ranked by what they save; they are ranked by what they "
        "tell per minute."
    ),
    "no_check_tells_more": (
        "From the cases so far no further check is known to tell what it will take."
    ),
    "no_check_changes_decision": (
        "No check changes the decision: whatever it shows, the same plan stays the cheapest."
    ),
    "no_check_pays": (
        "A check could change the decision, but on average its time costs more than that saves."
    ),
}


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
class Stakes:
    """What each way would cost. cost: of each level before a replacement, (3,), infinite where not
    known; failure: of a comeback; replacement: the cheapest; leave: lost by giving up. hour: what
    an hour of checking costs."""

    cost: FloatArray
    failure: float
    replacement: float
    leave: float
    hour: float


def belief_of(outlook: Mapping[str, Any]) -> FloatArray | None:
    """Probability of each of STATES, (4,), from an outlook; None where it can't tell.

    A service holds as the outlook says. What more it takes: a component repair that is made once
    the service failed holds less often than one made first, and so on (`failing_factors`); where
    the outlook has no chance for a level, what the similar cases took in the end stands in.
    """
    holds = {row["level"]: row["holds"] for row in outlook["levels"]}
    took = resolution_counts(outlook) + 0.5
    if holds["service"] is None and not outlook["resolved_by"]:
        return None
    upto = np.cumsum(took)
    factors = failing_factors(took)
    belief = np.empty(len(STATES))
    left = 1.0
    for place, level in enumerate(STATES[:RUNGS]):
        # Among those that took more than the level below.
        taken = took[place] / (upto[-1] - upto[place] + took[place])
        factor = 1.0 if place == 0 else factors[place - 1, place]
        chance = taken if holds.get(level) is None else holds[level] * factor
        belief[place] = left * chance
        left -= belief[place]
    belief[-1] = left
    return belief


def resolution_counts(outlook: Mapping[str, Any]) -> FloatArray:
    """Effective number of similar cases that took each of STATES in the end, (4,)."""
    scale = outlook["effective_cases"] / max(outlook["cases"], 1)
    counts = np.zeros(len(STATES))
    for row in outlook["resolved_by"]:
        state = int(_STATE_OF_LEVEL[LEVELS.index(row["level"])])
        counts[state] += row["share"] * row["of"] * scale
    return counts


def likely_states(cases: Neighbours, belief: FloatArray, *, horizon_days: float) -> FloatArray:
    """How likely each case took each of STATES, (n, 4); 0 where nothing can be told.

    What cured it, where that is known. A repair that was last seen holding before the horizon
    counts as one that may yet fail; what came back without a known cure took more than was tried.
    """
    states = np.zeros((len(cases), len(STATES)))
    if not len(cases):
        return states
    resolved = cases.resolved_by >= 0
    states[resolved, _STATE_OF_LEVEL[cases.resolved_by[resolved]]] = 1.0
    tried = cases.first_level >= 0
    first = np.where(tried, _STATE_OF_LEVEL[cases.first_level], 0)
    back = tried & (cases.event == CAME_BACK) & (cases.event_days <= horizon_days) & ~resolved
    deeper = np.arange(len(STATES)) > first[:, None]
    rest = np.where(deeper, belief, 0.0)
    rest[first == len(STATES) - 1] = [0, 0, 0, 1]
    rest /= rest.sum(axis=1, keepdims=True)
    states[back] = rest[back]
    # A vehicle that went proves nothing beyond its day.
    lost = tried & (cases.event == GONE) & (cases.event_days < horizon_days)
    states[lost] = 0.0
    states[tried & (first == 0) & (cases.event_days > horizon_days)] = [1, 0, 0, 0]
    for place in range(RUNGS):
        of_level = tried & (first == place)
        open_end = of_level & (cases.event == CENSORED) & (cases.event_days <= horizon_days)
        open_end &= resolved
        if open_end.any():
            chance = _chance_to_hold_on(
                cases.take(of_level), cases.event_days[open_end], horizon_days
            )[:, None]
            states[open_end] = chance * np.eye(len(STATES))[place] + (1 - chance) * rest[open_end]
    return states


def _chance_to_hold_on(alike: Neighbours, days: FloatArray, horizon_days: float) -> FloatArray:
    """That a repair seen holding on these days holds until the horizon too, (k,)."""
    asked = np.append(days, horizon_days)
    curve = cumulative_incidence(
        alike.event_days, alike.event, asked, weights=alike.similarity + 1e-9
    )
    left = 1 - curve.came_back[:-1] - curve.gone[:-1]
    later = (curve.came_back[-1] - curve.came_back[:-1]).clip(0.0, None)
    return np.asarray(1 - np.divide(later, left, out=np.zeros(len(days)), where=left > 0))


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


def next_checks(
    panel: Panel,
    tables: Tables,
    belief: FloatArray,
    *,
    done: Collection[str],
    stakes: Stakes | None = None,
) -> tuple[list[dict[str, Any]], list[str]]:
    """Checks worth making, best first, and keys of CHECK_NOTES.

    belief: probability of each of STATES, (4,). done: keys of checks already made. stakes: what
    is at stake in money; without it checks rank by what they tell per minute.
    """
    open_ = tables.told & np.array([check.key not in done for check in panel.checks], bool)
    at = np.flatnonzero(open_)
    if not len(at):
        return [], ["no_check_tells_more"]
    given = tables.likelihood[at]
    gain = information_gain(belief, given)
    chance, after = posterior(belief, given)
    minutes = np.array([panel.checks[place].minutes for place in at], np.float64)
    saves = np.zeros(len(at))
    then: list[list[str]] | None = None
    if stakes is not None and (ways := _ways(stakes)) is not None:
        costs, first = ways
        saves = value_of_check(costs, belief, given)
        saves[saves < _CENT] = 0.0
        joint = belief[None, :, None] * given
        best = np.einsum("as,csr->car", costs, joint).argmin(axis=1)
        then = [[FIRST_STEPS[int(step)] for step in row] for row in first[best]]
        net = saves - minutes / 60 * stakes.hour
        order = np.lexsort((-gain / minutes, -net))
    else:
        net = np.full(len(at), np.nan)
        order = np.argsort(-gain / minutes, kind="stable")
    notes = [] if then is None else _money_notes(saves, net)
    listed = [
        _describe(
            panel, tables, int(at[i]), float(gain[i]), None if then is None else float(net[i]),
            chance[i], after[i, 0], None if then is None else then[i], bool(saves[i] > 0),
        )
        for i in order[:MOST_LISTED]
    ]  # fmt: skip
    return listed, notes


def _ways(stakes: Stakes) -> tuple[FloatArray, IntArray] | None:
    costs, first = policy_costs(
        stakes.cost,
        failure=stakes.failure,
        replacement=stakes.replacement,
        leave=stakes.leave,
    )
    return (costs, first) if len(first) > 1 else None


def _money_notes(saves: FloatArray, net: FloatArray) -> list[str]:
    if not (saves > 0).any():
        return ["no_check_changes_decision"]
    return [] if (net > 0).any() else ["no_check_pays"]


def _describe(
    panel: Panel,
    tables: Tables,
    place: int,
    gain: float,
    net: float | None,
    chance: FloatArray,
    holds: FloatArray,
    then: list[str] | None,
    changes: bool,
) -> dict[str, Any]:
    check = panel.checks[place]
    results = [
        panel.describe_result(place, int(tables.first[place, i]), int(tables.last[place, i]))
        | {
            "probability": round(float(chance[i]), 4),
            "service_holds": round(float(holds[i]), 4),
            "then": None if then is None else then[i],
        }
        for i in np.flatnonzero(chance > 0)
    ]
    return {
        "check": check.key,
        "label": check.label,
        "minutes": check.minutes,
        "expected_gain_bits": round(gain, 4),
        "net_value": None if net is None else f"{net:.2f}",
        "changes_decision": None if then is None else changes,
        "cases": int(tables.made[place]),
        "results": results,
        "cautions": list(check.cautions),
    }
