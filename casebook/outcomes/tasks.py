"""Exports, and learning from outcomes: work that no request waits for. Tasks take keys at most, and
survive repetition."""

from __future__ import annotations

from celery import shared_task
from django.db import OperationalError

from casebook.outcomes.exports import give_up_export, make_export, remove_old_exports
from casebook.outcomes.forecast_learning import learn_forecast
from casebook.shops.models import Shop


@shared_task(
    name="casebook.outcomes.tasks.run_export",
    autoretry_for=(OperationalError,),
    retry_backoff=True,
    max_retries=5,
)
def run_export(key: str) -> None:
    """key: shop id and job id, as the outbox row has them."""
    try:
        make_export(key)
    except OperationalError:
        raise  # the database is away: Celery tries again
    except Exception:
        give_up_export(key)
        raise


@shared_task(name="casebook.outcomes.tasks.clear_exports")
def clear_exports() -> None:
    """Exports older than 30 days are not handed out again."""
    for shop in Shop.objects.order_by("pk"):
        remove_old_exports(shop=shop)


@shared_task(name="casebook.outcomes.tasks.learn_forecast")
def learn_forecast_where_due() -> None:
    """After what cures was learned, and weekly; else there is nothing to do."""
    learn_forecast()
