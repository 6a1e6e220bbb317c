"""A creating request with an `Idempotency-Key` is carried out once and answered any number of
times.

The answer is stored in the transaction of what it made, so that after any crash both are there or
neither; a repeat gets the same bytes. A refused request stores nothing: its key stays free for the
corrected one.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable

from django.db import connection
from django.http import HttpResponse
from django.utils.crypto import salted_hmac
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request

from api.auth import caller_of
from api.problems import Problem
from casebook.shops.models import IdempotencyKey, Shop
from casebook.shops.tenancy import acting_for

HEADER = "Idempotency-Key"
REPLAYED_HEADER = "Idempotent-Replayed"
_FORM = re.compile(r"[\x21-\x7e]{1,200}")
_KEPT_HEADERS = ("Content-Type", "Location", "ETag")

# For the description of whatever is answered once.
IDEMPOTENCY_KEY = OpenApiParameter(
    HEADER,
    str,
    OpenApiParameter.HEADER,
    description="Your own name for this request, 1 to 200 characters. Repeating it is safe.",
)
REPLAYED = OpenApiParameter(
    REPLAYED_HEADER,
    str,
    OpenApiParameter.HEADER,
    response=[201, 202],
    description="true where this is the first answer again.",
)


def answer_once(request: Request, make: Callable[[], HttpResponse]) -> HttpResponse:
    """Calls `make`, unless this key was answered before. Without the header: plainly `make()`.

    Raises Problem: malformed, still_running (409), key_reused (422).
    """
    given = request.headers.get(HEADER)
    if given is None:
        return make()
    # RFC 8941 writes a string in quotes; most clients leave them out. Both mean the same key.
    key = given[1:-1] if len(given) > 1 and given[0] == given[-1] == '"' else given
    if not _FORM.fullmatch(key):
        raise Problem(f"{HEADER} takes 1 to 200 visible ASCII characters.", code="malformed")
    shop = caller_of(request).shop
    request_hash = _hash_request(request)
    with acting_for(shop.pk):
        _lock(shop, key)
        stored = IdempotencyKey.objects.filter(shop=shop, key=key).first()
        if stored is not None:
            return _replay(stored, request_hash)
        response = make()
        IdempotencyKey.objects.create(
            shop=shop,
            key=key,
            request_hash=request_hash,
            status=response.status_code,
            headers={n: response[n] for n in _KEPT_HEADERS if response.has_header(n)},
            body=response.content,
        )
        return response


def _hash_request(request: Request) -> bytes:
    """Of what was asked, not of how it was spelled: spaces and the order of names don't count.

    Keyed: the body may hold a VIN, of which so much is known that a plain hash could be undone.
    """
    asked = [request.method, request.path, request.data]
    text = json.dumps(asked, sort_keys=True)
    return salted_hmac("casebook.idempotency", text, algorithm="sha256").digest()


def _lock(shop: Shop, key: str) -> None:
    """Held until commit. A row inside another open transaction can't be seen; a lock can."""
    digest = hashlib.sha256(f"{shop.pk}/{key}".encode()).digest()
    number = int.from_bytes(digest[:8], "big", signed=True)
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", [number])
        if not cursor.fetchone()[0]:
            raise Problem(
                "The first request with this key is still being carried out.",
                code="still_running",
                headers={"Retry-After": "1"},
            )


def _replay(stored: IdempotencyKey, request_hash: bytes) -> HttpResponse:
    if bytes(stored.request_hash) != request_hash:
        raise Problem("This key was used for another request; make a new one.", code="key_reused")
    response = HttpResponse(bytes(stored.body), status=stored.status, headers=stored.headers)
    response[REPLAYED_HEADER] = "true"
    return response
