"""What a search answers, as typed shapes. See `answers` for the rest."""

from __future__ import annotations

from typing import Literal
from uuid import UUID

from pydantic import Field

from api.v1.answers import Answer, CautionText, IndexState, LevelName, SharedCore, Warned
from api.v1.check_answers import NextCheck


class SimilarBody(SharedCore):
    id: UUID


class Part(Answer):
    """block: text, codes, symptoms, findings, vehicle, unit, age, odometer; likely_cure (what a
    model learned from resolved cases expects to cure both, where there is one); not_recorded
    (credit for what was asked and the case does not record). More may come."""

    block: str
    share: float = Field(ge=0)
    matched: list[str] = Field(
        description="Strongest first, in the words of the request: a word as typed, a code, "
        "`symptom (condition)`, `check: result`, `check: 16 psi`, `81000 mi`, the model year. "
        "Of likely_cure: `level:action+action`, with `+…` where other work may go along, or a "
        "level alone."
    )


class BlockDifference(Answer):
    block: str
    difference: float = Field(description="Negative where the case below has the larger share.")


class AboveNext(Answer):
    """Why the case stands above the next one in the list."""

    difference: float = Field(
        ge=0,
        description="Of the two similarities. 0: tied, so the order is by id and means nothing.",
    )
    parts: list[BlockDifference] = Field(
        description="Share by share, largest first; equal ones left out. They add up."
    )


class Missing(Answer):
    """Something that similar cases record at intake and the request leaves out."""

    pointer: str = Field(description="JSON pointer to where it is said in the request.")
    key: str | None = Field(
        description="Of the symptom or check; null where it is the field as a whole."
    )
    gain: float = Field(
        ge=0,
        le=1,
        description="What the similarity would gain if the request said what the case says, "
        "at the weights in force and with the share of likely_cure as it is.",
    )


class WorthAdding(Missing):
    """Recorded by at least half of the similar cases, and three. The gain is the largest that it
    could bring to one of them."""

    cases: int = Field(description="How many of the similar cases record it.")
    of: int


class SimilarCase(Answer):
    case: SimilarBody
    own_case_id: UUID | None
    similarity: float = Field(ge=0, le=1)
    parts: list[Part] = Field(description="The shares add up to the similarity.")
    above_next: AboveNext | None = Field(description="null for the last.")
    missing: list[Missing] = Field(
        description="Largest gain first; at most six, and nothing that would gain under 0.005."
    )


class Understood(Answer):
    codes: list[str]
    unknown_terms: list[str]
    warnings: list[Warned]


class DurabilityPoint(Answer):
    holding: float = Field(description="Of the similar cases alone, not drawn towards others.")
    interval: list[float]
    at_risk: float = Field(description="Effective number of cases still watched.")


class DayPoint(DurabilityPoint):
    day: int


class DistancePoint(DurabilityPoint):
    km: int


class Overlap(Answer):
    """How the cases that got this repair first differed at intake from those that did not."""

    never_tried: int = Field(description="Cases in which it was never tried, though others were.")
    known: list[int] = Field(description="Cases whose findings tell: with it, and without.")
    severity: float | None = Field(description="Mean severity of the worst finding, 0 to 1.")
    severity_others: float | None
    difference: float | None
    interval: list[float] | None = Field(description="Of the difference.")
    overlap: float | None = Field(ge=0, le=1, description="What the two have in common.")
    looked: Literal["worse", "milder", "alike"] | None


