"""Why a case is similar: the parts of its similarity and the user's own words behind them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from search.core.postings import Segment
from search.core.reading import SLOTS
from search.core.vectoriser import QueryVector

NOT_RECORDED = "not_recorded"
MOST_WORDS = 8
# Of a share: far finer than ranking, too coarse for what depends on the order of adding up.
DECIMALS = 9
# Half a unit of ranking: what is less comes from rounding.
LEAST_DIFFERENCE = 5e-8


@dataclass(frozen=True)
class Part:
    """share: what the block adds to the similarity, >= 0. matched: strongest first."""

    block: str
    share: float
    matched: tuple[str, ...] = ()


def stored_values(
    segment: Segment, terms: NDArray[np.int64], docs: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Values of some features (-1: unknown) in some cases; shape (len(terms), len(docs)).

    A binary search in all the postings at once: few steps over many pairs cost less than many
    searches of one feature each.
    """
    out = np.zeros((len(terms), len(docs)))
    rows = np.flatnonzero(terms >= 0)
    if not len(rows) or not len(docs):
        return out
    known = terms[rows]
    ends = np.broadcast_to(segment.starts[known + 1][:, None], (len(rows), len(docs)))
    low = np.repeat(segment.starts[known][:, None], len(docs), axis=1)
    high = ends.copy()
    last = len(segment.docs) - 1
    while np.any(open_ := low < high):
        middle = np.minimum((low + high) // 2, last)
        before = open_ & (segment.docs[middle] < docs)
        low = np.where(before, middle + 1, low)
        high = np.where(open_ & ~before, middle, high)
    at = np.minimum(low, last)
    found = (low < ends) & (segment.docs[at] == docs)
    out[rows] = np.where(found, segment.values[at], 0.0)
    return out


def explain(
    query: QueryVector,
    segment: Segment,
    terms: NDArray[np.int64],
    credit_terms: NDArray[np.int64],
    docs: NDArray[np.int64],
) -> list[tuple[Part, ...]]:
    """Parts of each case in `docs`, largest first, `not_recorded` last; empty ones left out."""
    values = stored_values(segment, terms, docs)
    credits = query.base_credit + query.credit_coefficients @ stored_values(
        segment, credit_terms, docs
    )
    silent = (segment.slots[docs][:, None] >> np.arange(len(SLOTS), dtype=np.uint32)) & 1 == 0
    credits += silent @ query.slot_credits
    said = _by_saying(query, query.coefficients[:, None] * values)
    met = _by_saying(query, np.where(values > 0, query.coefficients[:, None], 0.0))
    return [
        _parts_of_one(query, said[:, i], met[:, i], max(0.0, float(credits[i])))
        for i in range(len(docs))
    ]


def _by_saying(query: QueryVector, of_terms: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sums over the terms of each saying: shape (terms, cases) -> (sayings, cases)."""
    out = np.zeros((len(query.sayings), of_terms.shape[1]))
    if len(of_terms):
        order = np.argsort(query.saying_of, kind="stable")
        numbers = query.saying_of[order]
        starts = np.flatnonzero(np.diff(numbers, prepend=-1))
        out[numbers[starts]] = np.add.reduceat(of_terms[order], starts, axis=0)
    return out


def _parts_of_one(
    query: QueryVector, said: NDArray[np.float64], met: NDArray[np.float64], credit: float
) -> tuple[Part, ...]:
    """said, met: what each saying adds, and the coefficients of its terms that the case has."""
    shares: dict[str, float] = {}
    words: dict[str, dict[str, float]] = {}
    for number in np.flatnonzero(said > 0).tolist():
        saying, share = query.sayings[number], float(said[number])
        shares[saying.part] = shares.get(saying.part, 0.0) + share
        reached = share if saying.is_item else float(met[number])
        if saying.said and reached >= saying.told_from * saying.possible:
            told = words.setdefault(saying.part, {})
            told[saying.said] = told.get(saying.said, 0.0) + share
    rounded = ((part, round(share, DECIMALS)) for part, share in shares.items())
    parts = [
        Part(part, share, _strongest(words.get(part, {})))
        for part, share in sorted(rounded, key=lambda pair: (-pair[1], pair[0]))
        if share > 0
    ]
    if (credit := round(credit, DECIMALS)) > 0:
        parts.append(Part(NOT_RECORDED, credit))
    return tuple(parts)


def _strongest(words: dict[str, float]) -> tuple[str, ...]:
    ranked = sorted(words.items(), key=lambda pair: (-pair[1], pair[0]))
    return tuple(word for word, _ in ranked[:MOST_WORDS])


def compare_shares(above: Mapping[str, float], below: Mapping[str, float]) -> dict[str, float]:
    """Why one case ranks above another: share by share, what it has more (or, negative, less).

    Largest first, then by name; equal ones left out. They add up to the difference of the two
    similarities; where that is 0 the order is by id only, and neither case is the better one.
    """
    blocks = {**above, **below}
    gaps = (
        (block, round(above.get(block, 0.0) - below.get(block, 0.0), DECIMALS)) for block in blocks
    )
    told = [(block, gap) for block, gap in gaps if abs(gap) >= LEAST_DIFFERENCE]
    return dict(sorted(told, key=lambda pair: (-pair[1], pair[0])))
