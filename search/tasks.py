"""Keeps the index fresh, and learns. Tasks survive repetition: the second finds nothing to do."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from search import adapter
from search.adapter import learning


@shared_task(name="search.tasks.refresh_index")
def refresh_index(reason: str = "") -> None:
    """A new version where it is worth it; always where a process says why it can't use what is
    there. What changed is merged in where that will do."""
    status = adapter.index_status(thorough=bool(reason))
    if adapter.is_build_due(status, now=timezone.now()) and not adapter.merge_changes():
        adapter.build_index()


@shared_task(name="search.tasks.learn")
def learn() -> None:
    """Where enough has changed since the last time and nobody chose otherwise."""
    if learning.is_learning_due(now=timezone.now()):
        learning.learn()
