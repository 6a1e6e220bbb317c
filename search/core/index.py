"""The index: one built segment, small ones for what came since, and masks for what is gone."""

from __future__ import annotations

import gc
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from search.core import storage
from search.core.blocks.text import word_feature
from search.core.bounds import BLOCK_CASES
from search.core.design import Design
from search.core.explain import Part, explain
from search.core.kernel import SCALE, Task, find_best
from search.core.loops.shapes import Question
from search.core.merging import merge_segments
from search.core.postings import (
    BuiltStatistics,
    Filters,
    Segment,
    SegmentBuilder,
)
from search.core.vectoriser import QueryVector, Vectoriser

# Small segments beyond this many are merged: each costs a look-up of the query's terms.
MOST_TAIL_SEGMENTS = 6


@contextmanager
def _without_garbage_collection() -> Iterator[None]:
    """Millions of small objects are made and kept: looking through them again and again for
    cycles, of which there are none, costs a third of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


@dataclass(frozen=True)
class Hit:
    """One similar case. parts add up to the similarity; empty where not asked for."""

    id: str
    similarity: float
    parts: tuple[Part, ...] = ()


@dataclass(frozen=True)
class _Layer:
    """A segment and which of its cases still count; None for all."""

    segment: Segment
    alive: NDArray[np.bool_] | None = None

    def without(self, ids: Iterable[str]) -> _Layer:
        gone = self.segment.find_ids(ids)
        if not len(gone):
            return self
        alive = np.ones(len(self.segment), dtype=bool) if self.alive is None else self.alive.copy()
        alive[gone] = False
        return replace(self, alive=alive)

    def count(self, term: int) -> int:
        """How many of its cases have the feature."""
        start, end = self.segment.starts[term : term + 2].tolist()
        if self.alive is None:
            return int(end - start)
        return int(np.count_nonzero(self.alive[self.segment.docs[start:end]]))

    @property
    def cases(self) -> int:
        return len(self.segment) if self.alive is None else int(self.alive.sum())


@dataclass(frozen=True)
class CaseIndex:
    """Immutable: `with_tail` gives another one that shares the arrays. Safe between threads.

    meta: whatever the builder wants to find again (JSON values).
    """

    vectoriser: Vectoriser
    statistics: BuiltStatistics
    layers: tuple[_Layer, ...]
    meta: Mapping[str, Any] = field(default_factory=dict)

    @property
    def design(self) -> Design:
        return self.vectoriser.design

    # --- Making, keeping ----------------------------------------------------------------------

    @classmethod
    def build(
        cls,
        cases: Iterable[Mapping[str, Any]],
        *,
        design: Design,
        meta: Mapping[str, Any] | None = None,
        block_cases: int = BLOCK_CASES,
    ) -> CaseIndex:
        """An index of these cases. Raises ValueError where two have the same id.

        block_cases: so many are searched at a time; a matter of speed, not of answers.
        """
        vectoriser = Vectoriser(design)
        builder = SegmentBuilder(vectoriser, block_cases=block_cases)
        with _without_garbage_collection():
            for case in cases:
                builder.add(case)
        segment, statistics = builder.finish(None)
        assert statistics is not None  # noqa: S101 - asked for with None
        return cls(vectoriser, statistics, (_Layer(segment),), dict(meta or {}))

    def save(self, directory: Path) -> None:
        """Write the built segment (not the tail) into a new directory, durably and whole."""
        storage.save(
            directory, self.layers[0].segment, self.statistics, self.design, dict(self.meta)
        )

    @classmethod
    def open(cls, directory: Path) -> CaseIndex:
        """Memory-map a saved index after checking it. Raises `storage.IndexDamaged`."""
        segment, statistics, design, meta = storage.load(directory)
        return cls(Vectoriser(design), statistics, (_Layer(segment),), meta)

    def with_query_design(self, design: Design) -> CaseIndex:
        """Today's weights and credits, over what is stored."""
        mixed = replace(
            self.design,
            weights=design.weights,
            credits=design.credits,
            neighbour_alikeness=design.neighbour_alikeness,
        )
        return replace(self, vectoriser=Vectoriser(mixed))

    def with_tail(
        self, cases: Iterable[Mapping[str, Any]], removed_ids: Iterable[str] = ()
    ) -> CaseIndex:
        """Newer cases added (in place of those with the same id) and removed ones masked.

        An id both added and removed is there: its case came back.
        """
        newer = {str(case["id"]): case for case in cases}
        gone = set(removed_ids) | set(newer)
        layers = [layer.without(gone) for layer in self.layers] if gone else list(self.layers)
        if newer:
            builder = SegmentBuilder(self.vectoriser)
            for case in newer.values():
                builder.add(case)
            layers.append(_Layer(builder.finish(self.statistics)[0]))
        base, tail = layers[0], [layer for layer in layers[1:] if layer.cases]
        if len(tail) > MOST_TAIL_SEGMENTS:
            tail = [_Layer(merge_segments([(layer.segment, layer.alive) for layer in tail]))]
        return replace(self, layers=(base, *tail))

    def merged(self, meta: Mapping[str, Any]) -> CaseIndex:
        """The built cases and the tail as one built segment, of those that are still there.

        Statistics stay those of the last full build, and so every stored value and every answer:
        a feature that is new since then keeps the rarity of one never seen.
        """
        base = self.layers[0].segment
        segment = merge_segments(
            [(layer.segment, layer.alive) for layer in self.layers],
            block_cases=BLOCK_CASES if base.bounds is None else base.bounds.block_cases,
        )
        return CaseIndex(
            self.vectoriser, self.statistics.over(segment.terms), (_Layer(segment),), dict(meta)
        )

    # --- Asking -------------------------------------------------------------------------------

    def __len__(self) -> int:
        return sum(layer.cases for layer in self.layers)

    @property
    def built_cases(self) -> int:
        return len(self.layers[0].segment)

    def search(
        self,
        query: Mapping[str, Any],
        *,
        limit: int = 20,
        filters: Filters | None = None,
        exclude: Iterable[str] = (),
        explained: int | None = None,
    ) -> list[Hit]:
        """The `limit` most similar cases, best first, ties by id; the first `explained` of them
        (None: all) with parts. Cases that have nothing in common with the query are left out.
        Raises ValueError unless limit >= 1.
        """
        if limit < 1:
            raise ValueError(f"limit must be at least 1, got {limit!r}")
        vector = self.vectoriser.read_query(query, self.statistics, self._know_words)
        if not vector.features:
            return []
        filters, excluded = filters or Filters(), list(exclude)
        asked = [
            _Asked(layer.without(excluded) if excluded else layer, vector) for layer in self.layers
        ]
        ranked: list[tuple[int, str, int, int]] = []
        for number, one in enumerate(asked):
            best = find_best(one.task(filters, limit))
            ranked += [
                (-key, one.segment.id(doc), number, doc)
                for key, doc in zip(best.keys.tolist(), best.docs.tolist(), strict=True)
            ]
        ranked.sort()
        ranked = ranked[:limit]
        parts = _explain(asked, ranked[: limit if explained is None else explained])
        return [
            Hit(id_, -key / SCALE, parts.get((number, doc), ())) for key, id_, number, doc in ranked
        ]

    def unknown_words(self, query: Mapping[str, Any]) -> list[str]:
        """Words of the query's complaint, as written, that no case has, in the text's order;
        without those that were read as a word one slip away."""
        view = self.vectoriser.query_view(query, self.statistics, self._know_words)
        said = {token.word: token.said for token in reversed(view.tokens)}
        words = list(said)[::-1]
        counts = self._count_words(words)
        unknown = (said[word] for word, count in zip(words, counts, strict=True) if not count)
        return list(dict.fromkeys(unknown))

    def _know_words(self, words: list[str]) -> NDArray[np.float64]:
        """In how many cases each stem stands now or stood at the build, whichever is more: what
        was a word then is no slip because its cases left."""
        stood = self.statistics.masses(list(map(word_feature, words)))
        return np.maximum(self._count_words(words), stood)

    def _count_words(self, words: list[str]) -> NDArray[np.float64]:
        """In how many cases that still count each stem stands, built or newer; shape (words,)."""
        features = list(map(word_feature, words))
        counts = np.zeros(len(words))
        for layer in self.layers:
            for place, term in enumerate(layer.segment.terms.find(features).tolist()):
                if term >= 0:
                    counts[place] += layer.count(term)
        return counts


