"""The two lesser roles: made where the owner may, spelled out where not."""

from __future__ import annotations

import uuid

import psycopg
import pytest
from django.conf import settings
from django.db import connections
from psycopg import sql

from casebook.ops.roles import RolesMissing, ensure_roles
from tests.databases import owner_connection


@pytest.fixture
def fresh_names(django_db_setup, django_db_blocker, settings):
    """Roles of this test alone: roles belong to the whole server."""
    suffix = uuid.uuid4().hex[:8]
    settings.APP_ROLE, settings.READER_ROLE = f"app_{suffix}", f"reader_{suffix}"
    settings.APP_PASSWORD = "pass-" + suffix
    app = settings.DATABASES["default"]
    before = app["USER"], app["PASSWORD"]
    app["USER"], app["PASSWORD"] = settings.APP_ROLE, settings.APP_PASSWORD
    with django_db_blocker.unblock():
        yield suffix
        connections["owner"].close()
    app["USER"], app["PASSWORD"] = before
    with owner_connection() as owner:
        for name in (settings.APP_ROLE, settings.READER_ROLE):
            owner.execute(sql.SQL("DROP ROLE IF EXISTS {}").format(sql.Identifier(name)))


def log_in_as_app() -> psycopg.Connection:
    target = settings.DATABASES["default"]
    return psycopg.connect(
        host=target["HOST"],
        port=target["PORT"],
        user=settings.APP_ROLE,
        password=settings.APP_PASSWORD,
        dbname=connections["owner"].settings_dict["NAME"],
    )


def test_roles_are_made_once_and_can_be_used(fresh_names):
    assert ensure_roles() is True
    with log_in_as_app() as app:
        app.execute(sql.SQL("SET ROLE {}").format(sql.Identifier(settings.READER_ROLE)))
        limits = app.execute(
            "SELECT bool_or(rolsuper OR rolbypassrls OR rolcreaterole OR rolcreatedb OR rolinherit)"
            " FROM pg_roles WHERE rolname = ANY(%s)",
            [[settings.APP_ROLE, settings.READER_ROLE]],
        ).fetchone()
    assert limits == (False,)
    assert ensure_roles() is False


def test_a_role_that_passes_by_row_security_is_put_right(fresh_names):
    ensure_roles()
    with owner_connection() as owner:
        role = sql.Identifier(settings.APP_ROLE)
        owner.execute(sql.SQL("ALTER ROLE {} BYPASSRLS").format(role))
    assert ensure_roles() is True
    with owner_connection() as owner:
        row = owner.execute(
            "SELECT rolbypassrls FROM pg_roles WHERE rolname = %s", [settings.APP_ROLE]
        ).fetchone()
    assert row == (False,)


def test_an_owner_without_the_right_is_told_the_sql_which_works_as_it_stands(fresh_names):
    plain = f"plain_{fresh_names}"
    with owner_connection() as owner:
        owner.execute(sql.SQL("CREATE ROLE {} LOGIN").format(sql.Identifier(plain)))
    connection = connections["owner"]
    connection.ensure_connection()
    connection.connection.execute(
        sql.SQL("SET SESSION AUTHORIZATION {}").format(sql.Identifier(plain))
    )
    with pytest.raises(RolesMissing) as caught:
        ensure_roles()
    connection.close()
    statements = caught.value.statements
    assert len(statements) == 3
    # What is printed gives the password away to nobody.
    assert settings.APP_PASSWORD not in "".join(statements)
    with owner_connection() as owner:
        for statement in statements:
            owner.execute(statement)
        owner.execute(sql.SQL("DROP ROLE {}").format(sql.Identifier(plain)))
    assert ensure_roles() is False
    log_in_as_app().close()
