"""The shop: its people and its keys, and what is shared, in plain words."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from casebook.errors import Conflict, InvalidDocument, NotAllowed, NotFound
from casebook.shops.models import ApiKey, Person
from casebook.shops.queries import list_keys, list_people
from casebook.shops.roles import KEY_ROLES, PERSON_ROLES
from casebook.shops.services import add_key, add_person, make_sign_in_link, revoke_key
from casebook.web.access import page, person_of, shop_of, show
from casebook.web.once import make_once, new_once_word
from casebook.web.words import say_day

_ROLE_MEANINGS = {
    "technician": "looks up and posts cases",
    "manager": "that, statistics, people and keys",
    "analyst": "looks up and reads statistics",
}
_KEY_MEANINGS = {
    "contribute": "posts and changes your cases",
    "search": "looks up similar cases",
    "analyst": "reads statistics and exports",
}


@require_http_methods(["GET", "HEAD", "POST"])
@page()
def shop(request: HttpRequest) -> HttpResponse:
    if request.method != "POST":
        return _show_shop(request)
    if not person_of(request).manages_shop:
        raise NotAllowed("Only a manager changes people and keys.")
    return _ACTS.get(request.POST.get("do", ""), _show_shop)(request)


def _add_person(request: HttpRequest) -> HttpResponse:
    email, role = request.POST.get("email", ""), request.POST.get("role", "")
    try:
        person = add_person(shop=shop_of(request), email=email, role=role)
    except (InvalidDocument, Conflict) as error:
        details = getattr(error, "errors", None)
        said = " ".join(fault.detail for fault in details) if details else error.detail
        return _show_shop(request, person_error=said, email=email, status=422)
    link = request.build_absolute_uri(make_sign_in_link(person))
    # Shown on the answer itself and never stored: whoever has it can choose the password.
    return _show_shop(request, link=link, link_for=person.email)


def _renew_link(request: HttpRequest) -> HttpResponse:
    """For a password that was lost: the old one works until the new one is chosen."""
    wanted = request.POST.get("person", "")
    person = next((p for p in list_people(shop_of(request)) if str(p.pk) == wanted), None)
    if person is None or not person.is_active:
        raise NotFound()
    link = request.build_absolute_uri(make_sign_in_link(person))
    return _show_shop(request, link=link, link_for=person.email)


def _add_key(request: HttpRequest) -> HttpResponse:
    """Once for each form: the page with the key on it may be loaded again, and makes no second."""
    secrets: list[str] = []

    def make() -> UUID:
        key, secret = add_key(
            shop=shop_of(request),
            roles=request.POST.getlist("role"),
            name=request.POST.get("name", ""),
        )
        secrets.append(secret)
        return key.pk

    try:
        make_once(shop=shop_of(request), word=request.POST.get("once", ""), make=make)
    except InvalidDocument:
        return _show_shop(request, key_error="Tick what the key may do.", status=422)
    if not secrets:
        messages.error(
            request,
            "That key was made already and can’t be shown again. If nobody copied it, revoke it "
            "and make another.",
        )
        return redirect("/shop")
    return _show_shop(request, secret=secrets[0])


def _revoke_key(request: HttpRequest) -> HttpResponse:
    try:
        key_id = UUID(request.POST.get("key", ""))
    except ValueError:
        return _show_shop(request, status=422)
    revoke_key(shop=shop_of(request), key_id=key_id)
    messages.success(request, "Revoked: the key opens nothing any more.")
    return redirect("/shop")


_ACTS = {"person": _add_person, "link": _renew_link, "key": _add_key, "revoke": _revoke_key}


def _show_shop(request: HttpRequest, *, status: int = 200, **extra: str) -> HttpResponse:
    own = shop_of(request)
    manages = person_of(request).manages_shop
    context = {
        "shop": own,
        "manages": manages,
        "people": [_describe_person(person) for person in list_people(own)],
        "keys": [_describe_key(key) for key in list_keys(own)] if manages else [],
        "person_roles": [(role, _ROLE_MEANINGS[role]) for role in PERSON_ROLES],
        "once": new_once_word(),
        "key_roles": [(role, _KEY_MEANINGS[role]) for role in KEY_ROLES],
        **extra,
    }
    response = show(request, "web/shop.html", context, status)
    if extra:
        # A key or link on the page must not be there again when somebody goes back.
        response["Cache-Control"] = "no-store"
    return response


def _describe_person(person: Person) -> dict[str, object]:
    state = "" if person.is_active else "no longer signs in"
    if person.is_active and not person.has_usable_password():
        state = "has not chosen a password yet"
    return {
        "id": person.pk,
        "email": person.email,
        "role": person.role,
        "state": state,
        "active": person.is_active,
    }


def _describe_key(key: ApiKey) -> dict[str, object]:
    used = say_day(timezone.localtime(key.last_used_at).date()) if key.last_used_at else "never"
    return {
        "id": key.pk,
        "name": key.name or "Key without a name",
        "shown_as": key.shown_as,
        "roles": ", ".join(key.roles),
        "used": used,
        "revoked": say_day(key.revoked_at.date()) if key.revoked_at else "",
    }


@require_safe
def about(request: HttpRequest) -> HttpResponse:
    """Open to everybody: what is shared and what is not, before anyone signs in."""
    return show(request, "web/about.html")
