"""Is this process alive, and can it do its work?"""

from __future__ import annotations

from django.db import DatabaseError, InterfaceError, connection
from django.http import HttpRequest, JsonResponse

from search.adapter import is_warm


def livez(request: HttpRequest) -> JsonResponse:
    """The process answers. Touches nothing else, so that a database restart does not kill it."""
    return JsonResponse({"status": "ok"})


def readyz(request: HttpRequest) -> JsonResponse:
    """The process can answer real requests: the database replies to the application role."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except (DatabaseError, InterfaceError):
        response = JsonResponse({"status": "unavailable", "database": "no answer"}, status=503)
        response["Retry-After"] = "5"
        return response
    # Searches are right before that, only slower.
    search = "ok" if is_warm() else "warming up"
    return JsonResponse({"status": "ok", "database": "ok", "search": search})
