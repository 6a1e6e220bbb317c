"""What repair plans cost on average, step by step until the vehicle works or is given up.

Three levels come before a replacement, least first: service, component, overhaul. A level that
fails costs a comeback and leaves every higher level, a replacement from one of three sources, or
giving up. What to do after a failure is chosen by the average over what is known, never by a
single draw: nobody sees the true probabilities before deciding.

Everything is in one money, as of the day of the decision. Leading axes (scenarios, draws)
broadcast. Infinity stands for "not to be had", and an infinite plan for one that can't be costed.
Derivation: own; nests the comparison of service first with replacing now.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, ndtri

from casebook.stats.proportions import check_confidence

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Levels before a replacement, and sources of one.
RUNGS: Final = 3
SOURCES: Final = 3
# What may follow a failure: a higher level (service itself never), a replacement, giving up.
REPLACE: Final = RUNGS
LEAVE: Final = RUNGS + SOURCES
# Plans: each level first, a replacement at once from each source, leaving it.
PLANS: Final = RUNGS + SOURCES + 1
_STEPS: Final = 7


@dataclass(frozen=True)
class Ladder:
    """One decision, or many along leading axes.

    cost: of a try at each level, (..., 3). holds: chance that it holds when tried first, (..., 3).
    after: chance that level j (column) holds once level i (row) has failed, (..., 3, 3); only
    j > i is read. discount: what a sum on the day a failure shows is worth today, (..., 3), in
    (0, 1]. failure: cost of a comeback and of what it damages, (...).
    replace: cost of a replacement from each source, (..., 3); fails: chance that it comes back;
    again: what that costs; replace_discount: as `discount`, all (..., 3). leave: what giving up
    loses, (...).
    """

    cost: FloatArray
    holds: FloatArray
    after: FloatArray
    discount: FloatArray
    failure: FloatArray
    replace: FloatArray
    fails: FloatArray
    again: FloatArray
    replace_discount: FloatArray
    leave: FloatArray


@dataclass(frozen=True)
class Costed:
    """plans: expected cost of each plan, (..., PLANS). failed: expected cost from the failure of
    each level on, comeback included, (..., 3). choice: what follows it, (..., 3): a level's place,
    REPLACE + source, or LEAVE."""

    plans: FloatArray
    failed: FloatArray
    choice: IntArray


def cost_plans(ladder: Ladder, *, choice: IntArray | None = None) -> Costed:
    """Expected cost of every plan.

    choice: what follows each failure, broadcast; the cheapest by the ladder's own numbers where
    left out (ties: what comes first). Chances that aren't known are NaN, and make plans that need
    them NaN; as a way on after a failure such a level is left out.
    Raises ValueError on chances outside [0, 1], discounts outside (0, 1] and negative costs.
    """
    _check(ladder)
    at_once = ladder.replace + _times(ladder.fails, ladder.replace_discount * ladder.again)
    shape = np.broadcast_shapes(
        ladder.cost.shape[:-1], ladder.holds.shape[:-1], at_once.shape[:-1], ladder.leave.shape,
        ladder.failure.shape, ladder.after.shape[:-2],
        () if choice is None else choice.shape[:-1],
    )  # fmt: skip
    options = np.full((*shape, LEAVE + 1), np.inf)
    options[..., REPLACE:LEAVE] = at_once
    options[..., LEAVE] = ladder.leave
    failed = np.empty((*shape, RUNGS))
    taken = np.empty((*shape, RUNGS), np.int64)
    plans = np.empty((*shape, PLANS))
    for rung in reversed(range(RUNGS)):
        # Higher levels are in the options already, as what they cost after this one failed.
        for higher in range(rung + 1, RUNGS):
            chance = ladder.after[..., rung, higher]
            way = _try(ladder, higher, chance, failed[..., higher])
            options[..., higher] = np.where(np.isnan(way), np.inf, way)
        if choice is None:
            taken[..., rung] = options.argmin(axis=-1)
        else:
            taken[..., rung] = choice[..., rung]
        way = np.take_along_axis(options, taken[..., rung, None], axis=-1)[..., 0]
        failed[..., rung] = ladder.failure + way
        plans[..., rung] = _try(ladder, rung, ladder.holds[..., rung], failed[..., rung])
    plans[..., REPLACE:LEAVE] = at_once
    plans[..., LEAVE] = ladder.leave
    return Costed(plans, failed, taken)


def _try(ladder: Ladder, rung: int, chance: FloatArray, failed: FloatArray) -> FloatArray:
    loss = _times(1 - chance, ladder.discount[..., rung] * failed)
    return np.asarray(ladder.cost[..., rung] + loss, np.float64)


def _times(chance: FloatArray, cost: FloatArray) -> FloatArray:
    """What never happens costs nothing, however much it would."""
    chance, cost = np.broadcast_arrays(chance, cost)
    out = np.zeros(chance.shape)
    np.multiply(chance, cost, out=out, where=chance != 0)
    return out


def break_even(service: ArrayLike, failed: ArrayLike, other: ArrayLike) -> FloatArray:
    """The chance of holding at which service first costs as much as the other plan.

    service: cost of the service. failed: what its failure costs, comeback and the cheapest way on
    together, as of the day of the decision. other: cost of the other plan. Any shapes, broadcast.
    Returns 1 - (other - service) / failed, which with failed = d (D + M) is
    (Cs + d (D + M) - R) / (d (D + M)). Outside [0, 1] no chance changes the choice: below 0 the
    service is always cheaper, above 1 never. NaN where a failure costs nothing.
    """
    s, f, r = np.broadcast_arrays(*(np.asarray(x, float) for x in (service, failed, other)))
    out = np.full(s.shape, np.nan)
    np.divide(r - s, f, out=out, where=f > 0)
    return np.asarray(1 - out, np.float64)


def failing_factors(shares: ArrayLike) -> FloatArray:
    """By what factor the failure of a level lowers the chance that a higher one cures.

    shares: of all cases, how many take a service, a component, an overhaul, a replacement in the
    end: (..., 4), >= 0; scaled to sum to 1. A level cures whatever takes no more than it, so the
    factor is P(takes <= j | takes > i) / P(takes <= j), never above 1.
    Returns (..., 3, 3), rows i, columns j > i; NaN where it says nothing.
    Raises ValueError on other shapes or values.
    """
    s = np.asarray(shares, float)
    if s.shape[-1:] != (RUNGS + 1,) or not np.all((s >= 0) & np.isfinite(s)):
        raise ValueError("shares must have the shape (..., 4), finite and >= 0")
    upto = np.cumsum(s, axis=-1)
    total = upto[..., -1]
    factors = np.full((*s.shape[:-1], RUNGS, RUNGS), np.nan)
    for rung in range(RUNGS):
        left = total - upto[..., rung]
        for higher in range(rung + 1, RUNGS):
            cured, base = upto[..., higher] - upto[..., rung], left * upto[..., higher] / total
            np.divide(cured, base, out=factors[..., rung, higher], where=base > 0)
    return factors


def policy_costs(
    cost: ArrayLike, *, failure: float, replacement: float, leave: float
) -> tuple[FloatArray, IntArray]:
    """Every way through, by what it costs in each state.

    A way tries some of the levels, least first, and ends in a replacement or in giving up. States:
    what it takes in the end: service, component, overhaul, replacement. A level cures what takes
    no more than it; each failure costs `failure`.
    cost: of each level, (3,); infinite levels and ends are left out.
    Returns the costs, (ways, 4), and what each way does first, (ways,): a level's place, REPLACE or
    LEAVE.
    """
    c = np.asarray(cost, float)
    if c.shape != (RUNGS,) or not np.all(c >= 0) or not (failure >= 0 and replacement >= 0):
        raise ValueError("costs must be three numbers >= 0, the others >= 0")
    subsets = (np.arange(2**RUNGS)[:, None] >> np.arange(RUNGS)) & 1
    tried = np.repeat(subsets, 2, axis=0).astype(bool)
    ends = np.tile([replacement, leave], 2**RUNGS)
    possible = np.isfinite(ends) & ~(tried & ~np.isfinite(c)).any(axis=1)
    tried, ends = tried[possible], ends[possible]
    first = np.where(
        tried.any(axis=1), tried.argmax(axis=1), np.tile([REPLACE, LEAVE], 2**RUNGS)[possible]
    )
    states = np.arange(RUNGS + 1)
    # A level is reached in a state if none tried before it cures; it cures if its place >= state.
    cures = np.arange(RUNGS)[:, None] >= states
    cured = np.zeros((len(tried), RUNGS + 1), bool)
    total = np.zeros((len(tried), RUNGS + 1))
    for rung in range(RUNGS):
        now = tried[:, rung, None] & ~cured
        total += np.where(now, c[rung] if np.isfinite(c[rung]) else 0.0, 0.0)
        total += np.where(now & ~cures[rung], failure, 0.0)
        cured |= now & cures[rung]
    return np.where(cured, total, total + ends[:, None]), first.astype(np.int64)


def beta_like(mean: ArrayLike, low: ArrayLike, high: ArrayLike, *, coverage: float) -> FloatArray:
    """Parameters of beta distributions with these means and about these equal-tailed intervals.

    All shape (n,), in (0, 1) with low <= mean <= high, low < high. Returns a, b: (2, n).
    The width alone decides how sure it is; it is never taken to be less sure than one case.
    Raises ValueError otherwise.
    """
    m, lo, hi = (np.asarray(x, float) for x in (mean, low, high))
    if not np.all((lo > 0) & (lo <= m) & (m <= hi) & (hi < 1) & (lo < hi)):
        raise ValueError("need 0 < low <= mean <= high < 1, and low < high")
    check_confidence(coverage)
    tail = (1 - coverage) / 2
    width = hi - lo
    # Nearly proportional to 1 / sqrt(strength): from the normal approximation on, every step
    # makes good what is still missing, and falls short rather than going too far.
    k = m * (1 - m) * np.square(2 * ndtri(1 - tail) / width)
    for _ in range(_STEPS):
        k = k.clip(1.0, 1e6)
        low_end, high_end = betaincinv(m * k, (1 - m) * k, np.array([[tail], [1 - tail]]))
        k = k * np.square((high_end - low_end) / width)
    k = k.clip(1.0, 1e6)
    return np.stack([m * k, (1 - m) * k])


def _check(ladder: Ladder) -> None:
    for chances in (ladder.holds, ladder.after, ladder.fails):
        if not np.all(np.isnan(chances) | ((chances >= 0) & (chances <= 1))):
            raise ValueError("chances must lie in [0, 1], or be NaN where not known")
    for factors in (ladder.discount, ladder.replace_discount):
        if not np.all((factors > 0) & (factors <= 1)):
            raise ValueError("discounts must lie in (0, 1]")
    for costs in (ladder.cost, ladder.failure, ladder.replace, ladder.again):
        if not np.all(costs >= 0):
            raise ValueError("costs must be >= 0")
    if np.any(np.isnan(ladder.leave)):
        raise ValueError("leave must be a number")
