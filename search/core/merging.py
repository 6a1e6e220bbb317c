"""Several segments made one. Values are not recomputed: the statistics they stand on are one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from search.core.bounds import BLOCK_CASES, make_bounds
from search.core.loops.shapes import Rows
from search.core.postings import NO_NAME, Segment, TermTable, rank_ids

Mask = NDArray[np.bool_]


def merge_segments(
    parts: Sequence[tuple[Segment, Mask | None]], *, block_cases: int = BLOCK_CASES
) -> Segment:
    """One segment of the cases that are alive; no id may be alive twice.

    Cases of a kind stay together, in the order in which the segments have them.
    """
    alive = [np.ones(len(segment), dtype=bool) if mask is None else mask for segment, mask in parts]
    segments = [segment for segment, _ in parts]

    def gather(name: str) -> NDArray[np.generic]:
        return np.concatenate([getattr(s, name)[a] for s, a in zip(segments, alive, strict=True)])

    kinds, unit_kind = _rename(segments, alive, "unit_kind", "unit_kinds")
    makes, make = _rename(segments, alive, "make", "makes")
    order = np.argsort(unit_kind, kind="stable")
    terms, block_of, renamed = _join_terms(segments)
    rows = _join_rows(segments, alive, renamed, order)
    ids = np.asarray(gather("ids")[order])
    by_id, rank = rank_ids(ids)
    slots = gather("slots")[order].astype(np.uint32)
    shape = (len(ids), len(terms))
    by_term = csr_array((rows.values, rows.terms, rows.starts), shape=shape).tocsc()
    starts = by_term.indptr.astype(np.int64)
    docs = by_term.indices.astype(np.int32, copy=False)
    return Segment(
        terms=terms,
        starts=starts,
        docs=docs,
        values=by_term.data,
        rows=rows,
        block_of=block_of,
        ids=ids,
        by_id=by_id,
        rank=rank,
        slots=slots,
        unit_kind=unit_kind[order],
        make=make[order],
        year=gather("year")[order].astype(np.int32),
        with_outcome=gather("with_outcome")[order].astype(np.uint8),
        cluster=gather("cluster")[order].astype(np.int64),
        unit_kinds=kinds,
        makes=makes,
        bounds=make_bounds(
            starts=starts,
            docs=docs,
            values=by_term.data,
            rows=rows,
            slots=slots,
            block_of=block_of,
            block_cases=block_cases,
        ),
    )


def _join_terms(
    segments: Sequence[Segment],
) -> tuple[TermTable, NDArray[np.uint8], list[NDArray[np.int32]]]:
    """One table, the block of each of its terms, and the new numbers of each segment's terms."""
    names: dict[str, int] = {}
    blocks: list[int] = []
    for segment in segments:
        for name, block in zip(segment.terms.all_names(), segment.block_of.tolist(), strict=True):
            if name not in names:
                names[name] = len(names)
                blocks.append(block)
    terms, order = TermTable.of(list(names))
    place = np.empty(len(names), dtype=np.int32)
    place[order] = np.arange(len(names), dtype=np.int32)
    renamed = [
        place[np.array([names[name] for name in segment.terms.all_names()], dtype=np.int64)]
        for segment in segments
    ]
    return terms, np.array(blocks, dtype=np.uint8)[order], renamed


def _join_rows(
    segments: Sequence[Segment],
    alive: Sequence[Mask],
    renamed: Sequence[NDArray[np.int32]],
    order: NDArray[np.int64],
) -> Rows:
    lengths, terms, values = [], [], []
    for segment, mask, numbers in zip(segments, alive, renamed, strict=True):
        length = np.diff(segment.rows.starts)
        kept = np.repeat(mask, length)
        lengths.append(length[mask])
        terms.append(numbers[segment.rows.terms[kept]])
        values.append(segment.rows.values[kept])
    starts = np.concatenate([[0], np.cumsum(np.concatenate(lengths))]).astype(np.int64)
    width = max((len(numbers) for numbers in renamed), default=0)
    width = max(width, 1 + int(max((n.max() for n in renamed if len(n)), default=0)))
    joined = csr_array(
        (np.concatenate(values), np.concatenate(terms), starts), shape=(len(order), width)
    )[order]
    return Rows(
        joined.indptr.astype(np.int64),
        joined.indices.astype(np.int32, copy=False),
        joined.data.astype(np.float32, copy=False),
    )


def _rename(
    segments: Sequence[Segment], alive: Sequence[Mask], column: str, table: str
) -> tuple[tuple[str, ...], NDArray[np.int32]]:
    """A column of numbers into per-segment tables, over one table for all."""
    names = tuple(dict.fromkeys(name for s in segments for name in getattr(s, table)))
    out = []
    for segment, mask in zip(segments, alive, strict=True):
        # One more entry, for cases without a name: index -1 finds it.
        renamed = [names.index(name) for name in getattr(segment, table)] + [NO_NAME]
        out.append(np.array(renamed, dtype=np.int32)[getattr(segment, column)[mask]])
    return names, np.concatenate(out)
