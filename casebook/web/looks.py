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
_FIGURES_NAME = "figures"
_KEPT = 12


def keep_look(request: HttpRequest, entry: Entry, *, before: str = "") -> str:
    """Keeps what was asked; returns the word that finds it again. before: the word of the lookup
    that this one continues; costs given there stay with the vehicle."""
    looks = request.session.get(_SESSION_NAME, {})
    word = secrets.token_urlsafe(6)
    # A vehicle's number is read and dropped, never kept with a sign-in; pasted text may hold one.
    kept = entry.without("vin").fields
    looks[word] = {name: [drop_vins(value) for value in values] for name, values in kept.items()}
    request.session[_SESSION_NAME] = dict(list(looks.items())[-_KEPT:])
    if given := find_figures(request, before):
        keep_figures(request, word, given)
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


def keep_figures(request: HttpRequest, word: str, entry: Entry) -> None:
    """Keeps what was said of costs with the lookup that it is about."""
    looks = request.session.get(_SESSION_NAME, {})
    figures = request.session.get(_FIGURES_NAME, {}) | {word: dict(entry.fields)}
    request.session[_FIGURES_NAME] = {key: figures[key] for key in looks if key in figures}


def find_figures(request: HttpRequest, word: str) -> Entry | None:
    fields = request.session.get(_FIGURES_NAME, {}).get(word)
    return None if fields is None else Entry(fields)
