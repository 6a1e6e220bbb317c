"""The case resource and the search request as typed documents. Pure: knows no Django.

One validator serves the API, the pages and imports, so that all three accept and refuse the same.
`casebook.cases.reading` turns raw data into these, collecting every fault with its JSON pointer.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from difflib import get_close_matches
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from casebook.cases.constants import LEVEL_RANK
from casebook.vocabulary import Check, load_vocabulary
from casebook.vocabulary.codes import CodeError, parse_code
from casebook.vocabulary.limits import normalise_number
from casebook.vocabulary.vin import VinError, read_vin

Level = Literal["none", "service", "component", "overhaul", "replacement"]
Stage = Literal["intake", "repair", "after"]
Warning_ = dict[str, str]

_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


def fault(message: str) -> PydanticCustomError:
    # Braces would be read as placeholders of pydantic's own template.
    return PydanticCustomError("casebook", "{message}", {"message": message})


def _clean_text(text: str) -> str:
    if _CONTROL.search(text):
        raise fault("Remove the control characters.")
    return unicodedata.normalize("NFC", text).strip()


def _iso_date(value: object) -> object:
    # Numbers and date-times would be read as dates by the library; a guess is a lost fact.
    if isinstance(value, date) or (isinstance(value, str) and _ISO_DATE.fullmatch(value)):
        return value
    raise fault("Give a date as YYYY-MM-DD, for example 2026-03-09.")


def no_boolean(value: object) -> object:
    if isinstance(value, bool):
        raise fault("Give a number, not true or false.")
    return value


def _amount(value: object) -> object:
    if isinstance(value, str | int | Decimal) and not isinstance(value, bool):
        return value
    raise fault('Give an amount as text with a decimal point, for example "240.00".')


Text = Annotated[str, AfterValidator(_clean_text)]
Word = Annotated[Text, Field(max_length=80)]
Day = Annotated[date, BeforeValidator(_iso_date)]
Year = Annotated[int, BeforeValidator(no_boolean)]
Number = Annotated[float, BeforeValidator(no_boolean), Field(allow_inf_nan=False)]
Money = Annotated[
    Decimal, BeforeValidator(_amount), Field(ge=0, le=Decimal("9999999999.99"), decimal_places=2)
]
Currency = Annotated[str, Field(pattern=r"^[A-Z]{3}$")]


def _suggest(word: str, known: Mapping[str, object], what: str) -> str:
    near = get_close_matches(word, known, n=1, cutoff=0.6)
    hint = f" Did you mean {near[0]}?" if near else f" GET /api/v1/vocabulary lists {what}."
    return f"{word[:60]!r} is not in the vocabulary.{hint}"


def known_key(word: str, known: Mapping[str, Any], what: str) -> str:
    """The key as it is called today; `reading` warns of an old name."""
    key = load_vocabulary().resolve(what, word)[0]
    if key not in known:
        raise fault(_suggest(word, known, what))
    return key


class Document(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, str_max_length=20_000)


class Odometer(Document):
    value: Number = Field(ge=0, le=5_000_000)
    unit: Literal["km", "mi", "h"]

    @property
    def km(self) -> float | None:
        """Kilometres; None for an hour meter, which says nothing of distance."""
        return {"km": self.value, "mi": self.value * 1.609344}.get(self.unit)


class VehicleSeen(Document):
    """What is known of the vehicle; in a search everything may be missing."""

    vin: Text | None = Field(default=None, max_length=40)
    year: Year | None = None
    make: Annotated[Text, Field(max_length=60)] = ""
    model: Word = ""
    engine: Word = ""
    drive: Annotated[Text, Field(max_length=30)] = ""
    odometer: Odometer | None = None

    @field_validator("vin")
    @classmethod
    def _vin_readable(cls, vin: str | None) -> str | None:
        if not vin:
            return None
        try:
            read_vin(vin)
        except VinError as error:
            raise fault(str(error)) from error
        return vin

    @field_validator("year")
    @classmethod
    def _year_plausible(cls, year: int | None) -> int | None:
        if year is not None and not 1886 <= year <= date.today().year + 2:
            raise fault(f"Give a model year from 1886 to {date.today().year + 2}.")
        return year


class VehicleDocument(VehicleSeen):
    year: Year
    make: Annotated[Text, Field(min_length=1, max_length=60)]


class UnitSeen(Document):
    kind: str | None = None
    family: Annotated[Text, Field(max_length=60)] = ""

    @field_validator("kind")
    @classmethod
    def _kind_known(cls, kind: str | None) -> str | None:
        return None if kind is None else known_key(kind, load_vocabulary().units, "unit kinds")


class UnitDocument(UnitSeen):
    kind: str


class CodeDocument(Document):
    code: str
    status: Literal["stored", "pending", "permanent", "active", "history", "unknown"] = "stored"
    module: Annotated[Text, Field(max_length=40)] = ""
    stage: Stage = "intake"

    @model_validator(mode="before")
    @classmethod
    def _alone(cls, data: object) -> object:
        return {"code": data} if isinstance(data, str) else data

    @field_validator("code")
    @classmethod
    def _code_readable(cls, text: str) -> str:
        try:
            code = parse_code(text)
        except CodeError as error:
            raise fault(str(error)) from error
        return f"{code.code}-{code.failure_type}" if code.failure_type else code.code

    @property
    def base(self) -> str:
        return self.code[:5]


class SymptomDocument(Document):
    symptom: str
    when: tuple[str, ...] = Field((), max_length=20)
    stage: Stage = "intake"

    @model_validator(mode="before")
    @classmethod
    def _alone(cls, data: object) -> object:
        return {"symptom": data} if isinstance(data, str) else data

    @field_validator("symptom")
    @classmethod
    def _symptom_known(cls, key: str) -> str:
        return known_key(key, load_vocabulary().symptoms, "symptoms")

    @field_validator("when")
    @classmethod
    def _conditions_known(cls, when: tuple[str, ...]) -> tuple[str, ...]:
        conditions = load_vocabulary().conditions
        return tuple(dict.fromkeys(known_key(key, conditions, "conditions") for key in when))


class FindingDocument(Document):
    """`result` for a check with named results; `value` and `unit` for one that is a number."""

    check: str
    result: str | None = Field(None, validate_default=True)
    unit: Annotated[Text, Field(max_length=20)] | None = Field(None, validate_default=True)
    value: Number | None = Field(None, validate_default=True)
    stage: Stage = "intake"

    @field_validator("check")
    @classmethod
    def _check_known(cls, key: str) -> str:
        return known_key(key, load_vocabulary().checks, "checks")

    @field_validator("result")
    @classmethod
    def _result_fits(cls, result: str | None, info: ValidationInfo) -> str | None:
        check = _check_of(info)
        if check is None:
            return result
        if check.kind == "number":
            if result is not None:
                raise fault(f"{check.key} is a number: give value and unit, not result.")
            return None
        results = [option.key for option in check.results]
        if result not in results:
            raise fault(f"Give as result of {check.key} one of {', '.join(results)}.")
        return result

    @field_validator("unit")
    @classmethod
    def _unit_said(cls, unit: str | None, info: ValidationInfo) -> str | None:
        check = _check_of(info)
        if check is None:
            return unit
        if check.kind != "number":
            if unit is not None:
                raise fault(f"{check.key} has named results: leave unit out.")
        elif check.unit and not unit:
            raise fault(f"Say the unit of the value, for example {check.unit}.")
        return unit

    @field_validator("value")
    @classmethod
    def _value_possible(cls, value: float | None, info: ValidationInfo) -> float | None:
        check = _check_of(info)
        if check is None:
            return value
        if check.kind != "number":
            if value is not None:
                raise fault(f"{check.key} has named results: give result, not value.")
            return None
        if value is None:
            raise fault(f"Give the value of {check.key} as a number.")
        if "unit" in info.data:
            try:
                normalise_number(check, value, info.data["unit"])
            except ValueError as error:
                raise fault(str(error)) from error
        return value

    def own_value(self) -> float | None:
        """The value in the check's own unit."""
        if self.value is None:
            return None
        return normalise_number(load_vocabulary().checks[self.check], self.value, self.unit).value


