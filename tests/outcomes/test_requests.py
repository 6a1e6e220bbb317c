"""What can be asked of the statistics, from an address and from JSON."""

from __future__ import annotations

import pytest

from casebook.errors import InvalidDocument
from casebook.outcomes.requests import (
    GROUPS,
    read_export_request,
    read_statistics_address,
    read_statistics_query,
)


def faults(call, data):
    with pytest.raises(InvalidDocument) as caught:
        call(data)
    return {error.pointer: error.detail for error in caught.value.errors}


def test_an_address_and_a_document_ask_the_same():
    address = read_statistics_address(
        {"group_by": "make, year", "year_min": "2015", "code": "p0741-62", "horizon_days": "180"}
    )
    document = read_statistics_query(
        {
            "group_by": ["make", "year"],
            "filters": {"year_min": 2015, "code": "P0741"},
            "horizon_days": 180,
        }
    )
    assert address == document
    assert read_statistics_query(document.as_document()) == document


def test_fields_left_empty_in_a_form_are_not_filters():
    query = read_statistics_address({"make": "", "level": " ", "group_by": "year"})
    assert query.as_document() == {"group_by": ["year"], "filters": {}, "horizon_days": 365}


@pytest.mark.parametrize("group", GROUPS)
def test_everything_that_can_be_grouped_by_is_accepted(group):
    assert read_statistics_address({"group_by": group}).group_by == (group,)


def test_a_part_is_shown_within_its_whole():
    assert read_statistics_address({"group_by": "model"}).dimensions == ("make", "model")
    assert read_statistics_address({"group_by": "code,make,model"}).dimensions == (
        "code_family",
        "code",
        "make",
        "model",
    )


def test_no_groups_at_all_is_one_row_for_everything():
    assert read_statistics_query({"group_by": []}).dimensions == ()


@pytest.mark.parametrize(
    "parameters, pointer",
    [
        ({"group_by": "colour"}, "/group_by"),
        ({"group_by": "make,make"}, "/group_by"),
        ({"group_by": "make,year,level,code"}, "/group_by"),
        ({"horizon_days": "0"}, "/horizon_days"),
        ({"horizon_days": "soon"}, "/horizon_days"),
        ({"year_min": "new"}, "/year_min"),
        ({"code": "X1"}, "/code"),
        ({"unit_kind": "engin"}, "/unit_kind"),
        ({"opened_from": "2026-13"}, "/opened_from"),
        ({"level": "paint"}, "/level"),
        ({"colour": "red"}, "/colour"),
    ],
)
def test_what_can_not_be_asked_is_refused_at_its_own_name(parameters, pointer):
    assert pointer in faults(read_statistics_address, parameters)


def test_a_result_needs_its_check_named():
    assert "check" in faults(read_statistics_address, {"result": "burnt"})["/result"]


def test_all_faults_come_at_once():
    found = faults(read_statistics_query, {"group_by": ["x"], "filters": {"level": "y"}, "z": 1})
    assert {"/group_by/0", "/filters/level", "/z"} <= found.keys()


def test_an_export_is_a_query_with_a_format():
    request = read_export_request({"group_by": ["make"], "format": "csv"})
    assert request.query == read_statistics_query({"group_by": ["make"]})
    assert "/format" in faults(read_export_request, {"format": "pdf"})


@pytest.mark.parametrize("month", ["0000-01", "2026-13", "2026-1", "٢٠٢٦-01"])
def test_a_month_that_no_calendar_has_is_refused(month):
    with pytest.raises(InvalidDocument) as refused:
        read_statistics_address({"opened_from": month})
    assert [fault.pointer for fault in refused.value.errors] == ["/opened_from"]
