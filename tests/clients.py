"""A client of the API that holds every answer against the published description."""

from __future__ import annotations

import json
import re
from functools import cache
from typing import Any

from django.http import HttpResponse
from django.test import Client
from jsonschema import Draft202012Validator  # type: ignore[import-untyped]

from api.schema import build_schema

BASE = "/api/v1"


class ApiClient:
    """Sends JSON with a key (or none); paths are relative to /api/v1."""

    def __init__(self, key: str | None = None) -> None:
        # A failure of the server shall come back as a problem here, as it does to real clients.
        self._client = Client()
        self._headers = {"Authorization": f"Bearer {key}"} if key else {}

    def get(self, path: str, query: dict[str, Any] | None = None, **headers: str) -> Any:
        return self._send("GET", path, headers, query_params=query)

    def post(self, path: str, data: Any = None, **headers: str) -> Any:
        body = json.dumps(data)
        return self._send("POST", path, headers, data=body, content_type="application/json")

    def patch(self, path: str, data: Any = None, **headers: str) -> Any:
        body = json.dumps(data)
        return self._send("PATCH", path, headers, data=body, content_type="application/json")

    def delete(self, path: str, **headers: str) -> Any:
        return self._send("DELETE", path, headers)

    def send(self, method: str, path: str, body: bytes, content_type: str, **headers: str) -> Any:
        """A body as it is, for what no honest JSON writer would produce."""
        return self._send(method, path, headers, data=body, content_type=content_type)

    def _send(self, method: str, path: str, headers: dict[str, str], **more: Any) -> Any:
        url = path if path.startswith(("/api/", "http://")) else BASE + path
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        response = getattr(self._client, method.lower())(url, headers=self._headers | named, **more)
        check_answer(method, response.request["PATH_INFO"], response)
        return response


def problem_of(response: Any, status: int, code: str) -> dict[str, Any]:
    """The body of a refusal, once its outside is right."""
    assert response.status_code == status, response.content
    assert response["Content-Type"] == "application/problem+json"
    problem: dict[str, Any] = response.json()
    assert problem["type"] == f"/api/docs/problems/{code}"
    assert problem["status"] == status
    assert problem["request_id"] == response["X-Request-ID"]
    return problem


def pointers_of(response: Any, status: int = 422, code: str = "invalid") -> list[str]:
    return sorted(error["pointer"] for error in problem_of(response, status, code)["errors"])


def check_answer(method: str, path: str, response: HttpResponse) -> None:
    """Fails where status, content type or any field is not in the OpenAPI description."""
    operation = _find_operation(method, path)
    if operation is None:
        assert response.status_code in (404, 405), f"{method} {path} is not described"
        return
    responses = operation["responses"]
    described = responses.get(str(response.status_code))
    if described is None:
        assert response.status_code >= 400, f"{response.status_code} is not described"
        described = responses["default"]
    described = _resolve(described)
    content = described.get("content", {})
    if response.status_code in (204, 304):
        assert not response.content
        return
    content_type = response["Content-Type"].split(";")[0]
    assert content_type in content, f"{content_type} is not described for {method} {path}"
    if content_type.endswith("json"):
        schema = content[content_type]["schema"] | {"components": _closed_components()}
        # The test client's own answers carry json(); a streamed one never is JSON here.
        Draft202012Validator(schema).validate(response.json())  # type: ignore[attr-defined]


def _resolve(described: dict[str, Any]) -> dict[str, Any]:
    if "$ref" not in described:
        return described
    name = described["$ref"].rsplit("/", 1)[1]
    found: dict[str, Any] = build_schema()["components"]["responses"][name]
    return found


def _find_operation(method: str, path: str) -> dict[str, Any] | None:
    # A path without a variable comes first: /cases/preview is no case.
    for template, item in sorted(build_schema()["paths"].items(), key=lambda p: "{" in p[0]):
        pattern = re.sub(r"\{\w+\}", "[^/]+", template)
        if re.fullmatch(pattern, path) and method.lower() in item:
            found: dict[str, Any] = item[method.lower()]
            return found
    return None


@cache
def _closed_components() -> dict[str, Any]:
    """The published components with their promise to grow taken back: here, a field that is
    answered and not described is a mistake."""
    closed: dict[str, Any] = _close(build_schema()["components"])
    return closed


def _close(part: Any) -> Any:
    if isinstance(part, list):
        return [_close(item) for item in part]
    if not isinstance(part, dict):
        return part
    result = {name: _close(value) for name, value in part.items()}
    if part.get("type") == "object" and isinstance(part.get("properties"), dict):
        result.setdefault("additionalProperties", False)
    return result
