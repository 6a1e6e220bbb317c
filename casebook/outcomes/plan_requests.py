"""The request of a comparison of plans: typed, every fault at once with its place. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from casebook.cases.constants import UNIT_SOURCES
from casebook.cases.documents import (
    CostsDocument,
    Currency,
    Document,
    Money,
    Number,
    SearchDocument,
    no_boolean,
)
from casebook.cases.reading import read_document, read_search
from casebook.errors import FieldError, InvalidDocument

Months = Annotated[int, BeforeValidator(no_boolean)]
Chance = Annotated[Number, Field(ge=0, le=1)]


class PlanCosts(CostsDocument):
    """What is left out comes from the similar cases' own costs where enough noted them; diagnosis,
    comeback and further damage count as nothing. `diagnosis` and `comeback` fall due when a repair
    fails."""

    further_damage: Money | None = Field(
        None, description="What a failed repair damages besides, and any later repair must mend."
    )
    replacement_comeback: Money | None = Field(
        None,
        description="What it costs when a replacement comes back; without it, another unit at the "
        "same price and the cost of a comeback.",
    )


class PlanVehicle(Document):
    value_working: Money | None = None
    value_not_working: Money | None = None
    months_wanted: Months = Field(24, ge=1, le=120)
    months_left: Months | None = Field(
        None,
        ge=1,
        le=600,
        description="How long the vehicle will last; without it, a published schedule by its age.",
    )
    body: Literal["car", "light_truck"] = Field("car", description="For that schedule.")


class ReplacementChances(Document):
    used: Chance | None = None
    remanufactured: Chance | None = None
    new: Chance | None = None

    @model_validator(mode="before")
    @classmethod
    def _one_for_all(cls, data: object) -> object:
        if isinstance(data, int | float) and not isinstance(data, bool):
            return dict.fromkeys(UNIT_SOURCES, data)
        return data


class PlanChances(Document):
    """Chance to hold for the months wanted, instead of the outlook's. One given for a component
    repair or an overhaul counts after a failure too. `replacement`: one number, or one each."""

    service: Chance | None = None
    component: Chance | None = None
    overhaul: Chance | None = None
    replacement: ReplacementChances = ReplacementChances()


class PlansDocument(Document):
    search: SearchDocument
    costs: PlanCosts = PlanCosts.model_validate({})
    currency: Currency | None = Field(
        None, description="Needed with any amount; without amounts, that of the similar cases."
    )
    vehicle: PlanVehicle = PlanVehicle.model_validate({})
    probabilities: PlanChances = PlanChances()
    discount_rate: Annotated[Number, Field(ge=0, le=1)] = Field(
        0.0, description="By how much a year makes later costs weigh less; 0.05 is five percent."
    )


def read_plans(data: object, *, today: date) -> PlansDocument:
    """Raises InvalidDocument with all faults; those of the search under /search."""
    errors: list[FieldError] = []
    document = None
    try:
        document = read_document(PlansDocument, data)
    except InvalidDocument as error:
        errors += error.errors
    if isinstance(data, Mapping):
        if isinstance(data.get("search"), Mapping):
            errors += _search_faults(data["search"], today)
        errors += _money_faults(data)
    if errors or document is None:
        raise InvalidDocument(list(dict.fromkeys(errors)))
    return document


def _search_faults(search: Mapping[str, Any], today: date) -> list[FieldError]:
    try:
        read_search(search, today=today)
    except InvalidDocument as error:
        return [FieldError(f"/search{fault.pointer}", fault.detail) for fault in error.errors]
    return []


def _money_faults(data: Mapping[str, Any]) -> list[FieldError]:
    """Reads the raw data, so that it speaks along with the rest."""
    errors = []
    vehicle = data.get("vehicle")
    values = vehicle if isinstance(vehicle, Mapping) else {}
    worth = [values.get("value_working"), values.get("value_not_working")]
    if data.get("currency") is None and (_says_money(data.get("costs")) or any(worth)):
        errors.append(FieldError("/currency", "Give the currency of the amounts, for example EUR."))
    working, broken = (_amount(value) for value in worth)
    if working is not None and broken is not None and broken > working:
        errors.append(
            FieldError(
                "/vehicle/value_not_working",
                "This must not be more than the vehicle is worth working.",
            )
        )
    return errors


def _says_money(costs: object) -> bool:
    if isinstance(costs, Mapping):
        return any(_says_money(value) for value in costs.values())
    return costs is not None


def _amount(value: object) -> Decimal | None:
    try:
        return Decimal(value) if isinstance(value, str | int) else None
    except InvalidOperation:
        return None
