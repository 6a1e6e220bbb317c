"""Invented cases in any number and several shapes, for measuring speed. Not for quality.

Drawn a chunk at a time with NumPy, so that a million take seconds, and always the same for the
same seed. Words are those of the vocabulary, with frequencies as in language and slips of the
finger among them, so that groups of letters are as common as in real complaints; codes, symptoms
and findings hang together by a hidden cause, so that near cases exist.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from casebook.vocabulary import load_vocabulary
from search.core import Design, Scale

KINDS, CAUSES, FAMILIES = 20, 12, 30
MAKES, MODELS_EACH = 12, 8
CHECKS, SYMPTOMS, CODES = 14, 14, 40
CHUNK = 50_000
WORDS, SLIPS = 6_000, 4
RESULTS = ("good", "worn", "poor", "failed")
ENGINES = ("2.0 diesel", "1.6 petrol", "1.2 hybrid", "electric")
DRIVES = ("front", "rear", "all")
CONDITIONS = ("hot", "cold", "idle", "load")


@dataclass(frozen=True)
class Shape:
    """copies: how many cases, on average, are slips of one and the same; 1 for none."""

    words: tuple[int, int] = (5, 25)
    most_codes: int = 2
    kinds: int = KINDS
    copies: int = 1


SHAPES = {
    "mixed": Shape(),
    "near_duplicates": Shape(copies=50),
    "one_kind": Shape(kinds=1),
    "long_texts": Shape(words=(40, 120)),
    "no_codes": Shape(most_codes=0),
}


def speed_design() -> Design:
    scales = {f"check_{i}": Scale(results=RESULTS) for i in range(0, KINDS * CHECKS, 2)}
    return Design(scales=scales)


@lru_cache(maxsize=1)
def word_list() -> tuple[str, ...]:
    """WORDS words, first those of the vocabulary, then made-up ones; then each with some slips."""
    vocabulary = load_vocabulary()
    terms = (vocabulary.symptoms, vocabulary.checks, vocabulary.actions)
    labels = " ".join(term.label for table in terms for term in table.values())
    words = sorted({word for word in labels.lower().replace("-", " ").split() if word.isalpha()})
    rng = np.random.default_rng(5)
    rng.shuffle(words)
    pieces = sorted({word[at : at + 3] for word in words for at in range(0, len(word) - 2, 3)})
    while len(words) < WORDS:
        words.append("".join(rng.choice(pieces, rng.integers(2, 4))))
    out = list(words)
    for _ in range(SLIPS):
        for word in words:
            at = int(rng.integers(len(word)))
            out.append(word[:at] + word[at + 1 :] + "s" * int(rng.integers(2)))
    return tuple(out)


@lru_cache(maxsize=1)
def word_odds() -> NDArray[np.float64]:
    """Cumulative; Zipf's law as Mandelbrot bent it, since filling words are not compared."""
    odds = 1.0 / (np.arange(WORDS) + 10.0) ** 1.05
    return np.asarray(np.cumsum(odds / odds.sum()))


@dataclass(frozen=True)
class Columns:
    """Cases as arrays, one row each; -1 where there is nothing."""

    kind: NDArray[np.int64]
    family: NDArray[np.int64]
    model: NDArray[np.int64]
    engine: NDArray[np.int64]
    drive: NDArray[np.int64]
    age: NDArray[np.int64]
    odometer: NDArray[np.int64]
    cluster: NDArray[np.int64]
    words: NDArray[np.int64]
    codes: NDArray[np.int64]
    symptoms: NDArray[np.int64]
    conditions: NDArray[np.int64]
    checks: NDArray[np.int64]
    results: NDArray[np.int64]


def draw_columns(shape: Shape, count: int, rng: np.random.Generator) -> Columns:
    kind = rng.integers(shape.kinds, size=count)
    cause = np.minimum(rng.geometric(0.2, count) - 1, CAUSES - 1) + kind * CAUSES
    symptoms = _linked(rng, cause, kind, SYMPTOMS, 3)
    checks = _some(rng, kind[:, None] * CHECKS + rng.integers(CHECKS, size=(count, 4)))
    typical = (cause[:, None] * 31 + checks * 7) % len(RESULTS)
    stray = rng.integers(len(RESULTS), size=checks.shape)
    model = np.minimum(rng.geometric(0.05, count) - 1, MAKES * MODELS_EACH - 1)
    return Columns(
        kind=kind,
        family=kind * FAMILIES + np.minimum(rng.geometric(0.12, count) - 1, FAMILIES - 1),
        model=model,
        engine=rng.integers(len(ENGINES), size=count),
        drive=np.where(rng.random(count) < 0.6, 0, rng.integers(len(DRIVES), size=count)),
        age=rng.integers(-2, 21, size=count),
        odometer=np.where(rng.random(count) < 0.9, rng.integers(35, size=count), -1),
        cluster=np.minimum(rng.geometric(0.01, count), 500),
        words=_draw_words(shape, kind, cause, rng),
        codes=_linked(rng, cause, kind, CODES, shape.most_codes),
        symptoms=symptoms,
        conditions=rng.integers(-3, len(CONDITIONS), size=symptoms.shape),
        checks=checks,
        results=np.where(rng.random(checks.shape) < 0.7, typical, stray),
    )


