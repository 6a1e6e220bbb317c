"""Upkeep as the application role, which sees one shop's rows at a time."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import connection
from django.utils import timezone

from casebook.cases.models import SharedRemoval
from casebook.cases.services import withdraw_case
from casebook.cases.tasks import KEEP_ANSWERS, clean_up
from casebook.shops.models import IdempotencyKey
from casebook.shops.tenancy import acting_for
from tests.factories import make_case

OLD = KEEP_ANSWERS + timedelta(hours=1)
RECENT = KEEP_ANSWERS - timedelta(hours=1)


def remember(shop, key, age):
    with acting_for(shop.pk):
        made = IdempotencyKey.objects.create(
            shop=shop, key=key, request_hash=b"", status=201, body=b""
        )
        IdempotencyKey.objects.filter(pk=made.pk).update(created_at=timezone.now() - age)


def remembered(shop):
    with acting_for(shop.pk):
        return set(IdempotencyKey.objects.values_list("key", flat=True))


@pytest.mark.usefixtures("database")
def test_answers_and_removals_are_forgotten_after_30_days_whoever_they_are_of(shop, other_shop):
    for owner in (shop, other_shop):
        remember(owner, "old", OLD)
        remember(owner, "recent", RECENT)
    gone = [make_case(owner) for owner in (shop, other_shop)]
    for case, owner in zip(gone, (shop, other_shop), strict=True):
        withdraw_case(shop=owner, case_id=case.pk)
    SharedRemoval.objects.filter(pk=gone[0].shared_id).update(at=timezone.now() - OLD)
    clean_up()
    clean_up()  # a task may come twice
    assert remembered(shop) == remembered(other_shop) == {"recent"}
    assert [removal.pk for removal in SharedRemoval.objects.all()] == [gone[1].shared_id]


@pytest.mark.usefixtures("database")
def test_clean_up_leaves_no_shop_set_behind(shop):
    remember(shop, "recent", RECENT)
    clean_up()
    with connection.cursor() as cursor:
        cursor.execute("SELECT coalesce(current_setting('casebook.shop', true), '')")
        assert cursor.fetchone() == ("",)
