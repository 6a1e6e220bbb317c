"""The shop's own cases: the list, one case, posting and changing it."""

from __future__ import annotations

from datetime import date
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from casebook.cases.constants import CASE_STATES
from casebook.cases.queries import CaseFilters, Place, describe_case, get_case, list_cases
from casebook.cases.reading import read_case
from casebook.cases.services import create_case, preview_case, update_case, withdraw_case
from casebook.errors import Conflict, InvalidDocument, NotFound
from casebook.shops.roles import CONTRIBUTE
from casebook.vocabulary import load_vocabulary
from casebook.web.access import page, shop_of, show
from casebook.web.attempt_form import build_attempt_form
from casebook.web.choices import Faults, Option, build_evidence_form
from casebook.web.entry import Entry, changes_of, entry_of_case, read_case_fields
from casebook.web.looks import find_look
from casebook.web.once import make_once, new_once_word
from casebook.web.own_case import present_own_case, present_row, say_masked
from casebook.web.story import tell_story
from casebook.web.words import STATE_NAMES

_PAGE_SIZE = 25


def today() -> date:
    return timezone.now().date()


@require_safe
@page(CONTRIBUTE)
def case_list(request: HttpRequest) -> HttpResponse:
    state, kind = request.GET.get("state", ""), request.GET.get("unit_kind", "")
    wanted = request.GET.get("reference", "").strip()
    units = load_vocabulary().units
    filters = CaseFilters(
        state=state if state in CASE_STATES else None,
        unit_kind=kind if kind in units else None,
        shop_reference=wanted or None,
    )
    found = list_cases(
        shop=shop_of(request),
        filters=filters,
        after=_read_place(request.GET.get("after", "")),
        limit=_PAGE_SIZE + 1,
    )
    shown = found[:_PAGE_SIZE]
    query = request.GET.copy()
    if len(found) > _PAGE_SIZE:
        query["after"] = f"{shown[-1].opened_on}~{shown[-1].pk}"
    context = {
        "cases": [present_row(describe_case(case), today=today()) for case in shown],
        "states": [Option(key, STATE_NAMES[key], key == state) for key in CASE_STATES],
        "kinds": [Option(unit.key, unit.label, unit.key == kind) for unit in units.values()],
        "reference": wanted,
        "filtered": bool(state or kind or wanted),
        "next_page": f"?{query.urlencode()}" if len(found) > _PAGE_SIZE else "",
    }
    return show(request, "web/cases.html", context)


def _read_place(text: str) -> Place | None:
    """A page's place out of the address; from the top where that is nonsense."""
    day, _, case_id = text.partition("~")
    try:
        return Place(date.fromisoformat(day), UUID(case_id))
    except ValueError:
        return None


@require_safe
@page(CONTRIBUTE)
def own_case(request: HttpRequest, case_id: UUID) -> HttpResponse:
    case = get_case(shop=shop_of(request), case_id=case_id)
    context = present_own_case(describe_case(case), today=today())
    return show(request, "web/own_case.html", context | {"shared_id": case.shared_id})


@require_http_methods(["GET", "HEAD", "POST"])
@page(CONTRIBUTE)
def new_case(request: HttpRequest) -> HttpResponse:
    """Entering a case: form, then what others will see of it, then stored."""
    if request.method != "POST":
        entry = find_look(request, request.GET.get("look", "")) or Entry({})
        return _show_form(request, entry, once=new_once_word())
    entry = Entry.from_post(request.POST.lists())
    once, wish = request.POST.get("once", ""), request.POST.get("do", "")
    if wish not in ("preview", "post"):
        return _show_form(request, entry, once=once)
    reading = read_case_fields(entry)
    document, faults = reading.check(lambda: read_case(reading.data, today=today()))
    if document is None:
        return _show_form(request, entry, faults, once=once)
    if wish == "preview":
        return _show_preview(request, entry, preview_case(document=document), once)
    try:
        case_id = make_once(
            shop=shop_of(request),
            word=once,
            make=lambda: create_case(shop=shop_of(request), document=document).pk,
        )
    except Conflict as error:
        return _show_form(request, entry, {"shop_reference": [error.detail]}, once=once)
    if currency := entry.text("attempt.currency"):
        request.session["currency"] = currency.upper()[:3]
    messages.success(request, "Posted. It can be found by the next search.")
    return redirect(f"/cases/{case_id}")


