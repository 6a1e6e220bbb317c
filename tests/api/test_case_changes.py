"""PATCH and DELETE /cases/{id}: no change is lost unseen; what is withdrawn is gone."""

from __future__ import annotations

from typing import Any

import pytest

from casebook.cases.models import Case, SharedCase, SharedRemoval
from casebook.shops.tenancy import acting_for
from tests.clients import ApiClient, pointers_of, problem_of
from tests.factories import case_data, make_case


@pytest.fixture
def client(keys: Any) -> ApiClient:
    return ApiClient(keys["contribute"])


@pytest.fixture
def case(shop: Any) -> Case:
    return make_case(shop)


@pytest.fixture
def path(case: Case) -> str:
    return f"/cases/{case.pk}"


def test_a_change_merges_objects_and_replaces_lists(client: ApiClient, path: str) -> None:
    change = {
        "vehicle": {"odometer": None, "engine": "1.6 diesel, 88 kW"},
        "codes": ["P0534"],
        "cause": {"confirmed": False},
    }
    response = client.patch(path, change, If_Match='"1"')
    assert response.status_code == 200
    assert response["ETag"] == '"2"'
    changed = response.json()
    assert changed["vehicle"]["make"] == "Talvera"
    assert changed["vehicle"]["odometer"] is None
    assert [code["code"] for code in changed["codes"]] == ["P0534"]
    assert changed["cause"] == {"text": "O-ring at the evaporator seeping", "confirmed": False}
    assert client.get(path).json() == changed


def test_a_change_without_if_match_is_refused(client: ApiClient, path: str) -> None:
    problem_of(client.patch(path, {"complaint": "new"}), 428, "precondition_required")


@pytest.mark.parametrize("tag", ['"2"', 'W/"1"', "1", '"one"', '"99999999999999999999"', "x"])
def test_a_change_of_another_version_is_refused(client: ApiClient, path: str, tag: str) -> None:
    problem_of(client.patch(path, {"complaint": "new"}, If_Match=tag), 412, "stale_version")
    assert client.get(path)["ETag"] == '"1"'


def test_of_two_changes_to_one_version_the_second_is_refused(client: ApiClient, path: str) -> None:
    assert client.patch(path, {"complaint": "first"}, If_Match='"1"').status_code == 200
    problem_of(client.patch(path, {"complaint": "second"}, If_Match='"1"'), 412, "stale_version")
    assert client.get(path).json()["complaint"] == "first"


@pytest.mark.parametrize("tag", ["*", '"7", "1"', '"1"'])
def test_a_star_or_one_of_several_tags_will_do(client: ApiClient, path: str, tag: str) -> None:
    assert client.patch(path, {"complaint": "new"}, If_Match=tag).status_code == 200
    problem_of(client.patch(path, {}, If_Match='"8", "9"'), 412, "stale_version")


def test_a_bad_change_names_every_fault_and_changes_nothing(client: ApiClient, path: str) -> None:
    change = {"unit": {"kind": "gearbox"}, "vehicle": {"year": None}, "colour": "red"}
    response = client.patch(path, change, If_Match='"1"')
    assert pointers_of(response) == ["/colour", "/unit/kind", "/vehicle/year"]
    assert client.get(path)["ETag"] == '"1"'


@pytest.mark.parametrize("body", [[], "x", 3])
def test_a_change_that_is_no_object_is_refused(client: ApiClient, path: str, body: Any) -> None:
    assert "" in pointers_of(client.patch(path, body, If_Match='"1"'))


def test_the_media_type_of_merge_patches_is_read_too(keys: Any, path: str) -> None:
    response = ApiClient(keys["contribute"]).send(
        "PATCH", path, b'{"notes": "rang twice"}', "application/merge-patch+json", If_Match="*"
    )
    assert response.json()["notes"] == "rang twice"


def test_taking_another_cases_reference_is_refused(client: ApiClient, path: str, shop: Any) -> None:
    taken = make_case(shop, shop_reference="R-taken", complaint_no=1)
    change = {"shop_reference": "R-taken", "complaint_no": 1}
    problem = problem_of(client.patch(path, change, If_Match='"1"'), 409, "reference_taken")
    assert problem["case_id"] == str(taken.pk)


def test_another_shop_changes_and_withdraws_nothing(path: str, other_keys: Any, shop: Any) -> None:
    stranger = ApiClient(other_keys["contribute"])
    for tag in ('"1"', '"9"', "*", '"1", "2"'):
        problem_of(stranger.patch(path, {"notes": "x"}, If_Match=tag), 404, "not_found")
        problem_of(stranger.delete(path, If_Match=tag), 404, "not_found")
    problem_of(stranger.delete(path), 404, "not_found")
    with acting_for(shop.pk):
        assert Case.objects.get().version == 1


def test_what_is_withdrawn_is_gone_for_everybody(
    client: ApiClient, keys: Any, case: Case, path: str, shop: Any
) -> None:
    searcher = ApiClient(keys["search"])
    shared = f"/shared_cases/{case.shared_id}"
    assert searcher.get(shared).status_code == 200
    assert client.delete(path).status_code == 204
    problem_of(client.get(path), 404, "not_found")
    problem_of(searcher.get(shared), 404, "not_found")
    problem_of(client.delete(path), 404, "not_found")
    with acting_for(shop.pk):
        assert SharedCase.objects.count() == 0
    assert SharedRemoval.objects.filter(shared_id=case.shared_id).count() == 1


def test_a_withdrawal_may_insist_on_a_version(client: ApiClient, path: str) -> None:
    problem_of(client.delete(path, If_Match='"2"'), 412, "stale_version")
    assert client.delete(path, If_Match='"1"').status_code == 204


def test_the_reference_of_a_withdrawn_case_is_free_again(client: ApiClient) -> None:
    first = client.post("/cases", case_data())
    assert client.delete(first["Location"]).status_code == 204
    assert client.post("/cases", case_data()).status_code == 201


def test_a_change_costs_a_bounded_number_of_queries(
    client: ApiClient, path: str, django_assert_max_num_queries: Any
) -> None:
    change = {"attempts": case_data()["attempts"] * 4}
    with django_assert_max_num_queries(28):
        assert client.patch(path, change, If_Match='"1"').status_code == 200
