"""Upkeep that no request waits for. Tasks take ids at most, and survive repetition."""

from __future__ import annotations

from datetime import timedelta

from celery import shared_task
from django.db import connection
from django.utils import timezone

from casebook.shops.models import IdempotencyKey, Shop
from casebook.shops.tenancy import acting_for

KEEP_ANSWERS = timedelta(days=30)


@shared_task(name="casebook.cases.tasks.clean_up")
def clean_up() -> None:
    """Forgets remembered answers after 30 days, and removals that every index has seen."""
    before = timezone.now() - KEEP_ANSWERS
    for shop_id in Shop.objects.values_list("pk", flat=True):
        with acting_for(shop_id):
            IdempotencyKey.objects.filter(shop_id=shop_id, created_at__lt=before).delete()
    with connection.cursor() as cursor:
        # A month is far longer than any process keeps an index without rebuilding it.
        cursor.execute("DELETE FROM cases_sharedremoval WHERE at < %s", [before])
