"""Every case gets its sum."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from search.core.loops.one_case import credit_by_slots, passes
from search.core.loops.ranking import keep_best, key_of
from search.core.loops.shapes import PLAIN_BLOCK, SCALE, Columns, Heap, Ints, Question, Wanted


def best_plain(
    question: Question, wanted: Wanted, columns: Columns, alive: NDArray[np.uint8]
) -> tuple[Ints, Ints]:
    """Every case gets its sum, a block that fits the cache at a time."""
    cases, likeness_terms = len(columns.slots), len(question.terms)
    terms = np.concatenate((question.terms, question.credit_terms))
    factors = np.concatenate((question.factors, question.credit_factors))
    heap = Heap(
        np.empty(question.limit, dtype=np.int64),
        np.empty(question.limit, dtype=np.int64),
        np.empty(question.limit, dtype=np.int64),
    )
    held = 0
    size = min(PLAIN_BLOCK, cases)
    likeness, credit = np.empty(size), np.empty(size)
    at = columns.starts[terms]
    credit_top = question.base_credit + 1e-12  # more than sums in another order can differ
    for slot in range(len(question.slot_credits)):
        credit_top += max(0.0, question.slot_credits[slot])
    for first in range(0, cases, PLAIN_BLOCK):
        last = min(first + PLAIN_BLOCK, cases)
        likeness[:] = 0.0
        credit[:] = 0.0
        for term in range(len(terms)):
            into = likeness if term < likeness_terms else credit
            i, end, factor = at[term], columns.starts[terms[term] + 1], factors[term]
            while i < end and columns.docs[i] < last:
                into[columns.docs[i] - first] += factor * np.float64(columns.values[i])
                i += 1
            at[term] = i
        for doc in range(first, last):
            alike = likeness[doc - first]
            if held == question.limit:
                most = alike + (credit[doc - first] + credit_top)
                if most * SCALE + 1.0 < heap.keys[0]:  # as nearly all are
                    continue
            if alike > 0.0 and passes(doc, wanted, columns, alive):
                slots = credit_by_slots(columns.slots[doc], question)
                key = key_of(alike + (credit[doc - first] + slots))
                held = keep_best(heap, held, key, columns.rank[doc], doc)
    return heap.keys[:held], heap.docs[:held]
