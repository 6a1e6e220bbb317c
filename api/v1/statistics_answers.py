"""Shapes of statistics and of their exports."""

from __future__ import annotations

from datetime import datetime
from typing import Literal
from uuid import UUID

from pydantic import Field

from api.v1.answers import Answer, LevelName
from casebook.outcomes.requests import GroupName


class LevelStatistics(Answer):
    """Repairs at this level, tried first. Every number is null where it is withheld."""

    level: LevelName
    tried: int | None
    held: int | None
    came_back: int | None
    gone: int | None
    not_known: int | None
    holds: float | None = Field(
        ge=0, le=1, description="Probability that it has not come back by the horizon."
    )
    interval_low: float | None
    interval_high: float | None
    prior_share: float | None
    effective_cases: float | None
    share_resolved_by: float | None
    median_cost: str | None
    currency: str | None
    suppressed: bool


class Total(Answer):
    cases: int | None
    shops: int | None
    suppressed: bool = Field(description="Too few cases or shops stand behind it to tell.")
    levels: list[LevelStatistics]


class StatisticsRow(Total):
    """One group: the keys that were asked for, and what became of its cases."""

    unit_kind: str | None = None
    unit_family: str | None = None
    make: str | None = None
    model: str | None = None
    year: int | None = None
    code: str | None = None
    code_family: str | None = None
    symptom: str | None = None
    check_result: str | None = None
    odometer_band: str | None = None
    opened_quarter: str | None = None
    group_level: LevelName | None = Field(None, alias="level")
    action: str | None = None


class FiltersAnswer(Answer):
    """The filters that were given."""

    unit_kind: str | None = None
    unit_family: str | None = None
    make: str | None = None
    model: str | None = None
    year_min: int | None = None
    year_max: int | None = None
    code: str | None = None
    symptom: str | None = None
    check: str | None = None
    result: str | None = None
    level: LevelName | None = None
    action: str | None = None
    opened_from: str | None = None
    opened_to: str | None = None


class StatisticsQueryAnswer(Answer):
    group_by: list[GroupName]
    filters: FiltersAnswer
    horizon_days: int


class Statistics(StatisticsQueryAnswer):
    dimensions: list[GroupName] = Field(
        description="The groups, each part with its whole before it."
    )
    coverage: float = Field(description="Of the intervals.")
    method_version: str
    as_of: datetime
    snapshot: str = Field(description="Names the state of the pool that was read.")
    total: Total | None
    rows: list[StatisticsRow]
    caveats: list[str]


class ColumnMeaning(Answer):
    name: str
    type: str
    description: str


class Export(StatisticsQueryAnswer):
    """A job that makes a file, and how to make the same file again."""

    id: UUID
    state: Literal["queued", "running", "finished", "failed"]
    format: Literal["csv"]
    created_at: datetime
    finished_at: datetime | None
    rows: int | None
    file_name: str | None
    sha256: str | None
    snapshot: str | None = Field(description="Names the state of the pool that was read.")
    method_version: str | None
    dictionary: list[ColumnMeaning] = Field(description="What each column of the file means.")
    error: str | None = Field(description="Why it failed.")
