"""Signing in and out, and the one-time link with which a person chooses a password."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth import authenticate, login, logout
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from casebook.errors import InvalidDocument, NotFound
from casebook.shops.services import find_person_for_link, set_password
from casebook.web.access import answer_errors, show, show_problem
from casebook.web.choices import Field

_BACKEND = "casebook.shops.sign_in.ShopBackend"


@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def sign_in(request: HttpRequest) -> HttpResponse:
    onward = _safe_onward(request)
    if request.user.is_authenticated and request.method != "POST":
        return redirect(onward)
    email, errors = "", []
    if request.method == "POST":
        email = request.POST.get("email", "").strip()
        person = authenticate(request, username=email, password=request.POST.get("password", ""))
        if person is not None:
            login(request, person)
            return redirect(onward)
        errors = ["That e-mail address and password don’t go together."]
    context = {"email": Field("email", email, errors), "next": onward}
    return show(request, "web/sign_in.html", context, 422 if errors else 200)


def _safe_onward(request: HttpRequest) -> str:
    wanted = request.POST.get("next") or request.GET.get("next") or "/"
    safe = url_has_allowed_host_and_scheme(
        wanted, allowed_hosts={request.get_host()}, require_https=request.is_secure()
    )
    return wanted if safe else "/"


@require_POST
def sign_out(request: HttpRequest) -> HttpResponse:
    logout(request)
    return redirect("/sign-in")


@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@answer_errors
def choose_password(request: HttpRequest, uid: str, token: str) -> HttpResponse:
    """The one-time link: works until a password has been chosen with it."""
    try:
        person = find_person_for_link(uid=uid, token=token)
    except NotFound:
        return show_problem(
            request,
            "This link opens nothing",
            "It was used already, a newer one was made, it is older than a week, or it was not "
            "copied whole. If your password is set, sign in with it; else ask your shop’s manager "
            "for a new link.",
            404,
        )
    errors: list[str] = []
    if request.method == "POST":
        try:
            set_password(person=person, password=request.POST.get("password", ""))
        except InvalidDocument as error:
            errors = [fault.detail for fault in error.errors]
        else:
            login(request, person, backend=_BACKEND)
            messages.success(request, "Your password is set and you are signed in.")
            return redirect("/")
    context = {"email": person.email, "password": Field("password", "", errors)}
    return show(request, "web/choose_password.html", context, 422 if errors else 200)
