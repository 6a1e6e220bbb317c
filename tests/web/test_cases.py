"""A shop's own cases on the pages: entering, previewing, posting, changing, withdrawing."""

from __future__ import annotations

from typing import Any

from django.test import Client

from casebook.cases.models import Case
from casebook.cases.queries import get_case, list_cases
from casebook.shops.models import Shop
from tests import factories
from tests.web.pages import Page, read_page

FORM = {
    "once": "a-word-for-once",
    "year": "2018",
    "make": "Talvera",
    "unit_kind": "ac_system",
    "complaint": "Lukewarm. Call Mrs Alder on 0171 2345678",
    "codes": "P0533 pending",
    "shop_reference": "70311",
    "opened_on": "2026-05-11",
    "odometer": "148.200",
    "odometer_unit": "km",
    "attempt.level": "service",
    "attempt.on": "2026-05-12",
    "attempt.action": ["recharge_refrigerant"],
    "attempt.result": "fixed",
    "attempt.parts_cost": "48,50",
    "attempt.currency": "EUR",
}


def send(client: Client, do: str, **changes: Any) -> Any:
    return client.post("/cases/new", FORM | {"do": do} | changes)


def cases_of(shop: Shop) -> list[Case]:
    return list_cases(shop=shop)


def test_before_posting_one_sees_exactly_what_others_will_see(shop: Shop, browser: Client) -> None:
    page = read_page(send(browser, "preview"))
    assert "2345678" not in page.text
    assert "Alder" not in page.text
    assert "1 phone number" in page.text
    assert "70311" not in page.text
    assert "140–150 000 km" in page.text
    assert cases_of(shop) == []


def test_the_preview_carries_every_field_on(browser: Client) -> None:
    page = read_page(send(browser, "preview"))
    carried = [
        (a["name"], a["value"])
        for a in page.all("input")
        if a.get("type") == "hidden" and a["name"] not in ("csrfmiddlewaretoken", "once")
    ]
    sent = [
        (name, value)
        for name, values in FORM.items()
        if name != "once"
        for value in (values if isinstance(values, list) else [values])
    ]
    assert sorted(carried) == sorted(sent)


def test_going_back_from_the_preview_loses_nothing(browser: Client) -> None:
    page = read_page(send(browser, "edit"))
    assert page.field("complaint") is not None
    assert page.field("shop_reference")["value"] == "70311"
    assert page.field("attempt.parts_cost")["value"] == "48,50"
    assert page.field("once")["value"] == FORM["once"]


def test_a_posted_case_is_the_shops_and_is_found(shop: Shop, browser: Client) -> None:
    response = send(browser, "post")
    (case,) = cases_of(shop)
    assert response["Location"] == f"/cases/{case.pk}"
    page = read_page(browser.get(response["Location"]))
    assert "Posted" in page.text
    assert "1 phone number" in page.text
    assert "70311" in page.text
    assert case.odometer_value == 148_200
    assert [str(attempt.parts_cost) for attempt in case.attempts.all()] == ["48.50"]


def test_the_same_form_sent_twice_makes_one_case(shop: Shop, browser: Client) -> None:
    first, second = send(browser, "post"), send(browser, "post")
    assert first["Location"] == second["Location"]
    assert len(cases_of(shop)) == 1


def test_a_job_number_that_is_taken_is_said_beside_it(shop: Shop, browser: Client) -> None:
    send(browser, "post")
    page = read_page(send(browser, "post", once="another-word-here"), 422)
    assert page.field("shop_reference")["aria-invalid"] == "true"
    assert len(cases_of(shop)) == 1


def test_what_is_missing_is_said_beside_its_field(shop: Shop, browser: Client) -> None:
    data = {
        "do": "preview",
        "once": "x" * 12,
        "attempt.level": "service",
        "attempt.on": "2031-01-01",
    }
    page = read_page(browser.post("/cases/new", data), 422)
    for name in ("year", "make", "unit_kind", "attempt.on"):
        assert page.field(name)["aria-invalid"] == "true", name
    assert cases_of(shop) == []


def test_the_list_shows_the_shops_own_cases_newest_first(
    shop: Shop, browser: Client, stranger: Client
) -> None:
    old = factories.make_case(shop, opened_on="2026-01-03", attempts=[], follow_ups=[])
    new = factories.make_case(shop)
    links = [link for link in read_page(browser.get("/cases")).links() if link.count("/") == 2]
    assert links[:2] == [f"/cases/{new.pk}", f"/cases/{old.pk}"]
    open_ones = read_page(browser.get("/cases?state=open")).links()
    assert f"/cases/{old.pk}" in open_ones
    assert f"/cases/{new.pk}" not in open_ones
    assert f"/cases/{new.pk}" not in read_page(stranger.get("/cases")).links()


