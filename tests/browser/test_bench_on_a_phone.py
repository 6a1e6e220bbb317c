"""A technician at the car: signs in on a phone, looks a vehicle up, reads the answer.

Once with all comforts, once with JavaScript switched off. Both times nothing may scroll sideways,
fail in the console or come from elsewhere.
"""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Request, expect

from tests.browser.conftest import PHONE, Site

pytestmark = pytest.mark.browser


def watch(page: Page, site: Site) -> list[str]:
    """What must not happen, as it happens."""
    faults: list[str] = []

    def note_request(request: Request) -> None:
        if not request.url.startswith((site.url, "data:")):
            faults.append(f"asked {request.url}")

    page.on("request", note_request)
    page.on("pageerror", lambda error: faults.append(f"script: {error}"))
    page.on(
        "console",
        lambda message: faults.append(message.text) if message.type == "error" else None,
    )
    return faults


def sign_in(page: Page, site: Site) -> None:
    page.goto("/")
    page.get_by_label("E-mail address").fill(site.email)
    page.get_by_label("Password").fill(site.password)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", name="What’s in the bay?")).to_be_visible()


def say_vehicle(page: Page) -> None:
    page.get_by_label("Year", exact=True).fill("2018")
    page.get_by_label("Make", exact=True).fill("Talvera")
    page.get_by_label("Odometer", exact=True).fill("148 000")
    page.get_by_label(re.compile("^The complaint")).fill("Lukewarm after twenty minutes in town")
    page.get_by_label("Trouble codes").fill("P0533 pending")


def fits(page: Page) -> bool:
    """Whether nothing sticks out sideways."""
    wide = page.evaluate("document.documentElement.scrollWidth")
    return bool(wide <= PHONE["width"])


def small_targets(page: Page) -> list[str]:
    """Buttons, fields and standing links lower than a gloved finger needs (48 px).

    A link inside a sentence is as high as its line, and one that covers its whole card counts as
    the card.
    """
    found: list[str] = page.evaluate(
        """() => Array.from(
            document.querySelectorAll('button, select, textarea, summary, a.btn, nav a,'
                + ' .tile > label,'
                + ' input:not([type=hidden]):not([type=checkbox]):not([type=radio])'))
          .filter(e => e.checkVisibility() && !e.ariaHidden)
          .filter(e => e.getBoundingClientRect().height < 48)
          .map(e => e.outerHTML.slice(0, 100))"""
    )
    return found


def test_a_technician_looks_a_vehicle_up_and_reads_the_answer(
    phone: BrowserContext, site: Site
) -> None:
    page = phone.new_page()
    faults = watch(page, site)
    sign_in(page, site)
    assert fits(page)
    say_vehicle(page)
    expect(page.get_by_text("Read: P0533")).to_be_visible()
    # The unit brings its own symptoms without the page being left.
    page.get_by_label("Unit in question").select_option("ac_system")
    expect(page.get_by_text(re.compile(r"Air conditioning \(\d+\)")).first).to_be_visible()
    expect(page.get_by_label("Make", exact=True)).to_have_value("Talvera")
    page.get_by_label("Find a symptom").fill("warm air")
    page.locator("label", has=page.locator("[value=warm_air]")).click()
    page.get_by_text("When does it show?").click()
    page.locator("label", has=page.locator("[name='when.warm_air'][value=hot]")).click()
    expect(page.get_by_text("When: hot")).to_be_visible()
    assert small_targets(page) == []
    assert fits(page)

    page.get_by_role("button", name="Show similar cases").click()
    expect(page.get_by_role("heading", name="2018 Talvera", exact=True)).to_be_visible()
    expect(page.get_by_role("heading", name="What it took")).to_be_in_viewport()
    expect(page.get_by_text("12 similar cases in 3 shops")).to_be_visible()
    expect(page.get_by_role("heading", name="Did service alone hold?")).to_be_visible()
    expect(page.get_by_text("Take care")).to_be_visible()
    reasons = page.get_by_text("Alike").first
    reasons.click()
    expect(page.get_by_text(re.compile("Codes: P0533")).first).to_be_visible()
    assert small_targets(page) == []
    assert fits(page)

    page.locator("[aria-labelledby=t-similar] a.cover").first.click()
    expect(page.get_by_role("heading", name="What came in")).to_be_visible()
    page.go_back()
    expect(page.get_by_role("heading", name="What it took")).to_be_visible()

    page.get_by_role("link", name="Keep this as a case").click()
    expect(page.get_by_label("Make", exact=True)).to_have_value("Talvera")
    expect(page.locator("[name=symptom][value=warm_air]")).to_be_checked()
    page.get_by_role("button", name="See what others will see").click()
    expect(page.get_by_role("heading", name="This is what others will see")).to_be_visible()
    page.get_by_role("button", name="Post the case").click()
    expect(page.get_by_text("Posted.")).to_be_visible()
    assert fits(page)
    assert faults == []


def test_the_same_works_with_javascript_switched_off(chromium: Browser, site: Site) -> None:
    context = chromium.new_context(
        viewport=PHONE, java_script_enabled=False, base_url=site.url, color_scheme="dark"
    )
    page = context.new_page()
    sign_in(page, site)
    say_vehicle(page)
    page.get_by_label("Unit in question").select_option("ac_system")
    page.get_by_role("button", name="Show the symptoms and checks of this unit").click()
    expect(page.get_by_label("Make", exact=True)).to_have_value("Talvera")
    page.get_by_text(re.compile(r"Air conditioning \(\d+\)")).first.click()
    page.locator("label", has=page.locator("[value=warm_air]")).click()
    page.get_by_role("button", name="Show similar cases").click()
    expect(page.get_by_role("heading", name="What it took")).to_be_visible()
    expect(page.get_by_text("12 similar cases in 3 shops")).to_be_visible()
    # The ticked symptom stands in the form beside the answer, and can now be said to be "hot".
    page.get_by_text("When does it show?").click()
    page.locator("label", has=page.locator("[name='when.warm_air'][value=hot]")).click()
    page.get_by_role("button", name="Look again").click()
    expect(page.get_by_text("When: hot")).to_be_visible()
    page.locator("[aria-labelledby=t-similar] a.cover").first.click()
    expect(page.get_by_role("heading", name="What came in")).to_be_visible()
    context.close()
