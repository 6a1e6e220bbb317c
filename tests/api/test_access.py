"""Every operation, tried by everybody who may not: from the description, so that a new one is
tried too."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import pytest
from django.test import Client

from api.schema import build_schema
from api.v1.urls import urlpatterns
from casebook.shops.models import ApiKey
from casebook.shops.roles import KEY_ROLES
from casebook.shops.services import revoke_key
from tests.clients import ApiClient, problem_of

# The role that the contract gives each address; None: any key.
ROLES: dict[str, str | None] = {
    "/vocabulary": None,
    "/codes": None,
    "/codes/{code}": None,
    "/vin": None,
    "/me": None,
    "/cases": "contribute",
    "/cases/preview": "contribute",
    "/cases/{case_id}": "contribute",
    "/cases/{case_id}/attempts": "contribute",
    "/cases/{case_id}/follow_ups": "contribute",
    "/follow_ups/due": "contribute",
    "/search": "search",
    "/plans": "search",
    "/shared_cases/{shared_id}": "search",
    "/statistics": "analyst",
    "/exports": "analyst",
    "/exports/{export_id}": "analyst",
    "/exports/{export_id}/file": "analyst",
}
OPERATIONS = [
    (method.upper(), path.removeprefix("/api/v1"))
    for path, item in build_schema()["paths"].items()
    for method in item
    if method in ("get", "post", "patch", "delete") and not path.endswith("/schema")
]


def send(client: ApiClient, method: str, path: str) -> Any:
    parts = {"{code}": "P0741"}
    for part in ("{case_id}", "{shared_id}", "{export_id}"):
        parts[part] = str(uuid4())
    for part, value in parts.items():
        path = path.replace(part, value)
    more = {"If_Match": '"1"'} if method == "PATCH" else {}
    call = getattr(client, method.lower())
    return call(path, {}, **more) if method in ("POST", "PATCH") else call(path, **more)


def test_every_address_is_tried_here() -> None:
    assert {path for _, path in OPERATIONS} == set(ROLES)
    assert len(urlpatterns) == len(ROLES) + 1  # the description itself


@pytest.mark.parametrize("method, path", OPERATIONS)
def test_nobody_gets_in_without_a_key(method: str, path: str, database: None) -> None:
    response = send(ApiClient(), method, path)
    problem_of(response, 401, "not_authenticated")
    assert response["WWW-Authenticate"] == 'Bearer realm="casebook"'


@pytest.mark.parametrize("method, path", OPERATIONS)
def test_a_revoked_key_opens_nothing(method: str, path: str, shop: Any, keys: Any) -> None:
    role = ROLES[path] or "search"
    revoke_key(shop=shop, key_id=ApiKey.objects.get(shop=shop, roles=[role]).pk)
    response = send(ApiClient(keys[role]), method, path)
    problem_of(response, 401, "not_authenticated")
    assert 'error="invalid_token"' in response["WWW-Authenticate"]


@pytest.mark.parametrize("method, path", [o for o in OPERATIONS if ROLES[o[1]]])
def test_a_key_of_another_role_is_told_which_it_lacks(method: str, path: str, keys: Any) -> None:
    needed = ROLES[path]
    for role in set(KEY_ROLES) - {needed}:
        problem = problem_of(send(ApiClient(keys[role]), method, path), 403, "not_allowed")
        assert problem["detail"] == f"This needs the role {needed}."


@pytest.mark.parametrize("method, path", [o for o in OPERATIONS if "_id}" in o[1]])
def test_what_is_not_there_is_not_found(method: str, path: str, keys: Any) -> None:
    problem_of(send(ApiClient(keys[ROLES[path] or ""]), method, path), 404, "not_found")


@pytest.mark.parametrize("method, path", [o for o in OPERATIONS if ROLES[o[1]] is None])
def test_any_role_will_do_for_looking_things_up(method: str, path: str, keys: Any) -> None:
    for role in KEY_ROLES:
        assert send(ApiClient(keys[role]), method, path).status_code not in (401, 403)


@pytest.mark.parametrize(
    "header",
    [
        "Basic a2ltOnNlY3JldA==",
        "Bearer",
        "Bearer cbk_",
        "Bearer cbk_aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa",
        "Bearer \u00e9",
        "cbk_aaaaaaaa",
    ],
)
def test_what_is_no_key_is_refused(header: str, database: None) -> None:
    response = Client().get("/api/v1/me", headers={"Authorization": header})
    problem_of(response, 401, "not_authenticated")


def test_the_scheme_is_read_in_any_case(keys: Any) -> None:
    response = Client().get("/api/v1/me", headers={"Authorization": f"bearer {keys['search']}"})
    assert response.status_code == 200


def test_a_session_reads_with_the_persons_roles(signed_in: Client, technician: Any) -> None:
    me = signed_in.get("/api/v1/me").json()
    assert me["roles"] == ["contribute", "search"]
    assert (me["person"], me["key"]) == (technician.email, None)


def test_a_session_changes_nothing_without_its_csrf_token(signed_in: Client) -> None:
    body = {"vin": "1M8GDM9AXKP042788"}
    refused = signed_in.post("/api/v1/vin", body, content_type="application/json")
    problem_of(refused, 403, "not_allowed")
    token = "a" * 32
    signed_in.cookies["csrftoken"] = token
    accepted = signed_in.post(
        "/api/v1/vin", body, content_type="application/json", headers={"X-CSRFToken": token}
    )
    assert accepted.status_code == 200


def test_somebody_shut_out_loses_the_session_too(signed_in: Client, technician: Any) -> None:
    technician.is_active = False
    technician.save(update_fields=["is_active"])
    problem_of(signed_in.get("/api/v1/me"), 401, "not_authenticated")


def test_a_key_needs_no_csrf_token_even_beside_a_session(signed_in: Client, keys: Any) -> None:
    response = signed_in.post(
        "/api/v1/vin",
        {"vin": "1M8GDM9AXKP042788"},
        content_type="application/json",
        headers={"Authorization": f"Bearer {keys['search']}"},
    )
    assert response.status_code == 200


def test_a_view_that_says_nothing_is_for_nobody(rf: Any, keys: Any) -> None:
    from rest_framework.views import APIView

    class Forgotten(APIView):
        def get(self, request: Any) -> None:
            raise AssertionError("nobody should get here")

    request = rf.get("/api/v1/forgotten", headers={"Authorization": f"Bearer {keys['search']}"})
    request.META["casebook.request_id"] = "r-1"
    assert Forgotten.as_view()(request).status_code == 403
