"""The database of a test run, and the people and keys that most tests need.

Everything runs on PostgreSQL as the application role, as in service; only set-up and clean-up act
as the owner. A test that asks for `shop` or `database` runs in a transaction that is undone. One
that needs real commits (threads, other processes) asks for `committed_db`, before anything else.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.conf import settings
from django.test import Client

from casebook.shops.models import Person, Shop
from casebook.shops.roles import KEY_ROLES
from tests import databases, factories
from tests.clients import ApiClient


@pytest.fixture(scope="session")
def django_db_setup(django_db_blocker: Any) -> Iterator[None]:
    """Instead of pytest-django's: made by the owner, used by the application role."""
    worker = os.environ.get("PYTEST_XDIST_WORKER", "")
    # The process number keeps two runs on one server apart.
    name = f"test_{settings.DATABASES['owner']['NAME']}_{os.getpid()}{worker}"
    with django_db_blocker.unblock():
        databases.make_database(name)
    yield
    with django_db_blocker.unblock():
        databases.drop_database(name)


@pytest.fixture(scope="session", autouse=True)
def static_root() -> None:
    """Where a service keeps collected files; looking for it must not warn on every request."""
    settings.STATIC_ROOT.mkdir(parents=True, exist_ok=True)


@pytest.fixture
def committed_db(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    """Commits are real, and visible to threads and processes; all rows are removed afterwards."""
    with django_db_blocker.unblock():
        yield
        databases.empty_database()


@pytest.fixture
def database(request: pytest.FixtureRequest) -> None:
    """In a transaction, unless the test asked for real commits."""
    wanted = "committed_db" if "committed_db" in request.fixturenames else "db"
    request.getfixturevalue(wanted)


@pytest.fixture
def shop(database: None) -> Shop:
    return factories.make_shop("Harbour Lane Garage")


@pytest.fixture
def other_shop(database: None) -> Shop:
    return factories.make_shop("Mill Road Autos")


@pytest.fixture
def keys(shop: Shop) -> dict[str, str]:
    """One key of the shop for each role."""
    return {role: factories.make_key(shop, role) for role in KEY_ROLES}


@pytest.fixture
def other_keys(other_shop: Shop) -> dict[str, str]:
    return {role: factories.make_key(other_shop, role) for role in KEY_ROLES}


@pytest.fixture
def client_for() -> Callable[[str | None], ApiClient]:
    """A client of the API that sends this key, or none."""
    return ApiClient


@pytest.fixture
def technician(shop: Shop) -> Person:
    return factories.make_person(shop, "technician")


@pytest.fixture
def signed_in(technician: Person) -> Client:
    """The technician's browser; checks CSRF as a real one's would be."""
    client = Client(enforce_csrf_checks=True)
    client.force_login(technician)
    return client
