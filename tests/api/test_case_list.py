"""GET /cases: pages that neither repeat nor lose a case, and filters."""

from __future__ import annotations

import random
from datetime import date, timedelta
from typing import Any
from uuid import uuid4

import pytest

from api.pagination import Cursor, cut_page, decode_cursor, encode_cursor
from api.problems import Problem
from tests.clients import ApiClient, pointers_of, problem_of
from tests.factories import case_data, make_case


@pytest.fixture
def client(keys: Any) -> ApiClient:
    return ApiClient(keys["contribute"])


@pytest.fixture
def many(shop: Any) -> list[str]:
    """Ids in the order of the list: newest opened first; several opened on one day."""
    days = [date(2026, 5, 11) - timedelta(days=n // 3) for n in range(11)]
    random.Random(7).shuffle(days)
    cases = [make_case(shop, opened_on=str(day), attempts=[], follow_ups=[]) for day in days]
    cases.sort(key=lambda case: (case.opened_on, case.pk), reverse=True)
    return [str(case.pk) for case in cases]


def ids(answer: dict[str, Any]) -> list[str]:
    return [case["id"] for case in answer["results"]]


def test_pages_forwards_and_back_hold_every_case_once(client: ApiClient, many: list[str]) -> None:
    response = client.get("/cases", {"limit": 4})
    page = response.json()
    assert page["previous"] is None
    assert response["Link"] == f'<{page["next"]}>; rel="next"'
    forwards = [page]
    while page["next"]:
        page = client.get(page["next"]).json()
        forwards.append(page)
    assert [len(page["results"]) for page in forwards] == [4, 4, 3]
    assert [key for page in forwards for key in ids(page)] == many
    backwards = [page]
    while page["previous"]:
        page = client.get(page["previous"]).json()
        backwards.insert(0, page)
    assert [key for page in backwards for key in ids(page)] == many
    assert backwards[0]["next"] is not None


def test_a_case_posted_meanwhile_shifts_no_page(
    client: ApiClient, many: list[str], shop: Any
) -> None:
    first = client.get("/cases", {"limit": 5}).json()
    make_case(shop, opened_on="2026-05-12", attempts=[], follow_ups=[])
    assert ids(client.get(first["next"]).json()) == many[5:10]


def test_a_page_whose_cases_are_gone_still_leads_back(client: ApiClient, many: list[str]) -> None:
    page = client.get("/cases", {"limit": 8}).json()
    for key in many[8:]:
        assert client.delete(f"/cases/{key}").status_code == 204
    empty = client.get(page["next"]).json()
    assert (empty["results"], empty["next"]) == ([], None)
    assert ids(client.get(empty["previous"]).json()) == many[:7]


def test_filters_are_kept_from_page_to_page(client: ApiClient, many: list[str], shop: Any) -> None:
    for _ in range(3):
        make_case(shop, unit={"kind": "cooling_system"}, opened_on="2026-05-10")
    page = client.get("/cases", {"unit_kind": "cooling_system", "limit": 2}).json()
    second = client.get(page["next"]).json()
    kinds = [case["unit"]["kind"] for answer in (page, second) for case in answer["results"]]
    assert kinds == ["cooling_system"] * 3


def test_each_filter_finds_its_cases(client: ApiClient, shop: Any) -> None:
    plain = make_case(shop)
    old = make_case(shop, opened_on="2025-01-31", attempts=[], follow_ups=[])
    other = make_case(
        shop, unit={"kind": "cooling_system"}, codes=["P0217-62"], opened_on="2026-05-12"
    )
    named = make_case(shop, shop_reference="Ä-9/1", opened_on="2026-05-09")
    for query, found in [
        ({}, [other, plain, named, old]),
        ({"state": "open"}, [old]),
        ({"state": "repaired"}, [other, plain, named]),
        ({"state": "followed"}, []),
        ({"opened_from": "2026-05-11"}, [other, plain]),
        ({"opened_to": "2025-01-31"}, [old]),
        ({"opened_from": "2026-05-09", "opened_to": "2026-05-11"}, [plain, named]),
        ({"unit_kind": "cooling_system"}, [other]),
        ({"code": "p0217"}, [other]),
        ({"code": "P0533"}, [plain, named, old]),
        ({"shop_reference": "Ä-9/1"}, [named]),
        ({"shop_reference": "Ä-9"}, []),
    ]:
        answer = client.get("/cases", query).json()
        assert ids(answer) == [str(case.pk) for case in found], query


def test_all_bad_parameters_are_named_at_once(client: ApiClient) -> None:
    query = {
        "state": "done",
        "opened_from": "yesterday",
        "opened_to": "1700000000",
        "unit_kind": "gearbox",
        "code": "XYZ",
        "limit": "1000",
        "page": "2",
        "shop_reference": "a\0b",
    }
    response = client.get("/cases", query)
    assert pointers_of(response, 400, "bad_parameters") == sorted(f"/{name}" for name in query)
    assert {error["in"] for error in response.json()["errors"]} == {"query"}


def test_limits_of_parameters_are_told_in_plain_words(client: ApiClient) -> None:
    for query, said in [
        ({"limit": "0"}, "Give at least 1."),
        ({"limit": "201"}, "Give at most 200."),
        ({"shop_reference": "x" * 1001}, "Give at most 1000 characters."),
    ]:
        (error,) = problem_of(client.get("/cases", query), 400, "bad_parameters")["errors"]
        assert error["detail"] == said


def test_a_parameter_given_twice_is_refused(client: ApiClient) -> None:
    response = client.get("/cases?state=open&state=repaired")
    assert pointers_of(response, 400, "bad_parameters") == ["/state"]


@pytest.mark.parametrize("cursor", ["", "x", "AAAA", "W10", "bnVsbA", "é", "WyJmIiwgMSwgMl0"])
def test_a_cursor_that_is_none_of_ours_is_refused(client: ApiClient, cursor: str) -> None:
    problem_of(client.get("/cases", {"cursor": cursor}), 400, "bad_cursor")


def test_the_number_of_queries_does_not_grow_with_the_page(
    client: ApiClient, many: list[str], django_assert_num_queries: Any
) -> None:
    client.get("/cases")
    for limit in (1, 11):
        with django_assert_num_queries(9):
            client.get("/cases", {"limit": limit})


def test_paging_agrees_with_slicing_the_whole_list(shop: Any) -> None:
    """A second, naive way: the whole list in memory, cut by index."""
    dice = random.Random(3)
    cases = [make_case(shop, opened_on=f"2026-04-{dice.randint(1, 4):02}") for _ in range(7)]
    rows = sorted(((c.opened_on, c.pk) for c in cases), reverse=True)
    for limit in range(1, 8):
        cursor: Cursor | None = None
        for start in range(0, 7, limit):
            rest = [row for row in rows if cursor is None or row < (cursor.day, cursor.id)]
            page = cut_page(rest[: limit + 1], limit=limit, cursor=cursor, place_of=lambda r: r)
            assert list(page.rows) == rows[start : start + limit]
            assert (page.next is None) == (start + limit >= 7)
            assert (page.previous is None) == (start == 0)
            cursor = page.next


def test_a_cursor_survives_its_journey() -> None:
    for backwards in (True, False):
        cursor = Cursor(backwards, date(2026, 2, 28), uuid4())
        assert decode_cursor(encode_cursor(cursor)) == cursor
    with pytest.raises(Problem):
        decode_cursor(encode_cursor(cursor)[:-3])


def test_the_reference_of_another_shop_finds_nothing(client: ApiClient, other_shop: Any) -> None:
    make_case(other_shop, **case_data())
    assert client.get("/cases", {"shop_reference": "70311"}).json()["results"] == []
