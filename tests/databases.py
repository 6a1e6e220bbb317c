"""Makes a fresh database for a test run, as the owner, and empties it between committing tests."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import psycopg
from django.conf import settings
from django.core.management import call_command
from django.db import connections
from psycopg import sql

from casebook.ops.roles import ensure_roles

ALIASES = ("default", "owner")


@contextmanager
def owner_connection(name: str | None = None) -> Iterator[psycopg.Connection]:
    """As the owner, outside Django, so that no test's transaction or shop is in the way."""
    target: dict[str, Any] = settings.DATABASES["owner"]
    with psycopg.connect(
        host=target["HOST"],
        port=target["PORT"],
        user=target["USER"],
        password=target["PASSWORD"],
        dbname=name or target["NAME"],
        autocommit=True,
    ) as connection:
        yield connection


def make_database(name: str) -> None:
    """Empty, migrated, and what both aliases of this process point at from now on."""
    with owner_connection("postgres") as connection:
        connection.execute(
            sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name))
        )
        connection.execute(
            sql.SQL("CREATE DATABASE {} TEMPLATE template0 ENCODING 'UTF8'").format(
                sql.Identifier(name)
            )
        )
    for alias in ALIASES:
        connections[alias].close()
        connections[alias].settings_dict["NAME"] = name
        settings.DATABASES[alias]["NAME"] = name
    with owner_connection("postgres") as connection:
        # Roles belong to the server, which parallel workers share: one of them at a time.
        connection.execute("SELECT pg_advisory_lock(4711)")
        ensure_roles()
    call_command("migrate", database="owner", verbosity=0, interactive=False)


def drop_database(name: str) -> None:
    connections.close_all()
    with owner_connection("postgres") as connection:
        connection.execute(
            sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name))
        )


def empty_database() -> None:
    """Removes every row but the migrations' own. The application role could not."""
    with owner_connection() as connection:
        tables = connection.execute(
            "SELECT tablename FROM pg_tables WHERE schemaname = 'public' "
            "AND tablename NOT IN ('django_migrations', 'django_content_type', 'auth_permission')"
        ).fetchall()
        names = sql.SQL(", ").join(sql.Identifier(table) for (table,) in tables)
        connection.execute(sql.SQL("TRUNCATE {} RESTART IDENTITY CASCADE").format(names))
