"""What a lookup leaves out and similar cases record, as names that lead to their fields. Pure."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from casebook.vocabulary import load_vocabulary
from casebook.web.words import NO_BREAK_SPACE, name_check, name_symptom, uncapital

# Where a request says it -> what people call it, and the field that takes it.
_FIELDS = {
    "/vehicle/make": ("make", "make"),
    "/vehicle/model": ("model", "model"),
    "/vehicle/engine": ("engine", "engine"),
    "/vehicle/drive": ("driven wheels", "drive"),
    "/vehicle/year": ("year", "year"),
    "/vehicle/odometer": ("odometer", "odometer"),
    "/unit/kind": ("unit in question", "unit_kind"),
    "/unit/family": ("unit type", "unit_family"),
    "/codes": ("trouble codes", "codes"),
}
# Longer lists nobody reads on a phone; less than half a point is not worth a tap.
MOST_SHOWN = 4
LEAST_GAIN = 0.005


@dataclass(frozen=True)
class Wanted:
    """field: its id on the page, empty where the form does not offer it. said: behind the name."""

    name: str
    field: str
    said: str


def list_worth_adding(worth_adding: Sequence[Mapping[str, Any]], kind: str | None) -> list[Wanted]:
    """What most similar cases record. kind: of the unit looked up, whose checks the form offers."""
    telling = [one for one in worth_adding if one["gain"] >= LEAST_GAIN]
    wanted = []
    for number, one in enumerate(telling[:MOST_SHOWN]):
        verb = "had it" if one["pointer"] == "/symptoms" else "recorded it"
        counted = f"({one['cases']})" if number else f"({one['cases']} of {one['of']} {verb})"
        wanted.append(_want(one, kind, counted.replace(" ", NO_BREAK_SPACE)))
    return wanted


def list_missing(missing: Sequence[Mapping[str, Any]], kind: str | None) -> list[Wanted]:
    """What one case records. The points are those it would gain if yours showed the same."""
    return [
        _want(one, kind, f"+{max(1, round(one['gain'] * 100))}") for one in missing[:MOST_SHOWN]
    ]


def _want(one: Mapping[str, Any], kind: str | None, said: str) -> Wanted:
    pointer, key = one["pointer"], one["key"]
    vocabulary = load_vocabulary()
    if pointer == "/symptoms":
        offered: Collection[str] = [s.key for s in vocabulary.symptoms_for(kind)]
        return Wanted(uncapital(name_symptom(key)), _row("symptom", key, kind, offered), said)
    if pointer == "/findings":
        offered = [c.key for c in vocabulary.checks_for(kind)]
        return Wanted(uncapital(name_check(key)), _row("check", key, kind, offered), said)
    name, field = _FIELDS[pointer]
    return Wanted(name, f"f-{field}", said)


def _row(theme: str, key: str, kind: str | None, offered: Collection[str]) -> str:
    """Without a unit kind the form offers only what fits any unit; its choice comes first then."""
    if kind is None:
        return "f-unit_kind"
    return f"f-{theme}.{key}" if key in offered else ""
