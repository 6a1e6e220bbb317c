"""Rules across the members of a case, and terms that go by an older name."""

from __future__ import annotations

import dataclasses
from datetime import date
from typing import Any

import pytest

from casebook.cases import documents, reading
from casebook.cases.reading import read_case, read_search
from casebook.errors import InvalidDocument
from casebook.vocabulary import load_vocabulary
from casebook.vocabulary.terms import Rename
from casebook.vocabulary.vin import read_vin
from tests.factories import case_data

TODAY = date(2026, 11, 25)
EMPTY: dict[str, Any] = {"codes": [], "symptoms": [], "findings": []}


def faults_of(data: dict[str, Any]) -> list[tuple[str, str]]:
    with pytest.raises(InvalidDocument) as refused:
        read_case(data, today=TODAY)
    return [(fault.pointer, fault.detail) for fault in refused.value.errors]


def test_a_complaint_of_spaces_says_nothing() -> None:
    said = "Say at least one of complaint, codes, symptoms or findings."
    assert faults_of(case_data(complaint=" \n ", **EMPTY)) == [("", said)]
    # Along with other faults, too.
    assert ("", said) in faults_of(case_data(complaint="", unit={"kind": "toaster"}, **EMPTY))


def test_without_a_day_a_case_is_opened_on_its_first_attempt_or_today() -> None:
    data = case_data()
    del data["opened_on"]
    assert read_case(data, today=TODAY).opened_on == date(2026, 5, 12)
    data |= {"attempts": [], "follow_ups": []}
    assert read_case(data, today=TODAY).opened_on == TODAY


@pytest.mark.parametrize("day", ["0001-01-01", "0206-05-11", "1885-12-31"])
def test_a_day_before_there_were_vehicles_is_a_slip(day: str) -> None:
    data = case_data(opened_on=day, attempts=[], follow_ups=[])
    assert [pointer for pointer, _ in faults_of(data)] == ["/opened_on"]
    del data["opened_on"]
    data["attempts"] = [{"on": day, "level": "service"}]
    assert [pointer for pointer, _ in faults_of(data)] == ["/attempts/0/on"]


def test_a_field_in_the_wrong_place_is_not_suggested_for_itself() -> None:
    (fault,) = faults_of(case_data(odometer={"value": 1, "unit": "km"}))
    assert fault == ("/odometer", "There is no field 'odometer' here; its place is elsewhere.")


def test_a_limit_says_what_it_counts() -> None:
    assert faults_of(case_data(complaint="x" * 4001)) == [
        ("/complaint", "Give at most 4000 characters.")
    ]
    assert faults_of(case_data(codes=["P0741"] * 65)) == [("/codes", "Give at most 64 here.")]
    vehicle = case_data()["vehicle"] | {"odometer": {"value": 6_000_000, "unit": "km"}}
    data = case_data(vehicle=vehicle, follow_ups=[])
    assert faults_of(data) == [("/vehicle/odometer/value", "Give at most 5000000.")]


@pytest.mark.parametrize(
    "question",
    [
        {"unit": {"family": "QD-6"}},
        {"unit": {"kind": "engine"}},
        {"vehicle": {"model": "Metro"}},
        {"complaint": "hums"},
        {"codes": ["P0741"]},
    ],
)
def test_any_one_thing_may_be_asked_for(question: dict[str, Any]) -> None:
    assert read_search(question, today=TODAY)


@pytest.mark.parametrize("question", [{}, {"unit": {}}, {"vehicle": {}}, {"limit": 5}])
def test_nothing_is_no_question(question: dict[str, Any]) -> None:
    with pytest.raises(InvalidDocument):
        read_search(question, today=TODAY)


@pytest.fixture
def renamed(monkeypatch: pytest.MonkeyPatch) -> None:
    """An edition in which four of the terms used below got another name."""
    changes = [
        ("symptoms", "lukewarm_air", "warm_air"),
        ("conditions", "heated", "hot"),
        ("checks", "dye_lamp", "dye_inspection"),
        ("actions", "regas", "recharge_refrigerant"),
    ]
    renames = tuple(Rename(*change, since="2026.2", reason="plainer") for change in changes)
    vocabulary = dataclasses.replace(load_vocabulary(), renames=renames)
    for room in (documents, reading):
        monkeypatch.setattr(room, "load_vocabulary", lambda: vocabulary)


@pytest.mark.usefixtures("renamed")
def test_old_names_of_terms_are_read_as_the_new_ones_with_a_warning() -> None:
    data = case_data(
        symptoms=["lukewarm_air", {"symptom": "compressor_cycles_fast", "when": ["heated", "hot"]}],
        findings=[{"check": "dye_lamp", "result": "seepage"}],
        attempts=[{"on": "2026-05-12", "level": "service", "actions": ["regas"]}],
    )
    case = read_case(data, today=TODAY)
    assert case.symptoms[0].symptom == "warm_air"
    assert case.symptoms[1].when == ("hot",)
    assert case.findings[0].check == "dye_inspection"
    assert case.attempts[0].actions == ("recharge_refrigerant",)
    assert {w["pointer"]: w["detail"] for w in case.warnings} == {
        "/symptoms/0": "'lukewarm_air' is called 'warm_air' since 2026.2.",
        "/symptoms/1/when/0": "'heated' is called 'hot' since 2026.2.",
        "/findings/0/check": "'dye_lamp' is called 'dye_inspection' since 2026.2.",
        "/attempts/0/actions/0": "'regas' is called 'recharge_refrigerant' since 2026.2.",
    }


@pytest.mark.usefixtures("renamed")
def test_a_search_may_use_old_names_too() -> None:
    search = read_search({"symptoms": [{"symptom": "lukewarm_air"}]}, today=TODAY)
    assert search.symptoms[0].symptom == "warm_air"
    assert [warning["pointer"] for warning in search.warnings] == ["/symptoms/0/symptom"]


# Years that position 10 can stand for: 49 CFR 565.15. The first VIN's likelier year is 2015, the
# second's 1996 or 2026.
@pytest.mark.parametrize("vin", ["1HGCR2F3XFA027534", "WP0ZZZ99ZTS392124"])
@pytest.mark.parametrize("years_off, warned", [(0, False), (30, False), (3, True)])
def test_a_year_is_doubted_only_if_the_vin_can_mean_neither(
    vin: str, years_off: int, warned: bool
) -> None:
    newer = read_vin(vin, today=TODAY).years[0]
    vehicle = {"year": newer - years_off, "make": "Corvane", "vin": vin}
    case = read_case(case_data(vehicle=vehicle), today=TODAY)
    assert ("/vehicle/year" in [warning["pointer"] for warning in case.warnings]) is warned


def test_a_vin_does_not_name_the_make_of_a_case() -> None:
    vehicle = {"year": 2015, "vin": "1HGCR2F3XFA027534"}
    with pytest.raises(InvalidDocument) as refused:
        read_case(case_data(vehicle=vehicle), today=TODAY)
    assert "/vehicle/make" in [error.pointer for error in refused.value.errors]
