"""How fast the index answers, beside bm25s and scikit-learn on the same bags. Run by hand:

    taskset -c 0 .venv/bin/python -m tests.benchmarks.search_speed --cases 100000 --shapes mixed

All sides see the same cases and the same queries in one process on one core; the ratio is what
counts. Every query is another case, since repeating one flatters by what stays in the cache.
Milliseconds are of processor time, so that other work on the machine counts as little as can be.
"""

from __future__ import annotations

import argparse
import os
import resource
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

os.environ.setdefault("NUMBA_NUM_THREADS", "1")  # before numba is loaded: one core for all

import bm25s
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array

from search.core import CaseIndex, Filters, loops
from search.core.index import _Asked
from search.core.kernel import Task, compile_kernel, find_best
from search.core.loops import pruned
from tests.benchmarks.corpora import SHAPES, make_cases, speed_design

FILTERS = Filters(year_min=2010, exclude_cluster=7, with_outcome=True)
QUERY_SEED = 77
POSTING_BYTES = 8  # a place and a value
ROW_FEATURE_BYTES = 8


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=100_000)
    parser.add_argument("--queries", type=int, default=200)
    parser.add_argument("--shapes", nargs="+", choices=sorted(SHAPES), default=["mixed"])
    parser.add_argument("--keep", type=Path, help="folder for built indexes, to measure again")
    options = parser.parse_args()
    print(f"memory bandwidth, copying: {copy_bandwidth():.1f} GB/s")
    with tempfile.TemporaryDirectory() as folder:
        place = options.keep or Path(folder)
        place.mkdir(parents=True, exist_ok=True)
        compile_kernel(place / "numba")
        for shape in options.shapes:
            index = open_or_build(shape, options.cases, place)
            queries = list(make_cases(shape, options.queries, seed=QUERY_SEED, id_prefix="q"))
            report(shape, index, queries)


def open_or_build(shape: str, count: int, place: Path) -> CaseIndex:
    directory = place / f"{shape}_{count}"
    if not directory.exists():
        start = time.process_time()
        index = CaseIndex.build(timed(make_cases(shape, count)), design=speed_design())
        taken = time.process_time() - start - timed.spent
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        index.save(directory)
        print(f"{shape}: built, {taken / count * 1e6:.0f} µs a case, peak {peak:.2f} GiB")
    start = time.process_time()
    index = CaseIndex.open(directory)
    opened = time.process_time() - start
    size = sum(path.stat().st_size for path in directory.iterdir())
    postings = len(index.layers[0].segment.docs)
    print(
        f"{shape}: {count:,} cases, {postings / count:.0f} postings and {size / count:.0f} bytes a "
        f"case on disk, {len(index.layers[0].segment.terms):,} terms, opened and checked in "
        f"{opened:.1f} s"
    )
    return index


class timed:  # noqa: N801 - reads as a function
    """Passes cases on and remembers what making them took."""

    spent = 0.0

    def __init__(self, cases: Iterator[dict[str, Any]]) -> None:
        self._cases = cases
        timed.spent = 0.0

    def __iter__(self) -> Iterator[dict[str, Any]]:
        while True:
            start = time.process_time()
            case = next(self._cases, None)
            timed.spent += time.process_time() - start
            if case is None:
                return
            yield case


def copy_bandwidth() -> float:
    """Bytes read and written a second when copying 256 MiB, in 1e9."""
    source = np.ones(2**25)
    target = np.empty_like(source)
    target[:] = source
    best = min(_seconds(lambda: np.copyto(target, source)) for _ in range(5))
    return 2 * source.nbytes / best / 1e9


