"""Idempotency-Key: a repeated request makes nothing twice and gets the same bytes."""

from __future__ import annotations

import hashlib
import json
import threading
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from django.db import connection, connections

from api.idempotency import _lock
from casebook.cases.models import Attempt, Case
from casebook.shops.models import IdempotencyKey
from casebook.shops.tenancy import acting_for
from tests.clients import ApiClient, problem_of
from tests.factories import case_data, make_case, make_key, make_shop

KEPT = ("Content-Type", "Location", "ETag")


@pytest.fixture
def client(keys: Any) -> ApiClient:
    return ApiClient(keys["contribute"])


def test_a_repeat_gets_the_first_answer_byte_for_byte(client: ApiClient, shop: Any) -> None:
    first = client.post("/cases", case_data(), Idempotency_Key="order-70311-2")
    assert first.status_code == 201
    assert "Idempotent-Replayed" not in first
    # The case has moved on meanwhile; the answer to that request has not.
    client.patch(first["Location"], {"notes": "changed"}, If_Match="*")
    again = client.post("/cases", case_data(), Idempotency_Key="order-70311-2")
    assert again["Idempotent-Replayed"] == "true"
    assert (again.status_code, again.content) == (201, first.content)
    assert [again[name] for name in KEPT] == [first[name] for name in KEPT]
    with acting_for(shop.pk):
        assert Case.objects.count() == 1


def test_the_same_request_may_be_spelled_otherwise(keys: Any) -> None:
    client = ApiClient(keys["contribute"])
    client.send("POST", "/cases", BODY, "application/json", Idempotency_Key="k")
    spelled = b"{" + b", \n".join(reversed(PARTS)) + b"}"
    again = client.send("POST", "/cases", spelled, "application/json", Idempotency_Key='"k"')
    assert again["Idempotent-Replayed"] == "true"


PARTS = [
    b'"complaint": "d\xc3\xa9marre mal"',
    b'"unit": {"kind": "starting_system"}',
    b'"vehicle": {"year": 2014, "make": "Talvera"}',
]
BODY = b"{" + b",".join(PARTS) + b"}"


def test_what_is_remembered_of_a_request_can_not_be_guessed_from_its_body(
    client: ApiClient, shop: Any
) -> None:
    """The rest of the body is stored anyway: a plain hash would give the VIN away by trying."""
    body = case_data()
    body["vehicle"]["vin"] = "1HGCR2F3XFA027534"
    client.post("/cases", body, Idempotency_Key="k")
    plain = json.dumps(["POST", "/api/v1/cases", body], sort_keys=True).encode()
    with acting_for(shop.pk):
        stored = IdempotencyKey.objects.get()
    assert len(bytes(stored.request_hash)) == 32
    assert bytes(stored.request_hash) != hashlib.sha256(plain).digest()
    assert b"1HGCR2F3XFA027534" not in bytes(stored.body)


def test_another_body_or_address_under_the_key_is_refused(client: ApiClient) -> None:
    path = client.post("/cases", case_data(), Idempotency_Key="k")["Location"]
    other = client.post("/cases", case_data(complaint_no=9), Idempotency_Key="k")
    problem_of(other, 422, "key_reused")
    other = client.post(f"{path}/attempts", case_data(), Idempotency_Key="k")
    problem_of(other, 422, "key_reused")


def test_a_refused_request_leaves_its_key_free(client: ApiClient) -> None:
    refused = client.post("/cases", case_data(colour="red"), Idempotency_Key="k")
    problem_of(refused, 422, "invalid")
    assert client.post("/cases", case_data(), Idempotency_Key="k").status_code == 201
    taken = client.post("/cases", case_data(), Idempotency_Key="k2")
    problem_of(taken, 409, "reference_taken")
    assert client.post("/cases", case_data(complaint_no=5), Idempotency_Key="k2").status_code == 201