_ALL: NDArray[np.uint8] = np.empty(0, dtype=np.uint8)


class _Asked:
    """A query put to one layer: its terms looked up once."""

    def __init__(self, layer: _Layer, vector: QueryVector) -> None:
        self.segment, self.alive, self.vector = layer.segment, layer.alive, vector
        self.terms = self.segment.terms.find(vector.features)
        self.credit_terms = self.segment.terms.find(vector.credit_features)

    def task(self, filters: Filters, limit: int) -> Task:
        segment, vector = self.segment, self.vector
        known, known_credit = self.terms >= 0, self.credit_terms >= 0
        question = Question(
            terms=self.terms[known],
            factors=vector.coefficients[known],
            credit_terms=self.credit_terms[known_credit],
            credit_factors=vector.credit_coefficients[known_credit],
            slot_credits=vector.slot_credits,
            base_credit=float(vector.base_credit),
            limit=min(limit, max(1, len(segment))),
        )
        alive = _ALL if self.alive is None else self.alive.view(np.uint8)
        return Task(
            question,
            segment.wanted(filters),
            segment.columns,
            segment.frozen_rows,
            segment.frozen_bounds,
            alive,
        )


def _explain(
    asked: Sequence[_Asked], ranked: Sequence[tuple[int, str, int, int]]
) -> dict[tuple[int, int], tuple[Part, ...]]:
    out: dict[tuple[int, int], tuple[Part, ...]] = {}
    for number, one in enumerate(asked):
        docs = [doc for _, _, in_segment, doc in ranked if in_segment == number]
        if docs:
            parts = explain(
                one.vector,
                one.segment,
                one.terms,
                one.credit_terms,
                np.array(docs, dtype=np.int64),
            )
            out.update(zip(((number, doc) for doc in docs), parts, strict=True))
    return out
