"""GET /statistics: grouped and filtered outcomes; small cells tell nothing."""

from __future__ import annotations

from typing import Any

import pytest

from tests.clients import ApiClient, pointers_of
from tests.factories import make_case, make_shop


@pytest.fixture
def client(keys: Any) -> ApiClient:
    return ApiClient(keys["analyst"])


@pytest.fixture
def pool(database: None) -> None:
    """Four shops with three cases each of one kind, and two each of another."""
    for _ in range(4):
        shop = make_shop()
        for _ in range(3):
            make_case(shop)
        for _ in range(2):
            make_case(shop, unit={"kind": "cooling_system"}, codes=["P0217"])


def test_a_group_tells_its_cases_and_what_became_of_them(client: ApiClient, pool: None) -> None:
    answer = client.get("/statistics", {"group_by": "unit_kind,code", "horizon_days": 30})
    assert answer.status_code == 200
    table = answer.json()
    assert table["group_by"] == ["unit_kind", "code"]
    assert table["horizon_days"] == 30
    row = next(row for row in table["rows"] if row["code"] == "P0533")
    assert (row["unit_kind"], row["cases"], row["shops"]) == ("ac_system", 12, 4)
    (level,) = row["levels"]
    assert level["level"] == "service"
    parts = ("held", "came_back", "gone", "not_known")
    assert level["tried"] == sum(level[part] for part in parts) == 12
    assert level["interval_low"] <= level["holds"] <= level["interval_high"]


def test_a_small_group_is_suppressed_and_shows_no_number(
    client: ApiClient, pool: None, shop: Any
) -> None:
    make_case(shop, unit={"kind": "engine"}, codes=["P0016"])
    rows = client.get("/statistics", {"group_by": "unit_kind"}).json()["rows"]
    small = next(row for row in rows if row["unit_kind"] == "engine")
    assert small["suppressed"] is True
    assert (small["cases"], small["shops"], small["levels"]) == (None, None, [])


def test_without_parameters_there_is_a_table_by_unit_kind(client: ApiClient, pool: None) -> None:
    table = client.get("/statistics").json()
    assert table["group_by"] == ["unit_kind"]
    assert table["horizon_days"] == 365


def test_filters_leave_out_what_does_not_match(client: ApiClient, pool: None) -> None:
    table = client.get("/statistics", {"make": "talvera", "year_min": 2019}).json()
    assert table["rows"] == []
    assert table["filters"] == {"make": "talvera", "year_min": 2019}


def test_all_bad_parameters_are_named_at_once(client: ApiClient) -> None:
    query = {
        "group_by": "unit_kind,shop",
        "horizon_days": "soon",
        "unit_kind": "gearbox",
        "code": "nope",
        "opened_from": "2026-13",
        "colour": "",
    }
    response = client.get("/statistics", query)
    found = pointers_of(response, 400, "bad_parameters")
    assert set(found) == {"/colour", "/horizon_days", "/unit_kind", "/code", "/opened_from"} | {
        pointer for pointer in found if pointer.startswith("/group_by")
    }
    assert any(pointer.startswith("/group_by") for pointer in found)


def test_no_shop_can_be_told_from_the_table(client: ApiClient, shop: Any, pool: None) -> None:
    text = client.get("/statistics", {"group_by": "make,model"}).content.decode()
    assert str(shop.pk) not in text
    assert shop.name not in text


def test_the_number_of_queries_does_not_grow_with_the_pool(
    client: ApiClient, pool: None, django_assert_num_queries: Any
) -> None:
    client.get("/me")
    for group in ("unit_kind", "code"):
        with django_assert_num_queries(7):
            client.get("/statistics", {"group_by": group})
