"""The index as one process serves it: a built version, and what changed since.

Before every answer the process asks the database what is stamped at or above its mark, scores
what is new with the vectoriser of the index, masks what is gone, and moves its mark to the xmin of
the snapshot in which it asked. Rows stamped at or above that xmin are asked for again next time:
their transactions, or older ones, may still be under way.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from uuid import UUID

from django.db import DatabaseError, connection

from casebook.errors import Unavailable
from casebook.shops.tenancy import reading_shared
from search.adapter import store
from search.adapter.documents import read_shared_case
from search.adapter.learned import Wanted, read_active_design, read_wanted
from search.adapter.rows import (
    Changes,
    Snapshot,
    count_cases,
    fetch_cases,
    list_changes,
    stream_cases,
)
from search.core import CaseIndex

log = logging.getLogger("casebook.search")

# Without a usable version on disk a process reads the cases itself. Up to this many while the
# user waits (a few seconds); more in the background, and searches are told to come back.
MOST_CASES_WHILE_WAITING = 20_000
NO_MARK = 0


@dataclass(frozen=True)
class State:
    """version: None where the cases were read from the database. base, base_mark: as loaded.
    view, mark: with what came since; changed, removed: what of that may be asked for again.
    wanted: the design that the database asks for, by which view and base are asked."""

    version: str | None
    stamp: store.Stamp | None
    identity: str
    base: CaseIndex
    base_mark: int
    view: CaseIndex
    mark: int
    wanted: Wanted | None = None
    changed: dict[UUID, int] = field(default_factory=dict)
    removed: dict[UUID, int] = field(default_factory=dict)

    @classmethod
    def start(
        cls, *, version: str | None, stamp: store.Stamp | None, identity: str, base: CaseIndex
    ) -> State:
        mark = int(base.meta["xmin"])
        return cls(version, stamp, identity, base, mark, base, mark)

    def restart(self) -> State:
        return replace(self, view=self.base, mark=self.base_mark, changed={}, removed={})

    def by_wanted(self, wanted: Wanted) -> State:
        """Asked by the design that the database wants; the same where it is so already."""
        if wanted is self.wanted:
            return self
        base = self.base.with_query_design(wanted.design)
        view = base if self.view is self.base else self.view.with_query_design(wanted.design)
        return replace(self, base=base, view=view, wanted=wanted)

    def fits(self, snapshot: Snapshot) -> bool:
        """False after a restore: another database, or transaction ids that went backwards."""
        return self.identity == snapshot.identity and self.base_mark <= snapshot.xmax

    def was_undone(self, changes: Changes) -> bool:
        """Something seen before is not there any more, nor noted as removed.

        Only a transaction's own writes can be seen and then undone; the view that shows them is
        of no use to anybody else.
        """
        known = changes.changed.keys() | changes.removed.keys()
        return not (self.changed.keys() | self.removed.keys()) <= known


class Server:
    """One per process; safe between threads."""

    def __init__(self) -> None:
        self._state: State | None = None
        self._lock = threading.Lock()
        self._catching_up = threading.Lock()
        self._loading: threading.Thread | None = None

    def view(self) -> tuple[CaseIndex, Snapshot]:
        """The index with everything committed up to now. Inside reading_shared().

        Raises Unavailable while a large database is being read for want of an index.
        """
        state = self._state or self._load()
        self._notice_newer(state)
        changes = list_changes(state.mark)
        if (
            state.fits(changes.snapshot)
            and not state.was_undone(changes)
            and not any(_find_new(state, changes))
        ):
            return self._step(state, changes)
        # One thread reads what is new; the others wait for it rather than do the same.
        with self._catching_up:
            return self._catch_up(self._state or state)

    def _catch_up(self, state: State) -> tuple[CaseIndex, Snapshot]:
        changes = list_changes(state.mark)
        if not state.fits(changes.snapshot):
            log.warning("the search index belongs to another state of the database")
            state = self._load()
            changes = list_changes(state.mark)
        if state.was_undone(changes):
            before, state = state, state.restart()
            self._swap(before, state)
            changes = list_changes(state.mark)
        return self._step(state, changes)

    def _step(self, state: State, changes: Changes) -> tuple[CaseIndex, Snapshot]:
        ahead = _advance(state, changes)
        self._swap(state, ahead)
        return ahead.view, changes.snapshot

    def needs_rebuild(self) -> str:
        """Why the version on disk doesn't serve this process well, or an empty string."""
        state = self._state
        if state is None:
            return ""
        if state.version is None:
            return "missing"
        if state.version != store.current_version() and state.stamp == store.stamp():
            return "damaged"
        if state.wanted and state.base.design.fingerprint != state.wanted.fingerprint:
            return "outdated"
        return ""

    def forget(self) -> None:
        """Begin anew at the next search."""
        self.wait()
        with self._lock:
            self._state = None

    def wait(self) -> None:
        """Until what is being loaded in the background is there."""
        loading = self._loading
        if loading is not None:
            loading.join()

    def _swap(self, before: State | None, after: State) -> None:
        """Unless another thread was faster; what it has is as good."""
        with self._lock:
            if self._state is before:
                self._state = after

    # --- Loading ------------------------------------------------------------------------------

    def _load(self) -> State:
        """From disk, else from the database."""
        before = self._state
        stamp = store.stamp()
        snapshot = list_changes(_never()).snapshot
        state = _open_usable(stamp, snapshot.identity, snapshot.xmax)
        if state is None:
            if count_cases() > MOST_CASES_WHILE_WAITING:
                self._in_background(self._read_database)
                raise Unavailable(
                    "The search index is being prepared; try again in a moment.", retry_after_s=10
                )
            state = _read_cases(stamp)
        self._swap(before, state)
        return state

    def _notice_newer(self, state: State) -> None:
        if store.stamp() != state.stamp:
            self._in_background(self._open_newer)

    def _in_background(self, load: Callable[[], None]) -> None:
        with self._lock:
            if self._loading is not None and self._loading.is_alive():
                return
            self._loading = threading.Thread(target=load, name="casebook-index", daemon=True)
            self._loading.start()

    def _open_newer(self) -> None:
        before, stamp = self._state, store.stamp()
        if before is None:
            return
        newer = _open_usable(stamp, before.identity, None)
        # Where there is none, the old one goes on; remembering the stamp saves trying again.
        after = _caught_up(newer) if newer is not None else replace(before, stamp=stamp)
        with self._lock:
            self._state = after

    def _read_database(self) -> None:
        try:
            with reading_shared():
                state = _read_cases(store.stamp())
            with self._lock:
                self._state = state
        finally:
            connection.close()


