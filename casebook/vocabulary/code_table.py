"""The short descriptions of standard codes, read from `data/codes/*.csv`. Pure.

A file is a subsystem, a line is `code,description`. A description says "circuit: what is wrong
with it" in Casebook's own words; codes whose circuit reads the same are of one family. Where the
words in front of the colon don't name the circuit, a third column `circuit` does.

Most descriptions are checked against another public table (see the tests). Those it does not have
are from memory, not verified against the standard: hex-numbered P0 and P2 codes (hybrid drive,
reductant, filters), chassis and body codes, U3. Chassis codes follow the 2007 edition; where older
lists mean something else by a code, the description says so.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from casebook.vocabulary.code_form import is_code

DATA_DIR: Final = Path(__file__).parent / "data" / "codes"
_COLUMNS: Final = (["code", "description"], ["code", "description", "circuit"])


class CodeTableError(Exception):
    """The data files do not hang together; `faults` lists every place."""

    def __init__(self, faults: tuple[str, ...]) -> None:
        self.faults = faults
        super().__init__("\n".join(faults))


@dataclass(frozen=True, slots=True)
class CodeEntry:
    """A described code. subsystem: the part of the vehicle, in plain words."""

    code: str
    description: str
    circuit: str
    subsystem: str


@cache
def load_codes() -> dict[str, CodeEntry]:
    """Every code that Casebook describes, ascending; read once per process."""
    return read_codes(DATA_DIR)


def read_codes(folder: Path) -> dict[str, CodeEntry]:
    """Reads a folder of code files. Raises CodeTableError with every fault found."""
    entries: dict[str, CodeEntry] = {}
    faults: list[str] = []
    for path in sorted(folder.glob("*.csv")):
        for place, row in _rows(path, faults):
            code, description = row["code"], row["description"]
            circuit = row.get("circuit") or description.partition(":")[0]
            if not is_code(code):
                faults.append(f"{place}: {code!r} is not a code.")
            elif code in entries:
                faults.append(f"{place}: {code} is already in {entries[code].subsystem}.")
            elif not all(description.partition(": ")):
                faults.append(f'{place}: {code}: write "circuit: what is wrong with it".')
            else:
                subsystem = path.stem.replace("_", " ")
                entries[code] = CodeEntry(code, description, circuit, subsystem)
    if faults:
        raise CodeTableError(tuple(faults))
    return dict(sorted(entries.items()))


def _rows(path: Path, faults: list[str]) -> Iterator[tuple[str, dict[str, str]]]:
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.reader(file, strict=True)
        columns = next(reader, [])
        if columns not in _COLUMNS:
            faults.append(f"{path.name}: the first line must be code,description.")
            return
        for cells in reader:
            place = f"{path.name}, line {reader.line_num}"
            if len(cells) == len(columns):
                yield place, dict(zip(columns, cells, strict=True))
            else:
                faults.append(f"{place}: {len(columns)} values are wanted, not {len(cells)}.")


@cache
def circuit_families() -> dict[str, str]:
    """Circuit -> its lowest described code."""
    lowest: dict[str, str] = {}
    for code, entry in load_codes().items():
        lowest.setdefault(entry.circuit, code)
    return lowest
