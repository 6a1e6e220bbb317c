"""Whether a low-rank view of the text finds what words, pairs and letters do not.

    python -m tests.benchmarks.low_rank [--cases 3000] [--queries 300] [--seeds 101 102]

One more block is tried beside the others: the cosine of the complaints in the first components of
their TF-IDF matrix (scikit-learn's TruncatedSVD), at several weights and ranks, without and with
the learned block. Weights of the others as set by hand; not the worlds of the published figures.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from sklearn.decomposition import TruncatedSVD
from sklearn.feature_extraction.text import TfidfVectorizer
from sklearn.preprocessing import normalize

from search.core.evaluation import ndcg_at
from search.core.likeness import compare_blocks
from search.core.objective import as_vector, shares
from search.core.profile_fitting import fit_model
from search.core.resolved import Cure, Followed
from tests.benchmarks.search_quality import TOP, design_of, rank_by_scores, split_by_shop
from tests.simulator.world import World, gain

RANKS, WEIGHTS = (50, 150), (0.0, 0.05, 0.1, 0.2)


def compare_low_rank(cases: list[str], queries: list[str], rank: int) -> NDArray[np.float64]:
    vectorizer = TfidfVectorizer(sublinear_tf=True)
    known = vectorizer.fit_transform(cases)
    reducer = TruncatedSVD(rank, random_state=1).fit(known)
    asked = normalize(reducer.transform(vectorizer.transform(queries)))
    return np.asarray(asked @ normalize(reducer.transform(known)).T).clip(0.0, 1.0)


def run_world(seed: int, case_count: int, query_count: int) -> None:
    world = World(seed)
    searched, asking = split_by_shop(
        world.cases(case_count), query_count, np.random.default_rng(seed)
    )
    gains = np.array([[gain(query, one) for one in searched] for query in asking])
    design = design_of(world, searched)
    model = fit_model(
        [Followed(one.case, Cure(one.level, (one.action,))) for one in searched], design
    ).model
    cases, queries = ([one.case for one in side] for side in (searched, asking))
    likeness = compare_blocks(queries, cases, replace(design, cures=model))
    for cures in (0.0, design.weights["cures"]):
        weights = as_vector(dict(design.weights) | {"cures": cures}, likeness.blocks)
        others = np.einsum("qdb,qb->qd", likeness.values, shares(weights, likeness.asks))
        for rank in RANKS:
            texts = ([one["complaint"] for one in side] for side in (cases, queries))
            low = compare_low_rank(*texts, rank)
            reached = []
            for weight in WEIGHTS:
                mixed = (weights.sum() * others + weight * low) / (weights.sum() + weight)
                values = [
                    ndcg_at(available[ranking], available, TOP)
                    for ranking, available in zip(rank_by_scores(mixed), gains, strict=True)
                ]
                reached.append(f"{weight:.2f}: {np.nanmean(values):.3f}")
            print(
                f"seed {seed}, cures {cures:.1f}, rank {rank:3}: {'  '.join(reached)}", flush=True
            )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=3_000, help="per world")
    parser.add_argument("--queries", type=int, default=300, help="per world, at most")
    parser.add_argument("--seeds", type=int, nargs="+", default=[101, 102])
    options = parser.parse_args()
    for seed in options.seeds:
        run_world(seed, options.cases, options.queries)


if __name__ == "__main__":
    main()