def _show_form(
    request: HttpRequest, entry: Entry, faults: Faults | None = None, *, once: str
) -> HttpResponse:
    context = {
        "form": build_evidence_form(entry, faults, with_stages=True),
        "attempt": build_attempt_form(
            entry,
            faults,
            kind=entry.text("unit_kind"),
            currency=request.session.get("currency", ""),
        ),
        "once": once,
        "today": today().isoformat(),
    }
    return show(request, "web/new_case.html", context, 422 if faults else 200)


def _show_preview(
    request: HttpRequest, entry: Entry, preview: dict[str, Any], once: str
) -> HttpResponse:
    context = {
        "story": tell_story(preview["shared"]),
        "masked": say_masked(preview["masked"]),
        "warnings": [warning["detail"] for warning in preview["warnings"]],
        "carried": entry.pairs(),
        "once": once,
    }
    return show(request, "web/preview.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@page(CONTRIBUTE)
def edit_case(request: HttpRequest, case_id: UUID) -> HttpResponse:
    shop = shop_of(request)
    if request.method != "POST":
        case = describe_case(get_case(shop=shop, case_id=case_id))
        return _show_edit(request, case_id, entry_of_case(case), case["version"])
    entry = Entry.from_post(request.POST.lists())
    version = _read_version(request)
    if request.POST.get("do") == "lists":
        return _show_edit(request, case_id, entry, version)
    reading = read_case_fields(entry)

    def store() -> Any:
        return update_case(
            shop=shop, case_id=case_id, changes=changes_of(reading.data), version=version
        )

    try:
        # With a number that can't be read nothing is stored; the rest is checked all the same.
        check = store if not reading.faults else lambda: read_case(reading.data, today=today())
        stored, faults = reading.check(check)
    except Conflict as error:
        stored, faults = None, {"shop_reference": [error.detail]}
    if stored is None:
        return _show_edit(request, case_id, entry, version, faults)
    messages.success(request, "Changed. Others see it as it is now.")
    return redirect(f"/cases/{case_id}")


def _read_version(request: HttpRequest) -> int:
    text = request.POST.get("version", "")
    # Nine places: what a version can be, and the database hold. Else it matches none.
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else 0


def _show_edit(
    request: HttpRequest, case_id: UUID, entry: Entry, version: int, faults: Faults | None = None
) -> HttpResponse:
    context = {
        "form": build_evidence_form(entry, faults, with_stages=True),
        "case_id": case_id,
        "version": version,
    }
    return show(request, "web/edit_case.html", context, 422 if faults else 200)


@require_http_methods(["GET", "HEAD", "POST"])
@page(CONTRIBUTE)
def withdraw(request: HttpRequest, case_id: UUID) -> HttpResponse:
    """Asks first: a withdrawn case is gone, for its shop too."""
    shop = shop_of(request)
    if request.method == "POST":
        withdraw_case(shop=shop, case_id=case_id)
        messages.success(request, "Withdrawn. No search finds it any more.")
        return redirect("/cases")
    case = describe_case(get_case(shop=shop, case_id=case_id))
    return show(
        request, "web/withdraw.html", {"row": present_row(case, today=today()), "case_id": case_id}
    )


@require_http_methods(["POST"])
@page(CONTRIBUTE)
def take_back(request: HttpRequest, case_id: UUID, member: str, place: int) -> HttpResponse:
    """Removes one attempt or follow-up that was entered by mistake."""
    shop = shop_of(request)
    case = describe_case(get_case(shop=shop, case_id=case_id))
    if member not in ("attempts", "follow_ups"):
        raise NotFound()
    kept = [item for i, item in enumerate(case[member]) if i != place]
    try:
        update_case(
            shop=shop, case_id=case_id, changes={member: kept}, version=_read_version(request)
        )
    except InvalidDocument as error:
        messages.error(request, " ".join(fault.detail for fault in error.errors))
    else:
        messages.success(request, "Taken back.")
    return redirect(f"/cases/{case_id}")
