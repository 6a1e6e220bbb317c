"""Trouble codes as SAE J2012 / ISO 15031-6 print them: structure, kinship, descriptions. Pure.

    P0741       P powertrain, C chassis, B body, U network
    │││└┴─      two hex digits: which fault
    ││└──       hex digit: the group; a hint only (P0218, fluid too hot, is no fuel fault)
    │└───       0 to 3: standard or the maker's own
    P0741-62    with the failure type byte of SAE J2012-DA

The standards' text was not seen; facts were checked against independent public sources.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
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
from casebook.vocabulary.code_table import CodeEntry, load_codes

__all__ = [
    "FAILURE_TYPES",
    "Code",
    "CodeError",
    "CodeInfo",
    "Status",
    "circuit_family",
    "decode_bytes",
    "decode_status",
    "describe_code",
    "encode_code",
    "name_failure_type",
    "parse_code",
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
    "5": "speed, idle and inputs",
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
    """What a code (a failure type is ignored) says by its structure and description.

    Raises CodeError.
    """
    base = parse_code(code).code
    entry = load_codes().get(base)
    return CodeInfo(
        code=base,
        system=_SYSTEMS[base[0]],
        scope=_scope_of(base, entry),
        subsystem=subsystem_of(base),
        family=circuit_family(base),
        description=entry.description if entry else None,
    )


def _scope_of(base: str, entry: CodeEntry | None) -> Scope:
    if base[0] == "P" and base[1] == "3":
        return "maker" if base < "P3400" else "generic"
    if base[1] == "3":
        # Some network codes of this block are in standard use; the rest is held back.
        return "generic" if entry else "reserved"
    standard = "02" if base[0] == "P" else "0"
    return "generic" if base[1] in standard else "maker"


def subsystem_of(code: str) -> str:
    """What part of the vehicle a code is about. Raises CodeError."""
    base = parse_code(code).code
    entry = load_codes().get(base)
    if entry:
        return entry.subsystem
    return _GROUPS[base[2]] if base[0] == "P" else _SYSTEMS[base[0]]


def circuit_family(code: str) -> str:
    """The lowest code of the same circuit: P0740 for P0740 to P0744.

    Codes say low, high, out of range, intermittent of one circuit; those are near relations of
    one fault. Failure types never part a family. Raises CodeError.
    """
    base = parse_code(code).code
    entry = load_codes().get(base)
    return _families()[entry.circuit] if entry else base


@cache
def _families() -> dict[str, str]:
    lowest: dict[str, str] = {}
    for code, entry in load_codes().items():
        lowest[entry.circuit] = min(code, lowest.get(entry.circuit, code))
    return lowest


_WORD: Final = re.compile(r"[a-z0-9]+")


def search_codes(q: str, limit: int = 20) -> list[CodeInfo]:
    """Described codes that begin with `q`, or whose description has all its words, by code.

    The last word may be the beginning of one.
    """
    prefix = "".join(q.split()).upper()
    words = _WORD.findall(q.casefold())
    if limit < 1 or not words:
        return []
    by_code = [code for code in sorted(load_codes()) if code.startswith(prefix)]
    by_words = [code for code in sorted(load_codes()) if _has_words(load_codes()[code], words)]
    found = list(dict.fromkeys([*by_code, *by_words]))
    return [describe_code(code) for code in found[:limit]]


def _has_words(entry: CodeEntry, words: list[str]) -> bool:
    said = _WORD.findall(f"{entry.description} {entry.subsystem}".casefold())
    return all(word in said for word in words[:-1]) and any(
        word.startswith(words[-1]) for word in said
    )
