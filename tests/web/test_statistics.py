"""The table for analysts: what it shows, what it withholds, and an address that makes it again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.test import Client

from casebook.outcomes.exports import list_exports, make_export
from casebook.shops.models import Person, Shop
from casebook.web.tables import name_group, present_table
from tests import factories
from tests.web.pages import read_page


@pytest.fixture
def pool(database: None) -> None:
    """Three shops with enough cases of air conditioning, and one case of brakes."""
    for _ in range(3):
        shop = factories.make_shop()
        for _ in range(3):
            factories.make_case(shop)
    factories.make_case(
        shop, unit={"kind": "brake_system"}, symptoms=[], findings=[], attempts=[], follow_ups=[]
    )


def test_a_group_is_shown_with_its_counts(pool: None, analyst: Client) -> None:
    page = read_page(analyst.get("/statistics?group_by=make"))
    assert "Talvera 10 3" in page.text


def test_a_group_of_too_few_is_withheld_and_says_why(pool: None, analyst: Client) -> None:
    page = read_page(analyst.get("/statistics"))
    assert "Brakes withheld" in page.text
    assert "fewer than 5 cases or 3 shops" in page.text


def test_an_empty_pool_has_an_empty_table(analyst: Client) -> None:
    assert "No case fits" in read_page(analyst.get("/statistics")).text


def test_groups_sent_one_by_one_and_as_a_list_make_the_same_table(
    pool: None, analyst: Client
) -> None:
    one_by_one = read_page(analyst.get("/statistics?group_by=make&group_by=year&group_by="))
    as_list = read_page(analyst.get("/statistics?group_by=make,year"))
    heads = [word for word in one_by_one.words if word in ("Make", "Year")]
    assert heads == [word for word in as_list.words if word in ("Make", "Year")]
    chosen = [a["value"] for a in as_list.all("option") if "selected" in a]
    assert chosen[:2] == ["make", "year"]


def test_filters_stand_in_the_form_and_above_the_table(pool: None, analyst: Client) -> None:
    page = read_page(
        analyst.get("/statistics?group_by=year&unit_kind=ac_system&year_min=2010&symptom=warm_air")
    )
    kept = [a for a in page.all("input") if a.get("name") == "symptom"]
    # In the form for another table, and in the one that asks for a file of this one.
    assert [a["value"] for a in kept] == ["warm_air", "warm_air"]
    assert "Symptom: warm_air" in page.text
    assert "2010" in [a["value"] for a in page.all("input") if a.get("name") == "year_min"]
    assert "Unit: Air conditioning" in page.text
    assert "Year from: 2010" in page.text


@pytest.mark.parametrize(
    "query, name",
    [("year_min=20x9", "year_min"), ("code=P99", "code"), ("horizon_days=0", "horizon_days")],
)
def test_a_filter_that_can_not_be_read_is_said_at_its_field(
    analyst: Client, query: str, name: str
) -> None:
    page = read_page(analyst.get(f"/statistics?group_by=make&{query}"), 422)
    assert page.field(name)["aria-invalid"] == "true"
    assert page.field(name)["value"] == query.partition("=")[2]


def test_nonsense_in_the_address_is_a_fault_and_no_failure(analyst: Client) -> None:
    for query in ("group_by=shop", "nonsense=1", "group_by=make,make", "group_by=" + "make," * 9):
        read_page(analyst.get(f"/statistics?{query}"), 422)


ROW: dict[str, Any] = {
    "unit_kind": "ac_system",
    "cases": 60,
    "shops": 9,
    "suppressed": False,
    "levels": [
        {
            "level": "service",
            "tried": 40,
            "held": 12,
            "came_back": 9,
            "gone": 1,
            "not_known": 18,
            "holds": 0.71,
            "interval_low": 0.6,
            "interval_high": 0.8,
            "effective_cases": 22.0,
            "median_cost": "180.00",
            "currency": "EUR",
            "suppressed": False,
        },
        {
            "level": "component",
            "tried": None,
            "came_back": None,
            "holds": None,
            "median_cost": None,
            "suppressed": True,
        },
    ],
}


def test_a_cell_has_figure_span_and_counts_or_the_reason_why_not() -> None:
    (row,) = present_table([ROW], ["unit_kind"]).rows
    service, component, overhaul, _ = row.levels
    assert row.names == ["Air conditioning"]
    assert service.gauge is not None
    assert (service.counts, service.cost) == ("9 of 40 came back", "median 180 EUR")
    assert (component.gauge, component.why) == (None, "withheld")
    assert (overhaul.gauge, overhaul.why) == (None, "not tried first")


@pytest.mark.parametrize(
    "dimension, value, said",
    [
        ("unit_kind", "ac_system", "Air conditioning"),
        ("odometer_band", "50000-100000 km", "50–100 000 km"),
        ("check_result", "dye_inspection:seepage", None),
        ("make", None, "not recorded"),
        ("level", "service", "Service"),
        ("year", 2018, "2018"),
    ],
)
def test_group_keys_are_put_into_words(dimension: str, value: Any, said: str | None) -> None:
    shown = name_group(dimension, value).replace("\u00a0", " ").replace("\u2060", "")
    assert "_" not in shown
    if said is not None:
        assert shown == said


def ask_for_file(client: Client) -> str:
    response = client.post(
        "/statistics/exports", {"group_by": "make,year", "unit_kind": "ac_system"}
    )
    assert response.status_code == 302
    return str(response["Location"])


def test_a_file_is_asked_for_made_and_saved(
    pool: None, analyst: Client, settings: Any, tmp_path: Path
) -> None:
    settings.EXPORT_DIR = tmp_path
    address = ask_for_file(analyst)
    page = read_page(analyst.get(address))
    assert "Waiting for its turn" in page.text
    assert "By make, year" in page.text
    assert f"{address}/file" not in page.links()
    read_page(analyst.get(f"{address}/file"), 409)
    (job,) = list_exports(shop=analyst_shop(analyst))
    make_export(f"{job.shop_id}/{job.pk}")
    page = read_page(analyst.get(address))
    assert f"{address}/file" in page.links()
    response = analyst.get(f"{address}/file")
    assert response["Content-Type"] == "text/csv; charset=utf-8"
    assert response["Content-Disposition"].startswith("attachment;")
    assert b"Talvera" in b"".join(response.streaming_content)  # type: ignore[attr-defined]
    assert address in read_page(analyst.get("/statistics/exports")).links()


def analyst_shop(client: Client) -> Shop:
    return Person.objects.select_related("shop").get(pk=client.session["_auth_user_id"]).shop


def test_another_shops_file_is_not_there(pool: None, analyst: Client, other_shop: Shop) -> None:
    address = ask_for_file(analyst)
    other = Client()
    other.force_login(factories.make_person(other_shop, "analyst"))
    read_page(other.get(address), 404)
    read_page(other.get(f"{address}/file"), 404)
    assert address not in read_page(other.get("/statistics/exports")).links()


def test_a_technician_makes_no_files(browser: Client) -> None:
    read_page(browser.post("/statistics/exports", {"group_by": "make"}), 403)
    read_page(browser.get("/statistics/exports"), 403)
