"""POST and GET /cases, /cases/preview: what goes in comes out, and all faults at once."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import pytest

from api.v1 import examples
from casebook.cases.models import Case, SharedCase
from casebook.shops.tenancy import acting_for
from tests.clients import ApiClient, pointers_of, problem_of
from tests.factories import case_data, make_case


@pytest.fixture
def client(keys: Any) -> ApiClient:
    return ApiClient(keys["contribute"])


def test_a_posted_case_is_answered_as_stored(client: ApiClient) -> None:
    response = client.post("/cases", case_data())
    assert response.status_code == 201
    case = response.json()
    assert response["Location"] == f"/api/v1/cases/{case['id']}"
    assert response["ETag"] == '"1"'
    assert UUID(case["id"]).version == 7
    assert case["state"] == "repaired"
    assert case["masked"] == [{"kind": "phone", "count": 1}]
    assert case["vehicle"] == case_data()["vehicle"]
    assert case["symptoms"][0] == {"symptom": "warm_air", "when": [], "stage": "intake"}
    assert case["attempts"][0]["parts_cost"] == "48.50"
    assert case["notes"] == case_data()["notes"]  # the shop's own words stay its own
    assert client.get(f"/cases/{case['id']}").json() == case


def test_an_answer_can_be_posted_again_as_another_case(client: ApiClient) -> None:
    first = client.post("/cases", case_data()).json()
    again = {name: first[name] for name in case_data()} | {"complaint_no": 3}
    second = client.post("/cases", again)
    assert second.status_code == 201
    assert {name: second.json()[name] for name in again} == again


def test_the_least_that_makes_a_case_is_enough(client: ApiClient) -> None:
    least = {
        "vehicle": {"year": 2015, "make": "Talvera"},
        "unit": {"kind": "engine"},
        "complaint": "rattles cold",
    }
    case = client.post("/cases", least).json()
    assert (case["state"], case["attempts"], case["next_due_on"]) == ("open", [], None)


@pytest.mark.parametrize("example", [examples.CASE])
def test_the_published_example_is_accepted(client: ApiClient, example: Any) -> None:
    response = client.post("/cases", example.value)
    assert response.status_code == 201, response.content
    assert response.json()["warnings"] == []


def test_all_faults_come_at_once_with_their_places(client: ApiClient) -> None:
    bad = case_data(
        opened_on="11.05.2026",
        colour="red",
        vehicle={"year": "old", "make": "", "odometer": {"value": -1, "unit": "leagues"}},
        unit={"kind": "gearbox"},
        codes=["P0533", "X9999", {"code": "P0533", "status": "on"}],
        symptoms=["warm_air", "warm_aire", {"symptom": "warm_air", "when": ["sunny"]}],
        findings=[{"check": "dye_inspection", "result": "blue"}, {"check": "sniffing"}],
        attempts=[{"on": "2026-05-12", "level": "service", "parts_cost": 12.5, "result": "fine"}],
    )
    response = client.post("/cases", bad)
    assert pointers_of(response) == [
        "/attempts/0/parts_cost",
        "/attempts/0/result",
        "/codes/1",
        "/codes/2/status",
        "/colour",
        "/findings/0/result",
        "/findings/1/check",
        "/opened_on",
        "/symptoms/1",
        "/symptoms/2/when",
        "/unit/kind",
        "/vehicle/make",
        "/vehicle/odometer/unit",
        "/vehicle/odometer/value",
        "/vehicle/year",
    ]
    details = {error["pointer"]: error["detail"] for error in response.json()["errors"]}
    assert "Did you mean warm_air?" in details["/symptoms/1"]
    assert "'colour'" in details["/colour"]


@pytest.mark.parametrize("body", [[], "case", 7, None, True])
def test_what_is_no_object_is_told_so(client: ApiClient, body: Any) -> None:
    assert "" in pointers_of(client.post("/cases", body))


def test_an_empty_body_names_what_is_required(client: ApiClient) -> None:
    assert pointers_of(client.send("POST", "/cases", b"", "application/json")) == [
        "",
        "/unit",
        "/vehicle",
    ]


def test_a_refused_case_leaves_nothing_behind(client: ApiClient, shop: Any) -> None:
    assert client.post("/cases", case_data(colour="red")).status_code == 422
    with acting_for(shop.pk):
        assert Case.objects.count() == 0
        assert SharedCase.objects.count() == 0


def test_a_reference_that_is_taken_leads_to_its_case(client: ApiClient) -> None:
    first = client.post("/cases", case_data()).json()
    response = client.post("/cases", case_data(complaint="something else"))
    problem = problem_of(response, 409, "reference_taken")
    assert problem["case_id"] == first["id"]
    assert response["Link"] == f'</api/v1/cases/{first["id"]}>; rel="related"'
    assert client.post("/cases", case_data(complaint_no=3)).status_code == 201


def test_two_shops_may_use_one_reference(client: ApiClient, other_keys: Any) -> None:
    assert client.post("/cases", case_data()).status_code == 201
    assert ApiClient(other_keys["contribute"]).post("/cases", case_data()).status_code == 201


def test_implausible_values_are_stored_and_doubted(client: ApiClient) -> None:
    gearbox = case_data(unit={"kind": "manual_transmission"}, shop_reference="W-1")
    case = client.post("/cases", gearbox)
    assert case.status_code == 201
    assert "/symptoms/0/symptom" in [warning["pointer"] for warning in case.json()["warnings"]]


def test_another_shops_case_is_not_there(client: ApiClient, other_keys: Any) -> None:
    case_id = client.post("/cases", case_data()).json()["id"]
    stranger = ApiClient(other_keys["contribute"])
    problem_of(stranger.get(f"/cases/{case_id}"), 404, "not_found")
    assert stranger.get("/cases").json()["results"] == []


def test_a_case_that_is_known_already_is_not_sent_again(client: ApiClient) -> None:
    posted = client.post("/cases", case_data())
    path = posted["Location"]
    assert client.get(path, If_None_Match=posted["ETag"]).status_code == 304
    assert client.get(path, If_None_Match=f"W/{posted['ETag']}").status_code == 304
    assert client.get(path, If_None_Match='"2", "1"').status_code == 304
    assert client.get(path, If_None_Match='"2"').status_code == 200


def test_a_preview_shows_what_others_see_and_stores_nothing(client: ApiClient, shop: Any) -> None:
    response = client.post("/cases/preview", case_data())
    assert response.status_code == 200
    preview = response.json()
    assert preview["masked"] == [{"kind": "phone", "count": 1}]
    for secret in ("2345678", "70311", "2026-05-11", "148200"):
        assert secret not in response.content.decode()
    with acting_for(shop.pk):
        assert Case.objects.count() == 0
    posted = client.post("/cases", case_data()).json()
    with acting_for(shop.pk):
        case = Case.objects.get(pk=posted["id"])
        stored = SharedCase.objects.get(pk=case.shared_id).document
    assert {k: v for k, v in stored.items() if k != "id"} == preview["shared"]


def test_a_preview_refuses_what_a_post_refuses(client: ApiClient) -> None:
    bad = case_data(unit={"kind": "gearbox"}, colour="red")
    assert pointers_of(client.post("/cases/preview", bad)) == ["/colour", "/unit/kind"]


def test_a_post_costs_a_bounded_number_of_queries(
    client: ApiClient, django_assert_max_num_queries: Any
) -> None:
    many = case_data(attempts=case_data()["attempts"] * 5, follow_ups=case_data()["follow_ups"] * 5)
    with django_assert_max_num_queries(22):
        assert client.post("/cases", many).status_code == 201


def test_reading_a_case_costs_a_bounded_number_of_queries(
    client: ApiClient, shop: Any, django_assert_max_num_queries: Any
) -> None:
    case = make_case(shop)
    with django_assert_max_num_queries(10):
        client.get(f"/cases/{case.pk}")
