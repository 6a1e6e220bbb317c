"""Attempts, follow-ups and the list of outcomes owed."""

from __future__ import annotations

from datetime import timedelta

from django.test import Client

from casebook.cases.models import Case
from casebook.cases.queries import get_case
from casebook.cases.services import today
from casebook.shops.models import Shop
from tests import factories
from tests.web.pages import read_page


def repaired(shop: Shop, days_ago: int, result: str = "fixed") -> Case:
    day = today() - timedelta(days=days_ago)
    return factories.make_case(
        shop,
        opened_on=day.isoformat(),
        attempts=[{"on": day.isoformat(), "level": "service", "result": result}],
        follow_ups=[],
    )


def test_an_attempt_is_added_to_a_case(shop: Shop, browser: Client) -> None:
    case = factories.make_case(shop, attempts=[], follow_ups=[])
    page = read_page(browser.get(f"/cases/{case.pk}/attempt"))
    assert page.field("attempt.on")["value"] == today().isoformat()
    response = browser.post(
        f"/cases/{case.pk}/attempt",
        {
            "attempt.on": "2026-05-14",
            "attempt.level": "component",
            "attempt.result": "fixed",
            "attempt.labour_hours": "1,5",
        },
    )
    assert response["Location"] == f"/cases/{case.pk}"
    (attempt,) = get_case(shop=shop, case_id=case.pk).attempts.all()
    assert (attempt.level, float(attempt.labour_hours or 0)) == ("component", 1.5)
    assert "Component: fixed" in read_page(browser.get(f"/cases/{case.pk}")).text


def test_the_same_attempt_sent_twice_is_noted_once(shop: Shop, browser: Client) -> None:
    case = factories.make_case(shop, attempts=[], follow_ups=[])
    address = f"/cases/{case.pk}/attempt"
    form = {
        "once": read_page(browser.get(address)).field("once")["value"],
        "attempt.on": "2026-05-14",
        "attempt.level": "service",
        "attempt.result": "fixed",
    }
    wrong = browser.post(address, form | {"attempt.on": "2020-01-01"})
    # What was refused has not used up the form.
    form["once"] = read_page(wrong, 422).field("once")["value"]
    assert [browser.post(address, form)["Location"] for _ in range(2)] == [f"/cases/{case.pk}"] * 2
    assert get_case(shop=shop, case_id=case.pk).attempts.count() == 1


def test_the_work_offered_is_that_of_the_unit(shop: Shop, browser: Client) -> None:
    case = factories.make_case(shop)
    page = read_page(browser.get(f"/cases/{case.pk}/attempt"))
    offered = {a["value"] for a in page.all("input") if a.get("name") == "attempt.action"}
    assert "recharge_refrigerant" in offered


def test_an_attempt_that_does_not_fit_is_said_and_kept(shop: Shop, browser: Client) -> None:
    case = factories.make_case(shop, attempts=[], follow_ups=[])
    page = read_page(
        browser.post(
            f"/cases/{case.pk}/attempt",
            {"attempt.on": "2020-01-01", "attempt.level": "service", "attempt.parts_cost": "ten"},
        ),
        422,
    )
    assert page.field("attempt.parts_cost")["value"] == "ten"
    assert page.field("attempt.parts_cost")["aria-invalid"] == "true"
    page = read_page(
        browser.post(
            f"/cases/{case.pk}/attempt", {"attempt.on": "2020-01-01", "attempt.level": "service"}
        ),
        422,
    )
    assert page.field("attempt.on")["aria-invalid"] == "true"
    assert get_case(shop=shop, case_id=case.pk).attempts.count() == 0


def test_a_follow_up_needs_a_state_and_an_odometer_that_did_not_fall(
    shop: Shop, browser: Client
) -> None:
    case = repaired(shop, 40)
    page = read_page(browser.post(f"/cases/{case.pk}/follow-up", {"on": today().isoformat()}), 422)
    assert "This is required" in page.text
    page = read_page(
        browser.post(
            f"/cases/{case.pk}/follow-up",
            {
                "on": today().isoformat(),
                "state": "holding",
                "odometer": "100",
                "odometer_unit": "km",
            },
        ),
        422,
    )
    assert page.field("odometer")["aria-invalid"] == "true"


