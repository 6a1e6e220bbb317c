"""Shapes of what is looked up: vocabulary, codes, VIN."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from api.v1.answers import Answer, FollowUpState, LevelName


class UnitTerm(Answer):
    key: str
    label: str
    synonyms: list[str]
    meaning: str
    subkinds: list[str]


class SymptomTerm(Answer):
    key: str
    label: str
    unit_kinds: list[str] = Field(description="Empty: any kind.")
    synonyms: list[str]
    meaning: str


class ConditionTerm(Answer):
    key: str
    label: str
    synonyms: list[str]
    meaning: str


class ResultTerm(Answer):
    key: str
    label: str
    severity: float | None = Field(
        ge=0, le=1, description="0 is as it should be; null where a result is no matter of degree."
    )


class CheckTerm(Answer):
    key: str
    label: str
    kind: Literal["ordinal", "category", "number"]
    minutes: int
    unit_kinds: list[str] = Field(description="Empty: any kind.")
    results: list[ResultTerm] = Field(description="In order for an ordinal check.")
    unit: str | None
    range: list[float] | None = Field(description="Lowest and highest accepted value.")
    usual_range: list[float] | None = Field(description="Outside it a value is doubted.")
    usual_range_24v: list[float] | None = Field(
        description="Outside it a value is doubted on a 24 V vehicle, where that differs."
    )
    bins: list[float]
    normal: str | None = Field(description="The result that says all is well.")
    before: list[str]
    cautions: list[str]
    synonyms: list[str]
    meaning: str
    source: str


class ActionTerm(Answer):
    key: str
    label: str
    levels: list[LevelName]
    unit_kinds: list[str] = Field(description="Empty: any kind.")
    cautions: list[str]
    synonyms: list[str]


class CautionTerm(Answer):
    key: str
    label: str
    text: str


class PreconditionTerm(Answer):
    key: str
    label: str


class RenamedTerm(Answer):
    theme: str
    old: str
    new: str
    since: str
    reason: str


class VocabularyDocument(Answer):
    version: str
    units: list[UnitTerm]
    symptoms: list[SymptomTerm]
    conditions: list[ConditionTerm]
    checks: list[CheckTerm]
    actions: list[ActionTerm]
    levels: list[LevelName]
    follow_up_states: list[FollowUpState]
    cautions: list[CautionTerm]
    preconditions: list[PreconditionTerm]
    renamed: list[RenamedTerm]


class CodeEntry(Answer):
    code: str
    system: Literal["powertrain", "chassis", "body", "network"]
    scope: Literal["generic", "maker", "reserved"] = Field(
        description="Standard; the maker's own meaning; or not given out."
    )
    subsystem: str
    family: str = Field(description="The lowest code of the same circuit.")
    description: str | None


class CodeList(Answer):
    results: list[CodeEntry]


class FailureType(Answer):
    key: str
    label: str


class Code(CodeEntry):
    failure_type: FailureType | None = Field(description="Of a code such as P0741-62.")


class Vin(Answer):
    check_digit: Literal["ok", "wrong", "not_used"]
    expected: str = Field(description="The check digit that the other characters ask for.")
    years: list[int] = Field(
        description="Possible model years, the likeliest first; empty where it doesn't say."
    )
    make: str | None = Field(
        description="A suggestion in its source's spelling; null where this server can't tell."
    )
    model: str | None = Field(description="Likewise.")
    make_source: str | None = Field(description="Where make and model come from.")
    region: str | None
    country: str | None
    maker_code: str
    small_maker: bool
    north_american: bool
