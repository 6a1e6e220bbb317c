"""Who may see a page, and how an error from the rooms below becomes one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any, cast

from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import render

from casebook.errors import Conflict, NotAllowed, NotFound, StaleVersion, Unavailable
from casebook.shops.models import Person, Shop
from casebook.shops.roles import ANALYST, CONTRIBUTE, SEARCH

View = Callable[..., HttpResponseBase]

# name, path, what one must be allowed to do
_WAYS = (
    ("Bench", "/", SEARCH),
    ("Cases", "/cases", CONTRIBUTE),
    ("Due", "/due", CONTRIBUTE),
)
_MORE_WAYS = (
    ("Statistics", "/statistics", ANALYST),
    ("Vocabulary", "/vocabulary", SEARCH),
    ("Shop", "/shop", SEARCH),
    ("What is shared", "/about", SEARCH),
)


def person_of(request: HttpRequest) -> Person:
    return cast(Person, request.user)


def shop_of(request: HttpRequest) -> Shop:
    return person_of(request).shop


def show(
    request: HttpRequest, template: str, context: Mapping[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    """A page with its head: the ways this person may go."""
    return render(request, template, {**_head(request), **(context or {})}, status=status)


def _head(request: HttpRequest) -> dict[str, Any]:
    person = request.user
    if not isinstance(person, Person):
        return {}

    def ways(items: tuple[tuple[str, str, str], ...]) -> list[dict[str, Any]]:
        return [
            {"name": name, "path": path, "here": _is_here(request.path, path)}
            for name, path, role in items
            if role in person.granted
        ]

    main, more = ways(_WAYS), ways(_MORE_WAYS)
    if len(main) < len(_WAYS):
        # An analyst has room in front for what an analyst comes for.
        main, more = [*main, more[0]], more[1:]
    return {
        "ways": main,
        "more_ways": more,
        "shop_name": person.shop.name,
        "person_name": person.email,
    }


def _is_here(path: str, way: str) -> bool:
    return path == way or (way != "/" and path.startswith(way + "/"))


def page(role: str | None = None) -> Callable[[View], View]:
    """A page for signed-in people who hold `role`; others are asked to sign in, or told why not."""

    def wrap(view: View) -> View:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if not request.user.is_authenticated:
                back = request.get_full_path() if request.method == "GET" else request.path
                return redirect_to_login(back)
            if role is not None and role not in person_of(request).granted:
                raise PermissionDenied
            response = answer_errors(view)(request, *args, **kwargs)
            # Pages carry a shop's own data: nothing between here and the phone may keep them.
            response.headers.setdefault("Cache-Control", "private, no-cache")
            return response

        return guarded

    return wrap


def answer_errors(view: View) -> View:
    """Turns Casebook's errors into pages."""

    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        try:
            return view(request, *args, **kwargs)
        except NotFound as error:
            raise Http404 from error
        except NotAllowed as error:
            raise PermissionDenied from error
        except StaleVersion as error:
            return show_problem(request, "Somebody changed it first", error.detail, 409)
        except Conflict as error:
            return show_problem(request, "That doesn't go together", error.detail, 409)
        except Unavailable as error:
            response = show_problem(request, "Not available just now", error.detail, 503)
            response["Retry-After"] = str(error.retry_after_s)
            return response

    return guarded


def show_problem(request: HttpRequest, title: str, detail: str, status: int) -> HttpResponse:
    return show(request, "web/problem.html", {"title": title, "detail": detail}, status)
