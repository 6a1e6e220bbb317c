"""The most that a case can reach, from a few numbers known beforehand."""

from __future__ import annotations

import numpy as np

from search.core.loops.one_case import credit_by_slots
from search.core.loops.shapes import (
    MOST_STOPS,
    Bounds,
    Columns,
    Floats,
    Groups,
    Ints,
    Plan,
    Question,
)


def group_terms(question: Question, bounds: Bounds) -> Groups:
    """By block, and by a slot that every case with the term records: where that slot is silent,
    the group adds nothing. Among several the rarest slot is the one that is meant."""
    count, slots = len(question.terms), len(question.slot_credits)
    common = np.full(256, np.int64(2**32 - 1))
    for i in range(count):
        common[bounds.block_of[question.terms[i]]] &= np.int64(bounds.needs[question.terms[i]])
    of_term, keys = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
    slot_of, length = np.empty(count, dtype=np.int64), np.empty(count)
    groups = 0
    for i in range(count):
        block = bounds.block_of[question.terms[i]]
        needs = common[block]
        if needs == 0:
            needs = np.int64(bounds.needs[question.terms[i]])
        chosen = -1
        for slot in range(slots):
            if (needs >> slot) & 1 and (
                chosen < 0 or bounds.slot_counts[slot] < bounds.slot_counts[chosen]
            ):
                chosen = slot
        key = np.int64(block) * 64 + chosen + 1
        group = 0
        while group < groups and keys[group] != key:
            group += 1
        if group == groups:
            keys[group], slot_of[group], length[group] = key, chosen, bounds.lengths[block]
            groups += 1
        of_term[i] = group
    return Groups(of_term, slot_of[:groups], length[:groups])


def bound_groups(
    chosen: Ints, question: Question, groups: Groups, bounds: Bounds, out: Floats
) -> None:
    """The most that some of the query's terms can add to one case, per group, into `out`."""
    sums, squares = np.zeros(len(out)), np.zeros(len(out))
    for i in chosen:
        factor, group = question.factors[i], groups.of_term[i]
        sums[group] += factor * bounds.tops[question.terms[i]]
        squares[group] += factor * factor
    for group in range(len(out)):
        out[group] = min(sums[group], np.sqrt(squares[group]) * groups.length[group]) * (1 + 1e-9)


def find_blocks(term: int, columns: Columns, bounds: Bounds, at: Ints) -> None:
    """Where each block of cases begins in a term's postings, into `at`, shape (blocks + 1,)."""
    start, end = columns.starts[term], columns.starts[term + 1]
    row, blocks = bounds.row_of[term], len(at) - 1
    if row >= 0:
        for block in range(blocks + 1):
            at[block] = start + bounds.block_starts[row, block]
        return
    block = 0
    at[0] = start
    for i in range(start, end):
        while columns.docs[i] >= (block + 1) * bounds.block_cases:
            block += 1
            at[block] = i
    at[block + 1 :] = end


def make_plan(
    question: Question, columns: Columns, groups: Groups, bounds: Bounds, credit_top: float
) -> Plan:
    """Terms that say much about few cases first."""
    count, slots = len(question.terms), len(question.slot_credits)
    postings = columns.starts[question.terms + 1] - columns.starts[question.terms]
    worth = question.factors * bounds.tops[question.terms]
    order = np.argsort(-worth / (postings + 0.0002 * len(columns.slots)))
    total = float(postings.sum())
    stops, left = np.empty(MOST_STOPS, dtype=np.int64), np.zeros(MOST_STOPS)
    done, mark, made = 0.0, total / 512.0, 0
    for place in range(count):
        if done + postings[order[place]] > mark and place > 0 and made < MOST_STOPS - 1:
            stops[made], left[made] = place, total - done
            made += 1
            while mark < done + postings[order[place]]:
                mark *= 2.0
        done += postings[order[place]]
    stops[made] = count
    made += 1
    ceilings = np.empty((made, 1 << slots), dtype=np.float32)
    highest = np.full(made, -np.inf)
    most = np.empty(len(groups.slot))
    for stop in range(made):
        bound_groups(order[stops[stop] :], question, groups, bounds, most)
        for combination in bounds.combinations:
            ceiling = credit_by_slots(combination, question)
            for group in range(len(most)):
                if groups.slot[group] < 0 or (combination >> groups.slot[group]) & 1:
                    ceiling += most[group]
            ceilings[stop, combination] = ceiling
            highest[stop] = max(highest[stop], ceiling + credit_top)
    return Plan(order, stops[:made], left[:made], ceilings, highest)


def bound_blocks(
    at: Ints, question: Question, groups: Groups, bounds: Bounds, credit_top: float
) -> Floats:
    """The most that any case of each block of cases can reach, shape (blocks,)."""
    blocks = at.shape[1] - 1
    out, most = np.empty(blocks), np.empty(len(groups.slot))
    present = np.empty(len(question.terms), dtype=np.int64)
    for block in range(blocks):
        count = 0
        for i in range(len(present)):
            if at[i, block + 1] > at[i, block]:
                present[count] = i
                count += 1
        bound_groups(present[:count], question, groups, bounds, most)
        ceiling = question.base_credit + credit_top
        by_slot = np.zeros(len(question.slot_credits))
        for group in range(len(most)):
            if groups.slot[group] < 0:
                ceiling += most[group]
            else:
                by_slot[groups.slot[group]] += most[group]
        for slot in range(len(by_slot)):
            ceiling += max(by_slot[slot], question.slot_credits[slot])
        out[block] = ceiling
    return out
