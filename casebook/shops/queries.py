"""Reads on shops, people and keys."""

from __future__ import annotations

from uuid import UUID

from django.db.models import QuerySet

from casebook.errors import NotFound
from casebook.shops.models import ApiKey, Person, Shop


def get_shop(text: str) -> Shop:
    """The shop with this id, or with this name if only one has it. Raises NotFound."""
    try:
        found = list(Shop.objects.filter(pk=UUID(text)))
    except ValueError:
        found = list(Shop.objects.filter(name=text)[:2])
    if len(found) != 1:
        raise NotFound(
            f"No shop has the id or name {text!r}."
            if not found
            else f"More than one shop is named {text!r}; give its id."
        )
    return found[0]


def list_shops() -> QuerySet[Shop]:
    return Shop.objects.order_by("pk")


def list_people(shop: Shop) -> QuerySet[Person]:
    return Person.objects.filter(shop=shop).order_by("email")


def list_keys(shop: Shop) -> QuerySet[ApiKey]:
    return ApiKey.objects.filter(shop=shop).order_by("-created_at", "pk")
