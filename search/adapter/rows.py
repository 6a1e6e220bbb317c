"""Reads shared cases and what changed, each in one statement and so from one snapshot.

PostgreSQL stamps every shared row and every removal with the id of the transaction that last
changed it. Everything stamped below a snapshot's xmin was committed or undone before that
snapshot, so whoever has read a snapshot needs only what is stamped at or above its xmin later on;
that transactions commit out of order then does no harm.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db import connection

from search.adapter.learned import ACTIVE

# What the index of a database depends on besides its rows: another cluster, another database, a
# restore (new tables or a new timeline) must not meet an index of what was there before.
_IDENTITY = """
    concat_ws('/',
        (SELECT system_identifier FROM pg_control_system()),
        (SELECT timeline_id FROM pg_control_checkpoint()),
        (SELECT oid FROM pg_database WHERE datname = current_database()),
        'cases_sharedcase'::regclass::oid,
        pg_relation_filenode('cases_sharedcase'))
"""
_NOW = f"""
    WITH now AS MATERIALIZED (
        SELECT pg_snapshot_xmin(pg_current_snapshot())::text::bigint AS xmin,
               pg_snapshot_xmax(pg_current_snapshot())::text::bigint AS xmax,
               {_IDENTITY} AS identity,
               statement_timestamp() AS at,
               {ACTIVE} AS learned
    )
"""
_CASE = """
    c.id, c.changed_xid::text::bigint, c.cluster, c.document,
    (c.resolved_by IS NOT NULL OR coalesce(c.event IN ('came_back', 'gone'), false))
"""


@dataclass(frozen=True)
class Snapshot:
    """xmin: all transactions below it had ended. xmax: none at or above it had begun. learned: the
    active design (see `learned`), None where nothing was learned."""

    xmin: int
    xmax: int
    identity: str
    at: datetime
    learned: int | None = None


@dataclass(frozen=True)
class Changes:
    """Rows and removals stamped at or above a mark, each with its stamp."""

    snapshot: Snapshot
    changed: dict[UUID, int]
    removed: dict[UUID, int]


def list_changes(since_xid: int) -> Changes:
    """Inside reading_shared()."""
    # Own spelling, so that the stamps' indexes serve: xid8 doesn't compare with bigint.
    statement = f"""{_NOW}
        SELECT 'now', NULL::uuid, NULL::bigint, xmin, xmax, identity, at, learned FROM now
        UNION ALL
        SELECT 'changed', id, changed_xid::text::bigint, NULL, NULL, NULL, NULL, NULL
            FROM cases_sharedcase WHERE changed_xid >= %(since)s::text::xid8
        UNION ALL
        SELECT 'removed', shared_id, changed_xid::text::bigint, NULL, NULL, NULL, NULL, NULL
            FROM cases_sharedremoval WHERE changed_xid >= %(since)s::text::xid8
    """  # noqa: S608 - constants only
    with connection.cursor() as cursor:
        cursor.execute(statement, {"since": str(since_xid)})
        listed = cursor.fetchall()
    snapshot = next(Snapshot(*row[3:]) for row in listed if row[0] == "now")
    return Changes(
        snapshot,
        changed={row[1]: row[2] for row in listed if row[0] == "changed"},
        removed={row[1]: row[2] for row in listed if row[0] == "removed"},
    )


def count_changes(since_xid: int) -> int:
    """How many rows and removals an index with this mark is behind. Inside reading_shared()."""
    with connection.cursor() as cursor:
        cursor.execute(
            """
            SELECT (SELECT count(*) FROM cases_sharedcase
                    WHERE changed_xid >= %(since)s::text::xid8)
                 + (SELECT count(*) FROM cases_sharedremoval
                    WHERE changed_xid >= %(since)s::text::xid8)
            """,
            {"since": str(since_xid)},
        )
        return int(cursor.fetchone()[0])


def count_cases() -> int:
    """Inside reading_shared()."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM cases_sharedcase")
        return int(cursor.fetchone()[0])


def fetch_cases(ids: Collection[UUID]) -> list[dict[str, Any]]:
    """Rows by id; those withdrawn meanwhile are missing. Inside reading_shared()."""
    if not ids:
        return []
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT {_CASE} FROM cases_sharedcase c WHERE c.id = ANY(%s)",  # noqa: S608
            [list(ids)],
        )
        return [_row(values) for values in cursor.fetchall()]


def stream_cases(batch: int = 2_000) -> tuple[Snapshot, Iterator[dict[str, Any]]]:
    """All rows in the order of their ids, read a batch at a time from one snapshot.

    Inside reading_shared(), and consumed there.
    """
    connection.ensure_connection()
    statement = f"""{_NOW}
        SELECT now.xmin, now.xmax, now.identity, now.at, now.learned, {_CASE}
        FROM now LEFT JOIN cases_sharedcase c ON true ORDER BY c.id
    """  # noqa: S608
    cursor = connection.connection.cursor(name="casebook_stream")
    cursor.itersize = batch
    cursor.execute(statement)
    first = cursor.fetchone()
    snapshot = Snapshot(*first[:5])

    def rows() -> Iterator[dict[str, Any]]:
        with closing(cursor):
            if first[5] is not None:
                yield _row(first[5:])
            for values in cursor:
                yield _row(values[5:])

    return snapshot, rows()


def _row(values: tuple[Any, ...]) -> dict[str, Any]:
    id_, changed_xid, cluster, document, with_outcome = values
    return {
        "id": id_,
        "changed_xid": changed_xid,
        "cluster": cluster,
        # Django has psycopg hand JSON over as text.
        "document": json.loads(document) if isinstance(document, str) else document,
        "with_outcome": with_outcome,
    }
