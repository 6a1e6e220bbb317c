"""People and keys of a shop."""

from __future__ import annotations

import re

import pytest
from django.test import Client

from casebook.shops.models import ApiKey, Person, Shop
from casebook.shops.services import find_key
from tests import factories
from tests.web.pages import read_page


def test_a_manager_adds_a_person_and_gets_their_link_once(shop: Shop, manager: Client) -> None:
    response = manager.post(
        "/shop", {"do": "person", "email": "Jo@Example.org", "role": "technician"}
    )
    page = read_page(response)
    link = re.search(r"http://testserver(/sign-in/\S+)", page.text)
    assert link
    assert response["Cache-Control"] == "no-store"
    assert Person.objects.get(email="jo@example.org").shop == shop
    read_page(Client().get(link[1]))
    assert "/sign-in/" not in read_page(manager.get("/shop")).text


def test_a_lost_password_is_replaced_by_a_new_link(
    shop: Shop, other_shop: Shop, manager: Client
) -> None:
    person = factories.make_person(shop)
    page = read_page(manager.post("/shop", {"do": "link", "person": str(person.pk)}))
    link = re.search(r"http://testserver(/sign-in/\S+)", page.text)
    assert link
    assert person.email in read_page(Client().get(link[1])).text
    stranger = factories.make_person(other_shop)
    for wrong in (str(stranger.pk), "nobody"):
        read_page(manager.post("/shop", {"do": "link", "person": wrong}), 404)


def test_an_address_that_is_taken_or_none_is_said_beside_its_field(
    shop: Shop, manager: Client
) -> None:
    for email in ("not an address", Person.objects.filter(shop=shop)[0].email):
        page = read_page(
            manager.post("/shop", {"do": "person", "email": email, "role": "technician"}), 422
        )
        assert page.field("email")["value"] == email
        assert page.field("email")["aria-invalid"] == "true"


def test_a_key_is_shown_once_and_works_until_it_is_revoked(shop: Shop, manager: Client) -> None:
    response = manager.post("/shop", {"do": "key", "name": "front desk", "role": ["search"]})
    page = read_page(response)
    key = ApiKey.objects.get(shop=shop)
    secret = next(word for word in page.text.split() if find_key(word) == key)
    assert response["Cache-Control"] == "no-store"
    assert secret not in read_page(manager.get("/shop")).text
    manager.post("/shop", {"do": "revoke", "key": str(key.pk)})
    assert find_key(secret) is None
    assert "revoked" in read_page(manager.get("/shop")).text


def test_a_form_sent_again_makes_no_second_key(shop: Shop, manager: Client) -> None:
    form = read_page(manager.get("/shop"))
    data = {"do": "key", "role": ["search"], "once": form.field("once")["value"]}
    read_page(manager.post("/shop", data))
    again = manager.post("/shop", data)
    assert again["Location"] == "/shop"
    assert "made already" in read_page(manager.get("/shop")).text
    assert ApiKey.objects.filter(shop=shop).count() == 1


def test_a_key_that_may_do_nothing_is_not_made(shop: Shop, manager: Client) -> None:
    page = read_page(manager.post("/shop", {"do": "key", "name": "x"}), 422)
    assert "Tick what the key may do" in page.text
    assert not ApiKey.objects.filter(shop=shop).exists()


@pytest.mark.parametrize("do", ["person", "link", "key", "revoke"])
def test_only_a_manager_changes_people_and_keys(browser: Client, do: str) -> None:
    data = {"do": do, "email": "jo@example.org", "role": "technician", "key": "x"}
    read_page(browser.post("/shop", data), 403)
    assert not Person.objects.filter(email="jo@example.org").exists()


def test_another_shops_key_can_not_be_revoked(other_shop: Shop, manager: Client) -> None:
    secret = factories.make_key(other_shop, "search")
    key = ApiKey.objects.get(shop=other_shop)
    read_page(manager.post("/shop", {"do": "revoke", "key": str(key.pk)}), 404)
    assert find_key(secret) == key


def test_a_technician_sees_the_people_and_no_keys(browser: Client) -> None:
    page = read_page(browser.get("/shop"))
    assert "People" in page.text
    assert "Keys for programs" not in page.text