def _some(rng: np.random.Generator, values: NDArray[np.int64]) -> NDArray[np.int64]:
    """The first few of each row, none included."""
    width = values.shape[1]
    kept = np.arange(width) < rng.integers(width + 1, size=len(values))[:, None]
    return np.where(kept, values, -1)


def _linked(
    rng: np.random.Generator,
    cause: NDArray[np.int64],
    kind: NDArray[np.int64],
    names: int,
    most: int,
) -> NDArray[np.int64]:
    """Up to `most` names of the kind each, mostly those the cause is known for."""
    size = (len(cause), most)
    known_for = (cause[:, None] * 5 + rng.integers(4, size=size) * 3) % names
    own = np.where(rng.random(size) < 0.75, known_for, rng.integers(names, size=size))
    return _some(rng, kind[:, None] * names + own) if most else own


def _draw_words(
    shape: Shape, kind: NDArray[np.int64], cause: NDArray[np.int64], rng: np.random.Generator
) -> NDArray[np.int64]:
    low, high = shape.words
    size = (len(kind), high)
    rank = np.minimum(np.searchsorted(word_odds(), rng.random(size)), WORDS - 1)
    draw = rng.random(size)
    shift = np.where(draw < 0.25, kind[:, None] * 97, np.where(draw < 0.5, cause[:, None] * 23, 0))
    words = (rank + shift) % WORDS
    for at in range(1, high):  # set phrases, so that pairs of words return
        follows = (words[:, at - 1] * 31 + rng.integers(3, size=len(kind))) % WORDS
        words[:, at] = np.where(rng.random(len(kind)) < 0.35, follows, words[:, at])
    slip = rng.random(size) < 0.04
    words += WORDS * np.where(slip, rng.integers(1, SLIPS + 1, size=size), 0)
    kept = np.arange(high) < rng.integers(low, high + 1, size=len(kind))[:, None]
    return np.where(kept, words, -1)


def make_cases(
    shape: str, count: int, *, seed: int = 1, id_prefix: str = ""
) -> Iterator[dict[str, Any]]:
    """Cases of the core, with ids in ascending order."""
    form = SHAPES[shape]
    pool = None
    if form.copies > 1:
        rng = np.random.default_rng((seed, 999_983))
        pool = draw_columns(form, max(1, count // form.copies), rng)
    for first in range(0, count, CHUNK):
        rng = np.random.default_rng((seed, first))
        size = min(CHUNK, count - first)
        drawn = draw_columns(form, size, rng)
        if pool is not None:
            drawn = _copies(pool, drawn, rng)
        yield from _as_cases(drawn, first, id_prefix)


def _copies(pool: Columns, drawn: Columns, rng: np.random.Generator) -> Columns:
    of = rng.integers(len(pool.kind), size=len(drawn.kind))
    copied = {name: values[of] for name, values in vars(pool).items()}
    copied["words"] = np.where(rng.random(drawn.words.shape) < 0.1, drawn.words, copied["words"])
    return replace(drawn, **(copied | {"odometer": drawn.odometer, "cluster": drawn.cluster}))


def _as_cases(columns: Columns, first: int, id_prefix: str) -> Iterator[dict[str, Any]]:
    words = word_list()
    codes = [
        {"code": f"P{n:04d}", "family": f"P{n // 10:03d}0", "subsystem": f"sub_{n // 20}"}
        for n in range(KINDS * CODES)
    ]
    rows = zip(*(values.tolist() for values in vars(columns).values()), strict=True)
    for number, row in enumerate(rows, first):
        kind, family, model, engine, drive, age, odometer, cluster = row[:8]
        said, found, signs, when, checks, results = row[8:]
        yield {
            "id": f"{id_prefix}{number:08x}",
            "complaint": " ".join([words[w] for w in said if w >= 0]),
            "codes": [codes[c] for c in dict.fromkeys(found) if c >= 0],
            "symptoms": [
                {"key": f"symptom_{s}", "when": [CONDITIONS[c]] if c >= 0 else []}
                for s, c in dict(zip(signs, when, strict=True)).items()
                if s >= 0
            ],
            "findings": [
                {"check": f"check_{c}", "result": RESULTS[r]}
                for c, r in dict(zip(checks, results, strict=True)).items()
                if c >= 0
            ],
            "make": f"Make {model % MAKES}",
            "model": f"Model {model}",
            "engine": ENGINES[engine],
            "drive": DRIVES[drive],
            "unit_kind": f"kind_{kind}",
            "unit_family": f"F{family}",
            "age_years": float(age) if age >= 0 else None,
            "year": 2026 - age if age >= 0 else None,
            "odometer_km": odometer * 10_000.0 + 5_000 if odometer >= 0 else None,
            "with_outcome": number % 3 > 0,
            "cluster": cluster,
        }