def test_two_shops_may_use_one_key(client: ApiClient, other_keys: Any) -> None:
    first = client.post("/cases", case_data(), Idempotency_Key="k")
    second = ApiClient(other_keys["contribute"]).post("/cases", case_data(), Idempotency_Key="k")
    assert second.status_code == 201
    assert "Idempotent-Replayed" not in second
    assert first.json()["id"] != second.json()["id"]


@pytest.mark.parametrize("key", ["", " ", "a b", "x" * 201, "schlüssel", '""'])
def test_a_key_must_be_plain_text(client: ApiClient, key: str) -> None:
    problem_of(client.post("/cases", case_data(), Idempotency_Key=key), 400, "malformed")


@pytest.mark.parametrize(
    "part, body",
    [
        ("attempts", {"on": "2026-07-01", "level": "service", "result": "not_fixed"}),
        ("follow_ups", {"on": "2026-07-01", "state": "holding"}),
    ],
)
def test_every_creating_post_honours_it(part: str, body: Any, client: ApiClient, shop: Any) -> None:
    path = f"/cases/{make_case(shop).pk}/{part}"
    first = client.post(path, body, Idempotency_Key="k")
    again = client.post(path, body, Idempotency_Key="k")
    assert again.content == first.content
    assert again["Idempotent-Replayed"] == "true"
    with acting_for(shop.pk):
        assert Case.objects.get().version == 2


def test_answer_and_case_are_stored_together_or_not_at_all(
    client: ApiClient, shop: Any, monkeypatch: Any
) -> None:
    def fail(**_: object) -> None:
        raise ConnectionError("the line went dead")

    monkeypatch.setattr(IdempotencyKey.objects, "create", fail)
    client._client.raise_request_exception = False
    response = client.post("/cases", case_data(), Idempotency_Key="k")
    problem_of(response, 500, "server_error")
    with acting_for(shop.pk):
        assert Case.objects.count() == 0
    monkeypatch.undo()
    assert client.post("/cases", case_data(), Idempotency_Key="k").status_code == 201


def test_a_repeat_while_the_first_is_running_is_told_to_wait(
    committed_db: None, shop: Any, keys: Any
) -> None:
    holding, done = threading.Event(), threading.Event()

    def hold_the_key() -> None:
        try:
            with acting_for(shop.pk):
                _lock(shop, "k")
                holding.set()
                assert done.wait(10)
        finally:
            connections.close_all()

    holder = threading.Thread(target=hold_the_key)
    holder.start()
    assert holding.wait(10)
    client = ApiClient(keys["contribute"])
    response = client.post("/cases", case_data(), Idempotency_Key="k")
    problem_of(response, 409, "still_running")
    assert response["Retry-After"] == "1"
    # Another key is not in the way.
    assert client.post("/cases", case_data(), Idempotency_Key="k2").status_code == 201
    done.set()
    holder.join()
    changed = case_data(complaint_no=7)
    assert client.post("/cases", changed, Idempotency_Key="k").status_code == 201


def test_many_at_once_make_one(committed_db: None) -> None:
    shop = make_shop()
    key = make_key(shop, "contribute")
    start = threading.Barrier(12)

    def post(_: int) -> tuple[int, bytes, bool]:
        try:
            start.wait(10)
            # Without a reference, so that nothing but the key prevents a second case.
            body = case_data(shop_reference="")
            response = ApiClient(key).post("/cases", body, Idempotency_Key="one")
            return response.status_code, response.content, "Idempotent-Replayed" in response
        finally:
            connection.close()

    with ThreadPoolExecutor(12) as pool:
        answers = list(pool.map(post, range(12)))
    made = [answer for answer in answers if answer[0] == 201]
    assert {status for status, _, _ in answers} <= {201, 409}
    assert len({body for _, body, _ in made}) == 1
    assert sum(not replayed for _, _, replayed in made) == 1
    with acting_for(shop.pk):
        assert Case.objects.count() == 1
        assert Attempt.objects.count() == 1
