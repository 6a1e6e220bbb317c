"""Every failure under /api as an RFC 9457 problem: one shape, stable types, no HTML.

`render_problem` turns exceptions into answers; a view raises and never builds one itself. The kinds
of problems are listed in api.catalogue.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.core.signals import got_request_exception
from django.db import InterfaceError, OperationalError
from django.http import Http404, HttpRequest, HttpResponse
from rest_framework import exceptions

from api.catalogue import CATALOGUE
from casebook import errors

log = logging.getLogger("casebook.api")

CONTENT_TYPE = "application/problem+json"
TYPE_PATH = "/api/docs/problems/"


class Problem(exceptions.APIException):
    """A problem of the API's own making; rooms below raise casebook.errors instead."""

    code = "malformed"

    def __init__(
        self,
        detail: str,
        *,
        code: str | None = None,
        headers: Mapping[str, str] | None = None,
        **members: Any,
    ) -> None:
        self.code = code or self.code
        self.status_code = CATALOGUE[self.code].status
        self.headers = headers
        self.members = members
        super().__init__(detail)


class BadRequest(Problem):
    code = "malformed"


class BadParameters(Problem):
    code = "bad_parameters"


class TooLarge(Problem):
    code = "too_large"


class UnsupportedCharset(Problem):
    code = "unsupported_media_type"


class PreconditionRequired(Problem):
    code = "precondition_required"


def problem_response(
    request: HttpRequest,
    code: str,
    detail: str,
    *,
    members: Mapping[str, Any] | None = None,
    headers: Mapping[str, str] | None = None,
) -> HttpResponse:
    kind = CATALOGUE[code]
    request_id = request.META.get("casebook.request_id", "")
    log.info("request %s: %s %s %s", request_id, kind.status, request.method, request.path)
    body = {
        "type": TYPE_PATH + code,
        "title": kind.title,
        "status": kind.status,
        "detail": detail,
        **(members or {}),
        "request_id": request_id,
    }
    response = HttpResponse(
        json.dumps(body, ensure_ascii=False), status=kind.status, content_type=CONTENT_TYPE
    )
    # Logged above with its id; Django would log it once more, without.
    response._has_been_logged = True  # type: ignore[attr-defined]
    response["Cache-Control"] = "no-store"
    for name, value in (headers or {}).items():
        response[name] = value
    return response


@dataclass(frozen=True)
class _Answer:
    code: str
    detail: str
    members: Mapping[str, Any] | None = None
    headers: Mapping[str, str] | None = None


def render_problem(error: Exception, context: Mapping[str, Any]) -> HttpResponse:
    """Django REST framework's exception handler: called for whatever a view raises."""
    request = context["request"]
    plain: HttpRequest = getattr(request, "_request", request)
    answer = _read_error(error)
    if answer is None:
        return _render_fault(plain, error)
    return problem_response(
        plain, answer.code, answer.detail, members=answer.members, headers=answer.headers
    )


def _read_error(error: Exception) -> _Answer | None:
    if isinstance(error, errors.CasebookError) and type(error) is not errors.CasebookError:
        return _read_casebook_error(error)
    if isinstance(error, Problem):
        return _Answer(error.code, str(error.detail), error.members, error.headers)
    if isinstance(error, exceptions.APIException):
        return _read_framework_error(error)
    if isinstance(error, Http404):
        return _Answer("not_found", errors.NotFound().detail)
    if isinstance(error, PermissionDenied):
        return _Answer("not_allowed", "This is not yours to do.")
    if isinstance(error, RequestDataTooBig):
        return _Answer("too_large", "The body is too long.")
    if isinstance(error, SuspiciousOperation):
        return _Answer("malformed", "The request can't be read.")
    if isinstance(error, OperationalError | InterfaceError):
        log.error("the database is away: %s", error)
        return _Answer("unavailable", "The database does not answer.", headers={"Retry-After": "5"})
    return None


def _read_casebook_error(error: errors.CasebookError) -> _Answer:
    if isinstance(error, errors.InvalidDocument):
        return _Answer(
            "invalid", error.detail, {"errors": [fault.as_dict() for fault in error.errors]}
        )
    if isinstance(error, errors.Unavailable):
        return _Answer("unavailable", error.detail, None, {"Retry-After": str(error.retry_after_s)})
    if isinstance(error, errors.Conflict):
        code = error.code if error.code in CATALOGUE else "conflict"
        if error.case_id is None:
            return _Answer(code, error.detail)
        link = f'</api/v1/cases/{error.case_id}>; rel="related"'
        return _Answer(code, error.detail, {"case_id": error.case_id}, {"Link": link})
    # A room below may say more precisely what it is; the type stays one of the catalogue's.
    return _Answer(error.code if error.code in CATALOGUE else type(error).code, error.detail)


def _read_framework_error(error: exceptions.APIException) -> _Answer:
    """The framework's own exceptions, in our words where theirs say too little."""
    header = getattr(error, "auth_header", None)
    challenge = {"WWW-Authenticate": header} if header else None
    if isinstance(error, exceptions.NotAuthenticated):
        detail = "Send `Authorization: Bearer` with a key of your shop, or sign in."
        return _Answer("not_authenticated", detail, headers=challenge)
    if isinstance(error, exceptions.AuthenticationFailed):
        return _Answer("not_authenticated", str(error.detail), headers=challenge)
    if isinstance(error, exceptions.PermissionDenied):
        return _Answer("not_allowed", str(error.detail))
    if isinstance(error, exceptions.NotFound):
        return _Answer("not_found", errors.NotFound().detail)
    if isinstance(error, exceptions.MethodNotAllowed):
        return _Answer("method_not_allowed", str(error.detail))
    if isinstance(error, exceptions.UnsupportedMediaType):
        return _Answer("unsupported_media_type", "Send the body as Content-Type: application/json.")
    if isinstance(error, exceptions.Throttled):
        wait_s = max(1, round(getattr(error, "wait", None) or 1))
        return _Answer("throttled", f"Wait {wait_s} s.", headers={"Retry-After": str(wait_s)})
    return _Answer("malformed", str(error.detail))


def _render_fault(request: HttpRequest, error: Exception) -> HttpResponse:
    """A programming error: logged with its trace; the caller learns the number to ask about."""
    request_id = request.META.get("casebook.request_id", "")
    log.error("request %s failed: %s %s", request_id, request.method, request.path, exc_info=error)
    # As Django does for plain views, so that error reporting (and the test client) sees it.
    got_request_exception.send(sender=None, request=request)
    return server_error(request)


# --- For addresses that no view of the API answers: casebook.urls names these ----------------


def is_api(request: HttpRequest) -> bool:
    return request.path == "/api" or request.path.startswith("/api/")


def not_found(request: HttpRequest) -> HttpResponse:
    return problem_response(request, "not_found", errors.NotFound().detail)


def bad_request(request: HttpRequest) -> HttpResponse:
    return problem_response(request, "malformed", "The request can't be read.")


def not_allowed(request: HttpRequest) -> HttpResponse:
    return problem_response(request, "not_allowed", "This is not yours to do.")


def server_error(request: HttpRequest) -> HttpResponse:
    return problem_response(
        request, "server_error", "Something went wrong here; tell us the request_id."
    )
