"""From posted fields to documents, and from faults back to fields."""

from __future__ import annotations

from datetime import date

import pytest

from casebook.cases.reading import read_case, read_search
from casebook.web.entry import (
    Entry,
    changes_of,
    entry_of_case,
    read_attempt_fields,
    read_case_fields,
    read_evidence,
    read_number,
)

TODAY = date(2026, 6, 1)


def entry(**fields: str | list[str]) -> Entry:
    return Entry(
        {
            name.replace("__", "."): value if isinstance(value, list) else [value]
            for name, value in fields.items()
        }
    )


@pytest.mark.parametrize(
    "text, expected",
    [("12", 12), ("12.5", 12.5), ("12,5", 12.5), ("-3", -3), ("131 000", 131000), ("0,25", 0.25)],
)
def test_numbers_are_read_as_people_write_them(text: str, expected: float) -> None:
    assert read_number(text) == expected


@pytest.mark.parametrize("text", ["1.250,50", "1,250.50", "1250,5"])
def test_where_both_marks_stand_the_last_is_the_decimal_one(text: str) -> None:
    assert read_number(text) == 1250.5


def test_a_unit_behind_the_number_counts_for_more_than_the_preset_one() -> None:
    reading = read_evidence(
        entry(
            odometer="84,200 miles",
            odometer_unit="km",
            value__low_side_pressure="12 psi",
            unit__low_side_pressure="kPa",
            value__outlet_temperature="43.5°F",
        )
    )
    assert reading.data["vehicle"]["odometer"] == {"value": 84200, "unit": "mi"}
    assert [(f["value"], f["unit"]) for f in reading.data["findings"]] == [
        (12, "psi"),
        (43.5, "°F"),
    ]
    assert not reading.faults


@pytest.mark.parametrize("text", ["12 volts", "12 quickly", "psi 12"])
def test_what_measures_something_else_is_asked_about(text: str) -> None:
    reading = read_evidence(entry(value__low_side_pressure=text, unit__low_side_pressure="psi"))
    assert [name for name, _ in reading.faults] == ["check.low_side_pressure"]


@pytest.mark.parametrize("text", ["131.000", "131,000", "131 000", "131'000", "131000"])
def test_an_odometer_takes_any_mark_between_thousands(text: str) -> None:
    assert read_number(text, whole_thousands=True) == 131_000


@pytest.mark.parametrize("text", ["abc", "1.2.3", "12 V", "", "1e5", "NaN"])
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="Write a number"):
        read_number(text)


def test_a_comma_that_could_be_either_is_asked_about() -> None:
    with pytest.raises(ValueError, match=r"Write 1250 or 1\.250"):
        read_number("1,250")


def test_a_lookup_becomes_the_search_document() -> None:
    reading = read_evidence(
        entry(
            year="2018",
            make="Talvera",
            odometer="131 000",
            odometer_unit="mi",
            unit_kind="ac_system",
            unit_family="HV-3",
            complaint=" Lukewarm in town ",
            codes="P0533 pending",
            symptom=["warm_air"],
            when__warm_air=["hot", "idle"],
            result__dye_inspection="seepage",
        )
    )
    assert reading.faults == []
    assert reading.data == {
        "vehicle": {
            "make": "Talvera",
            "year": 2018,
            "odometer": {"value": 131000, "unit": "mi"},
        },
        "unit": {"kind": "ac_system", "family": "HV-3"},
        "complaint": "Lukewarm in town",
        "codes": [{"code": "P0533", "status": "pending"}],
        "symptoms": [{"symptom": "warm_air", "when": ["hot", "idle"]}],
        "findings": [{"check": "dye_inspection", "result": "seepage"}],
    }


