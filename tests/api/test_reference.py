"""What is looked up: vocabulary, VIN, the caller."""

from __future__ import annotations

import logging
from typing import Any

import pytest
from django.test import Client

from api.v1 import reference
from casebook.vocabulary import load_vocabulary
from casebook.vocabulary.makes import Maker
from tests.clients import ApiClient, pointers_of


@pytest.fixture
def client(keys: Any) -> ApiClient:
    return ApiClient(keys["search"])


def test_the_vocabulary_is_answered_whole_and_once(client: ApiClient) -> None:
    response = client.get("/vocabulary")
    document = response.json()
    assert document == load_vocabulary().as_document()
    assert response["ETag"] == f'"{document["version"]}"'
    again = client.get("/vocabulary", If_None_Match=response["ETag"])
    assert (again.status_code, again.content) == (304, b"")
    assert again["ETag"] == response["ETag"]
    assert client.get("/vocabulary", If_None_Match='"older"').status_code == 200


def test_the_vocabulary_costs_no_query_of_its_own(
    client: ApiClient, django_assert_num_queries: Any
) -> None:
    client.get("/me")
    with django_assert_num_queries(1):  # the key
        client.get("/vocabulary")


@pytest.mark.parametrize(
    "body, places",
    [
        ({}, ["/vin"]),
        ({"vin": 7}, ["/vin"]),
        ({"vin": "SHORT", "extra/field": 1}, ["/extra~1field"]),
        ({"vin": "SHORT"}, ["/vin"]),
        ([], [""]),
    ],
)
def test_a_bad_question_about_a_vin_is_refused(
    client: ApiClient, body: Any, places: list[str]
) -> None:
    assert pointers_of(client.post("/vin", body)) == places


def test_a_vin_is_neither_stored_nor_logged(client: ApiClient, caplog: Any) -> None:
    caplog.set_level(logging.DEBUG)
    response = client.post("/vin", {"vin": "1M8GDM9AXKP042788"})
    assert response.status_code == 200
    assert response["Cache-Control"] == "private, no-store"
    assert "KP042788" not in caplog.text


def test_a_vin_gives_its_years_the_likeliest_first_and_no_make_where_nobody_knows_it(
    client: ApiClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reference, "look_up_make", lambda vin: None)
    answer = client.post("/vin", {"vin": "1m8 gdm9ax kp042788"}).json()
    assert answer["years"] == [1989, 2019]  # a bus, for which position 7 decides nothing
    assert (answer["check_digit"], answer["country"]) == ("ok", "United States")
    assert [answer[name] for name in ("make", "model", "make_source")] == [None, None, None]


def test_a_make_is_suggested_with_its_source_and_asked_for_with_the_clean_vin(
    client: ApiClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    makers = {"1M8GDM9AXKP042788": Maker("Corvane", "Parcel 300", "a register")}
    monkeypatch.setattr(reference, "look_up_make", makers.get)
    answer = client.post("/vin", {"vin": "1m8-gdm9ax kp042788"}).json()
    named = [answer[name] for name in ("make", "model", "make_source")]
    assert named == ["Corvane", "Parcel 300", "a register"]


def test_me_says_for_whom_the_caller_speaks(client: ApiClient, shop: Any, keys: Any) -> None:
    me = client.get("/me").json()
    assert me["shop"] == {"id": str(shop.pk), "name": shop.name, "region": shop.region}
    assert me["roles"] == ["search"]
    assert me["person"] is None
    assert keys["search"].startswith(me["key"].rstrip("…"))
    assert me["limits"]["body_bytes"] > 100_000


def test_head_answers_as_get_does_but_without_a_body(client: ApiClient, keys: Any) -> None:
    plain = Client(headers={"Authorization": f"Bearer {keys['search']}"})
    whole = client.get("/me")
    head = plain.head("/api/v1/me")
    assert (head.status_code, head.content) == (200, b"")
    assert int(head["Content-Length"]) == len(whole.content)
