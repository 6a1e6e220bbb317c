"""The bench: from what is in the bay to an answer, and nothing typed is lost on the way."""

from __future__ import annotations

import re
from typing import Any

from django.test import Client

from casebook.shops.models import Shop
from tests import factories
from tests.web.pages import Page, read_page

LOOKUP = {
    "do": "look",
    "year": "2018",
    "make": "Talvera",
    "model": "Cargo 2",
    "odometer": "148 000",
    "odometer_unit": "km",
    "unit_kind": "ac_system",
    "unit_family": "HV-3",
    "complaint": "Lukewarm after twenty minutes",
    "codes": "P0533 pending",
    "symptom": ["warm_air"],
    "when.warm_air": ["hot"],
    "result.dye_inspection": "seepage",
}


def look_up(client: Client, **changes: Any) -> Page:
    response = client.post("/", LOOKUP | changes)
    assert response.status_code == 302, response.content.decode()
    assert response["Location"].startswith("/?look=")
    return read_page(client.get(response["Location"]))


def test_an_empty_bench_asks_and_needs_nothing(browser: Client) -> None:
    page = read_page(browser.get("/"))
    assert "What’s in the bay?" in page.text
    assert all("required" not in field for field in page.all("input"))


def test_a_unit_brings_its_symptoms_and_checks_and_keeps_what_was_typed(browser: Client) -> None:
    page = read_page(
        browser.post("/", {"do": "lists", "unit_kind": "ac_system", "make": "Talvera", "year": "?"})
    )
    assert page.field("make")["value"] == "Talvera"
    assert page.field("year")["value"] == "?"
    symptoms = {a["value"] for a in page.all("input") if a.get("name") == "symptom"}
    assert "warm_air" in symptoms
    assert "no_reverse" not in symptoms
    page.field("result.dye_inspection")


def test_a_lookup_finds_a_similar_case_with_its_reasons(
    shop: Shop, other_shop: Shop, browser: Client
) -> None:
    case = factories.make_case(other_shop)
    page = look_up(browser)
    assert f"/shared/{case.shared_id}" in page.links()
    assert "Alike" in page.text
    assert "Codes : P0533" in page.text
    assert "Warm" in page.text


def test_what_the_lookup_left_out_leads_to_fields_that_are_there(
    other_shop: Shop, browser: Client
) -> None:
    for _ in range(3):
        factories.make_case(other_shop)
    vague = {"do": "look", "unit_kind": "ac_system", "complaint": "no cold at the lights"}
    page = read_page(browser.get(browser.post("/", vague)["Location"]))
    assert "Would sharpen the comparison" in page.text
    fields = {link[1:] for link in page.links() if link.startswith("#f-")}
    assert {"f-codes", "f-check.dye_inspection"} <= fields
    ids = {a["id"] for tag in ("input", "select", "textarea") for a in page.all(tag) if "id" in a}
    assert fields <= ids


def test_the_address_of_an_answer_says_nothing_of_what_was_typed(browser: Client) -> None:
    response = browser.post("/", LOOKUP)
    address = response["Location"]
    assert "Talvera" not in address
    assert "Lukewarm" not in address
    assert len(address) < 40
    assert browser.get(address).status_code == 200
    assert browser.get(address).status_code == 200


def test_everything_typed_stands_in_the_form_beside_the_answer(browser: Client) -> None:
    page = look_up(browser)
    assert page.field("year")["value"] == "2018"
    assert page.field("odometer")["value"] == "148 000"
    ticked = [a for a in page.all("input") if a.get("value") == "warm_air"]
    assert "checked" in ticked[0]
    hot = [a for a in page.all("input") if a.get("name") == "when.warm_air" and a["value"] == "hot"]
    assert "checked" in hot[0]
    chosen = [a["value"] for a in page.all("option") if "selected" in a]
    assert "seepage" in chosen


def test_faults_stand_beside_their_fields_and_nothing_is_lost(browser: Client) -> None:
    data = LOOKUP | {"year": "20x8", "codes": "P0533 P99999", "odometer": "lots"}
    page = read_page(browser.post("/", data), 422)
    for name in ("year", "codes", "odometer"):
        assert page.field(name)["aria-invalid"] == "true", name
    assert page.field("year")["value"] == "20x8"
    assert page.field("make")["value"] == "Talvera"
    assert "3 things to correct" in page.text