def test_every_fault_lands_at_its_own_field() -> None:
    reading = read_evidence(
        entry(
            year="nineteen",
            unit_kind="gearbox",
            codes="P0533 P99999",
            symptom=["warm_air", "no_such_symptom"],
            result__dye_inspection="purple",
        )
    )
    document, faults = reading.check(lambda: read_search(reading.data, today=TODAY))
    assert document is None
    assert set(faults) == {
        "year",
        "unit_kind",
        "codes",
        "symptom.no_such_symptom",
        "check.dye_inspection",
    }


def test_a_number_that_can_not_be_read_is_one_fault_and_not_two() -> None:
    reading = read_case_fields(
        entry(year="?", make="Talvera", unit_kind="ac_system", codes="P0533")
    )
    _, faults = reading.check(lambda: read_case(reading.data, today=TODAY))
    assert faults == {"year": ["Write a number in figures, for example 2018."]}


def test_saying_that_there_are_no_codes_is_no_fault() -> None:
    reading = read_evidence(entry(codes="none"))
    assert reading.faults == []
    assert "codes" not in reading.data


def test_an_attempt_without_costs_needs_no_currency() -> None:
    reading = read_attempt_fields(
        entry(attempt__on="2026-05-01", attempt__level="service", attempt__currency="EUR")
    )
    assert reading.data == {"on": "2026-05-01", "level": "service"}


def test_costs_are_sent_as_amounts_with_their_currency() -> None:
    reading = read_attempt_fields(
        entry(
            attempt__level="service",
            attempt__parts_cost="48,5",
            attempt__labour_hours="0.7",
            attempt__currency="eur",
        )
    )
    assert reading.data == {
        "level": "service",
        "currency": "EUR",
        "parts_cost": "48.50",
        "labour_hours": 0.7,
    }


FULL_CASE = {
    "shop_reference": "70311",
    "complaint_no": 2,
    "opened_on": "2026-05-11",
    "vehicle": {
        "year": 2018,
        "make": "Talvera",
        "model": "Cargo 2",
        "engine": "1.6 diesel",
        "drive": "front",
        "odometer": {"value": 148200, "unit": "km"},
    },
    "unit": {"kind": "ac_system", "family": "HV-3"},
    "complaint": "Only lukewarm",
    "notes": "Second visit",
    "codes": [
        {"code": "P0533", "status": "pending", "module": "HVAC", "stage": "intake"},
        {"code": "P0534", "status": "stored", "module": "", "stage": "repair"},
    ],
    "symptoms": [
        {"symptom": "warm_air", "when": ["hot"], "stage": "intake"},
        {"symptom": "warm_air", "when": [], "stage": "after"},
    ],
    "findings": [
        {"check": "low_side_pressure", "value": 0, "unit": "kPa", "stage": "intake"},
        {"check": "low_side_pressure", "value": 195.5, "unit": "kPa", "stage": "after"},
        {"check": "dye_inspection", "result": "seepage", "stage": "repair"},
    ],
    "cause": {"text": "O-ring", "confirmed": True},
}


def test_a_stored_case_put_into_fields_and_read_back_is_the_same_case() -> None:
    reading = read_case_fields(entry_of_case(FULL_CASE))
    assert reading.faults == []
    before = read_case(FULL_CASE, today=TODAY)
    after = read_case(reading.data, today=TODAY)
    assert after == before


def test_emptied_fields_are_cleared_and_untouched_members_stay_out_of_the_change() -> None:
    changes = changes_of(
        {"vehicle": {"year": 2018, "make": "Talvera"}, "unit": {"kind": "ac_system"}}
    )
    assert changes["vehicle"]["odometer"] is None
    assert changes["codes"] is None
    assert changes["notes"] is None
    assert "attempts" not in changes
    assert "follow_ups" not in changes


def test_empty_boxes_are_not_kept() -> None:
    kept = Entry.from_post(
        [("year", [""]), ("make", ["Talvera"]), ("csrfmiddlewaretoken", ["x"]), ("do", ["look"])]
    )
    assert kept.fields == {"make": ["Talvera"]}
