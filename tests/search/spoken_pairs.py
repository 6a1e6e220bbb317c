"""How alike the answers to two ways of saying one complaint are. Run by hand for the table:

.venv/bin/python -m tests.search.spoken_pairs
"""

from __future__ import annotations

import random
import tomllib
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import NamedTuple

import numpy as np
from sklearn.feature_extraction.text import TfidfVectorizer

from casebook.ops.demo.generator import generate
from casebook.vocabulary.normaliser import load_replacements
from search.core import CaseIndex, Design

PAIRS_FILE = Path(__file__).parent / "data" / "pairs.toml"
TOP = 10

# Of a query: places of the cases found, best first.
Finder = Callable[[str], list[int]]


class Pair(NamedTuple):
    """held_back: looked at by nobody who changed how text is read."""

    kind: str
    clean: str
    rough: str
    held_back: bool


def read_pairs() -> list[Pair]:
    """All pairs; a third of each kind, drawn at random, is held back."""
    rng = random.Random(7)
    pairs = []
    for kind, written in tomllib.loads(PAIRS_FILE.read_text(encoding="utf-8")).items():
        held = set(rng.sample(range(len(written)), len(written) // 3))
        pairs += [Pair(kind, *pair, at in held) for at, pair in enumerate(written)]
    return pairs


def demo_complaints(count: int) -> list[str]:
    world = generate(seed=60, shops=24, cases=count, today=date(2025, 6, 30))
    return [case["complaint"] for _, case in world.cases]


def find_by_index(complaints: list[str]) -> Finder:
    cases = ({"id": f"{place:06x}", "complaint": text} for place, text in enumerate(complaints))
    index = CaseIndex.build(cases, design=Design(replacements=load_replacements()))

    def find(query: str) -> list[int]:
        hits = index.search({"complaint": query}, limit=TOP, explained=0)
        return [int(hit.id, 16) for hit in hits]

    return find


def find_by_tfidf(complaints: list[str]) -> Finder:
    """As most people write it."""
    vectorizer = TfidfVectorizer()
    matrix = vectorizer.fit_transform(complaints)

    def find(query: str) -> list[int]:
        scores = (matrix @ vectorizer.transform([query]).T).toarray().ravel()
        return [int(i) for i in np.argsort(-scores, kind="stable")[:TOP] if scores[i] > 0]

    return find


def compare(find: Finder, pairs: list[Pair]) -> Iterator[tuple[float, bool]]:
    """Of each pair: the share of the clean query's ten best among the rough one's, and whether
    the clean one's best is among them. A clean query that finds nothing counts as a failure."""
    for pair in pairs:
        clean, rough = find(pair.clean), set(find(pair.rough))
        if clean:
            yield len(rough.intersection(clean)) / len(clean), clean[0] in rough
        else:
            yield 0.0, False


def main() -> None:
    complaints, pairs = demo_complaints(3_000), read_pairs()
    finders = {"Casebook": find_by_index(complaints), "TF-IDF": find_by_tfidf(complaints)}
    print(f"{'':28}{'pairs':>6}" + "".join(f"{way:>11}{'best':>7}" for way in finders))
    kinds = dict.fromkeys(pair.kind for pair in pairs)
    for held_back in (False, True):
        print("held back" if held_back else "open")
        for kind in [*kinds, "all"]:
            some = [p for p in pairs if p.held_back == held_back and kind in (p.kind, "all")]
            line = f"  {kind:26}{len(some):6}"
            for find in finders.values():
                overlap, best = np.array(list(compare(find, some))).mean(axis=0)
                line += f"{overlap:11.2f}{best:7.2f}"
            print(line)


if __name__ == "__main__":
    main()
