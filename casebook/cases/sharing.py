"""What other shops see of a case, and the typed columns that statistics read. Pure.

No shop, person, reference or VIN; the month instead of the day; a band of 10,000 km instead of
the odometer; costs rounded to two significant digits; free text through the anonymiser.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from uuid import UUID

from casebook.cases.documents import CaseDocument
from casebook.cases.masking import mask_text
from casebook.cases.outcome import AttemptFact, FollowUpFact, Outcome, read_outcome
from casebook.vocabulary import load_vocabulary

BAND_KM = 10_000
# What the columns beside the document hold. Masking and capitals can make a text longer than what
# was accepted; the document keeps all of it.
MOST_CHARACTERS = {"unit_family": 60, "make": 60, "model": 80}


@dataclass(frozen=True)
class SharedView:
    """`document` as shown to others; `columns` as stored beside it; `masked` counts by kind."""

    document: dict[str, Any]
    columns: dict[str, Any]
    masked: list[dict[str, Any]]
    outcome: Outcome


def share_case(case: CaseDocument, *, shared_id: UUID) -> SharedView:
    if case.opened_on is None:
        raise ValueError("a case is shared once the day it was opened is known")
    outcome = outcome_of(case)
    counts: Counter[str] = Counter()

    def clean(text: str) -> str:
        masked = mask_text(text)
        counts.update(masked.counts)
        return masked.text

    odometer_km = case.vehicle.odometer.km if case.vehicle.odometer else None
    document: dict[str, Any] = {
        "id": str(shared_id),
        "opened_in": f"{case.opened_on:%Y-%m}",
        "vehicle": {
            "year": case.vehicle.year,
            "make": clean(case.vehicle.make),
            "model": clean(case.vehicle.model),
            "engine": clean(case.vehicle.engine),
            "drive": clean(case.vehicle.drive),
            "odometer_band_km": band_of(odometer_km),
        },
        "unit": {"kind": case.unit.kind, "family": clean(case.unit.family)},
        "complaint": clean(case.complaint),
        "notes": clean(case.notes),
        "codes": [
            {"code": c.code, "status": c.status, "module": clean(c.module), "stage": c.stage}
            for c in case.codes
        ],
        "symptoms": [
            {"symptom": s.symptom, "when": list(s.when), "stage": s.stage} for s in case.symptoms
        ],
        "findings": [describe_finding(finding) for finding in case.findings],
        "attempts": [_attempt(case, i, clean) for i in range(len(case.attempts))],
        "cause": {"text": clean(case.cause.text), "confirmed": case.cause.confirmed},
        "outcome": {
            "resolved_by": outcome.resolved_by,
            "held_days": outcome.held_days,
            "state": outcome.last_state,
        },
    }
    cost, currency = _total_cost(case)
    columns = {
        "unit_kind": case.unit.kind,
        "unit_family": _fit("unit_family", normalise_family(document["unit"]["family"])),
        "make": _fit("make", document["vehicle"]["make"]),
        "model": _fit("model", document["vehicle"]["model"]),
        "year": case.vehicle.year,
        "odometer_km": None if odometer_km is None else BAND_KM * (odometer_km // BAND_KM + 0.5),
        "opened_month": case.opened_on.replace(day=1),
        "first_level": outcome.first_level,
        "event": outcome.event,
        "event_days": outcome.event_days,
        "resolved_by": outcome.resolved_by,
        "path": list(outcome.path),
        "event_km": outcome.event_km,
        "other_fault_days": outcome.other_fault_days,
        "gone_days": outcome.gone_days,
        "watched_days": outcome.watched_days,
        "told": _told(outcome, document["outcome"]),
        "severity": severity_of(case),
        "actions": sorted({key for attempt in case.attempts for key in attempt.actions}),
        "codes": sorted({code.base for code in case.codes if code.stage == "intake"}),
        "cost": cost,
        "currency": currency,
    }
    masked = [{"kind": kind, "count": count} for kind, count in sorted(counts.items())]
    return SharedView(document, columns, masked, outcome)


def _told(outcome: Outcome, shown: dict[str, Any]) -> dict[str, Any] | None:
    """What the shop itself knows. The database counts what other visits of the vehicle add, and
    starts from here whenever one comes or goes (see the third migration)."""
    if outcome.first_on is None or outcome.last_on is None:
        return None
    return {
        "first_on": outcome.first_on.isoformat(),
        "last_on": outcome.last_on.isoformat(),
        "event": outcome.event,
        "event_days": outcome.event_days,
        "event_km": outcome.event_km,
        "resolved_by": outcome.resolved_by,
        "other_fault_days": outcome.other_fault_days,
        "watched_days": outcome.watched_days,
        "outcome": shown,
    }


def _fit(column: str, text: str) -> str:
    return text[: MOST_CHARACTERS[column]]


def outcome_of(case: CaseDocument) -> Outcome:
    odometer = case.vehicle.odometer
    return read_outcome(
        [AttemptFact(a.on, a.level, a.result) for a in case.attempts],
        [
            FollowUpFact(f.on, f.state, f.odometer.km if f.odometer else None)
            for f in case.follow_ups
        ],
        odometer_km=odometer.km if odometer else None,
    )


def normalise_family(text: str) -> str:
    """KX-7, kx 7 and KX7 are one family."""
    return "".join(c for c in text.upper() if c.isalnum())


def band_of(odometer_km: float | None) -> list[int] | None:
    if odometer_km is None:
        return None
    low = int(odometer_km // BAND_KM) * BAND_KM
    return [low, low + BAND_KM]


def describe_finding(finding: Any) -> dict[str, Any]:
    """Numbers in the check's own unit, so that cases of all shops compare."""
    described: dict[str, Any] = {"check": finding.check}
    if finding.value is not None:
        described["value"] = round(finding.own_value(), 3)
        described["unit"] = load_vocabulary().checks[finding.check].unit
    else:
        described["result"] = finding.result
    return described | {"stage": finding.stage}


