"""The published description: valid, complete, and changed only on purpose."""

from __future__ import annotations

import difflib
import os
from pathlib import Path

import pytest
import yaml
from openapi_spec_validator import OpenAPIV31SpecValidator

from api.schema import build_schema
from api.v1.urls import urlpatterns
from tests.clients import ApiClient

GOLDEN = Path(__file__).parents[2] / "fixtures" / "openapi" / "v1.yml"


def test_the_description_is_what_was_agreed() -> None:
    now = yaml.safe_dump(build_schema(), sort_keys=False, allow_unicode=True, width=100)
    if os.environ.get("CASEBOOK_RENEW_OPENAPI") == "1":
        GOLDEN.parent.mkdir(parents=True, exist_ok=True)
        GOLDEN.write_text(now)
    before = GOLDEN.read_text() if GOLDEN.exists() else ""
    if now != before:
        changes = difflib.unified_diff(
            before.splitlines(), now.splitlines(), "agreed", "now", lineterm="", n=2
        )
        pytest.fail(
            "The API's description differs from fixtures/openapi/v1.yml. Read the difference: "
            "within version 1 it may only add. If it is meant, renew the file with\n"
            "  CASEBOOK_RENEW_OPENAPI=1 deploy/test tests/api/test_schema.py\n"
            "and look at `git diff fixtures/openapi` before committing.\n\n"
            + "\n".join(list(changes)[:200])
        )


def test_the_description_is_valid_openapi_3_1() -> None:
    schema = build_schema()
    assert schema["openapi"].startswith("3.1")
    assert list(OpenAPIV31SpecValidator(schema).iter_errors()) == []


def test_every_address_is_described() -> None:
    addresses = {str(pattern.pattern) for pattern in urlpatterns}
    described = {path.removeprefix("/api/v1/") for path in build_schema()["paths"]}
    plain = {
        address.replace("<uuid:", "{").replace("<str:", "{").replace(">", "}")
        for address in addresses
    }
    assert described == plain


def test_every_operation_says_what_it_does_and_how_it_fails() -> None:
    operations = [
        operation
        for item in build_schema()["paths"].values()
        for method, operation in item.items()
        if method in ("get", "post", "patch", "delete")
    ]
    assert all(operation["summary"] for operation in operations)
    open_ones = {o["operationId"] for o in operations if "401" not in o["responses"]}
    assert open_ones == {"get_schema"}
    assert all("default" in operation["responses"] for operation in operations)
    ids = [operation["operationId"] for operation in operations]
    assert len(ids) == len(set(ids))


def test_the_description_is_served_to_anybody() -> None:
    response = ApiClient().get("/api/v1/schema")
    assert response.status_code == 200
    assert response.json() == build_schema()
    again = ApiClient().get("/api/v1/schema", If_None_Match=response["ETag"])
    assert again.status_code == 304
