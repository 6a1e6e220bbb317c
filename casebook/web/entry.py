"""What a person typed, as the documents that the rooms below understand; and faults back to fields.

An `Entry` is the posted fields as they came. It knows no Django and loses nothing: whatever is
wrong with it, the page shows it again as typed. Names of fields:

    year make model engine drive odometer odometer_unit unit_kind unit_family vin complaint notes
    codes codes_repair codes_after            text, read by `scanner`
    symptom (repeated)  when.<row>  stage.symptom.<row>
    result.<row>  value.<row>  unit.<row>  stage.check.<row>
    attempt.on attempt.level attempt.action (repeated) ...

<row> is a key of the vocabulary, with ~2, ~3 behind it where a case has the same one again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from casebook.errors import InvalidDocument
from casebook.vocabulary import load_vocabulary
from casebook.vocabulary.limits import find_unit
from casebook.web.numbers import part_odometer, part_unit, read_number
from casebook.web.scanner import read_scanner_text, write_scanner_text

_NOT_STATE = {"csrfmiddlewaretoken", "do", "once", "before"}
_NO_CODES = {"none", "no", "no codes", "no code", "-", "0"}
CODE_FIELDS = {"codes": "intake", "codes_repair": "repair", "codes_after": "after"}


@dataclass(frozen=True)
class Entry:
    fields: Mapping[str, list[str]]

    @classmethod
    def from_post(cls, lists: Iterable[tuple[str, list[Any]]]) -> Entry:
        """Keeps what says something, so that a session holds words and not empty boxes."""
        return cls(
            {
                name: said
                for name, values in lists
                if name not in _NOT_STATE and (said := [str(v) for v in values if str(v).strip()])
            }
        )

    def text(self, name: str) -> str:
        values = self.fields.get(name) or [""]
        return values[-1].strip()

    def all(self, name: str) -> list[str]:
        return list(dict.fromkeys(self.fields.get(name, [])))

    def found_rows(self) -> list[str]:
        """Rows of checks that have a result or a value, in the order they came."""
        names = (name.partition(".") for name in self.fields)
        return list(dict.fromkeys(row for kind, _, row in names if kind in ("result", "value")))

    def without(self, *names: str) -> Entry:
        return Entry({name: v for name, v in self.fields.items() if name not in names})

    def pairs(self) -> list[tuple[str, str]]:
        return [(name, value) for name, values in self.fields.items() for value in values]


@dataclass
class Reading:
    """A document being put together, with the field that each place in it came from."""

    data: dict[str, Any] = field(default_factory=dict)
    places: dict[str, str] = field(default_factory=dict)
    faults: list[tuple[str, str]] = field(default_factory=list)

    def field_of(self, pointer: str) -> str:
        """The field behind a JSON pointer: the longest known place that it begins with."""
        while pointer and pointer not in self.places:
            pointer = pointer.rpartition("/")[0]
        return self.places.get(pointer, "")

    def check(self, read: Callable[[], Any]) -> tuple[Any, dict[str, list[str]]]:
        """What `read` makes of the data, and all faults by field; None where there are any."""
        faults = list(self.faults)
        result = None
        try:
            result = read()
        except InvalidDocument as error:
            faults += [(self.field_of(e.pointer), e.detail) for e in error.errors]
        by_field: dict[str, list[str]] = {}
        taken = {name for name, _ in self.faults}
        for name, detail in faults:
            # A number that could not be read is missing below; say only the first of the two.
            if (name, detail) in self.faults or name not in taken:
                by_field.setdefault(name, []).append(detail)
        return (None if by_field else result), by_field


def key_of(row: str) -> str:
    return row.partition("~")[0]


_EXAMPLES = {"year": "2018", "odometer": "131000", "complaint_no": "1"}


def _number(
    entry: Entry, reading: Reading, name: str, text: str | None = None
) -> float | int | None:
    """text: what stands in the field without its unit, where that was parted from it."""
    text = entry.text(name) if text is None else text
    if not text:
        return None
    try:
        number = read_number(
            text, whole_thousands=name == "odometer", example=_EXAMPLES.get(name, "12.5")
        )
    except ValueError as error:
        reading.faults.append((name, str(error)))
        return None
    return int(number) if number == int(number) else number


def read_evidence(entry: Entry) -> Reading:
    """Vehicle, unit and evidence: what a search asks and what a case begins with."""
    reading = Reading()
    _read_vehicle(entry, reading)
    unit = {"kind": entry.text("unit_kind") or None, "family": entry.text("unit_family")}
    reading.places |= {
        "/unit": "unit_kind",
        "/unit/kind": "unit_kind",
        "/unit/family": "unit_family",
        "/complaint": "complaint",
    }
    if any(unit.values()):
        reading.data["unit"] = {name: value for name, value in unit.items() if value}
    if entry.text("complaint"):
        reading.data["complaint"] = entry.text("complaint")
    _read_codes(entry, reading)
    _read_symptoms(entry, reading)
    _read_findings(entry, reading)
    return reading


def _read_vehicle(entry: Entry, reading: Reading) -> None:
    vehicle: dict[str, Any] = {}
    for name in ("vin", "make", "model", "engine", "drive"):
        reading.places[f"/vehicle/{name}"] = name
        if entry.text(name):
            vehicle[name] = entry.text(name)
    reading.places |= {"/vehicle/year": "year", "/vehicle/odometer": "odometer"}
    reading.places["/vehicle"] = "year"
    year = _number(entry, reading, "year")
    if year is not None:
        vehicle["year"] = year
    if odometer := _odometer(entry, reading):
        vehicle["odometer"] = odometer
    if vehicle:
        reading.data["vehicle"] = vehicle


def _odometer(entry: Entry, reading: Reading) -> dict[str, Any] | None:
    """A unit written behind the number counts for more than the one that was preset beside it."""
    text, written = part_odometer(entry.text("odometer"))
    value = _number(entry, reading, "odometer", text)
    if value is None:
        return None
    return {"value": value, "unit": written or entry.text("odometer_unit") or "km"}


def _read_codes(entry: Entry, reading: Reading) -> None:
    codes: list[dict[str, str]] = []
    reading.places["/codes"] = "codes"
    for name, stage in CODE_FIELDS.items():
        text = entry.text(name)
        if text.lower().strip(". ") in _NO_CODES:
            continue
        found = read_scanner_text(text)
        for code in found.codes:
            reading.places[f"/codes/{len(codes)}"] = name
            codes.append(code if stage == "intake" else code | {"stage": stage})
        reading.faults += [(name, doubt) for doubt in found.doubts]
        if text and not found.codes and not found.doubts:
            reading.faults.append((name, "There is no code in this text. Codes look like P0741."))
    if codes:
        reading.data["codes"] = codes


def _read_symptoms(entry: Entry, reading: Reading) -> None:
    symptoms: list[Any] = []
    reading.places["/symptoms"] = "symptom"
    for row in entry.all("symptom"):
        reading.places[f"/symptoms/{len(symptoms)}"] = f"symptom.{row}"
        symptom: dict[str, Any] = {"symptom": key_of(row)}
        if when := entry.all(f"when.{row}"):
            symptom["when"] = when
        if (stage := entry.text(f"stage.symptom.{row}")) not in ("", "intake"):
            symptom["stage"] = stage
        symptoms.append(symptom)
    if symptoms:
        reading.data["symptoms"] = symptoms


def _read_findings(entry: Entry, reading: Reading) -> None:
    findings: list[dict[str, Any]] = []
    reading.places["/findings"] = "check"
    checks = load_vocabulary().checks
    for row in entry.found_rows():
        reading.places[f"/findings/{len(findings)}"] = f"check.{row}"
        finding: dict[str, Any] = {"check": key_of(row)}
        if entry.text(f"result.{row}"):
            finding["result"] = entry.text(f"result.{row}")
        if entry.text(f"value.{row}"):
            check = checks.get(key_of(row))
            text, written = part_unit(entry.text(f"value.{row}"))
            own = find_unit(check, written) if check and written else None
            if written and own is None:
                text = entry.text(f"value.{row}")
            number = _number(entry, reading, f"value.{row}", text)
            if number is None:
                detail = reading.faults.pop()[1]
                reading.faults.append((f"check.{row}", detail))
                continue
            finding["value"] = number
            unit = own or entry.text(f"unit.{row}") or (check.unit if check else None)
            if unit:
                finding["unit"] = unit
        if (stage := entry.text(f"stage.check.{row}")) not in ("", "intake"):
            finding["stage"] = stage
        findings.append(finding)
    if findings:
        reading.data["findings"] = findings


def read_attempt_fields(entry: Entry, *, prefix: str = "attempt.") -> Reading:
    """An attempt; its places are those of the attempt alone ("/on")."""
    reading = Reading()
    names = ("on", "level", "unit_source", "currency", "result")
    for name in (*names, "actions", "parts_cost", "labour_hours", "labour_cost"):
        reading.places[f"/{name}"] = f"{prefix}{name}"
    reading.places[""] = f"{prefix}level"
    for name in names:
        if value := entry.text(f"{prefix}{name}"):
            reading.data[name] = value.upper() if name == "currency" else value
    if actions := entry.all(f"{prefix}action"):
        reading.data["actions"] = actions
    costs = {}
    for name in ("parts_cost", "labour_cost", "labour_hours"):
        number = _number(entry, reading, f"{prefix}{name}")
        if number is not None:
            costs[name] = number if name == "labour_hours" else f"{number:.2f}"
    reading.data |= costs
    if not {"parts_cost", "labour_cost"} & set(costs):
        # A currency alone, left from the time before, says nothing.
        reading.data.pop("currency", None)
    return reading


def read_case_fields(entry: Entry) -> Reading:
    """A whole case with, where a level was chosen, its first attempt."""
    reading = read_evidence(entry)
    # Empty, so that what is missing inside is named and not the whole.
    reading.data.setdefault("vehicle", {})
    reading.data.setdefault("unit", {})
    for name in ("shop_reference", "opened_on", "notes"):
        reading.places[f"/{name}"] = name
        if entry.text(name):
            reading.data[name] = entry.text(name)
    reading.places["/complaint_no"] = "complaint_no"
    number = _number(entry, reading, "complaint_no")
    if number is not None:
        reading.data["complaint_no"] = number
    reading.places |= {"/cause": "cause", "/cause/text": "cause"}
    if entry.text("cause") or entry.text("cause_confirmed"):
        reading.data["cause"] = {
            "text": entry.text("cause"),
            "confirmed": bool(entry.text("cause_confirmed")),
        }
    if entry.text("attempt.level"):
        attempt = read_attempt_fields(entry)
        reading.data["attempts"] = [attempt.data]
        reading.faults += attempt.faults
        reading.places |= {f"/attempts/0{p}": name for p, name in attempt.places.items()}
        reading.places["/attempts"] = "attempt.level"
    return reading


def read_follow_up_fields(entry: Entry) -> Reading:
    reading = Reading(places={"/on": "on", "/state": "state", "/odometer": "odometer", "": "state"})
    for name in ("on", "state"):
        if entry.text(name):
            reading.data[name] = entry.text(name)
    if odometer := _odometer(entry, reading):
        reading.data["odometer"] = odometer
    return reading


def entry_of_case(case: Mapping[str, Any]) -> Entry:
    """A stored case as fields, to be changed; what `read_case_fields` reads back alike."""
    fields: dict[str, list[str]] = {}

    def put(name: str, value: Any) -> None:
        if value not in (None, "", False):
            fields.setdefault(name, []).append(str(value))

    vehicle, odometer = case["vehicle"], case["vehicle"].get("odometer") or {}
    for name in ("year", "make", "model", "engine", "drive"):
        put(name, vehicle.get(name))
    put("odometer", odometer.get("value"))
    put("odometer_unit", odometer.get("unit"))
    put("unit_kind", case["unit"]["kind"])
    put("unit_family", case["unit"].get("family"))
    for name in ("complaint", "notes", "shop_reference", "complaint_no", "opened_on"):
        put(name, case.get(name))
    put("cause", case["cause"]["text"])
    put("cause_confirmed", "1" if case["cause"]["confirmed"] else "")
    for name, stage in CODE_FIELDS.items():
        codes = [code for code in case["codes"] if code.get("stage", "intake") == stage]
        put(name, write_scanner_text(codes))
    for row, symptom in _rows_of(case["symptoms"], "symptom"):
        put("symptom", row)
        put(f"stage.symptom.{row}", symptom.get("stage"))
        for condition in symptom.get("when") or ():
            put(f"when.{row}", condition)
    for row, finding in _rows_of(case["findings"], "check"):
        put(f"result.{row}", finding.get("result"))
        put(f"value.{row}", finding.get("value") if finding.get("value") != 0 else "0")
        put(f"unit.{row}", finding.get("unit"))
        put(f"stage.check.{row}", finding.get("stage"))
    return Entry(fields)


def _rows_of(items: Iterable[Mapping[str, Any]], name: str) -> Iterable[tuple[str, Any]]:
    seen: dict[str, int] = {}
    for item in items:
        key = item[name]
        seen[key] = seen.get(key, 0) + 1
        yield (key if seen[key] == 1 else f"{key}~{seen[key]}"), item


def changes_of(data: Mapping[str, Any]) -> dict[str, Any]:
    """A whole form as a merge patch: what was emptied is cleared, not left as it was."""
    vehicle = dict.fromkeys(("model", "engine", "drive", "odometer")) | dict(
        data.get("vehicle", {})
    )
    unit = {"family": None} | dict(data.get("unit", {}))
    names = ("shop_reference", "complaint", "notes", "codes", "symptoms", "findings", "cause")
    return {
        **dict.fromkeys(names),
        **{name: data[name] for name in ("opened_on", "complaint_no") if name in data},
        **{name: data[name] for name in names if name in data},
        "vehicle": vehicle,
        "unit": unit,
    }
