"""What a check is worth: in bits, and in money once it is known what each action would cost.

States are what may be the case (e.g. what it will take in the end), results what a check may show.
Everywhere the states are the last axis of `prior`, and (states, results) the last two of
`likelihood`; axes before those, e.g. draws, broadcast.

Bits are not money: a check may tell much and still leave the cheapest action as it is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import entr

FloatArray = NDArray[np.float64]

# Rounding in a row of probabilities; more than this is a mistake.
_SUMS_TO_ONE = 1e-6


def entropy(weights: ArrayLike) -> FloatArray:
    """Shannon's entropy, in bits.

    weights: counts or probabilities, shape (..., states), >= 0; each row is scaled to sum to 1.
    Returns shape (...), from 0 (certain) to log2(states) (all alike).
    Raises ValueError on negative or infinite weights and on rows that sum to 0.
    Source: Shannon 1948, Bell System Technical Journal 27:379.
    """
    return _entropy(_scaled(weights, axes=(-1,)))


def table_gain(table: ArrayLike) -> FloatArray:
    """How much knowing the column tells of the row, in bits: the information gain of a split.

    table: counts or joint probabilities, shape (..., states, results), >= 0; scaled to sum to 1.
    Returns shape (...), from 0 to the entropy of the states.
    Raises ValueError as `entropy` does.
    Source: Quinlan 1986, Machine Learning 1:81.
    """
    return _gain(_scaled(table, axes=(-2, -1)))


def information_gain(prior: ArrayLike, likelihood: ArrayLike) -> FloatArray:
    """How much a check is expected to tell, in bits.

    prior: probability of each state, shape (..., states). likelihood: probability of each result
    given the state, shape (..., states, results). Returns shape (...).
    Raises ValueError unless shapes fit and the rows of both are probabilities that sum to 1.
    Source: as for `table_gain`; it is that of the joint table.
    """
    return _gain(_joint(prior, likelihood))


def posterior(prior: ArrayLike, likelihood: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """What every result would say, by Bayes' rule.

    Arguments and errors as for `information_gain`.
    Returns the probability of each result, shape (..., results), and that of each state after it,
    shape (..., states, results); NaN after a result that cannot occur.
    """
    joint = _joint(prior, likelihood)
    chance = joint.sum(axis=-2)
    possible = chance[..., None, :] > 0
    after = np.full(joint.shape, np.nan)
    np.divide(joint, chance[..., None, :], out=after, where=possible)
    return chance, after


def binary_test(sensitivity: float, specificity: float) -> FloatArray:
    """The likelihood of a test with two results, shape (2, 2).

    States: present, absent. Results: positive, negative.
    Raises ValueError unless both lie in [0, 1].
    """
    if not (0 <= sensitivity <= 1 and 0 <= specificity <= 1):
        raise ValueError("sensitivity and specificity must lie in [0, 1]")
    return np.array([[sensitivity, 1 - sensitivity], [1 - specificity, specificity]])


def expected_costs(costs: ArrayLike, prior: ArrayLike) -> FloatArray:
    """What each action costs on average, in the money of `costs`.

    costs: shape (..., actions, states), finite; a gain is a negative cost. prior: (..., states).
    Returns shape (..., actions). Raises ValueError on other shapes or values.
    """
    c, p = _checked_costs(costs), _checked_rows(prior, "prior")
    _check_states(c.shape[-1], p.shape[-1])
    return np.asarray(np.einsum("...as,...s->...a", c, p), np.float64)


def value_of_perfect_information(costs: ArrayLike, prior: ArrayLike) -> FloatArray:
    """What knowing the state for certain would save at most (EVPI), in the money of `costs`.

    Arguments and errors as for `expected_costs`. Returns shape (...), >= 0.
    Source: Raiffa 1968, Decision Analysis.
    """
    c, p = _checked_costs(costs), _checked_rows(prior, "prior")
    without = expected_costs(c, p).min(axis=-1)
    knowing = np.einsum("...s,...s->...", c.min(axis=-2), p)
    # Rounding can leave the difference a crumb below nothing.
    return np.asarray((without - knowing).clip(0.0, None), np.float64)


def value_of_check(costs: ArrayLike, prior: ArrayLike, likelihood: ArrayLike) -> FloatArray:
    """What a free check would save on average (EVSI), in the money of `costs`.

    The least expected cost now, less the average over results of the least expected cost once the
    result is known. Subtract what the check itself costs to get its net value.
    costs as for `expected_costs`; prior, likelihood as for `information_gain`.
    Returns shape (...), >= 0 and never above the value of perfect information.
    Raises ValueError on other shapes or values.
    Source: Raiffa 1968, Decision Analysis.
    """
    c, joint = _checked_costs(costs), _joint(prior, likelihood)
    _check_states(c.shape[-1], joint.shape[-2])
    without = expected_costs(c, prior).min(axis=-1)
    # Costs weighed by the joint table need no division by the chance of a result.
    per_result = np.einsum("...as,...sr->...ar", c, joint).min(axis=-2)
    return np.asarray((without - per_result.sum(axis=-1)).clip(0.0, None), np.float64)


def _entropy(p: FloatArray) -> FloatArray:
    return np.asarray(entr(p).sum(axis=-1) / np.log(2), np.float64)


def _gain(joint: FloatArray) -> FloatArray:
    flat = joint.reshape(*joint.shape[:-2], -1)
    # H(state) + H(result) - H(both) needs no division by the chance of a result.
    gain = _entropy(joint.sum(axis=-1)) + _entropy(joint.sum(axis=-2)) - _entropy(flat)
    return np.asarray(gain.clip(0.0, None), np.float64)


def _joint(prior: ArrayLike, likelihood: ArrayLike) -> FloatArray:
    p, given = _checked_rows(prior, "prior"), _checked_rows(likelihood, "likelihood")
    if given.ndim < 2:
        raise ValueError("likelihood must have the shape (..., states, results)")
    _check_states(p.shape[-1], given.shape[-2])
    return np.asarray(p[..., None] * given, np.float64)


def _checked_rows(values: ArrayLike, name: str) -> FloatArray:
    p = np.asarray(values, float)
    if p.ndim < 1 or not np.all(p >= 0) or not np.all(abs(p.sum(axis=-1) - 1) <= _SUMS_TO_ONE):
        raise ValueError(f"{name}: need rows of probabilities >= 0 that sum to 1")
    return p


def _checked_costs(costs: ArrayLike) -> FloatArray:
    c = np.asarray(costs, float)
    if c.ndim < 2 or not c.size or not np.all(np.isfinite(c)):
        raise ValueError("costs must be finite, of the shape (..., actions, states)")
    return c


def _check_states(here: int, there: int) -> None:
    if here != there:
        raise ValueError(f"the numbers of states differ: {here} and {there}")


def _scaled(weights: ArrayLike, *, axes: tuple[int, ...]) -> FloatArray:
    w = np.asarray(weights, float)
    if w.ndim < len(axes) or not np.all((w >= 0) & np.isfinite(w)):
        raise ValueError("weights must be finite and >= 0")
    total = w.sum(axis=axes, keepdims=True)
    if not np.all(total > 0):
        raise ValueError("weights must not sum to 0")
    return np.asarray(w / total, np.float64)
