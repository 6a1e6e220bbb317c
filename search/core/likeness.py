"""How alike queries and cases are, block by block: what weights are learned from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from search.core.collecting import Collector
from search.core.design import Design
from search.core.reading import SLOTS
from search.core.vectoriser import QueryVector, Vectoriser

Case = Mapping[str, Any]


@dataclass(frozen=True)
class BlockLikeness:
    """values: shape (queries, cases, blocks), s_b + π_b·n_b of each pair (see `search.core`).
    asks: shape (queries, blocks), whether the query has evidence there."""

    blocks: tuple[str, ...]
    values: NDArray[np.float32]
    asks: NDArray[np.bool_]


class _Counts:
    """N and df of collected cases."""

    def __init__(self, collector: Collector) -> None:
        self._mass = collector.mass
        self._numbers = collector.numbers
        bits = np.array(collector.slots, dtype=np.uint32)[:, None]
        self._slots = ((bits >> np.arange(len(SLOTS), dtype=np.uint32)) & 1).sum(axis=0)

    def masses(self, features: list[str]) -> NDArray[np.float64]:
        places = [self._numbers.get(name, -1) for name in features]
        return np.array([self._mass[at] if at >= 0 else 0.0 for at in places], dtype=np.float64)

    def slot_count(self, slot: str) -> float:
        return float(self._slots[SLOTS.index(slot)])


def collect(cases: Sequence[Case], design: Design) -> Collector:
    """The raw features of all cases, without profiles."""
    collector = Collector(Vectoriser(design))
    for case in cases:
        collector.add(case)
    return collector


def compare_blocks(queries: Sequence[Case], cases: Sequence[Case], design: Design) -> BlockLikeness:
    """Every query with every case in every block, as an index of the cases would."""
    collector = collect(cases, design)
    collector.add_profiles()
    counts = _Counts(collector)
    stored = collector.scaled_rows(counts)
    slots = np.array(collector.slots, dtype=np.uint32)[:, None]
    silent = ((slots >> np.arange(len(SLOTS), dtype=np.uint32)) & 1 == 0).astype(np.float64)
    vectoriser = Vectoriser(design)
    views = [vectoriser.query_view(query, counts) for query in queries]
    blocks = tuple(block.name for block in vectoriser.blocks)
    values = np.zeros((len(queries), len(cases), len(blocks)), dtype=np.float32)
    asks = np.zeros((len(queries), len(blocks)), dtype=bool)
    for number, block in enumerate(blocks):
        only = replace(design, weights={name: float(name == block) for name in design.weights})
        asker = Vectoriser(only)
        vectors = [asker.ask(view, counts) for view in views]
        asks[:, number] = [bool(vector.features) for vector in vectors]
        likeness = _rows(vectors, collector.numbers) @ stored.T
        values[:, :, number] = likeness.toarray()
        values[:, :, number] += np.array([vector.slot_credits for vector in vectors]) @ silent.T
        values[:, :, number] += np.array([vector.base_credit for vector in vectors])[:, None]
    return BlockLikeness(blocks, values.clip(0.0, 1.0), asks)


def _rows(vectors: Sequence[QueryVector], numbers: Mapping[str, int]) -> csr_array:
    """Coefficients of likeness and credit, queries x features; unknown features left out."""
    rows, columns, values = [], [], []
    for row, vector in enumerate(vectors):
        for names, coefficients in (
            (vector.features, vector.coefficients),
            (vector.credit_features, vector.credit_coefficients),
        ):
            for name, coefficient in zip(names, coefficients.tolist(), strict=True):
                if (column := numbers.get(name)) is not None:
                    rows.append(row)
                    columns.append(column)
                    values.append(coefficient)
    return csr_array(
        (np.array(values, dtype=np.float64), (rows, columns)), shape=(len(vectors), len(numbers))
    )
