"""What the API answers, as typed shapes: the OpenAPI description is made from them, and the tests
hold every real answer against it. Requests have theirs in casebook.cases.documents."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field

CaseState = Literal["open", "repaired", "followed"]
LevelName = Literal["none", "service", "component", "overhaul", "replacement"]
StageName = Literal["intake", "repair", "after"]
ResultName = Literal["fixed", "not_fixed", "no_fault_found", "unknown"]
FollowUpState = Literal["holding", "came_back", "other_fault", "gone", "no_contact"]
UnitSource = Literal["used", "remanufactured", "new"]


class Answer(BaseModel):
    """Additions may come within version 1: a client ignores what it doesn't know."""

    model_config = ConfigDict(extra="allow", json_schema_extra=lambda s: _stay_open(s))


def _stay_open(schema: dict[str, Any]) -> None:
    schema.pop("additionalProperties", None)


class Warned(Answer):
    pointer: str = Field(description="JSON pointer into the document.")
    detail: str


class Masked(Answer):
    kind: str
    count: int


class OdometerAnswer(Answer):
    value: float
    unit: Literal["km", "mi", "h"]


class VehicleAnswer(Answer):
    vin: None = Field(description="Always null: a VIN is used once and never kept.")
    year: int
    make: str
    model: str
    engine: str
    drive: str
    odometer: OdometerAnswer | None


class UnitAnswer(Answer):
    kind: str
    family: str


class CodeAnswer(Answer):
    code: str
    status: Literal["stored", "pending", "permanent", "active", "history", "unknown"]
    module: str
    stage: StageName


class SymptomAnswer(Answer):
    symptom: str
    when: list[str]
    stage: StageName


class FindingAnswer(Answer):
    check: str
    result: str | None = None
    value: float | None = None
    unit: str | None = None
    stage: StageName


class AttemptAnswer(Answer):
    on: date
    level: LevelName
    actions: list[str]
    parts_cost: str | None
    labour_hours: float | None
    labour_cost: str | None
    currency: str | None
    result: ResultName
    unit: UnitAnswer | None = None
    unit_source: UnitSource | None = None


class CauseAnswer(Answer):
    text: str
    confirmed: bool


class FollowUpAnswer(Answer):
    on: date
    state: FollowUpState
    odometer: OdometerAnswer | None


class Case(Answer):
    """A case as stored, with what the server adds."""

    id: UUID
    state: CaseState
    shop_reference: str
    complaint_no: int
    opened_on: date
    vehicle: VehicleAnswer
    unit: UnitAnswer
    complaint: str
    notes: str
    codes: list[CodeAnswer]
    symptoms: list[SymptomAnswer]
    findings: list[FindingAnswer]
    attempts: list[AttemptAnswer]
    cause: CauseAnswer
    follow_ups: list[FollowUpAnswer]
    next_due_on: date | None = Field(description="The day from which a follow-up is owed.")
    masked: list[Masked] = Field(description="What others will not see of the free text.")
    warnings: list[Warned] = Field(description="Implausible but accepted values.")
    created_at: datetime
    updated_at: datetime
    version: int = Field(description="Also the ETag, in quotes.")


class CasePage(Answer):
    next: str | None
    previous: str | None
    results: list[Case]


class SharedVehicle(Answer):
    year: int
    make: str
    model: str
    engine: str
    drive: str
    odometer_band_km: list[int] | None


class SharedAttempt(Answer):
    in_month: str = Field(alias="in", pattern=r"^\d{4}-\d{2}$")
    level: LevelName
    actions: list[str]
    result: ResultName
    parts_cost: str | None
    labour_cost: str | None
    labour_hours: float | None
    currency: str | None
    unit: UnitAnswer | None = None
    unit_source: UnitSource | None = None


class Outcome(Answer):
    resolved_by: LevelName | None
    held_days: int | None
    state: FollowUpState | None


class SharedCore(Answer):
    """A case as other shops see it: month instead of day, band instead of odometer, masked text."""

    opened_in: str = Field(pattern=r"^\d{4}-\d{2}$")
    vehicle: SharedVehicle
    unit: UnitAnswer
    complaint: str
    codes: list[CodeAnswer]
    symptoms: list[SymptomAnswer]
    findings: list[FindingAnswer]
    attempts: list[SharedAttempt]
    cause: CauseAnswer
    outcome: Outcome


class SharedBody(SharedCore):
    notes: str


class SharedCase(SharedBody):
    id: UUID = Field(description="Random; not the id under which the owner knows it.")


class CasePreview(Answer):
    shared: SharedBody
    masked: list[Masked]
    warnings: list[Warned]


class CautionText(Answer):
    key: str
    text: str


class IndexState(Answer):
    cases: int
    as_of: datetime | None


class ShopAnswer(Answer):
    id: UUID
    name: str
    region: str


class Limits(Answer):
    body_bytes: int
    page_size: int
    search_results: int


class Me(Answer):
    shop: ShopAnswer
    roles: list[Literal["analyst", "contribute", "search"]]
    key: str | None = Field(description="The key's beginning, where a key was used.")
    person: str | None = Field(description="The e-mail address, where somebody is signed in.")
    limits: Limits
