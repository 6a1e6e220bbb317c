"""Bad reception at the car: what is typed while the page waits must not get lost."""

from __future__ import annotations

import re
import time

import pytest
from playwright.sync_api import BrowserContext, Route, expect

from tests.browser.conftest import Site
from tests.browser.test_bench_on_a_phone import sign_in

pytestmark = pytest.mark.browser


def test_what_is_typed_while_the_lists_of_a_unit_are_on_their_way_stays(
    phone: BrowserContext, site: Site
) -> None:
    page = phone.new_page()
    sign_in(page, site)

    def slowly(route: Route) -> None:
        time.sleep(0.7)
        route.continue_()

    page.route("**/*", slowly)
    page.get_by_label("Unit in question").select_option("ac_system")
    page.get_by_label(re.compile("^The complaint")).fill("Lukewarm after twenty minutes")
    page.get_by_label("Trouble codes").fill("P0533 pending")
    expect(page.get_by_text(re.compile(r"Air conditioning \(\d+\)")).first).to_be_visible()
    expect(page.get_by_label(re.compile("^The complaint"))).to_have_value(
        "Lukewarm after twenty minutes"
    )
    expect(page.get_by_label("Trouble codes")).to_have_value("P0533 pending")
