"""Trouble codes out of text pasted whole from a scanner, or typed as one says them. Pure.

    "P0741 P0218-62 pending"                P0741 stored, P0218-62 pending
    "Pending: P0741, P0300"                 both pending
    "[HVAC] P0534 - refrigerant charge"     P0534 from module HVAC; the description is left out

A status word right after a code is that code's; one in front, ended by a colon or standing at the
start of a line, is that of all codes that follow until the next such word or the end of the line
(after a bare heading, until the next heading).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

_STATUS_WORDS = {
    "stored": "stored",
    "confirmed": "stored",
    "current": "active",
    "active": "active",
    "present": "active",
    "pending": "pending",
    "permanent": "permanent",
    "history": "history",
    "historic": "history",
    "past": "history",
    "sporadic": "history",
    "intermittent": "history",
    "unknown": "unknown",
}
# These also stand in descriptions ("high current"): a status only right behind the code, or as a
# heading with its colon.
_DOUBLE_MEANING = {"current", "present", "past", "active", "sporadic", "intermittent", "unknown"}
_CODE = re.compile(r"[PCBU][0-9O][0-9A-FO]{3}(?:[-:][0-9A-F]{2})?(?![0-9A-Z])", re.IGNORECASE)
# Something that was surely meant as a code, though it is none: asked about, never dropped.
_ALMOST = re.compile(r"[PCBU][0-9O][0-9A-Z]{2,5}(?:[-:][0-9A-Z]{1,3})?(?![0-9A-Z])", re.IGNORECASE)
_TOKEN = re.compile(r"\[[^\]\n]{1,40}\]|[^\s,;|()\[\]]+")


@dataclass
class ScannerText:
    """codes: [{"code", "status", "module"}] as the case resource wants them; doubts: what looks
    like a code and is none."""

    codes: list[dict[str, str]] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)


def read_scanner_text(text: str) -> ScannerText:
    found = ScannerText()
    heading = ""
    for line in text.splitlines():
        heading = _read_line(line, heading, found)
    found.codes = _without_repeats(found.codes)
    found.doubts = list(dict.fromkeys(found.doubts))
    return found


def _read_line(line: str, heading: str, found: ScannerText) -> str:
    """Reads one line; returns the heading that goes on to the next."""
    status, module, after_code, adjacent, any_code = heading, "", False, False, False
    for match in _TOKEN.finditer(line):
        token = match[0]
        if token.startswith("["):
            module = token[1:-1].strip()
            continue
        bare = token.strip(".:-–—*#'\"")
        if not bare:
            continue
        if _is_status(token, bare.lower(), adjacent):
            if after_code and not token.endswith(":"):
                found.codes[-1]["status"] = _STATUS_WORDS[bare.lower()]
            else:
                status = _STATUS_WORDS[bare.lower()]
            after_code = adjacent = False
            continue
        adjacent = False
        if _CODE.fullmatch(bare):
            code = {"code": _tidy(bare)}
            if status:
                code["status"] = status
            if module:
                code["module"] = module
            found.codes.append(code)
            after_code = adjacent = any_code = True
        elif _ALMOST.fullmatch(bare) and sum(c.isdigit() for c in bare) >= 2:
            found.doubts.append(bare)
            after_code = False
    # A line of its own ("Pending codes:") is a heading for what stands under it.
    return heading if any_code else status


def _is_status(token: str, word: str, adjacent: bool) -> bool:
    if word not in _STATUS_WORDS:
        return False
    return word not in _DOUBLE_MEANING or adjacent or token.endswith(":")


def _tidy(text: str) -> str:
    """Capital letters, a zero where the letter O was typed, a dash before the failure type."""
    text = text.upper().replace(":", "-")
    return text[0] + text[1:5].replace("O", "0") + text[5:]


def _without_repeats(codes: Iterable[dict[str, str]]) -> list[dict[str, str]]:
    kept: dict[tuple[str, str], dict[str, str]] = {}
    for code in codes:
        kept.setdefault((code["code"], code.get("module", "")), code)
    return list(kept.values())


def write_scanner_text(codes: Iterable[Mapping[str, Any]]) -> str:
    """The same codes as text that reads back alike; one to a line where a module is named."""
    written = []
    for code in codes:
        status = code.get("status") or "stored"
        parts = [f"[{code['module']}]"] if code.get("module") else []
        parts.append(str(code["code"]))
        parts += [status] if status in _STATUS_WORDS.values() and status != "stored" else []
        written.append(" ".join(parts))
    modular = any(code.get("module") for code in codes)
    return ("\n" if modular else " ").join(written)
