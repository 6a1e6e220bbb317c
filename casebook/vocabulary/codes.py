"""Trouble codes as SAE J2012 / ISO 15031-6 print them: structure, kinship, descriptions. Pure.

    P0741       P powertrain, C chassis, B body, U network
    │││└┴─      two hex digits: which fault
    ││└──       hex digit: the group; a hint only (P0218, fluid too hot, is no fuel fault)
    │└───       0 to 3: standard or the maker's own
    P0741-62    with the failure type byte of SAE J2012-DA

The standards' text was not seen; facts were checked against independent public sources.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from casebook.vocabulary.code_bytes import (
    FAILURE_TYPES,
    Status,
    decode_bytes,
    decode_status,
    encode_code,
    name_failure_type,
)
from casebook.vocabulary.code_form import Code, CodeError, parse_code
from casebook.vocabulary.code_search import find_codes
from casebook.vocabulary.code_table import CodeEntry, circuit_families, load_codes
from casebook.vocabulary.scan_text import ScannedCode, parse_scanner_text

__all__ = [
    "FAILURE_TYPES",
    "Code",
    "CodeError",
    "CodeInfo",
    "ScannedCode",
    "Status",
    "circuit_family",
    "decode_bytes",
    "decode_status",
    "describe_code",
    "encode_code",
    "name_failure_type",
    "parse_code",
    "parse_scanner_text",
    "search_codes",
    "subsystem_of",
]

System = Literal["powertrain", "chassis", "body", "network"]
Scope = Literal["generic", "maker", "reserved"]

_SYSTEMS: Final[dict[str, System]] = {
    "P": "powertrain",
    "C": "chassis",
    "B": "body",
    "U": "network",
}
# The third character of a powertrain code. 0 to 8: several published tables; 9 and A to F: from
# memory, not verified.
_GROUPS: Final = {
    **dict.fromkeys("012", "fuel and air"),
    "3": "ignition",
    "4": "emission control",
    "5": "speed and inputs",
    "6": "computer and outputs",
    **dict.fromkeys("789", "transmission"),
    **dict.fromkeys("ABCDEF", "hybrid drive"),
}


@dataclass(frozen=True, slots=True)
class CodeInfo:
    """scope: "generic" (standard), "maker" (the maker's own meaning), "reserved".

    subsystem: by the description where there is one, else by the group, which is a hint only.
    family: the lowest code of the same circuit; the code itself where no kin is known.
    """

    code: str
    system: System
    scope: Scope
    subsystem: str
    family: str
    description: str | None


def describe_code(code: str) -> CodeInfo:
    """What a code (a failure type is passed over) says by its structure and description.

    Raises CodeError.
    """
    base = parse_code(code).code
    entry = load_codes().get(base)
    return CodeInfo(
        code=base,
        system=_SYSTEMS[base[0]],
        scope=_scope_of(base, entry),
        subsystem=_subsystem_of(base, entry),
        family=circuit_families()[entry.circuit] if entry else base,
        description=entry.description if entry else None,
    )


def _scope_of(base: str, entry: CodeEntry | None) -> Scope:
    if base[0] == "P" and base[1] == "3":
        return "maker" if base < "P3400" else "generic"
    if base[1] == "3":
        # Some network codes of this block are in standard use (from memory, not verified); what
        # is not described here is held back.
        return "generic" if entry else "reserved"
    standard = "02" if base[0] == "P" else "0"
    return "generic" if base[1] in standard else "maker"


def _subsystem_of(base: str, entry: CodeEntry | None) -> str:
    if entry:
        return entry.subsystem
    if base[0] != "P":
        return _SYSTEMS[base[0]]
    # P2A to P2F go on with fuel and air; hybrid drive has P0A to P0F (from memory, not verified).
    if base[1] == "2" and base[2] in "ABCDEF":
        return "fuel and air"
    return _GROUPS[base[2]]


def subsystem_of(code: str) -> str:
    """What part of the vehicle a code is about. Raises CodeError."""
    return describe_code(code).subsystem


def circuit_family(code: str) -> str:
    """The lowest code of the same circuit: P0740 for P0740 to P0744.

    Low, high, out of range and intermittent of one circuit are near relations of one fault. The
    failure type does not part them. A maker's own code has no kin. Raises CodeError.
    """
    return describe_code(code).family


def search_codes(q: str, limit: int = 20) -> list[CodeInfo]:
    """Codes that begin with `q`, then those whose description has all its words.

    Words may be workshop shorthand ("TCC", "alternator") or beginnings of words.
    """
    return [describe_code(code) for code in find_codes(q)[: max(0, limit)]]
