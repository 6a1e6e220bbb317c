"""Lines of an import file as raw cases. Pure; the same validator as the API reads them after.

NDJSON: one case a line, in the API's form. CSV: a header line with the columns below; lists are
written in one field. Dates are YYYY-MM-DD.

    codes        P0741 P0218-62
    symptoms     slip shudder@warm+load       (conditions after @, joined by +)
    findings     fluid_colour=dark; line_pressure=310 kPa
    attempts     attempt_* columns hold the one attempt, follow_up_* the one follow-up
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator
from typing import Any

from casebook.errors import FieldError, InvalidDocument

CSV_COLUMNS = (
    "shop_reference complaint_no opened_on vin year make model engine drive odometer "
    "odometer_unit unit_kind unit_family complaint notes codes symptoms findings "
    "attempt_on attempt_level attempt_actions attempt_parts_cost attempt_labour_hours "
    "attempt_labour_cost attempt_currency attempt_result cause cause_confirmed "
    "follow_up_on follow_up_state follow_up_odometer"
).split()

MAX_LINE = 200_000  # characters


def read_ndjson(lines: Iterable[str]) -> Iterator[tuple[int, object]]:
    """(line number, raw case or InvalidDocument). Empty lines are passed over."""
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        if len(line) > MAX_LINE:
            yield number, _broken(f"The line is longer than {MAX_LINE} characters.")
            continue
        try:
            yield number, json.loads(line, parse_constant=_refuse_constant)
        except RecursionError:
            yield number, _broken("This line is nested too deeply.")
        except ValueError as error:
            yield number, _broken(f"This line is not JSON: {error}.")


def _refuse_constant(name: str) -> object:
    raise ValueError(f"{name} is not a number")


def _broken(detail: str) -> InvalidDocument:
    return InvalidDocument([FieldError("", detail)])


def read_csv(lines: Iterable[str]) -> Iterator[tuple[int, object]]:
    """(line number, raw case or InvalidDocument). Raises InvalidDocument for a wrong header."""
    lines = iter(lines)
    header = next(lines, "").removeprefix("\ufeff")
    delimiter = ";" if header.count(";") > header.count(",") else ","
    columns = next(csv.reader(io.StringIO(header), delimiter=delimiter), [])
    columns = [column.strip() for column in columns]
    unknown = [column for column in columns if column not in CSV_COLUMNS]
    missing = [column for column in ("year", "make", "unit_kind") if column not in columns]
    if unknown or missing:
        raise InvalidDocument(
            [FieldError(f"/{name}", "There is no such column.") for name in unknown]
            + [FieldError(f"/{name}", "This column is required.") for name in missing]
        )
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            yield reader.line_num + 1, _broken(f"This line is not CSV: {error}.")
            continue
        if not any(field.strip() for field in row):
            continue
        number = reader.line_num + 1
        if len(row) != len(columns):
            yield number, _broken(f"{len(row)} fields where the header has {len(columns)}.")
            continue
        try:
            yield number, row_to_case(dict(zip(columns, map(str.strip, row), strict=True)))
        except InvalidDocument as error:
            yield number, error


def row_to_case(row: dict[str, str]) -> dict[str, Any]:
    """One CSV row in the API's form; empty fields are left out. Raises InvalidDocument."""
    errors: list[FieldError] = []

    def number(name: str) -> int | float | None:
        text = row.get(name, "")
        if not text:
            return None
        try:
            return int(text) if text.isascii() and text.lstrip("+-").isdigit() else float(text)
        except ValueError:
            errors.append(FieldError(f"/{name}", "Give a number with a decimal point."))
            return None

    case: dict[str, Any] = {
        name: row[name]
        for name in ("shop_reference", "opened_on", "complaint", "notes")
        if row.get(name)
    }
    if row.get("complaint_no"):
        case["complaint_no"] = number("complaint_no")
    vehicle: dict[str, Any] = {
        name: row[name] for name in ("vin", "make", "model", "engine", "drive") if row.get(name)
    }
    if row.get("year"):
        vehicle["year"] = number("year")
    if row.get("odometer"):
        unit = row.get("odometer_unit") or "km"
        vehicle["odometer"] = {"value": number("odometer"), "unit": unit}
    case["vehicle"] = vehicle
    case["unit"] = {"kind": row.get("unit_kind", ""), "family": row.get("unit_family", "")}
    case["codes"] = row.get("codes", "").replace(",", " ").split()
    case["symptoms"] = [_symptom(word) for word in row.get("symptoms", "").split()]
    case["findings"] = _findings(row.get("findings", ""), errors)
    if row.get("attempt_level") or row.get("attempt_on"):
        case["attempts"] = [_attempt(row, number)]
    if row.get("cause"):
        confirmed = row.get("cause_confirmed", "").lower() in ("yes", "true", "1")
        case["cause"] = {"text": row["cause"], "confirmed": confirmed}
    if row.get("follow_up_state") or row.get("follow_up_on"):
        case["follow_ups"] = [_follow_up(row, number)]
    if errors:
        raise InvalidDocument(errors)
    return case


def _symptom(word: str) -> dict[str, Any]:
    key, _, conditions = word.partition("@")
    return {"symptom": key, "when": [c for c in conditions.split("+") if c]}


def _findings(text: str, errors: list[FieldError]) -> list[dict[str, Any]]:
    found = []
    for part in filter(None, (piece.strip() for piece in text.split(";"))):
        check, equals, rest = (piece.strip() for piece in part.partition("="))
        if not equals or not rest:
            errors.append(FieldError("/findings", f"Write {part[:40]!r} as check=result."))
            continue
        value, _, unit = rest.partition(" ")
        try:
            found.append({"check": check, "value": float(value), "unit": unit.strip() or None})
        except ValueError:
            found.append({"check": check, "result": rest})
    return found


def _attempt(row: dict[str, str], number: Any) -> dict[str, Any]:
    attempt: dict[str, Any] = {
        "on": row.get("attempt_on", ""),
        "level": row.get("attempt_level", ""),
        "actions": row.get("attempt_actions", "").replace(",", " ").split(),
        "result": row.get("attempt_result") or "unknown",
    }
    for name in ("parts_cost", "labour_cost", "currency"):
        if row.get(f"attempt_{name}"):
            attempt[name] = row[f"attempt_{name}"]
    if row.get("attempt_labour_hours"):
        attempt["labour_hours"] = number("attempt_labour_hours")
    return attempt


def _follow_up(row: dict[str, str], number: Any) -> dict[str, Any]:
    follow_up: dict[str, Any] = {
        "on": row.get("follow_up_on", ""),
        "state": row.get("follow_up_state", ""),
    }
    if row.get("follow_up_odometer"):
        unit = row.get("odometer_unit") or "km"
        follow_up["odometer"] = {"value": number("follow_up_odometer"), "unit": unit}
    return follow_up
