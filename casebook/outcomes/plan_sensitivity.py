"""What would change the choice between plans: each input by itself, low and high, then further off.

Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebook.outcomes.plans import Comparison, Question, build_ladder
from casebook.stats.decisions import cost_plans

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# How far a stated chance may be off, when it is asked what would change the choice.
STATED_SPREAD: Final = 0.1
# Where a change of the choice is looked for: up to so many times an amount, in so many steps,
# and so often again between the two where it changes.
MOST_TIMES: Final = 4.0
STEPS: Final = 33
REFINED: Final = 2
NO_PLAN: Final = -1


@dataclass(frozen=True)
class Sensitivity:
    """One input. low, high: how far it may well be off. best_at_low, best_at_high: the cheapest
    plan there (NO_PLAN: none can be costed), with its cost. flips_at: the nearest value at which
    another plan is cheapest, to a thirty-thousandth of the range looked at; None where none is."""

    name: str
    value: float
    low: float
    high: float
    best_at_low: int
    cost_at_low: float
    best_at_high: int
    cost_at_high: float
    flips_at: float | None
    flips_to: int | None


def inputs_of(question: Question) -> dict[str, tuple[float, float, float, float]]:
    """What can be varied: name -> value, low, high, and the most that is looked at."""
    found = {}
    for name, figure in question.costs.items():
        most = MOST_TIMES * max(figure.amount, figure.high)
        if figure.amount > 0:
            found[f"costs.{name}"] = (figure.amount, figure.low, figure.high, most)
    for name, chance in question.chances.items():
        low, high = chance.low, chance.high
        if chance.origin == "given":
            low, high = max(chance.mean - STATED_SPREAD, 0.0), min(chance.mean + STATED_SPREAD, 1.0)
        found[f"probabilities.{name}"] = (chance.mean, low, high, 1.0)
    return found


def vary_inputs(question: Question, comparison: Comparison) -> list[Sensitivity]:
    """Each input by itself, all others as they are; in the order of `inputs_of`."""
    inputs = inputs_of(question)
    if comparison.best is None or not inputs:
        return []
    names = list(inputs)
    value, low, high, most = (np.array(column) for column in zip(*inputs.values(), strict=True))
    asked = np.concatenate(
        [np.stack([low, high], axis=1), _from_to(np.zeros(len(most)), most)], axis=1
    )
    best, cost = _best_at(question, names, asked)
    grid, winners = asked[:, 2:], best[:, 2:]
    near, far, found = _nearest_flip(grid, winners, value, comparison.best)
    rows = np.arange(len(names))
    to = np.full(len(names), comparison.best)
    for _ in range(REFINED):
        # Again between the last place where nothing changed and the first where it did.
        closer = _from_to(near, far)
        again, _ = _best_at(question, names, closer)
        at = np.maximum(_is_other(again, comparison.best).argmax(axis=1), 1)
        near, far, to = closer[rows, at - 1], closer[rows, at], again[rows, at]
    return [
        Sensitivity(
            name, float(value[i]), float(low[i]), float(high[i]),
            int(best[i, 0]), float(cost[i, 0]), int(best[i, 1]), float(cost[i, 1]),
            float(far[i]) if found[i] else None, int(to[i]) if found[i] else None,
        )
        for i, name in enumerate(names)
    ]  # fmt: skip


def _from_to(start: FloatArray, end: FloatArray) -> FloatArray:
    share = np.linspace(0.0, 1.0, STEPS)
    return np.asarray(start[:, None] + share * (end - start)[:, None], np.float64)


def _best_at(
    question: Question, names: Sequence[str], asked: FloatArray
) -> tuple[IntArray, FloatArray]:
    """The cheapest plan (NO_PLAN where none can be costed), its way on chosen anew, and its cost
    where input i has value asked[i, j]; both of the shape of asked."""
    each = asked.shape[1]
    values = {name: np.tile(_base(question, name), asked.size) for name in names}
    for i, name in enumerate(names):
        values[name][i * each : (i + 1) * each] = asked[i]
    plans = cost_plans(build_ladder(question, values)).plans
    plans = np.where(np.isfinite(plans), plans, np.inf)
    best, cost = plans.argmin(axis=1), plans.min(axis=1)
    best = np.where(np.isfinite(cost), best, NO_PLAN)
    return best.reshape(asked.shape), cost.reshape(asked.shape)


def _base(question: Question, name: str) -> float:
    group, _, short = name.partition(".")
    return question.costs[short].amount if group == "costs" else question.chances[short].mean


def _is_other(winners: IntArray, best: int) -> NDArray[np.bool_]:
    return np.asarray((winners != best) & (winners != NO_PLAN), np.bool_)


def _nearest_flip(
    grid: FloatArray, winners: IntArray, value: FloatArray, best: int
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Between which two values the choice changes, nearest to where the input stands."""
    flipped = _is_other(winners, best)
    distance = np.where(flipped, abs(grid - value[:, None]), np.inf)
    at = distance.argmin(axis=1)
    found = np.isfinite(distance.min(axis=1))
    rows = np.arange(len(grid))
    far = np.where(found, grid[rows, at], value)
    step = grid[:, 1] - grid[:, 0]
    towards = np.sign(value - far)
    near = np.where(abs(value - far) <= step, value, far + towards * step)
    return near, far, found
