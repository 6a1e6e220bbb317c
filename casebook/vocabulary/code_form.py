"""How a trouble code is written, and how to read what people and scan tools write. Pure."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Final

_LETTERS: Final = "PCBU"
_SHAPE: Final = re.compile(r"[PCBU][0-3][0-9A-F]{3}")
# "P0741", "DTC P0741", "P0741-62", "P0741 62", "P0741:62", "P0741 (62)", "P074162"
_WRITTEN: Final = re.compile(
    r"(?:DTC[\s:]*)?([PCBU]\s*[0-3][0-9A-F]{3})(?:\s*[-:/.\s]?\s*\(?([0-9A-F]{2})\)?)?"
)
# Letters of the Cyrillic and Greek alphabets that are printed like the Latin ones of a code.
_LOOK_ALIKES: Final = str.maketrans("АВСЕРОЗІΑΒΕΡΟΙ", "ABCEPO3IABEPOI")
_DASHES: Final = str.maketrans(dict.fromkeys("‐‑‒–—―−_", "-"))
# Letters that are read or typed for a digit where only hex digits can stand.
_FOR_DIGITS: Final = str.maketrans("OQILSZG", "0011526")


class CodeError(ValueError):
    """Not a trouble code; the message says how to put it right."""


@dataclass(frozen=True, slots=True)
class Code:
    """code: "P0741"; failure_type: two hex digits, None where none was given.

    Raises ValueError for anything else: a Code that exists is well formed.
    """

    code: str
    failure_type: str | None = None

    def __post_init__(self) -> None:
        if not is_code(self.code):
            raise ValueError(f"{self.code!r} is not a trouble code.")
        if self.failure_type is not None and not re.fullmatch("[0-9A-F]{2}", self.failure_type):
            raise ValueError(f"{self.failure_type!r} is not a failure type.")

    def __str__(self) -> str:
        return f"{self.code}-{self.failure_type}" if self.failure_type else self.code


def is_code(text: str) -> bool:
    """Whether the text is a code exactly as the standard prints it, without a failure type."""
    return _SHAPE.fullmatch(text) is not None


def parse_code(text: str) -> Code:
    """Reads one code. Small letters, spaces and look-alike letters are put right.

    Raises CodeError with the remedy, naming the code that was probably meant.
    """
    tidy = _tidy(text)
    match = _WRITTEN.fullmatch(tidy)
    if match is None:
        raise CodeError(_remedy(text, tidy))
    return _code_of(match)


def _code_of(match: re.Match[str]) -> Code:
    return Code("".join(match[1].split()), match[2])


def unify_signs(text: str) -> str:
    """Capital letters; full-width signs, foreign look-alikes and dashes as the plain ones."""
    upper = unicodedata.normalize("NFKC", text).upper()
    return upper.translate(_LOOK_ALIKES).translate(_DASHES)


def _tidy(text: str) -> str:
    return unify_signs(text).strip(" \t\r\n.,;*#$'\"")


def _remedy(text: str, tidy: str) -> str:
    said = repr(" ".join(text.split())[:20])
    if not tidy:
        return "Give a trouble code, for example P0741 or P0741-62."
    mended = _mend(tidy)
    if mended:
        return f"{said} is no trouble code. Did you mean {mended}?"
    bare = re.split(r"[-:/.\s]", tidy)[0]
    if bare[:1] not in tuple(_LETTERS):
        rule = "it begins with P (powertrain), C (chassis), B (body) or U (network)"
    elif len(bare) > 1 and bare[1] not in "0123":
        rule = f"after {bare[0]} comes 0, 1, 2 or 3"
    elif len(bare) < 5:
        rule = f"after {bare[0]} come four digits"
    elif len(bare) > 7 or len(bare) == 6:
        rule = "it has a letter and four digits, then perhaps a dash and a two-digit failure type"
    elif not re.fullmatch("[0-9A-F]+", bare[1:]):
        rule = "its digits are 0 to 9 and A to F"
    else:
        rule = "a failure type is two digits, 0 to 9 and A to F"
    return f"{said} is no trouble code: {rule}. Write it as P0741 or P0741-62."


def _mend(tidy: str) -> str | None:
    """The code that was probably meant, None where nothing is near enough."""
    bare = re.sub("[^0-9A-Z]", "", tidy.removeprefix("0X"))
    swapped = bare.translate(_FOR_DIGITS)
    candidates = [tidy[:1] + tidy[1:].translate(_FOR_DIGITS), bare[:1] + swapped[1:], "P" + swapped]
    if len(bare) == 6 and bare[-1] in (bare[-2], "O"):
        # The last digit typed twice, or a letter O behind it.
        candidates.append(bare[:1] + swapped[1:5])
    if len(bare) == 4 and bare[0] in _LETTERS:
        # The leading zero left out: P741.
        candidates.append(f"{bare[0]}0{swapped[1:]}")
    for candidate in candidates:
        if match := _WRITTEN.fullmatch(candidate):
            return str(_code_of(match))
    return None
