"""What a form offers and what is filled in already, as finished values for the templates. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from casebook.cases.constants import ODOMETER_UNITS, STAGES
from casebook.vocabulary import Check, Symptom, load_vocabulary
from casebook.vocabulary.measures import dimension_of
from casebook.web.entry import Entry, key_of
from casebook.web.words import STAGE_NAMES, name_check, name_condition, name_symptom

DRIVES = ("front", "rear", "all")
Faults = Mapping[str, list[str]]


@dataclass(frozen=True)
class Option:
    value: str
    label: str
    chosen: bool = False
    aside: bool = False


@dataclass(frozen=True)
class Field:
    name: str
    value: str = ""
    errors: Sequence[str] = ()
    options: Sequence[Option] = ()


@dataclass(frozen=True)
class Tile:
    """A symptom to tick, with the conditions under which it shows once it is ticked."""

    row: str
    label: str
    meaning: str
    words: str
    of_unit: bool
    chosen: bool
    when: Sequence[Option] = ()
    when_said: str = ""
    stages: Sequence[Option] = ()
    errors: Sequence[str] = ()


@dataclass(frozen=True)
class CheckRow:
    row: str
    label: str
    meaning: str
    words: str
    of_unit: bool
    minutes: int
    is_number: bool
    results: Sequence[Option] = ()
    value: str = ""
    units: Sequence[Option] = ()
    stages: Sequence[Option] = ()
    found: bool = False
    errors: Sequence[str] = ()


@dataclass(frozen=True)
class Fault:
    """One thing to correct: the field (empty: none in particular), its label, what to do."""

    name: str
    label: str
    detail: str


@dataclass
class EvidenceForm:
    fields: dict[str, Field]
    unit_label: str
    symptoms_chosen: list[Tile]
    symptoms_of_unit: list[Tile]
    symptoms_of_any: list[Tile]
    checks_found: list[CheckRow]
    checks_of_unit: list[CheckRow]
    checks_of_any: list[CheckRow]
    conditions: list[Option]
    stages: list[Option]
    faults: list[Fault] = field(default_factory=list)


def build_evidence_form(
    entry: Entry, faults: Faults | None = None, *, with_stages: bool = False
) -> EvidenceForm:
    """with_stages: whether a finding can be from the repair, as in a case; a search asks intake."""
    faults = faults or {}
    vocabulary = load_vocabulary()
    kind = entry.text("unit_kind")
    kind = kind if kind in vocabulary.units else ""
    tiles = _tiles(entry, faults, kind, with_stages)
    rows = _check_rows(entry, faults, kind, with_stages)
    return EvidenceForm(
        fields=_fields(entry, faults),
        unit_label=vocabulary.units[kind].label if kind else "",
        symptoms_chosen=[tile for tile in tiles if tile.chosen],
        symptoms_of_unit=[tile for tile in tiles if not tile.chosen and tile.of_unit],
        symptoms_of_any=[tile for tile in tiles if not tile.chosen and not tile.of_unit],
        checks_found=[row for row in rows if row.found],
        checks_of_unit=[row for row in rows if not row.found and row.of_unit],
        checks_of_any=[row for row in rows if not row.found and not row.of_unit],
        conditions=_conditions(()),
        stages=stage_options("intake") if with_stages else [],
        faults=list_faults(faults),
    )


_LABELS = {
    "year": "Year",
    "make": "Make",
    "model": "Model",
    "engine": "Engine",
    "drive": "Drive",
    "odometer": "Odometer",
    "vin": "VIN",
    "unit_kind": "Unit in question",
    "unit_family": "Unit type",
    "complaint": "Complaint",
    "codes": "Trouble codes",
    "codes_repair": "Codes while it was apart",
    "codes_after": "Codes after the repair",
    "notes": "Notes",
    "cause": "Cause",
    "shop_reference": "Job number",
    "complaint_no": "Complaint number",
    "opened_on": "Day it came in",
    "on": "Day",
    "state": "What was seen",
    "attempt.on": "Day of the work",
    "attempt.level": "How far it went",
    "attempt.actions": "What was done",
    "attempt.result": "Result",
    "attempt.parts_cost": "Parts",
    "attempt.labour_cost": "Labour",
    "attempt.labour_hours": "Hours",
    "attempt.currency": "Currency",
    "attempt.unit_source": "Unit fitted",
}


def list_faults(faults: Faults) -> list[Fault]:
    return [
        Fault(name, _label_of(name), detail)
        for name, details in faults.items()
        for detail in details
    ]


def _label_of(name: str) -> str:
    kind, _, row = name.partition(".")
    if kind == "check":
        return name_check(key_of(row))
    if kind == "symptom":
        return name_symptom(key_of(row))
    return _LABELS.get(name, "")


_TEXT_FIELDS = (
    "year make model engine odometer unit_family vin complaint notes codes codes_repair "
    "codes_after shop_reference complaint_no opened_on cause cause_confirmed"
).split()


def _fields(entry: Entry, faults: Faults) -> dict[str, Field]:
    fields = {name: Field(name, entry.text(name), faults.get(name, ())) for name in _TEXT_FIELDS}
    drive = entry.text("drive")
    drives = DRIVES if drive in ("", *DRIVES) else (*DRIVES, drive)
    fields["drive"] = _select("drive", drives, drive, faults)
    fields["odometer_unit"] = _select(
        "odometer_unit", ODOMETER_UNITS, entry.text("odometer_unit") or "km", faults
    )
    units = load_vocabulary().units.values()
    kind = entry.text("unit_kind")
    fields["unit_kind"] = Field(
        "unit_kind",
        kind,
        faults.get("unit_kind", ()),
        [Option(unit.key, unit.label, unit.key == kind) for unit in units],
    )
    return fields


def _select(name: str, values: Iterable[str], chosen: str, faults: Faults) -> Field:
    options = [Option(value, value, value == chosen) for value in values]
    return Field(name, chosen, faults.get(name, ()), options)


def stage_options(chosen: str) -> list[Option]:
    return [Option(stage, STAGE_NAMES[stage], stage == chosen) for stage in STAGES]


def _conditions(chosen: Sequence[str]) -> list[Option]:
    return [
        Option(
            condition.key,
            condition.label,
            condition.key in chosen,
            # Eleven gears in the way of "cold" and "hot" would cost everybody a scroll.
            aside=condition.key.startswith("gear_") or condition.key == "reverse",
        )
        for condition in load_vocabulary().conditions.values()
    ]


def _tiles(entry: Entry, faults: Faults, kind: str, with_stages: bool) -> list[Tile]:
    chosen = entry.all("symptom")
    symptoms = load_vocabulary().symptoms
    fitting = [
        symptom.key
        for symptom in load_vocabulary().symptoms_for(kind or None)
        # All symptoms of all units would be a list that nobody reads.
        if kind or not symptom.unit_kinds
    ]
    # What was ticked for another unit stays ticked, and in sight.
    rows = dict.fromkeys([*(row for row in chosen if key_of(row) in symptoms), *fitting])
    return [
        _tile(entry, faults, row, symptoms[key_of(row)], row in chosen, with_stages) for row in rows
    ]


def _tile(
    entry: Entry, faults: Faults, row: str, symptom: Symptom, chosen: bool, with_stages: bool
) -> Tile:
    when = entry.all(f"when.{row}")
    stage = entry.text(f"stage.symptom.{row}") or "intake"
    return Tile(
        row=row,
        label=symptom.label,
        meaning=symptom.meaning,
        words=" ".join((symptom.label, *symptom.synonyms)).lower(),
        of_unit=bool(symptom.unit_kinds),
        chosen=chosen,
        when=_conditions(when) if chosen else (),
        when_said=", ".join(name_condition(key).lower() for key in when),
        stages=stage_options(stage) if chosen and with_stages else (),
        errors=faults.get(f"symptom.{row}", ()),
    )


def _check_rows(entry: Entry, faults: Faults, kind: str, with_stages: bool) -> list[CheckRow]:
    checks = load_vocabulary().checks
    filled = entry.found_rows()
    fitting = [
        check.key
        for check in load_vocabulary().checks_for(kind or None)
        if kind or not check.unit_kinds
    ]
    rows = dict.fromkeys([*(row for row in filled if key_of(row) in checks), *fitting])
    return [
        _check_row(entry, faults, row, checks[key_of(row)], row in filled, with_stages)
        for row in rows
    ]


def _check_row(
    entry: Entry, faults: Faults, row: str, check: Check, found: bool, with_stages: bool
) -> CheckRow:
    result = entry.text(f"result.{row}")
    stage = entry.text(f"stage.check.{row}") or "intake"
    unit = entry.text(f"unit.{row}") or check.unit or ""
    return CheckRow(
        row=row,
        label=check.label,
        meaning=check.meaning,
        words=" ".join((check.label, *check.synonyms)).lower(),
        of_unit=bool(check.unit_kinds),
        minutes=check.minutes,
        is_number=check.kind == "number",
        results=[Option(r.key, r.label, r.key == result) for r in check.results],
        value=entry.text(f"value.{row}"),
        units=[Option(name, name, name == unit) for name in _units_of(check, unit)],
        stages=stage_options(stage) if with_stages else (),
        found=found,
        errors=faults.get(f"check.{row}", ()),
    )


# What gauges in a workshop show; others are understood too, but nobody scrolls for them.
_ON_GAUGES = {
    "pressure": ("kPa", "bar", "psi"),
    "temperature": ("°C", "°F"),
    "voltage": ("V", "mV"),
    "current": ("A", "mA"),
    "resistance": ("Ω", "kΩ"),
    "length": ("mm", "in"),
    "torque": ("Nm", "lbft"),
    "distance": ("km", "mi"),
}


def _units_of(check: Check, chosen: str) -> list[str]:
    """The check's own unit first. K is a difference here, which °C and °F are not."""
    if not check.unit:
        return []
    others = () if check.unit == "K" else _ON_GAUGES.get(dimension_of(check.unit) or "", ())
    return list(dict.fromkeys(unit for unit in (check.unit, *others, chosen) if unit))
