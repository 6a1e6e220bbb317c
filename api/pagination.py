"""Cursor pages: `{"next", "previous", "results"}`, stable while rows come and go."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Generic, TypeVar
from urllib.parse import urlencode
from uuid import UUID

from django.http import HttpResponse
from pydantic import Field
from rest_framework.request import Request

from api.parameters import Parameters
from api.problems import Problem
from api.views import respond

PAGE_SIZE = 200

Row = TypeVar("Row")


@dataclass(frozen=True)
class Cursor:
    """A place between two rows, and the way to read on from there."""

    backwards: bool
    day: date
    id: UUID


class PageParameters(Parameters):
    limit: int = Field(50, ge=1, le=PAGE_SIZE)
    cursor: str | None = Field(None, description="From next or previous of an earlier page.")

    def read_cursor(self) -> Cursor | None:
        return None if self.cursor is None else decode_cursor(self.cursor)


@dataclass(frozen=True)
class Page(Generic[Row]):
    rows: Sequence[Row]
    next: Cursor | None
    previous: Cursor | None


def encode_cursor(cursor: Cursor) -> str:
    parts = ["b" if cursor.backwards else "f", cursor.day.isoformat(), cursor.id.hex]
    return base64.urlsafe_b64encode(json.dumps(parts).encode()).decode().rstrip("=")


def decode_cursor(text: str) -> Cursor:
    """Raises Problem `bad_cursor`. Holds a place only: it opens nothing that the caller may not
    read anyway, so it needs no signature."""
    try:
        raw = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
        way, day, key = json.loads(raw)
        if way not in ("b", "f"):
            raise ValueError(way)
        return Cursor(way == "b", date.fromisoformat(day), UUID(key))
    except (ValueError, TypeError, AttributeError) as error:
        raise Problem(
            "Take the cursor unchanged from next or previous of an earlier page.", code="bad_cursor"
        ) from error


def cut_page(
    rows: Sequence[Row],
    *,
    limit: int,
    cursor: Cursor | None,
    place_of: Callable[[Row], tuple[date, UUID]],
) -> Page[Row]:
    """From `limit + 1` rows, in list order, read at the cursor: the page and its neighbours."""
    more = len(rows) > limit
    backwards = cursor is not None and cursor.backwards
    # Read backwards, the row too many is the one furthest back: the first.
    kept = rows[-limit:] if backwards else rows[:limit]

    def at(row: Row, back: bool) -> Cursor:
        return Cursor(back, *place_of(row))

    if not kept:
        # Everything on this side is gone meanwhile; the way back still stands.
        turned = None if cursor is None else Cursor(not cursor.backwards, cursor.day, cursor.id)
        return Page([], turned if backwards else None, None if backwards else turned)
    has_next = backwards or more
    has_previous = more if backwards else cursor is not None
    return Page(
        kept,
        at(kept[-1], False) if has_next else None,
        at(kept[0], True) if has_previous else None,
    )


def respond_page(
    request: Request, page: Page[Row], describe: Callable[[Row], object]
) -> HttpResponse:
    """The page with the addresses of its neighbours: the request's own, with another cursor."""

    def link(cursor: Cursor | None) -> str | None:
        if cursor is None:
            return None
        query = {k: v for k, v in request.query_params.items() if k != "cursor"}
        query["cursor"] = encode_cursor(cursor)
        return request.build_absolute_uri(f"{request.path}?{urlencode(query)}")

    links = {"next": link(page.next), "previous": link(page.previous)}
    named = [f'<{address}>; rel="{name}"' for name, address in links.items() if address]
    return respond(
        {**links, "results": [describe(row) for row in page.rows]},
        headers={"Link": ", ".join(named)} if named else None,
    )
