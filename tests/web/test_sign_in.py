"""Signing in and out, and the link with which a password is chosen."""

from __future__ import annotations

import pytest
from django.test import Client

from casebook.shops.models import Shop
from casebook.shops.services import add_person, make_sign_in_link
from tests.web.pages import read_page

PASSWORD = "nine green torque wrenches"


@pytest.fixture
def kim(shop: Shop) -> str:
    return add_person(
        shop=shop, email="kim@example.org", role="technician", password=PASSWORD
    ).email


def test_a_person_signs_in_and_lands_where_they_wanted_to_go(kim: str) -> None:
    client = Client()
    page = read_page(client.get("/sign-in?next=/due"))
    assert page.field("next")["value"] == "/due"
    response = client.post(
        "/sign-in", {"email": f" {kim.upper()} ", "password": PASSWORD, "next": "/due"}
    )
    assert response["Location"] == "/due"
    read_page(client.get("/due"))


@pytest.mark.parametrize(
    "wanted", ["https://elsewhere.example/", "//elsewhere.example", "nonsense:"]
)
def test_nobody_is_sent_to_another_site(kim: str, wanted: str) -> None:
    response = Client().post("/sign-in", {"email": kim, "password": PASSWORD, "next": wanted})
    assert response["Location"] == "/"


@pytest.mark.parametrize("email", ["kim@example.org", "nobody@example.org"])
def test_a_wrong_password_and_an_unknown_address_get_the_same_answer(kim: str, email: str) -> None:
    client = Client()
    page = read_page(client.post("/sign-in", {"email": email, "password": "wrong"}), 422)
    assert page.field("email")["value"] == email
    assert page.field("email")["aria-invalid"] == "true"
    assert "don’t go together" in page.text
    assert PASSWORD not in page.text
    assert client.get("/").status_code == 302


def test_signing_out_takes_a_post_and_ends_it(browser: Client) -> None:
    assert browser.get("/sign-out").status_code == 405
    assert browser.post("/sign-out")["Location"] == "/sign-in"
    assert browser.get("/").status_code == 302


def test_a_one_time_link_sets_the_password_once(shop: Shop) -> None:
    person = add_person(shop=shop, email="lee@example.org", role="manager")
    link = make_sign_in_link(person)
    client = Client()
    assert person.email in read_page(client.get(link)).text
    weak = read_page(client.post(link, {"password": "short"}), 422)
    assert weak.field("password")["aria-invalid"] == "true"
    assert client.post(link, {"password": PASSWORD})["Location"] == "/"
    read_page(client.get("/shop"))
    used = read_page(Client().get(link), 404)
    assert "used already" in used.text
    assert "new link" in used.text
    assert (
        Client().post("/sign-in", {"email": person.email, "password": PASSWORD}).status_code == 302
    )


def test_a_link_that_is_wrong_is_not_there(shop: Shop) -> None:
    person = add_person(shop=shop, email="lee@example.org", role="manager")
    link = make_sign_in_link(person)
    for wrong in (
        link[:-1] + ("a" if link[-1] != "a" else "b"),
        "/sign-in/xx/yy",
        "/sign-in/MQ/a-b",
    ):
        read_page(Client().get(wrong), 404)
