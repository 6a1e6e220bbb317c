"""How fast the index answers, beside scikit-learn's TF-IDF as most people write it. Run by hand:

    .venv/bin/python -m tests.benchmarks.search_speed --cases 100000

Both sides see the same cases and the same queries in one process; the ratio is what counts. Every
query is another case, since repeating one flatters by what stays in the cache.
"""

from __future__ import annotations

import argparse
import random
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from sklearn.feature_extraction.text import TfidfVectorizer
from sklearn.metrics.pairwise import cosine_similarity

from search.core import CaseIndex, Design, Filters, Scale
from search.core.kernel import compile_kernel

SYLLABLES = "ba ke lo mi tur ven gra sho pli ner dak ost umi rez".split()
KINDS = [f"kind_{i}" for i in range(20)]


def zipf(rng: random.Random, names: list[str], count: int) -> list[str]:
    """Names with frequencies as in language: a few often, most seldom."""
    return [names[min(int(rng.paretovariate(0.9)) - 1, len(names) - 1)] for _ in range(count)]


def make_cases(count: int, seed: int) -> list[dict]:
    rng = random.Random(seed)
    words = ["".join(rng.choices(SYLLABLES, k=rng.randint(1, 4))) for _ in range(8_000)]
    return [make_case(rng, words, number) for number in range(count)]


def make_case(rng: random.Random, words: list[str], number: int) -> dict:
    kind = rng.randrange(len(KINDS))
    codes = [f"P{rng.randrange(kind * 40, kind * 40 + 60):04d}" for _ in range(rng.randint(0, 2))]
    return {
        "id": f"{number:08x}",
        "complaint": " ".join(zipf(rng, words, rng.randint(4, 16))),
        "codes": [{"code": c, "family": c[:4] + "0", "subsystem": c[2]} for c in codes],
        "symptoms": [
            {"key": f"s{kind}_{rng.randrange(12)}", "when": rng.sample(["hot", "cold", "idle"], 1)}
            for _ in range(rng.randint(0, 3))
        ],
        "findings": [
            {"check": f"c{kind}_{rng.randrange(10)}", "result": rng.choice("abcd")}
            for _ in range(rng.randint(0, 4))
        ],
        "make": f"Make {rng.randrange(12)}",
        "model": f"Model {rng.randrange(60)}",
        "engine": rng.choice(["2.0 diesel", "1.6 petrol", "1.2 hybrid"]),
        "unit_kind": KINDS[kind],
        "unit_family": f"F{kind}-{rng.randrange(30)}",
        "age_years": rng.uniform(0, 20),
        "odometer_km": rng.uniform(0, 350_000),
        "year": rng.randint(2000, 2026),
        "cluster": rng.randrange(200),
    }


def as_tokens(case: dict) -> str:
    """Everything about a case as one bag of tokens, for the library."""
    tokens = case["complaint"].split()
    tokens += [code["code"] for code in case["codes"]]
    tokens += [symptom["key"] for symptom in case["symptoms"]]
    tokens += [f"{finding['check']}_{finding['result']}" for finding in case["findings"]]
    tokens += [case[name].replace(" ", "_") for name in ("make", "model", "unit_kind")]
    return " ".join(tokens)


def milliseconds(ask: Callable[[dict], object], queries: list[dict]) -> tuple[float, float]:
    """Median and 95th percentile."""
    taken = []
    for query in queries:
        start = time.perf_counter()
        ask(query)
        taken.append((time.perf_counter() - start) * 1_000)
    return statistics.median(taken), float(np.quantile(taken, 0.95))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=100_000)
    parser.add_argument("--queries", type=int, default=200)
    options = parser.parse_args()
    cases = make_cases(options.cases, seed=1)
    queries = make_cases(options.queries, seed=2)
    scales = {f"c{k}_{i}": Scale(results=tuple("abcd")) for k in range(20) for i in range(10)}

    start = time.perf_counter()
    index = CaseIndex.build(cases, design=Design(scales=scales))
    built_s = time.perf_counter() - start
    with tempfile.TemporaryDirectory() as folder:
        directory = Path(folder) / "index"
        index.save(directory)
        size = sum(path.stat().st_size for path in directory.iterdir())
        start = time.perf_counter()
        index = CaseIndex.open(directory)
        opened_s = time.perf_counter() - start
        postings = len(index.layers[0].segment.docs)
        print(
            f"{options.cases:,} cases: built in {built_s:.1f} s, opened and checked in "
            f"{opened_s:.2f} s, {size / options.cases:.0f} bytes and "
            f"{postings / options.cases:.0f} postings a case"
        )
        start = time.perf_counter()
        index.with_tail([queries[0] | {"id": "new"}])
        print(f"one new case visible after {(time.perf_counter() - start) * 1_000:.1f} ms")
        rows = measure(index, cases, queries)
    best = rows[0][2]
    print(f"{'':44}{'p50 ms':>9}{'p95 ms':>9}{'x of first':>12}")
    for name, median, high in rows:
        print(f"{name:44}{median:9.2f}{high:9.2f}{high / best:12.1f}")


def measure(
    index: CaseIndex, cases: list[dict], queries: list[dict]
) -> list[tuple[str, float, float]]:
    vectorizer = TfidfVectorizer(token_pattern=r"\S+")
    matrix = vectorizer.fit_transform(map(as_tokens, cases))

    def by_dot_product(query: dict) -> object:
        scores = (matrix @ vectorizer.transform([as_tokens(query)]).T).toarray().ravel()
        return np.argpartition(-scores, 500)[:500]

    def by_cosine_similarity(query: dict) -> object:
        scores = cosine_similarity(vectorizer.transform([as_tokens(query)]), matrix).ravel()
        return scores.argsort()[::-1][:500]

    filters = Filters(year_min=2010, exclude_cluster=7)
    plain = milliseconds(lambda query: index.search(query, limit=500, explained=20), queries)
    with tempfile.TemporaryDirectory() as folder:
        if compile_kernel(Path(folder)):
            index.search(queries[0])
    ways: list[tuple[str, Callable[[dict], object]]] = [
        ("500 neighbours, 20 explained", lambda q: index.search(q, limit=500, explained=20)),
        (
            "  the same, filtered",
            lambda q: index.search(q, limit=500, explained=20, filters=filters),
        ),
        ("  20 neighbours, none explained", lambda q: index.search(q, limit=20, explained=0)),
        ("scikit-learn: X @ q, argpartition", by_dot_product),
        ("scikit-learn: cosine_similarity, argsort", by_cosine_similarity),
    ]
    rows = [(name, *milliseconds(ask, queries)) for name, ask in ways]
    rows.insert(3, ("  500 and 20 without numba", *plain))
    return rows


if __name__ == "__main__":
    main()
