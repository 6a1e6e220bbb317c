"""The versions of the index on disk.

<index folder>/current       the name of the version in force, swapped by rename
<index folder>/<version>/    one built index (search.core.storage), never changed
"""

from __future__ import annotations

import logging
import os
import secrets
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from django.conf import settings

from search.core import CaseIndex, IndexDamaged
from search.core.storage import BUILDING, sync_directory

log = logging.getLogger("casebook.search")

CURRENT = "current"
KEPT_VERSIONS = 2  # the one in force, and the one before: it serves should the newer be damaged

Stamp = tuple[int, int]


def index_dir() -> Path:
    return Path(settings.INDEX_DIR)


def compiled_dir() -> Path:
    """Where compiled search code is kept for the next process."""
    return Path(settings.DATA_DIR) / "numba"


def stamp() -> Stamp | None:
    """Changes whenever another version comes into force; None where there is none. One stat."""
    try:
        about = os.stat(index_dir() / CURRENT)
    except OSError:
        return None
    return about.st_ino, about.st_mtime_ns


def current_version() -> str | None:
    try:
        return (index_dir() / CURRENT).read_text(encoding="utf-8").strip() or None
    except OSError:
        return None


def versions() -> list[str]:
    """The one in force first, then the others, newest first."""
    try:
        names = [
            path.name
            for path in index_dir().iterdir()
            if path.is_dir() and not path.name.startswith(".")
        ]
    except OSError:
        return []
    current = current_version()
    return sorted(names, key=lambda name: (name == current, name), reverse=True)


def open_versions() -> Iterator[tuple[str, CaseIndex]]:
    """Every whole version, best first; damaged ones are logged and passed over."""
    for name in versions():
        try:
            yield name, CaseIndex.open(index_dir() / name)
        except IndexDamaged as error:
            log.error("search index damaged: %s", error)


def put_in_force(index: CaseIndex) -> str:
    """Write a new version and make it the current one. Raises OSError, leaving all as it was."""
    name = f"{datetime.now(UTC):%Y%m%dT%H%M%S%f}-{secrets.token_hex(4)}"
    index.save(index_dir() / name)
    pointer = index_dir() / f".{CURRENT}-{name}"
    try:
        with pointer.open("x", encoding="utf-8") as file:
            file.write(name)
            file.flush()
            os.fsync(file.fileno())
        pointer.replace(index_dir() / CURRENT)
    except OSError:
        pointer.unlink(missing_ok=True)
        shutil.rmtree(index_dir() / name, ignore_errors=True)
        raise
    sync_directory(index_dir())
    return name


def clear_out() -> None:
    """Remove old versions and what killed builds left behind. For the builder, holding its lock.

    Processes that still use a removed version keep its pages until they let go of them.
    """
    for name in versions()[KEPT_VERSIONS:]:
        shutil.rmtree(index_dir() / name, ignore_errors=True)
    for left in index_dir().glob(f"{BUILDING}*"):
        shutil.rmtree(left, ignore_errors=True)
    for left in index_dir().glob(f".{CURRENT}-*"):
        left.unlink(missing_ok=True)
