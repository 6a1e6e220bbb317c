"""The two lesser roles in PostgreSQL: made where we may, spelled out where we may not.

The application's role owns nothing and logs in with a password that follows from the secret key;
the reader's role can't log in, and sees only what shops share. See casebook/shops/grants.py for
what each may do.
"""

from __future__ import annotations

import psycopg
from django.conf import settings
from django.db import connections
from psycopg import sql

OLDEST_VERSION = 14


class RolesMissing(Exception):
    """The owner may not make the roles; `statements` is what an administrator has to run."""

    def __init__(self, statements: list[str]) -> None:
        super().__init__("The owner of the database may not create roles.")
        self.statements = statements


class UnfitDatabase(Exception):
    """One line that says why this database can't be used."""


def ensure_roles() -> bool:
    """Both roles as they must be. True if something had to change.

    Raises RolesMissing or UnfitDatabase.
    """
    connection = connections["owner"]
    connection.ensure_connection()
    owner: psycopg.Connection = connection.connection
    _check_version(owner)
    statements = _missing(owner)
    if not statements:
        return False
    try:
        with owner.transaction():
            for statement in statements:
                owner.execute(statement)
    except psycopg.errors.InsufficientPrivilege as error:
        raise RolesMissing([f"{part.as_string(owner)};" for part in statements]) from error
    refusal = _why_app_is_refused()
    if refusal:
        raise UnfitDatabase(
            f"The role {settings.APP_ROLE} was made but can't log in ({refusal}); "
            "see the server's pg_hba.conf."
        )
    return True


def _check_version(owner: psycopg.Connection) -> None:
    major = owner.info.server_version // 10_000
    if major < OLDEST_VERSION:
        raise UnfitDatabase(
            f"PostgreSQL {OLDEST_VERSION} or newer is needed; DATABASE_URL leads to a {major}."
        )


def _missing(owner: psycopg.Connection) -> list[sql.Composed]:
    app, reader = sql.Identifier(settings.APP_ROLE), sql.Identifier(settings.READER_ROLE)
    rows = owner.execute(
        "SELECT rolname, rolsuper OR rolbypassrls FROM pg_roles WHERE rolname = ANY(%s)",
        [[settings.APP_ROLE, settings.READER_ROLE]],
    )
    found: dict[str, bool] = dict(rows.fetchall())
    statements = []
    if settings.READER_ROLE not in found:
        statements.append(sql.SQL("CREATE ROLE {} NOLOGIN NOINHERIT").format(reader))
    if settings.APP_ROLE not in found:
        statements.append(
            sql.SQL("CREATE ROLE {} LOGIN NOINHERIT PASSWORD {}").format(app, _verifier(owner))
        )
    else:
        if found[settings.APP_ROLE]:
            # It would pass by row-level security, and shops would not be kept apart.
            statements.append(sql.SQL("ALTER ROLE {} NOSUPERUSER NOBYPASSRLS").format(app))
        refusal = _why_app_is_refused()
        if "permission denied for database" in refusal:
            database = sql.Identifier(owner.info.dbname)
            statements.append(sql.SQL("GRANT CONNECT ON DATABASE {} TO {}").format(database, app))
        elif refusal:
            statements.append(
                sql.SQL("ALTER ROLE {} LOGIN PASSWORD {}").format(app, _verifier(owner))
            )
    member = owner.execute(
        "SELECT 1 FROM pg_auth_members m JOIN pg_roles r ON r.oid = m.roleid "
        "JOIN pg_roles u ON u.oid = m.member WHERE r.rolname = %s AND u.rolname = %s",
        [settings.READER_ROLE, settings.APP_ROLE],
    ).fetchone()
    if member is None:
        statements.append(sql.SQL("GRANT {} TO {}").format(reader, app))
    return statements


def _verifier(owner: psycopg.Connection) -> sql.Literal:
    """The password as the server keeps it: what we send or print gives nothing away."""
    verifier = owner.pgconn.encrypt_password(
        settings.APP_PASSWORD.encode(), settings.APP_ROLE.encode(), b"scram-sha-256"
    )
    return sql.Literal(verifier.decode())


def _why_app_is_refused() -> str:
    """The server's answer to the application's role; empty if it may log in."""
    target = settings.DATABASES["default"]
    try:
        with psycopg.connect(
            host=str(target["HOST"]),
            port=str(target["PORT"]),
            user=str(target["USER"]),
            password=str(target["PASSWORD"]),
            dbname=connections["owner"].settings_dict["NAME"],
            connect_timeout=5,
        ):
            return ""
    except psycopg.OperationalError as error:
        return " ".join(str(error).split())
