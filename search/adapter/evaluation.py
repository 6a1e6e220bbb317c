"""How well the search finds, on this installation's own resolved cases.

Every query is a resolved case that asks with its intake evidence; its own shop's cases are never
answers, so that a shop's words and habits help nobody. A case found is worth 2 where the same
actions resolved it on the same unit kind, 0.25 where only the level of repair is the same, else
0. That is a stand-in for "same fault": two faults may share a cure, and one fault has several.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from sklearn.feature_extraction.text import TfidfVectorizer

from casebook.shops.tenancy import reading_shared
from search.adapter.documents import current_design, read_shared_case
from search.adapter.rows import stream_cases
from search.core import CaseIndex, Filters
from search.core.evaluation import bootstrap_interval, ndcg_at, precision_at, reciprocal_rank

SAME_ACTIONS, SAME_LEVEL = 2.0, 0.25
TOP, DEPTH = 10, 100
# Fewer queries of a unit kind than this say nothing about it alone.
FEWEST_QUERIES = 20

Ranker = Callable[[int], Sequence[int]]


class Figure(NamedTuple):
    """A mean over queries and its 95 % interval over shops."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True)
class QualityRow:
    """unit_kind: empty for all together. way: how cases were ranked."""

    unit_kind: str
    way: str
    queries: int
    shops: int
    ndcg: Figure
    precision: Figure
    reciprocal_rank: Figure


@dataclass(frozen=True)
class Quality:
    """cases: resolved ones that were searched; rows: empty where nothing can be said yet."""

    cases: int
    shops: int
    rows: list[QualityRow]


@dataclass(frozen=True)
class Resolved:
    """A resolved case: what it asks with and how it was resolved."""

    case: Mapping[str, Any]
    kind: str
    level: str
    actions: frozenset[str]

    @property
    def cluster(self) -> int:
        return int(self.case["cluster"])


def evaluate_search(
    *,
    most_cases: int = 20_000,
    most_queries: int = 1_000,
    seed: int = 1,
    on_step: Callable[[], None] | None = None,
) -> Quality:
    """Measure on a sample of at most so many resolved cases and queries.

    on_step: called for every case read and every query asked. Raises ValueError unless both
    limits are at least 1.
    """
    if min(most_cases, most_queries) < 1:
        raise ValueError("need at least one case and one query")
    step = on_step or (lambda: None)
    return judge_search(_read_resolved(most_cases, step), most_queries, seed, step)


def judge_search(
    pool: Sequence[Resolved], most_queries: int, seed: int, step: Callable[[], None]
) -> Quality:
    """The measuring itself, on cases at hand."""
    asking = [place for place, one in enumerate(pool) if one.actions]
    shops = len({one.cluster for one in pool})
    if shops < 2 or not asking:
        return Quality(len(pool), shops, [])
    order = np.random.default_rng(seed).permutation(len(asking))[:most_queries]
    ways = {
        "Casebook": _by_index(pool),
        "TF-IDF cosine": _by_tfidf(pool),
        "code look-up": _by_codes(pool),
    }
    judged: dict[str, list[tuple[float, float, float]]] = {way: [] for way in ways}
    asked: list[Resolved] = []
    for place in sorted(asking[i] for i in order):
        step()
        gains = _gains(pool, pool[place])
        if not gains.max() > 0:
            continue  # nothing to find, whatever the way
        asked.append(pool[place])
        for way, rank in ways.items():
            judged[way].append(_measure(gains, rank(place)))
    return Quality(len(pool), shops, _summarise(asked, judged, seed))


def _read_resolved(most_cases: int, step: Callable[[], None]) -> list[Resolved]:
    """Rows come in the order of their ids, which are drawn at random: the first are a sample."""
    pool: list[Resolved] = []
    with reading_shared():
        for row in stream_cases()[1]:
            step()
            resolved = read_resolved(row)
            if resolved is not None:
                pool.append(resolved)
                if len(pool) == most_cases:
                    break
    return pool


def read_resolved(row: Mapping[str, Any]) -> Resolved | None:
    """None unless the case was resolved."""
    document = row["document"]
    level = document["outcome"]["resolved_by"]
    if level is None:
        return None
    # Looking without doing is no cure, unless it was all that was done.
    cure = [attempt for attempt in document["attempts"] if attempt["level"] == level][-1]
    return Resolved(
        case=read_shared_case(row),
        kind=document["unit"]["kind"],
        level=level,
        actions=frozenset(cure["actions"]),
    )


