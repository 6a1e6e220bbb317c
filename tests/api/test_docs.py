"""/api/docs: readable by anybody, without a script and without anything from elsewhere."""

from __future__ import annotations

import re

from django.contrib.staticfiles import finders
from django.test import Client

from api.schema import build_schema


def test_every_operation_and_shape_is_on_the_page() -> None:
    page = Client().get("/api/docs").content.decode()
    ids = set(re.findall(r'id="([^"]+)"', page))
    schema = build_schema()
    for item in schema["paths"].values():
        for operation in item.values():
            assert operation["operationId"] in ids
    assert set(schema["components"]["schemas"]) <= ids


def test_every_link_inside_the_page_leads_somewhere() -> None:
    client = Client()
    page = client.get("/api/docs").content.decode()
    ids = set(re.findall(r'id="([^"]+)"', page))
    links = set(re.findall(r'href="([^"]+)"', page))
    assert {link[1:] for link in links if link.startswith("#")} <= ids
    for link in links:
        if link.startswith("/static/"):
            assert finders.find(link.removeprefix("/static/"))
        elif link.startswith("/"):
            assert client.get(link).status_code == 200, link
        else:
            assert link.startswith("#"), link


def test_nothing_is_loaded_from_elsewhere_or_run() -> None:
    response = Client().get("/api/docs")
    page = response.content.decode()
    policy = response["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "style-src 'self'" in policy
    assert "script" not in policy
    for word in ("<script", "http://", "https://", "style=", "onclick", "javascript:"):
        assert word not in page
