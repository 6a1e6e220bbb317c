"""Makes what the pruned search knows beforehand about a segment (`search.core.loops`)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from search.core.loops.shapes import Bounds, Rows
from search.core.reading import SLOTS

# Cases that are added up together: their sums stay in the processor's cache.
BLOCK_CASES = 16_384
# Rarer terms are searched through when they are asked for.
LISTED_FROM = 256
_PIECE = 4_000_000  # postings looked at in one go, to bound memory


def make_bounds(
    *,
    starts: NDArray[np.int64],
    docs: NDArray[np.int32],
    values: NDArray[np.float32],
    rows: Rows,
    slots: NDArray[np.uint32],
    block_of: NDArray[np.uint8],
    block_cases: int = BLOCK_CASES,
) -> Bounds | None:
    """None for a segment of less than one block of cases, where bounds don't pay, or where a
    value is negative, where they would be wrong.

    block_of: the block of the similarity each term belongs to, shape (terms,).
    """
    cases, terms = len(slots), len(starts) - 1
    if cases < block_cases or (len(values) and float(values.min()) < 0.0):
        return None
    needs = np.zeros(terms, dtype=np.uint32)
    tops = np.zeros(terms, dtype=np.float32)
    for first, last in _pieces(starts):
        having = np.flatnonzero(np.diff(starts[first : last + 1]))
        if len(having):
            begin = int(starts[first])
            at = starts[first:last][having] - begin
            piece = slice(begin, int(starts[last]))
            needs[first + having] = np.bitwise_and.reduceat(slots[docs[piece]], at)
            tops[first + having] = np.maximum.reduceat(values[piece], at)
    bits = (slots[:, None] >> np.arange(len(SLOTS), dtype=np.uint32)) & np.uint32(1)
    listed = np.flatnonzero(np.diff(starts) >= LISTED_FROM)
    row_of = np.full(terms, -1, dtype=np.int32)
    row_of[listed] = np.arange(len(listed), dtype=np.int32)
    edges = np.minimum(np.arange(-(-cases // block_cases) + 1) * block_cases, cases)
    block_starts = np.zeros((len(listed), len(edges)), dtype=np.uint32)
    for row, term in enumerate(listed.tolist()):
        block_starts[row] = np.searchsorted(docs[starts[term] : starts[term + 1]], edges)
    return Bounds(
        block_cases=block_cases,
        block_of=block_of,
        needs=needs,
        tops=tops,
        lengths=_lengths(rows, block_of),
        combinations=np.unique(slots).astype(np.int64),
        slot_counts=bits.sum(axis=0).astype(np.int64),
        row_of=row_of,
        block_starts=block_starts,
    )


def _pieces(starts: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Spans of terms (or rows) with a bounded number of postings, where one alone has not more."""
    out, first, count = [], 0, len(starts) - 1
    while first < count:
        last = int(np.searchsorted(starts, starts[first] + _PIECE, side="right")) - 1
        last = min(max(last, first + 1), count)
        out.append((first, last))
        first = last
    return out


def _lengths(rows: Rows, block_of: NDArray[np.uint8]) -> NDArray[np.float64]:
    """The largest length of a case's values in each block, shape (blocks,)."""
    blocks = int(block_of.max()) + 1 if len(block_of) else 1
    largest = np.zeros(blocks)
    for first, last in _pieces(rows.starts):
        piece = slice(int(rows.starts[first]), int(rows.starts[last]))
        row = np.repeat(np.arange(last - first), np.diff(rows.starts[first : last + 1]))
        squares = np.bincount(
            row * blocks + block_of[rows.terms[piece]],
            weights=rows.values[piece].astype(np.float64) ** 2,
            minlength=(last - first) * blocks,
        )
        largest = np.maximum(largest, squares.reshape(-1, blocks).max(axis=0))
    return np.sqrt(largest)