def test_a_lookup_that_asks_nothing_is_told_what_to_say(browser: Client) -> None:
    page = read_page(browser.post("/", {"do": "look"}), 422)
    assert "at least one" in page.text


def test_a_lookup_of_another_sign_in_is_not_found(browser: Client, stranger: Client) -> None:
    address = browser.post("/", LOOKUP)["Location"]
    page = read_page(stranger.get(address), 404)
    assert "no longer kept" in page.text
    assert "Talvera" not in page.text


def test_with_fewer_than_three_shops_there_is_no_percentage_but_the_shops_own_history(
    shop: Shop, other_shop: Shop, browser: Client
) -> None:
    own = factories.make_case(shop)
    factories.make_case(other_shop)
    page = look_up(browser)
    assert not re.search(r"\d\s*%", page.text)
    assert "fewer than 3 shops" in page.text.lower()
    assert f"/cases/{own.pk}" in page.links()
    assert "Take care" in page.text


def test_a_vin_is_not_kept_with_the_lookup(browser: Client) -> None:
    response = browser.post("/", LOOKUP | {"vin": "1M8GDM9AXKP042788"})
    assert "1M8GDM9AXKP042788" not in str(dict(browser.session))
    assert "1M8GDM9AXKP042788" not in browser.get(response["Location"]).content.decode()


def test_nor_is_a_vin_in_text_that_was_pasted_whole(browser: Client) -> None:
    pasted = {
        "codes": "VIN 1M8GDM9AXKP042788\nP0533",
        "complaint": "½ l lost, 1M8GDM9AXKP042788",
    }
    browser.post("/", LOOKUP | pasted)
    kept = str(dict(browser.session))
    assert "1M8GDM9AXKP042788" not in kept
    assert "P0533" in kept
    assert "½ l lost" in kept


def test_the_lookup_becomes_a_case_without_typing_it_again(browser: Client) -> None:
    page = look_up(browser)
    keep = next(link for link in page.links() if link.startswith("/cases/new?look="))
    form = read_page(browser.get(keep))
    assert form.field("make")["value"] == "Talvera"
    assert form.field("odometer")["value"] == "148 000"
    ticked = [a for a in form.all("input") if a.get("value") == "warm_air"]
    assert "checked" in ticked[0]


def test_only_a_dozen_lookups_are_kept(browser: Client) -> None:
    first = browser.post("/", LOOKUP)["Location"]
    for year in range(2000, 2012):
        last = browser.post("/", LOOKUP | {"year": str(year)})["Location"]
    assert browser.get(last).status_code == 200
    assert browser.get(first).status_code == 404


def test_the_story_of_a_shared_case_names_no_shop_and_no_day(
    other_shop: Shop, browser: Client
) -> None:
    case = factories.make_case(other_shop)
    page = read_page(browser.get(f"/shared/{case.shared_id}"))
    assert "O-ring at the evaporator seeping" in page.text
    assert "2345678" not in page.text
    assert other_shop.name not in page.text
    assert "May 2026" in page.text
    assert "11 May 2026" not in page.text


def test_enter_in_a_field_looks_up_and_does_not_only_renew_the_lists(browser: Client) -> None:
    for page in (read_page(browser.get("/")), look_up(browser)):
        buttons = [a for a in page.all("button") if a.get("name") == "do"]
        assert buttons[0]["value"] == "look"


def test_who_was_called_away_finds_the_last_lookups_at_the_bench(
    browser: Client, stranger: Client
) -> None:
    look_up(browser)
    look_up(browser)
    look_up(browser, year="2011", model="Post")
    page = read_page(browser.get("/"))
    again = [a["href"] for a in page.all("a") if a.get("href", "").startswith("/?look=")]
    assert len(again) == 2
    assert "2011" in read_page(browser.get(again[0])).field("year")["value"]
    assert "/?look=" not in str(read_page(stranger.get("/")).all("a"))
