"""How well texts that nobody here wrote find their like. Run by hand:

    .venv/bin/python -m tests.benchmarks.open_texts --part held

Maintenance work orders of excavators (see `tests/reference/excavators`): short texts with the part
and the failure mode that their publishers found in them. Queries are those that have both; each is
asked of texts among which it is not: the texts are dealt into five parts, all spellings of the same
words into one part, and the texts of one part ask those of the other four. Found means the same
part and the same failure mode; texts without labels are searched too, and never right. All ways
see the same texts. nDCG@10: linear gain of 1, discount log2(rank + 1). Intervals: 95 %, bootstrap
over labels, as texts of one label resemble one another.

Nothing is fitted to these texts. Where a choice had to be looked at, it was on the `open` half of
them; the `held` half (drawn by words, so that no text stands in both) was kept for the end.
"""

from __future__ import annotations

import argparse
import csv
import re
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from casebook.vocabulary.normaliser import load_replacements
from search.core import CaseIndex, Design
from search.core.design import WEIGHTS
from search.core.evaluation import bootstrap_interval, ndcg_at, precision_at, reciprocal_rank
from search.core.profile_fitting import fit_model
from search.core.resolved import Cure, Followed
from tests.benchmarks.baselines import by_bm25_of_complaint, by_tfidf_of_complaint

FILE = Path(__file__).parents[1] / "reference" / "excavators" / "excavators.csv"
FOLDS, TOP, SHOPS = 5, 10, 25
OURS, BM25, TFIDF = "Casebook", "BM25 (bm25s)", "TF-IDF cosine (scikit-learn)"
BLOCKS = ("words", "word_pairs", "letters")

# From texts to search, texts that ask, and labels of the former (-1: none): places found, best
# first, for each asking text.
Way = Callable[[Sequence[str], Sequence[str], NDArray[np.int64]], list[list[int]]]


@dataclass(frozen=True)
class Texts:
    """words: number of each text's words in their order, the same for all ways to space and write
    capitals. label: of part and failure mode, -1 where either lacks."""

    texts: list[str]
    words: NDArray[np.int64]
    label: NDArray[np.int64]