def _seconds(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def quantiles(ask: Callable[[Any], object], asked: Sequence[Any]) -> tuple[float, float]:
    """Median and 95th percentile in ms; the first one warms up and doesn't count."""
    ask(asked[0])
    taken = [_seconds(lambda one=one: ask(one)) * 1_000 for one in asked]
    return float(np.median(taken)), float(np.quantile(taken, 0.95))


def report(shape: str, index: CaseIndex, queries: list[dict[str, Any]]) -> None:
    start = time.process_time()
    newer = index.with_tail([queries[0] | {"id": "new"}])
    seen = (time.process_time() - start) * 1_000
    layer = index.layers[0]
    asked = [_Asked(layer, index.vectoriser.read_query(q, index.statistics)) for q in queries]
    rows: list[tuple[str, float, float]] = []

    def measure(name: str, ask: Callable[[Any], object], over: Sequence[Any]) -> None:
        rows.append((name, *quantiles(ask, over)))

    for limit in (20, 500):
        rivals = by_bm25s(layer.segment, limit)
        measure(f"bm25s, best {limit}", rivals, [_names(one) for one in asked])
        if limit == 20:
            columns = csc_array(
                (layer.segment.values, layer.segment.docs, layer.segment.starts),
                shape=(len(index), len(layer.segment.terms)),
            )
            measure("scikit-learn's way: CSC columns, argpartition", by_columns(columns), asked)
        for label, filters in (("", Filters()), (", filtered", FILTERS)):
            tasks = [one.task(filters, limit) for one in asked]
            plain = [task._replace(bounds=None) for task in tasks]
            measure(f"every case{label}, best {limit}", find_best, plain)
            measure(f"pruned{label}, best {limit}", find_best, tasks)
    search = lambda q: index.search(q, limit=500, explained=20, filters=FILTERS)  # noqa: E731
    measure("whole search: filtered, 500, 20 explained", search, queries)
    measure("whole search: 20, none explained", lambda q: index.search(q, explained=0), queries)
    fresh = lambda q: newer.search(q, explained=0)  # noqa: E731
    measure("  the same with one new case", fresh, queries)
    bar = next(high for name, _, high in rows if name == "bm25s, best 20")
    bar_500 = next(high for name, _, high in rows if name == "bm25s, best 500")
    print(f"{shape:46}{'p50 ms':>9}{'p95 ms':>9}{'bm25s / it, p95':>17}")
    for name, median, high in rows:
        over = bar_500 if "500" in name else bar
        print(f"  {name:44}{median:9.2f}{high:9.2f}{over / high:17.2f}")
    print(f"  one new case is in the index after {seen:.1f} ms")
    touched(index, asked)


def touched(index: CaseIndex, asked: Sequence[_Asked], sample: int = 6) -> None:
    """Bytes of postings and rows that a search reads, counted on a few queries."""
    for limit in (20, 500):
        counts = [count_touched(one.task(Filters(), limit)) for one in asked[:sample]]
        every, postings, rows = np.mean(counts, axis=0) / 1e6
        print(
            f"  best {limit}: {every:.1f} MB of postings have the query's terms; pruned reads "
            f"{postings:.2f} MB of them and {rows:.2f} MB of rows"
        )


def count_touched(task: Task) -> tuple[int, int, int]:
    """(bytes of all postings of the query, bytes of those added up, bytes of rows read)."""
    terms = np.concatenate([task.question.terms, task.question.credit_terms])
    every = int((task.columns.starts[terms + 1] - task.columns.starts[terms]).sum())
    added = [0, 0]
    loops.use_plain_python()
    whole, add, collect = pruned.similarity_of, pruned.add_postings, pruned.collect

    def counting_add(into, columns, start, end, first, factor):  # type: ignore[no-untyped-def]
        added[0] += end - start
        np.add.at(into, columns.docs[start:end] - first, factor * columns.values[start:end])

    def counting_row(doc, question, columns, rows, *rest):  # type: ignore[no-untyped-def]
        added[1] += rows.starts[doc + 1] - rows.starts[doc]
        return whole(doc, question, columns, rows, *rest)

    def collecting(sums, count, cut, flags, out):  # type: ignore[no-untyped-def]
        found = np.flatnonzero(sums[:count] >= cut)
        out[: len(found)] = found
        return len(found)

    pruned.add_postings, pruned.similarity_of, pruned.collect = (  # type: ignore[assignment]
        counting_add,
        counting_row,
        collecting,
    )
    try:
        with np.errstate(over="ignore"):
            pruned.best_pruned(
                task.question, task.wanted, task.columns, task.rows, task.bounds, task.alive
            )
    finally:
        pruned.add_postings, pruned.similarity_of, pruned.collect = add, whole, collect
        loops.use_compiled()
    return every * POSTING_BYTES, added[0] * POSTING_BYTES, added[1] * ROW_FEATURE_BYTES


def _names(one: _Asked) -> list[str]:
    """What the query shares with any case."""
    return [name for name, term in zip(one.vector.features, one.terms, strict=True) if term >= 0]


def by_columns(columns: Any) -> Callable[[_Asked], object]:
    """TF-IDF cosine over the query's columns only, as scipy does it."""

    def ask(one: _Asked) -> object:
        known = one.terms >= 0
        scores = columns[:, one.terms[known]] @ one.vector.coefficients[known].astype(np.float32)
        return np.argpartition(-scores, min(20, len(scores) - 1))[:20]

    return ask


def by_bm25s(segment: Any, limit: int) -> Callable[[list[str]], object]:
    """bm25s with its numba backend over the same bags: every feature of a case is a token.

    Its index is filled with the scores of its own formula (Lucene's BM25, each token once) from
    our postings: its own indexing of so many cases needs more memory than there is.
    """
    retriever = bm25s.BM25(backend="numba")
    retriever.scores = {
        "data": bm25_scores(segment),
        "indices": segment.docs,
        "indptr": segment.starts,
        "num_docs": len(segment),
    }
    retriever.nonoccurrence_array = None
    retriever.vocab_dict = {name: i for i, name in enumerate(segment.terms.all_names())}
    retriever.unique_token_ids_set = set(retriever.vocab_dict.values())

    def ask(tokens: list[str]) -> object:
        return retriever.retrieve(
            [tokens], k=min(limit, len(segment)), show_progress=False, n_threads=1
        )

    return ask


def bm25_scores(segment: Any, k1: float = 1.5, b: float = 0.75) -> NDArray[np.float32]:
    lengths = np.diff(segment.rows.starts).astype(np.float32)
    df = np.diff(segment.starts)
    idf = np.log(1 + (len(segment) - df + 0.5) / (df + 0.5)).astype(np.float32)
    shares = 1.0 / (1.0 + k1 * (1 - b + b * lengths / lengths.mean()))
    out = np.empty(len(segment.docs), dtype=np.float32)
    for first in range(0, len(df), 100_000):
        last = min(first + 100_000, len(df))
        piece = slice(int(segment.starts[first]), int(segment.starts[last]))
        out[piece] = np.repeat(idf[first:last], df[first:last]) * shares[segment.docs[piece]]
    return out


if __name__ == "__main__":
    main()
