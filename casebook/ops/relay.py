"""The relay: takes what waits in the outbox and hands it to Celery, after commit, at least once.

PostgreSQL rings (NOTIFY) when a row is committed; should a ring be missed, a look every few
seconds finds the row. A row is deleted only after Redis has taken the task, so nothing is lost
while Redis is away; tasks survive repetition, so a crash between the two does no harm.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from datetime import timedelta

import psycopg
from celery import Celery
from django.db import InterfaceError, OperationalError, connection, transaction
from django.utils import timezone
from kombu.exceptions import OperationalError as RedisAway

from casebook.cases.models import Outbox
from casebook.cases.outbox import EXPORT, INDEX

log = logging.getLogger("casebook.relay")

TASKS = {
    INDEX: "search.tasks.refresh_index",
    EXPORT: "casebook.outcomes.tasks.run_export",
}
BATCH = 100
LOOK_EVERY_S = 5.0
MOST_ATTEMPTS = 3
RETRY_AFTER = timedelta(seconds=5)

Send = Callable[[str, list[str]], None]


class BrokerAway(Exception):
    """Redis does not answer; the rows stay and nothing is counted against them."""


def celery_sender(app: Celery) -> Send:
    def send(task: str, args: list[str]) -> None:
        try:
            app.send_task(task, args=args, retry=False, ignore_result=True)
        except RedisAway as error:
            raise BrokerAway(str(error)) from error

    return send


def relay_waiting(send: Send) -> int:
    """Hands over what waits; returns how many rows. Raises BrokerAway with the rows kept."""
    done = 0
    while True:
        with transaction.atomic():
            rows = list(
                Outbox.objects.select_for_update(skip_locked=True)
                .filter(quarantined_at=None, not_before__lte=timezone.now())
                .order_by("id")[:BATCH]
            )
            if not rows:
                return done
            _hand_over(rows, send)
            done += len(rows)


def _hand_over(rows: list[Outbox], send: Send) -> None:
    sent: set[tuple[str, str]] = set()
    for row in rows:
        effect = (row.topic, row.key)
        # A hundred cases ring for one catching-up of the index.
        if effect not in sent:
            if row.topic not in TASKS:
                _count_failure(row, f"no task is known for the topic {row.topic!r}")
                continue
            send(TASKS[row.topic], [row.key] if row.key else [])
            sent.add(effect)
        row.delete()


def _count_failure(row: Outbox, reason: str) -> None:
    row.attempts += 1
    row.last_error = reason
    row.not_before = timezone.now() + RETRY_AFTER
    if row.attempts >= MOST_ATTEMPTS:
        row.quarantined_at = timezone.now()
        log.error("outbox row %s set aside after %s attempts: %s", row.pk, row.attempts, reason)
    row.save()


def listen(send: Send, should_stop: Callable[[], bool]) -> None:
    """Runs until told to stop. Reconnects by itself when the database was away."""
    while not should_stop():
        try:
            with _bell() as bell:
                while not should_stop():
                    _relay_or_wait(send)
                    # Returns at the first ring, or after the time.
                    for _ in bell.notifies(timeout=LOOK_EVERY_S, stop_after=1):
                        pass
        except (psycopg.OperationalError, psycopg.InterfaceError) as error:
            log.warning("database away (%s); trying again", str(error).strip().splitlines()[:1])
            connection.close()
            _pause(should_stop)


def _bell() -> psycopg.Connection:
    # A connection of its own: Django's would be in a transaction when the ring comes.
    bell = psycopg.connect(**connection.get_connection_params(), autocommit=True)
    bell.execute("LISTEN casebook_outbox")
    return bell


def _relay_or_wait(send: Send) -> None:
    try:
        relay_waiting(send)
    except BrokerAway as error:
        log.warning("Redis away (%s); %s", error, "the outbox keeps what waits")
    except (OperationalError, InterfaceError) as error:
        raise psycopg.OperationalError(str(error)) from error


def _pause(should_stop: Callable[[], bool]) -> None:
    for _ in range(10):
        if should_stop():
            return
        time.sleep(0.1)