def _check_of(info: ValidationInfo) -> Check | None:
    name = info.data.get("check")
    return load_vocabulary().checks.get(name) if isinstance(name, str) else None


class AttemptDocument(Document):
    on: Day
    level: Level
    actions: tuple[str, ...] = Field((), max_length=40)
    unit: UnitDocument | None = None
    unit_source: Literal["used", "remanufactured", "new"] | None = None
    parts_cost: Money | None = None
    labour_hours: Annotated[Decimal, BeforeValidator(no_boolean)] | None = Field(
        None, ge=0, le=400, allow_inf_nan=False
    )
    labour_cost: Money | None = None
    currency: Currency | None = None
    result: Literal["fixed", "not_fixed", "no_fault_found", "unknown"] = "unknown"

    @field_validator("labour_hours")
    @classmethod
    def _to_the_minute(cls, hours: Decimal | None) -> Decimal | None:
        return None if hours is None else round(hours, 2)

    @field_validator("actions")
    @classmethod
    def _actions_known(cls, actions: tuple[str, ...]) -> tuple[str, ...]:
        known = load_vocabulary().actions
        return tuple(dict.fromkeys(known_key(key, known, "actions") for key in actions))

    @model_validator(mode="after")
    def _hangs_together(self) -> AttemptDocument:
        if self.unit_source is not None and self.level != "replacement":
            raise fault("unit_source goes with level replacement only.")
        if self.currency is None and (self.parts_cost is not None or self.labour_cost is not None):
            raise fault("Give the currency of the costs, for example EUR.")
        for key in self.actions:
            levels = load_vocabulary().actions[key].levels
            if levels and min(LEVEL_RANK[level] for level in levels) > LEVEL_RANK[self.level]:
                raise fault(f"{key} is work at level {levels[0]}; the attempt says {self.level}.")
        return self


