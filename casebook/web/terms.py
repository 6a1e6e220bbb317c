"""Terms found by a few letters, as finished values for the vocabulary page. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

from casebook.vocabulary import (
    Action,
    Caution,
    Check,
    Condition,
    Symptom,
    Unit,
    load_vocabulary,
)
from casebook.vocabulary.codes import CodeInfo, search_codes
from casebook.vocabulary.normaliser import load_replacements
from casebook.vocabulary.wording import plain_words
from casebook.web.words import LEVEL_NAMES, say_number

_MOST = 60
_SCOPES = {
    "generic": "standard for all makes",
    "maker": "the maker's own meaning",
    "reserved": "held back by the standard",
}


@dataclass(frozen=True)
class Term:
    label: str
    key: str
    meaning: str
    also: str
    details: Sequence[str] = ()
    cares: Sequence[str] = ()


@dataclass(frozen=True)
class Theme:
    name: str
    terms: Sequence[Term]
    hidden: int


@dataclass(frozen=True)
class _Entry:
    """A term with what is searched of it, in plain words: each of its names, and all it says."""

    term: Term
    names: Sequence[str]
    text: str

    @classmethod
    def of(cls, term: Term) -> _Entry:
        names = [plain_words(name) for name in (term.label, term.key, *term.also.split(", "))]
        # Not what to take care of: half of all checks warn of the same few things.
        told = " ".join((term.meaning, *term.details))
        return cls(term, names, " ".join((*names, plain_words(told))))


def find_terms(words: str, kind: str | None) -> list[Theme]:
    """Every theme's terms in which all the words occur; none at all without a question."""
    if not words and kind is None:
        return []
    # Codes are looked for by their beginning as well.
    found = [("Trouble codes", [_code(info) for info in search_codes(words, _MOST)])]
    found += [(name, _best_first(entries, words)) for name, entries in _entries(kind).items()]
    if not words:
        found = [
            (name, terms) for name, terms in found if name not in ("Trouble codes", "Cautions")
        ]
    return [
        Theme(name, terms[:_MOST], max(0, len(terms) - _MOST)) for name, terms in found if terms
    ]


@cache
def _entries(kind: str | None) -> dict[str, list[_Entry]]:
    vocabulary = load_vocabulary()
    units = [unit for unit in vocabulary.units.values() if kind in (None, unit.key)]
    themes = {
        "Units": [_unit(unit) for unit in units],
        "Symptoms": [_symptom(term) for term in vocabulary.symptoms_for(kind)],
        "Checks": [_check(term) for term in vocabulary.checks_for(kind)],
        "Work done": [_action(term) for term in vocabulary.actions_for(kind)],
        "When it shows": [_condition(term) for term in vocabulary.conditions.values()],
        "Cautions": [_caution(term) for term in vocabulary.cautions.values()],
    }
    return {name: [_Entry.of(term) for term in terms] for name, terms in themes.items()}


def _best_first(entries: Sequence[_Entry], words: str) -> list[Term]:
    """Terms in which all the words occur: those called just so, those called something like it,
    those that mention it."""
    phrase = plain_words(words)
    wanted = [ways for word in words.lower().split() if (ways := _ways_to_say(word))]
    if words and not wanted:
        return []  # marks alone
    ranked: dict[int, list[Term]] = {0: [], 1: [], 2: []}
    for entry in entries:
        if not all(any(way in entry.text for way in ways) for ways in wanted):
            continue
        names = " ".join(entry.names)
        called = all(any(way in names for way in ways) for ways in wanted)
        ranked[0 if phrase in entry.names else 1 if called else 2].append(entry.term)
    return [*ranked[0], *ranked[1], *ranked[2]]


def _ways_to_say(word: str) -> set[str]:
    """The word, and what it is short for or a slip of."""
    return {plain_words(word), plain_words(load_replacements().get(word, word))} - {""}


def _code(info: CodeInfo) -> Term:
    details = [f"{info.subsystem.capitalize()}, {_SCOPES[info.scope]}"]
    if info.family != info.code:
        details.append(f"Same circuit as {info.family}")
    return Term(info.code, info.code, info.description or "No description here", "", details)


def _unit(term: Unit) -> Term:
    details = ["Kinds: " + "; ".join(term.subkinds)] if term.subkinds else []
    return Term(term.label, term.key, term.meaning, ", ".join(term.synonyms), details)


def _condition(term: Condition) -> Term:
    return Term(term.label, term.key, term.meaning, ", ".join(term.synonyms))


def _caution(term: Caution) -> Term:
    return Term(term.label, term.key, term.text, "")


def _symptom(term: Symptom) -> Term:
    return Term(term.label, term.key, term.meaning, ", ".join(term.synonyms))


def _check(term: Check) -> Term:
    details = [f"about {term.minutes} min"]
    before = load_vocabulary().preconditions
    if term.before:
        details.append("Before: " + "; ".join(before[key].label for key in term.before))
    if term.results:
        details.append("Results: " + "; ".join(result.label for result in term.results))
    elif term.unit:
        span = ""
        if term.soft:
            span = f", usually {say_number(term.soft[0])} to {say_number(term.soft[1])}"
            if term.soft_24v:
                low, high = map(say_number, term.soft_24v)
                span += f"; on 24 V {low} to {high}"
        details.append(f"A number in {term.unit}{span}")
    also, cares = ", ".join(term.synonyms), _take_care(term.cautions)
    return Term(term.label, term.key, term.meaning, also, details, cares)


def _action(term: Action) -> Term:
    levels = ", ".join(LEVEL_NAMES[level].lower() for level in term.levels)
    also, cares = ", ".join(term.synonyms), _take_care(term.cautions)
    return Term(term.label, term.key, "", also, [f"Level: {levels}"], cares)


def _take_care(keys: Iterable[str]) -> list[str]:
    cautions = load_vocabulary().cautions
    return [cautions[key].text for key in keys]
