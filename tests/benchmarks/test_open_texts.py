"""Texts that nobody here wrote: Casebook finds more of their like than either common way."""

import numpy as np
import pytest

from search.core.evaluation import bootstrap_interval
from tests.benchmarks.open_texts import (
    BM25,
    FOLDS,
    OURS,
    TFIDF,
    Texts,
    judge,
    main_ways,
    read_texts,
)


@pytest.fixture(scope="module")
def data():
    return read_texts("open")


@pytest.fixture(scope="module")
def ndcg(data):
    return {name: judge(data, way)[:, 0] for name, way in main_ways().items()}


def test_the_halves_share_no_words_and_make_up_the_whole(data):
    held, whole = read_texts("held"), read_texts("all")
    assert len(data.texts) + len(held.texts) == len(whole.texts) == 5_485
    assert not set(data.words.tolist()) & set(held.words.tolist())
    assert int((whole.label >= 0).sum()) == 1_770


@pytest.mark.parametrize("other", [BM25, TFIDF])
def test_casebook_is_above_both_beyond_chance(data, ndcg, other):
    asked = np.isfinite(ndcg[OURS])
    assert asked.sum() > 600
    ahead = (ndcg[OURS] - ndcg[other])[asked]
    assert bootstrap_interval(ahead, data.label[asked], seed=1)[0] > 0


def test_a_text_is_never_found_by_its_own_words():
    texts = [f"pump leak {i % 7}" for i in range(40)]
    data = Texts(texts, np.arange(40) % 7, np.zeros(40, dtype=np.int64))
    seen = []

    def way(searched, asking, labels):
        seen.append((set(searched), set(asking)))
        return [[0]] * len(asking)

    judged = judge(data, way)
    assert len(seen) == FOLDS
    assert all(not searched & asking for searched, asking in seen)
    assert np.isfinite(judged).all()
    assert judged[:, 2].tolist() == [1.0] * 40
