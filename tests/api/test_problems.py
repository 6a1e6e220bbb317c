"""Failures under /api have one shape, whoever notices them."""

from __future__ import annotations

import io
from typing import Any

import pytest
from django.db import OperationalError
from django.test import Client

from api.catalogue import CATALOGUE
from api.problems import problem_response
from casebook import errors
from tests.clients import ApiClient, problem_of

JSON = "application/json"


@pytest.mark.parametrize(
    "path",
    [
        "/api",
        "/api/",
        "/api/v1",
        "/api/v1/",
        "/api/v2/cases",
        "/api/v1/cases/",
        "/api/v1/cases/not-a-uuid",
        "/api/v1/nothing",
    ],
)
@pytest.mark.parametrize("method", ["get", "post", "put", "delete"])
def test_unknown_addresses_are_problems_too(path: str, method: str, database: None) -> None:
    problem = problem_of(getattr(Client(), method)(path), 404, "not_found")
    assert problem["detail"] == errors.NotFound().detail


def test_a_problem_that_there_is_not_has_no_page() -> None:
    problem_of(Client().get("/api/docs/problems/nothing"), 404, "not_found")


def test_a_missing_case_and_a_malformed_id_answer_alike(keys: Any) -> None:
    client = ApiClient(keys["contribute"])
    answers = [
        client.get(f"/cases/{key}").json()
        for key in ("01890a5d-ac96-774b-bcce-b302099a8057", "no-such-id")
    ]
    assert all(answer.pop("request_id") for answer in answers)
    assert answers[0] == answers[1]


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "TRACE"])
def test_another_method_is_told_which_there_are(method: str, keys: Any) -> None:
    client = Client(headers={"Authorization": f"Bearer {keys['contribute']}"})
    response = client.generic(method, "/api/v1/cases")
    problem_of(response, 405, "method_not_allowed")
    assert {"GET", "POST"} <= set(response["Allow"].split(", "))


@pytest.mark.parametrize("content_type", ["text/plain", "multipart/form-data; boundary=x", ""])
def test_only_json_is_read(content_type: str, keys: Any) -> None:
    response = ApiClient(keys["contribute"]).send("POST", "/cases", b'{"a": 1}', content_type)
    problem_of(response, 415, "unsupported_media_type")


def test_a_body_that_is_not_json_says_where(keys: Any) -> None:
    response = ApiClient(keys["contribute"]).send("POST", "/cases", b'{"a": 1,\n}', JSON)
    assert "line 2, column 1" in problem_of(response, 400, "malformed")["detail"]


def test_a_body_that_is_too_long_is_refused(keys: Any, settings: Any) -> None:
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 100
    body = b'{"complaint": "' + b"x" * 100 + b'"}'
    response = ApiClient(keys["contribute"]).send("POST", "/cases", body, JSON)
    problem_of(response, 413, "too_large")


@pytest.mark.parametrize(
    "key, path, content_type, status",
    [
        ("contribute", "/cases", JSON, 413),
        ("contribute", "/cases", "text/plain", 415),
        ("search", "/cases", JSON, 403),
        (None, "/cases", JSON, 401),
        ("contribute", "/nothing", JSON, 404),
    ],
)
def test_a_refused_body_is_read_to_its_end(
    keys: Any, settings: Any, key: str | None, path: str, content_type: str, status: int
) -> None:
    # What is left unread costs the client the connection, and with it the next request.
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 100
    body = io.BytesIO(b'{"complaint": "' + b"x" * 300_000 + b'"}')
    response = Client().post(
        f"/api/v1{path}",
        content_type=content_type,
        headers={"Authorization": f"Bearer {keys[key]}"} if key else {},
        CONTENT_LENGTH=str(len(body.getvalue())),
        **{"wsgi.input": body},
    )
    assert response.status_code == status
    assert body.read() == b""


def test_a_body_without_a_length_is_refused_and_read_to_its_end(keys: Any) -> None:
    body = io.BytesIO(b"x" * 300_000)
    response = Client().post(
        "/api/v1/cases",
        content_type=JSON,
        headers={"Authorization": f"Bearer {keys['contribute']}", "Transfer-Encoding": "chunked"},
        CONTENT_LENGTH="",
        **{"wsgi.input": body},
    )
    problem_of(response, 411, "length_required")
    assert body.read() == b""