def severity_of(case: CaseDocument) -> float | None:
    """The worst intake finding on the vocabulary's scale, 0 (normal) to 1 (failed); None where
    nothing checked has a severity."""
    checks = load_vocabulary().checks
    found = []
    for finding in case.findings:
        if finding.stage != "intake" or finding.result is None:
            continue
        found += [
            option.severity
            for option in checks[finding.check].results
            if option.key == finding.result and option.severity is not None
        ]
    return max(found, default=None)


def round_cost(amount: Decimal | None) -> str | None:
    """Two significant digits: near enough to plan with, too coarse to find an invoice by."""
    if amount is None:
        return None
    if amount == 0:
        return "0"
    digits = 1 - math.floor(math.log10(float(amount)))
    return str(int(round(amount, digits))) if amount >= 1 else "1"


def _attempt(case: CaseDocument, place: int, clean: Any) -> dict[str, Any]:
    attempt = case.attempts[place]
    hours = attempt.labour_hours
    described: dict[str, Any] = {
        "in": f"{attempt.on:%Y-%m}",
        "level": attempt.level,
        "actions": list(attempt.actions),
        "result": attempt.result,
        "parts_cost": round_cost(attempt.parts_cost),
        "labour_cost": round_cost(attempt.labour_cost),
        "labour_hours": None if hours is None else float(round(hours, 1)),
        "currency": attempt.currency,
    }
    if attempt.unit is not None:
        described["unit"] = {"kind": attempt.unit.kind, "family": clean(attempt.unit.family)}
    if attempt.unit_source is not None:
        described["unit_source"] = attempt.unit_source
    return described


def _total_cost(case: CaseDocument) -> tuple[Decimal | None, str]:
    """Parts and labour of all attempts, where they were noted, and in one currency."""
    amounts = [
        (amount, attempt.currency)
        for attempt in case.attempts
        for amount in (attempt.parts_cost, attempt.labour_cost)
        if amount is not None
    ]
    currencies = {currency for _, currency in amounts}
    if len(currencies) != 1:
        return None, ""
    rounded = round_cost(sum((amount for amount, _ in amounts), Decimal(0)))
    return (None if rounded is None else Decimal(rounded)), str(currencies.pop())
