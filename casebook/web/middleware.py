"""What every answer carries: a request id, and rules that keep foreign scripts out."""

from __future__ import annotations

import re
from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from uuid_utils.compat import uuid7

_ID_FORM = re.compile(r"[A-Za-z0-9._-]{1,100}")

# Everything from our own address; no inline script or style, no framing, no plug-ins.
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "font-src 'self'; connect-src 'self'; manifest-src 'self'; worker-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)

GetResponse = Callable[[HttpRequest], HttpResponse]


class RequestIdMiddleware:
    """Echoes X-Request-ID, or makes one, so that a log line and an answer can be matched."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        given = request.headers.get("X-Request-ID", "")
        request_id = given if _ID_FORM.fullmatch(given) else str(uuid7())
        request.META["casebook.request_id"] = request_id
        response = self.get_response(request)
        response["X-Request-ID"] = request_id
        return response


class ContentSecurityMiddleware:
    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response.headers.setdefault("Content-Security-Policy", CONTENT_POLICY)
        response.headers.setdefault("Permissions-Policy", "geolocation=(), microphone=()")
        return response