def test_what_is_owed_comes_longest_owed_first(shop: Shop, browser: Client) -> None:
    short, long = repaired(shop, 35), repaired(shop, 200)
    repaired(shop, 5)
    page = read_page(browser.get("/due"))
    links = [link for link in page.links() if link.startswith("/cases/")]
    assert links == [f"/cases/{long.pk}", f"/cases/{short.pk}"]
    assert "2 repairs" in page.text


def test_one_tap_settles_an_outcome(shop: Shop, browser: Client) -> None:
    case = repaired(shop, 40)
    response = browser.post(
        "/due",
        {
            "case": str(case.pk),
            "state": "holding",
            "odometer": "151 200",
            "odometer_unit": "km",
        },
    )
    assert response["Location"] == "/due"
    (seen,) = get_case(shop=shop, case_id=case.pk).follow_ups.all()
    assert (seen.state, seen.odometer_value, seen.on) == ("holding", 151_200, today())
    page = read_page(browser.get("/due"))
    assert f"/cases/{case.pk}" not in page.links()
    assert "Noted: holding" in page.text


def test_a_wrong_odometer_is_said_at_the_case_it_belongs_to(shop: Shop, browser: Client) -> None:
    case, other = repaired(shop, 40), repaired(shop, 50)
    page = read_page(
        browser.post("/due", {"case": str(case.pk), "state": "holding", "odometer": "lots"}), 422
    )
    fields = {a["id"]: a for a in page.all("input") if a.get("name") == "odometer"}
    assert fields[f"o-{case.pk}"]["aria-invalid"] == "true"
    assert fields[f"o-{case.pk}"]["value"] == "lots"
    assert "aria-invalid" not in fields[f"o-{other.pk}"]


def test_another_shops_outcome_can_not_be_settled(shop: Shop, stranger: Client) -> None:
    case = repaired(shop, 40)
    for case_id in (str(case.pk), "not-an-id"):
        read_page(stranger.post("/due", {"case": case_id, "state": "came_back"}), 404)
    assert get_case(shop=shop, case_id=case.pk).follow_ups.count() == 0


def test_a_follow_up_tapped_by_mistake_is_taken_back(shop: Shop, browser: Client) -> None:
    case = factories.make_case(shop)
    version = get_case(shop=shop, case_id=case.pk).version
    response = browser.post(f"/cases/{case.pk}/take-back/follow_ups/0", {"version": str(version)})
    assert response["Location"] == f"/cases/{case.pk}"
    after = get_case(shop=shop, case_id=case.pk)
    assert after.follow_ups.count() == 0
    assert after.attempts.count() == 1


def test_an_attempt_that_a_follow_up_hangs_on_stays_and_says_why(
    shop: Shop, browser: Client
) -> None:
    case = factories.make_case(shop)
    version = get_case(shop=shop, case_id=case.pk).version
    browser.post(f"/cases/{case.pk}/take-back/attempts/0", {"version": str(version)})
    assert get_case(shop=shop, case_id=case.pk).attempts.count() == 1
    assert "needs an attempt" in read_page(browser.get(f"/cases/{case.pk}")).text


def test_enter_in_the_odometer_field_settles_nothing(shop: Shop, browser: Client) -> None:
    case = repaired(shop, 40)
    page = read_page(browser.post("/due", {"case": str(case.pk), "odometer": "151200"}), 422)
    assert "Tap what you saw" in page.text
    at = next(i for i, (_, a) in enumerate(page.elements) if a.get("action") == "/due")
    form = page.elements[at:]
    first = next(attributes for tag, attributes in form if tag == "button")
    assert "name" not in first
    assert get_case(shop=shop, case_id=case.pk).follow_ups.count() == 0


def test_a_repair_that_did_not_help_asks_for_the_next_attempt(shop: Shop, browser: Client) -> None:
    case = repaired(shop, 40, "not_fixed")
    page = read_page(browser.get(f"/cases/{case.pk}"))
    assert "the next attempt is open" in page.text
    assert "utcome owed" not in page.text
    assert "None." in read_page(browser.get("/due")).text
