"""The page that compares the ways by cost: from a lookup to figures, and back with faults."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.test import Client

from tests.web.pages import Page, read_page
from tests.web.test_bench import LOOKUP

FIGURES = {
    "do": "compare",
    "costs.service": "110",
    "costs.component": "620 EUR",
    "costs.replacement.used": "1 900",
    "costs.diagnosis": "90,50",
    "costs.comeback": "120",
    "currency": "eur",
    "vehicle.value_working": "4500",
    "vehicle.value_not_working": "600",
    "vehicle.months_wanted": "24",
}


def look(client: Client, **changes: Any) -> str:
    address: str = client.post("/", LOOKUP | changes)["Location"]
    return address.replace("/?", "/plans?")


def compare(client: Client, address: str, **changes: Any) -> Page:
    response = client.post(address, FIGURES | changes)
    assert response.status_code == 302, response.content.decode()
    return read_page(client.get(response["Location"]))


@pytest.mark.usefixtures("pool")
def test_the_answer_leads_to_the_plans_and_back(browser: Client) -> None:
    address = browser.post("/", LOOKUP)["Location"]
    answer = read_page(browser.get(address))
    plans = address.replace("/?", "/plans?")
    assert plans in answer.links()
    page = read_page(browser.get(plans))
    assert address in page.links()
    assert "2018 Talvera" in page.text


@pytest.mark.usefixtures("pool")
def test_blank_costs_come_from_cases_and_are_marked_with_their_count(browser: Client) -> None:
    page = read_page(browser.get(look(browser)))
    assert "blank: 111 EUR, middle of 18 cases" in page.text
    assert "not a quote" in page.text
    assert page.field("currency")["value"] == "EUR"
    assert page.field("costs.service")["value"] == ""


@pytest.mark.usefixtures("pool")
def test_every_plan_has_its_cost_with_a_span_and_what_it_buys(browser: Client) -> None:
    page = compare(browser, look(browser))
    compared, _, rest = page.text.partition("What would turn it")
    for name in ("Service first", "Component repair first", "Replace now, used unit", "Leave it"):
        assert re.search(
            rf"{name} [\d ]+ EUR (likely [\d ]+ to [\d ]+ EUR|a fixed sum)", compared
        ), name
    assert compared.count("Chance to be the cheapest:") == 4
    assert compared.count("of 24 months of use") >= 3
    assert "Service first pays" in rest or "service first" in rest
    assert "yours" in rest
    # Chances are said with their span and the cases behind them.
    assert re.search(r"Service holds \d+ % likely \d+–\d+ %, \d+ cases", rest)


@pytest.mark.usefixtures("pool")
def test_a_plan_that_can_hurt_says_so_where_it_stands(browser: Client) -> None:
    page = compare(browser, look(browser))
    first = page.text.partition("Service first")[2].partition("Step by step")[0]
    assert "refrigerant" in first.lower()
    assert "Take care" in page.text


@pytest.mark.usefixtures("pool")
def test_faults_stand_at_their_fields_and_nothing_typed_is_lost(browser: Client) -> None:
    wrong = {
        "costs.service": "cheap",
        "vehicle.value_not_working": "9000",
        "vehicle.months_wanted": "500",
        "probabilities.service": "140",
        "currency": "euros",
        "costs.comeback": "<b>120",
    }
    page = read_page(browser.post(look(browser), FIGURES | wrong), 422)
    for name, typed in wrong.items():
        field = page.field(name)
        assert field["value"] == typed, name
        assert field["aria-invalid"] == "true", name
        assert f"#f-{name}" in page.links(), name
    assert page.field("costs.component")["value"] == "620 EUR"
    assert f"{len(wrong)} things to correct" in page.text
    assert not page.all("b")


@pytest.mark.usefixtures("pool")
def test_amounts_without_a_currency_ask_for_it(browser: Client) -> None:
    page = read_page(browser.post(look(browser), FIGURES | {"currency": ""}), 422)
    assert page.field("currency")["aria-invalid"] == "true"


@pytest.mark.usefixtures("pool")
def test_figures_stay_with_the_vehicle_when_it_is_looked_up_again(browser: Client) -> None:
    address = look(browser)
    compare(browser, address)
    word = address.partition("=")[2]
    again = look(browser, before=word, complaint="Warm in town")
    assert again != address
    assert read_page(browser.get(again)).field("costs.component")["value"] == "620 EUR"
    other = look(browser, make="Lunaro")
    assert read_page(browser.get(other)).field("costs.component")["value"] == ""


@pytest.mark.usefixtures("pool")
def test_costs_rank_the_checks_of_the_answer_by_what_they_save(browser: Client) -> None:
    address = look(browser)
    before = read_page(browser.get(address.replace("/plans?", "/?")))
    assert "tells most for its minutes" in before.text or "What to check next" in before.text
    compare(browser, address, labour_rate="90")
    after = read_page(browser.get(address.replace("/plans?", "/?")))
    assert "tells most for its minutes" not in after.text


def test_own_chances_make_plans_comparable_where_the_pool_is_too_small(browser: Client) -> None:
    address = look(browser)
    empty = read_page(browser.get(address))
    assert "Nothing can be compared yet" in empty.text
    assert "Your own chances" in empty.text
    own = {"probabilities.service": "60", "probabilities.component": "85"}
    page = compare(browser, address, **own)
    assert "Service holds 60 % yours" in page.text
    assert "Service first" in page.text.partition("What would turn it")[0]


@pytest.mark.usefixtures("pool")
def test_nobody_sees_the_figures_of_another(browser: Client, stranger: Client) -> None:
    address = look(browser)
    compare(browser, address)
    assert read_page(stranger.get(address), 404)
    assert stranger.post(address, FIGURES).status_code == 404
    assert Client().get(address).status_code == 302


@pytest.mark.usefixtures("pool")
def test_comparing_needs_the_token_of_the_form(signed_in: Client) -> None:
    assert signed_in.post("/plans?look=x", FIGURES).status_code == 403
