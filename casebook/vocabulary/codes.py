"""Stand-in until the full module is written: shape of a code only."""

from __future__ import annotations

import re
from dataclasses import dataclass

_FORM = re.compile(r"([PCBU][0-3][0-9A-F]{3})(?:[-\s:]?([0-9A-F]{2}))?")


class CodeError(ValueError):
    """Not a trouble code."""


@dataclass(frozen=True)
class Code:
    code: str
    failure_type: str | None


def parse_code(text: str) -> Code:
    match = _FORM.fullmatch(text.strip().upper())
    if match is None:
        raise CodeError(f"{text[:20]!r} is no trouble code; write it as P0741 or P0741-62.")
    return Code(match[1], match[2])
