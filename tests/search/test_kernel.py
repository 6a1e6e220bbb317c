"""The compiled path against the NumPy path: the same answers to the last bit."""

import numpy as np
import pytest

from search.core import kernel
from search.core.kernel import BLOCK_CASES, Task, best_by_numpy


@pytest.fixture(scope="module")
def compiled(tmp_path_factory):
    pytest.importorskip("numba")
    before = kernel._compiled
    kernel._compiled = None
    assert kernel.compile_kernel(tmp_path_factory.mktemp("numba"))
    yield kernel.find_best
    kernel._compiled = before


def random_task(seed, *, cases, terms, limit, grain):
    """grain: few different values, so that many sums tie."""
    rng = np.random.default_rng(seed)
    docs, values, starts, ends = [], [], [], []
    for _ in range(terms):
        having = np.flatnonzero(rng.random(cases) < rng.choice([0.0, 0.001, 0.1, 0.9]))
        starts.append(sum(map(len, docs)))
        docs.append(having.astype(np.int32))
        values.append((rng.integers(1, grain + 1, len(having)) / grain).astype(np.float32))
        ends.append(starts[-1] + len(having))
    coefficients = rng.integers(1, grain + 1, terms) / (grain * terms)
    likeness = terms - terms // 4
    coefficients[likeness:] *= rng.choice([-0.1, 0.1], terms - likeness)
    return Task(
        starts=np.array(starts, dtype=np.int64),
        ends=np.array(ends, dtype=np.int64),
        coefficients=coefficients,
        likeness_terms=likeness,
        docs=np.concatenate(docs),
        values=np.concatenate(values),
        slots=rng.integers(0, 4, cases).astype(np.uint32),
        slot_credit=np.array([0.03, 0.02, 0.01, 0.0]),
        allowed=(rng.random(cases) < 0.8).astype(np.uint8),
        limit=limit,
    )


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("limit", [1, 2, 7, 500])
@pytest.mark.parametrize("cases", [1, 900, 2 * BLOCK_CASES + 17])
def test_compiled_and_plain_path_agree_to_the_last_bit(compiled, seed, limit, cases):
    task = random_task(seed, cases=cases, terms=12, limit=limit, grain=(3, 1000)[seed % 2])
    fast, plain = compiled(task), best_by_numpy(task)
    np.testing.assert_array_equal(fast.docs, plain.docs)
    np.testing.assert_array_equal(fast.keys, plain.keys)


def test_a_segment_without_cases_has_no_best(compiled):
    task = random_task(0, cases=1, terms=2, limit=3, grain=3)
    empty = task._replace(
        starts=task.starts[:0],
        ends=task.ends[:0],
        coefficients=task.coefficients[:0],
        likeness_terms=0,
        slots=task.slots[:0],
        allowed=task.allowed[:0],
    )
    assert len(compiled(empty).docs) == len(best_by_numpy(empty).docs) == 0


def test_memory_mapped_input_needs_no_second_compilation(compiled):
    task = random_task(1, cases=900, terms=12, limit=5, grain=3)
    compiled(kernel.frozen(task))
    compiled(task)
    assert len(kernel._compiled.signatures) == 1


def test_without_numba_searches_use_numpy(monkeypatch):
    def no_numba(name):
        raise ImportError(name)

    monkeypatch.setattr(kernel, "_compiled", None)
    monkeypatch.setattr(kernel, "import_module", no_numba)
    assert kernel.compile_kernel() is False
    task = random_task(2, cases=900, terms=12, limit=5, grain=3)
    np.testing.assert_array_equal(kernel.find_best(task).docs, best_by_numpy(task).docs)


def test_a_cache_folder_that_cannot_be_written_costs_time_not_answers(
    monkeypatch, tmp_path, caplog
):
    pytest.importorskip("numba")
    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    monkeypatch.setattr(kernel, "_compiled", None)
    assert kernel.compile_kernel(in_the_way / "cache")
    task = random_task(3, cases=900, terms=12, limit=5, grain=3)
    np.testing.assert_array_equal(kernel.find_best(task).docs, best_by_numpy(task).docs)
