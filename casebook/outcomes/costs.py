"""What repairs cost: as the request says, else as the similar cases noted it. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any, Final, Literal

import numpy as np

from casebook.cases.constants import UNIT_SOURCES
from casebook.cases.documents import CostsDocument, ReplacementCosts

# A median of fewer attempts is no basis for a decision.
LEAST_ATTEMPTS: Final = 3
# How far a stated cost may be off, when it is asked what would change the choice.
STATED_SPREAD: Final = 0.25
REPAIR_COSTS: Final = ("service", "component", "overhaul")
REPLACEMENT_COSTS: Final = tuple(f"replacement.{source}" for source in UNIT_SOURCES)


@dataclass(frozen=True)
class AttemptCost:
    """One attempt with everything noted; source: of a replacement. hours: None if not noted."""

    level: str
    source: str | None
    parts: float
    labour: float
    hours: float | None
    currency: str


@dataclass(frozen=True)
class Figure:
    """One amount. origin: "given" in the request, or the median of `attempts` of "similar_cases".
    low, high: given figures a quarter either way, medians their quartiles."""

    amount: float
    origin: Literal["given", "similar_cases"]
    attempts: int
    low: float
    high: float


def read_attempt_costs(attempts: Sequence[Mapping[str, Any]]) -> list[AttemptCost]:
    """Attempts of shared documents whose parts and labour are both noted, in one currency."""
    found = []
    for attempt in attempts:
        parts, labour = (_amount(attempt.get(name)) for name in ("parts_cost", "labour_cost"))
        if parts is None or labour is None or not attempt.get("currency"):
            continue
        found.append(
            AttemptCost(
                attempt["level"], attempt.get("unit_source"), parts, labour,
                attempt.get("labour_hours"), attempt["currency"],
            )
        )  # fmt: skip
    return found


def _amount(text: object) -> float | None:
    try:
        return None if text is None else float(Decimal(str(text)))
    except InvalidOperation:
        return None


def usual_currency(attempts: Sequence[AttemptCost]) -> str | None:
    """The currency in which most similar cases were paid; ties by name."""
    counts = Counter(attempt.currency for attempt in attempts)
    return min(counts, key=lambda name: (-counts[name], name), default=None)


def named_costs(costs: CostsDocument) -> dict[str, Decimal | None]:
    """The amounts of a request by name."""
    amounts = {
        name: getattr(costs, name) for name in type(costs).model_fields if name != "replacement"
    }
    sources = costs.replacement or ReplacementCosts()
    return amounts | {f"replacement.{source}": getattr(sources, source) for source in UNIT_SOURCES}


def settle_costs(
    given: Mapping[str, Decimal | None], attempts: Sequence[AttemptCost], currency: str | None
) -> dict[str, Figure]:
    """A figure for each cost that is given, or that enough attempts in the currency tell.

    given: by name; `replacement.used` and so on for the sources.
    """
    figures = {name: stated_figure(amount) for name, amount in given.items() if amount is not None}
    of_currency = [attempt for attempt in attempts if attempt.currency == currency]
    for name in (*REPAIR_COSTS, *REPLACEMENT_COSTS):
        level, _, source = name.partition(".")
        totals = [
            attempt.parts + attempt.labour
            for attempt in of_currency
            if attempt.level == level and (attempt.source or "") == source
        ]
        if name not in figures and len(totals) >= LEAST_ATTEMPTS:
            figures[name] = _median(totals)
    return figures


def stated_figure(amount: Decimal | float) -> Figure:
    value = float(amount)
    return Figure(value, "given", 0, value * (1 - STATED_SPREAD), value * (1 + STATED_SPREAD))


def labour_rate(
    given: Decimal | None, attempts: Sequence[AttemptCost], currency: str | None
) -> float | None:
    """Of an hour; the median of similar cases where it isn't given, None where those don't tell."""
    if given is not None:
        return float(given)
    rates = [
        attempt.labour / attempt.hours
        for attempt in attempts
        if attempt.currency == currency and attempt.hours
    ]
    return float(np.median(rates)) if len(rates) >= LEAST_ATTEMPTS else None


def _median(totals: Sequence[float]) -> Figure:
    low, middle, high = np.quantile(totals, [0.25, 0.5, 0.75])
    return Figure(float(middle), "similar_cases", len(totals), float(low), float(high))