def read_texts(part: str = "all") -> Texts:
    """part: "open" or "held" half, or "all"."""
    with FILE.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    bare = [" ".join(re.findall(r"[a-z0-9]+", row["text"].lower())) for row in rows]
    distinct = sorted(set(bare))
    order = np.random.default_rng(2026).permutation(distinct)
    is_open = set(order[: len(order) // 2].tolist())
    kept = [
        at for at, text in enumerate(bare) if part == "all" or (text in is_open) == (part == "open")
    ]
    labels: dict[tuple[str, str], int] = {}
    numbers = {text: number for number, text in enumerate(distinct)}
    label = [
        labels.setdefault(pair, len(labels)) if all(pair) else -1
        for pair in ((rows[at]["part"], rows[at]["failure_mode"]) for at in kept)
    ]
    words = [numbers[bare[at]] for at in kept]
    return Texts([rows[at]["text"] for at in kept], np.array(words), np.array(label))


def judge(data: Texts, way: Way) -> NDArray[np.float64]:
    """nDCG@10, P@10 and reciprocal rank of every query that has something to find, in the order
    of the texts; NaN for all other texts. Shape (texts, 3)."""
    out = np.full((len(data.texts), 3), np.nan)
    # By the words themselves, so that a text is in the same part whatever else is there.
    fold = np.random.default_rng(5).permutation(int(data.words.max()) + 1)[data.words] % FOLDS
    for number in range(FOLDS):
        searched = np.flatnonzero(fold != number)
        labels = data.label[searched]
        asking = np.flatnonzero((fold == number) & np.isin(data.label, labels) & (data.label >= 0))
        found = way([data.texts[i] for i in searched], [data.texts[i] for i in asking], labels)
        for query, places in zip(asking.tolist(), found, strict=True):
            right = labels == data.label[query]
            hits = right[places[:TOP]]
            out[query] = ndcg_at(hits, right, TOP), precision_at(hits, TOP), reciprocal_rank(hits)
    return out


def find_by_index(**changes: Any) -> Way:
    """changes: of the design; weights are those of the text blocks, others stay."""
    design = Design(**({"replacements": load_replacements()} | changes))

    def find(
        texts: Sequence[str], queries: Sequence[str], labels: NDArray[np.int64]
    ) -> list[list[int]]:
        cases = ({"id": f"{place:06x}", "complaint": text} for place, text in enumerate(texts))
        index = CaseIndex.build(cases, design=design)
        return [
            [int(h.id, 16) for h in index.search({"complaint": q}, limit=TOP, explained=0)]
            for q in queries
        ]

    return find


def find_with_cures(
    texts: Sequence[str], queries: Sequence[str], labels: NDArray[np.int64]
) -> list[list[int]]:
    """The learned block too, as if part and failure mode of the searched texts were what cured
    them. There are no shops: texts are dealt into `SHOPS`, one text always into the same."""
    cases = [
        {
            "id": f"{place:06x}",
            "complaint": text,
            "unit_kind": "excavator",
            "cluster": zlib.crc32(text.lower().encode()) % SHOPS,
        }
        for place, text in enumerate(texts)
    ]
    design = Design(replacements=load_replacements())
    resolved = [
        Followed(case, Cure("component", (str(label),)))
        for case, label in zip(cases, labels.tolist(), strict=True)
        if label >= 0
    ]
    index = CaseIndex.build(cases, design=replace(design, cures=fit_model(resolved, design).model))
    found = []
    for text in queries:
        hits = index.search({"complaint": text, "unit_kind": "excavator"}, limit=TOP, explained=0)
        found.append([int(hit.id, 16) for hit in hits])
    return found


def with_weights(**weights: float) -> dict[str, Any]:
    return {"weights": dict(WEIGHTS) | weights}


def find_by_scores(rank: Callable[..., NDArray[np.float64]]) -> Way:
    def find(
        texts: Sequence[str], queries: Sequence[str], labels: NDArray[np.int64]
    ) -> list[list[int]]:
        cases, asking = ([{"complaint": text} for text in side] for side in (texts, queries))
        scores = rank(cases, asking)
        best = np.argsort(-scores, axis=1, kind="stable")[:, :TOP]
        return [
            row[row_scores[row] > 0].tolist() for row, row_scores in zip(best, scores, strict=True)
        ]

    return find


def main_ways() -> dict[str, Way]:
    return {
        OURS: find_by_index(),
        BM25: find_by_scores(by_bm25_of_complaint),
        TFIDF: find_by_scores(by_tfidf_of_complaint),
    }


def pieces() -> dict[str, Way]:
    """The learned block; each block of text alone and left out; other groups of letters; no trade
    table."""
    ways: dict[str, Way] = {"with the learned block": find_with_cures}
    for block in BLOCKS:
        others = dict.fromkeys(set(BLOCKS) - {block}, 0.0)
        ways[f"{block} alone"] = find_by_index(**with_weights(**others))
        ways[f"without {block}"] = find_by_index(**with_weights(**{block: 0.0}))
    for size in (2, 4, 5):
        ways[f"groups of {size} letters"] = find_by_index(letter_group_size=size)
    ways["without the trade table"] = find_by_index(replacements={})
    return ways


def show(ways: Mapping[str, Way], data: Texts) -> None:
    measured = {}
    for name, way in ways.items():
        measured[name] = judge(data, way)
        asked = np.isfinite(measured[name][:, 0])
        values, labels = measured[name][asked], data.label[asked]
        less = measured[OURS][asked, 0] - values[:, 0]
        columns = [_with_interval(column, labels) for column in values.T]
        columns.append("" if name == OURS else _with_interval(less, labels))
        print(f"{name:30}" + "".join(f"{column:>24}" for column in columns), flush=True)


def _with_interval(values: NDArray[np.float64], labels: NDArray[np.int64]) -> str:
    low, high = bootstrap_interval(values, labels, seed=1)
    return f"{values.mean():.3f} ({low:.3f}, {high:.3f})"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--part", choices=["open", "held", "all"], default="open")
    parser.add_argument("--pieces", action="store_true", help="also piece by piece")
    options = parser.parse_args()
    data = read_texts(options.part)
    asked = int(np.isfinite(judge(data, main_ways()[TFIDF])[:, 0]).sum())
    print(f"{len(data.texts):,} texts, {asked:,} queries with something to find ({options.part})")
    heads = ("nDCG@10", "P@10", "MRR", f"nDCG@10 {OURS} -")
    print(f"{'':30}" + "".join(f"{head:>24}" for head in heads))
    show(main_ways() | (pieces() if options.pieces else {}), data)


if __name__ == "__main__":
    main()
