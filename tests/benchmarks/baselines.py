"""Other ways to rank cases, for the benchmarks: scores of all queries against all cases at once.

All see the same past cases and the same queries; score arrays have shape (len(queries),
len(cases)). What the product measures itself against comes from `search.core.baselines`; BM25 of
all tokens is bm25s, and TF-IDF of the complaint alone is scikit-learn's, as most people write it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import bm25s
import numpy as np
from sklearn.feature_extraction.text import TfidfVectorizer
from sklearn.metrics.pairwise import cosine_similarity

from search.core import baselines
from search.core.baselines import Cases, Scores, as_tokens


def by_tfidf_of_complaint(cases: Cases, queries: Cases) -> Scores:
    vectorizer = TfidfVectorizer()
    matrix = vectorizer.fit_transform([case["complaint"] for case in cases])
    return cosine_similarity(vectorizer.transform([q["complaint"] for q in queries]), matrix)


def by_tfidf(cases: Cases, queries: Cases) -> Scores:
    return baselines.by_tfidf(cases)(queries)


def by_bm25(cases: Cases, queries: Cases) -> Scores:
    return bm25s_scores([as_tokens(c) for c in cases], [as_tokens(q) for q in queries])


def by_bm25_of_complaint(cases: Cases, queries: Cases) -> Scores:
    """Words of two letters and more, as in `by_tfidf_of_complaint`."""
    known, asked = ([as_words(one["complaint"]) for one in side] for side in (cases, queries))
    return bm25s_scores(known, asked)


def by_code(cases: Cases, queries: Cases) -> Scores:
    return baselines.by_code(cases)(queries)


def by_gower(cases: Cases, queries: Cases, ordered: Mapping[str, Sequence[str]]) -> Scores:
    return baselines.by_gower(cases, ordered)(queries)


def as_words(text: str) -> list[str]:
    return re.findall(r"\b\w\w+\b", text.lower())


def bm25s_scores(known: Sequence[list[str]], asked: Sequence[list[str]]) -> Scores:
    """By the library's defaults."""
    ranker = bm25s.BM25()
    # The library can't index nothing at all.
    ranker.index([tokens or [""] for tokens in known], show_progress=False)
    return np.array(
        [ranker.get_scores(tokens) if tokens else np.zeros(len(known)) for tokens in asked],
        dtype=np.float64,
    )
