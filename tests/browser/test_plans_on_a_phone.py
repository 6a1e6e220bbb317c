"""From the bench to the answer to what each way costs, on a phone: numbers typed, faults mended.

With JavaScript and without. Nothing may scroll sideways; what is tapped is high enough.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from tests import factories
from tests.browser.conftest import PHONE, Site
from tests.browser.test_bench_on_a_phone import (
    fits,
    say_vehicle,
    sign_in,
    small_targets,
    watch,
)

pytestmark = pytest.mark.browser


@pytest.fixture
def followed(committed_db: None) -> None:
    """More cases, in shops of their own, followed for two years."""
    factories.make_pool(*(factories.make_shop(name) for name in ("Weir", "Kiln", "Forge")))


@pytest.fixture(params=["light", "dark without JavaScript"])
def page(
    followed: None, request: pytest.FixtureRequest, chromium: Browser, site: Site
) -> Iterator[Page]:
    context = chromium.new_context(
        viewport=PHONE,
        has_touch=True,
        base_url=site.url,
        color_scheme="light" if request.param == "light" else "dark",
        java_script_enabled=request.param == "light",
    )
    yield context.new_page()
    context.close()


def test_a_technician_compares_the_ways_by_cost(page: Page, site: Site) -> None:
    faults = watch(page, site)
    sign_in(page, site)
    say_vehicle(page)
    page.get_by_label("Unit in question").select_option("ac_system")
    page.get_by_role("button", name="Show similar cases").click()
    expect(page.get_by_text(re.compile("^Held in .+ after a year"))).to_be_visible()
    expect(page.get_by_role("heading", name="What to check next")).to_be_visible()
    assert fits(page)

    # Where a check's name leads to its field, a glove has to hit it.
    boxes = [link.bounding_box() for link in page.locator(".check-next h3 a").all()]
    heights = [box["height"] for box in boxes if box is not None]
    assert heights
    assert min(heights) >= 48
    page.get_by_text("The curve in numbers").first.click()
    page.get_by_text("What was tried, in which order").click()
    assert fits(page)

    page.get_by_role("link", name="Compare the ways by cost").click()
    expect(page.get_by_role("heading", name="Which way costs least?")).to_be_visible()
    expect(page.get_by_text(re.compile(r"^blank: [\d.]+\sEUR, middle of")).first).to_be_visible()
    page.get_by_role("link", name="Your figures").click()
    page.get_by_label("Service", exact=True).fill("dear")
    page.get_by_label("Used unit").fill("1 900")
    page.get_by_label("Comeback").fill("120")
    page.get_by_label("Worth working").fill("4500")
    page.get_by_label("Worth not working").fill("600")
    page.get_by_role("button", name="Compare", exact=True).click()

    expect(page.get_by_text("1 thing to correct.")).to_be_visible()
    expect(page.get_by_label("Used unit")).to_have_value("1 900")
    page.get_by_role("link", name=re.compile("Service: Write a number")).click()
    page.get_by_label("Service", exact=True).fill("140")
    page.get_by_role("button", name="Compare", exact=True).click()

    for name in ("Service first", "Component repair first", "Replace now, used unit", "Leave it"):
        expect(page.get_by_role("heading", name=name, exact=True)).to_be_visible()
    expect(page.get_by_text(re.compile("^A service first pays if"))).to_be_visible()
    assert fits(page)
    assert small_targets(page) == []

    page.get_by_role("link", name="Back to the answer").click()
    expect(page.get_by_role("heading", name="What it took")).to_be_visible()
    assert small_targets(page) == []
    assert fits(page)
    # The one answer that says 422 was asked for.
    assert [fault for fault in faults if "422" not in fault] == []
