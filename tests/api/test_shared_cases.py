"""GET /shared_cases/{id}: one case as other shops may see it."""

from __future__ import annotations

from typing import Any

from tests.clients import ApiClient, problem_of
from tests.factories import make_case


def test_every_shop_sees_the_same_and_nothing_that_leads_back(
    shop: Any, keys: Any, other_keys: Any
) -> None:
    case = make_case(shop, shop_reference="70311")
    path = f"/shared_cases/{case.shared_id}"
    own, others = (ApiClient(k["search"]).get(path) for k in (keys, other_keys))
    assert own.status_code == 200
    assert own.json() == others.json()
    text = others.content.decode()
    for secret in (str(case.pk), str(shop.pk), shop.name, "70311", "2026-05-11", "2345678"):
        assert secret not in text


def test_it_is_not_found_under_its_owners_id(shop: Any, keys: Any) -> None:
    case = make_case(shop)
    problem_of(ApiClient(keys["search"]).get(f"/shared_cases/{case.pk}"), 404, "not_found")


def test_what_is_known_already_is_not_sent_again(shop: Any, keys: Any) -> None:
    client = ApiClient(keys["search"])
    path = f"/shared_cases/{make_case(shop).shared_id}"
    tag = client.get(path)["ETag"]
    assert client.get(path, If_None_Match=tag).status_code == 304


def test_it_costs_a_bounded_number_of_queries(
    shop: Any, keys: Any, django_assert_max_num_queries: Any
) -> None:
    path = f"/shared_cases/{make_case(shop).shared_id}"
    with django_assert_max_num_queries(7):
        ApiClient(keys["search"]).get(path)
