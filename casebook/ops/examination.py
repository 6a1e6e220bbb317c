"""What `doctor` looks at: each look returns findings with a remedy, and changes nothing."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import redis
from django.conf import settings
from django.db import DatabaseError, connection, connections
from django.db.migrations.executor import MigrationExecutor
from django.utils import timezone
from kombu.exceptions import OperationalError

from casebook.cases.models import Outbox
from casebook.celery import app
from casebook.shops.models import Shop
from casebook.shops.tenancy import acting_for, reading_shared
from search.adapter import index_status

GOOD, WATCH, FAULT = "good", "watch", "fault"
FREE_BYTES = 500_000_000
OLD_ROW = timedelta(minutes=5)


@dataclass(frozen=True)
class Observation:
    state: str
    about: str
    says: str
    remedy: str = ""


def look_at_settings() -> Iterator[Observation]:
    data_dir: Path = settings.DATA_DIR
    if not os.access(data_dir, os.W_OK):
        yield Observation(
            FAULT,
            "data folder",
            f"{data_dir} can't be written.",
            "Give its owner write access, or another --data-dir.",
        )
        return
    free = shutil.disk_usage(data_dir).free
    yield Observation(
        GOOD if free > FREE_BYTES else FAULT,
        "data folder",
        f"{data_dir}, {free / 1e9:.1f} GB free.",
        "" if free > FREE_BYTES else "Make room: below 0.5 GB the database may stop.",
    )
    if settings.DEBUG:
        yield Observation(
            WATCH, "settings", "CASEBOOK_DEBUG is on.", "Switch it off where others can reach it."
        )
    public = set(settings.ALLOWED_HOSTS) - {"localhost", "127.0.0.1", "[::1]"}
    if public and not settings.HTTPS:
        yield Observation(
            WATCH,
            "settings",
            f"Served as {', '.join(sorted(public))} without HTTPS.",
            "Put a TLS proxy in front and set CASEBOOK_HTTPS=1.",
        )


def look_at_database() -> Iterator[Observation]:
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_setting('server_version'), current_user")
        version, user = cursor.fetchone()
        cursor.execute("SELECT rolsuper OR rolbypassrls FROM pg_roles WHERE rolname = current_user")
        (unlimited,) = cursor.fetchone()
    yield Observation(GOOD, "PostgreSQL", f"version {version} answers {user}.")
    if unlimited:
        yield Observation(
            FAULT,
            "roles",
            f"{user} passes by row-level security: shops are not kept apart.",
            f"ALTER ROLE {user} NOSUPERUSER NOBYPASSRLS;",
        )


def look_at_migrations() -> Iterator[Observation]:
    executor = MigrationExecutor(connections["owner"])
    waiting = executor.migration_plan(executor.loader.graph.leaf_nodes())
    if waiting:
        names = ", ".join(f"{migration.app_label} {migration.name}" for migration, _ in waiting)
        yield Observation(
            FAULT, "migrations", f"Not applied: {names}.", "Run manage.py migrate --database owner."
        )
    else:
        yield Observation(GOOD, "migrations", "All applied.")


def look_at_redis() -> Iterator[Observation]:
    client = redis.Redis.from_url(
        settings.REDIS_URL, socket_timeout=2, socket_connect_timeout=2, retry=None
    )
    try:
        client.ping()
    except redis.RedisError as error:
        yield Observation(
            FAULT,
            "Redis",
            f"No answer ({error}).",
            "Start it or correct REDIS_URL. Posting and searching go on; exports and index wait.",
        )
        return
    yield Observation(GOOD, "Redis", "answers.")


def look_at_worker() -> Iterator[Observation]:
    try:
        answers = app.control.ping(timeout=2.0)
    except (OperationalError, redis.RedisError):
        return  # said of Redis already
    if answers:
        yield Observation(GOOD, "worker", f"{len(answers)} at work.")
        return
    yield Observation(
        WATCH,
        "worker",
        "None answers: exports and the index wait, posting and searching go on.",
        "Run manage.py up, which starts one; its lines say why if it ends again.",
    )


def look_at_outbox() -> Iterator[Observation]:
    waiting = Outbox.objects.filter(quarantined_at=None)
    oldest = waiting.order_by("created_at").values_list("created_at", flat=True).first()
    if oldest is not None and timezone.now() - oldest > OLD_ROW:
        minutes = (timezone.now() - oldest).total_seconds() / 60
        yield Observation(
            FAULT,
            "outbox",
            f"{waiting.count()} effects wait, the oldest for {minutes:.0f} minutes.",
            "See that manage.py relay runs (up starts it) and that Redis answers.",
        )
    else:
        yield Observation(GOOD, "outbox", f"{waiting.count()} effects wait.")
    aside = Outbox.objects.exclude(quarantined_at=None)
    if aside.exists():
        yield Observation(
            FAULT,
            "outbox",
            f"{aside.count()} effects were set aside: {aside.order_by('-id')[0].last_error}.",
            "Remove the reason, then set their quarantined_at to NULL.",
        )


def look_at_index() -> Iterator[Observation]:
    status = index_status()
    if not status.present:
        yield Observation(
            WATCH,
            "index",
            f"None on disk ({status.reason}); searches read the database meanwhile.",
            "Run manage.py build_index.",
        )
        return
    says = f"{status.cases:,} cases, built {status.as_of}; {status.behind:,} changes since."
    behind = status.behind > max(5_000, status.cases // 4)
    yield Observation(
        WATCH if behind else GOOD,
        "index",
        says,
        "Run manage.py build_index, and see that the worker runs." if behind else "",
    )


def look_at_follow_ups() -> Iterator[Observation]:
    today = timezone.now().date()
    owed, shops_owing, cases = 0, 0, 0
    for shop in Shop.objects.all():
        with acting_for(shop.pk):
            late = shop.cases.filter(next_due_on__lte=today).count()
            cases += shop.cases.count()
        owed += late
        shops_owing += bool(late)
    share = owed / cases if cases else 0.0
    yield Observation(
        WATCH if share > 0.5 else GOOD,
        "follow-ups",
        f"{owed:,} of {cases:,} cases owe one, in {shops_owing} shops.",
        "Ask the shops to go through /due: outcomes are only as good as their follow-ups."
        if share > 0.5
        else "",
    )


def look_at_shared() -> Iterator[Observation]:
    """How much is pooled, and of how many."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM shops_shop")
        (shops,) = cursor.fetchone()
    with reading_shared(), connection.cursor() as cursor:
        cursor.execute("SELECT count(*), count(DISTINCT cluster) FROM cases_sharedcase")
        shared, contributing = cursor.fetchone()
    yield Observation(
        GOOD, "pool", f"{shared:,} shared cases of {contributing} shops ({shops} signed up)."
    )


LOOKS: tuple[Callable[[], Iterator[Observation]], ...] = (
    look_at_settings,
    look_at_database,
    look_at_migrations,
    look_at_redis,
    look_at_worker,
    look_at_outbox,
    look_at_shared,
    look_at_index,
    look_at_follow_ups,
)


def examine() -> Iterator[Observation]:
    for look in LOOKS:
        about = look.__name__.removeprefix("look_at_").replace("_", " ")
        try:
            yield from look()
        except DatabaseError as error:
            reason = str(error).strip().splitlines()[0]
            yield Observation(
                FAULT,
                about,
                f"The database refused: {reason}.",
                "Start PostgreSQL, correct DATABASE_URL, or run manage.py up once to migrate.",
            )
