"""Lookups of this sign-in, kept so that an answer has a short address of its own.

The address carries a random word, not what was typed: complaint and odometer stay out of browser
history and server logs, going back never asks to send a form again, and two vehicles can be looked
up in two tabs.
"""

from __future__ import annotations

import secrets

from django.http import HttpRequest

from casebook.cases.masking import drop_vins
from casebook.web.entry import Entry

_SESSION_NAME = "looks"
_KEPT = 12


def keep_look(request: HttpRequest, entry: Entry) -> str:
    """Keeps what was asked; returns the word that finds it again."""
    looks = request.session.get(_SESSION_NAME, {})
    word = secrets.token_urlsafe(6)
    # A vehicle's number is read and dropped, never kept with a sign-in; pasted text may hold one.
    kept = entry.without("vin").fields
    looks[word] = {name: [drop_vins(value) for value in values] for name, values in kept.items()}
    request.session[_SESSION_NAME] = dict(list(looks.items())[-_KEPT:])
    return word


def find_look(request: HttpRequest, word: str) -> Entry | None:
    fields = request.session.get(_SESSION_NAME, {}).get(word)
    return None if fields is None else Entry(fields)


def last_looks(request: HttpRequest, limit: int = 3) -> list[tuple[str, Entry]]:
    """The newest first, each once: who is called away finds the vehicle again without typing."""
    looks = request.session.get(_SESSION_NAME, {})
    newest: list[tuple[str, Entry]] = []
    for word, fields in reversed(looks.items()):
        if all(fields != entry.fields for _, entry in newest):
            newest.append((word, Entry(fields)))
    return newest[:limit]
