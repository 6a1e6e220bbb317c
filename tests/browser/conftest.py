"""A served Casebook with a few shops' cases, and a real Chromium that looks at it."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from socketserver import ThreadingMixIn
from typing import Any
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer, make_server

import pytest
from django.core.wsgi import get_wsgi_application
from django.db import connections
from playwright.sync_api import Browser, BrowserContext, ViewportSize, sync_playwright

from casebook.shops.services import add_person
from tests import factories

CHROMIUM = Path("/usr/bin/chromium")
PASSWORD = "nine green torque wrenches"
PHONE: ViewportSize = {"width": 360, "height": 740}
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@dataclass(frozen=True)
class Site:
    url: str
    email: str
    password: str


class _Server(ThreadingMixIn, WSGIServer):
    daemon_threads = True


class _Quiet(WSGIRequestHandler):
    def log_message(self, format: str, *args: Any) -> None:
        """A test's output is for its failures."""


@pytest.fixture
def site(committed_db: None, settings: Any, tmp_path: Path) -> Iterator[Site]:
    settings.INDEX_DIR = tmp_path / "index"
    shops = [factories.make_shop(name) for name in ("Harbour Lane", "Mill Road", "Quay Street")]
    for shop in shops:
        for _ in range(4):
            factories.make_case(shop)
    person = add_person(
        shop=shops[0], email="kim@example.org", role="technician", password=PASSWORD
    )
    server = make_server("127.0.0.1", 0, get_wsgi_application(), _Server, _Quiet)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    # Django refuses its database to a thread in which a browser's event loop runs.
    connections.close_all()
    yield Site(f"http://127.0.0.1:{server.server_port}", person.email, PASSWORD)
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture
def chromium(site: Site) -> Iterator[Browser]:
    if not CHROMIUM.exists():
        pytest.skip(f"{CHROMIUM} is not installed")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture
def phone(chromium: Browser, site: Site) -> Iterator[BrowserContext]:
    context = chromium.new_context(viewport=PHONE, has_touch=True, base_url=site.url)
    yield context
    context.close()
