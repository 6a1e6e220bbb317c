"""How well the search finds, on this installation's own resolved cases.

Shops are dealt into folds; every query is a resolved case of one fold that asks, with its intake
evidence, the cases of the other folds' shops. So a shop's words and habits help nobody, and what is
learned is learned without the asking shop. For comparison the same queries are also asked of a
like number of cases among which their own shop's are. (The weights of the blocks, a dozen numbers,
stay as they are: `tune_similarity` tells what they gain with shops left out.)

A case found is worth 2 where the same actions resolved it on the same unit kind, 0.25 where only
the level of repair is the same, else 0. That is a stand-in for "same fault": two faults may share a
cure, and one fault has several.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from casebook.shops.tenancy import reading_shared
from search.adapter.documents import current_design, read_shared_case
from search.adapter.learned import read_active_design
from search.adapter.rows import stream_cases
from search.core import CaseIndex, Design, baselines
from search.core.evaluation import (
    best_places,
    bootstrap_interval,
    ndcg_at,
    precision_at,
    reciprocal_rank,
)
from search.core.profile_fitting import fit_model
from search.core.resolved import Cure, Followed

SAME_ACTIONS, SAME_LEVEL = 2.0, 0.25
DEPTH = 100
FOLDS = 5
# Fewer queries of a unit kind, or with so much evidence, say nothing alone.
FEWEST_QUERIES = 20
# How much a query says: words, codes, symptoms and findings together, from this number on.
EVIDENCE_BANDS = (1, 8, 16, 24)
# Scores of so many queries are held at a time.
BATCH = 64
OURS = "Casebook"

Case = Mapping[str, Any]
# From queries to the places of the cases found, best first.
Ranker = Callable[[Sequence[Case]], list[NDArray[np.int64]]]


class Figure(NamedTuple):
    """A mean over queries and its 95 % interval over shops."""

    mean: float
    low: float
    high: float


class Measured(NamedTuple):
    """Of one query and one way to rank."""

    ndcg_10: float
    precision_5: float
    precision_10: float
    reciprocal_rank: float


@dataclass(frozen=True)
class QualityRow:
    """group: "all", "unit_kind" (name: its key), "evidence" (name: how many of `EVIDENCE_BANDS`)
    or "own_shop" (asked where the asking shop's cases are searched too). ahead: nDCG@10 of
    Casebook less that of this way, None for Casebook itself."""

    group: str
    name: str
    way: str
    queries: int
    shops: int
    ndcg_10: Figure
    precision_5: Figure
    precision_10: Figure
    reciprocal_rank: Figure
    ahead: Figure | None


@dataclass(frozen=True)
class Quality:
    """cases: resolved ones that were searched; rows: empty where nothing can be said yet."""

    cases: int
    shops: int
    rows: list[QualityRow]


@dataclass(frozen=True)
class Resolved:
    """A resolved case: what it asks with and how it was resolved."""

    case: Case
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
    with reading_shared():
        design = read_active_design()
        pool = _read_resolved(most_cases, step)
    return judge_search(pool, most_queries, seed, step, design)


def judge_search(
    pool: Sequence[Resolved],
    most_queries: int,
    seed: int,
    step: Callable[[], None],
    design: Design | None = None,
) -> Quality:
    """The measuring itself, on cases at hand. design: None for the one without anything learned."""
    design = design or current_design()
    clusters = np.array([one.cluster for one in pool], dtype=np.int64)
    shops = len(np.unique(clusters))
    can_ask = np.flatnonzero([bool(one.actions) for one in pool])
    if shops < 2 or not len(can_ask):
        return Quality(len(pool), shops, [])
    rng = np.random.default_rng(seed)
    chosen = np.sort(rng.permutation(can_ask)[:most_queries])
    unseen = _judge(pool, chosen, _deal(clusters, rng), design, step)
    if not unseen.asked:
        return Quality(len(pool), shops, [])
    own_shop = _judge(pool, np.array(unseen.asked), _deal(np.arange(len(pool)), rng), design, step)
    rows = [
        row
        for group, name, judged, kept in _groups(pool, unseen, own_shop)
        for row in _summarise(pool, group, name, judged, kept, seed)
    ]
    return Quality(len(pool), shops, rows)


def _read_resolved(most_cases: int, step: Callable[[], None]) -> list[Resolved]:
    """Rows come in the order of their ids, which are drawn at random: the first are a sample."""
    pool: list[Resolved] = []
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


def gain(query: Resolved, other: Resolved) -> float:
    """What finding the other case is worth to the query."""
    if other.kind != query.kind:
        return 0.0
    if other.actions == query.actions:
        return SAME_ACTIONS
    return SAME_LEVEL if other.level == query.level else 0.0


# --- Ways to rank ------------------------------------------------------------------------------


def make_rankers(searched: Sequence[Resolved], design: Design) -> dict[str, Ranker]:
    """All ways, over the same cases. Ties go by place."""
    cases = [one.case for one in searched]
    ordered = {check: scale.results for check, scale in design.scales.items() if scale.results}
    return {
        OURS: _by_index(cases, _learned_from(searched, design)),
        "Gower": _by_scores(baselines.by_gower(cases, ordered)),
        "BM25": _by_scores(baselines.by_bm25(cases)),
        "TF-IDF cosine": _by_scores(baselines.by_tfidf(cases)),
        "code look-up": _by_scores(baselines.by_code(cases)),
    }


def _learned_from(searched: Sequence[Resolved], design: Design) -> Design:
    """What the design foretells of cures, if anything, learned anew from these cases alone."""
    if design.cures is None:
        return design
    followed = [Followed(one.case, Cure(one.level, tuple(sorted(one.actions)))) for one in searched]
    return replace(design, cures=fit_model(followed, design).model)


def _by_index(cases: Sequence[Case], design: Design) -> Ranker:
    # Numbered anew, so that an id is a place.
    numbered = (dict(case) | {"id": f"{place:08x}"} for place, case in enumerate(cases))
    index = CaseIndex.build(numbered, design=design)

    def rank(queries: Sequence[Case]) -> list[NDArray[np.int64]]:
        found = (index.search(query, limit=DEPTH, explained=0) for query in queries)
        return [np.array([int(hit.id, 16) for hit in hits], dtype=np.int64) for hits in found]

    return rank


def _by_scores(score: baselines.Scorer) -> Ranker:
    return lambda queries: best_places(score(queries), DEPTH)


# --- Judging -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Judged:
    """asked: places of the queries for which something was to be found; by way, one each."""

    asked: list[int]
    measured: dict[str, list[Measured]]


def _deal(labels: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
    """The fold of each case; cases with one label are in one fold."""
    _, numbers = np.unique(labels, return_inverse=True)
    dealt: NDArray[np.int64] = rng.permutation(int(numbers.max()) + 1)[numbers] % FOLDS
    return dealt


def _judge(
    pool: Sequence[Resolved],
    chosen: NDArray[np.int64],
    folds: NDArray[np.int64],
    design: Design,
    step: Callable[[], None],
) -> _Judged:
    worth = _Worth(pool)
    results: dict[int, dict[str, Measured]] = {}
    for fold in np.unique(folds[chosen]).tolist():
        searched = np.flatnonzero(folds != fold)
        gains = {p: worth.of(p)[searched] for p in chosen[folds[chosen] == fold].tolist()}
        # Where nothing is to find, no way can be told from another.
        asking = [place for place, found in gains.items() if found.max(initial=0.0) > 0]
        if not asking:
            continue
        rankers = make_rankers([pool[place] for place in searched.tolist()], design)
        for first in range(0, len(asking), BATCH):
            batch = asking[first : first + BATCH]
            queries = [pool[place].case for place in batch]
            for way, rank in rankers.items():
                for place, found in zip(batch, rank(queries), strict=True):
                    results.setdefault(place, {})[way] = _measure(gains[place], found)
            for _ in batch:
                step()
    asked = sorted(results)
    ways = list(results[asked[0]]) if asked else []
    return _Judged(asked, {way: [results[place][way] for place in asked] for way in ways})


class _Worth:
    """`gain` of all cases at once."""

    def __init__(self, pool: Sequence[Resolved]) -> None:
        self._kinds = _numbered([one.kind for one in pool])
        self._levels = _numbered([one.level for one in pool])
        self._actions = _numbered(["\n".join(sorted(one.actions)) for one in pool])

    def of(self, place: int) -> NDArray[np.float64]:
        same = self._kinds == self._kinds[place]
        level = np.where(self._levels == self._levels[place], SAME_LEVEL, 0.0)
        alike = np.where(self._actions == self._actions[place], SAME_ACTIONS, level)
        return np.where(same, alike, 0.0)


def _numbered(names: Sequence[str]) -> NDArray[np.int64]:
    numbers: NDArray[np.int64] = np.unique(np.array(names), return_inverse=True)[1]
    return numbers


def _measure(gains: NDArray[np.float64], ranking: NDArray[np.int64]) -> Measured:
    found = gains[ranking]
    same = found == SAME_ACTIONS
    return Measured(
        ndcg_at(found, gains, 10),
        precision_at(same, 5),
        precision_at(same, 10),
        reciprocal_rank(same),
    )


# --- Summing up --------------------------------------------------------------------------------


def _groups(
    pool: Sequence[Resolved], unseen: _Judged, own_shop: _Judged
) -> Iterator[tuple[str, str, _Judged, NDArray[np.bool_]]]:
    """Groups of queries, with what was measured and which of its queries belong."""
    everything = np.ones(len(unseen.asked), dtype=bool)
    yield "all", "", unseen, everything
    if own_shop.asked:
        yield "own_shop", "", own_shop, np.ones(len(own_shop.asked), dtype=bool)
    amounts = np.array([_amount_of_evidence(pool[place].case) for place in unseen.asked])
    bands = np.digitize(amounts, EVIDENCE_BANDS)
    for number, least in enumerate(EVIDENCE_BANDS, start=1):
        last = number == len(EVIDENCE_BANDS)
        name = f"{least}+" if last else f"{least}–{EVIDENCE_BANDS[number] - 1}"
        if (bands == number).sum() >= FEWEST_QUERIES:
            yield "evidence", name, unseen, bands == number
    kinds = np.array([pool[place].kind for place in unseen.asked])
    named, counts = np.unique(kinds, return_counts=True)
    for kind in named[counts >= FEWEST_QUERIES].tolist():
        yield "unit_kind", kind, unseen, kinds == kind


def _amount_of_evidence(case: Case) -> int:
    words = set(str(case["complaint"]).lower().split())
    return len(words) + sum(len(case[what]) for what in ("codes", "symptoms", "findings"))


def _summarise(
    pool: Sequence[Resolved],
    group: str,
    name: str,
    judged: _Judged,
    kept: NDArray[np.bool_],
    seed: int,
) -> Iterator[QualityRow]:
    shops = np.array([pool[place].cluster for place in judged.asked])[kept]
    ours = np.array(judged.measured[OURS])[kept]
    for way, measured in judged.measured.items():
        values = np.array(measured)[kept]
        ndcg, at_5, at_10, first = (_figure(column, shops, seed) for column in values.T)
        ahead = None if way == OURS else _figure(ours[:, 0] - values[:, 0], shops, seed)
        count = len(np.unique(shops))
        yield QualityRow(group, name, way, int(kept.sum()), count, ndcg, at_5, at_10, first, ahead)


def _figure(values: NDArray[np.float64], shops: NDArray[np.int64], seed: int) -> Figure:
    low, high = bootstrap_interval(values, shops, seed=seed)
    return Figure(float(values.mean()), float(low), float(high))
