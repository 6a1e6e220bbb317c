"""The vocabulary as one frozen value, with the questions its readers ask."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeVar

from casebook.vocabulary.terms import (
    FOLLOW_UP_STATES,
    LEVELS,
    Action,
    Caution,
    Check,
    Condition,
    Precondition,
    Rename,
    Symptom,
    Unit,
)
from casebook.vocabulary.wording import plain_words

Scoped = TypeVar("Scoped", Symptom, Check, Action)


@dataclass(frozen=True)
class Vocabulary:
    """All terms by key, each theme in the order of its files.

    version: "<date of the edition>+<first 12 hex digits of the content's SHA-256>"; it changes
    whenever a term does, and only then.
    """

    version: str
    units: Mapping[str, Unit]
    conditions: Mapping[str, Condition]
    preconditions: Mapping[str, Precondition]
    cautions: Mapping[str, Caution]
    symptoms: Mapping[str, Symptom]
    checks: Mapping[str, Check]
    actions: Mapping[str, Action]
    renames: tuple[Rename, ...] = ()
    levels: tuple[str, ...] = LEVELS
    follow_up_states: tuple[str, ...] = FOLLOW_UP_STATES
    _matchers: dict[str, dict[str, str]] = field(default_factory=dict, repr=False, compare=False)

    def symptoms_for(self, kind: str | None) -> list[Symptom]:
        """Symptoms that fit a unit kind; all of them for None."""
        return _fitting(self.symptoms, kind)

    def checks_for(self, kind: str | None) -> list[Check]:
        return _fitting(self.checks, kind)

    def actions_for(self, kind: str | None, level: str | None = None) -> list[Action]:
        """Actions that fit a unit kind and belong to a level; to any level for None."""
        actions = _fitting(self.actions, kind)
        return [action for action in actions if level is None or level in action.levels]

    def resolve(self, theme: str, key: str) -> tuple[str, str | None]:
        """The key that counts today and, for a renamed one, a sentence that says so.

        theme: "symptoms", "checks", "actions" or "conditions". Unknown keys come back unchanged.
        """
        rename = self._renames_by_key.get((theme, key))
        if rename is None:
            return key, None
        return rename.new, f"{key!r} is called {rename.new!r} since {rename.since}."

    def find_symptom(self, text: str, kind: str | None = None) -> Symptom | None:
        """The symptom whose key, label or synonym these words are, None where none or unclear."""
        return self._find("symptoms", self.symptoms, text, kind)

    def find_check(self, text: str, kind: str | None = None) -> Check | None:
        return self._find("checks", self.checks, text, kind)

    def find_action(self, text: str, kind: str | None = None) -> Action | None:
        return self._find("actions", self.actions, text, kind)

    def find_unit(self, text: str) -> Unit | None:
        """The unit kind that these words name, None where none does."""
        wanted = plain_words(text)
        for unit in self.units.values():
            names = (unit.key, unit.label, *unit.synonyms)
            if wanted in {plain_words(name) for name in names}:
                return unit
        return None

    def _find(
        self, theme: str, terms: Mapping[str, Scoped], text: str, kind: str | None
    ) -> Scoped | None:
        names = self._matchers.get(f"{theme}/{kind}")
        if names is None:
            names = _names(_fitting(terms, kind))
            self._matchers[f"{theme}/{kind}"] = names
        key = names.get(plain_words(text), "")
        return terms[key] if key else None

    @cached_property
    def _renames_by_key(self) -> dict[tuple[str, str], Rename]:
        return {(rename.theme, rename.old): rename for rename in self.renames}

    def as_document(self) -> dict[str, Any]:
        """What GET /api/v1/vocabulary answers: plain values, ready for JSON."""
        return {
            "version": self.version,
            "units": [_unit(unit) for unit in self.units.values()],
            "symptoms": [_symptom(symptom) for symptom in self.symptoms.values()],
            "conditions": [
                {"key": c.key, "label": c.label, "synonyms": list(c.synonyms), "meaning": c.meaning}
                for c in self.conditions.values()
            ],
            "checks": [_check(check) for check in self.checks.values()],
            "actions": [_action(action) for action in self.actions.values()],
            "levels": list(self.levels),
            "follow_up_states": list(self.follow_up_states),
            "cautions": [
                {"key": c.key, "label": c.label, "text": c.text} for c in self.cautions.values()
            ],
            "preconditions": [
                {"key": p.key, "label": p.label} for p in self.preconditions.values()
            ],
            "renamed": [
                {"theme": r.theme, "old": r.old, "new": r.new, "since": r.since, "reason": r.reason}
                for r in self.renames
            ],
        }


def _fitting(terms: Mapping[str, Scoped], kind: str | None) -> list[Scoped]:
    return [term for term in terms.values() if fits_kind(term, kind)]


def fits_kind(term: Symptom | Check | Action, kind: str | None) -> bool:
    """Whether a term belongs to a unit kind; any does to None, and a term without kinds to any."""
    return kind is None or not term.unit_kinds or kind in term.unit_kinds


def names_of(term: Symptom | Check | Action) -> set[str]:
    """All that a term is called, as plain words."""
    return {plain_words(name) for name in (term.key, term.label, *term.synonyms)}


def _names(terms: Sequence[Symptom | Check | Action]) -> dict[str, str]:
    """Plain words -> key; words that name two terms map to "": better no answer than a guess."""
    names: dict[str, str] = {}
    for term in terms:
        for name in names_of(term):
            names[name] = term.key if names.get(name, term.key) == term.key else ""
    return names


def _unit(unit: Unit) -> dict[str, Any]:
    return {
        "key": unit.key,
        "label": unit.label,
        "synonyms": list(unit.synonyms),
        "meaning": unit.meaning,
        "subkinds": list(unit.subkinds),
    }


def _symptom(symptom: Symptom) -> dict[str, Any]:
    return {
        "key": symptom.key,
        "label": symptom.label,
        "unit_kinds": list(symptom.unit_kinds),
        "synonyms": list(symptom.synonyms),
        "meaning": symptom.meaning,
    }


def _check(check: Check) -> dict[str, Any]:
    return {
        "key": check.key,
        "label": check.label,
        "kind": check.kind,
        "minutes": check.minutes,
        "unit_kinds": list(check.unit_kinds),
        "results": [
            {"key": result.key, "label": result.label, "severity": result.severity}
            for result in check.results
        ],
        "unit": check.unit,
        "range": list(check.hard) if check.hard else None,
        "usual_range": list(check.soft) if check.soft else None,
        "usual_range_24v": list(check.soft_24v) if check.soft_24v else None,
        "bins": list(check.bins),
        "normal": check.normal,
        "before": list(check.before),
        "cautions": list(check.cautions),
        "synonyms": list(check.synonyms),
        "meaning": check.meaning,
        "source": check.source,
    }


def _action(action: Action) -> dict[str, Any]:
    return {
        "key": action.key,
        "label": action.label,
        "levels": list(action.levels),
        "unit_kinds": list(action.unit_kinds),
        "cautions": list(action.cautions),
        "synonyms": list(action.synonyms),
    }
