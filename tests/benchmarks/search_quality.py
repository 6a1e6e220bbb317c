"""How good the ranking is, beside other ways to rank and beside the best possible. Run by hand:

    .venv/bin/python -m tests.benchmarks.search_quality --cases 3000 --queries 300

Worlds with known causes (see `tests.simulator`), one per seed. A fifth of the shops is held out:
their cases are the queries, all others' cases are searched, so no way to rank sees a case, a word
or a habit of the asking shop. All ways see the same cases in one run; ties go by id. Relevance:
same cause 2, same unit kind and level 0.25 (nDCG: linear gain, discount log2(rank + 1)); P@10 and
MRR (within the first 100) count the same cause only. Intervals: 95 %, bootstrap over the asking
shops of all seeds.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from search.core import CaseIndex, Design, Scale
from search.core.design import WEIGHTS
from search.core.evaluation import bootstrap_interval, ndcg_at, precision_at, reciprocal_rank
from tests.benchmarks import baselines
from tests.simulator.oracle import expected_gains
from tests.simulator.world import SAME_CAUSE, Simulated, World, gain

DEPTH, TOP = 100, 10
OURS = "Casebook"
SEES_CAUSES = "oracle: posterior of the query, causes of the cases"
SEES_EVIDENCE = "oracle: posterior of both, by visible evidence"
MEASURES = ("nDCG@10", "P@10", "MRR")


@dataclass
class Results:
    """Per way to rank and per query: one row of the three measures; NaN where nothing is to find.

    shops: (seed, shop) of each query, the same for all ways.
    """

    rows: dict[str, list[tuple[float, float, float]]] = field(default_factory=dict)
    shops: list[tuple[int, int]] = field(default_factory=list)

    def values(self, way: str) -> NDArray[np.float64]:
        """Shape (queries, measures)."""
        return np.array(self.rows[way])

    def shop_numbers(self) -> NDArray[np.int_]:
        return np.unique(np.array(self.shops), axis=0, return_inverse=True)[1].ravel()

    def interval(self, values: NDArray[np.float64], shops: NDArray[Any]) -> str:
        low, high = bootstrap_interval(values, shops, seed=1)
        return f"{values.mean():.3f} ({low:.3f}, {high:.3f})"


def split_by_shop(
    cases: list[Simulated], most_queries: int, rng: np.random.Generator
) -> tuple[list[Simulated], list[Simulated]]:
    """Searched and asking cases: no shop is on both sides."""
    shops = sorted({one.case["cluster"] for one in cases})
    held_out = set(rng.permutation(shops)[: max(1, len(shops) // 5)].tolist())
    asking = [one for one in cases if one.case["cluster"] in held_out]
    chosen = sorted(rng.permutation(len(asking))[:most_queries].tolist())
    searched = [one for one in cases if one.case["cluster"] not in held_out]
    return searched, [asking[i] for i in chosen]


def ordered_results(world: World) -> dict[str, list[str]]:
    return {
        check.name: [f"r{i}" for i in range(check.chances.shape[1])]
        for kind in world.kinds
        for check in kind.checks
        if check.way == "ordinal"
    }


def design_of(world: World, searched: list[Simulated]) -> Design:
    """Today's weights; scales as a vocabulary would state them: the usual range in eight steps."""
    scales = {name: Scale(results=tuple(names)) for name, names in ordered_results(world).items()}
    values: dict[str, list[float]] = {}
    for one in searched:
        for finding in one.case["findings"]:
            if "value" in finding:
                values.setdefault(finding["check"], []).append(finding["value"])
    for check, found in values.items():
        low, high = np.quantile(found, [0.05, 0.95])
        scales[check] = Scale(centres=tuple(np.linspace(low, high, 8).tolist()))
    return Design(scales=scales)


def rank_by_index(index: CaseIndex, queries: list[dict[str, Any]]) -> list[list[int]]:
    """Places of the searched cases; their ids are in the order of their places."""
    return [
        [int(hit.id, 16) for hit in index.search(query, limit=DEPTH, explained=0)]
        for query in queries
    ]


def rank_by_scores(scores: NDArray[np.float64]) -> list[list[int]]:
    return [np.argsort(-row, kind="stable")[:DEPTH].tolist() for row in scores]


def judge(
    results: Results, way: str, rankings: list[list[int]], gains: NDArray[np.float64]
) -> None:
    rows = results.rows.setdefault(way, [])
    for ranking, available in zip(rankings, gains, strict=True):
        found = available[ranking]
        same_cause = found == SAME_CAUSE
        rows.append(
            (
                ndcg_at(found, available, TOP),
                precision_at(same_cause, TOP),
                reciprocal_rank(same_cause),
            )
        )


