"""Other ways to rank cases, as most people would write them. Each gives scores, more is nearer.

All see the same past cases and the same queries; score arrays have shape (len(queries),
len(cases)).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rank_bm25 import BM25Okapi
from sklearn.feature_extraction.text import TfidfVectorizer
from sklearn.metrics.pairwise import cosine_similarity

Case = Mapping[str, Any]
Cases = Sequence[Case]
Scores = NDArray[np.float64]

NAMES = ("make", "model", "unit_kind", "unit_family")
AMOUNTS = ("age_years", "odometer_km")


def as_tokens(case: Case) -> list[str]:
    """Everything about a case that is a word or a name, as one bag."""
    tokens = case["complaint"].split()
    tokens += [code["code"] for code in case["codes"]]
    for symptom in case["symptoms"]:
        tokens += [symptom["key"], *(f"{symptom['key']}:{when}" for when in symptom["when"])]
    tokens += [f"{f['check']}:{f['result']}" for f in case["findings"] if "result" in f]
    return tokens + [str(case[name]) for name in NAMES if case[name]]


def by_tfidf_of_complaint(cases: Cases, queries: Cases) -> Scores:
    vectorizer = TfidfVectorizer()
    matrix = vectorizer.fit_transform([case["complaint"] for case in cases])
    return cosine_similarity(vectorizer.transform([q["complaint"] for q in queries]), matrix)


def by_tfidf(cases: Cases, queries: Cases) -> Scores:
    vectorizer = TfidfVectorizer(analyzer=as_tokens)
    matrix = vectorizer.fit_transform(cases)
    return cosine_similarity(vectorizer.transform(queries), matrix)


def by_bm25(cases: Cases, queries: Cases) -> Scores:
    ranker = BM25Okapi([as_tokens(case) for case in cases])
    return np.array([ranker.get_scores(as_tokens(query)) for query in queries])


def by_code(cases: Cases, queries: Cases) -> Scores:
    """How many codes are shared; among equals those of the same unit kind first."""
    shared = _indicators([_codes(case) for case in cases], [_codes(query) for query in queries])[0]
    kinds = np.array([case["unit_kind"] for case in cases])
    asked = np.array([query["unit_kind"] for query in queries])
    return shared + 0.5 * (asked[:, None] == kinds[None, :])


def by_gower(cases: Cases, queries: Cases, ordered: Mapping[str, Sequence[str]]) -> Scores:
    """Gower's coefficient of the structured part: the mean likeness over what both record.

    Names are equal or not; amounts, and ordered results by their place, 1 - |difference| / range;
    codes and symptoms are there or not, and where both lack one it does not count; a check that
    either did not do does not count. 0 where nothing counts.
    ordered: results in order, of each ordered check.
    Source: Gower 1971, Biometrics 27:857 (from memory, not verified).
    """
    alike = np.zeros((len(queries), len(cases)))
    counted = np.zeros_like(alike)
    for name in NAMES:
        _add_names(alike, counted, [q[name] for q in queries], [c[name] for c in cases])
    for name in AMOUNTS:
        _add_amounts(alike, counted, [q[name] for q in queries], [c[name] for c in cases])
    for read in (_codes, _symptoms):
        both, either = _indicators([read(c) for c in cases], [read(q) for q in queries])
        alike += both
        counted += either
    asked, known = ([_results(case) for case in side] for side in (queries, cases))
    for check in sorted({name for results in asked for name in results}):
        ours, theirs = ([results.get(check) for results in side] for side in (asked, known))
        if check in ordered:
            place = {result: float(i) for i, result in enumerate(ordered[check])}
            ours, theirs = ([None if r is None else place[r] for r in s] for s in (ours, theirs))
        is_name = any(isinstance(result, str) for result in ours + theirs)
        (_add_names if is_name else _add_amounts)(alike, counted, ours, theirs)
    return np.divide(alike, counted, out=np.zeros_like(alike), where=counted > 0)


def _codes(case: Case) -> set[str]:
    return {code["code"] for code in case["codes"]}


def _symptoms(case: Case) -> set[str]:
    return {symptom["key"] for symptom in case["symptoms"]}


def _results(case: Case) -> dict[str, Any]:
    return {f["check"]: f.get("value", f.get("result")) for f in case["findings"]}


def _add_names(alike: Scores, counted: Scores, ours: Iterable[Any], theirs: Iterable[Any]) -> None:
    one, other = (np.array([v or "" for v in side], dtype=object) for side in (ours, theirs))
    both = (one != "")[:, None] & (other != "")[None, :]
    alike += both & (one[:, None] == other[None, :])
    counted += both


def _add_amounts(
    alike: Scores, counted: Scores, ours: Sequence[Any], theirs: Sequence[Any]
) -> None:
    one, other = (np.array([np.nan if v is None else v for v in s]) for s in (ours, theirs))
    known = np.concatenate([one[~np.isnan(one)], other[~np.isnan(other)]])
    span = float(np.ptp(known)) if len(known) else 0.0
    apart = np.abs(one[:, None] - other[None, :])
    both = ~np.isnan(apart)
    alike += np.where(both, 1.0 - apart / span if span else 1.0, 0.0)
    counted += both


def _indicators(cases: list[set[str]], queries: list[set[str]]) -> tuple[Scores, Scores]:
    """How many names both have, and how many either has."""
    place = {name: i for i, name in enumerate(sorted(set().union(*cases, *queries)))}

    def matrix(sets: list[set[str]]) -> Scores:
        out = np.zeros((len(sets), len(place)))
        for row, names in enumerate(sets):
            out[row, [place[name] for name in names]] = 1.0
        return out

    asked, known = matrix(queries), matrix(cases)
    both = asked @ known.T
    return both, asked.sum(axis=1)[:, None] + known.sum(axis=1)[None, :] - both
