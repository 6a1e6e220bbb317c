"""Keys and numbers in plain words, as a technician reads them. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from casebook.outcomes.caveats import CAVEATS
from casebook.vocabulary import load_vocabulary

# A dash at which no line ends.
SPAN = "–\N{WORD JOINER}"
NO_BREAK_DASH = "\N{NON-BREAKING HYPHEN}"
MINUS = "\N{MINUS SIGN}"
NO_BREAK_SPACE = "\N{NO-BREAK SPACE}"

# So many of the nearest cases are looked at; where there are more, the count is no count of all.
MOST_COUNTED = 500

LEVEL_NAMES = {
    "none": "No repair",
    "service": "Service",
    "component": "Component",
    "overhaul": "Overhaul",
    "replacement": "Replacement",
}
LEVEL_MEANINGS = {
    "none": "looked at, nothing changed",
    "service": "fluid, filter, cleaning, adjustment, software",
    "component": "one part in or on the unit",
    "overhaul": "unit taken apart and rebuilt",
    "replacement": "another unit fitted",
}
LEVEL_SHORT = {
    "none": "nothing changed",
    "service": "fluid, cleaning",
    "component": "one part",
    "overhaul": "unit rebuilt",
    "replacement": "another unit",
}
UNIT_SOURCE_NAMES = {"used": "used", "remanufactured": "remanufactured", "new": "new"}
RESULT_NAMES = {
    "fixed": "Fixed",
    "not_fixed": "Not fixed",
    "no_fault_found": "No fault found",
    "unknown": "Not known yet",
}
FOLLOW_UP_NAMES = {
    "holding": "Holding",
    "came_back": "Came back",
    "other_fault": "Another fault",
    "gone": "Sold or scrapped",
    "no_contact": "No contact",
}
STATE_NAMES = {
    "open": "Open: no attempt yet",
    "repaired": "Repaired, outcome owed",
    "followed": "Followed up",
}
STAGE_NAMES = {
    "intake": "at intake",
    "repair": "while it was apart",
    "after": "after the repair",
}
STATUS_NAMES = {
    "stored": "",
    "pending": "pending",
    "permanent": "permanent",
    "active": "active",
    "history": "history",
    "unknown": "status not known",
}
BLOCK_NAMES = {
    "text": "Words",
    "codes": "Codes",
    "symptoms": "Symptoms",
    "findings": "Findings",
    "vehicle": "Vehicle",
    "unit": "Unit",
    "age": "Age",
    "odometer": "Distance run",
    "likely_cure": "What would probably cure it",
    "not_recorded": "Not recorded in that case",
}
# Where a name has to fit into a sentence among others.
BLOCK_SHORT = {
    "What would probably cure it": "probable cure",
    "Not recorded in that case": "not recorded",
}
# Where the sentence for programs asks for what the page does not offer.
_CAVEATS = {
    "not_followed_so_long": (
        "None of these repairs has been followed that long, so the figure comes from repairs on "
        "related units."
    ),
}


def name_unit(kind: str | None) -> str:
    unit = load_vocabulary().units.get(kind or "")
    return unit.label if unit else (kind or "").replace("_", " ")


def name_term(theme: Mapping[str, Any], key: str) -> str:
    """The label of a term; its key in words where the vocabulary no longer has it."""
    term = theme.get(key)
    return term.label if term is not None else key.replace("_", " ")


def name_symptom(key: str) -> str:
    return name_term(load_vocabulary().symptoms, key)


def name_check(key: str) -> str:
    return name_term(load_vocabulary().checks, key)


def name_action(key: str) -> str:
    return name_term(load_vocabulary().actions, key)


def name_condition(key: str) -> str:
    return name_term(load_vocabulary().conditions, key)


def name_caution(key: str) -> str:
    caution = load_vocabulary().cautions.get(key)
    return caution.label if caution else key.replace("_", " ").capitalize()


def join_cautions(texts: Sequence[str]) -> tuple[list[str], str]:
    """The closing sentence that all share is said once, after the last."""
    sentences = [text.rstrip(".").split(". ") for text in texts]
    ends = {parts[-1] for parts in sentences}
    if len(texts) < 2 or len(ends) != 1 or any(len(parts) < 2 for parts in sentences):
        return list(texts), ""
    return [". ".join(parts[:-1]) + "." for parts in sentences], f"{ends.pop()}."


def name_result(check_key: str, result_key: str) -> str:
    check = load_vocabulary().checks.get(check_key)
    for result in check.results if check else ():
        if result.key == result_key:
            return result.label
    return result_key.replace("_", " ")


def uncapital(label: str) -> str:
    """'Oil level' -> 'oil level'; 'EGR valve' and 'P0741' stay."""
    stays = label[1:2].isupper() or label[1:2].isdigit()
    return label if stays else label[:1].lower() + label[1:]


def say_caveat(key: str) -> str:
    return _CAVEATS.get(key) or CAVEATS.get(key) or key.replace("_", " ").capitalize() + "."


def say_count(count: int, one: str, many: str | None = None) -> str:
    return f"{group_thousands(count)} {one if count == 1 else many or one + 's'}"


def group_thousands(number: float) -> str:
    """131000 -> '131 000', with a space that does not break."""
    return f"{number:,.0f}".replace(",", "\N{NO-BREAK SPACE}")


def say_number(number: float) -> str:
    return f"{number:.6g}"


def say_percent(fraction: float) -> str:
    """Never 0 % or 100 %: no number of cases can show that."""
    if fraction < 0.01:
        return "under 1\N{NO-BREAK SPACE}%"
    if fraction > 0.99:
        return "over 99\N{NO-BREAK SPACE}%"
    return f"{fraction * 100:.0f}\N{NO-BREAK SPACE}%"


def say_range(low: float, high: float) -> str:
    """'45–70 %'."""
    bounds = [min(99, max(1, round(bound * 100))) for bound in (low, high)]
    return f"{bounds[0]}{SPAN}{bounds[1]}\N{NO-BREAK SPACE}%"


def say_out_of_ten(fraction: float) -> str:
    tenths = round(fraction * 10)
    if tenths <= 0:
        return "fewer than 1 in 10"
    if tenths >= 10:
        return "more than 9 in 10"
    return f"about {tenths} in 10"


def say_tenths_span(low: float, high: float) -> str:
    """'5 to 7', rounded outwards: a narrow interval never reads as a certainty."""
    floor = max(0, math.floor(round(low * 10, 6)))
    return f"{floor} to {min(10, max(floor + 1, math.ceil(round(high * 10, 6))))}"


def say_money(amount: str | float, currency: str | None, *, whole: bool = False) -> str:
    """'1 240 EUR'; cents only where there are some. whole: of what is an estimate anyway."""
    value = float(amount)
    # Whole cents first: 99.999 is 100, and 111.5 is not 111 and fifty hundredths lost on the way.
    units, _, cents = f"{value:.2f}".partition(".")
    cents = "" if whole or cents == "00" else f".{cents}"
    units = group_thousands(round(value) if whole else int(units)).replace("-", MINUS)
    return f"{units}{cents}{NO_BREAK_SPACE}{currency or ''}".rstrip(NO_BREAK_SPACE)


def say_list(words: Sequence[str], last: str = "and") -> str:
    """'a, b and c'."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def say_weight(*, cases: int, shops: int | None, effective: float | None) -> str:
    """What a pool of that size is worth, in words: the count is never left to speak alone."""
    counted = say_count(cases, "similar case")
    if cases >= MOST_COUNTED:
        counted = f"The {group_thousands(cases)} most similar cases"
    if cases == 0:
        return "No similar case yet."
    if shops is None:
        return f"{counted} in fewer than 3 shops: too little for a picture."
    where = f"{counted} in {say_count(shops, 'shop')}"
    worth = cases if effective is None else effective
    if worth < 10:
        return f"{where}: little to go on."
    if worth < 30:
        return f"{where}: a first indication."
    if worth < 100:
        return f"{where}: a fair base."
    return f"{where}: a broad base."


