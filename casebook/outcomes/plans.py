"""Comparing plans: expected cost, what it hangs on, and from where another would be cheaper. Pure.

How often a level holds when tried first is the outlook's, at the months wanted, unless the request
says otherwise. Once a lower level has failed that chance is less: by what the similar cases took in
the end, how much likelier is it that the higher one would not do either (`failing_factors`). What
is not known of the chances enters as draws; the way on after a failure is fixed on their average.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from casebook.outcomes.costs import REPAIR_COSTS, REPLACEMENT_COSTS, Figure
from casebook.stats.decisions import (
    LEAVE,
    PLANS,
    REPLACE,
    RUNGS,
    Costed,
    Ladder,
    beta_like,
    break_even,
    cost_plans,
    failing_factors,
)

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Half a case for each thing it may take (Jeffreys).
DOUBT: Final = 0.5
_ROUNDING: Final = 1e-5
DRAWS: Final = 1_000
SEED: Final = 1
DAYS_A_MONTH: Final = 365.25 / 12
DAYS_A_YEAR: Final = 365.25
PLAN_NAMES: Final = (
    "service_first", "component_first", "overhaul_now", *("replace_now",) * 3, "leave_it",
)  # fmt: skip
LEVEL_NAMES: Final = REPAIR_COSTS
CHANCES: Final = (*LEVEL_NAMES, *REPLACEMENT_COSTS)


@dataclass(frozen=True)
class Chance:
    """That a repair holds for the months wanted. origin: "given", or from the "outlook", of which
    `tried` similar cases are behind it."""

    mean: float
    low: float
    high: float
    origin: Literal["given", "outlook"]
    tried: int = 0


@dataclass(frozen=True)
class Question:
    """costs: by name (service, ..., replacement.used, ..., diagnosis, comeback, further_damage,
    replacement_comeback; value_working, value_not_working among them). chances: by level and
    replacement.<source>. took: effective number of similar cases that in the end took a service,
    a component, an overhaul, a replacement, (4,). failing_days: when failures show, on average,
    per level, (3,); replacement_days: of replacements. discount_rate: a year. coverage: of
    intervals."""

    costs: Mapping[str, Figure]
    chances: Mapping[str, Chance]
    took: FloatArray
    failing_days: FloatArray
    replacement_days: float
    discount_rate: float
    coverage: float


@dataclass(frozen=True)
class Comparison:
    """Arrays over PLANS. cost: expected, NaN or infinite where it can't be told; low, high: its
    interval; cheapest: share of draws in which it is. best: the cheapest plan's place, None where
    no plan can be costed. costed: on the averages."""

    cost: FloatArray
    low: FloatArray
    high: FloatArray
    cheapest: FloatArray
    best: int | None
    ladder: Ladder
    costed: Costed


def compare_plans(question: Question) -> Comparison:
    """Chances are independent, and every cost is linear in each: the expected cost is that at the
    averages, exactly; draws serve the intervals alone."""
    ladder = build_ladder(question, {})
    costed = cost_plans(ladder)
    drawn = cost_plans(build_ladder(question, draw_chances(question)), choice=costed.choice).plans
    drawn = np.broadcast_to(drawn, (DRAWS, PLANS))
    usable = np.isfinite(costed.plans)
    if not usable.any():
        nothing = np.full(PLANS, np.nan)
        return Comparison(costed.plans, nothing, nothing, np.zeros(PLANS), None, ladder, costed)
    tail = (1 - question.coverage) / 2
    kept = np.where(usable, drawn, 0.0)
    low, high = np.quantile(kept, [tail, 1 - tail], axis=0)
    winner = np.where(usable, drawn, np.inf).argmin(axis=1)
    return Comparison(
        cost=costed.plans,
        low=np.minimum(low, costed.plans),
        high=np.maximum(high, costed.plans),
        cheapest=np.bincount(winner, minlength=PLANS) / DRAWS,
        best=int(np.where(usable, costed.plans, np.inf).argmin()),
        ladder=ladder,
        costed=costed,
    )


def build_ladder(question: Question, values: Mapping[str, FloatArray]) -> Ladder:
    """The tree to be costed. values: of some inputs, one row each of one length, instead of the
    question's own; names as in `inputs_of`."""
    length = next((len(row) for row in values.values()), None)
    shape = () if length is None else (length,)

    def amount(name: str, missing: float) -> FloatArray:
        figure = question.costs.get(name)
        known = missing if figure is None else figure.amount
        return np.broadcast_to(values.get(f"costs.{name}", np.asarray(known)), shape)

    def chance(name: str) -> FloatArray:
        known = question.chances.get(name)
        default = np.nan if known is None else known.mean
        return np.broadcast_to(values.get(f"probabilities.{name}", np.asarray(default)), shape)

    damage = amount("further_damage", 0.0)
    failure = amount("diagnosis", 0.0) + amount("comeback", 0.0) + damage
    replace = np.stack([amount(name, np.inf) for name in REPLACEMENT_COSTS], axis=-1)
    # A replacement whose chance nobody knows is taken to hold, and that is said.
    fails = 1 - np.stack([chance(name) for name in REPLACEMENT_COSTS], axis=-1)
    holds = np.stack([chance(name) for name in LEVEL_NAMES], axis=-1)
    again = amount("replacement_comeback", np.nan)[..., None]
    again = np.where(np.isnan(again), replace + (failure - damage)[..., None], again)
    loss = amount("value_working", np.inf) - amount("value_not_working", 0.0)
    known_worth = {"value_working", "value_not_working"} <= question.costs.keys()
    return Ladder(
        cost=np.stack([amount(name, np.inf) for name in LEVEL_NAMES], axis=-1),
        holds=holds,
        after=_after(question, holds),
        discount=_discounts(question, question.failing_days),
        failure=np.asarray(failure, np.float64),
        replace=replace,
        fails=np.where(np.isnan(fails), 0.0, fails),
        again=again,
        replace_discount=_discounts(question, np.full(RUNGS, question.replacement_days)),
        leave=np.asarray(loss.clip(0.0, None) if known_worth else np.full(shape, np.inf)),
    )


