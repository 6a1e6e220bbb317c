"""A page as tests read it: its text, links and fields, and the rules every page keeps."""

from __future__ import annotations

from collections import Counter
from html.parser import HTMLParser
from typing import Any

VOID = {"input", "meta", "link", "br", "rect", "path", "circle", "line"}
FIELDS = {"input", "select", "textarea"}


class Page(HTMLParser):
    """The elements of a page, in order: (tag, attributes)."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.open: list[str] = []
        self.labelled = 0
        self.words: list[str] = []
        self.in_label: list[bool] = []
        self.wrapped: list[dict[str, str]] = []
        self.feed(html)
        self.close()
        assert self.open == [], f"never closed: {self.open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        attributes = {name: value or "" for name, value in attrs}
        self.elements.append((tag, attributes))
        if tag in FIELDS and "label" in self.open:
            self.wrapped.append(attributes)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"closes <{tag}> that was not open"
        assert self.open[-1] == tag, f"closes <{tag}> inside <{self.open[-1]}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if not {"script", "style", "template"} & set(self.open):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(
            " ".join(self.words)
            .replace("\u00a0", " ")
            .replace("\u2060", "")
            .replace("\u00ad", "")
            .split()
        )

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.elements if name == tag]

    def field(self, name: str) -> dict[str, str]:
        """The one field of this name."""
        found = [a for tag in FIELDS for a in self.all(tag) if a.get("name") == name]
        assert len(found) == 1, f"{len(found)} fields are named {name}"
        return found[0]

    def links(self) -> list[str]:
        return [a["href"] for a in self.all("a") if "href" in a]


def read_page(response: Any, status: int = 200) -> Page:
    """The page, once it keeps the rules that all pages keep."""
    assert response.status_code == status, response.content.decode()[:2_000]
    assert response["Content-Type"] == "text/html; charset=utf-8"
    page = Page(response.content.decode())
    _check_rules(page)
    return page


def _check_rules(page: Page) -> None:
    """What the content policy, a keyboard and a screen reader need."""
    assert page.all("html")[0].get("lang") == "en"
    assert len(page.all("h1")) == 1
    assert len(page.all("title")) == 1
    for tag, attributes in page.elements:
        assert "style" not in attributes, f"<{tag}> has an inline style"
        assert not [name for name in attributes if name.startswith("on")], f"<{tag}> has a handler"
        for name in ("src", "href", "action"):
            assert not attributes.get(name, "").startswith(("http:", "https:", "//"))
    assert all("src" in script for script in page.all("script"))
    assert page.all("style") == []
    ids = Counter(a["id"] for _, a in page.elements if "id" in a)
    assert [name for name, count in ids.items() if count > 1] == []
    targets = {label["for"] for label in page.all("label") if "for" in label}
    for attributes in (a for tag in FIELDS for a in page.all(tag)):
        if attributes.get("type") == "hidden" or "hidden" in attributes:
            continue
        named = (
            "aria-label" in attributes
            or attributes.get("id") in targets
            or attributes in page.wrapped
        )
        assert named, f"field without a label: {attributes}"
    for attributes in (a for _, a in page.elements):
        for name in ("aria-describedby", "aria-labelledby"):
            assert not attributes.get(name) or attributes[name] in ids
    for target in targets:
        assert target in ids, f"label for {target}, which is not there"
    for form in page.all("form"):
        assert form.get("method") in ("get", "post")