def _never() -> int:
    """A mark above every transaction id: lists nothing."""
    return 2**63 - 1


def _open_usable(stamp: store.Stamp | None, identity: str, xmax: int | None) -> State | None:
    for name, index in store.open_versions():
        if index.meta.get("identity") != identity:
            log.warning("search index %s is of another database", name)
            continue
        if xmax is not None and int(index.meta["xmin"]) > xmax:
            log.warning("search index %s is ahead of the database", name)
            continue
        return State.start(
            version=name,
            stamp=stamp,
            identity=identity,
            base=index,
        )
    return None


def _read_cases(stamp: store.Stamp | None) -> State:
    """Every settled case straight from the database. Inside reading_shared()."""
    snapshot, rows = stream_cases()
    base = CaseIndex.build(
        (read_shared_case(row) for row in rows if row["changed_xid"] < snapshot.xmin),
        design=read_active_design(),
        meta={"xmin": snapshot.xmin, "identity": snapshot.identity},
    )
    return State.start(version=None, stamp=stamp, identity=snapshot.identity, base=base)


def _caught_up(state: State) -> State:
    """With what came since it was built, read here where nobody waits."""
    try:
        with reading_shared():
            changes = list_changes(state.mark)
            return _advance(state, changes) if state.fits(changes.snapshot) else state
    except DatabaseError as error:
        # Not lost: the next search reads it, or meets the same trouble and says so.
        log.info("a newer search index is not caught up yet: %s", error)
        return state
    finally:
        connection.close()


def _find_new(state: State, changes: Changes) -> tuple[list[UUID], set[UUID]]:
    """Ids that changed, and ids that were removed, since `state`."""
    new = [id_ for id_, xid in changes.changed.items() if state.changed.get(id_) != xid]
    gone = {
        id_
        for id_, xid in changes.removed.items()
        if state.removed.get(id_) != xid and id_ not in changes.changed
    }
    return new, gone


def _advance(state: State, changes: Changes) -> State:
    """With what is new since `state`; fetches it. Inside reading_shared()."""
    state = state.by_wanted(read_wanted(changes.snapshot.learned))
    new, gone = _find_new(state, changes)
    rows = fetch_cases(new)
    # Listed a moment ago and not there now: withdrawn in between.
    gone |= set(new) - {row["id"] for row in rows}
    view = state.view
    if rows or gone:
        view = view.with_tail(map(read_shared_case, rows), [id_.hex for id_ in gone])
    xmin = changes.snapshot.xmin
    return replace(
        state,
        view=view,
        mark=xmin,
        changed={id_: xid for id_, xid in changes.changed.items() if xid >= xmin},
        removed={id_: xid for id_, xid in changes.removed.items() if xid >= xmin},
    )
