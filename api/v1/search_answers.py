"""What a search answers, as typed shapes. See `answers` for the rest."""

from __future__ import annotations

from uuid import UUID

from pydantic import Field

from api.v1.answers import Answer, CautionText, IndexState, LevelName, SharedCore, Warned


class SimilarBody(SharedCore):
    id: UUID


class Part(Answer):
    block: str
    share: float = Field(ge=0)
    matched: list[str]


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
        description="Of the symptom or check, or the code; null where it is the field as a whole."
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
        description="How much of the figure comes from the cohorts around."
    )
    caveats: list[str]


class ResolvedBy(Answer):
    """What it took in the end: `cases` of the `of` similar cases in which it is known; the share
    weighs them by similarity."""

    level: LevelName
    cases: int
    of: int
    share: float
    interval: list[float]


class Outlook(Answer):
    cases: int
    shops: int | None = Field(description="null below three.")
    effective_cases: float
    levels: list[LevelOutlook]
    resolved_by: list[ResolvedBy]
    caveats: list[str]


class SearchAnswer(Answer):
    understood: Understood
    worth_adding: list[WorthAdding] = Field(
        description="What would sharpen the comparison most, first; at most six."
    )
    similar: list[SimilarCase]
    outlook: Outlook | None = Field(description="null until the pool holds cases of three shops.")
    caveats: list[str]
    cautions: list[CautionText]
    index: IndexState
