"""Terms found by a few letters, as finished values for the vocabulary page. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from casebook.vocabulary import Action, Check, Symptom, load_vocabulary
from casebook.vocabulary.codes import CodeInfo, search_codes
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


@dataclass(frozen=True)
class Theme:
    name: str
    terms: Sequence[Term]
    hidden: int


def find_terms(words: str, kind: str | None) -> list[Theme]:
    """Every theme's terms in which all the words occur; none at all without a question."""
    if not words and kind is None:
        return []
    vocabulary = load_vocabulary()
    themes = (
        ("Trouble codes", [_code(info) for info in search_codes(words, _MOST)] if words else []),
        ("Symptoms", [_symptom(term) for term in vocabulary.symptoms_for(kind)]),
        ("Checks", [_check(term) for term in vocabulary.checks_for(kind)]),
        ("Work done", [_action(term) for term in vocabulary.actions_for(kind)]),
        (
            "Cautions",
            [Term(c.label, c.key, c.text, "") for c in vocabulary.cautions.values()]
            if words
            else [],
        ),
    )
    wanted = words.lower().split()
    found = [
        # Codes have been looked for already, by their beginning as well.
        (name, [t for t in terms if name == "Trouble codes" or _fits(t, wanted)])
        for name, terms in themes
    ]
    return [
        Theme(name, terms[:_MOST], max(0, len(terms) - _MOST)) for name, terms in found if terms
    ]


def _fits(term: Term, wanted: Iterable[str]) -> bool:
    text = " ".join((term.label, term.key, term.meaning, term.also, *term.details)).lower()
    return all(word in text for word in wanted)


def _code(info: CodeInfo) -> Term:
    details = [f"{info.subsystem.capitalize()}, {_SCOPES[info.scope]}"]
    if info.family != info.code:
        details.append(f"Same circuit as {info.family}")
    return Term(info.code, info.code, info.description or "No description here", "", details)


def _symptom(term: Symptom) -> Term:
    return Term(term.label, term.key, term.meaning, ", ".join(term.synonyms))


def _check(term: Check) -> Term:
    details = [f"about {term.minutes} min"]
    if term.results:
        details.append("Results: " + "; ".join(result.label for result in term.results))
    elif term.unit:
        span = ""
        if term.soft:
            span = f", usually {say_number(term.soft[0])} to {say_number(term.soft[1])}"
        details.append(f"A number in {term.unit}{span}")
    cautions = load_vocabulary().cautions
    details += [f"Take care: {cautions[key].text}" for key in term.cautions if key in cautions]
    return Term(term.label, term.key, term.meaning, ", ".join(term.synonyms), details)


def _action(term: Action) -> Term:
    levels = ", ".join(LEVEL_NAMES[level].lower() for level in term.levels)
    return Term(term.label, term.key, "", ", ".join(term.synonyms), [f"Level: {levels}"])
