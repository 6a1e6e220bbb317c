"""Why a case is alike, in plain words and whole points of 100. Pure."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from casebook.vocabulary import load_vocabulary
from casebook.web.words import (
    BLOCK_NAMES,
    BLOCK_SHORT,
    LEVEL_NAMES,
    MINUS,
    NO_BREAK_SPACE,
    group_thousands,
    name_action,
    name_check,
    name_condition,
    name_result,
    name_symptom,
    name_unit,
    say_count,
    share_points,
    uncapital,
)
from search.core import compare_shares

# Said of a part that counted without anything to point at.
_WITHOUT_TERMS = {
    "text": "some of the wording",
    "codes": "a code of the same part of the car",
    "symptoms": "partly",
    "findings": "a neighbouring result",
    "vehicle": "partly",
    "unit": "partly",
    "age": "near",
    "odometer": "near",
    "likely_cure": "several in part",
    "not_recorded": "not compared, counted in part",
}
# A cure named alone would read as if it were known of the vehicle in the bay.
_SHORT = {"likely_cure": "probably cured alike"}
MOST_CURES = 2
MOST_GAPS = 3
_FILLING = frozenset(
    "a about after again also an and are as at be but by can car cust customer does for from get "
    "has have he her his if in into is it its just like no not now of off ok on or out owner since "
    "says she so some than that the then there they this to too up van vehicle very was when "
    "which while will with".split()
)


@dataclass(frozen=True)
class Reason:
    points: int
    name: str
    terms: str
    matched: bool
    # For a line of reasons without their names.
    short: str = ""


def give_reasons(
    parts: Sequence[Mapping[str, Any]], similarity: float, *, codes: Collection[str] = ()
) -> list[Reason]:
    """Largest first; points add up to the similarity in points. codes: of the case."""
    points = share_points([part["share"] for part in parts], whole=similarity)
    reasons = [
        Reason(
            point,
            BLOCK_NAMES.get(part["block"], part["block"].replace("_", " ").capitalize()),
            say_terms(part["block"], part["matched"], codes),
            bool(part["matched"]),
            _SHORT.get(part["block"], ""),
        )
        for part, point in zip(parts, points, strict=True)
        if point > 0
    ]
    return sorted(reasons, key=lambda reason: (-reason.points, reason.name))


def say_above(reasons: Sequence[Reason], below: Sequence[Reason]) -> str:
    """Why a case stands above the next, by the points that are shown of both; an empty string
    where a point is too coarse to tell them apart."""
    here, there = ({reason.name: reason.points for reason in case} for case in (reasons, below))
    gaps = compare_shares(here, there)
    points = round(sum(gaps.values()))
    if points <= 0:
        return ""
    # The few that decide; all of them stand above.
    largest = sorted(gaps, key=lambda name: (-abs(gaps[name]), name))[:MOST_GAPS]
    said = ", ".join(
        f"{BLOCK_SHORT.get(name, name.lower())} {'+' if gap > 0 else MINUS}{abs(gap):.0f}"
        for name, gap in gaps.items()
        if name in largest
    )
    return f"{say_count(points, 'point')} above the next: {said}."


def say_terms(block: str, matched: Sequence[str], codes: Collection[str] = ()) -> str:
    if not matched:
        return _WITHOUT_TERMS.get(block, "")
    if block == "codes":
        return ", ".join(_say_codes(matched, codes))
    say = _SAYINGS.get(block)
    said = say(matched) if say else list(matched)
    return ", ".join(dict.fromkeys(said))


def _say_codes(matched: Sequence[str], codes: Collection[str]) -> list[str]:
    """What the two share: a code, or only its circuit. A code with its failure type says both."""
    there = {code.partition("-")[0] for code in codes}
    typed = {code.partition("-")[0] for code in matched if "-" in code}
    return [
        code if not there or code.partition("-")[0] in there else f"same circuit as {code}"
        for code in matched
        if code not in typed
    ]


def _say_words(matched: Sequence[str]) -> list[str]:
    """What carries meaning; filling words counted a little, and say nothing to a reader."""
    telling = [word for word in matched if len(word) > 1 and word.lower() not in _FILLING]
    return telling or ["some of the wording"]


def _say_symptoms(matched: Sequence[str]) -> list[str]:
    """'surge' and 'surge (warm)' are one thing to say."""
    conditions: dict[str, list[str]] = {}
    for term in matched:
        key, _, condition = term.partition(" (")
        known = conditions.setdefault(key, [])
        if condition:
            known.append(name_condition(condition.rstrip(")")).lower())
    return [
        name_symptom(key) + (f" ({', '.join(when)})" if when else "")
        for key, when in conditions.items()
    ]


def _say_findings(matched: Sequence[str]) -> list[str]:
    said = []
    for term in matched:
        key, _, result = term.partition(": ")
        check = load_vocabulary().checks.get(key)
        shown = name_result(key, result)
        if check is not None and check.kind == "number":
            # The user's own number, with the unit in which it was given.
            shown = f"near {result.replace(' ', NO_BREAK_SPACE)}"
        said.append(f"{name_check(key)}: {shown}")
    return said


def _say_cures(matched: Sequence[str]) -> list[str]:
    """'component:replace_condenser+recharge_refrigerant', with '+…' where other work went along;
    or a level alone. The likeliest two: what is less likely says little."""
    said = []
    for cure in matched[:MOST_CURES]:
        level, _, work = cure.partition(":")
        actions = [key for key in work.split("+") if key]
        names = [uncapital(name_action(key)) for key in actions if key != "…"]
        more = " and more" if "…" in actions else ""
        said.append(" + ".join(names) + more or LEVEL_NAMES.get(level, level).lower())
    return [", or ".join(dict.fromkeys(said))]


def _say_vehicle(matched: Sequence[str]) -> list[str]:
    return [f"{term} drive" if term in ("front", "rear", "all") else term for term in matched]


def _say_unit(matched: Sequence[str]) -> list[str]:
    return [name_unit(term) if term in load_vocabulary().units else term for term in matched]


def _say_age(matched: Sequence[str]) -> list[str]:
    """Told as the model year that was asked for."""
    return [f"about as old as yours ({term})" if term.isdigit() else term for term in matched]


def _say_odometer(matched: Sequence[str]) -> list[str]:
    said = []
    for term in matched:
        number, _, unit = term.partition(" ")
        said.append(
            f"near {group_thousands(float(number))}\N{NO-BREAK SPACE}{unit}"
            if number.isdigit()
            else term
        )
    return said


_SAYINGS = {
    "text": _say_words,
    "symptoms": _say_symptoms,
    "findings": _say_findings,
    "vehicle": _say_vehicle,
    "unit": _say_unit,
    "age": _say_age,
    "odometer": _say_odometer,
    "likely_cure": _say_cures,
}
