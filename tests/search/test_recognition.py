"""What of a query no case has ever recorded, and the spellings nearest to it."""

from search.core import CaseIndex, Design, recognition
from search.core.recognition import find_unknown, says_anything

CASES = [
    {"id": "a", "make": "Corvane", "model": "Parcel 300", "unit_family": "DX-6"},
    {"id": "b", "make": "Corvane", "model": "Parcel 500 LWB", "unit_kind": "engine"},
    {"id": "c", "make": "Altmar", "model": "City", "codes": [{"code": "P0741", "family": "P0740"}]},
    {"id": "d", "symptoms": [{"key": "slips"}], "findings": [{"check": "fluid", "result": "ok"}]},
]

NEWER = {"id": "e", "make": "Okamira"}


def index_of(cases=CASES):
    return CaseIndex.build(cases, design=Design())


def unknown(query, index=None):
    """(field, as written) -> the nearest names, read from the cases that were pointed at."""
    by_id = {case["id"]: case for case in [*CASES, NEWER]}
    return {
        (one.field, one.said): tuple(by_id[id_].get(one.field) for id_ in one.nearest)
        for one in find_unknown(index or index_of(), query)
    }


def test_what_cases_record_is_known_however_it_is_spelt():
    query = {
        "make": "CORVANE",
        "model": "parcel-300",
        "unit_family": "dx 6",
        "unit_kind": "engine",
        # Another code of the circuit is near enough.
        "codes": [{"code": "P0740", "family": "P0740"}, {"code": "P0741"}],
        "symptoms": [{"key": "slips", "when": ["hot"]}],
        "findings": [{"check": "fluid", "result": "dark"}],
    }
    assert unknown(query) == {}
    assert unknown({}) == {}


def test_a_slip_in_a_name_is_told_with_a_case_that_has_the_right_one():
    assert unknown({"make": "Corvaine"}) == {("make", "Corvaine"): ("Corvane",)}
    assert unknown({"unit_family": "DX-66"}) == {("unit_family", "DX-66"): ("DX-6",)}
    assert unknown({"make": "Nobody"}) == {("make", "Nobody"): ()}


def test_a_short_form_leads_to_all_that_begin_so():
    assert unknown({"model": "Parcel"}) == {("model", "Parcel"): ("Parcel 300", "Parcel 500 LWB")}


def test_codes_symptoms_and_checks_of_no_case_are_told():
    query = {
        "unit_kind": "suspension",
        "codes": [{"code": "B1ABC", "family": "B1AB0"}],
        "symptoms": [{"key": "warm_air"}],
        "findings": [{"check": "smell", "result": "burnt"}],
    }
    assert list(unknown(query)) == [
        ("unit_kind", "suspension"),
        ("codes", "B1ABC"),
        ("symptoms", "warm_air"),
        ("findings", "smell"),
    ]


def test_newer_cases_are_known_and_gone_ones_are_no_example():
    index = index_of().with_tail([NEWER])
    assert unknown({"make": "Okamira"}, index) == {}
    assert unknown({"make": "Okamra"}, index) == {("make", "Okamra"): ("Okamira",)}
    assert unknown({"make": "Okamra"}, index.with_tail([], ["e"])) == {("make", "Okamra"): ()}


def test_among_very_many_names_only_those_with_the_same_first_letter_are_compared(monkeypatch):
    monkeypatch.setattr(recognition, "MOST_COMPARED", 1)
    assert unknown({"make": "Corvaine"}) == {("make", "Corvaine"): ("Corvane",)}
    assert unknown({"make": "Dorvane"}) == {("make", "Dorvane"): ()}


def test_a_name_that_stands_inside_another_feature_is_no_name_of_that_kind():
    index = index_of([{"id": "a", "complaint": "vehicle:make|corvane", "make": "Altmar"}])
    assert unknown({"make": "Corvane"}, index) == {("make", "Corvane"): ()}


def test_a_query_that_nothing_compares_is_told_from_one_that_finds_nothing():
    index = index_of()
    assert says_anything(index, {"make": "Nobody"})
    assert says_anything(index, {"complaint": "zzgl"})
    assert not says_anything(index, {"complaint": "...", "make": " - ", "codes": []})
