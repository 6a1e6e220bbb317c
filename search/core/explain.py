"""Why a case is similar: the parts of its similarity and the user's own words behind them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from search.core.postings import Segment
from search.core.reading import SLOTS
from search.core.vectoriser import QueryVector

NOT_RECORDED = "not_recorded"
MOST_WORDS = 8


@dataclass(frozen=True)
class Part:
    """share: what the block adds to the similarity, >= 0. matched: strongest first."""

    block: str
    share: float
    matched: tuple[str, ...] = ()


def stored_values(
    segment: Segment, terms: NDArray[np.int64], docs: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Values of some features (-1: unknown) in some cases; shape (len(terms), len(docs))."""
    out = np.zeros((len(terms), len(docs)))
    for row, term in enumerate(terms.tolist()):
        if term < 0:
            continue
        span = slice(int(segment.starts[term]), int(segment.starts[term + 1]))
        having = segment.docs[span]
        if not len(having):
            continue
        at = np.minimum(np.searchsorted(having, docs), len(having) - 1)
        out[row] = np.where(having[at] == docs, segment.values[span][at], 0.0)
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
    return [
        _parts_of_one(query, values[:, i], max(0.0, float(credits[i]))) for i in range(len(docs))
    ]


def _parts_of_one(
    query: QueryVector, values: NDArray[np.float64], credit: float
) -> tuple[Part, ...]:
    contributions = query.coefficients * values
    said = np.bincount(query.saying_of, weights=contributions, minlength=len(query.sayings))
    met = np.bincount(
        query.saying_of,
        weights=np.where(values > 0, query.coefficients, 0.0),
        minlength=len(query.sayings),
    )
    shares: dict[str, float] = {}
    words: dict[str, dict[str, float]] = {}
    for number, saying in enumerate(query.sayings):
        share = float(said[number])
        if share <= 0:
            continue
        shares[saying.part] = shares.get(saying.part, 0.0) + share
        reached = share if saying.is_item else float(met[number])
        if saying.said and reached >= saying.told_from * saying.possible:
            told = words.setdefault(saying.part, {})
            told[saying.said] = told.get(saying.said, 0.0) + share
    parts = [
        Part(part, share, _strongest(words.get(part, {})))
        for part, share in sorted(shares.items(), key=lambda pair: (-pair[1], pair[0]))
    ]
    if credit > 0:
        parts.append(Part(NOT_RECORDED, credit))
    return tuple(parts)


def _strongest(words: dict[str, float]) -> tuple[str, ...]:
    ranked = sorted(words.items(), key=lambda pair: (-pair[1], pair[0]))
    return tuple(word for word, _ in ranked[:MOST_WORDS])


def total(parts: Sequence[Part]) -> float:
    return min(1.0, sum(part.share for part in parts))
