"""A table of outcomes as a file with its dictionary. Pure.

CSV as RFC 4180 has it, in UTF-8: one line per group and level; a group that is withheld has one
line. The description beside it is a Frictionless data package: what each column means, the query,
the state of the pool and the method, so that the same export can be made again.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

CSV_NAME: Final = "statistics.csv"
DESCRIPTION_NAME: Final = "datapackage.json"


@dataclass(frozen=True)
class Column:
    """One column: its name, its type in Table Schema, and what it says."""

    name: str
    type: str
    meaning: str

    def as_field(self) -> dict[str, str]:
        return {"name": self.name, "type": self.type, "description": self.meaning}


GROUP_COLUMNS: Final = {
    column.name: column
    for column in (
        Column("unit_kind", "string", "Kind of the unit in question, a key of the vocabulary."),
        Column("unit_family", "string", "The maker's family of the unit, normalised."),
        Column("make", "string", "Make of the vehicle."),
        Column("model", "string", "Model of the vehicle."),
        Column("year", "integer", "Model year."),
        Column("code", "string", "Trouble code read at intake."),
        Column("code_family", "string", "Lowest code of the circuit that the code belongs to."),
        Column("symptom", "string", "Symptom at intake, a key of the vocabulary."),
        Column("check_result", "string", "Check made at intake and its result, as check:result."),
        Column("odometer_band", "string", "Band of the odometer at intake."),
        Column("opened_quarter", "string", "Calendar quarter in which the case was opened."),
        Column("level", "string", "Level of the first attempt; empty: nothing was tried yet."),
        Column("action", "string", "Something done in the case, a key of the vocabulary."),
    )
}
_OF_GROUP: Final = (
    Column("cases", "integer", "Cases in the group."),
    Column("shops", "integer", "Shops that these cases come from."),
    Column(
        "suppressed",
        "boolean",
        "Whether the group's numbers are withheld: fewer than 5 cases or 3 shops, one shop with "
        "more than half, or needed to work out a group that is.",
    ),
)
_OF_LEVEL: Final = (
    Column("repair_level", "string", "Level of repair that the rest of the line is about."),
    Column("tried", "integer", "Cases in which this level was tried first."),
    Column("held", "integer", "Of those: known not to have come back by the horizon."),
    Column("came_back", "integer", "Of those: came back or needed more by the horizon; not fixed "
           "counts as come back on day 0."),
    Column("gone", "integer", "Of those: vehicle sold or scrapped by the horizon, before any."),
    Column("not_known", "integer", "Of those: last seen holding before the horizon."),
    Column("effective_cases", "number", "Independent cases that these are worth, as cases of one "
           "shop resemble one another."),
    Column("holds", "number", "Probability that the repair has not come back by the horizon."),
    Column("interval_low", "number", "Low end of the interval of `holds`."),
    Column("interval_high", "number", "High end of the interval of `holds`."),
    Column("prior_share", "number", "How much of `holds` comes from the other groups."),
    Column("share_resolved_by", "number", "Of the group's cases whose end is known: the share that "
           "this level resolved."),
    Column("median_cost", "string", "Median cost of these cases in all, parts and labour."),
    Column("currency", "string", "Currency of the cost, ISO 4217."),
    Column("level_suppressed", "boolean", "Whether this level's numbers are withheld."),
)  # fmt: skip


def columns_of(dimensions: Sequence[str]) -> list[Column]:
    """In the order of the file. Raises KeyError on an unknown dimension."""
    return [*(GROUP_COLUMNS[name] for name in dimensions), *_OF_GROUP, *_OF_LEVEL]


def lines_of(answer: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Statistics as flat lines, column name -> value."""
    for row in answer["rows"]:
        group = {name: row[name] for name in answer["dimensions"]}
        group |= {name: row[name] for name in ("cases", "shops", "suppressed")}
        for level in row["levels"] or [{}]:
            told = dict(level)
            yield group | {
                "repair_level": told.pop("level", None),
                "level_suppressed": told.pop("suppressed", row["suppressed"]),
                **told,
            }


def write_csv(
    columns: Sequence[Column], lines: Iterable[Mapping[str, Any]], file: io.TextIOBase
) -> int:
    """Writes header and lines to a text file opened with newline=""; returns how many lines."""
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow([column.name for column in columns])
    count = 0
    for line in lines:
        writer.writerow([_cell(line.get(column.name)) for column in columns])
        count += 1
    return count


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _harmless(value)
    return repr(value)


def _harmless(text: str) -> str:
    """Text that a spreadsheet would take for a formula gets an apostrophe before it."""
    formula = text.lstrip()[:1] in {"=", "+", "-", "@"} or text[:1] in {"\t", "\r", "\n"}
    return f"'{text}" if formula else text


def describe_file(
    answer: Mapping[str, Any], *, name: str, content_hash: str, size_bytes: int, lines: int
) -> dict[str, Any]:
    """The data package of one written file."""
    query = {key: answer[key] for key in ("group_by", "filters", "horizon_days")}
    how = {key: answer[key] for key in ("coverage", "method_version", "as_of", "snapshot")}
    return {
        "name": "casebook-statistics",
        "title": "Outcomes of pooled repair cases",
        "created": answer["as_of"],
        "resources": [
            {
                "name": "statistics",
                "path": name,
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "dialect": {"delimiter": ",", "lineTerminator": "\r\n", "header": True},
                "bytes": size_bytes,
                "hash": f"sha256:{content_hash}",
                "rows": lines,
                "schema": {
                    "fields": [column.as_field() for column in columns_of(answer["dimensions"])],
                    "missingValues": [""],
                },
            }
        ],
        "casebook": {"query": query, **how, "caveats": list(answer["caveats"])},
    }


def hash_file(path: Any) -> str:
    """SHA-256 of a file, hexadecimal."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
