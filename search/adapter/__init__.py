"""Search over the shared cases of this installation: what the doors and `outcomes` call.

documents   shared cases and requests as plain mappings
rows        reads the database: all cases, or what changed since a mark
store       versions of the index on disk
serving     the index in this process, kept up to date before every answer
building    builds a version
missing     what a search leaves out and similar cases record
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db import DatabaseError, transaction
from django.utils import timezone

from casebook.cases.documents import SearchDocument
from casebook.cases.models import Outbox
from casebook.cases.outbox import INDEX, note_effect
from casebook.errors import Unavailable
from casebook.shops.tenancy import reading_shared
from search.adapter import store
from search.adapter.building import (
    IndexStatus,
    build_index,
    index_status,
    is_build_due,
    merge_changes,
)
from search.adapter.documents import read_query
from search.adapter.serving import Server
from search.core import CaseIndex, Filters, Part
from search.core.contributions import Contributions, contributions
from search.core.kernel import compile_kernel, is_compiled

__all__ = [
    "IndexStatus",
    "SearchHit",
    "SearchResult",
    "build_index",
    "catch_up",
    "index_status",
    "is_build_due",
    "is_warm",
    "merge_changes",
    "search_cases",
    "server",
    "warm_up",
]

log = logging.getLogger("casebook.search")

server = Server()
ASK_EVERY_S = 60.0
_asked_at = float("-inf")
_compiling = threading.Lock()
_warm = False


@dataclass(frozen=True)
class SearchHit:
    """parts add up to the similarity; empty beyond the explained hits."""

    id: UUID
    similarity: float
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class SearchResult:
    """hits: best first. cases: looked through, as of that moment. unknown_terms: words of the
    complaint that no case has, as written. index, query: as searched, for further questions."""

    hits: list[SearchHit]
    cases: int
    as_of: datetime
    unknown_terms: list[str]
    index: CaseIndex
    query: Mapping[str, Any]

    def contributions(self, ids: Collection[UUID]) -> Contributions:
        """What each thing that was entered adds to the similarity of these hits."""
        asked = [(hit.id.hex, hit.similarity) for hit in self.hits if hit.id in ids]
        return contributions(self.index, self.query, asked)


def search_cases(
    *, document: SearchDocument, cluster: int, neighbours: int = 500, explain: int = 20
) -> SearchResult:
    """Cases like the one described, everything committed before the call included.

    cluster: the searcher's shop, for `exclude_own_shop`. The first `explain` hits have parts.
    Raises Unavailable while a large installation has no index yet.
    """
    _compile_in_background()
    with reading_shared():
        view, snapshot = server.view()
    _ask_for_rebuild(server.needs_rebuild())
    wanted = document.filters
    query = read_query(document, today=timezone.now().date())
    hits = view.search(
        query,
        limit=neighbours,
        explained=explain,
        filters=Filters(
            unit_kind=wanted.unit_kind,
            make=wanted.make or None,
            year_min=wanted.year_min,
            year_max=wanted.year_max,
            with_outcome=wanted.with_outcome,
            exclude_cluster=cluster if wanted.exclude_own_shop else None,
        ),
    )
    return SearchResult(
        hits=[SearchHit(UUID(hit.id), hit.similarity, hit.parts) for hit in hits],
        cases=len(view),
        as_of=snapshot.at,
        unknown_terms=view.unknown_words(query),
        index=view,
        query=query,
    )


def warm_up() -> None:
    """At the start of a process: load, or compile, the kernel and load the index, so that no user
    waits. What can't be had yet is said in the log and fetched by the first search.
    """
    global _warm
    compile_kernel(store.compiled_dir())
    try:
        with reading_shared():
            server.view()
    except (DatabaseError, Unavailable) as error:
        log.warning("searches start cold: %s", error)
    _warm = True


def catch_up() -> None:
    """Read what is new, so that the next search has less to read."""
    with reading_shared():
        server.view()


def is_warm() -> bool:
    """Whether `warm_up` is done."""
    return _warm


def _compile_in_background() -> None:
    """Until then searches take the plain path, which gives the same answers."""
    if not is_compiled() and _compiling.acquire(blocking=False):
        threading.Thread(
            target=compile_kernel,
            args=(store.compiled_dir(),),
            name="casebook-compile",
            daemon=True,
        ).start()


def _ask_for_rebuild(reason: str) -> None:
    """Through the outbox, now and then: the answer itself was right without it."""
    global _asked_at
    if not reason or time.monotonic() - _asked_at < ASK_EVERY_S:
        return
    _asked_at = time.monotonic()
    try:
        with transaction.atomic():
            waiting = Outbox.objects.filter(topic=INDEX, key=reason, quarantined_at=None)
            if not waiting.exists():
                note_effect(INDEX, reason)
    except DatabaseError as error:
        log.warning("can't ask for a new search index: %s", error)
