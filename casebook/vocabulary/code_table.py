"""The short descriptions of standard codes, read from `data/codes/*.csv`. Pure.

A file is a subsystem; a line is `code,description`. A description is "circuit: what is wrong
with it", in own words; codes whose circuit reads the same are of one family.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

DATA_DIR: Final = Path(__file__).parent / "data" / "codes"


@dataclass(frozen=True, slots=True)
class CodeEntry:
    code: str
    description: str
    circuit: str
    subsystem: str


@cache
def load_codes() -> dict[str, CodeEntry]:
    """Every described code. Raises ValueError naming file and line of a fault."""
    return read_codes(DATA_DIR)


def read_codes(folder: Path) -> dict[str, CodeEntry]:
    entries: dict[str, CodeEntry] = {}
    for path in sorted(folder.glob("*.csv")):
        subsystem = path.stem.replace("_", " ")
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                code, description = row["code"], row["description"]
                if code in entries:
                    raise ValueError(f"{path.name}: {code} is described twice.")
                circuit = row.get("circuit") or description.partition(":")[0]
                entries[code] = CodeEntry(code, description, circuit, subsystem)
    return entries
