"""From raw data to documents: every fault at once, each with its place and a remedy. Pure.

`read_case`, `read_search` and `read_document` raise InvalidDocument; what is implausible but
possible becomes a warning on the document instead.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from difflib import get_close_matches
from itertools import pairwise
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from casebook.cases.documents import (
    CaseDocument,
    Document,
    Evidence,
    SearchDocument,
    VehicleSeen,
)
from casebook.errors import FieldError, InvalidDocument
from casebook.vocabulary import load_vocabulary
from casebook.vocabulary.limits import normalise_number, odometer_doubts
from casebook.vocabulary.vin import read_vin

D = TypeVar("D", bound=Document)

EARLIEST = date(1886, 1, 1)  # of any day: as for model years
_EVIDENCE = ("complaint", "codes", "symptoms", "findings")
_NOT_AN_OBJECT = 'Give an object: {"name": value, ...}.'
_MESSAGES = {
    "missing": "This is required.",
    "model_type": _NOT_AN_OBJECT,
    "model_attributes_type": _NOT_AN_OBJECT,
    "dict_type": _NOT_AN_OBJECT,
    "tuple_type": "Give a list: [ ... ].",
    "list_type": "Give a list: [ ... ].",
    "string_type": "Give text.",
    "string_unicode": "Give text in valid Unicode.",
    "int_type": "Give a whole number.",
    "int_parsing": "Give a whole number.",
    "int_from_float": "Give a whole number.",
    "float_type": "Give a number.",
    "float_parsing": "Give a number.",
    "finite_number": "Give a finite number.",
    "bool_type": "Give true or false.",
    "bool_parsing": "Give true or false.",
    "decimal_parsing": 'Give an amount as text with a decimal point, for example "240.00".',
    "decimal_type": 'Give an amount as text with a decimal point, for example "240.00".',
    "decimal_max_places": "Give at most two decimal places.",
    "date_from_datetime_parsing": "There is no such day in the calendar.",
    "date_parsing": "There is no such day in the calendar.",
    "too_short": "This must not be empty.",
    "string_too_short": "This must not be empty.",
    "string_pattern_mismatch": "Give three capital letters (ISO 4217), for example EUR.",
}
_LIMITS = {
    "greater_than_equal": "Give at least {ge}.",
    "less_than_equal": "Give at most {le}.",
    "too_long": "Give at most {max_length} here.",
    "string_too_long": "Give at most {max_length} characters.",
}


def read_case(data: object, *, today: date) -> CaseDocument:
    """Raises InvalidDocument. Where `opened_on` is missing, it is the day of the first attempt, or
    today."""
    document, errors = _read(CaseDocument, data)
    if isinstance(data, Mapping):
        errors += _timeline_faults(data, today)
        # A complaint of spaces says nothing; where the rest is at fault too, the raw data tells.
        said = document.says_something if document else any(map(data.get, _EVIDENCE))
        if not said:
            errors.append(
                FieldError("", "Say at least one of complaint, codes, symptoms or findings.")
            )
    document = _accept(document, errors)
    document.warnings.extend(_warn_of_vehicle(document.vehicle, today))
    document.warnings.extend(_warn_of_evidence(document, document.unit.kind))
    document.warnings.extend(_warn_of_history(document))
    document.warnings.extend(_warn_of_renames(data))
    if document.opened_on is None:
        first = min((attempt.on for attempt in document.attempts), default=today)
        document = _with(document, opened_on=min(first, today))
    return document


def read_search(data: object, *, today: date) -> SearchDocument:
    """Raises InvalidDocument where nothing is asked."""
    document, errors = _read(SearchDocument, data)
    if document is not None and not (
        document.says_something
        or any(document.unit.model_dump().values())
        or any(document.vehicle.model_dump().values())
    ):
        errors.append(
            FieldError(
                "", "Say at least one of vehicle, unit, complaint, codes, symptoms or findings."
            )
        )
    document = _accept(document, errors)
    document.warnings.extend(_warn_of_vehicle(document.vehicle, today))
    document.warnings.extend(_warn_of_evidence(document, document.unit.kind))
    document.warnings.extend(_warn_of_renames(data))
    return document


def read_document(kind: type[D], data: object) -> D:
    """Any document that needs no rules across its members. Raises InvalidDocument."""
    return _accept(*_read(kind, data))


def _read(kind: type[D], data: object) -> tuple[D | None, list[FieldError]]:
    try:
        return kind.model_validate(data), []
    except ValidationError as error:
        details = error.errors(include_url=False, include_context=True)
        return None, [_field_error(detail, data) for detail in details]


def _accept(document: D | None, errors: Sequence[FieldError]) -> D:
    if errors or document is None:
        raise InvalidDocument(list(dict.fromkeys(errors)))
    return document


def _with(document: CaseDocument, **changes: object) -> CaseDocument:
    changed = document.model_copy(update=changes)
    changed._warnings = document.warnings
    return changed


def _field_error(detail: ErrorDetails, data: object) -> FieldError:
    kind, context = detail["type"], detail.get("ctx", {})
    if kind == "casebook":
        message = str(context["message"])
    elif kind == "extra_forbidden":
        message = _unknown_field(str(detail["loc"][-1]))
    elif kind == "literal_error":
        expected = str(context["expected"]).replace(" or ", ", ").replace("'", "")
        message = f"Give one of {expected}."
    elif kind in _LIMITS:
        # Pydantic calls a text behind a validator of ours too long the way it calls a list.
        rule = f"string_{kind}" if isinstance(detail["input"], str) else kind
        message = _LIMITS.get(rule, _LIMITS[kind]).format_map(_plain(context))
    elif kind in _MESSAGES:
        message = _MESSAGES[kind]
    else:
        # The library's own words name the limit ("should be at most 400").
        message = detail["msg"].rstrip(".") + "."
    return FieldError(_pointer(detail["loc"], data), message)


def _plain(limits: Mapping[str, Any]) -> dict[str, str]:
    """5000000.0 as people write it: 5000000."""
    return {
        name: str(value).removesuffix(".0") if isinstance(value, float) else str(value)
        for name, value in limits.items()
    }


def _unknown_field(name: str) -> str:
    near = get_close_matches(name, _FIELD_NAMES, n=1, cutoff=0.75)
    hint = f"did you mean {near[0]}?" if near else "remove it or correct its spelling."
    if name in _FIELD_NAMES:
        hint = "its place is elsewhere."
    return f"There is no field {name[:60]!r} here; {hint}"


def _names(kind: type[Document]) -> Iterator[str]:
    yield from kind.model_fields


_KINDS: list[type[Document]] = [*Document.__subclasses__(), CaseDocument, SearchDocument]
_FIELD_NAMES = sorted({name for kind in _KINDS for name in _names(kind)})


def _pointer(location: Sequence[int | str], data: object) -> str:
    """RFC 6901. Stops where the sender wrote a plain value (a symptom may be its key alone)."""
    parts: list[str] = []
    here: Any = data
    for step in location:
        if not isinstance(here, Mapping | Sequence) or isinstance(here, str):
            break
        parts.append(str(step).replace("~", "~0").replace("/", "~1"))
        if isinstance(here, Mapping):
            here = here.get(step, {})
        else:
            here = here[step] if isinstance(step, int) and step < len(here) else {}
    return "".join(f"/{part}" for part in parts)


# --- What only several fields together can show ----------------------------------------------


def _day(value: object) -> date | None:
    if isinstance(value, date):
        return value
    try:
        return date.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        return None


def _items(data: Mapping[str, Any], name: str) -> list[tuple[int, Mapping[str, Any]]]:
    items = data.get(name)
    if not isinstance(items, Sequence) or isinstance(items, str):
        return []
    return [(i, item) for i, item in enumerate(items) if isinstance(item, Mapping)]


def _timeline_faults(data: Mapping[str, Any], today: date) -> list[FieldError]:
    """Days in an impossible order. Reads the raw data, so that it speaks along with the rest."""
    errors = []
    latest = today + timedelta(days=1)  # somewhere it is tomorrow already
    opened = _day(data.get("opened_on"))
    if opened and opened > latest:
        errors.append(FieldError("/opened_on", "This day lies in the future."))
    elif opened and opened < EARLIEST:
        errors.append(FieldError("/opened_on", "There were no vehicles then; correct the year."))
    attempts = [(i, _day(item.get("on"))) for i, item in _items(data, "attempts")]
    for i, day in attempts:
        if day and day > latest:
            errors.append(FieldError(f"/attempts/{i}/on", "This day lies in the future."))
        elif day and day < EARLIEST:
            errors.append(
                FieldError(f"/attempts/{i}/on", "There were no vehicles then; correct the year.")
            )
        elif day and opened and day < opened:
            errors.append(
                FieldError(f"/attempts/{i}/on", f"The case was opened later, on {opened}.")
            )
    for (_, before), (i, day) in pairwise(attempts):
        if before and day and day < before:
            errors.append(
                FieldError(
                    f"/attempts/{i}/on",
                    f"The attempt before it was later, on {before}: "
                    "list attempts in the order they were made.",
                )
            )
    follow_ups = [(i, _day(item.get("on"))) for i, item in _items(data, "follow_ups")]
    if follow_ups and not attempts and not data.get("attempts"):
        errors.append(
            FieldError("/follow_ups", "A follow-up needs an attempt that it follows; add that.")
        )
    first = min((day for _, day in attempts if day), default=None)
    for i, day in follow_ups:
        if day and day > latest:
            errors.append(FieldError(f"/follow_ups/{i}/on", "This day lies in the future."))
        elif day and first and day < first:
            errors.append(FieldError(f"/follow_ups/{i}/on", f"The repair was later, on {first}."))
    errors += _odometer_faults(data)
    return errors


def _odometer_faults(data: Mapping[str, Any]) -> list[FieldError]:
    vehicle = data.get("vehicle")
    start = vehicle.get("odometer") if isinstance(vehicle, Mapping) else None
    errors = []
    for i, item in _items(data, "follow_ups"):
        later = item.get("odometer")
        if not (isinstance(start, Mapping) and isinstance(later, Mapping)):
            continue
        at_intake, now = start.get("value"), later.get("value")
        same_unit = start.get("unit") == later.get("unit")
        if (
            same_unit
            and isinstance(at_intake, int | float)
            and isinstance(now, int | float)
            and now < at_intake
        ):
            errors.append(
                FieldError(
                    f"/follow_ups/{i}/odometer/value",
                    f"The odometer stood at {at_intake:.10g} at intake and can't fall.",
                )
            )
    return errors


# --- Implausible, but possible ---------------------------------------------------------------


def _warning(pointer: str, detail: str) -> dict[str, str]:
    return {"pointer": pointer, "detail": detail}


def _warn_of_vehicle(vehicle: VehicleSeen, today: date) -> Iterator[dict[str, str]]:
    if vehicle.year is not None and vehicle.year > today.year + 1:
        yield _warning("/vehicle/year", f"{vehicle.year} is more than a year ahead.")
    if vehicle.vin:
        reading = read_vin(vehicle.vin, today=today)
        if reading.check_digit == "wrong":
            yield _warning(
                "/vehicle/vin",
                f"The check digit should be {reading.expected}; "
                "read the VIN again if the vehicle was built for North America.",
            )
        if vehicle.year and reading.years and vehicle.year not in reading.years:
            years = " or ".join(map(str, reading.years))
            doubt = f"The VIN says {years}, the case {vehicle.year}."
            if not reading.north_american:
                doubt += " Outside North America a VIN need not tell the year."
            yield _warning("/vehicle/year", doubt)
    if vehicle.odometer is not None:
        age = None if vehicle.year is None else max(0, today.year - vehicle.year)
        for doubt in odometer_doubts(vehicle.odometer.value, vehicle.odometer.unit, age_years=age):
            yield _warning("/vehicle/odometer/value", doubt)


def _warn_of_evidence(document: Evidence, unit_kind: str | None) -> Iterator[dict[str, str]]:
    vocabulary = load_vocabulary()
    for i, finding in enumerate(document.findings):
        check = vocabulary.checks[finding.check]
        if unit_kind and check.unit_kinds and unit_kind not in check.unit_kinds:
            yield _warning(
                f"/findings/{i}/check", f"{check.label} is not usual on this kind of unit."
            )
        if finding.value is not None:
            for doubt in normalise_number(check, finding.value, finding.unit).doubts:
                yield _warning(f"/findings/{i}/value", doubt)
    for i, item in enumerate(document.symptoms):
        symptom = vocabulary.symptoms[item.symptom]
        if unit_kind and symptom.unit_kinds and unit_kind not in symptom.unit_kinds:
            yield _warning(
                f"/symptoms/{i}/symptom", f"{symptom.label} is not usual for this kind of unit."
            )
    bases = [code.code for code in document.codes]
    for i, code in enumerate(bases):
        if code in bases[:i] and document.codes[i].stage == document.codes[bases.index(code)].stage:
            yield _warning(f"/codes/{i}/code", f"{code} is listed twice.")


def _warn_of_history(document: CaseDocument) -> Iterator[dict[str, str]]:
    for i, attempt in enumerate(document.attempts):
        if attempt.labour_hours is not None and attempt.labour_hours > 60:
            yield _warning(f"/attempts/{i}/labour_hours", "More than 60 hours on one attempt.")


def _warn_of_renames(data: object) -> Iterator[dict[str, str]]:
    """Old names are accepted. Reads the raw data: the document has today's."""
    resolve = load_vocabulary().resolve
    for pointer, theme, key in _terms(data if isinstance(data, Mapping) else {}):
        note = resolve(theme, key)[1]
        if note is not None:
            yield _warning(pointer, note)


def _terms(data: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    """(pointer, theme, key) of each term in data that is known to be valid."""
    for i, item in enumerate(data.get("symptoms") or ()):
        if isinstance(item, str):
            yield f"/symptoms/{i}", "symptoms", item
            continue
        yield f"/symptoms/{i}/symptom", "symptoms", item["symptom"]
        for j, key in enumerate(item.get("when") or ()):
            yield f"/symptoms/{i}/when/{j}", "conditions", key
    for i, item in enumerate(data.get("findings") or ()):
        yield f"/findings/{i}/check", "checks", item["check"]
    for i, item in enumerate(data.get("attempts") or ()):
        for j, key in enumerate(item.get("actions") or ()):
            yield f"/attempts/{i}/actions/{j}", "actions", key
