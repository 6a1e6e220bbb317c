"""Who gets to which page, and what strangers, expired forms and broken addresses get."""

from __future__ import annotations

import pytest
from django.test import Client

from casebook.shops.models import Shop
from tests import factories
from tests.web.pages import read_page

PAGES = {
    "/": {"technician", "manager", "analyst"},
    "/cases": {"technician", "manager"},
    "/cases/new": {"technician", "manager"},
    "/due": {"technician", "manager"},
    "/statistics": {"manager", "analyst"},
    "/vocabulary": {"technician", "manager", "analyst"},
    "/shop": {"technician", "manager", "analyst"},
}
OF_A_CASE = ("", "/edit", "/attempt", "/follow-up", "/withdraw")


@pytest.mark.parametrize("path", PAGES)
def test_every_page_asks_a_stranger_to_sign_in_and_brings_them_back(
    database: None, path: str
) -> None:
    response = Client().get(path)
    assert response.status_code == 302
    assert response["Location"] == f"/sign-in?next={path}"


@pytest.mark.parametrize("role", ["technician", "manager", "analyst"])
def test_a_role_sees_its_pages_and_is_told_when_one_is_not_for_it(shop: Shop, role: str) -> None:
    client = Client()
    client.force_login(factories.make_person(shop, role))
    for path, roles in PAGES.items():
        response = client.get(path)
        read_page(response, 200 if role in roles else 403)


@pytest.mark.parametrize("role", ["technician", "analyst"])
def test_the_ways_shown_are_the_ways_open(shop: Shop, role: str) -> None:
    client = Client()
    client.force_login(factories.make_person(shop, role))
    page = read_page(client.get("/"))
    offered = {path for path in PAGES if path in page.links()}
    assert offered == {path for path, roles in PAGES.items() if role in roles} - {"/cases/new"}


@pytest.mark.parametrize("rest", OF_A_CASE)
def test_another_shops_case_is_not_there(shop: Shop, stranger: Client, rest: str) -> None:
    case = factories.make_case(shop)
    read_page(stranger.get(f"/cases/{case.pk}{rest}"), 404)


@pytest.mark.parametrize("rest", ["/withdraw", "/attempt", "/follow-up", "/take-back/attempts/0"])
def test_another_shops_case_can_not_be_changed(
    shop: Shop, browser: Client, stranger: Client, rest: str
) -> None:
    case = factories.make_case(shop)
    data = {"attempt.level": "service", "attempt.on": "2026-06-01", "state": "holding"}
    assert stranger.post(f"/cases/{case.pk}{rest}", data).status_code == 404
    page = read_page(browser.get(f"/cases/{case.pk}"))
    assert "Service: fixed" in page.text


def test_an_analyst_does_not_see_the_shops_own_cases(shop: Shop, analyst: Client) -> None:
    case = factories.make_case(shop)
    read_page(analyst.get(f"/cases/{case.pk}"), 403)
    read_page(analyst.get(f"/shared/{case.shared_id}"))


def test_a_form_without_its_token_changes_nothing_and_says_what_to_do(shop: Shop) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(factories.make_person(shop, "technician"))
    case = factories.make_case(shop)
    response = client.post(f"/cases/{case.pk}/withdraw")
    assert "Please send that again" in read_page(response, 403).text
    read_page(client.get(f"/cases/{case.pk}"))


def test_an_address_that_leads_nowhere_has_a_way_back(browser: Client) -> None:
    page = read_page(browser.get("/no/such/page"), 404)
    assert "/" in page.links()


def test_answers_carry_the_content_policy_and_are_kept_by_nobody_in_between(
    browser: Client,
) -> None:
    response = browser.get("/cases")
    assert "script-src 'self'" in response["Content-Security-Policy"]
    assert "unsafe" not in response["Content-Security-Policy"]
    assert "private" in response["Cache-Control"]


def test_what_is_shared_can_be_read_before_signing_in(database: None) -> None:
    assert "What is shared" in read_page(Client().get("/about")).text
