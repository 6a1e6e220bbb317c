"""Other ways to rank cases, as most people would write them: what the search is measured against.

Each takes the cases to search, once, and gives a function from queries to scores, more is nearer;
scores have shape (len(queries), len(cases)). Cases and queries are the mappings of `search.core`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array, diags_array

Case = Mapping[str, Any]
Cases = Sequence[Case]
Scores = NDArray[np.float64]
Scorer = Callable[[Cases], Scores]
Tokens = Callable[[Case], list[str]]

NAMES = ("make", "model", "unit_kind", "unit_family")
AMOUNTS = ("age_years", "odometer_km")
# The usual constants of BM25, see `score_bm25`.
K1, B = 1.5, 0.75


def as_tokens(case: Case) -> list[str]:
    """Everything about a case that is a word or a name, as one bag."""
    tokens = str(case.get("complaint") or "").lower().split()
    tokens += [code["code"] for code in case["codes"]]
    for symptom in case["symptoms"]:
        tokens += [symptom["key"], *(f"{symptom['key']}:{when}" for when in symptom["when"])]
    tokens += [f"{f['check']}:{f['result']}" for f in case["findings"] if "result" in f]
    return tokens + [str(case[name]) for name in NAMES if case.get(name)]


def by_tfidf(cases: Cases, tokens: Tokens = as_tokens) -> Scorer:
    """Cosine of term counts times ln((1+N)/(1+df)) + 1.

    Source: the defaults of scikit-learn's TfidfVectorizer (its user guide).
    """
    vocabulary: dict[str, int] = {}
    counts = _count(cases, tokens, vocabulary, grow=True)
    frequency = np.bincount(counts.indices, minlength=counts.shape[1])
    idf = np.log((1 + len(cases)) / (1 + frequency)) + 1
    known = _unit_length(counts @ diags_array(idf))

    def score(queries: Cases) -> Scores:
        asked = _unit_length(_count(queries, tokens, vocabulary, grow=False) @ diags_array(idf))
        return np.asarray((asked @ known.T).toarray())

    return score


def by_bm25(cases: Cases, tokens: Tokens = as_tokens, k1: float = K1, b: float = B) -> Scorer:
    """Okapi BM25, in the form without negative idf (see `bm25_idf`, `bm25_saturation`)."""
    vocabulary: dict[str, int] = {}
    counts = _count(cases, tokens, vocabulary, grow=True)
    frequency = np.bincount(counts.indices, minlength=counts.shape[1])
    lengths = np.asarray(counts.sum(axis=1)).ravel()
    relative = lengths / lengths.mean() if lengths.any() else lengths
    of_row = np.repeat(np.arange(len(cases)), np.diff(counts.indptr))
    rarities = bm25_idf(frequency, len(cases))[counts.indices]
    weights = counts.copy()
    weights.data = rarities * bm25_saturation(counts.data, relative[of_row], k1, b)

    def score(queries: Cases) -> Scores:
        asked = _count(queries, tokens, vocabulary, grow=False)
        return np.asarray((asked @ weights.T).toarray())

    return score


def bm25_idf(frequency: NDArray[Any], among: int) -> NDArray[np.float64]:
    """ln(1 + (N - df + .5) / (df + .5)): the odds of Robertson and Spärck Jones, kept positive.

    Source: Robertson & Zaragoza 2009, The Probabilistic Relevance Framework (from memory, not
    verified); the added 1 is that of Lucene.
    """
    odds: NDArray[np.float64] = (among - frequency + 0.5) / (frequency + 0.5)
    return np.log1p(odds)


def bm25_saturation(
    counts: NDArray[Any], relative_lengths: NDArray[Any], k1: float, b: float
) -> NDArray[np.float64]:
    """f / (f + k1 (1 - b + b l)), l being a text's length over the mean; some write (k1 + 1) times
    that, which orders alike. Source: as `bm25_idf`."""
    out: NDArray[np.float64] = counts / (counts + k1 * (1 - b + b * relative_lengths))
    return out


def by_code(cases: Cases) -> Scorer:
    """How many codes are shared; among equals those of the same unit kind first."""
    known = _Indicators([_codes(case) for case in cases])
    kinds = np.array([str(case.get("unit_kind") or "") for case in cases])

    def score(queries: Cases) -> Scores:
        asked = np.array([str(case.get("unit_kind") or "") for case in queries])
        shared, _ = known.compare([_codes(query) for query in queries])
        same: NDArray[np.bool_] = (asked[:, None] == kinds[None, :]) & (asked != "")[:, None]
        return shared + 0.5 * same

    return score


def by_gower(cases: Cases, ordered: Mapping[str, Sequence[str]]) -> Scorer:
    """Gower's coefficient of the structured part: the mean likeness over what both record.

    Names are equal or not; amounts, and ordered results by their place, 1 - |difference| / range
    of the cases; codes and symptoms are there or not, and where both lack one it does not count; a
    check that either did not do does not count. 0 where nothing counts.
    ordered: results in order, of each ordered check.
    Source: Gower 1971, Biometrics 27:857 (from memory, not verified).
    """
    columns = {name: _column([case.get(name) for case in cases]) for name in (*NAMES, *AMOUNTS)}
    done = [_results(case, ordered) for case in cases]
    checks = sorted({check for results in done for check in results})
    columns |= {f"check {c}": _column([results.get(c) for results in done]) for c in checks}
    sets = [_Indicators([read(case) for case in cases]) for read in (_codes, _symptoms)]

    def score(queries: Cases) -> Scores:
        alike = np.zeros((len(queries), len(cases)))
        counted = np.zeros_like(alike)
        asked = [_results(query, ordered) for query in queries]
        for indicators, read in zip(sets, (_codes, _symptoms), strict=True):
            both, either = indicators.compare([read(query) for query in queries])
            alike += both
            counted += either
        for name, column in columns.items():
            check = name.removeprefix("check ")
            values = (
                [query.get(name) for query in queries]
                if name in NAMES or name in AMOUNTS
                else [results.get(check) for results in asked]
            )
            for row, value in enumerate(values):
                if value is not None and value != "":
                    column.add(value, alike[row], counted[row])
        return np.divide(alike, counted, out=np.zeros_like(alike), where=counted > 0)

    return score


class _Names:
    """A column of names. values: None where missing, shape (cases,)."""

    def __init__(self, values: Sequence[Any]) -> None:
        named = (value for value in dict.fromkeys(values) if value is not None)
        self._places = {name: number for number, name in enumerate(named)}
        self._values = np.array([self._places.get(value, -1) for value in values])

    def add(self, asked: Any, alike: Scores, counted: Scores) -> None:
        alike += self._values == self._places.get(asked, -2)
        counted += self._values >= 0


class _Amounts:
    """A column of numbers, NaN where missing."""

    def __init__(self, values: Sequence[float | None]) -> None:
        self._values = np.array([np.nan if v is None else float(v) for v in values])
        self._known = np.isfinite(self._values)
        self._span = float(np.ptp(self._values[self._known])) if self._known.any() else 0.0

    def add(self, asked: Any, alike: Scores, counted: Scores) -> None:
        apart = np.abs(self._values - float(asked))
        near = 1.0 - apart / self._span if self._span else 1.0 * (apart == 0)
        alike += np.where(self._known, near, 0.0).clip(0.0)
        counted += self._known


def _column(values: Sequence[Any]) -> _Names | _Amounts:
    """Of numbers where there is no name among them."""
    given = [None if value == "" else value for value in values]
    return (_Names if any(isinstance(value, str) for value in given) else _Amounts)(given)


class _Indicators:
    """Which of many names each case has."""

    def __init__(self, sets: Sequence[set[str]]) -> None:
        self._places: dict[str, int] = {}
        for names in sets:
            for name in sorted(names):
                self._places.setdefault(name, len(self._places))
        self._sizes = np.array([len(names) for names in sets], dtype=np.float64)
        self._matrix = self._as_matrix(sets)

    def compare(self, asked: Sequence[set[str]]) -> tuple[Scores, Scores]:
        """How many names both have, and how many either has."""
        both = np.asarray((self._as_matrix(asked) @ self._matrix.T).toarray())
        sizes = np.array([len(names) for names in asked], dtype=np.float64)
        return both, sizes[:, None] + self._sizes[None, :] - both

    def _as_matrix(self, sets: Sequence[set[str]]) -> csr_array:
        entries = [
            (row, self._places[name])
            for row, names in enumerate(sets)
            for name in names
            if name in self._places
        ]
        rows, columns = np.array(entries, dtype=np.int64).reshape(-1, 2).T
        shape = (len(sets), max(1, len(self._places)))
        return csr_array((np.ones(len(rows)), (rows, columns)), shape=shape)


def _codes(case: Case) -> set[str]:
    return {code["code"] for code in case["codes"]}


def _symptoms(case: Case) -> set[str]:
    return {symptom["key"] for symptom in case["symptoms"]}


def _results(case: Case, ordered: Mapping[str, Sequence[str]]) -> dict[str, Any]:
    """Of each check its number, the place of its result where results are ordered, or a name."""
    out: dict[str, Any] = {}
    for finding in case["findings"]:
        check, value = finding["check"], finding.get("value")
        if value is None:
            value = finding["result"]
            if value in ordered.get(check, ()):
                value = float(list(ordered[check]).index(value))
        out[check] = value
    return out


def _count(
    cases: Iterable[Case], tokens: Tokens, vocabulary: dict[str, int], *, grow: bool
) -> csr_array:
    """Term counts, cases x vocabulary; terms beyond it are added (grow) or left out."""
    columns: list[int] = []
    ends = [0]
    for case in cases:
        for token in tokens(case):
            place = vocabulary.setdefault(token, len(vocabulary)) if grow else vocabulary.get(token)
            if place is not None:
                columns.append(place)
        ends.append(len(columns))
    shape = (len(ends) - 1, max(1, len(vocabulary)))
    counts = csr_array(
        (np.ones(len(columns)), np.array(columns, dtype=np.int64), ends), shape=shape
    )
    counts.sum_duplicates()
    return counts


def _unit_length(rows: csr_array) -> csr_array:
    lengths = np.sqrt(np.asarray(rows.multiply(rows).sum(axis=1)).ravel())
    lengths[lengths == 0] = 1.0
    return csr_array(diags_array(1.0 / lengths) @ rows)
