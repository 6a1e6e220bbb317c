"""The terms that cases are told in, for people: searchable, by unit."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_safe

from casebook.shops.roles import SEARCH
from casebook.vocabulary import load_vocabulary
from casebook.web.access import page, show
from casebook.web.choices import Option
from casebook.web.terms import find_terms


@require_safe
@page(SEARCH)
def vocabulary(request: HttpRequest) -> HttpResponse:
    words = request.GET.get("q", "").strip()[:100]
    kind = request.GET.get("unit_kind", "")
    units = load_vocabulary().units
    kind = kind if kind in units else ""
    context = {
        "words": words,
        "kinds": [Option(unit.key, unit.label, unit.key == kind) for unit in units.values()],
        "themes": find_terms(words, kind or None),
        "asked": bool(words or kind),
        "version": load_vocabulary().version,
    }
    return show(request, "web/vocabulary.html", context)