def say_days(days: float | None) -> str:
    """A span as one says it: days up to six weeks, then months, then years."""
    if days is None:
        return ""
    if days < 45:
        return say_count(round(days), "day")
    if days < 700:
        return say_count(round(days / 30.44), "month")
    return say_count(round(days / 365.25), "year")


def say_horizon(days: int) -> str:
    return "a year" if 360 <= days <= 370 else say_days(days)


def say_month(text: str) -> str:
    """'2025-11' -> 'Nov 2025'."""
    try:
        return date.fromisoformat(f"{text[:7]}-01").strftime("%b %Y")
    except ValueError:
        return text


def say_day(value: date | str | None) -> str:
    """'2026-03-09' -> '9 Mar 2026'."""
    if isinstance(value, str):
        try:
            return say_day(date.fromisoformat(value[:10]))
        except ValueError:
            return value
    return f"{value.day} {value:%b %Y}" if value else ""


def say_odometer(odometer: Mapping[str, Any] | None) -> str:
    if not odometer or odometer.get("value") is None:
        return ""
    unit = {"h": "hours"}.get(odometer["unit"], odometer["unit"])
    return f"{group_thousands(odometer['value'])}\N{NO-BREAK SPACE}{unit}"


def share_points(shares: list[float], *, whole: float) -> list[int]:
    """Shares as whole points of 100 that add up to the rounded whole (largest remainder)."""
    target = round(whole * 100)
    floors = [int(share * 100) for share in shares]
    by_remainder = sorted(range(len(shares)), key=lambda i: (floors[i] - shares[i] * 100, i))
    missing = target - sum(floors)
    for i in by_remainder[: max(0, missing)]:
        floors[i] += 1
    return floors
