"""One case: whether it passes the filters, and its exact similarity from its own row."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from search.core.loops.shapes import ANY, TABLE, Columns, Ints, Question, Rows, Singles, Wanted


def passes(doc: int, wanted: Wanted, columns: Columns, alive: NDArray[np.uint8]) -> bool:
    if len(alive) > 0 and alive[doc] == 0:
        return False
    if wanted.unit_kind != ANY and columns.unit_kind[doc] != wanted.unit_kind:
        return False
    if wanted.make != ANY and columns.make[doc] != wanted.make:
        return False
    if columns.year[doc] < wanted.year_min or columns.year[doc] > wanted.year_max:
        return False
    if wanted.with_outcome != 0 and columns.with_outcome[doc] == 0:
        return False
    return wanted.without_cluster == 0 or columns.cluster[doc] != wanted.cluster


def credit_by_slots(slots: int, question: Question) -> float:
    credit = question.base_credit
    for slot in range(len(question.slot_credits)):
        if (slots >> slot) & 1 == 0:
            credit += question.slot_credits[slot]
    return credit


def place_of(term: int, table: NDArray[np.int16], terms: Ints) -> int:
    """Where a term stands in the query, -1 for nowhere."""
    at = ((np.int64(term) * 2_654_435_761) >> 20) & (TABLE - 1)
    while table[at] >= 0:
        if terms[table[at]] == term:
            return np.int64(table[at])  # type: ignore[return-value]
        at = (at + 1) & (TABLE - 1)
    return -1


def make_table(terms: Ints) -> NDArray[np.int16]:
    """Open addressing: a term's number to its first place among the query's."""
    table = np.full(TABLE, -1, dtype=np.int16)
    for i in range(len(terms)):
        if place_of(terms[i], table, terms) < 0:
            at = ((np.int64(terms[i]) * 2_654_435_761) >> 20) & (TABLE - 1)
            while table[at] >= 0:
                at = (at + 1) & (TABLE - 1)
            table[at] = i
    return table


def similarity_of(
    doc: int,
    question: Question,
    columns: Columns,
    rows: Rows,
    table: NDArray[np.int16],
    terms: Ints,
    places: Ints,
    found: Singles,
) -> float:
    """Exact, from the case's own row; -inf where the two have nothing in common.

    terms: all of the query's; places: of each in `found`, which is zero before and after.
    """
    for j in range(rows.starts[doc], rows.starts[doc + 1]):
        place = place_of(rows.terms[j], table, terms)
        if place >= 0:
            found[place] = rows.values[j]
    alike = 0.0
    for i in range(len(question.factors)):
        if found[places[i]] != 0.0:
            alike += question.factors[i] * np.float64(found[places[i]])
    credit = 0.0
    for i in range(len(question.credit_factors)):
        value = found[places[len(question.factors) + i]]
        if value != 0.0:
            credit += question.credit_factors[i] * np.float64(value)
    found[:] = 0.0
    if alike <= 0.0:
        return -np.inf
    return alike + (credit + credit_by_slots(columns.slots[doc], question))