def test_older_cases_follow_on_the_next_page_without_gap_or_repeat(
    shop: Shop, browser: Client
) -> None:
    made = {f"/cases/{factories.make_case(shop, attempts=[], follow_ups=[]).pk}" for _ in range(27)}
    first = read_page(browser.get("/cases"))
    onward = next(link for link in first.links() if link.startswith("?"))
    second = read_page(browser.get(f"/cases{onward}"))
    seen = [link for page in (first, second) for link in page.links() if link in made]
    assert len(seen) == 27
    assert set(seen) == made


def test_the_list_stays_within_a_few_queries(
    shop: Shop, browser: Client, django_assert_max_num_queries: Any
) -> None:
    for _ in range(12):
        factories.make_case(shop)
    with django_assert_max_num_queries(12):
        browser.get("/cases")


def edit_form(client: Client, case: Case) -> dict[str, Any]:
    """What a browser would send of the edit page, unchanged."""
    page = read_page(client.get(f"/cases/{case.pk}/edit"))
    return form_data(page, client.get(f"/cases/{case.pk}/edit").context["form"])


def form_data(page: Page, form: Any) -> dict[str, Any]:
    data: dict[str, Any] = {"version": page.field("version")["value"]}
    for name, field in form.fields.items():
        data[name] = field.value
    data["symptom"] = [tile.row for tile in form.symptoms_chosen]
    for tile in form.symptoms_chosen:
        data[f"when.{tile.row}"] = [o.value for o in tile.when if o.chosen]
        data[f"stage.symptom.{tile.row}"] = [o.value for o in tile.stages if o.chosen]
    for row in form.checks_found:
        data[f"result.{row.row}"] = [o.value for o in row.results if o.chosen]
        data[f"value.{row.row}"] = row.value
        data[f"unit.{row.row}"] = [o.value for o in row.units if o.chosen]
        data[f"stage.check.{row.row}"] = [o.value for o in row.stages if o.chosen]
    return data


def test_keeping_the_edit_page_as_it_is_changes_nothing(shop: Shop, browser: Client) -> None:
    case = get_case(shop=shop, case_id=factories.make_case(shop).pk)
    response = browser.post(f"/cases/{case.pk}/edit", edit_form(browser, case))
    assert response["Location"] == f"/cases/{case.pk}"
    after = get_case(shop=shop, case_id=case.pk)
    for name in ("vehicle_link", "codes", "symptoms", "findings", "complaint", "notes", "year"):
        assert getattr(after, name) == getattr(case, name), name
    assert list(after.attempts.all()) == list(case.attempts.all()) != []


def test_a_change_is_stored_and_an_emptied_field_is_emptied(shop: Shop, browser: Client) -> None:
    case = factories.make_case(shop)
    data = edit_form(browser, case) | {"engine": "", "notes": "", "complaint": "Cold now"}
    browser.post(f"/cases/{case.pk}/edit", data)
    after = get_case(shop=shop, case_id=case.pk)
    assert (after.engine, after.notes, after.complaint) == ("", "", "Cold now")


def test_a_change_on_top_of_somebody_elses_is_refused(shop: Shop, browser: Client) -> None:
    case = factories.make_case(shop)
    data = edit_form(browser, case)
    browser.post(f"/cases/{case.pk}/edit", data | {"complaint": "First"})
    page = read_page(browser.post(f"/cases/{case.pk}/edit", data | {"complaint": "Second"}), 409)
    assert "Somebody changed" in page.text
    assert get_case(shop=shop, case_id=case.pk).complaint == "First"


def test_withdrawing_asks_first_and_then_takes_it_from_everybody(
    shop: Shop, browser: Client, stranger: Client
) -> None:
    case = factories.make_case(shop)
    assert "can’t be brought back" in read_page(browser.get(f"/cases/{case.pk}/withdraw")).text
    read_page(stranger.get(f"/shared/{case.shared_id}"))
    assert browser.post(f"/cases/{case.pk}/withdraw")["Location"] == "/cases"
    read_page(browser.get(f"/cases/{case.pk}"), 404)
    read_page(stranger.get(f"/shared/{case.shared_id}"), 404)
