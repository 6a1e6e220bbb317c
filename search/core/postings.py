"""Segments: the cases of an index as plain arrays, sorted so that few of them are touched.

A built index is one segment of memory-mapped arrays; what came since is a few small ones in
memory, made by the same code.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from search.core.bounds import BLOCK_CASES, make_bounds
from search.core.collecting import Collector, csr_rows
from search.core.kernel import freeze
from search.core.loops.shapes import ANY, Bounds, Columns, Rows, Wanted
from search.core.reading import SLOTS
from search.core.text import squeeze
from search.core.vectoriser import Statistics, Vectoriser

NO_YEAR = -1
NO_NAME = -1
_PIECE = 4_000_000


@dataclass(frozen=True)
class Filters:
    """What an answer must fulfil. None and False: anything."""

    unit_kind: str | None = None
    make: str | None = None
    year_min: int | None = None
    year_max: int | None = None
    with_outcome: bool = False
    exclude_cluster: int | None = None


def hash_features(features: Sequence[str]) -> NDArray[np.uint64]:
    """64-bit hashes, shape (n,): where to look, not proof of equality."""
    digest = b"".join(
        hashlib.blake2b(feature.encode(), digest_size=8).digest() for feature in features
    )
    return np.frombuffer(digest, dtype="<u8").astype(np.uint64)


@dataclass(frozen=True)
class TermTable:
    """Features of a segment in the order of their hashes.

    hashes: shape (terms,), ascending. names: their UTF-8 text end to end; name_ends: where each
    ends, shape (terms,).
    """

    hashes: NDArray[np.uint64]
    names: NDArray[np.uint8]
    name_ends: NDArray[np.int64]

    @classmethod
    def of(cls, features: Sequence[str]) -> tuple[TermTable, NDArray[np.int64]]:
        """The table, and the order in which it took the features, shape (n,)."""
        hashes = hash_features(features)
        order = np.argsort(hashes, kind="stable")
        encoded = [features[i].encode() for i in order]
        names = np.frombuffer(b"".join(encoded), dtype=np.uint8)
        ends = np.cumsum(np.array([len(name) for name in encoded], dtype=np.int64))
        return cls(hashes[order], names, ends), order

    def __len__(self) -> int:
        return len(self.hashes)

    def name(self, term: int) -> bytes:
        start = int(self.name_ends[term - 1]) if term else 0
        return self.names[start : int(self.name_ends[term])].tobytes()

    def all_names(self) -> list[str]:
        return [self.name(term).decode() for term in range(len(self))]

    def find(
        self, features: Sequence[str], hashes: NDArray[np.uint64] | None = None
    ) -> NDArray[np.int64]:
        """Number of each feature, -1 where the segment has none; shape (n,)."""
        wanted = hash_features(features) if hashes is None else hashes
        out = np.full(len(features), -1, dtype=np.int64)
        if not len(self):
            return out
        at = np.minimum(np.searchsorted(self.hashes, wanted), len(self) - 1)
        likely = np.flatnonzero(self.hashes[at] == wanted)
        terms = at[likely]
        ends = self.name_ends[terms].tolist()
        begins = np.where(terms > 0, self.name_ends[terms - 1], 0).tolist()
        for i, term, begin, end in zip(likely.tolist(), terms.tolist(), begins, ends, strict=True):
            sought = features[i].encode()
            if self.names[begin:end].tobytes() == sought:
                out[i] = term
            else:
                out[i] = self._find_beyond(term, sought, wanted[i])
        return out

    def _find_beyond(self, term: int, sought: bytes, hash_: np.uint64) -> int:
        """The next one with the same hash, if it has the name; else -1."""
        while term + 1 < len(self) and self.hashes[term + 1] == hash_:
            term += 1
            if self.name(term) == sought:
                return term
        return -1


@dataclass(frozen=True)
class Segment:
    """Cases, and for each feature the cases that have it.

    Like cases lie together (by unit kind, then family, then id), so that a search can pass over
    many at once. starts: shape (terms + 1,); docs, values: shape (postings,), ascending docs
    within a feature; rows: the same by case. ids: fixed-width bytes; by_id: positions in the
    order of the ids; rank: the place of each case in that order. slots: bits of what each case
    records. Filter columns have one entry per case; unit_kind and make are numbers into
    `unit_kinds` and `makes`. bounds: None in a small segment.
    """

    terms: TermTable
    starts: NDArray[np.int64]
    docs: NDArray[np.int32]
    values: NDArray[np.float32]
    rows: Rows
    block_of: NDArray[np.uint8]
    ids: NDArray[np.bytes_]
    by_id: NDArray[np.int32]
    rank: NDArray[np.int32]
    slots: NDArray[np.uint32]
    unit_kind: NDArray[np.int32]
    make: NDArray[np.int32]
    year: NDArray[np.int32]
    with_outcome: NDArray[np.uint8]
    cluster: NDArray[np.int64]
    unit_kinds: tuple[str, ...]
    makes: tuple[str, ...]
    bounds: Bounds | None = None

    def __len__(self) -> int:
        return len(self.ids)

    def id(self, doc: int) -> str:
        return bytes(self.ids[doc]).decode()

    def find_ids(self, ids: Iterable[str]) -> NDArray[np.int64]:
        """Positions of those ids that are here, in no particular order."""
        # Longer ones can't be here, and numpy would compare them cut short.
        width = self.ids.dtype.itemsize
        wanted = np.array(
            [raw for raw in (i.encode() for i in ids) if len(raw) <= width], dtype=self.ids.dtype
        )
        if not len(self) or not len(wanted):
            return np.empty(0, dtype=np.int64)
        at = np.searchsorted(self.ids, wanted, sorter=self.by_id)
        found = self.by_id[at[at < len(self)]]
        return found[np.isin(self.ids[found], wanted)].astype(np.int64)

    @cached_property
    def columns(self) -> Columns:
        """What the loops read of the cases, as they want it."""
        names = (name for name in Columns._fields)
        return freeze(Columns(**{name: getattr(self, name) for name in names}))  # type: ignore[no-any-return]

    @cached_property
    def frozen_rows(self) -> Rows:
        return freeze(self.rows)  # type: ignore[no-any-return]

    @cached_property
    def frozen_bounds(self) -> Bounds | None:
        return None if self.bounds is None else freeze(self.bounds)

    def wanted(self, filters: Filters) -> Wanted:
        """The filters by the numbers of this segment."""
        kind, make, low = filters.unit_kind, filters.make, filters.year_min
        if filters.year_max is not None:
            low = max(NO_YEAR + 1, filters.year_min or 0)  # a case without a year is in no span
        return Wanted(
            unit_kind=ANY if kind is None else _number_of(kind, self.unit_kinds),
            make=ANY if make is None else _number_of(squeeze(make), self.makes),
            year_min=NO_YEAR if low is None else low,
            year_max=2**31 - 1 if filters.year_max is None else filters.year_max,
            with_outcome=int(filters.with_outcome),
            without_cluster=int(filters.exclude_cluster is not None),
            cluster=filters.exclude_cluster or 0,
        )


def _number_of(name: str, names: Sequence[str]) -> int:
    """A number no case has where the name is unknown: the filter then lets nothing through."""
    return names.index(name) if name in names else NO_NAME - 1


@dataclass(frozen=True)
class BuiltStatistics:
    """N and df as they were when the index was built; kept beside its first segment."""

    terms: TermTable
    mass: NDArray[np.float64]
    slot_counts: NDArray[np.float64]

    def masses(self, features: list[str]) -> NDArray[np.float64]:
        found = self.terms.find(features)
        out = np.zeros(len(features))
        out[found >= 0] = self.mass[found[found >= 0]]
        return out

    def slot_count(self, slot: str) -> float:
        return float(self.slot_counts[SLOTS.index(slot)])

    def over(self, terms: TermTable) -> BuiltStatistics:
        """The same, by the numbers of a table that has all of these terms and perhaps more."""
        mass = np.zeros(len(terms))
        if bool(np.any(terms.hashes[1:] == terms.hashes[:-1])):  # as good as never
            mass[terms.find(self.terms.all_names())] = self.mass
        else:
            mass[np.searchsorted(terms.hashes, self.terms.hashes)] = self.mass
        return BuiltStatistics(terms, mass, self.slot_counts)


class SegmentBuilder:
    """Takes cases one by one, then makes a segment of them."""

    def __init__(self, vectoriser: Vectoriser, *, block_cases: int = BLOCK_CASES) -> None:
        self._collector = Collector(vectoriser)
        self._block_cases = block_cases
        self._ids: list[bytes] = []
        self._columns: dict[str, list[int]] = {
            name: [] for name in ("unit_kind", "family", "make", "year", "with_outcome", "cluster")
        }
        self._unit_kinds: dict[str, int] = {}
        self._makes: dict[str, int] = {}
        self._families: dict[str, int] = {}

    def add(self, case: Mapping[str, Any]) -> None:
        self._collector.add(case)
        self._ids.append(str(case["id"]).encode())
        kind, make = case.get("unit_kind"), squeeze(str(case.get("make") or ""))
        year, cluster = case.get("year"), case.get("cluster")
        columns = self._columns
        columns["unit_kind"].append(_numbered(kind, self._unit_kinds))
        family = squeeze(str(case.get("unit_family") or ""))
        columns["family"].append(_numbered(family, self._families))
        columns["make"].append(_numbered(make, self._makes))
        columns["year"].append(NO_YEAR if year is None else int(year))
        columns["with_outcome"].append(int(bool(case.get("with_outcome"))))
        columns["cluster"].append(0 if cluster is None else int(cluster))

    def finish(self, statistics: Statistics | None) -> tuple[Segment, BuiltStatistics | None]:
        """The segment; with `statistics` None also its own, by which it was then scaled."""
        ids = np.array(self._ids, dtype=np.bytes_)
        column = {name: np.array(v, dtype=np.int64) for name, v in self._columns.items()}
        kinds = _places(self._unit_kinds)[column["unit_kind"]]
        families = _places(self._families)[column["family"]]
        order = np.lexsort((ids, families, kinds))
        ids = ids[order]
        by_id, rank = rank_ids(ids)
        collector = self._collector
        collector.add_profiles()  # closes the last piece: now all features are known
        terms, term_order = TermTable.of(list(collector.numbers))
        slots = np.array(collector.slots, dtype=np.uint32)
        own = None
        if statistics is None:
            bits = (slots[:, None] >> np.arange(len(SLOTS), dtype=np.uint32)) & np.uint32(1)
            mass = collector.mass[term_order]
            own = BuiltStatistics(terms, mass, bits.sum(axis=0).astype(np.float64))
            statistics = own
        rows, starts, docs, values = _invert(collector, statistics, term_order, order)
        slots = slots[order]
        block_of = np.frombuffer(collector.block_of, dtype=np.int8).astype(np.uint8)[term_order]
        segment = Segment(
            terms=terms,
            starts=starts,
            docs=docs,
            values=values,
            rows=rows,
            block_of=block_of,
            ids=ids,
            by_id=by_id,
            rank=rank,
            slots=slots,
            unit_kind=column["unit_kind"][order].astype(np.int32),
            make=column["make"][order].astype(np.int32),
            year=column["year"][order].astype(np.int32),
            with_outcome=column["with_outcome"][order].astype(np.uint8),
            cluster=column["cluster"][order].astype(np.int64),
            unit_kinds=tuple(self._unit_kinds),
            makes=tuple(self._makes),
            bounds=make_bounds(
                starts=starts,
                docs=docs,
                values=values,
                rows=rows,
                slots=slots,
                block_of=block_of,
                block_cases=self._block_cases,
            ),
        )
        return segment, own


def rank_ids(ids: NDArray[np.bytes_]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """(positions in the order of the ids, place of each). Raises ValueError for equal ids."""
    by_id = np.argsort(ids, kind="stable").astype(np.int32)
    ordered = ids[by_id]
    if len(ids) > 1 and bool(np.any(ordered[1:] == ordered[:-1])):
        raise ValueError("two cases have the same id")
    rank = np.empty(len(ids), dtype=np.int32)
    rank[by_id] = np.arange(len(ids), dtype=np.int32)
    return by_id, rank


def _places(numbers: Mapping[str, int]) -> NDArray[np.int64]:
    """Alphabetical place of each number; the last one for cases without a name (index -1)."""
    names = list(numbers)
    out = np.full(len(names) + 1, len(names), dtype=np.int64)
    out[np.array(sorted(range(len(names)), key=names.__getitem__), dtype=np.int64)] = np.arange(
        len(names)
    )
    return out


def _numbered(name: str | None, numbers: dict[str, int]) -> int:
    return numbers.setdefault(name, len(numbers)) if name else NO_NAME


def _invert(
    collector: Collector,
    statistics: Statistics,
    term_order: NDArray[np.int64],
    order: NDArray[np.int64],
) -> tuple[Rows, NDArray[np.int64], NDArray[np.int32], NDArray[np.float32]]:
    """Rows of cases, in the segment's order, and columns of features: (rows, starts, docs,
    values)."""
    cases, features = len(order), len(term_order)
    place = np.empty(features, dtype=np.int32)
    place[term_order] = np.arange(features, dtype=np.int32)
    lengths = collector.lengths
    starts = np.concatenate([[0], np.cumsum(lengths[order])]).astype(np.int64)
    begins = np.empty(cases, dtype=np.int64)  # of each case, in the order of the collector
    begins[order] = starts[:-1]
    terms = np.empty(int(starts[-1]), dtype=np.int32)
    values = np.empty(len(terms), dtype=np.float32)
    first = 0
    for piece in collector.take_scaled(statistics):
        here = slice(first, first + len(piece.ends))
        first = here.stop
        shift = begins[here] - (piece.ends - lengths[here])
        at = np.arange(len(piece.terms)) + np.repeat(shift, lengths[here])
        terms[at] = place[piece.terms]
        values[at] = piece.values
    by_term = csr_rows(terms, values, starts, features).tocsc()
    return (
        Rows(starts, terms, values),
        by_term.indptr.astype(np.int64),
        by_term.indices.astype(np.int32, copy=False),
        by_term.data.astype(np.float32, copy=False),
    )
