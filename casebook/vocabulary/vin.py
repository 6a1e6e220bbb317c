"""What a vehicle identification number says by itself. Pure; nothing here is stored or logged.

Sources: ISO 3779 (characters, regions), ISO 3780 (world maker identifier), 49 CFR 565.15 (check
digit, model year and the position-7 rule). Transliteration and weights were checked against
independent public implementations; the text of the ISO standards was not seen.

Outside North America the check digit and the model year are not required: their places may hold
anything. What they say is then at best a hint, and is given only where it can be one.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

LENGTH: Final = 17
CHECK_PLACE: Final = 8
YEAR_PLACE: Final = 9
# Vehicles of the next model year are sold already, of a later one none.
YEARS_AHEAD: Final = 1

_WEIGHTS: Final = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_VALUES: Final = {
    **{str(digit): digit for digit in range(10)},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}
# Position 10 runs through these in 30 years: 1980 to 2009, then 2010 to 2039.
_YEAR_CODES: Final = "ABCDEFGHJKLMNPRSTVWXY123456789"
_CYCLE: Final = 30
_FIRST_YEAR: Final = 1980

_SEPARATORS: Final = re.compile(r"[\s\-‐-―_.*]+")
# Letters of other alphabets that are printed like Latin ones, and what is meant by them.
_LOOK_ALIKES: Final = str.maketrans("АВЕКМНРСТУХЅЈΑΒΕΖΗΚΜΝΡΤΥΧ", "ABEKMHPCTYXSJABEZHKMNPTYX")
_CONFUSED: Final = {"I": "1", "O": "0", "Q": "0"}

# In this order first and second characters are given out to countries.
_ORDER: Final = "ABCDEFGHJKLMNPRSTUVWXYZ1234567890"
_REGIONS: Final = (
    ("AH", "Africa"),
    ("JR", "Asia"),
    ("SZ", "Europe"),
    ("15", "North America"),
    ("67", "Oceania"),
    ("89", "South America"),
)
# First character, first and last second character. From memory, not verified against ISO 3780;
# countries that build few vehicles are left out, and read as None.
_COUNTRIES: Final = (
    ("A", "AH", "South Africa"),
    ("J", "A0", "Japan"),
    ("K", "LR", "South Korea"),
    ("L", "A0", "China"),
    ("M", "AE", "India"),
    ("M", "FK", "Indonesia"),
    ("M", "LR", "Thailand"),
    ("N", "LR", "Turkey"),
    ("P", "LR", "Malaysia"),
    ("R", "FK", "Taiwan"),
    ("S", "AM", "United Kingdom"),
    ("S", "NT", "Germany"),
    ("S", "UZ", "Poland"),
    ("T", "AH", "Switzerland"),
    ("T", "JP", "Czech Republic"),
    ("T", "RV", "Hungary"),
    ("T", "W1", "Portugal"),
    ("U", "UW", "Romania"),
    ("U", "57", "Slovakia"),
    ("V", "AE", "Austria"),
    ("V", "FR", "France"),
    ("V", "SW", "Spain"),
    ("W", "A0", "Germany"),
    ("X", "LR", "Netherlands"),
    ("Y", "AE", "Belgium"),
    ("Y", "FK", "Finland"),
    ("Y", "SW", "Sweden"),
    ("Z", "AR", "Italy"),
    ("1", "A0", "United States"),
    ("2", "A5", "Canada"),
    ("3", "AW", "Mexico"),
    ("4", "A0", "United States"),
    ("5", "A0", "United States"),
    ("6", "AW", "Australia"),
    ("7", "F0", "United States"),
    ("8", "AE", "Argentina"),
    ("9", "AE", "Brazil"),
    ("9", "39", "Brazil"),
)

CheckDigit = Literal["ok", "wrong", "not_used"]


class VinError(ValueError):
    """The text can't be a VIN; the message says what to do about it."""


@dataclass(frozen=True, slots=True)
class VinReading:
    """What the characters say.

    check_digit: "wrong" only where one is required (North America); elsewhere "not_used", unless
    it happens to be right.
    expected: the check digit that the other characters ask for.
    years: possible model years, the likeliest first; empty where nothing can be said. Two where
    a VIN alone can't tell them apart, and then neither contradicts it.
    region, country: where the maker of that identifier is seated, None where not assigned here.
    maker_code: the first three characters. small_maker: fewer than 1,000 vehicles a year, the
    maker is then known only by positions 12 to 14 too.
    """

    check_digit: CheckDigit
    expected: str
    years: tuple[int, ...]
    region: str | None
    country: str | None
    maker_code: str
    small_maker: bool
    north_american: bool


