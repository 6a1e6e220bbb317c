"""A form sent twice (a double tap, a connection that broke after the answer) makes one case."""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Callable
from uuid import UUID

from django.db import IntegrityError, transaction

from casebook.shops.models import IdempotencyKey, Shop
from casebook.shops.tenancy import acting_for

_FORM = re.compile(r"[A-Za-z0-9_-]{10,60}")


def new_once_word() -> str:
    return secrets.token_urlsafe(12)


def make_once(*, shop: Shop, word: str, make: Callable[[], UUID]) -> UUID:
    """What `make` makes, or what it made when the same form came before.

    The word and what was made are committed together. A second sending that comes while the first
    is still at work waits for it in the database.
    """
    if not _FORM.fullmatch(word):
        return make()
    with acting_for(shop.pk):
        name = f"page:{word}"
        try:
            with transaction.atomic():
                row = IdempotencyKey.objects.create(
                    shop=shop,
                    key=name,
                    request_hash=hashlib.sha256(name.encode()).digest(),
                    status=201,
                    body=b"",
                )
        except IntegrityError:
            before = IdempotencyKey.objects.get(shop=shop, key=name)
            return UUID(bytes(before.body).decode())
        made = make()
        row.body = str(made).encode()
        row.save(update_fields=["body"])
        return made
