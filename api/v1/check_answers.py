"""Shapes of next checks."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from api.v1.answers import Answer

PlanName = Literal["service_first", "component_first", "overhaul_now", "replace_now", "leave_it"]


class CheckResult(Answer):
    """One thing that the check may show; values of numbers come in ranges."""

    result: str = Field(description="Key of the result, or the range of a number in words.")
    label: str
    range: list[float | None] | None = Field(None, description="Of a number; null: open end.")
    probability: float = Field(ge=0, le=1)
    service_holds: float = Field(ge=0, le=1, description="After this result.")
    then: PlanName | None = Field(description="The cheapest first step after it, with costs.")


class NextCheck(Answer):
    check: str
    label: str
    minutes: int
    expected_gain_bits: float
    net_value: str | None = Field(
        description="What it saves on average, less its time; null without costs."
    )
    changes_decision: bool | None = Field(
        description="Whether some result makes another first step the cheapest."
    )
    cases: int = Field(description="Similar cases in which it was made.")
    service_holds_now: float = Field(
        ge=0,
        le=1,
        description="Before the check: the share of similar cases that took no more than a service "
        "in the end. The outlook's figure is of those in which it was tried first.",
    )
    results: list[CheckResult]
    cautions: list[str]