def read_vin(text: str, *, today: date | None = None) -> VinReading:
    """Reads a VIN; spaces, dashes and small letters are tolerated.

    today: bounds the model years, default the day of the clock. Raises VinError with the remedy
    for a wrong length or wrong characters.
    """
    vin = tidy_vin(text)
    country = _country(vin[:2])
    # The United States give out 7F to 70 too, beside 1 to 5 that are North America's own.
    north_american = vin[0] in "12345" or (vin[0] == "7" and country == "United States")
    expected = check_digit(vin)
    verdict: CheckDigit = "wrong" if north_american else "not_used"
    if vin[CHECK_PLACE] == expected:
        verdict = "ok"
    last_year = (today or date.today()).year + YEARS_AHEAD
    return VinReading(
        check_digit=verdict,
        expected=expected,
        years=_model_years(vin, north_american, verdict, last_year),
        region="North America" if north_american else _region(vin[0]),
        country=country,
        maker_code=vin[:3],
        small_maker=vin[2] == "9",
        north_american=north_american,
    )


def check_digit(vin: str) -> str:
    """The check digit of 17 clean characters: weighted sum modulo 11, X for 10.

    Characters of equal value (1 A J; 2 B K S; ...) can be swapped without being noticed, and the
    place of the check digit itself has weight 0.
    """
    remainder = sum(_VALUES[ch] * weight for ch, weight in zip(vin, _WEIGHTS, strict=True)) % 11
    return "X" if remainder == 10 else str(remainder)


def tidy_vin(text: str) -> str:
    """The 17 clean characters of it. Raises VinError as `read_vin` does."""
    vin = _SEPARATORS.sub("", unicodedata.normalize("NFKC", text)).upper()
    vin = vin.translate(_LOOK_ALIKES)
    wrong = [ch for ch in dict.fromkeys(vin) if ch not in _VALUES]
    confused = [ch for ch in wrong if ch in _CONFUSED]
    if confused:
        swaps = ", ".join(f"{_CONFUSED[ch]} for {ch}" for ch in confused)
        raise VinError(f"A VIN has no letter I, O or Q; read it again, perhaps {swaps}.")
    if wrong:
        signs = " ".join(wrong[:5])
        raise VinError(f"A VIN has only digits and the letters A to Z; remove {signs}.")
    if len(vin) != LENGTH:
        raise VinError(_length_remedy(len(vin)))
    return vin


def _length_remedy(length: int) -> str:
    if length == 0:
        return "Give the 17 characters of the VIN, or leave it out."
    if length < LENGTH:
        return (
            f"A VIN has 17 characters, this has {length}; add what is missing. "
            "Leave the VIN out for a vehicle from before 1981 with a shorter number."
        )
    return f"A VIN has 17 characters, this has {length}; remove what is too much."


def _model_years(
    vin: str, north_american: bool, verdict: CheckDigit, last_year: int
) -> tuple[int, ...]:
    """The years that position 10 may stand for, the likeliest first.

    Position 10 repeats after 30 years. 49 CFR 565.15 lets position 7 tell the cycles apart, a
    digit for the first and a letter for the second, but only for passenger cars and for
    multipurpose vehicles and trucks of up to 10,000 lb (4,536 kg) gross weight. Buses, heavier
    trucks, trailers and motorcycles may have either there in either cycle, and no character says
    which kind of vehicle it is. So the rule orders the years and excludes none; only a year still
    to come is left out. None at all where position 10 is no year's sign.
    """
    place = _YEAR_CODES.find(vin[YEAR_PLACE])
    if place < 0:
        return ()
    first, second = _FIRST_YEAR + place, _FIRST_YEAR + place + _CYCLE
    if second > last_year:
        return (first,)
    if _follows_position_7(vin, north_american, verdict) and vin[6].isdigit():
        return first, second
    # A letter says so, or nothing does: then the newer, of which more are on the road.
    return second, first


def _follows_position_7(vin: str, north_american: bool, verdict: CheckDigit) -> bool:
    """Whether position 7 is more likely than not to tell the cycle.

    In North America makers of fewer than 1,000 vehicles a year mostly make trailers and other
    vehicles that the rule leaves out (common practice, no source), and codes that begin with 7
    came into use in the second cycle (in NHTSA's register of makers, with few exceptions).
    Elsewhere nobody is bound by the rule; but a check digit that is right, by chance only once in
    eleven, hints at a vehicle made for sale in North America.
    """
    if north_american:
        return vin[2] != "9" and vin[0] != "7"
    return verdict == "ok"


def _region(first: str) -> str | None:
    place = _ORDER.find(first)
    for (low, high), region in _REGIONS:
        if _ORDER.index(low) <= place <= _ORDER.index(high):
            return region
    return None


def _country(first_two: str) -> str | None:
    place = _ORDER.find(first_two[1])
    for first, (low, high), country in _COUNTRIES:
        if first == first_two[0] and _ORDER.index(low) <= place <= _ORDER.index(high):
            return country
    return None
