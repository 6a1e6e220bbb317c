"""The address space: pages, the API, health. Failures outside any view: a page or a problem."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.urls import include, path
from django.views import defaults

from api import problems
from api.views import UnknownAddress

urlpatterns = [
    path("api", UnknownAddress.as_view()),
    path("api/", include("api.urls")),
    path("", include("casebook.ops.urls")),
    path("", include("casebook.web.urls")),
]


def handler400(request: HttpRequest, exception: Exception) -> HttpResponse:
    if problems.is_api(request):
        return problems.bad_request(request)
    return defaults.bad_request(request, exception)


def handler403(request: HttpRequest, exception: Exception) -> HttpResponse:
    if problems.is_api(request):
        return problems.not_allowed(request)
    return defaults.permission_denied(request, exception)


def handler404(request: HttpRequest, exception: Exception) -> HttpResponse:
    if problems.is_api(request):
        return problems.not_found(request)
    return defaults.page_not_found(request, exception)


def handler500(request: HttpRequest) -> HttpResponse:
    if problems.is_api(request):
        return problems.server_error(request)
    return defaults.server_error(request)
