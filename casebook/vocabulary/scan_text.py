"""Trouble codes out of text pasted whole from a scan tool. Pure.

    "P0741 P0218-62 pending"                    P0741 stored, P0218-62 pending
    "Pending: P0741, P0300"                     both pending
    "Permanent codes" / "P0420 catalyst ..."    a heading holds for the lines under it
    "U0100:00-28"                               the third part is a status byte: stored

A status word after a code is that code's, one in front of the line's first code is that of all
codes of the line that have none of their own. What looks like no code is passed over.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from casebook.vocabulary.code_bytes import decode_status
from casebook.vocabulary.code_form import Code, unify_signs

ScanStatus = Literal["stored", "pending", "permanent", "active", "history"]

_WORDS: Final[dict[str, ScanStatus]] = {
    "stored": "stored",
    "confirmed": "stored",
    "pending": "pending",
    "maturing": "pending",
    "permanent": "permanent",
    "active": "active",
    "current": "active",
    "present": "active",
    "history": "history",
    "historic": "history",
    "historical": "history",
    "past": "history",
    "passive": "history",
    "sporadic": "history",
    "intermittent": "history",
}
# These also stand in descriptions ("circuit current too high", "clutch intermittent"): a status
# only in a heading, or alone between code, commas and dashes.
_DOUBLE_MEANING: Final = frozenset(
    ("current", "present", "past", "active", "sporadic", "intermittent")
)
_NOTHING_FOUND: Final = re.compile(r"\b(?:no|none|not|0|without)\b", re.IGNORECASE)
_WORD: Final = re.compile(r"[A-Za-z]+")
_CODE: Final = re.compile(
    r"(?<![0-9A-Z])"
    r"([PCBU][0-3O][0-9A-FO]{3})"
    r"(?:[-:/]?([0-9A-F]{2})(?:[-:/]([0-9A-F]{2}))?|\s?\(([0-9A-F]{2})\))?"
    r"(?![0-9A-Z])"
)
# Between these stands what belongs together; a colon parts a circuit from its fault, no more.
_PARTING: Final = re.compile(r"[-–—;,|()\[\]/\t]|\s{2,}")
_SPEAKS_OF_STATUS: Final = frozenset(("status", "code", "fault", "dtc"))
# Of a code that is listed more than once, the one that says most is kept.
_RANKS: Final[tuple[ScanStatus, ...]] = ("active", "permanent", "stored", "pending", "history")


@dataclass(frozen=True, slots=True)
class ScannedCode:
    code: str
    failure_type: str | None
    status: ScanStatus


def parse_scanner_text(text: str) -> list[ScannedCode]:
    """The codes of the text in order of appearance, each once per failure type.

    A code without any word of status counts as stored. Of several statuses of one code (a tool
    lists it as pending and again as permanent) the one that says most is kept.
    """
    found: dict[Code, ScanStatus] = {}
    heading: ScanStatus | None = None
    for written in text.splitlines():
        # Unified signs may be more or fewer: positions are those of the unified line.
        line = unify_signs(written)
        codes = [match for match in _CODE.finditer(line) if _is_meant(match[1])]
        if not codes:
            heading = _heading(line, heading)
            continue
        for code, status in _read_line(line, codes, heading):
            earlier = found.get(code)
            if earlier is None or _RANKS.index(status) < _RANKS.index(earlier):
                found[code] = status
    return [ScannedCode(code.code, code.failure_type, status) for code, status in found.items()]


def _heading(line: str, before: ScanStatus | None) -> ScanStatus | None:
    """The status that a line without codes announces for those under it."""
    statuses = [_WORDS[word] for word in _words(line) if word in _WORDS]
    if not statuses or len(_words(line)) > 8:
        return before
    # "No pending codes" ends what was before and announces nothing.
    return None if _NOTHING_FOUND.search(line) else statuses[0]


def _read_line(
    line: str, codes: list[re.Match[str]], heading: ScanStatus | None
) -> Iterator[tuple[Code, ScanStatus]]:
    lead = [_WORDS[word] for word in _words(line[: codes[0].start()]) if word in _WORDS]
    of_the_line = lead[-1] if lead else heading
    ends = [match.start() for match in codes[1:]] + [len(line)]
    for match, end in zip(codes, ends, strict=True):
        code = Code(match[1][0] + match[1][1:].replace("O", "0"), match[2] or match[4])
        own = _status_byte(match[3]) or _status_behind(line[match.end() : end])
        yield code, own or of_the_line or "stored"


def _is_meant(code: str) -> bool:
    """The letter O counts as zero if there are at least two digits: "PO741", but not "coded"."""
    return "O" not in code or sum(sign.isdigit() for sign in code) >= 2


def _status_behind(text: str) -> ScanStatus | None:
    for part in _PARTING.split(text):
        words = [word for word in _words(part) if word not in _SPEAKS_OF_STATUS]
        for word in words:
            if word in _WORDS and (len(words) == 1 or word not in _DOUBLE_MEANING):
                return _WORDS[word]
    return None


def _status_byte(byte: str | None) -> ScanStatus | None:
    if byte is None:
        return None
    status = decode_status(int(byte, 16))
    if status.test_failed:
        return "active"
    if status.confirmed:
        return "stored"
    return "pending" if status.pending else "history"


def _words(text: str) -> list[str]:
    return [word.casefold() for word in _WORD.findall(text)]
