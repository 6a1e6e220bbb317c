"""GET /follow_ups/due: whose outcome is owed, the longest owed first."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from casebook.cases.services import today
from tests.clients import ApiClient
from tests.factories import make_case


def repaired(shop: Any, days_ago: int) -> str:
    day = today() - timedelta(days=days_ago)
    attempt = {"on": str(day), "level": "service", "result": "fixed"}
    case = make_case(shop, opened_on=str(day), attempts=[attempt], follow_ups=[])
    return str(case.pk)


def test_the_longest_owed_comes_first_and_nothing_else_comes(
    shop: Any, other_shop: Any, keys: Any
) -> None:
    client = ApiClient(keys["contribute"])
    a_month, a_year, fresh = repaired(shop, 30), repaired(shop, 400), repaired(shop, 29)
    repaired(other_shop, 100)
    answer = client.get("/follow_ups/due").json()
    assert [case["id"] for case in answer["results"]] == [a_year, a_month]
    assert answer["next"] is None
    due = [date.fromisoformat(case["next_due_on"]) for case in answer["results"]]
    assert due == [today() - timedelta(days=370), today()]
    assert fresh not in str(answer)


def test_a_recorded_follow_up_takes_the_case_off_the_list(shop: Any, keys: Any) -> None:
    client = ApiClient(keys["contribute"])
    case_id = repaired(shop, 40)
    seen = {"on": str(today()), "state": "holding"}
    assert client.post(f"/cases/{case_id}/follow_ups", seen).status_code == 201
    assert client.get("/follow_ups/due").json()["results"] == []
    assert client.get(f"/cases/{case_id}").json()["next_due_on"] is not None


def test_the_number_of_queries_does_not_grow_with_the_list(
    shop: Any, keys: Any, django_assert_num_queries: Any
) -> None:
    client = ApiClient(keys["contribute"])
    for days in (50, 60, 70):
        repaired(shop, days)
    client.get("/me")
    for limit in (1, 3):
        with django_assert_num_queries(9):
            client.get("/follow_ups/due", {"limit": limit})


def test_pages_forwards_and_back_hold_every_case_once(shop: Any, keys: Any) -> None:
    client = ApiClient(keys["contribute"])
    days = [60, 60, 45, 90, 60]
    made = [(today() - timedelta(days=ago - 30), repaired(shop, ago)) for ago in days]
    order = [key for _, key in sorted(made)]
    page = client.get("/follow_ups/due", {"limit": 2}).json()
    assert page["previous"] is None
    seen = [page]
    while page["next"]:
        page = client.get(page["next"]).json()
        seen.append(page)
    assert [case["id"] for part in seen for case in part["results"]] == order
    back = [page]
    while page["previous"]:
        page = client.get(page["previous"]).json()
        back.insert(0, page)
    assert [case["id"] for part in back for case in part["results"]] == order
