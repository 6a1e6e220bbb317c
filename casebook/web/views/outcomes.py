"""What was done and what was seen later: attempts, follow-ups and the list of those owed."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from casebook.cases.queries import count_due, describe_case, get_case, list_due
from casebook.cases.services import add_attempt, add_follow_up
from casebook.errors import NotFound
from casebook.shops.roles import CONTRIBUTE
from casebook.web.access import page, shop_of, show
from casebook.web.attempt_form import build_attempt_form, build_follow_up_form
from casebook.web.choices import list_faults
from casebook.web.entry import Entry, read_attempt_fields, read_follow_up_fields
from casebook.web.once import make_once, new_once_word
from casebook.web.own_case import present_due, present_row
from casebook.web.words import FOLLOW_UP_NAMES

_MOST_DUE = 40


def today() -> date:
    return timezone.now().date()


@require_http_methods(["GET", "HEAD", "POST"])
@page(CONTRIBUTE)
def attempt(request: HttpRequest, case_id: UUID) -> HttpResponse:
    shop = shop_of(request)
    case = describe_case(get_case(shop=shop, case_id=case_id))
    entry = Entry({"attempt.on": [today().isoformat()]})
    faults: dict[str, list[str]] = {}
    if request.method == "POST":
        entry = Entry.from_post(request.POST.lists())
        reading = read_attempt_fields(entry)
        if not reading.faults:
            # A second attempt would count as a comeback: a double tap must not make one.
            stored, faults = reading.check(
                lambda: make_once(
                    shop=shop,
                    word=request.POST.get("once", ""),
                    make=lambda: add_attempt(shop=shop, case_id=case_id, data=reading.data).pk,
                )
            )
            if stored is not None:
                if currency := entry.text("attempt.currency"):
                    request.session["currency"] = currency.upper()[:3]
                messages.success(request, "Attempt noted.")
                return redirect(f"/cases/{case_id}")
        else:
            _, faults = reading.check(lambda: None)
    context = {
        "row": present_row(case, today=today()),
        "case_id": case_id,
        "attempt": build_attempt_form(
            entry,
            faults,
            kind=case["unit"]["kind"],
            currency=request.session.get("currency", ""),
        ),
        "form": {"faults": list_faults(faults)},
        "once": request.POST.get("once") or new_once_word(),
    }
    return show(request, "web/attempt.html", context, 422 if faults else 200)


@require_http_methods(["GET", "HEAD", "POST"])
@page(CONTRIBUTE)
def follow_up(request: HttpRequest, case_id: UUID) -> HttpResponse:
    shop = shop_of(request)
    case = describe_case(get_case(shop=shop, case_id=case_id))
    odometer = case["vehicle"].get("odometer") or {}
    entry = Entry({"on": [today().isoformat()], "odometer_unit": [odometer.get("unit") or "km"]})
    faults: dict[str, list[str]] = {}
    if request.method == "POST":
        entry = Entry.from_post(request.POST.lists())
        faults = _note_follow_up(request, case_id, entry)
        if not faults:
            messages.success(request, _say_noted(entry))
            return redirect(f"/cases/{case_id}")
    context = {
        "row": present_row(case, today=today()),
        "case_id": case_id,
        "follow_up": build_follow_up_form(entry, faults),
        "form": {"faults": list_faults(faults)},
    }
    return show(request, "web/follow_up.html", context, 422 if faults else 200)


def _note_follow_up(request: HttpRequest, case_id: UUID, entry: Entry) -> dict[str, list[str]]:
    """Stores it, or says by field why not."""
    reading = read_follow_up_fields(entry)
    shop = shop_of(request)

    def store() -> object:
        return add_follow_up(shop=shop, case_id=case_id, data=reading.data)

    return reading.check(store if not reading.faults else lambda: None)[1]


def _say_noted(entry: Entry) -> str:
    return f"Noted: {FOLLOW_UP_NAMES.get(entry.text('state'), '').lower()}."


@require_http_methods(["GET", "HEAD", "POST"])
@page(CONTRIBUTE)
def due(request: HttpRequest) -> HttpResponse:
    """Outcomes owed, the longest owed first; a tap and an odometer settle one."""
    shop = shop_of(request)
    wrong: dict[str, tuple[list[str], str]] = {}
    if request.method == "POST":
        entry = Entry.from_post(request.POST.lists())
        case_id = _read_id(entry.text("case"))
        data = Entry({**entry.fields, "on": [today().isoformat()]})
        faults = _note_follow_up(request, case_id, data)
        if not faults:
            messages.success(request, _say_noted(entry))
            return redirect("/due")
        if not entry.text("state"):
            # Enter in the odometer field says nothing of what was seen.
            faults["state"] = ["Tap what you saw."]
        details = [detail for details in faults.values() for detail in details]
        wrong[str(case_id)] = (details, entry.text("odometer"))
    rows = [
        present_due(describe_case(case), today=today())
        for case in list_due(shop=shop, today=today(), limit=_MOST_DUE)
    ]
    rows = [
        replace(row, errors=wrong[row.case_id][0], odometer=wrong[row.case_id][1])
        if row.case_id in wrong
        else row
        for row in rows
    ]
    total = count_due(shop=shop, today=today())
    context = {"rows": rows, "total": total, "hidden": max(0, total - len(rows))}
    return show(request, "web/due.html", context, 422 if wrong else 200)


def _read_id(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError as error:
        raise NotFound() from error
