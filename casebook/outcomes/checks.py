"""Which check to make next: what each would tell, and what it would save. Pure.

In question is what it will take in the end (STATES). How likely each is comes from what the similar
cases took; what a check shows in each of them from those in which it *was made*; both are drawn
towards all such cases of the unit kind. Both are independent and enter as averages over what is
not known of them, so that averaging over draws has a closed form, and the decision after a result
is made on that average, as people make it, not on a single draw.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebook.outcomes.check_tables import DOUBT, STATES, CheckedCases, Tables
from casebook.outcomes.outlook import Neighbours
from casebook.outcomes.panel import Panel
from casebook.stats.clustering import PRIOR_RHO, cluster_n_eff
from casebook.stats.decisions import LEAVE, REPLACE, RUNGS, policy_costs
from casebook.stats.durability import CAME_BACK, CENSORED, GONE, cumulative_incidence
from casebook.stats.information import information_gain, posterior, value_of_check

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_STATE_OF_LEVEL: Final = np.array([0, 0, 1, 2, 3])  # a vehicle that needed nothing needs no more
MOST_LISTED: Final = 8
# Nothing is impossible: a tenth of a case for each of STATES.
LEAST: Final = 0.1
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
    "replacement_cost_needed": (
        "Give the cost of a replacement, which is what is left where all else fails, and checks "
        "are ranked by what they save; they are ranked by what they tell per minute."
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
class Stakes:
    """What each way would cost. cost: of each level before a replacement, (3,), infinite where not
    known; failure: of a comeback; replacement: the cheapest; leave: lost by giving up. hour: what
    an hour of checking costs."""

    cost: FloatArray
    failure: float
    replacement: float
    leave: float
    hour: float


def belief_of(similar: CheckedCases, of_kind: CheckedCases) -> FloatArray | None:
    """Probability of each of STATES, (4,), as the similar cases took them, drawn a little towards
    all of the kind; None where neither tells.

    Not the outlook's chance that a service holds when tried first: shops try it where they expect
    it to do, often after a check. A check parts all similar cases, so what is believed before it
    must be what all of them took, or its results would come out too often or too seldom.
    """
    near, around = (_mean_states(cases) for cases in (similar, of_kind))
    if near.sum() + around.sum() <= 0:
        return None
    prior = DOUBT * (around / around.sum() if around.sum() > 0 else np.full(len(STATES), 0.25))
    belief = near + prior + LEAST
    return np.asarray(belief / belief.sum(), np.float64)


def _mean_states(cases: CheckedCases) -> FloatArray:
    """Effective number of cases in each of STATES, (4,)."""
    weight = cases.weights * cases.states.sum(axis=1)
    counts = cases.weights @ cases.states
    if not counts.sum() > 0:
        return np.zeros(len(STATES))
    n_eff = cluster_n_eff(weight, cases.cluster, rho=PRIOR_RHO)
    return np.asarray(counts * (n_eff / counts.sum()), np.float64)


def likely_states(cases: Neighbours, *, horizon_days: float) -> FloatArray:
    """How likely each case took each of STATES, (n, 4); 0 where nothing can be told.

    What cured it, where that is known. A repair that was last seen holding before the horizon
    counts as one that may yet fail; what came back without a known cure took more than was tried,
    in the shares in which the others did.
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
    rest = np.where(deeper, cases.similarity @ states + LEAST, 0.0)
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
    then: list[list[str | None]] | None = None
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
    told = [
        _Value(
            gain=float(gain[i]),
            chance=chance[i],
            service_holds=after[i, 0],
            service_holds_now=float(belief[0]),
            net=None if then is None else float(net[i]),
            changes=None if then is None else bool(saves[i] > 0),
            then=[None] * panel.width if then is None else then[i],
        )
        for i in order[:MOST_LISTED]
    ]
    listed = [
        _describe(panel, tables, int(at[i]), value)
        for i, value in zip(order[:MOST_LISTED], told, strict=True)
    ]
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


@dataclass(frozen=True)
class _Value:
    """What one check is worth; arrays over its results. net, changes: None without costs."""

    gain: float
    chance: FloatArray
    service_holds: FloatArray
    service_holds_now: float
    net: float | None
    changes: bool | None
    then: Sequence[str | None]


def _describe(panel: Panel, tables: Tables, place: int, value: _Value) -> dict[str, Any]:
    check = panel.checks[place]
    results = [
        panel.describe_result(place, int(tables.first[place, i]), int(tables.last[place, i]))
        | {
            "probability": round(float(value.chance[i]), 4),
            "service_holds": round(float(value.service_holds[i]), 4),
            "then": value.then[i],
        }
        for i in np.flatnonzero(value.chance > 0).tolist()
    ]
    return {
        "check": check.key,
        "label": check.label,
        "minutes": check.minutes,
        "expected_gain_bits": round(value.gain, 4),
        "net_value": None if value.net is None else f"{value.net:.2f}",
        "changes_decision": value.changes,
        "cases": int(tables.made[place]),
        "service_holds_now": round(value.service_holds_now, 4),
        "results": results,
        "cautions": list(check.cautions),
    }
