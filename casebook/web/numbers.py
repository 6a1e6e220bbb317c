"""Numbers as people write them, with the unit that some write behind. Pure."""

from __future__ import annotations

import re

_GROUPED = re.compile(r"\d{1,3}([ \u00a0.,'’]\d{3})+")
_PLAIN = re.compile(r"-?\d+([.,]\d+)?")
# 1.250,50 and 1,250.50: where both marks stand, only the last can be the decimal one.
_BOTH_MARKS = re.compile(r"(-?\d{1,3}(?:(?:\.\d{3})+(?=,)|(?:,\d{3})+(?=\.)))[.,](\d{1,2})")
_WITH_UNIT = re.compile(r"(?P<number>[-\u2212]?\d[\d\s.,'’]*)(?P<unit>[^\W\d].*|[°º%].*)")
_ODOMETER_UNITS = {
    "km": ("km", "kms", "kilometres", "kilometers"),
    "mi": ("mi", "mile", "miles"),
    "h": ("h", "hr", "hrs", "hour", "hours"),
}


def read_number(text: str, *, whole_thousands: bool = False, example: str = "12.5") -> float:
    """A number as people write it. Raises ValueError with what to write instead.

    whole_thousands: of an odometer, where 131.000 and 131,000 can only be thousands.
    """
    text = text.strip().replace("\u2212", "-")
    if whole_thousands and _GROUPED.fullmatch(text):
        return float(re.sub(r"\D", "", text))
    text = re.sub(r"(?<=\d)[ \u00a0](?=\d{3}\b)", "", text)
    if both := _BOTH_MARKS.fullmatch(text):
        return float(f"{re.sub('[.,]', '', both[1])}.{both[2]}")
    if re.fullmatch(r"-?[1-9]\d{0,2},\d{3}", text):
        plain = text.replace(",", "")
        raise ValueError(f"Write {plain} or {text.replace(',', '.')}: {text} could be either.")
    if not _PLAIN.fullmatch(text):
        raise ValueError(f"Write a number in figures, for example {example}.")
    return float(text.replace(",", "."))


def part_unit(text: str) -> tuple[str, str]:
    """'12 psi' -> ('12', 'psi'); what does not look like a number with a unit stays whole."""
    found = _WITH_UNIT.fullmatch(text.strip())
    return (found["number"].strip(), found["unit"].strip()) if found else (text.strip(), "")


def part_odometer(text: str) -> tuple[str, str]:
    """'84,200 miles' -> ('84,200', 'mi'), and whole where the word is no unit of an odometer."""
    number, said = part_unit(text)
    for unit, words in _ODOMETER_UNITS.items():
        if said.rstrip(".").lower() in words:
            return number, unit
    return text.strip(), ""