def test_unknown_parameters_are_named(keys: Any) -> None:
    client = ApiClient(keys["contribute"])
    problem = problem_of(client.get("/me", {"verbose": "1"}), 400, "bad_parameters")
    assert problem["errors"] == [
        {
            "pointer": "/verbose",
            "in": "query",
            "detail": "There is no parameter 'verbose' here; there are none.",
        }
    ]
    problem = problem_of(client.get("/cases", {"stat": "open"}), 400, "bad_parameters")
    assert problem["errors"][0]["detail"].endswith("did you mean state?")
    problem_of(client.post("/cases/preview?dry_run=1", {}), 400, "bad_parameters")


def test_a_request_id_is_echoed_in_head_and_body(keys: Any) -> None:
    response = ApiClient(keys["search"]).get("/nothing", X_Request_ID="order-77")
    assert response["X-Request-ID"] == "order-77"
    assert response.json()["request_id"] == "order-77"


@pytest.mark.parametrize("accept", ["text/html", "application/xml", "*/*", "text/html;q=0.1"])
def test_whatever_is_accepted_the_answer_is_json(accept: str, keys: Any) -> None:
    client = ApiClient(keys["search"])
    assert client.get("/me", Accept=accept)["Content-Type"] == JSON
    problem_of(client.get("/nothing", Accept=accept), 404, "not_found")


class Boom(Exception):
    pass


@pytest.fixture
def failing_view(monkeypatch: Any) -> Any:
    def fail_with(error: Exception) -> None:
        def fail(*_: object, **__: object) -> None:
            raise error

        monkeypatch.setattr("api.v1.reference.load_vocabulary", fail)

    return fail_with


def test_a_fault_of_ours_is_a_problem_with_a_number_and_without_a_trace(
    failing_view: Any, keys: Any, caplog: Any
) -> None:
    failing_view(Boom("secret inside"))
    client = Client(raise_request_exception=False)
    response = client.get(
        "/api/v1/vocabulary", headers={"Authorization": f"Bearer {keys['search']}"}
    )
    problem = problem_of(response, 500, "server_error")
    assert "secret" not in response.content.decode()
    assert any(problem["request_id"] in record.getMessage() for record in caplog.records)


def test_a_database_that_is_away_is_said_to_be_away(failing_view: Any, keys: Any) -> None:
    failing_view(OperationalError("connection refused"))
    response = ApiClient(keys["search"]).get("/vocabulary")
    problem_of(response, 503, "unavailable")
    assert response["Retry-After"] == "5"


def test_every_error_of_the_rooms_below_has_its_problem(failing_view: Any, keys: Any) -> None:
    client = ApiClient(keys["search"])
    for error, status, code in [
        (errors.InvalidDocument([errors.FieldError("/a", "Say b.")]), 422, "invalid"),
        (errors.NotFound(), 404, "not_found"),
        (errors.NotAllowed("No."), 403, "not_allowed"),
        (errors.Conflict("Taken.", code="reference_taken", case_id="7"), 409, "reference_taken"),
        (errors.Conflict("Odd.", code="never_heard_of"), 409, "conflict"),
        (errors.StaleVersion("Old."), 412, "stale_version"),
        (errors.Unavailable("Away."), 503, "unavailable"),
    ]:
        failing_view(error)
        problem = problem_of(client.get("/vocabulary"), status, code)
        assert problem["detail"] == error.detail


def test_what_django_itself_refuses_is_a_problem(keys: Any) -> None:
    response = Client().get("/api/v1/me", headers={"Host": "elsewhere.example"})
    problem_of(response, 400, "malformed")


@pytest.mark.parametrize("code", CATALOGUE)
def test_every_type_leads_to_a_page_that_explains_it(code: str, rf: Any) -> None:
    response = problem_response(rf.get("/api/v1/cases"), code, "As it happens.")
    assert response.status_code == CATALOGUE[code].status
    page = Client().get(f"/api/docs/problems/{code}")
    assert page.status_code == 200
    assert CATALOGUE[code].title in page.content.decode().replace("&#x27;", "'")