class CauseDocument(Document):
    text: Annotated[Text, Field(max_length=2_000)] = ""
    confirmed: bool = False


class FollowUpDocument(Document):
    on: Day
    state: Literal["holding", "came_back", "other_fault", "gone", "no_contact"]
    odometer: Odometer | None = None


class Evidence(Document):
    """What is learned of a vehicle: common to a stored case and a search."""

    complaint: Annotated[Text, Field(max_length=4_000)] = ""
    codes: tuple[CodeDocument, ...] = Field((), max_length=64)
    symptoms: tuple[SymptomDocument, ...] = Field((), max_length=64)
    findings: tuple[FindingDocument, ...] = Field((), max_length=128)

    _warnings: list[Warning_] = PrivateAttr(default_factory=list)

    @property
    def warnings(self) -> list[Warning_]:
        """Implausible but accepted values: [{"pointer", "detail"}]."""
        return self._warnings

    @property
    def says_something(self) -> bool:
        return bool(self.complaint or self.codes or self.symptoms or self.findings)


class CaseDocument(Evidence):
    shop_reference: Annotated[Text, Field(max_length=100)] = ""
    complaint_no: Annotated[int, BeforeValidator(no_boolean)] = Field(1, ge=1, le=999)
    opened_on: Day | None = None
    vehicle: VehicleDocument
    unit: UnitDocument
    notes: Annotated[Text, Field(max_length=20_000)] = ""
    attempts: tuple[AttemptDocument, ...] = Field((), max_length=20)
    cause: CauseDocument = CauseDocument()
    follow_ups: tuple[FollowUpDocument, ...] = Field((), max_length=50)


class ReplacementCosts(Document):
    used: Money | None = None
    remanufactured: Money | None = None
    new: Money | None = None


class CostsDocument(Document):
    service: Money | None = None
    component: Money | None = None
    overhaul: Money | None = None
    replacement: ReplacementCosts | None = None
    diagnosis: Money | None = None
    comeback: Money | None = None


class SearchFilters(Document):
    unit_kind: str | None = None
    make: Annotated[Text, Field(max_length=60)] | None = None
    year_min: Year | None = None
    year_max: Year | None = None
    with_outcome: bool = False
    exclude_own_shop: bool = False

    @field_validator("unit_kind")
    @classmethod
    def _kind_known(cls, kind: str | None) -> str | None:
        return None if kind is None else known_key(kind, load_vocabulary().units, "unit kinds")


class SearchDocument(Evidence):
    vehicle: VehicleSeen = VehicleSeen()
    unit: UnitSeen = UnitSeen()
    costs: CostsDocument | None = None
    labour_rate: Money | None = None
    currency: Currency | None = None
    limit: Annotated[int, BeforeValidator(no_boolean)] = Field(20, ge=1, le=100)
    filters: SearchFilters = SearchFilters()
    horizon_days: Annotated[int, BeforeValidator(no_boolean)] = Field(365, ge=1, le=3_650)
