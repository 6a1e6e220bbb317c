"""The best from a fraction of the postings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from search.core.loops.bounding import bound_blocks, find_blocks, group_terms, make_plan
from search.core.loops.one_case import make_table, passes, place_of, similarity_of
from search.core.loops.ranking import keep_best, key_of, raise_floor
from search.core.loops.shapes import (
    FLOOR_STEPS,
    ROW_PRICE,
    Bounds,
    Columns,
    Heap,
    Ints,
    Kept,
    Plan,
    Question,
    Rows,
    Singles,
    Wanted,
)


def add_postings(
    into: Singles, columns: Columns, start: int, end: int, first: int, factor: np.float32
) -> None:
    for i in range(start, end):
        into[np.uint32(columns.docs[i]) - np.uint32(first)] += factor * columns.values[i]


def collect(sums: Singles, count: int, cut: np.float32, flags: NDArray[np.uint8], out: Ints) -> int:
    """Places of the first `count` sums that reach `cut`. flags: room, a multiple of 8 long."""
    for i in range(count):
        flags[i] = sums[i] >= cut
    flags[count:] = 0
    words = flags.view(np.uint64)  # eight at a time: nearly all are 0
    held = 0
    for word in range((count + 7) // 8):
        if words[word] != 0:
            for i in range(word * 8, word * 8 + 8):
                if flags[i] != 0:
                    out[held] = i
                    held += 1
    return held


def find_floor(
    block: int,
    sums: Singles,
    credits: Singles,
    ceilings: Singles,
    wanted: Wanted,
    columns: Columns,
    alive: NDArray[np.uint8],
    limit: int,
) -> float:
    """A similarity that at least `limit` cases of a block reach, roughly; -1 where there are
    fewer. sums, credits, ceilings: complete but for rounding."""
    first = block * len(sums)
    counts = np.zeros(FLOOR_STEPS + 1, dtype=np.int64)
    lowest, seen = 0, 0  # so many are at or above the lowest step that still matters
    for i in range(min(len(sums), len(columns.slots) - first)):
        if sums[i] <= 0.0:
            continue
        reached = sums[i] + credits[i] + ceilings[columns.slots[first + i]]
        step = min(max(int(reached * FLOOR_STEPS), 0), FLOOR_STEPS)
        if step < lowest or not passes(first + i, wanted, columns, alive):
            continue
        counts[step] += 1
        seen += 1
        while seen - counts[lowest] >= limit:
            seen -= counts[lowest]
            lowest += 1
    return lowest / FLOOR_STEPS if seen >= limit else -1.0


def make_room(kept: Kept, count: int, floor: float) -> tuple[Kept, int]:
    """Drop what is out of the race; where that is little, a longer list."""
    held = 0
    for i in range(count):
        if kept.tops[i] >= floor:
            kept.docs[held], kept.tops[held] = kept.docs[i], kept.tops[i]
            kept.exact[held] = kept.exact[i]
            held += 1
    if 2 * held > len(kept.docs):
        more = len(kept.docs)
        kept = Kept(
            np.concatenate((kept.docs, np.empty(more, dtype=np.int64))),
            np.concatenate((kept.tops, np.empty(more))),
            np.concatenate((kept.exact, np.empty(more, dtype=np.bool_))),
        )
    return kept, held


def add_block(
    block: int,
    floor: float,
    at: Ints,
    question: Question,
    columns: Columns,
    plan: Plan,
    sums: Singles,
    flags: NDArray[np.uint8],
    out: Ints,
) -> tuple[int, int]:
    """Sum up as many terms as it takes to leave few cases above the floor: (stop, how many)."""
    first, last_stop = block * len(sums), len(plan.stops) - 1
    count = min(len(sums), len(columns.slots) - first)
    sums[:count] = 0.0
    stop = 0
    while stop < last_stop and plan.highest[stop] >= floor:
        stop += 1
    done = 0
    while True:
        for place in range(done, plan.stops[stop]):
            i = plan.order[place]
            factor = np.float32(question.factors[i])
            add_postings(sums, columns, at[i, block], at[i, block + 1], first, factor)
        done = plan.stops[stop]
        cut = np.float32(max(floor - plan.highest[stop], 1e-30))
        found = collect(sums, count, cut, flags, out)
        if stop == last_stop or found * ROW_PRICE * (at.shape[1] - 1) < plan.left[stop]:
            return stop, found
        stop += 1


def best_pruned(
    question: Question,
    wanted: Wanted,
    columns: Columns,
    rows: Rows,
    bounds: Bounds,
    alive: NDArray[np.uint8],
) -> tuple[Ints, Ints]:
    """The same answers as `best_plain`, from a fraction of the postings."""
    limit, size, cases = question.limit, bounds.block_cases, len(columns.slots)
    blocks, likeness_terms = (cases + size - 1) // size, len(question.terms)
    terms = np.concatenate((question.terms, question.credit_terms))
    table = make_table(terms)
    places = np.empty(len(terms), dtype=np.int64)
    at = np.empty((len(terms), blocks + 1), dtype=np.int64)
    for i in range(len(terms)):
        places[i] = place_of(terms[i], table, terms)
        find_blocks(terms[i], columns, bounds, at[i])
    found = np.zeros(len(terms), dtype=np.float32)
    credit_top = 0.0
    for i in range(len(question.credit_terms)):
        credit_top += max(0.0, question.credit_factors[i] * bounds.tops[question.credit_terms[i]])
    groups = group_terms(question, bounds)
    plan = make_plan(question, columns, groups, bounds, credit_top)
    reach = bound_blocks(at, question, groups, bounds, credit_top)
    # Rounding in float32 of that many terms, twice over; and half a unit of the ranking.
    slack = (len(terms) + 8) * 2.4e-7 + 1.5e-7
    floor = -np.inf
    sums, credits = np.zeros(size, dtype=np.float32), np.zeros(size, dtype=np.float32)
    flags, out = np.zeros((size + 7) // 8 * 8, dtype=np.uint8), np.empty(size, dtype=np.int64)
    lows, held, count = np.empty(limit), 0, 0
    room = 4 * limit + size
    kept = Kept(np.empty(room, np.int64), np.empty(room), np.empty(room, np.bool_))
    for block in np.argsort(-reach):
        if reach[block] < floor:
            break
        first = block * size
        for i in range(likeness_terms, len(terms)):
            factor = np.float32(question.credit_factors[i - likeness_terms])
            add_postings(credits, columns, at[i, block], at[i, block + 1], first, factor)
        stop, candidates = add_block(block, floor, at, question, columns, plan, sums, flags, out)
        complete = stop == len(plan.stops) - 1
        if complete and held < limit:
            least = find_floor(
                block, sums, credits, plan.ceilings[stop], wanted, columns, alive, limit
            )
            if least > 0.0:
                floor = max(floor, least - slack)
        for candidate in range(candidates):
            doc = first + out[candidate]
            top = np.float64(sums[doc - first]) + credits[doc - first]
            top += plan.ceilings[stop, columns.slots[doc]]
            if top < floor or not passes(doc, wanted, columns, alive):
                continue
            low = top - slack
            if not complete:
                top = similarity_of(doc, question, columns, rows, table, terms, places, found)
                low = top
                if top == -np.inf or top < floor:
                    continue
            if count == len(kept.docs):
                kept, count = make_room(kept, count, floor)
            kept.docs[count], kept.tops[count], kept.exact[count] = doc, top, not complete
            count += 1
            held = raise_floor(lows, held, min(low, 1.0))
            if held == limit:
                floor = max(floor, lows[0] - slack)
        for i in range(likeness_terms, len(terms)):
            for j in range(at[i, block], at[i, block + 1]):
                credits[columns.docs[j] - first] = 0.0
    heap = Heap(
        np.empty(limit, dtype=np.int64),
        np.empty(limit, dtype=np.int64),
        np.empty(limit, dtype=np.int64),
    )
    held = 0
    for i in range(count):
        if kept.tops[i] < floor:
            continue
        similarity = kept.tops[i]
        if not kept.exact[i]:
            similarity = similarity_of(
                kept.docs[i], question, columns, rows, table, terms, places, found
            )
        if similarity != -np.inf:
            doc = kept.docs[i]
            held = keep_best(heap, held, key_of(similarity), columns.rank[doc], doc)
    return heap.keys[:held], heap.docs[:held]
