"""What the forms for an attempt and a follow-up offer, as finished values. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from casebook.cases.constants import (
    FOLLOW_UP_STATES,
    LEVEL_RANK,
    LEVELS,
    ODOMETER_UNITS,
    RESULTS,
    UNIT_SOURCES,
)
from casebook.vocabulary import load_vocabulary
from casebook.web.choices import Faults, Field, Option
from casebook.web.entry import Entry
from casebook.web.words import (
    FOLLOW_UP_NAMES,
    LEVEL_MEANINGS,
    LEVEL_NAMES,
    RESULT_NAMES,
    UNIT_SOURCE_NAMES,
)

_WORK_NAMES = {
    "none": "Without repair",
    "service": "Service work",
    "component": "Work on one part",
    "overhaul": "Overhaul work",
    "replacement": "Replacement work",
}
FOLLOW_UP_MEANINGS = {
    "holding": "as it should be",
    "came_back": "the same fault again",
    "other_fault": "this held, something else failed",
    "gone": "no longer to be seen",
    "no_contact": "asked, no answer",
}


@dataclass(frozen=True)
class LevelChoice:
    value: str
    label: str
    meaning: str
    rank: int
    chosen: bool


@dataclass(frozen=True)
class ActionGroup:
    """Actions of one level; an attempt of that level or above may contain them."""

    level: str
    label: str
    actions: Sequence[Option]
    open: bool


@dataclass(frozen=True)
class AttemptForm:
    fields: dict[str, Field]
    levels: Sequence[LevelChoice]
    groups: Sequence[ActionGroup]
    results: Sequence[Option]
    sources: Sequence[Option]


def build_attempt_form(
    entry: Entry, faults: Faults | None, *, kind: str | None, currency: str = ""
) -> AttemptForm:
    faults = faults or {}
    level = entry.text("attempt.level")
    chosen = entry.all("attempt.action")
    names = ("on", "level", "actions", "parts_cost", "labour_cost", "labour_hours", "currency")
    fields = {
        name: Field(
            f"attempt.{name}", entry.text(f"attempt.{name}"), faults.get(f"attempt.{name}", ())
        )
        for name in (*names, "result", "unit_source")
    }
    if not fields["currency"].value:
        fields["currency"] = Field("attempt.currency", currency, fields["currency"].errors)
    result = entry.text("attempt.result")
    source = entry.text("attempt.unit_source")
    return AttemptForm(
        fields=fields,
        levels=[
            LevelChoice(
                name, LEVEL_NAMES[name], LEVEL_MEANINGS[name], LEVEL_RANK[name], name == level
            )
            for name in LEVELS
        ],
        groups=_action_groups(kind, level, chosen),
        results=[Option(key, RESULT_NAMES[key], key == result) for key in RESULTS],
        sources=[Option(key, UNIT_SOURCE_NAMES[key], key == source) for key in UNIT_SOURCES],
    )


def _action_groups(kind: str | None, level: str, chosen: Sequence[str]) -> list[ActionGroup]:
    vocabulary = load_vocabulary()
    groups = []
    for name in LEVELS:
        actions = vocabulary.actions_for(kind or None, name)
        options = [Option(a.key, a.label, a.key in chosen) for a in actions]
        if options:
            is_open = name == level or any(option.chosen for option in options)
            groups.append(ActionGroup(name, _WORK_NAMES[name], options, is_open))
    return groups


@dataclass(frozen=True)
class FollowUpForm:
    fields: dict[str, Field]
    states: Sequence[LevelChoice]


def build_follow_up_form(entry: Entry, faults: Faults | None = None) -> FollowUpForm:
    faults = faults or {}
    unit = entry.text("odometer_unit") or "km"
    fields = {
        name: Field(name, entry.text(name), faults.get(name, ()))
        for name in ("on", "state", "odometer")
    }
    fields["odometer_unit"] = Field(
        "odometer_unit", unit, (), [Option(name, name, name == unit) for name in ODOMETER_UNITS]
    )
    states = [
        LevelChoice(
            key, FOLLOW_UP_NAMES[key], FOLLOW_UP_MEANINGS[key], 0, key == entry.text("state")
        )
        for key in FOLLOW_UP_STATES
    ]
    return FollowUpForm(fields, states)
