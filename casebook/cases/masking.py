"""Takes out of free text what could lead back to a person, a shop or one vehicle. Pure.

Patterns only, each linear in the length of the text; what is technical (codes, numbers with
units, mileages) stays readable. Each hit becomes a typed mark such as ⟨phone⟩, so that a reader
sees that something stood there. VERSION rises with the rules, so that stored copies can be redone.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

VERSION = 2

_INVISIBLE = re.compile(r"[\u00ad\u200b-\u200f\u202a-\u202e\u2060-\u2064\ufeff]")


@dataclass(frozen=True)
class Masked:
    """`text` as others may see it; `counts` of what was removed, by kind."""

    text: str
    counts: dict[str, int]


def _luhn(digits: str) -> bool:
    """The check of ISO/IEC 7812-1, annex B."""
    total = 0
    for place, digit in enumerate(reversed(digits)):
        value = int(digit) * (2 if place % 2 else 1)
        total += value - 9 if value > 9 else value
    return total % 10 == 0


def _is_card(found: str) -> bool:
    digits = re.sub(r"\D", "", found)
    return 13 <= len(digits) <= 19 and _luhn(digits)


def _is_vin(found: str) -> bool:
    # A word of 17 letters is no VIN, a row of 17 digits hardly one: a real one mixes them.
    return any(c.isdigit() for c in found) and any(c.isalpha() for c in found)


def _is_phone(found: str) -> bool:
    found = found.strip()
    groups = re.findall(r"\d+", found)
    digits = "".join(groups)
    if not 7 <= len(digits) <= 15:
        return False
    # 2026-03-09 and 09.03.2026 are days.
    if re.fullmatch(r"\d{4}[-./]\d{1,2}[-./]\d{1,2}|\d{1,2}[-./]\d{1,2}[-./]\d{4}", found):
        return False
    # A row of readings (12.6 14.2 or 11 9 12 12) has no long group; a phone number has, or is
    # written in pairs behind a zero.
    in_pairs = found.startswith("0") and len(groups) >= 4 and all(len(g) == 2 for g in groups)
    if not in_pairs and max(map(len, groups)) < 3:
        return False
    return found.startswith(("+", "0", "(")) or bool(re.fullmatch(r"\d{3}-\d{3,4}-\d{3,4}", found))


_UNIT_AFTER = (
    r"(?!\s{0,2}(?:km|mi|miles|kms|rpm|kpa|psi|bar|mbar|hpa|nm|v|mv|volts?|a|amps?|ohms?|kohms?|w|kw|"
    r"c|f|deg|mm|cm|ml|l|litres?|h|hrs?|hours?|min|mins?|s|ms|hz|khz|%)\b)"
)


@dataclass(frozen=True)
class _Rule:
    kind: str
    pattern: re.Pattern[str]
    accept: Callable[[str], bool] = lambda found: True
    group: int = 0


def _rule(
    kind: str,
    pattern: str,
    accept: Callable[[str], bool] = lambda found: True,
    *,
    group: int = 0,
    flags: int = re.IGNORECASE,
) -> _Rule:
    return _Rule(kind, re.compile(pattern, flags), accept, group)


# Words that may stand capitalised after "customer" or "driver" and are nobody's name.
_NOT_NAMES = frozenset(
    "states says said reports complains noticed door side seat window airbag came called wants "
    "concern complaint declined approved advised brought hears feels front rear left right "
    "mr mrs ms miss dr herr frau".split()
)

# In this order: a wider rule must not eat half of what a narrower one would name.
_RULES = (
    _rule("email", r"[\w.+%-]{1,64}@[\w-]{1,63}(?:\.[\w-]{1,63}){1,4}"),
    _rule("url", r"\b(?:https?://|www\.)[^\s<>\"]{1,200}"),
    _rule("vin", r"\b[A-HJ-NPR-Z0-9]{17}\b", _is_vin),
    _rule(
        "vin",
        r"\b(?:vin|chassis|fin)\b\s*(?:no\.?|number|nr\.?|:|#|is|\s){0,3}([A-HJ-NPR-Z0-9]{6,17})\b",
        lambda found: any(c.isdigit() for c in found),
        group=1,
    ),
    _rule("iban", r"\b[A-Z]{2}\d{2}(?: ?[A-Z0-9]{4}){3,7}(?: ?[A-Z0-9]{1,3})?\b", flags=0),
    _rule("card", r"\b\d(?:[ -]?\d){12,18}\b", _is_card),
    _rule(
        "plate",
        r"\b(?:plate|reg|rego|registration|licen[cs]e plate|number plate|kennzeichen)\b"
        r"\s*(?:no\.?|number|nr\.?|:|#|is|\s){0,3}"
        r"([A-Z0-9]{1,4}[ -]?[A-Z0-9]{1,4}[ -]?[A-Z0-9]{0,4})\b",
        lambda found: any(c.isdigit() for c in found),
        group=1,
    ),
    _rule(
        "order",
        r"\b(?:order|invoice|inv|job|ticket|claim|policy|ro|wo)\b"
        r"\s*(?:no\.?|number|nr\.?|:|#|\s){1,3}([A-Z]{0,4}-?\d[\w/-]{2,20})",
        group=1,
    ),
    _rule("phone", r"(?<![\w.])(?:\+|\(?0)?\d[\d()/. -]{5,20}\d(?![\w])" + _UNIT_AFTER, _is_phone),
    _rule(
        "address",
        r"\b\d{1,5}[a-z]? (?:[A-Z][\w'-]{1,30} ){1,3}"
        r"(?:Street|St|Road|Rd|Avenue|Ave|Lane|Ln|Drive|Dr|Court|Ct|Boulevard|Blvd|Way|Close)\b\.?",
        flags=0,
    ),
    _rule(
        "address",
        r"\b[A-Z][\w'-]{1,30}(?:straße|strasse|str\.|weg|gasse|platz) \d{1,4}[a-z]?\b",
        flags=0,
    ),
    _rule(
        "name",
        r"\b(?:[Mm]r|[Mm]rs|[Mm]s|[Mm]iss|[Dd]r|[Hh]err|[Ff]rau)\b\.? "
        r"([A-Z][\w'-]{1,30}(?: [A-Z][\w'-]{1,30})?)",
        group=1,
        flags=0,
    ),
    # Typed in a hurry: lower case. "ms" and "dr" are left out, they are milliseconds and driver.
    _rule(
        "name",
        r"\b(?:mr|mrs|herr|frau)\b\.? ([a-z][\w'-]{1,30})",
        lambda found: found.lower() not in _NOT_NAMES,
        group=1,
    ),
    _rule(
        "name",
        r"\b(?:[Cc]ustomer|[Oo]wner|[Dd]river|[Cc]ust|[Cc]lient)\b(?:'s name)?(?: is| name|:)? "
        r"([A-Z][a-z'-]{1,30}(?: [A-Z][a-z'-]{1,30})?)\b",
        lambda found: found.split()[0].lower() not in _NOT_NAMES,
        group=1,
        flags=0,
    ),
)


def mask_text(text: str) -> Masked:
    """Text with typed marks in place of what was found; same input, same output."""
    text = _INVISIBLE.sub("", unicodedata.normalize("NFKC", text))
    counts: Counter[str] = Counter()
    for rule in _RULES:
        text = _apply(rule, text, counts)
    return Masked(text, dict(sorted(counts.items())))


def drop_vins(text: str) -> str:
    """The text as it was typed, but for vehicle identification numbers."""
    for rule in _RULES:
        if rule.kind == "vin":
            text = _apply(rule, text, Counter())
    return text


def _apply(rule: _Rule, text: str, counts: Counter[str]) -> str:
    def replace(match: re.Match[str]) -> str:
        found = match.group(rule.group)
        if not rule.accept(found):
            return match.group()
        counts[rule.kind] += 1
        start = match.start(rule.group) - match.start()
        whole = match.group()
        return f"{whole[:start]}⟨{rule.kind}⟩{whole[start + len(found) :]}"

    return rule.pattern.sub(replace, text)
