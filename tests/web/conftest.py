"""Browsers of people of two shops."""

from __future__ import annotations

import pytest
from django.test import Client

from casebook.shops.models import Shop
from tests import factories


def browser_of(shop: Shop, role: str) -> Client:
    client = Client()
    client.force_login(factories.make_person(shop, role))
    return client


@pytest.fixture
def browser(shop: Shop) -> Client:
    """A technician of the shop. Without CSRF checks; tests/web/test_access.py is about those."""
    return browser_of(shop, "technician")


@pytest.fixture
def manager(shop: Shop) -> Client:
    return browser_of(shop, "manager")


@pytest.fixture
def analyst(shop: Shop) -> Client:
    return browser_of(shop, "analyst")


@pytest.fixture
def stranger(other_shop: Shop) -> Client:
    """A technician of another shop."""
    return browser_of(other_shop, "technician")


@pytest.fixture
def pool(shop: Shop, other_shop: Shop) -> None:
    """Cases of three shops, enough for figures."""
    factories.make_pool(shop, other_shop, factories.make_shop("Quay Street"))
