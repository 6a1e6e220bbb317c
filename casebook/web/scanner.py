"""Trouble codes out of a text field: what was read, with its module, and what to ask about. Pure.

The vocabulary reads the codes. A field adds two things: what looks like a code and is none is
asked about, never dropped; and a module in brackets goes with the codes behind it, so that stored
codes can be shown as text and read back alike:

    [HVAC] P0534 pending
    [TCM] P0741
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from casebook.vocabulary.codes import CodeError, parse_code
from casebook.vocabulary.scan_text import parse_scanner_text

_MODULE = re.compile(r"\[([^\]\n]{1,40})\]")
_TOKEN = re.compile(r"[^\s,;|()\[\]]+")
# Surely meant as a code: its letter, a digit, and more of the kind.
_LIKE_A_CODE = re.compile(r"[PCBU][0-9O][0-9A-Z]{2,5}(?:[-/][0-9A-Z]{1,3})?", re.IGNORECASE)
_STATUS_NOT_KNOWN = "unknown"


@dataclass
class ScannerText:
    """codes: [{"code", "status", "module"?}] as the case resource wants them; doubts: a sentence
    for each thing that looks like a code and is none."""

    codes: list[dict[str, str]] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)


def read_scanner_text(text: str) -> ScannerText:
    found = ScannerText()
    for module, part in _parts(text):
        for scanned in parse_scanner_text(part):
            code = scanned.code
            if scanned.failure_type:
                code += f"-{scanned.failure_type}"
            status: str = scanned.status
            if re.search(rf"{code}\s+{_STATUS_NOT_KNOWN}\b", part, re.IGNORECASE):
                status = _STATUS_NOT_KNOWN
            found.codes.append({"code": code, "status": status})
            if module:
                found.codes[-1]["module"] = module
    found.doubts = list(dict.fromkeys(_doubts(text)))
    return found


def _parts(text: str) -> Iterator[tuple[str, str]]:
    """(module, text that belongs to it); what stands before the first module has none."""
    marks = list(_MODULE.finditer(text))
    yield "", text[: marks[0].start()] if marks else text
    for i, mark in enumerate(marks):
        end = marks[i + 1].start() if i + 1 < len(marks) else len(text)
        yield mark[1].strip(), text[mark.end() : end]


def _doubts(text: str) -> Iterator[str]:
    for token in _TOKEN.findall(_MODULE.sub(" ", text)):
        bare = token.strip(".:-–—*#'\"")
        if not _LIKE_A_CODE.fullmatch(bare) or sum(c.isdigit() for c in bare) < 2:
            continue
        if parse_scanner_text(bare) and not re.search(r"[-/][0-9A-Z]$", bare, re.IGNORECASE):
            continue
        try:
            parse_code(bare)
        except CodeError as error:
            yield str(error)


def write_scanner_text(codes: Iterable[Mapping[str, Any]]) -> str:
    """The same codes as text that reads back alike; one to a line where a module is named."""
    written = []
    for code in codes:
        status = code.get("status") or "stored"
        parts = [f"[{code['module']}]"] if code.get("module") else []
        parts.append(str(code["code"]))
        parts += [status] if status != "stored" else []
        written.append(" ".join(parts))
    modular = any("[" in line for line in written)
    # A code without a module comes first: behind a bracket it would be taken into that module.
    written.sort(key=lambda line: line.startswith("["))
    return ("\n" if modular else " ").join(written)
