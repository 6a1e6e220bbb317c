"""Exact top-k over one segment, term at a time: compiled where numba is ready, else NumPy.

Both paths add the same float64 products in the same order, so their answers are the same to the
last bit. The compiled one works through the cases in blocks that stay in the processor's cache
and keeps the best k in a heap. Compiling takes seconds, so it happens when `compile_kernel` is
called (at the start of a process; the result is cached on disk) and never inside a search.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

# Similarities are ranked, and reported, in units of 1e-7: what float32 values can tell apart.
SCALE = 1e7
BLOCK_CASES = 32_768

logger = logging.getLogger(__name__)


class Task(NamedTuple):
    """One query against one segment.

    starts, ends, coefficients: per term, a slice of docs and values and its factor; the first
    `likeness_terms` of them are likeness, the others credit. slots: per case. slot_credit: for
    every combination of slot bits. allowed: per case, 0 or 1.
    """

    starts: NDArray[np.int64]
    ends: NDArray[np.int64]
    coefficients: NDArray[np.float64]
    likeness_terms: int
    docs: NDArray[np.int32]
    values: NDArray[np.float32]
    slots: NDArray[np.uint32]
    slot_credit: NDArray[np.float64]
    allowed: NDArray[np.uint8]
    limit: int


class Best(NamedTuple):
    """Best first: similarity in units of 1e-7 and position of the case; ties by position."""

    keys: NDArray[np.int64]
    docs: NDArray[np.int64]


def best_by_numpy(task: Task) -> Best:
    """Plain and complete: every case of the segment gets its sum."""
    cases = len(task.slots)
    likeness = np.zeros(cases)
    credit = np.zeros(cases)
    for term in range(len(task.starts)):
        span = slice(int(task.starts[term]), int(task.ends[term]))
        into = likeness if term < task.likeness_terms else credit
        into[task.docs[span]] += task.coefficients[term] * task.values[span].astype(np.float64)
    found = np.flatnonzero((likeness > 0.0) & (task.allowed != 0))
    total = likeness[found] + (credit[found] + task.slot_credit[task.slots[found]])
    keys = np.floor(np.minimum(total, 1.0) * SCALE + 0.5).astype(np.int64)
    order = np.lexsort((found, -keys))[: task.limit]
    return Best(keys[order], found[order])


def _best_compiled(  # type: ignore[no-untyped-def]
    starts,
    ends,
    coefficients,
    likeness_terms,
    docs,
    values,
    slots,
    slot_credit,
    allowed,
    limit,
):
    """The same for numba: plain loops over scalars, one block of cases after another."""
    cases = len(slots)
    heap_keys = np.empty(limit, dtype=np.int64)
    heap_docs = np.empty(limit, dtype=np.int64)
    held = 0
    likeness = np.empty(BLOCK_CASES, dtype=np.float64)
    credit = np.empty(BLOCK_CASES, dtype=np.float64)
    at = starts.copy()
    for first in range(0, cases, BLOCK_CASES):
        last = min(first + BLOCK_CASES, cases)
        likeness[:] = 0.0
        credit[:] = 0.0
        for term in range(len(starts)):
            i = at[term]
            end = ends[term]
            factor = coefficients[term]
            into = likeness if term < likeness_terms else credit
            while i < end and docs[i] < last:
                into[docs[i] - first] += factor * np.float64(values[i])
                i += 1
            at[term] = i
        for doc in range(first, last):
            alike = likeness[doc - first]
            if alike <= 0.0 or allowed[doc] == 0:
                continue
            total = alike + (credit[doc - first] + slot_credit[slots[doc]])
            key = np.int64(np.floor(min(total, 1.0) * SCALE + 0.5))
            if held == limit:
                # Later cases have larger ids: an equal one stays out.
                if key <= heap_keys[0]:
                    continue
                place = 0
            else:
                place = held
                held += 1
            # A heap whose root is the worst kept: smallest key, then largest position.
            if place == held - 1:
                while place > 0:
                    parent = (place - 1) // 2
                    if heap_keys[parent] > key or (
                        heap_keys[parent] == key and heap_docs[parent] < doc
                    ):
                        heap_keys[place] = heap_keys[parent]
                        heap_docs[place] = heap_docs[parent]
                        place = parent
                    else:
                        break
            else:
                while True:
                    child = 2 * place + 1
                    if child >= limit:
                        break
                    other = child + 1
                    if other < limit and (
                        heap_keys[other] < heap_keys[child]
                        or (
                            heap_keys[other] == heap_keys[child]
                            and heap_docs[other] > heap_docs[child]
                        )
                    ):
                        child = other
                    if heap_keys[child] < key or (
                        heap_keys[child] == key and heap_docs[child] > doc
                    ):
                        heap_keys[place] = heap_keys[child]
                        heap_docs[place] = heap_docs[child]
                        place = child
                    else:
                        break
            heap_keys[place] = key
            heap_docs[place] = doc
    return heap_keys[:held], heap_docs[:held]


_compiled: Callable[..., tuple[NDArray[np.int64], NDArray[np.int64]]] | None = None


def compile_kernel(cache_dir: Path | None = None) -> bool:
    """Make the compiled path ready; False where numba is missing. Idempotent.

    cache_dir: folder for the compiled code, so that the next process loads it in a moment.
    """
    global _compiled
    if _compiled is not None:
        return True
    try:
        numba: Any = import_module("numba")
    except ImportError:
        logger.info("numba is not installed: searches use NumPy")
        return False
    if cache_dir is not None:
        numba.config.CACHE_DIR = str(cache_dir)
    try:
        jitted: Any = numba.njit(cache=cache_dir is not None, nogil=True)(_best_compiled)
        jitted(*_tiny_task())
    except (OSError, RuntimeError) as error:
        # A cache folder that can't be written costs seconds at the next start, not the answer.
        logger.warning("compiled search code is not kept: %s", error)
        jitted = numba.njit(nogil=True)(_best_compiled)
        jitted(*_tiny_task())
    _compiled = jitted
    return True


def is_compiled() -> bool:
    return _compiled is not None


def find_best(task: Task) -> Best:
    """The `limit` most similar cases of a segment by whichever path is ready."""
    if _compiled is None:
        return best_by_numpy(task)
    keys, docs = _compiled(*frozen(task))
    order = np.lexsort((docs, -keys))
    return Best(keys[order], docs[order])


def frozen(task: Task) -> Task:
    """Read-only views, as memory-mapped arrays are: one compiled signature serves both."""
    arrays: dict[str, Any] = {
        name: _frozen(part) for name, part in task._asdict().items() if isinstance(part, np.ndarray)
    }
    return task._replace(**arrays)


def _frozen(values: NDArray[Any]) -> NDArray[Any]:
    view = np.ascontiguousarray(values).view(np.ndarray)
    view.flags.writeable = False
    return view


def _tiny_task() -> Task:
    return frozen(
        Task(
            starts=np.zeros(1, dtype=np.int64),
            ends=np.ones(1, dtype=np.int64),
            coefficients=np.ones(1),
            likeness_terms=1,
            docs=np.zeros(1, dtype=np.int32),
            values=np.ones(1, dtype=np.float32),
            slots=np.zeros(1, dtype=np.uint32),
            slot_credit=np.zeros(1),
            allowed=np.ones(1, dtype=np.uint8),
            limit=1,
        )
    )
