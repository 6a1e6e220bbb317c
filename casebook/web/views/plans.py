"""Which way costs least: service first, repair, replace or leave, for a vehicle looked up."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_http_methods

from casebook.outcomes.plan_requests import read_plans
from casebook.outcomes.planning import answer_plans
from casebook.shops.roles import SEARCH
from casebook.web.access import page, shop_of, show
from casebook.web.answer import say_asked
from casebook.web.choices import Faults
from casebook.web.entry import Entry, read_evidence
from casebook.web.figures import build_figures_form, read_figures
from casebook.web.looks import find_figures, find_look, keep_figures
from casebook.web.plans import present_comparison
from casebook.web.views.bench import gone, today


@require_http_methods(["GET", "HEAD", "POST"])
@page(SEARCH)
def plans(request: HttpRequest) -> HttpResponse:
    word = request.GET.get("look", "")
    look = find_look(request, word)
    if look is None:
        return gone(request)
    search = read_evidence(look).data
    if request.method == "POST":
        entry = Entry.from_post(request.POST.lists())
        reading = read_figures(entry, search)
        document, faults = reading.check(lambda: read_plans(reading.data, today=today()))
        if document is None:
            return _show_form(request, entry, faults, word, search)
        keep_figures(request, word, entry)
        # As at the bench: going back or reloading never sends the form again.
        return redirect(f"/plans?look={word}")
    entry = find_figures(request, word) or Entry({})
    reading = read_figures(entry, search)
    document, faults = reading.check(lambda: read_plans(reading.data, today=today()))
    if document is None:
        return _show_form(request, entry, faults, word, search)
    answer = answer_plans(shop=shop_of(request), document=document, today=today())
    comparison = present_comparison(answer)
    form = build_figures_form(entry, currency=answer["currency"], blanks=comparison.blanks)
    context = {"comparison": comparison, "form": form, **_asked(word, search)}
    return show(request, "web/plans.html", context)


def _show_form(
    request: HttpRequest, entry: Entry, faults: Faults, word: str, search: dict[str, Any]
) -> HttpResponse:
    context = {"form": build_figures_form(entry, faults), **_asked(word, search)}
    return show(request, "web/plans.html", context, status=422)


def _asked(word: str, search: dict[str, Any]) -> dict[str, Any]:
    return {"look": word, "asked": say_asked(search)}
