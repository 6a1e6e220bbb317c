"""Carries what waits in the outbox to the workers."""

from __future__ import annotations

import signal
from typing import Any

from django.core.management.base import BaseCommand

from casebook.celery import app
from casebook.ops.relay import celery_sender, listen


class Command(BaseCommand):
    help = "Hands over what waits in the outbox to the workers; runs until it is stopped."

    def handle(self, *args: Any, **options: Any) -> None:
        stopping = False

        def stop(signum: int, frame: Any) -> None:
            nonlocal stopping
            stopping = True
            # The wait for a ring is not interrupted by a flag alone.
            raise KeyboardInterrupt

        signal.signal(signal.SIGTERM, stop)
        try:
            listen(celery_sender(app), lambda: stopping)
        except KeyboardInterrupt:
            return
