"""The best so far, in heaps."""

from __future__ import annotations

import numpy as np

from search.core.loops.shapes import SCALE, Floats, Heap


def key_of(similarity: float) -> int:
    return np.int64(np.floor(min(similarity, 1.0) * SCALE + 0.5))  # type: ignore[return-value]


def keep_best(heap: Heap, held: int, key: int, rank: int, doc: int) -> int:
    """Put a case into the heap if it belongs there; how many are held then."""
    keys, ranks, docs = heap.keys, heap.ranks, heap.docs
    limit = len(keys)
    if held < limit:
        place = held
        held += 1
        while place > 0:
            up = (place - 1) // 2
            if keys[up] < key or (keys[up] == key and ranks[up] > rank):
                break
            keys[place], ranks[place], docs[place] = keys[up], ranks[up], docs[up]
            place = up
    else:
        if key < keys[0] or (key == keys[0] and rank > ranks[0]):
            return held
        place = 0
        while 2 * place + 1 < limit:
            down = 2 * place + 1
            other = down + 1
            if other < limit and (
                keys[other] < keys[down]
                or (keys[other] == keys[down] and ranks[other] > ranks[down])
            ):
                down = other
            if keys[down] > key or (keys[down] == key and ranks[down] < rank):
                break
            keys[place], ranks[place], docs[place] = keys[down], ranks[down], docs[down]
            place = down
    keys[place], ranks[place], docs[place] = key, rank, doc
    return held


def raise_floor(lows: Floats, held: int, low: float) -> int:
    """Keep the largest lower bounds, the smallest of them at the root; how many are held."""
    limit = len(lows)
    if held < limit:
        place = held
        held += 1
        while place > 0 and lows[(place - 1) // 2] > low:
            lows[place] = lows[(place - 1) // 2]
            place = (place - 1) // 2
    else:
        if low <= lows[0]:
            return held
        place = 0
        while 2 * place + 1 < limit:
            down = 2 * place + 1
            if down + 1 < limit and lows[down + 1] < lows[down]:
                down += 1
            if lows[down] >= low:
                break
            lows[place] = lows[down]
            place = down
    lows[place] = low
    return held