def _gains(pool: Sequence[Resolved], query: Resolved) -> NDArray[np.float64]:
    """Of every case of the pool; those of the asking shop are worth nothing, as they can't be
    found."""
    return np.array([gain(query, one) for one in pool])


def gain(query: Resolved, other: Resolved) -> float:
    if other.cluster == query.cluster or other.kind != query.kind:
        return 0.0
    if other.actions == query.actions:
        return SAME_ACTIONS
    return SAME_LEVEL if other.level == query.level else 0.0


def _measure(gains: NDArray[np.float64], ranking: Sequence[int]) -> tuple[float, float, float]:
    found = gains[list(ranking)]
    same = found == SAME_ACTIONS
    return ndcg_at(found, gains, TOP), precision_at(same, TOP), reciprocal_rank(same)


# --- Ways to rank: each gives places in the pool, best first, none of the asking shop ----------


def _by_index(pool: Sequence[Resolved]) -> Ranker:
    index = CaseIndex.build((one.case for one in pool), design=current_design())
    places = {str(one.case["id"]): place for place, one in enumerate(pool)}

    def rank(place: int) -> list[int]:
        query = pool[place]
        hits = index.search(
            query.case,
            limit=DEPTH,
            explained=0,
            filters=Filters(exclude_cluster=query.cluster),
        )
        return [places[hit.id] for hit in hits]

    return rank


def _by_tfidf(pool: Sequence[Resolved]) -> Ranker:
    """As most people write it: everything about a case as one bag of words."""
    matrix = TfidfVectorizer(analyzer=_as_words).fit_transform(one.case for one in pool)
    return _by_product(pool, sparse.csr_array(matrix))


def _by_codes(pool: Sequence[Resolved]) -> Ranker:
    """How many codes are shared; among equals those of the same unit kind first."""
    names: dict[tuple[str, str], int] = {}
    rows, columns, values = [], [], []
    for place, one in enumerate(pool):
        held = {("kind", one.kind): 0.5} | {("code", c["code"]): 1.0 for c in one.case["codes"]}
        for name, weight in held.items():
            rows.append(place)
            columns.append(names.setdefault(name, len(names)))
            values.append(weight)
    return _by_product(
        pool, sparse.csr_array((values, (rows, columns)), shape=(len(pool), len(names)))
    )


def _by_product(pool: Sequence[Resolved], matrix: sparse.csr_array) -> Ranker:
    clusters = np.array([one.cluster for one in pool])

    def rank(place: int) -> list[int]:
        scores = (matrix @ matrix[[place]].T).toarray().ravel()
        scores[clusters == pool[place].cluster] = -1.0
        best = np.argsort(-scores, kind="stable")[:DEPTH]
        return [int(found) for found in best[scores[best] >= 0]]

    return rank


def _as_words(case: Mapping[str, Any]) -> list[str]:
    words = str(case["complaint"]).lower().split()
    words += [code["code"] for code in case["codes"]]
    words += [symptom["key"] for symptom in case["symptoms"]]
    words += [f"{f['check']}={f['result']}" for f in case["findings"] if "result" in f]
    return words + [
        str(case[name]) for name in ("make", "model", "unit_kind", "unit_family") if case[name]
    ]


# --- Summing up -------------------------------------------------------------------------------


def _summarise(
    asked: Sequence[Resolved], judged: Mapping[str, list[tuple[float, float, float]]], seed: int
) -> list[QualityRow]:
    if not asked:
        return []
    clusters = np.array([query.cluster for query in asked])
    kinds = np.array([query.kind for query in asked])
    named, counts = np.unique(kinds, return_counts=True)
    shown = ["", *named[counts >= FEWEST_QUERIES].tolist()]
    out = []
    for kind in shown:
        chosen = np.ones(len(asked), dtype=bool) if not kind else kinds == kind
        for way, measured in judged.items():
            figures = _figures(np.array(measured)[chosen], clusters[chosen], seed)
            shops = len(set(clusters[chosen].tolist()))
            out.append(QualityRow(kind, way, int(chosen.sum()), shops, *figures))
    return out


def _figures(
    values: NDArray[np.float64], clusters: NDArray[np.int_], seed: int
) -> Iterable[Figure]:
    for column in values.T:
        low, high = bootstrap_interval(column, clusters, seed=seed)
        yield Figure(float(column.mean()), float(low), float(high))
