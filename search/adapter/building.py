"""Builds a version of the index from the database, one builder at a time."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from django.db import connection

from casebook.shops.tenancy import reading_shared
from search.adapter import store
from search.adapter.documents import read_shared_case
from search.adapter.learned import read_active_design, read_wanted
from search.adapter.learning import learn_first
from search.adapter.rows import (
    Snapshot,
    count_changes,
    fetch_cases,
    list_changes,
    stream_cases,
)
from search.core import CaseIndex, IndexDamaged
from search.core.kernel import compile_kernel
from search.core.storage import read_manifest

log = logging.getLogger("casebook.search")

_LOCK = 0x_CA5E_B00C_0001  # any number that nobody else locks
# When a rebuild is worth it: this many changes, or this share of the index, or any after a while.
CHANGES_WORTH_A_BUILD = 300
SHARE_WORTH_A_BUILD = 0.02
# When changes are no longer merged into what was built: the rarity of words is of then.
SHARE_WORTH_A_FULL_BUILD = 0.1
LONGEST_BEHIND = timedelta(hours=1)
# While a shop imports its past, changes come faster than it pays to rebuild.
SHORTEST_PAUSE = timedelta(minutes=1)


@dataclass(frozen=True)
class IndexStatus:
    """What is on disk. reason: why nothing usable is, else empty. behind: changes since."""

    present: bool
    reason: str = ""
    cases: int = 0
    as_of: datetime | None = None
    behind: int = 0
    outdated: bool = False


def build_index(*, on_case: Callable[[], None] | None = None) -> int | None:
    """Build from all shared cases and put it in force; how many, or None where another builder
    is at work. Raises OSError where the disk won't take it: the version in force stays.
    """
    learn_first()
    with reading_shared():
        if not _is_alone():
            return None
        store.clear_out()
        snapshot, rows = stream_cases()
        index = CaseIndex.build(
            map(read_shared_case, _counted(rows, on_case)),
            design=read_active_design(),
            meta=_describe(snapshot, merged=0),
        )
        name = store.put_in_force(index)
        store.clear_out()
    log.info("search index %s built of %d cases", name, len(index))
    # Here nobody waits; processes that start later find the code compiled.
    compile_kernel(store.compiled_dir())
    return len(index)


def merge_changes() -> bool:
    """A new version of the one in force and what changed since; what did not change is not read
    again. False where only a full build will do: nothing usable, another design, or so much has
    changed since the last one that the rarity of words should be counted anew.
    Raises OSError where the disk won't take it: the version in force stays.
    """
    index = _open_current()
    design = read_active_design()
    if index is None or index.design.fingerprint != design.fingerprint:
        return False
    with reading_shared():
        if not _is_alone():
            return True
        changes = list_changes(int(index.meta["xmin"]))
        snapshot = changes.snapshot
        if not _belongs(index.meta, snapshot):
            return False
        merged = index.meta.get("merged", 0) + len(changes.changed) + len(changes.removed)
        if merged > SHARE_WORTH_A_FULL_BUILD * len(index):
            return False
        store.clear_out()
        rows = fetch_cases(list(changes.changed))
        gone = (changes.removed.keys() | changes.changed.keys()) - {row["id"] for row in rows}
        ahead = index.with_query_design(design).with_tail(
            map(read_shared_case, rows), [id_.hex for id_ in gone]
        )
        name = store.put_in_force(ahead.merged(_describe(snapshot, merged=merged)))
        store.clear_out()
    log.info("search index %s: %d changes merged", name, len(rows) + len(gone))
    return True


def _open_current() -> CaseIndex | None:
    name = store.current_version()
    if name is None:
        return None
    try:
        return CaseIndex.open(store.index_dir() / name)
    except IndexDamaged:
        return None


def _is_alone() -> bool:
    """Whether no other builder is at work, until the end of the transaction."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", [_LOCK])
        return bool(cursor.fetchone()[0])


def _describe(snapshot: Snapshot, *, merged: int) -> dict[str, Any]:
    """merged: how many changes went in since the last full build."""
    return {
        "xmin": snapshot.xmin,
        "identity": snapshot.identity,
        "as_of": snapshot.at.astimezone(UTC).isoformat(),
        "merged": merged,
    }


def _belongs(meta: Mapping[str, Any], snapshot: Snapshot) -> bool:
    """False where the database is another one, or was restored to before the index."""
    return bool(meta["identity"] == snapshot.identity and meta["xmin"] <= snapshot.xmax)


def _counted(
    rows: Iterator[dict[str, Any]], on_case: Callable[[], None] | None
) -> Iterator[dict[str, Any]]:
    for row in rows:
        yield row
        if on_case is not None:
            on_case()


def index_status(*, thorough: bool = True) -> IndexStatus:
    """Of the version in force. thorough: check every byte, not only the manifest."""
    name = store.current_version()
    if name is None:
        return IndexStatus(present=False, reason="none was built yet")
    try:
        manifest = read_manifest(store.index_dir() / name)
        if thorough:
            CaseIndex.open(store.index_dir() / name)
    except IndexDamaged as error:
        return IndexStatus(present=False, reason=str(error))
    meta = manifest["meta"]
    with reading_shared():
        snapshot = list_changes(2**63 - 1).snapshot
        if not _belongs(meta, snapshot):
            return IndexStatus(present=False, reason="it is of another state of the database")
        behind = count_changes(meta["xmin"])
        wanted = read_wanted(snapshot.learned)
    return IndexStatus(
        present=True,
        cases=manifest["cases"],
        as_of=datetime.fromisoformat(meta["as_of"]),
        behind=behind,
        outdated=manifest["fingerprint"] != wanted.fingerprint,
    )


def is_build_due(status: IndexStatus, *, now: datetime) -> bool:
    if not status.present or status.outdated:
        return True
    age = now - status.as_of if status.as_of is not None else LONGEST_BEHIND
    if status.behind >= max(CHANGES_WORTH_A_BUILD, SHARE_WORTH_A_BUILD * status.cases):
        return age >= SHORTEST_PAUSE
    return status.behind > 0 and age >= LONGEST_BEHIND
