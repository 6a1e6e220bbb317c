"""Between documents and rows: no decisions here, only the two shapes of one case."""

from __future__ import annotations

from decimal import Decimal
from typing import Any
from uuid import UUID

from casebook.cases.documents import AttemptDocument, CaseDocument, FollowUpDocument
from casebook.cases.models import Attempt, Case, FollowUp, SharedCase
from casebook.cases.sharing import SharedView
from casebook.cases.vehicle_link import link_vehicle
from casebook.shops.models import Shop


def fill_case(case: Case, document: CaseDocument, view: SharedView) -> None:
    """Everything of the row but its identity; the vehicle link stays where no VIN came."""
    vehicle, odometer = document.vehicle, document.vehicle.odometer
    case.shop_reference = document.shop_reference
    case.complaint_no = document.complaint_no
    if document.opened_on is not None:
        case.opened_on = document.opened_on
    case.year, case.make, case.model = vehicle.year, vehicle.make, vehicle.model
    case.engine, case.drive = vehicle.engine, vehicle.drive
    case.odometer_value = odometer.value if odometer else None
    case.odometer_unit = odometer.unit if odometer else ""
    case.vehicle_link = link_vehicle(vehicle.vin) or case.vehicle_link
    case.unit_kind, case.unit_family = document.unit.kind, document.unit.family
    case.complaint, case.notes = document.complaint, document.notes
    case.codes = [code.model_dump() for code in document.codes]
    case.symptoms = [symptom.model_dump(mode="json") for symptom in document.symptoms]
    case.findings = [finding.model_dump(exclude_none=True) for finding in document.findings]
    case.code_list = sorted({code.base for code in document.codes})
    case.cause_text, case.cause_confirmed = document.cause.text, document.cause.confirmed
    case.warnings, case.masked = document.warnings, view.masked
    case.state, case.next_due_on = view.outcome.state, view.outcome.next_due_on


def attempt_row(case: Case, position: int, attempt: AttemptDocument) -> Attempt:
    return Attempt(
        shop_id=case.shop_id,
        case=case,
        position=position,
        on=attempt.on,
        level=attempt.level,
        actions=list(attempt.actions),
        unit_kind=attempt.unit.kind if attempt.unit else "",
        unit_family=attempt.unit.family if attempt.unit else "",
        unit_source=attempt.unit_source or "",
        parts_cost=attempt.parts_cost,
        labour_hours=attempt.labour_hours,
        labour_cost=attempt.labour_cost,
        currency=attempt.currency or "",
        result=attempt.result,
    )


def follow_up_row(case: Case, follow_up: FollowUpDocument) -> FollowUp:
    return FollowUp(
        shop_id=case.shop_id,
        case=case,
        on=follow_up.on,
        state=follow_up.state,
        odometer_value=follow_up.odometer.value if follow_up.odometer else None,
        odometer_unit=follow_up.odometer.unit if follow_up.odometer else "",
    )


def shared_row(shop: Shop, shared_id: UUID, view: SharedView) -> SharedCase:
    return SharedCase(
        id=shared_id, shop=shop, cluster=shop.cluster, document=view.document, **view.columns
    )


def _money(amount: Decimal | None) -> str | None:
    return None if amount is None else f"{amount:.2f}"


def _odometer(value: float | None, unit: str) -> dict[str, Any] | None:
    if value is None:
        return None
    return {"value": int(value) if value == int(value) else value, "unit": unit}


def describe_attempt(attempt: Attempt) -> dict[str, Any]:
    described: dict[str, Any] = {
        "on": attempt.on.isoformat(),
        "level": attempt.level,
        "actions": list(attempt.actions),
        "parts_cost": _money(attempt.parts_cost),
        "labour_hours": None if attempt.labour_hours is None else float(attempt.labour_hours),
        "labour_cost": _money(attempt.labour_cost),
        "currency": attempt.currency or None,
        "result": attempt.result,
    }
    if attempt.unit_kind:
        described["unit"] = {"kind": attempt.unit_kind, "family": attempt.unit_family}
    if attempt.unit_source:
        described["unit_source"] = attempt.unit_source
    return described


def describe_follow_up(follow_up: FollowUp) -> dict[str, Any]:
    return {
        "on": follow_up.on.isoformat(),
        "state": follow_up.state,
        "odometer": _odometer(follow_up.odometer_value, follow_up.odometer_unit),
    }


def describe_content(case: Case) -> dict[str, Any]:
    """What the shop wrote, in the form in which it can be posted again (the VIN is gone)."""
    return {
        "shop_reference": case.shop_reference,
        "complaint_no": case.complaint_no,
        "opened_on": case.opened_on.isoformat(),
        "vehicle": {
            "vin": None,
            "year": case.year,
            "make": case.make,
            "model": case.model,
            "engine": case.engine,
            "drive": case.drive,
            "odometer": _odometer(case.odometer_value, case.odometer_unit),
        },
        "unit": {"kind": case.unit_kind, "family": case.unit_family},
        "complaint": case.complaint,
        "notes": case.notes,
        "codes": case.codes,
        "symptoms": case.symptoms,
        "findings": case.findings,
        "attempts": [describe_attempt(attempt) for attempt in case.attempts.all()],
        "cause": {"text": case.cause_text, "confirmed": case.cause_confirmed},
        "follow_ups": [describe_follow_up(follow_up) for follow_up in case.follow_ups.all()],
    }


def describe_case(case: Case) -> dict[str, Any]:
    """The contract's answer: the case as stored, with what the server adds."""
    return {
        "id": str(case.pk),
        "state": case.state,
        **describe_content(case),
        "next_due_on": case.next_due_on.isoformat() if case.next_due_on else None,
        "masked": case.masked,
        "warnings": case.warnings,
        "created_at": _timestamp(case.created_at),
        "updated_at": _timestamp(case.updated_at),
        "version": case.version,
    }


def _timestamp(moment: Any) -> str:
    return str(moment.isoformat(timespec="milliseconds").replace("+00:00", "Z"))