class LevelOutlook(Answer):
    """A repair at this level, tried first. tried = held + came_back + gone + not_known."""

    level: LevelName
    tried: int
    held: int
    came_back: int = Field(description="Not fixed counts as come back on day 0.")
    gone: int
    not_known: int
    holds: float | None = Field(
        ge=0, le=1, description="Probability that it has not come back by the horizon."
    )
    interval: list[float] | None
    coverage: float = Field(description="Of the interval.")
    prior_share: float | None = Field(
        description="How much of the figure comes from the cohorts around, or from `foretold`."
    )
    foretold: float | None = Field(
        ge=0,
        le=1,
        description=(
            "What a model of the evidence, learned from all followed cases, foretells of this "
            "vehicle. Where there is one, the figure is drawn towards it instead of the cohorts "
            "around."
        ),
    )
    durability: list[DayPoint] = Field(
        description="Empty where fewer than five effective cases are watched."
    )
    durability_km: list[DistancePoint] = Field(
        description="By distance; empty where too few odometers tell."
    )
    km_known: float | None = Field(description="Share of the weight whose distance was read.")
    followed_share: float | None = Field(
        description="Share of the weight of which it is known whether it held to the horizon."
    )
    bounds: list[float] | None = Field(
        description="Share that held if all others had failed, and if all of them had held."
    )
    overlap: Overlap
    caveats: list[str]


class ResolvedBy(Answer):
    """What it took in the end: `cases` of the `of` similar cases in which it is known; the share
    weighs them by similarity."""

    level: LevelName
    cases: int
    of: int
    share: float
    interval: list[float]


class RepairPath(Answer):
    """Levels tried one after the other: `cases` of the `of` in which anything was tried."""

    steps: list[LevelName]
    cases: int
    of: int
    share: float = Field(description="Weighed by similarity.")
    resolved: int = Field(description="Cases in which the last step is known to have done it.")


class EvidenceItem(Answer):
    """One thing that was entered: a code, a symptom, a check with its result or value, an age or
    a mileage."""

    code: str | None = None
    symptom: str | None = None
    when: list[str] | None = None
    check: str | None = None
    result: str | None = None
    value: float | None = None
    unit: str | None = None
    age_years: float | None = None
    odometer_km: float | None = None


class LevelWithout(Answer):
    level: LevelName
    holds_without: float | None
    shift: float | None


class EvidenceEntry(Answer):
    """The figures if this had not been entered: the same cases, weighed without it."""

    item: EvidenceItem
    service_holds_without: float | None
    shift: float | None = Field(description="The figure with the item less the one without.")
    levels: list[LevelWithout]
    points_to: LevelName | None = Field(
        description="What cases with this took more often than all similar ones, by more than "
        "chance."
    )


class EvidenceGroup(Answer):
    group: Literal["codes", "symptoms", "findings"]
    level: LevelName
    share: float


class Agreement(Answer):
    """Whether codes, symptoms and checks point to the same repair."""

    verdict: Literal["agree", "conflict", "unclear"]
    sentence: str
    groups: list[EvidenceGroup]
    of: int = Field(description="Similar cases in which it is known what it took.")


class Chance(Answer):
    probability: float | None
    interval: list[float] | None
    prior_share: float | None


class Later(Answer):
    """What vehicles of that age and mileage with such a unit met within the horizon."""

    other_major_fault: Chance
    gone: Chance = Field(description="Sold or scrapped.")
    cases: int = Field(description="Vehicles whose stories were read; at most 800.")
    coverage: float


class Outlook(Answer):
    cases: int
    shops: int | None = Field(description="null below three.")
    effective_cases: float
    levels: list[LevelOutlook]
    resolved_by: list[ResolvedBy]
    paths: list[RepairPath]
    evidence: list[EvidenceEntry] = Field(description="In the order of entry, kind by kind.")
    agreement: Agreement | None = Field(description="null where fewer than two kinds say anything.")
    later: Later
    caveats: list[str]


class SearchAnswer(Answer):
    understood: Understood
    worth_adding: list[WorthAdding] = Field(
        description="What would sharpen the comparison most, first; at most six."
    )
    similar: list[SimilarCase]
    outlook: Outlook | None = Field(description="null until the pool holds cases of three shops.")
    caveats: list[str]
    next_checks: list[NextCheck] = Field(
        description="By what they save where costs are given, else by what they tell per minute."
    )
    next_check_notes: list[CautionText] = Field(
        description="What must be said of the list, e.g. that no check changes the decision."
    )
    cautions: list[CautionText]
    index: IndexState
