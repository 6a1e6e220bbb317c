"""Exact top-k over one segment: compiled where numba is ready, else NumPy.

Three ways with the same answers to the last bit: `best_by_numpy`; the compiled one that sums up
every case (small segments); and the compiled one that leaves out what can't be among the best
(see `search.core.loops`). Compiling takes seconds, so it happens when `compile_kernel` is called
(at the start of a process; the result is cached on disk) and never inside a search.
"""

from __future__ import annotations

import logging
from importlib import import_module
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from search.core import loops
from search.core.loops import plain, pruned
from search.core.loops.shapes import (
    ANY,
    SCALE,
    TABLE,
    Bounds,
    Columns,
    Question,
    Rows,
    Wanted,
)

__all__ = ["SCALE", "Best", "Task", "best_by_numpy", "compile_kernel", "find_best", "is_compiled"]

logger = logging.getLogger(__name__)


class Task(NamedTuple):
    """One query against one segment. alive: per case, 0 or 1; without entries where all are.
    bounds: None where the segment is too small for them to pay."""

    question: Question
    wanted: Wanted
    columns: Columns
    rows: Rows
    bounds: Bounds | None
    alive: NDArray[np.uint8]


class Best(NamedTuple):
    """Best first: similarity in units of 1e-7 and position of the case; ties by rank."""

    keys: NDArray[np.int64]
    docs: NDArray[np.int64]


def best_by_numpy(task: Task) -> Best:
    """Plain and complete: every case of the segment gets its sum."""
    question, columns = task.question, task.columns
    cases = len(columns.slots)
    likeness, credit = np.zeros(cases), np.zeros(cases)
    for into, terms, factors in (
        (likeness, question.terms, question.factors),
        (credit, question.credit_terms, question.credit_factors),
    ):
        for term, factor in zip(terms.tolist(), factors.tolist(), strict=True):
            span = slice(int(columns.starts[term]), int(columns.starts[term + 1]))
            into[columns.docs[span]] += factor * columns.values[span].astype(np.float64)
    passing = _passing(task)
    found = np.flatnonzero((likeness > 0.0) if passing is None else (likeness > 0.0) & passing)
    by_slots = _credit_by_slots(question)[columns.slots[found]]
    total = likeness[found] + (credit[found] + by_slots)
    keys = np.floor(np.minimum(total, 1.0) * SCALE + 0.5).astype(np.int64)
    order = np.lexsort((columns.rank[found], -keys))[: question.limit]
    return Best(keys[order], found[order])


def _passing(task: Task) -> NDArray[np.bool_] | None:
    wanted, columns = task.wanted, task.columns
    tests: list[NDArray[np.bool_]] = [columns.year >= wanted.year_min]
    tests.append(columns.year <= wanted.year_max)
    if len(task.alive):
        tests.append(task.alive != 0)
    if wanted.unit_kind != ANY:
        tests.append(columns.unit_kind == wanted.unit_kind)
    if wanted.make != ANY:
        tests.append(columns.make == wanted.make)
    if wanted.with_outcome:
        tests.append(columns.with_outcome != 0)
    if wanted.without_cluster:
        tests.append(columns.cluster != wanted.cluster)
    return np.asarray(np.logical_and.reduce(tests))


def _credit_by_slots(question: Question) -> NDArray[np.float64]:
    """Credit for every combination of slot bits, shape (2 ** slots,)."""
    table = np.array([question.base_credit])
    for credit in question.slot_credits:
        # With the next bit unset (silent), then with it set.
        table = np.concatenate([table + credit, table])
    return table


_compiled = False


def compile_kernel(cache_dir: Path | None = None) -> bool:
    """Make the compiled path ready; False where numba is missing. Idempotent.

    cache_dir: folder for the compiled code, so that the next process loads it in a moment.
    """
    global _compiled
    if _compiled:
        return True
    try:
        numba: Any = import_module("numba")
    except ImportError:
        logger.info("numba is not installed: searches use NumPy")
        return False
    try:
        if cache_dir is not None:
            numba.config.CACHE_DIR = str(cache_dir / loops.fingerprint())
        _compile(numba, cache=cache_dir is not None)
    except (OSError, RuntimeError) as error:
        # A cache folder that can't be written costs seconds at the next start, not the answer.
        logger.warning("compiled search code is not kept: %s", error)
        _compile(numba, cache=False)
    _compiled = True
    return True


def _compile(numba: Any, *, cache: bool) -> None:
    loops.compile_with(numba.njit(cache=cache, nogil=True))
    try:
        for task in _tiny_tasks():
            _run_compiled(task)
    except BaseException:
        loops.use_plain_python()
        raise


def is_compiled() -> bool:
    return _compiled


def find_best(task: Task) -> Best:
    """The `limit` most similar cases of a segment by whichever path is ready."""
    if not _compiled:
        return best_by_numpy(task)
    return _run_compiled(task)


def _run_compiled(task: Task) -> Best:
    question, columns = freeze(task.question), task.columns
    if task.bounds is None or len(question.terms) + len(question.credit_terms) > TABLE // 2:
        keys, docs = plain.best_plain(question, task.wanted, columns, task.alive)
    else:
        keys, docs = pruned.best_pruned(
            question, task.wanted, columns, task.rows, task.bounds, task.alive
        )
    order = np.lexsort((columns.rank[docs], -keys))
    return Best(keys[order], docs[order])


def freeze(parts: Any) -> Any:
    """Arrays as read-only views, as memory-mapped ones are: one compiled signature serves both."""
    return parts._replace(
        **{
            name: _frozen(part)
            for name, part in parts._asdict().items()
            if isinstance(part, np.ndarray)
        }
    )


def _frozen(values: NDArray[Any]) -> NDArray[Any]:
    view = np.ascontiguousarray(values).view(np.ndarray)
    view.flags.writeable = False
    return view


def _tiny_tasks() -> list[Task]:
    """One case, one term: once with bounds and once without."""
    one = np.ones(1)
    none = np.empty(0, dtype=np.int64)
    columns = Columns(
        starts=np.array([0, 1]),
        docs=np.zeros(1, dtype=np.int32),
        values=np.ones(1, dtype=np.float32),
        slots=np.zeros(1, dtype=np.uint32),
        rank=np.zeros(1, dtype=np.int32),
        unit_kind=np.zeros(1, dtype=np.int32),
        make=np.zeros(1, dtype=np.int32),
        year=np.zeros(1, dtype=np.int32),
        with_outcome=np.zeros(1, dtype=np.uint8),
        cluster=np.zeros(1, dtype=np.int64),
    )
    bounds = Bounds(
        block_cases=8,
        block_of=np.zeros(1, dtype=np.uint8),
        needs=np.zeros(1, dtype=np.uint32),
        tops=np.ones(1, dtype=np.float32),
        lengths=one,
        combinations=np.zeros(1, dtype=np.int64),
        slot_counts=np.zeros(1, dtype=np.int64),
        row_of=np.full(1, -1, dtype=np.int32),
        block_starts=np.zeros((0, 2), dtype=np.uint32),
    )
    question = Question(np.zeros(1, dtype=np.int64), one, none, none.astype(float), one, 0.0, 1)
    rows = Rows(columns.starts, np.zeros(1, dtype=np.int32), columns.values)
    wanted = Wanted(ANY, ANY, 0, 0, 0, 0, 0)
    alive = _frozen(np.empty(0, dtype=np.uint8))
    return [
        Task(question, wanted, freeze(columns), freeze(rows), known, alive)
        for known in (None, freeze(bounds))
    ]
