"""The bench: what vehicle, what it does, what it says, what was found; and what it took before."""

from __future__ import annotations

from datetime import date
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from casebook.cases.queries import count_due, get_shared_case
from casebook.cases.reading import read_search
from casebook.outcomes.answer import answer_search
from casebook.shops.roles import CONTRIBUTE, SEARCH
from casebook.web.access import page, person_of, shop_of, show
from casebook.web.answer import present_answer, say_asked
from casebook.web.choices import Faults, build_evidence_form
from casebook.web.entry import Entry, read_evidence
from casebook.web.figures import price_search
from casebook.web.looks import find_figures, find_look, keep_look, last_looks
from casebook.web.story import tell_story


def today() -> date:
    return timezone.now().date()


@require_http_methods(["GET", "HEAD", "POST"])
@page(SEARCH)
def bench(request: HttpRequest) -> HttpResponse:
    if request.method == "POST":
        return _take_entry(request)
    word = request.GET.get("look", "")
    if not word:
        context = {"owed": _count_owed(request), "looks": _say_looks(request)}
        return show(request, "web/bench.html", _form_context(Entry({})) | context)
    entry = find_look(request, word)
    return gone(request) if entry is None else _show_answer(request, entry, word)


def gone(request: HttpRequest) -> HttpResponse:
    """An empty bench where a lookup is no longer kept."""
    return show(request, "web/bench.html", _form_context(Entry({}), gone=True), status=404)


def _take_entry(request: HttpRequest) -> HttpResponse:
    entry = Entry.from_post(request.POST.lists())
    if request.POST.get("do") == "lists":
        return _show_form(request, entry)
    reading = read_evidence(entry)
    document, faults = reading.check(lambda: read_search(reading.data, today=today()))
    if document is None:
        return _show_form(request, entry, faults)
    # An address of its own for each answer: going back or reloading never sends a form again.
    word = keep_look(request, entry, before=request.POST.get("before", ""))
    return redirect(f"/?look={word}")


def _form_context(
    entry: Entry, faults: Faults | None = None, *, gone: bool = False
) -> dict[str, object]:
    return {"form": build_evidence_form(entry, faults), "gone": gone}


def _count_owed(request: HttpRequest) -> int:
    if CONTRIBUTE not in person_of(request).granted:
        return 0
    return count_due(shop=shop_of(request), today=today())


def _say_looks(request: HttpRequest) -> list[dict[str, str]]:
    asked = [(word, say_asked(read_evidence(entry).data)) for word, entry in last_looks(request)]
    return [{"path": f"/?look={word}"} | said for word, said in asked]


def _show_form(request: HttpRequest, entry: Entry, faults: Faults | None = None) -> HttpResponse:
    context = _form_context(entry, faults)
    return show(request, "web/bench.html", context, status=422 if faults else 200)


def _show_answer(request: HttpRequest, entry: Entry, word: str) -> HttpResponse:
    reading = read_evidence(entry)
    document, faults = reading.check(lambda: read_search(reading.data, today=today()))
    if document is None:
        return _show_form(request, entry, faults)
    data = reading.data
    if figures := find_figures(request, word):
        # Checks are ranked by what they save at the costs that were given for this vehicle.
        data = price_search(figures, data)
        document = read_search(data, today=today())
    answer = answer_search(shop=shop_of(request), document=document)
    context = {
        **_form_context(entry),
        "answer": present_answer(answer, document=data),
        "asked": say_asked(reading.data),
        "look": word,
        "may_keep": CONTRIBUTE in person_of(request).granted,
    }
    return show(request, "web/answer.html", context)


@require_safe
@page(SEARCH)
def shared_case(request: HttpRequest, shared_id: UUID) -> HttpResponse:
    """The story of one case, as every shop may read it."""
    case = get_shared_case(shared_id=shared_id)
    return show(request, "web/shared_case.html", {"story": tell_story(case)})
