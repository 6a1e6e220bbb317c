"""Segments: the cases of an index as plain arrays, sorted so that few of them are touched.

A built index is one segment of memory-mapped arrays; what came since is a few small ones in
memory, made by the same code.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from search.core.reading import SLOTS
from search.core.text import squeeze
from search.core.vectoriser import Collector, Statistics, Vectoriser

NO_YEAR = -1
NO_NAME = -1


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
        at = np.searchsorted(self.hashes, wanted)
        out = np.full(len(features), -1, dtype=np.int64)
        for i, (first, feature) in enumerate(zip(at.tolist(), features, strict=True)):
            term = first
            while term < len(self) and self.hashes[term] == wanted[i]:
                if self.name(term) == feature.encode():
                    out[i] = term
                    break
                term += 1
        return out


@dataclass(frozen=True)
class Segment:
    """Cases in the order of their ids, and for each feature the cases that have it.

    starts: shape (terms + 1,); docs, values: shape (postings,), ascending docs within a feature.
    ids: fixed-width bytes, ascending. slots: bits of what each case records. Filter columns have
    one entry per case; unit_kind and make are numbers into `unit_kinds` and `makes`.
    """

    terms: TermTable
    starts: NDArray[np.int64]
    docs: NDArray[np.int32]
    values: NDArray[np.float32]
    ids: NDArray[np.bytes_]
    slots: NDArray[np.uint32]
    unit_kind: NDArray[np.int32]
    make: NDArray[np.int32]
    year: NDArray[np.int32]
    with_outcome: NDArray[np.uint8]
    cluster: NDArray[np.int64]
    unit_kinds: tuple[str, ...]
    makes: tuple[str, ...]

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
        at = np.searchsorted(self.ids, wanted)
        at = at[at < len(self)]
        return at[np.isin(self.ids[at], wanted)].astype(np.int64)

    def allowed(self, filters: Filters) -> NDArray[np.bool_] | None:
        """Which cases pass, shape (cases,); None where all do."""
        tests: list[NDArray[np.bool_]] = []
        if filters.unit_kind is not None:
            tests.append(self.unit_kind == _number_of(filters.unit_kind, self.unit_kinds))
        if filters.make is not None:
            tests.append(self.make == _number_of(squeeze(filters.make), self.makes))
        if filters.year_min is not None:
            tests.append(self.year >= filters.year_min)
        if filters.year_max is not None:
            tests.append((self.year <= filters.year_max) & (self.year != NO_YEAR))
        if filters.with_outcome:
            tests.append(self.with_outcome != 0)
        if filters.exclude_cluster is not None:
            tests.append(self.cluster != filters.exclude_cluster)
        return np.logical_and.reduce(tests) if tests else None


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


class SegmentBuilder:
    """Takes cases one by one, then makes a segment of them."""

    def __init__(self, vectoriser: Vectoriser) -> None:
        self._collector = Collector(vectoriser)
        self._ids: list[bytes] = []
        self._columns: dict[str, list[int]] = {
            name: [] for name in ("unit_kind", "make", "year", "with_outcome", "cluster")
        }
        self._unit_kinds: dict[str, int] = {}
        self._makes: dict[str, int] = {}

    def add(self, case: Mapping[str, Any]) -> None:
        self._collector.add(case)
        self._ids.append(str(case["id"]).encode())
        kind, make = case.get("unit_kind"), squeeze(str(case.get("make") or ""))
        year, cluster = case.get("year"), case.get("cluster")
        columns = self._columns
        columns["unit_kind"].append(_numbered(kind, self._unit_kinds))
        columns["make"].append(_numbered(make, self._makes))
        columns["year"].append(NO_YEAR if year is None else int(year))
        columns["with_outcome"].append(int(bool(case.get("with_outcome"))))
        columns["cluster"].append(0 if cluster is None else int(cluster))

    def finish(self, statistics: Statistics | None) -> tuple[Segment, BuiltStatistics | None]:
        """The segment; with `statistics` None also its own, by which it was then scaled."""
        ids = np.array(self._ids, dtype=np.bytes_)
        by_id = np.argsort(ids, kind="stable")
        ids = ids[by_id]
        if len(ids) > 1 and bool(np.any(ids[1:] == ids[:-1])):
            raise ValueError("two cases have the same id")
        collector = self._collector
        collector.add_profiles()
        terms, order = TermTable.of(list(collector.numbers))
        slots = np.array(collector.slots, dtype=np.uint32)
        own = None
        if statistics is None:
            bits = (slots[:, None] >> np.arange(len(SLOTS), dtype=np.uint32)) & np.uint32(1)
            mass = np.array(collector.mass, dtype=np.float64)[order]
            own = BuiltStatistics(terms, mass, bits.sum(axis=0).astype(np.float64))
            statistics = own
        starts, docs, values = _invert(collector, statistics, order, by_id)
        column = {name: np.array(column)[by_id] for name, column in self._columns.items()}
        segment = Segment(
            terms=terms,
            starts=starts,
            docs=docs,
            values=values,
            ids=ids,
            slots=slots[by_id],
            unit_kind=column["unit_kind"].astype(np.int32),
            make=column["make"].astype(np.int32),
            year=column["year"].astype(np.int32),
            with_outcome=column["with_outcome"].astype(np.uint8),
            cluster=column["cluster"].astype(np.int64),
            unit_kinds=tuple(self._unit_kinds),
            makes=tuple(self._makes),
        )
        return segment, own


def _numbered(name: str | None, numbers: dict[str, int]) -> int:
    return numbers.setdefault(name, len(numbers)) if name else NO_NAME


def _invert(
    collector: Collector,
    statistics: Statistics,
    order: NDArray[np.int64],
    by_id: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int32], NDArray[np.float32]]:
    """Rows of cases -> columns of features: (starts, docs, values)."""
    cases, features = len(by_id), len(order)
    if not len(collector.terms):
        empty = np.zeros(features + 1, dtype=np.int64)
        return empty, np.empty(0, dtype=np.int32), np.empty(0, dtype=np.float32)
    place = np.empty(features, dtype=np.int32)
    place[order] = np.arange(features, dtype=np.int32)
    columns = place[np.frombuffer(collector.terms, dtype=np.int32)]
    row_starts = np.concatenate([[0], np.frombuffer(collector.row_ends, dtype=np.int64)])
    rows = csr_array(
        (collector.scaled_values(statistics), columns, row_starts), shape=(cases, features)
    )
    if not np.array_equal(by_id, np.arange(cases)):
        rows = rows[by_id]
    inverted = rows.tocsc()
    return (
        inverted.indptr.astype(np.int64),
        inverted.indices.astype(np.int32, copy=False),
        inverted.data.astype(np.float32, copy=False),
    )
