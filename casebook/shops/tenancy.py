"""Whose data a transaction may see. PostgreSQL's row-level security enforces what is set here.

`acting_for(shop_id)` opens a transaction in which exactly that shop's rows exist.
`reading_shared()` opens one that can read the anonymised shared tables and nothing else.
Outside both, the application role sees no tenant rows at all.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from uuid import UUID

from django.conf import settings
from django.db import connection, transaction


def _set_shop(value: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT set_config('casebook.shop', %s, true)", [value])


def _current_shop() -> str:
    with connection.cursor() as cursor:
        cursor.execute("SELECT coalesce(current_setting('casebook.shop', true), '')")
        return str(cursor.fetchone()[0])


@contextmanager
def acting_for(shop_id: UUID) -> Iterator[None]:
    """A transaction in which exactly this shop's rows are visible and writable."""
    nested = connection.in_atomic_block
    with transaction.atomic():
        before = _current_shop() if nested else ""
        _set_shop(str(shop_id))
        yield
        # A transaction setting outlives a savepoint that is released: put back what was there.
        # (After an error the savepoint's rollback does it.)
        if nested:
            _set_shop(before)


@contextmanager
def reading_shared() -> Iterator[None]:
    """A transaction as the reader role: only anonymised, shared data can be read."""
    reader = connection.ops.quote_name(settings.READER_ROLE)
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute(f"SET LOCAL ROLE {reader}")
        yield
        with connection.cursor() as cursor:
            cursor.execute("SET LOCAL ROLE NONE")
