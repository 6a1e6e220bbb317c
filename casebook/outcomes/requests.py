"""What can be asked of the statistics. Pure: one reader for the API, the page and the command."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, Final, Literal, get_args

from pydantic import AfterValidator, BeforeValidator, Field, field_validator

from casebook.cases.documents import Document, Text, Year, fault, known_key
from casebook.cases.reading import read_document
from casebook.errors import FieldError, InvalidDocument
from casebook.vocabulary import load_vocabulary
from casebook.vocabulary.codes import CodeError, parse_code

GroupName = Literal[
    "unit_kind",
    "unit_family",
    "make",
    "model",
    "year",
    "code",
    "code_family",
    "symptom",
    "check_result",
    "odometer_band",
    "opened_quarter",
    "level",
    "action",
]
GROUPS: Final[tuple[str, ...]] = get_args(GroupName)
# A part is only ever shown within its whole, so that tables of one and of the other fit together.
WHOLE_OF: Final = {"unit_family": "unit_kind", "model": "make", "code": "code_family"}
MOST_GROUPS: Final = 3
HORIZON_DAYS: Final = 365

FORMATS: Final = ("csv",)

Level = Literal["none", "service", "component", "overhaul", "replacement"]


def _split(value: object) -> object:
    """`make,year` in an address is the list it stands for."""
    return [part.strip() for part in value.split(",")] if isinstance(value, str) else value


def _whole_number(value: object) -> object:
    # What an address carries is text.
    if isinstance(value, str) and value.strip().isdecimal():
        return int(value)
    return value


def _month(value: str) -> str:
    if not re.fullmatch(r"[12][0-9]{3}-(0[1-9]|1[0-2])", value):
        raise fault("Give a month as YYYY-MM, for example 2026-03.")
    return value


def _code(value: str) -> str:
    try:
        return parse_code(value).code
    except CodeError as error:
        raise fault(str(error)) from error


Month = Annotated[str, AfterValidator(_month)]


class StatisticsFilters(Document):
    """Everything given must hold of a case."""

    unit_kind: str | None = None
    unit_family: Annotated[Text, Field(max_length=60)] | None = None
    make: Annotated[Text, Field(max_length=60)] | None = None
    model: Annotated[Text, Field(max_length=80)] | None = None
    year_min: Annotated[Year, BeforeValidator(_whole_number)] | None = None
    year_max: Annotated[Year, BeforeValidator(_whole_number)] | None = None
    code: Annotated[str, AfterValidator(_code)] | None = None
    symptom: str | None = None
    check: str | None = None
    result: Annotated[Text, Field(max_length=80)] | None = None
    level: Level | None = None
    action: str | None = None
    opened_from: Month | None = None
    opened_to: Month | None = None

    @field_validator("unit_kind", "symptom", "check", "action")
    @classmethod
    def _known(cls, key: str | None, info: Any) -> str | None:
        vocabulary = load_vocabulary()
        known: dict[str, tuple[Mapping[str, Any], str]] = {
            "unit_kind": (vocabulary.units, "unit kinds"),
            "symptom": (vocabulary.symptoms, "symptoms"),
            "check": (vocabulary.checks, "checks"),
            "action": (vocabulary.actions, "actions"),
        }
        return None if key is None else known_key(key, *known[info.field_name])

    @field_validator("result")
    @classmethod
    def _result_of_a_check(cls, result: str | None, info: Any) -> str | None:
        # A check that is refused is missing here, and told already.
        if result is not None and info.data.get("check", "") is None:
            raise fault("Name the check whose result this is, in check.")
        return result


class StatisticsQuery(Document):
    """One table: cases grouped, filtered, and what became of them by the horizon."""

    group_by: Annotated[
        tuple[Literal[GROUPS], ...], BeforeValidator(_split)  # type: ignore[valid-type]
    ] = Field(("unit_kind",), max_length=MOST_GROUPS)
    filters: StatisticsFilters = StatisticsFilters()
    horizon_days: Annotated[int, BeforeValidator(_whole_number)] = Field(
        HORIZON_DAYS, ge=1, le=3_650
    )

    @field_validator("group_by")
    @classmethod
    def _once_each(cls, groups: tuple[str, ...]) -> tuple[str, ...]:
        if len(set(groups)) != len(groups):
            raise fault("Name each group once.")
        return groups

    @property
    def dimensions(self) -> tuple[str, ...]:
        """The groups with the whole of each part, wholes first."""
        wanted: dict[str, None] = {}
        for group in self.group_by:
            if group in WHOLE_OF:
                wanted[WHOLE_OF[group]] = None
            wanted[group] = None
        return tuple(wanted)

    def as_document(self) -> dict[str, Any]:
        """Plain values from which the same query can be read again."""
        return {
            "group_by": list(self.group_by),
            "filters": self.filters.model_dump(exclude_none=True),
            "horizon_days": self.horizon_days,
        }


class ExportRequest(StatisticsQuery):
    """A table as a file."""

    format: Literal["csv"] = "csv"

    @property
    def query(self) -> StatisticsQuery:
        return StatisticsQuery.model_validate(self.as_document())


def read_statistics_query(data: object) -> StatisticsQuery:
    """{"group_by", "filters", "horizon_days"}. Raises InvalidDocument."""
    return read_document(StatisticsQuery, data)


def read_export_request(data: object) -> ExportRequest:
    """As a query, with `format`. Raises InvalidDocument."""
    return read_document(ExportRequest, data)


def read_statistics_address(parameters: Mapping[str, str]) -> StatisticsQuery:
    """From the parameters of an address: filters stand beside group_by; empty ones are left out.

    Raises InvalidDocument, with pointers to the parameters' own names.
    """
    given = {name: value for name, value in parameters.items() if value.strip()}
    top = {name: given.pop(name) for name in ("group_by", "horizon_days") if name in given}
    try:
        return read_document(StatisticsQuery, top | {"filters": given})
    except InvalidDocument as error:
        raise InvalidDocument(
            [FieldError(e.pointer.removeprefix("/filters"), e.detail) for e in error.errors]
        ) from error
