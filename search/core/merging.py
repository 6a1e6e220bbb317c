"""Several segments made one. Values are not recomputed: the statistics they stand on are one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from search.core.postings import NO_NAME, Segment, TermTable


def merge_segments(parts: Sequence[tuple[Segment, NDArray[np.bool_] | None]]) -> Segment:
    """One segment of the cases that are alive; no id may be alive twice."""
    alive = [np.ones(len(segment), dtype=bool) if mask is None else mask for segment, mask in parts]
    segments = [segment for segment, _ in parts]
    ids = np.concatenate([s.ids[a] for s, a in zip(segments, alive, strict=True)])
    order = np.argsort(ids, kind="stable")
    place = np.empty(len(ids), dtype=np.int32)
    place[order] = np.arange(len(ids), dtype=np.int32)
    names = list(dict.fromkeys(name for s in segments for name in s.terms.all_names()))
    terms, term_order = TermTable.of(names)
    number = {names[i]: new for new, i in enumerate(term_order.tolist())}

    columns, docs, values, first = [], [], [], 0
    for segment, mask in zip(segments, alive, strict=True):
        renamed = np.array([number[name] for name in segment.terms.all_names()], dtype=np.int64)
        of_posting = np.repeat(renamed, np.diff(segment.starts))
        kept = mask[segment.docs]
        moved = first + np.cumsum(mask) - 1
        columns.append(of_posting[kept])
        docs.append(place[moved[segment.docs[kept]]])
        values.append(segment.values[kept])
        first += int(mask.sum())
    column, doc, value = map(np.concatenate, (columns, docs, values))
    by_term = np.lexsort((doc, column))
    counts = np.bincount(column, minlength=len(terms))

    def gather(name: str) -> NDArray[np.int64]:
        joined = [getattr(s, name)[a] for s, a in zip(segments, alive, strict=True)]
        return np.concatenate(joined)[order]

    kinds, unit_kind = _rename(segments, alive, "unit_kind", "unit_kinds")
    makes, make = _rename(segments, alive, "make", "makes")
    return Segment(
        terms=terms,
        starts=np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        docs=doc[by_term].astype(np.int32),
        values=value[by_term].astype(np.float32),
        ids=ids[order],
        slots=gather("slots").astype(np.uint32),
        unit_kind=unit_kind[order],
        make=make[order],
        year=gather("year").astype(np.int32),
        with_outcome=gather("with_outcome").astype(np.uint8),
        cluster=gather("cluster").astype(np.int64),
        unit_kinds=kinds,
        makes=makes,
    )


def _rename(
    segments: Sequence[Segment], alive: Sequence[NDArray[np.bool_]], column: str, table: str
) -> tuple[tuple[str, ...], NDArray[np.int32]]:
    """A column of numbers into per-segment tables, over one table for all."""
    names = tuple(dict.fromkeys(name for s in segments for name in getattr(s, table)))
    out = []
    for segment, mask in zip(segments, alive, strict=True):
        # One more entry, for cases without a name: index -1 finds it.
        renamed = [names.index(name) for name in getattr(segment, table)] + [NO_NAME]
        out.append(np.array(renamed, dtype=np.int32)[getattr(segment, column)[mask]])
    return names, np.concatenate(out)
