"""GET /codes and /codes/{code}: what a trouble code says."""

from __future__ import annotations

from typing import Any

import pytest

from tests.clients import ApiClient, pointers_of, problem_of


@pytest.fixture
def client(keys: Any) -> ApiClient:
    return ApiClient(keys["contribute"])


def test_codes_are_found_by_their_beginning_in_order(client: ApiClient) -> None:
    found = client.get("/codes", {"q": "p074", "limit": 3}).json()["results"]
    codes = [entry["code"] for entry in found]
    assert len(codes) == 3
    assert codes == sorted(codes)
    assert all(code.startswith("P074") for code in codes)


def test_codes_are_found_by_words(client: ApiClient) -> None:
    found = client.get("/codes", {"q": "torque converter stuck off"}).json()["results"]
    assert "P0741" in [entry["code"] for entry in found]


def test_nothing_found_is_an_empty_list(client: ApiClient) -> None:
    assert client.get("/codes", {"q": "zebra"}).json() == {"results": []}


def test_the_question_is_required(client: ApiClient) -> None:
    assert pointers_of(client.get("/codes"), 400, "bad_parameters") == ["/q"]
    response = client.get("/codes", {"q": "", "limit": 0})
    assert pointers_of(response, 400, "bad_parameters") == ["/limit", "/q"]


def test_a_code_says_what_it_is_by_its_structure(client: ApiClient) -> None:
    code = client.get("/codes/p0741-62").json()
    assert (code["code"], code["system"], code["scope"]) == ("P0741", "powertrain", "generic")
    assert code["family"] == "P0740"
    assert code["failure_type"]["key"] == "62"
    assert client.get("/codes/P0741").json()["failure_type"] is None


def test_a_makers_own_code_has_no_description(client: ApiClient) -> None:
    code = client.get("/codes/P1234").json()
    assert (code["scope"], code["description"]) == ("maker", None)


@pytest.mark.parametrize("code", ["P9999", "X0741", "P07", "P0741-6", "%00", "é"])
def test_what_can_be_no_code_is_not_found_and_told_why(client: ApiClient, code: str) -> None:
    problem_of(client.get(f"/codes/{code}"), 404, "not_found")


def test_what_is_known_already_is_not_sent_again(client: ApiClient) -> None:
    for path, query in (("/codes", {"q": "P07"}), ("/codes/P0741", None)):
        tag = client.get(path, query)["ETag"]
        assert client.get(path, query, If_None_Match=tag).status_code == 304
