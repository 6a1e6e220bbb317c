"""Shapes of a comparison of plans."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from api.v1.answers import Answer, CautionText, IndexState, UnitSource, Warned
from api.v1.check_answers import PlanName

StepName = Literal["service", "component", "overhaul", "replacement", "leave_it"]


class PlanIdentity(Answer):
    plan: PlanName
    unit_source: UnitSource | None
    label: str


class PlanStep(Answer):
    """What is done, and how likely it comes to it."""

    step: StepName
    unit_source: UnitSource | None
    probability: float = Field(ge=0, le=1)
    cost: str
    holds: float | None
    after_months: float = Field(description="When, on average.")


class Plan(PlanIdentity):
    expected_cost: str | None = Field(description="null where it can't be told; caveats say why.")
    interval: list[str] | None = Field(
        description="Of the expected cost, by what is not known of the chances; at 0.9."
    )
    probability_cheapest: float | None
    if_it_holds: str | None = Field(description="What is paid if the first step holds.")
    at_worst: str | None = Field(description="What is paid if every step fails.")
    months_of_use: float | None = Field(description="Of the months wanted.")
    cost_per_month: str | None
    steps: list[PlanStep]
    caveats: list[str]
    cautions: list[str]


class BreakEven(Answer):
    service_holds_at_least: float | None = Field(
        description="null where no chance would change the choice; the sentence says which way."
    )
    against: PlanIdentity | None = Field(description="The cheapest of the other plans.")
    service_holds: float | None = Field(description="As it is taken here.")
    sentence: str


class AtValue(Answer):
    value: str
    cheapest: PlanIdentity | None = Field(description="null where no plan can be costed there.")
    expected_cost: str | None


class Sensitivity(Answer):
    """One input by itself, named as in the request."""

    input: str
    value: str
    low: AtValue
    high: AtValue
    flips_at: str | None = Field(description="The nearest value with another cheapest plan.")
    flips_to: PlanIdentity | None


class CostUsed(Answer):
    input: str
    amount: str
    origin: Literal["given", "similar_cases"]
    attempts: int = Field(description="Of similar cases behind a median.")


class ChanceUsed(Answer):
    input: str
    holds: float
    interval: list[float] | None
    origin: Literal["given", "outlook"]
    tried: int = Field(description="Similar cases that tried it first.")


class Risk(Answer):
    probability: float | None
    interval: list[float] | None


class VehicleLife(Answer):
    months_wanted: int
    life_from: Literal["given", "schedule"] | None
    months_left: float | None
    later: dict[str, Risk] | None = Field(
        description="Other things that may end its use, from similar cases."
    )


class BasedOn(Answer):
    cases: int
    shops: int | None
    effective_cases: float


class PlansAnswer(Answer):
    plans: list[Plan] = Field(description="The cheapest first; those without a cost last.")
    currency: str | None
    break_even: BreakEven
    sensitivity: list[Sensitivity]
    costs: list[CostUsed]
    probabilities: list[ChanceUsed]
    vehicle: VehicleLife
    based_on: BasedOn | None
    caveats: list[str]
    explanations: list[CautionText] = Field(description="A sentence for each caveat.")
    cautions: list[CautionText]
    warnings: list[Warned]
    index: IndexState