def run_world(seed: int, case_count: int, query_count: int, results: Results) -> None:
    world = World(seed)
    searched, asking = split_by_shop(
        world.cases(case_count), query_count, np.random.default_rng(seed)
    )
    gains = np.array([[gain(query, one) for one in searched] for query in asking])
    # Numbered anew, so that a place is an id.
    cases = [one.case | {"id": f"{place:08x}"} for place, one in enumerate(searched)]
    queries = [one.case for one in asking]
    index = CaseIndex.build(cases, design=design_of(world, searched))
    ways = {
        OURS: rank_by_index(index, queries),
        "Gower, structured part": rank_by_scores(
            baselines.by_gower(cases, queries, ordered_results(world))
        ),
        "BM25, all as tokens": rank_by_scores(baselines.by_bm25(cases, queries)),
        "TF-IDF cosine, all as tokens": rank_by_scores(baselines.by_tfidf(cases, queries)),
        "TF-IDF cosine, complaint": rank_by_scores(baselines.by_tfidf_of_complaint(cases, queries)),
        "code look-up": rank_by_scores(baselines.by_code(cases, queries)),
        SEES_EVIDENCE: rank_by_scores(expected_gains(world, asking, searched, sees_causes=False)),
        SEES_CAUSES: rank_by_scores(expected_gains(world, asking, searched, sees_causes=True)),
    }
    for block in WEIGHTS:
        ways[f"without {block}"] = rank_by_index(without_block(index, block), queries)
    for way, rankings in ways.items():
        judge(results, way, rankings, gains)
    results.shops += [(seed, query["cluster"]) for query in queries]


def without_block(index: CaseIndex, block: str) -> CaseIndex:
    """Weights act on queries only: what is stored stays."""
    values = index.design.as_dict()
    values["weights"] = dict(index.design.weights) | {block: 0.0}
    return index.with_query_design(Design.from_dict(values))


def drop_unanswerable(results: Results) -> tuple[Results, int]:
    """Without queries for which nothing is to find, whatever the way."""
    keep = np.isfinite(results.values(OURS)[:, 0])
    kept = Results(
        {
            way: [r for r, k in zip(rows, keep, strict=True) if k]
            for way, rows in results.rows.items()
        },
        [shop for shop, k in zip(results.shops, keep, strict=True) if k],
    )
    return kept, int((~keep).sum())


def print_quality(results: Results, seeds: list[int]) -> None:
    shops, seed_of = results.shop_numbers(), np.array([seed for seed, _ in results.shops])
    ways = [way for way in results.rows if not way.startswith("without ")]
    print(f"\n{'':52}" + "".join(f"{name:>22}" for name in MEASURES) + "   nDCG@10 by seed")
    for way in ways:
        values = results.values(way)
        columns = "".join(f"{results.interval(values[:, i], shops):>22}" for i in range(3))
        by_seed = " ".join(f"{values[seed_of == seed, 0].mean():.3f}" for seed in seeds)
        print(f"{way:52}{columns}   {by_seed}")
    means = {way: float(results.values(way)[:, 0].mean()) for way in ways}
    rivals = {way: mean for way, mean in means.items() if way != OURS and "oracle" not in way}
    best = max(rivals, key=rivals.__getitem__)
    difference = results.values(OURS)[:, 0] - results.values(best)[:, 0]
    print(f"\n{OURS} - {best} (best of the others), nDCG@10: {results.interval(difference, shops)}")
    for oracle in (SEES_EVIDENCE, SEES_CAUSES):
        share = (means[OURS] - means[best]) / (means[oracle] - means[best])
        print(f"  share of the way from there to the {oracle}: {share:.1%}")


def print_ablation(results: Results, weights: Mapping[str, float]) -> None:
    shops, whole = results.shop_numbers(), results.values(OURS)[:, 0]
    print(f"\n{'block switched off':24}{'weight':>8}{'nDCG@10':>10}{'what the block adds':>28}")
    for block, weight in weights.items():
        values = results.values(f"without {block}")[:, 0]
        added = results.interval(whole - values, shops)
        print(f"{block:24}{weight:8.2f}{values.mean():10.3f}{added:>28}")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=3_000, help="per world")
    parser.add_argument("--queries", type=int, default=300, help="per world, at most")
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3, 4, 5])
    options = parser.parse_args()
    results = Results()
    for seed in options.seeds:
        run_world(seed, options.cases, options.queries, results)
    results, dropped = drop_unanswerable(results)
    print(
        f"{len(options.seeds)} worlds of {options.cases:,} cases; {len(results.shops):,} queries "
        f"of {results.shop_numbers().max() + 1} held-out shops; {dropped} left out, nothing to find"
    )
    print_quality(results, options.seeds)
    print_ablation(results, WEIGHTS)


if __name__ == "__main__":
    main()
