"""Servers for a test run: its own PostgreSQL and Redis in a folder that goes away afterwards.

Loaded with `-p`, ahead of Django: settings read the addresses once. With DATABASE_URL and
REDIS_URL set the run uses those instead. Parallel workers inherit what the first process set up.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from casebook.embedded import Lease, attach_environment

# A developer's own settings shall not change what the tests see.
_CLEARED = (
    "CASEBOOK_ALLOWED_HOSTS",
    "CASEBOOK_DEBUG",
    "CASEBOOK_HTTPS",
    "CASEBOOK_LOG_LEVEL",
    "CASEBOOK_TRUSTED_ORIGINS",
)
_QUESTIONS = {"-h", "--help", "--version", "-V", "--markers", "--fixtures"}

_data_dir: Path | None = None
_lease: Lease | None = None


@pytest.hookimpl(wrapper=True)
def pytest_load_initial_conftests(args: list[str]) -> Iterator[None]:
    if "PYTEST_XDIST_WORKER" not in os.environ and not _QUESTIONS & set(args):
        _start()
    return (yield)


@pytest.hookimpl(trylast=True)
def pytest_unconfigure() -> None:
    global _data_dir, _lease
    if _lease is not None:
        _lease.close(stop_within_s=40)
        _lease = None
    if _data_dir is not None:
        shutil.rmtree(_data_dir)
        _data_dir = None


def _start() -> None:
    global _data_dir, _lease
    for name in _CLEARED:
        os.environ.pop(name, None)
    _data_dir = Path(tempfile.mkdtemp(prefix="casebook-test-"))
    os.environ["CASEBOOK_DATA_DIR"] = str(_data_dir)
    own_database = not os.environ.get("DATABASE_URL")
    _lease = attach_environment(_data_dir)
    if _lease is not None and own_database:
        with psycopg.connect(_lease.database_url, autocommit=True) as connection:
            # What a power cut would cost is thrown away in a minute.
            connection.execute("ALTER SYSTEM SET fsync = off")
            connection.execute("SELECT pg_reload_conf()")
