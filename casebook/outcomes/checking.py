"""Next checks for one search: reads the similar cases and those of the unit kind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

import numpy as np

from casebook.cases.documents import CostsDocument, SearchDocument
from casebook.outcomes.check_tables import CheckedCases, learn_tables
from casebook.outcomes.checks import (
    CHECK_NOTES,
    Stakes,
    belief_of,
    likely_states,
    next_checks,
)
from casebook.outcomes.costs import (
    REPAIR_COSTS,
    REPLACEMENT_COSTS,
    labour_rate,
    named_costs,
    settle_costs,
)
from casebook.outcomes.histories import Histories, read_histories, read_kind
from casebook.outcomes.panel import panel_for, place_findings
from casebook.outcomes.queries import short_id


@dataclass(frozen=True)
class CheckAnswer:
    """checks: best first. notes: keys of CHECK_NOTES."""

    checks: list[dict[str, Any]]
    notes: list[str]

    def as_members(self) -> dict[str, Any]:
        """As the answer to a search has them."""
        return {
            "next_checks": self.checks,
            "next_check_notes": [
                {"key": key, "text": CHECK_NOTES[key]} for key in CHECK_NOTES if key in self.notes
            ],
        }

    def caution_keys(self) -> set[str]:
        return {key for check in self.checks for key in check["cautions"]}


def next_checks_for(
    hits: Sequence[tuple[UUID, float]],
    *,
    outlook: Mapping[str, Any] | None,
    document: SearchDocument,
) -> CheckAnswer:
    """What to check next on the vehicle that the search describes. hits: (shared id, similarity).
    outlook: of the same hits."""
    if outlook is None:
        return CheckAnswer([], ["pool_too_small"])
    histories = read_histories(hits, kind=document.unit.kind)
    if histories.kind is None:
        return CheckAnswer([], ["unit_kind_needed"])
    panel = panel_for(histories.kind)
    kind = read_kind(histories.kind, document.horizon_days)
    cases = histories.cases
    similar = CheckedCases(
        weights=cases.similarity,
        cluster=cases.cluster,
        states=likely_states(cases, horizon_days=document.horizon_days),
        readings=place_findings(histories.findings, panel),
    )
    outside = ~np.isin(kind.ids, np.array([short_id(i) for i in histories.ids], np.int64))
    of_kind = kind.checked.take(outside)
    belief = belief_of(similar, of_kind)
    if belief is None:
        return CheckAnswer([], ["no_check_tells_more"])
    stakes, notes = _stakes(document, histories, outlook)
    checks, more = next_checks(
        panel,
        learn_tables(panel, similar, of_kind),
        belief,
        done={finding.check for finding in document.findings},
        stakes=stakes,
    )
    return CheckAnswer(checks, notes + more)


def _stakes(
    document: SearchDocument, histories: Histories, outlook: Mapping[str, Any]
) -> tuple[Stakes | None, list[str]]:
    """None where the request says no costs, or nothing tells what an hour of checking or a
    replacement costs."""
    given = named_costs(document.costs or CostsDocument())
    if not any(amount is not None for amount in given.values()):
        return None, []
    hour = labour_rate(document.labour_rate, histories.attempts, document.currency)
    if hour is None:
        return None, ["labour_rate_needed"]
    figures = settle_costs(given, histories.attempts, document.currency)
    cost = {name: figure.amount for name, figure in figures.items()}
    failure = cost.get("diagnosis", 0.0) + cost.get("comeback", 0.0)
    price = min((cost.get(name, np.inf) for name in REPLACEMENT_COSTS), default=np.inf)
    if not np.isfinite(price):
        return None, ["replacement_cost_needed"]
    holds = next(r["holds"] for r in outlook["levels"] if r["level"] == "replacement")
    if holds is not None:
        price += (1 - holds) * (price + failure)
    stakes = Stakes(
        cost=np.array([cost.get(name, np.inf) for name in REPAIR_COSTS], np.float64),
        failure=failure,
        replacement=price,
        leave=np.inf,
        hour=hour,
    )
    return stakes, []
