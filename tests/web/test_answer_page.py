"""The page of an answer, from a real search: figures with what stands behind them."""

from __future__ import annotations

import re

import pytest
from django.test import Client

from tests.web.pages import Page
from tests.web.test_bench import look_up

pytestmark = pytest.mark.usefixtures("pool")


def section(page: Page, heading: str, until: str) -> str:
    found = page.text.partition(heading)[2]
    assert found, f"no section {heading}"
    return found.partition(until)[0]


def test_how_long_it_held_is_drawn_and_said(browser: Client) -> None:
    page = look_up(browser)
    held = section(page, "Did service alone hold?", "What to check next")
    said = re.search(r"Held in .+? after 30 days \(\d+ to \d+\), .+? after a year", held)
    assert said, held
    assert page.all("path")
    # The table beside the drawing: share, span and how many were watched, line by line.
    assert re.search(r"a year \d+ % \d+–\d+ % \d+", held)
    assert "Service tried first in 18 similar cases" in held


def test_every_share_of_the_ladder_has_its_count_and_span(browser: Client) -> None:
    page = look_up(browser)
    took = section(page, "What it took", "Did service alone hold?")
    assert re.search(r"Service fluid, cleaning \d+ of \d+ likely \d+–\d+ %", took)
    assert re.search(r"Component \d+ of 24 known to have done it in \d+", took)


def test_a_check_says_what_its_results_would_mean_and_how_many_made_it(browser: Client) -> None:
    page = look_up(browser)
    checks = section(page, "What to check next", "Which way costs least?")
    assert "Pressurise with nitrogen" in checks or "itrogen" in checks
    assert re.search(r"\d+ min", checks)
    assert re.search(r"Made in \d+ similar cases?", checks)
    assert "ompressed gas" in checks.partition("If it shows")[0]
    assert "does not prove the cause" in checks


def test_what_the_answer_stands_on_is_said_with_its_count(browser: Client) -> None:
    page = look_up(browser)
    grounds = section(page, "What this stands on", "Take care")
    assert re.search(r"holds a year: \d+ %, likely \d+–\d+ %, tried in 18 cases", grounds)
    assert "P0533" in grounds


def test_what_was_typed_is_shown_and_never_run(browser: Client) -> None:
    page = look_up(browser, make="<b>Tal</b>vera", complaint="<script>alert(1)</script>")
    assert page.all("b") == []
    assert all("src" in script for script in page.all("script"))
    assert "<b>Tal</b>vera" in page.text
