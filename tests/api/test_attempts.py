"""POST /cases/{id}/attempts and /follow_ups: what was done, what was seen later."""

from __future__ import annotations

from typing import Any

import pytest

from api.v1 import examples
from casebook.cases.models import Case
from casebook.shops.tenancy import acting_for
from tests.clients import ApiClient, pointers_of, problem_of
from tests.factories import make_case

ATTEMPT = {
    "on": "2026-05-20",
    "level": "component",
    "actions": ["replace_condenser"],
    "labour_hours": 2.25,
    "labour_cost": "202.50",
    "currency": "EUR",
    "result": "fixed",
}
SEEN = {"on": "2026-07-01", "state": "came_back", "odometer": {"value": 93500.5, "unit": "mi"}}


@pytest.fixture
def client(keys: Any) -> ApiClient:
    return ApiClient(keys["contribute"])


@pytest.fixture
def open_case(shop: Any) -> str:
    return f"/cases/{make_case(shop, attempts=[], follow_ups=[]).pk}"


def test_an_attempt_repairs_an_open_case(client: ApiClient, open_case: str) -> None:
    assert client.get(open_case).json()["state"] == "open"
    response = client.post(f"{open_case}/attempts", ATTEMPT)
    assert response.status_code == 201
    assert response["ETag"] == '"2"'
    case = response.json()
    assert (case["state"], case["next_due_on"]) == ("repaired", "2026-06-19")
    assert {k: case["attempts"][0][k] for k in ATTEMPT} == ATTEMPT
    assert client.get(response["Location"]).json() == case


def test_attempts_keep_their_order(client: ApiClient, open_case: str) -> None:
    client.post(f"{open_case}/attempts", ATTEMPT)
    second = ATTEMPT | {"on": "2026-06-01", "level": "replacement", "unit_source": "used"}
    case = client.post(f"{open_case}/attempts", second | {"actions": []}).json()
    assert [attempt["level"] for attempt in case["attempts"]] == ["component", "replacement"]
    assert case["attempts"][1]["unit_source"] == "used"


def test_a_comeback_ends_the_waiting(client: ApiClient, open_case: str) -> None:
    client.post(f"{open_case}/attempts", ATTEMPT)
    case = client.post(f"{open_case}/follow_ups", SEEN).json()
    assert (case["state"], case["next_due_on"]) == ("followed", None)
    assert case["follow_ups"] == [SEEN]


def test_the_published_examples_are_accepted(client: ApiClient) -> None:
    path = client.post("/cases", examples.CASE.value)["Location"]
    for part, example in (("attempts", examples.ATTEMPT), ("follow_ups", examples.FOLLOW_UP)):
        response = client.post(f"{path}/{part}", example.value)
        assert response.status_code == 201, response.content


def test_faults_of_an_attempt_point_into_what_was_sent(client: ApiClient, open_case: str) -> None:
    bad = {"on": "soon", "level": "magic", "actions": ["pray"], "parts": 3, "labour_hours": -1}
    response = client.post(f"{open_case}/attempts", bad)
    assert pointers_of(response) == ["/actions", "/labour_hours", "/level", "/on", "/parts"]


def test_faults_of_a_follow_up_point_into_what_was_sent(client: ApiClient, open_case: str) -> None:
    client.post(f"{open_case}/attempts", ATTEMPT)
    early = SEEN | {"on": "2026-05-01", "state": "fine"}
    assert pointers_of(client.post(f"{open_case}/follow_ups", early)) == ["/on", "/state"]


def test_a_follow_up_needs_an_attempt(client: ApiClient, open_case: str) -> None:
    response = client.post(f"{open_case}/follow_ups", SEEN)
    assert "needs an attempt" in problem_of(response, 422, "invalid")["errors"][0]["detail"]


@pytest.mark.parametrize("part, body", [("attempts", ATTEMPT), ("follow_ups", SEEN)])
def test_another_shop_adds_nothing(
    part: str, body: Any, open_case: str, other_keys: Any, shop: Any
) -> None:
    stranger = ApiClient(other_keys["contribute"])
    problem_of(stranger.post(f"{open_case}/{part}", body), 404, "not_found")
    # Not even a hint of what would be wrong with it.
    problem_of(stranger.post(f"{open_case}/{part}", {}), 404, "not_found")
    with acting_for(shop.pk):
        assert Case.objects.get().version == 1


def test_an_addition_may_insist_on_a_version(client: ApiClient, open_case: str) -> None:
    path = f"{open_case}/attempts"
    problem_of(client.post(path, ATTEMPT, If_Match='"2"'), 412, "stale_version")
    assert client.post(path, ATTEMPT, If_Match='"1"').status_code == 201


def test_an_addition_costs_a_bounded_number_of_queries(
    client: ApiClient, open_case: str, django_assert_max_num_queries: Any
) -> None:
    with django_assert_max_num_queries(22):
        client.post(f"{open_case}/attempts", ATTEMPT)
