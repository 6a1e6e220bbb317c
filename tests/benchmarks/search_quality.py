"""How well the search finds, in worlds where the cause of every case is known.

    python -m tests.benchmarks.search_quality [--cases 3000] [--queries 300] [--seeds 1 2 3 4 5]

A world (see `tests.simulator`) for every seed. A fifth of the shops is held out: their cases are
the queries, all others' cases are searched and learned from, so no way to rank sees a case, a word
or a habit of the asking shop. All ways see the same cases in one run; ties go by id. Casebook
answers as in service: 500 neighbours, filters on, with what it learned by itself. Relevance:
same cause 2, same unit kind and level 0.25 (nDCG: linear gain, discount log2(rank + 1)); P@10 and
MRR (within the first 100) count the same cause only. Intervals: 95 %, bootstrap over the asking
shops of all seeds.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from search.core import CaseIndex, Design, Filters, Scale, tuning
from search.core.design import WEIGHTS
from search.core.evaluation import bootstrap_interval, ndcg_at, precision_at, reciprocal_rank
from search.core.likeness import BlockLikeness, compare_blocks
from search.core.objective import as_vector, shares
from search.core.profile_fitting import fit_model
from search.core.resolved import Cure, Followed
from search.core.tuning import FEWEST_OF_A_KIND, Tuned, compare_held_out
from tests.benchmarks import baselines
from tests.simulator.oracle import expected_gains
from tests.simulator.world import SAME_CAUSE, Simulated, World, gain

DEPTH, TOP, NEIGHBOURS = 100, 10, 500
OURS = "Casebook"
BY_HAND = "Casebook, weights set by hand"
UNLEARNED = "Casebook, without the learned block"
UNLEARNED_TUNED = "Casebook, without it, weights learned"
SEES_CAUSES = "oracle: posterior of the query, causes of the cases"
SEES_EVIDENCE = "oracle: posterior of both, by visible evidence"
MEASURES = ("nDCG@10", "P@10", "MRR")


@dataclass
class Results:
    """Per way to rank and per query: one row of the three measures; NaN where nothing is to find.

    shops: (seed, shop) of each query, the same for all ways; kinds, evidence: its unit kind, and
    how many words, codes, symptoms and findings it has. weights: in force in each world.
    """

    rows: dict[str, list[tuple[float, float, float]]] = field(default_factory=dict)
    shops: list[tuple[int, int]] = field(default_factory=list)
    kinds: list[str] = field(default_factory=list)
    evidence: list[int] = field(default_factory=list)
    weights: list[Mapping[str, float]] = field(default_factory=list)

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
    out = []
    for query in queries:
        filters = Filters(with_outcome=True, exclude_cluster=query["cluster"])
        hits = index.search(query, limit=NEIGHBOURS, filters=filters, explained=0)
        out.append([int(hit.id, 16) for hit in hits[:DEPTH]])
    return out


def rank_by_weights(likeness: BlockLikeness, weights: Mapping[str, float]) -> list[list[int]]:
    """As an index ranks, from the comparisons of the blocks."""
    parts = shares(as_vector(weights, likeness.blocks), likeness.asks)
    similarity = np.einsum("qdb,qb->qd", likeness.values, parts)
    return rank_by_scores(similarity.round(7))


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


def learn(
    searched: list[Simulated], design: Design, resolved_share: float, seed: int
) -> tuple[Design, Tuned, Tuned]:
    """As `tune_similarity` does: the design with its model, the weights with it and without."""
    known = np.random.default_rng(seed).random(len(searched)) < resolved_share
    followed = [
        Followed(one.case, Cure(one.level, (one.action,)))
        for one, is_known in zip(searched, known, strict=True)
        if is_known
    ]
    fitted = fit_model(followed, design)
    counts = Counter(one.kind for one in followed)
    kinds = {kind for kind, count in counts.items() if count >= FEWEST_OF_A_KIND}
    together = compare_held_out(followed, kinds, design, scales=fitted.scales, seed=1)
    tuned, bare = (
        tuning.learn(together, dict(WEIGHTS) | start, cases=len(followed))
        for start in ({}, {"cures": 0.0})
    )
    return replace(design, cures=fitted.model), tuned, bare


def run_world(seed: int, options: argparse.Namespace, results: Results) -> None:
    world = World(seed)
    searched, asking = split_by_shop(
        world.cases(options.cases), options.queries, np.random.default_rng(seed)
    )
    gains = np.array([[gain(query, one) for one in searched] for query in asking])
    # Numbered anew, so that a place is an id.
    cases = [
        one.case | {"id": f"{place:08x}", "with_outcome": True}
        for place, one in enumerate(searched)
    ]
    queries = [one.case for one in asking]
    design, tuned, bare = learn(searched, design_of(world, searched), options.resolved, seed)
    index = CaseIndex.build(cases, design=replace(design, weights=tuned.weights))
    likeness = compare_blocks(queries, cases, design)
    off = {"cures": 0.0}
    ways = {
        OURS: rank_by_index(index, queries),
        BY_HAND: rank_by_weights(likeness, WEIGHTS),
        UNLEARNED: rank_by_weights(likeness, dict(WEIGHTS) | off),
        UNLEARNED_TUNED: rank_by_weights(likeness, dict(bare.weights) | off),
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
        ways[f"without {block}"] = rank_by_weights(likeness, dict(tuned.weights) | {block: 0.0})
    ways["cures alone"] = rank_by_weights(likeness, {"cures": 1.0})
    for way, rankings in ways.items():
        judge(results, way, rankings, gains)
    results.shops += [(seed, query["cluster"]) for query in queries]
    results.kinds += [query["unit_kind"] for query in queries]
    results.evidence += [count_evidence(query) for query in queries]
    results.weights.append(tuned.weights)
    values = results.values(OURS)[-len(queries) :, 0]
    how = "learned" if tuned.learned else f"set by hand: {tuned.why}"
    print(f"seed {seed}: {np.nanmean(values):.3f}, weights {how}")
    if tuned.gain is not None:
        print(f"  gained {tuned.gain}; without cures {tuned.without_cures}", flush=True)


def count_evidence(query: Mapping[str, Any]) -> int:
    pieces = (query["complaint"].split(), query["codes"], query["symptoms"], query["findings"])
    return sum(map(len, pieces))


def drop_unanswerable(results: Results) -> tuple[Results, int]:
    """Without queries for which nothing is to find, whatever the way."""
    keep = np.isfinite(results.values(OURS)[:, 0])
    kept = Results(
        {
            way: [r for r, k in zip(rows, keep, strict=True) if k]
            for way, rows in results.rows.items()
        },
        [one for one, k in zip(results.shops, keep, strict=True) if k],
        [one for one, k in zip(results.kinds, keep, strict=True) if k],
        [one for one, k in zip(results.evidence, keep, strict=True) if k],
        results.weights,
    )
    return kept, int((~keep).sum())


def print_quality(results: Results, seeds: list[int]) -> None:
    shops, seed_of = results.shop_numbers(), np.array([seed for seed, _ in results.shops])
    ways = [way for way in results.rows if not way.startswith(("without ", "cures "))]
    print(f"\n{'':52}" + "".join(f"{name:>22}" for name in MEASURES) + "   nDCG@10 by seed")
    for way in ways:
        values = results.values(way)
        columns = "".join(f"{results.interval(values[:, i], shops):>22}" for i in range(3))
        by_seed = " ".join(f"{values[seed_of == seed, 0].mean():.3f}" for seed in seeds)
        print(f"{way:52}{columns}   {by_seed}")
    means = {way: float(results.values(way)[:, 0].mean()) for way in ways}
    rivals = {way: mean for way, mean in means.items() if OURS not in way and "oracle" not in way}
    best = max(rivals, key=rivals.__getitem__)
    difference = results.values(OURS)[:, 0] - results.values(best)[:, 0]
    print(f"\n{OURS} - {best} (best of the others), nDCG@10: {results.interval(difference, shops)}")
    for oracle in (SEES_EVIDENCE, SEES_CAUSES):
        share = (means[OURS] - means[best]) / (means[oracle] - means[best])
        print(f"  share of the way from there to the {oracle}: {share:.1%}")


def print_ablation(results: Results) -> None:
    shops, whole = results.shop_numbers(), results.values(OURS)[:, 0]
    print(
        f"\n{'block switched off':20}{'by hand':>10}{'in force':>10}{'nDCG@10':>10}"
        f"{'what the block adds':>28}"
    )
    for block, weight in WEIGHTS.items():
        values = results.values(f"without {block}")[:, 0]
        used = float(np.mean([weights[block] for weights in results.weights]))
        added = results.interval(whole - values, shops)
        print(f"{block:20}{weight:10.3f}{used:10.3f}{values.mean():10.3f}{added:>28}")
    print(f"cures alone: {results.interval(results.values('cures alone')[:, 0], shops)}")


def print_groups(results: Results) -> None:
    """By unit kind, and by thirds of the amount of evidence."""
    kinds, evidence = np.array(results.kinds), np.array(results.evidence)
    cuts = np.quantile(evidence, [1 / 3, 2 / 3])
    groups = {kind: kinds == kind for kind in np.unique(kinds)} | {
        f"evidence up to {cuts[0]:.0f}": evidence <= cuts[0],
        f"evidence up to {cuts[1]:.0f}": (evidence > cuts[0]) & (evidence <= cuts[1]),
        f"evidence above {cuts[1]:.0f}": evidence > cuts[1],
    }
    ways = (OURS, UNLEARNED, "BM25, all as tokens", SEES_EVIDENCE)
    print(f"\n{'nDCG@10':22}{'queries':>8}" + "".join(f"{way[:20]:>22}" for way in ways))
    for name, chosen in groups.items():
        means = "".join(f"{results.values(way)[chosen, 0].mean():22.3f}" for way in ways)
        print(f"{name:22}{chosen.sum():8}{means}")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=3_000, help="per world")
    parser.add_argument("--queries", type=int, default=300, help="per world, at most")
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3, 4, 5])
    parser.add_argument(
        "--resolved", type=float, default=1.0, help="share of the searched cases learned from"
    )
    options = parser.parse_args()
    results = Results()
    for seed in options.seeds:
        run_world(seed, options, results)
    results, dropped = drop_unanswerable(results)
    print(
        f"{len(options.seeds)} worlds of {options.cases:,} cases; {len(results.shops):,} queries "
        f"of {results.shop_numbers().max() + 1} held-out shops; {dropped} left out, nothing to find"
    )
    print_quality(results, options.seeds)
    print_ablation(results)
    print_groups(results)


if __name__ == "__main__":
    main()