def _after(question: Question, holds: FloatArray) -> FloatArray:
    """Chances after a failure, (..., 3, 3); a stated chance counts there unchanged."""
    if question.took.sum() > 0:
        factors = failing_factors(question.took + DOUBT)
    else:
        factors = np.full((RUNGS, RUNGS), np.nan)
    for place, name in enumerate(LEVEL_NAMES):
        stated = question.chances.get(name)
        if stated is not None and stated.origin == "given":
            factors[:, place] = 1.0
    return np.asarray(factors * holds[..., None, :], np.float64)


def _discounts(question: Question, days: FloatArray) -> FloatArray:
    factor: FloatArray = (1 + question.discount_rate) ** (-days / DAYS_A_YEAR)
    return factor


def draw_chances(question: Question) -> dict[str, FloatArray]:
    """Rows of DRAWS draws of what the outlook does not know for certain; stated chances stay."""
    random = np.random.default_rng(SEED)
    unsure = {
        name: chance for name, chance in question.chances.items() if chance.origin == "outlook"
    }
    values: dict[str, FloatArray] = {}
    if unsure:
        mean, low, high = np.array([[c.mean, c.low, c.high] for c in unsure.values()]).T
        mean = mean.clip(2 * _ROUNDING, 1 - 2 * _ROUNDING)
        # An interval may have been rounded to a point, or past its own mean.
        low, high = np.minimum(low, mean - _ROUNDING), np.maximum(high, mean + _ROUNDING)
        low, high = low.clip(_ROUNDING, None), high.clip(None, 1 - _ROUNDING)
        a, b = beta_like(mean, low, high, coverage=question.coverage)
        draws = random.beta(a, b, (DRAWS, len(a)))
        values = {f"probabilities.{name}": draws[:, i] for i, name in enumerate(unsure)}
    # One row at least, so that a question without any doubt has draws too.
    return values or {"costs.diagnosis": np.full(DRAWS, _amount(question, "diagnosis"))}


def _amount(question: Question, name: str) -> float:
    figure = question.costs.get(name)
    return 0.0 if figure is None else figure.amount


# --- what one plan does, step by step ---------------------------------------------------------


@dataclass(frozen=True)
class Step:
    """reached: chance that it comes to this. what: place as in Costed.choice. cost, holds: of this
    step; holds None for giving up. day: on which it is done, on average."""

    what: int
    reached: float
    cost: float
    holds: float | None
    day: float


def steps_of(question: Question, comparison: Comparison, plan: int) -> list[Step]:
    """A plan that can be costed, from its first step to a replacement or to giving up."""
    ladder, choice = comparison.ladder, comparison.costed.choice
    steps: list[Step] = []
    what, reached, day, failed = plan, 1.0, 0.0, None
    while reached > 0:
        if what == LEAVE:
            steps.append(Step(what, reached, float(ladder.leave), None, day))
            break
        if what >= REPLACE:
            source = what - REPLACE
            steps.append(
                Step(
                    what,
                    reached,
                    float(ladder.replace[source]),
                    1 - float(ladder.fails[source]),
                    day,
                )
            )
            break
        chance = ladder.holds[what] if failed is None else ladder.after[failed, what]
        steps.append(Step(what, reached, float(ladder.cost[what]), float(chance), day))
        reached *= 1 - float(chance)
        day += float(question.failing_days[what])
        failed, what = what, int(choice[what])
    return steps


def cost_range(comparison: Comparison, steps: Sequence[Step]) -> tuple[float, float]:
    """What is paid if the first step holds, and if every one fails, undiscounted."""
    failure = float(comparison.ladder.failure)
    worst = sum(step.cost for step in steps) + failure * (len(steps) - 1)
    last = steps[-1]
    if last.what >= REPLACE and last.what != LEAVE and last.holds is not None and last.holds < 1:
        worst += float(comparison.ladder.again[last.what - REPLACE])
    elif last.what < REPLACE and last.holds is not None and last.holds < 1:
        worst = float("inf")
    return steps[0].cost, worst


def months_of_use(steps: Sequence[Step], usable: Callable[[float], float], months: int) -> float:
    """How long the vehicle serves within the months wanted. usable: of so many months, how many it
    is still on the road. Repairs take no time; giving up ends the use."""
    total = 0.0
    for step, after in zip(steps, [*steps[1:], None], strict=True):
        ending = step.reached - (0.0 if after is None else after.reached)
        until = min(step.day / DAYS_A_MONTH, months) if step.what == LEAVE else months
        total += ending * usable(float(until))
    return total


# --- break-even -------------------------------------------------------------------------------


@dataclass(frozen=True)
class BreakEven:
    """chance: at which service first costs as much as the other plan; NaN where there is none,
    below 0 or above 1 where no chance changes it. other: place of that plan, None where nothing
    can be compared."""

    chance: float
    other: int | None


def service_break_even(comparison: Comparison) -> BreakEven:
    """Between service first and the cheapest of the other plans."""
    others = np.where(np.isfinite(comparison.cost), comparison.cost, np.inf)
    others[0] = np.inf
    cost = float(comparison.ladder.cost[0])
    failed = float(comparison.ladder.discount[0] * comparison.costed.failed[0])
    if not (np.isfinite(others).any() and np.isfinite(cost) and np.isfinite(failed)):
        return BreakEven(float("nan"), None)
    other = int(others.argmin())
    return BreakEven(float(break_even(cost, failed, others[other])), other)
