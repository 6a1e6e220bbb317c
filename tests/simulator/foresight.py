"""The best that can be foretold of outcomes from what is visible, in a shop not seen before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.simulator import world as w
from tests.simulator.oracle import posterior
from tests.simulator.outcomes import (
    WEAR_RESULTS,
    Outcomes,
    OutcomeWorld,
    _normal_nodes,
    wear_check,
)
from tests.simulator.world import Simulated

Floats = NDArray[np.float64]
_SEVERITIES, _SHOPS = 9, 5


def foretell(
    layer: OutcomeWorld,
    ones: Sequence[Simulated],
    outcomes: Outcomes,
    horizon_days: float,
    *,
    given_choice: bool,
) -> Floats:
    """Probability of holding at each level given all that is visible, (n, 4).

    given_choice: among the cases like this one in which that level was chosen first, as the
    outcomes of past cases show it; otherwise whoever chose it.
    """
    return np.array(
        [
            _of_one(layer, one, case, horizon_days, given_choice)
            for one, case in zip(ones, outcomes.cases, strict=True)
        ]
    )


def _of_one(
    layer: OutcomeWorld, one: Simulated, case: dict, horizon_days: float, given_choice: bool
) -> Floats:
    seen = understand(layer, one, case, horizon_days)
    weights = np.repeat(seen.weight[..., None], 4, axis=-1)
    if given_choice:
        called_for = layer.called_for[one.kind][:, None]
        weights = weights * layer.level_chances(
            np.broadcast_to(called_for, seen.weight.shape),
            np.broadcast_to(seen.severity, seen.weight.shape),
        )
    return np.asarray((weights * seen.holds).sum(axis=(0, 1)) / weights.sum(axis=(0, 1)))


@dataclass(frozen=True)
class Understood:
    """What all that is visible says. weight: of each cause and severity, (causes, severities), sums
    to 1. severity: (severities,). holds: chance at each level, (causes, severities, 4)."""

    weight: Floats
    severity: Floats
    holds: Floats


def understand(layer: OutcomeWorld, one: Simulated, case: dict, horizon_days: float) -> Understood:
    nodes, node_weights = _normal_nodes(_SEVERITIES)
    age = float(case["age_years"])
    severity = layer.usual_severity(np.array(age)) + nodes
    weight = node_weights * _seen_wear(layer, case, severity)
    cause = np.arange(w.CAUSES)
    weight = posterior(layer.world, one)[:, None] * (weight / weight.sum())
    shape = (w.CAUSES, _SEVERITIES)
    kinds, ages = np.full(shape, one.kind), np.full(shape, age)
    causes = np.broadcast_to(cause[:, None], shape)
    eta = layer.log_odds(
        kinds, causes, np.full(shape, one.model), np.broadcast_to(severity, shape), ages
    )
    holds = np.zeros((*shape, 4))
    for place, share in zip(*_normal_nodes(_SHOPS), strict=True):
        shifted = eta + layer.shop_sd * place
        holds += share * layer._hold(shifted, kinds, causes, ages, horizon_days)
    return Understood(weight / weight.sum(), severity, holds)


def _seen_wear(layer: OutcomeWorld, case: dict, severity: Floats) -> Floats:
    for finding in case["findings"]:
        if finding["check"] == wear_check(case["unit_kind"]):
            return layer.wear_chances(severity)[:, WEAR_RESULTS.index(finding["result"])]
    return np.ones(len(severity))
