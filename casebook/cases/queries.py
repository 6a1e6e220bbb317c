"""Reads on cases. Each starts at the shop; shared cases are read as the reader role."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet

from casebook.cases.models import Case, SharedCase
from casebook.cases.rows import describe_case
from casebook.errors import NotFound
from casebook.shops.models import Shop
from casebook.shops.tenancy import acting_for, reading_shared

__all__ = ["CaseFilters", "describe_case", "get_case", "get_shared_case", "list_cases", "list_due"]


@dataclass(frozen=True)
class CaseFilters:
    """None: not filtered. `code` matches with or without the failure type."""

    state: str | None = None
    opened_from: date | None = None
    opened_to: date | None = None
    unit_kind: str | None = None
    code: str | None = None
    shop_reference: str | None = None


@dataclass(frozen=True)
class Place:
    """Where a page begins: just after this case, in the order of the list (by a day, then id)."""

    day: date
    id: UUID


def load_case(shop: Shop, case_id: UUID) -> Case:
    """Inside acting_for. Raises NotFound."""
    case = (
        Case.objects.prefetch_related("attempts", "follow_ups")
        .filter(shop=shop, pk=case_id)
        .first()
    )
    if case is None:
        raise NotFound()
    return case


def get_case(*, shop: Shop, case_id: UUID) -> Case:
    """The shop's own case with attempts and follow-ups. Raises NotFound."""
    with acting_for(shop.pk):
        return load_case(shop, case_id)


def _filtered(shop: Shop, filters: CaseFilters) -> QuerySet[Case]:
    cases = Case.objects.filter(shop=shop).prefetch_related("attempts", "follow_ups")
    if filters.state is not None:
        cases = cases.filter(state=filters.state)
    if filters.opened_from is not None:
        cases = cases.filter(opened_on__gte=filters.opened_from)
    if filters.opened_to is not None:
        cases = cases.filter(opened_on__lte=filters.opened_to)
    if filters.unit_kind is not None:
        cases = cases.filter(unit_kind=filters.unit_kind)
    if filters.code is not None:
        cases = cases.filter(code_list__contains=[filters.code[:5].upper()])
    if filters.shop_reference is not None:
        cases = cases.filter(shop_reference=filters.shop_reference)
    return cases


def list_cases(
    *,
    shop: Shop,
    filters: CaseFilters = CaseFilters(),
    after: Place | None = None,
    before: Place | None = None,
    limit: int = 50,
) -> list[Case]:
    """Newest opened first; at most `limit`. With `before`: the page that ends just before it."""
    with acting_for(shop.pk):
        cases = _filtered(shop, filters)
        if after is not None:
            cases = cases.filter(
                Q(opened_on__lt=after.day) | Q(opened_on=after.day, pk__lt=after.id)
            )
        if before is not None:
            cases = cases.filter(
                Q(opened_on__gt=before.day) | Q(opened_on=before.day, pk__gt=before.id)
            )
            return list(reversed(cases.order_by("opened_on", "pk")[:limit]))
        return list(cases.order_by("-opened_on", "-pk")[:limit])


def list_due(
    *,
    shop: Shop,
    today: date,
    after: Place | None = None,
    before: Place | None = None,
    limit: int = 200,
) -> list[Case]:
    """Cases whose outcome is owed, the longest owed first; pages as in `list_cases`."""
    with acting_for(shop.pk):
        cases = Case.objects.filter(shop=shop, next_due_on__lte=today).prefetch_related(
            "attempts", "follow_ups"
        )
        if after is not None:
            cases = cases.filter(
                Q(next_due_on__gt=after.day) | Q(next_due_on=after.day, pk__gt=after.id)
            )
        if before is not None:
            cases = cases.filter(
                Q(next_due_on__lt=before.day) | Q(next_due_on=before.day, pk__lt=before.id)
            )
            return list(reversed(cases.order_by("-next_due_on", "-pk")[:limit]))
        return list(cases.order_by("next_due_on", "pk")[:limit])


def count_due(*, shop: Shop, today: date) -> int:
    with acting_for(shop.pk):
        return Case.objects.filter(shop=shop, next_due_on__lte=today).count()


def get_shared_case(*, shared_id: UUID) -> dict[str, Any]:
    """One case as other shops may see it. Raises NotFound."""
    with reading_shared():
        document = (
            SharedCase.objects.filter(pk=shared_id).values_list("document", flat=True).first()
        )
    if document is None:
        raise NotFound()
    return dict(document)


def get_shared_documents(shared_ids: Collection[UUID]) -> dict[UUID, dict[str, Any]]:
    """Shared documents by id; those withdrawn meanwhile are missing."""
    with reading_shared():
        return dict(SharedCase.objects.filter(pk__in=shared_ids).values_list("id", "document"))


def own_case_ids(*, shop: Shop, shared_ids: Collection[UUID]) -> dict[UUID, UUID]:
    """Which of these shared cases are the shop's own, and under which id it knows them."""
    with acting_for(shop.pk):
        return dict(
            Case.objects.filter(shop=shop, shared_id__in=shared_ids).values_list("shared_id", "id")
        )
