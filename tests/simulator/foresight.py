"""The best that can be foretold of outcomes from what is visible, in a shop not seen before."""

from __future__ import annotations

from collections.abc import Sequence

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
    nodes, node_weights = _normal_nodes(_SEVERITIES)
    age = float(case["age_years"])
    severity = layer.usual_severity(np.array(age)) + nodes
    weight = node_weights * _seen_wear(layer, case, severity)
    cause = np.arange(w.CAUSES)
    weight = posterior(layer.world, one)[:, None] * (weight / weight.sum())
    shape = (w.CAUSES, _SEVERITIES)
    kinds = np.full(shape, one.kind)
    causes = np.broadcast_to(cause[:, None], shape)
    eta = layer.log_odds(
        kinds,
        causes,
        np.full(shape, one.model),
        np.broadcast_to(severity, shape),
        np.full(shape, age),
    )
    holds = np.zeros((*shape, 4))
    for place, share in zip(*_normal_nodes(_SHOPS), strict=True):
        holds += share * layer._hold(
            eta + layer.shop_sd * place, kinds, causes, np.full(shape, age), horizon_days
        )
    weights = np.repeat(weight[..., None], 4, axis=-1)
    if given_choice:
        called_for = layer.called_for[one.kind][:, None]
        weights = weights * layer.level_chances(
            np.broadcast_to(called_for, shape), np.broadcast_to(severity, shape)
        )
    return np.asarray((weights * holds).sum(axis=(0, 1)) / weights.sum(axis=(0, 1)))


def _seen_wear(layer: OutcomeWorld, case: dict, severity: Floats) -> Floats:
    for finding in case["findings"]:
        if finding["check"] == wear_check(case["unit_kind"]):
            return layer.wear_chances(severity)[:, WEAR_RESULTS.index(finding["result"])]
    return np.ones(len(severity))
