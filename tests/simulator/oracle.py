"""What can be known of a cause from what is visible, and the best rankings that follow."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.simulator import world as w
from tests.simulator.world import Floats, Shop, Simulated, UnitKind, World


def posterior(world: World, one: Simulated) -> Floats:
    """Of the causes of the case's unit kind given all that is visible, shape (CAUSES,)."""
    kind, shop = world.kinds[one.kind], world.shops[one.case["cluster"]]
    logs = np.log(kind.prior[one.model])
    logs = logs + np.log(kind.concepts[:, one.meant]).sum(axis=1)
    logs = logs + _log_codes(kind, shop, one)
    logs = logs + _log_symptoms(kind, shop, one)
    logs = logs + _log_findings(kind, one)
    logs = logs + _log_vehicle(kind, one)
    return w._shares(logs)


def expected_gains(
    world: World, queries: Sequence[Simulated], cases: Sequence[Simulated], *, sees_causes: bool
) -> Floats:
    """Expected relevance of each case to each query, shape (len(queries), len(cases)); ranking by
    it is the best that can be done.

    sees_causes: the true causes of the cases, though not of the query, are known: the ceiling of
    whatever learns from resolved cases. Otherwise both sides are known by their visible evidence:
    the ceiling of comparing evidence alone.
    """
    beliefs = np.zeros((len(cases), w.KINDS * w.CAUSES))
    for row, case in enumerate(cases):
        first = case.kind * w.CAUSES
        if sees_causes:
            beliefs[row, first + case.cause] = 1.0
        else:
            beliefs[row, first : first + w.CAUSES] = posterior(world, case)
    asked = np.zeros((len(queries), w.KINDS * w.CAUSES))
    for row, query in enumerate(queries):
        first = query.kind * w.CAUSES
        asked[row, first : first + w.CAUSES] = posterior(world, query)
    worth = np.zeros((w.KINDS * w.CAUSES, w.KINDS * w.CAUSES))
    for number, kind in enumerate(world.kinds):
        first = number * w.CAUSES
        levels = np.array(kind.levels)
        block = np.where(levels[:, None] == levels[None, :], w.SAME_LEVEL, 0.0)
        np.fill_diagonal(block, w.SAME_CAUSE)
        worth[first : first + w.CAUSES, first : first + w.CAUSES] = block
    return asked @ worth @ beliefs.T


def _log_codes(kind: UnitKind, shop: Shop, one: Simulated) -> Floats:
    shown = {code["code"] for code in one.case["codes"]}
    likelihood = np.ones(w.CAUSES)
    for family in range(w.CODE_FAMILIES):
        fires = kind.families[:, family]
        seen = [c for c in range(w.CODES_EACH) if f"{kind.name}-f{family}-{c}" in shown]
        if seen:
            stray = (1 - fires) * w.STRAY_CODE / w.CODES_EACH
            likelihood = likelihood * (fires * kind.codes[:, family, seen[0]] + stray)
        else:
            likelihood = likelihood * (1 - fires) * (1 - w.STRAY_CODE)
    likelihood = likelihood * shop.reads_codes
    if not shown:  # or the memory was not read
        likelihood = likelihood + (1 - shop.reads_codes)
    return np.log(likelihood)


def _log_symptoms(kind: UnitKind, shop: Shop, one: Simulated) -> Floats:
    noted = {symptom["key"]: symptom["when"] for symptom in one.case["symptoms"]}
    logs = np.zeros(w.CAUSES)
    for symptom in range(w.SYMPTOMS):
        chance = kind.symptoms[:, symptom] * shop.notes_symptom
        when = noted.get(f"{kind.name}-s{symptom}")
        if when is None:
            logs = logs + np.log1p(-chance)
            continue
        logs = logs + np.log(chance)
        if when:
            logs = logs + np.log(kind.conditions[:, symptom, int(when[0].removeprefix("when"))])
    return logs


def _log_findings(kind: UnitKind, one: Simulated) -> Floats:
    checks = {check.name: check for check in kind.checks}
    logs = np.zeros(w.CAUSES)
    for finding in one.case["findings"]:
        check = checks[finding["check"]]
        if check.way == "number":
            logs = logs - 0.5 * (finding["value"] - check.chances) ** 2
        else:
            chance = check.chances[:, int(finding["result"].removeprefix("r"))]
            logs = logs + np.log((1 - w.MISREAD) * chance + w.MISREAD / check.chances.shape[1])
    return logs


def _log_vehicle(kind: UnitKind, one: Simulated) -> Floats:
    age = int(one.case["age_years"])
    logs = np.log(kind.ages[:, age])
    if one.case["odometer_km"] is not None:
        expected = w._usual_log_km(age) + kind.wear
        off = (np.log(one.case["odometer_km"]) - expected) / w.ODOMETER_SPREAD
        logs = logs - 0.5 * off**2
    return logs
