"""Requests that no document of casebook.cases describes."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

from casebook.cases.documents import (
    AttemptDocument,
    CodeDocument,
    Day,
    FindingDocument,
    FollowUpDocument,
    Odometer,
    SymptomDocument,
)
from casebook.errors import FieldError, InvalidDocument


class Change(BaseModel):
    """Part of a merge patch: every member may be missing; null clears it."""

    model_config = ConfigDict(extra="forbid")


class VehicleChange(Change):
    vin: str | None = None
    year: int | None = None
    make: str | None = None
    model: str | None = None
    engine: str | None = None
    drive: str | None = None
    odometer: Odometer | None = None


class UnitChange(Change):
    kind: str | None = None
    family: str | None = None


class CauseChange(Change):
    text: str | None = None
    confirmed: bool | None = None


class CaseChanges(Change):
    """What to change of a case. Describes the request; casebook.cases.services reads it."""

    shop_reference: str | None = None
    complaint_no: int | None = None
    opened_on: Day | None = None
    vehicle: VehicleChange | None = None
    unit: UnitChange | None = None
    complaint: str | None = None
    notes: str | None = None
    codes: list[CodeDocument] | None = None
    symptoms: list[SymptomDocument] | None = None
    findings: list[FindingDocument] | None = None
    attempts: list[AttemptDocument] | None = None
    cause: CauseChange | None = None
    follow_ups: list[FollowUpDocument] | None = None


class VinQuestion(BaseModel):
    vin: str = Field(description="17 characters; used for this answer and forgotten.")


def read_vin_question(data: object) -> str:
    """Raises InvalidDocument with every fault."""
    if not isinstance(data, dict):
        raise InvalidDocument([FieldError("", 'Give an object: {"vin": "..."}.')])
    errors = [
        FieldError(
            "/" + name.replace("~", "~0").replace("/", "~1"),
            f"There is no field {name[:60]!r} here; there is only vin.",
        )
        for name in data
        if name != "vin"
    ]
    vin = data.get("vin")
    if not isinstance(vin, str):
        errors.append(FieldError("/vin", "Give the VIN as text."))
    if errors or not isinstance(vin, str):
        raise InvalidDocument(errors)
    return vin
