"""The compiled ways against the NumPy one: the same answers to the last bit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csc_array

from search.core import bounds as bounds_module
from search.core import kernel, loops
from search.core.bounds import make_bounds
from search.core.kernel import Task, best_by_numpy, freeze
from search.core.loops.shapes import ANY, PLAIN_BLOCK, Columns, Question, Rows, Wanted
from search.core.reading import SLOTS

NO_FILTERS = Wanted(ANY, ANY, -1, 2**31 - 1, 0, 0, 0)
ALL_ALIVE = np.empty(0, dtype=np.uint8)


pytestmark = pytest.mark.usefixtures("compiled")


def random_task(
    seed, *, cases, terms, limit, grain, block_cases=64, wanted=NO_FILTERS, withdrawn=0.0
):
    """grain: few different values, so that many sums tie. The last quarter of the terms is
    credit, some of it negative; a slot's terms are only in cases that record it."""
    rng = np.random.default_rng(seed)
    slots = rng.integers(0, 2 ** len(SLOTS), cases).astype(np.uint32)
    slots |= np.where(rng.random(cases) < 0.5, 2 ** len(SLOTS) - 1, 0).astype(np.uint32)
    dense = np.zeros((cases, terms), dtype=np.float32)
    for term in range(terms):
        share = rng.choice([0.0, 0.001, 0.02, 0.3, 0.9])
        having = (rng.random(cases) < share) & ((slots >> (term % len(SLOTS))) & 1 == 1)
        dense[having, term] = rng.integers(1, grain + 1, int(having.sum())) / grain
    likeness = terms - terms // 4
    factors = rng.integers(1, grain + 1, terms) / (grain * terms)
    factors[likeness:] *= rng.choice([-0.3, 0.3], terms - likeness)
    by_term = csc_array(dense)
    by_case = by_term.tocsr()
    columns = Columns(
        starts=by_term.indptr.astype(np.int64),
        docs=by_term.indices.astype(np.int32),
        values=by_term.data.astype(np.float32),
        slots=slots,
        rank=rng.permutation(cases).astype(np.int32),
        unit_kind=np.sort(rng.integers(-1, 3, cases)).astype(np.int32),
        make=rng.integers(-1, 3, cases).astype(np.int32),
        year=rng.choice([-1, 2015, 2016, 2017], cases).astype(np.int32),
        with_outcome=rng.integers(0, 2, cases).astype(np.uint8),
        cluster=rng.integers(0, 4, cases),
    )
    rows = Rows(
        by_case.indptr.astype(np.int64),
        by_case.indices.astype(np.int32),
        by_case.data.astype(np.float32),
    )
    bounds = make_bounds(
        starts=columns.starts,
        docs=columns.docs,
        values=columns.values,
        rows=rows,
        slots=slots,
        block_of=(np.arange(terms) % 3).astype(np.uint8),
        block_cases=block_cases,
    )
    alive = (rng.random(cases) >= withdrawn).astype(np.uint8) if withdrawn else ALL_ALIVE
    return Task(
        question=Question(
            terms=np.arange(likeness),
            factors=factors[:likeness],
            credit_terms=np.arange(likeness, terms),
            credit_factors=factors[likeness:],
            slot_credits=rng.integers(0, 4, len(SLOTS)) / 200,
            base_credit=0.03,
            limit=limit,
        ),
        wanted=wanted,
        columns=freeze(columns),
        rows=freeze(rows),
        bounds=None if bounds is None else freeze(bounds),
        alive=kernel._frozen(alive),
    )


def assert_all_ways_agree(task):
    plain = best_by_numpy(task)
    for way in (task, task._replace(bounds=None)):
        fast = kernel.find_best(way)
        np.testing.assert_array_equal(fast.docs, plain.docs)
        np.testing.assert_array_equal(fast.keys, plain.keys)


filters = st.builds(
    Wanted,
    unit_kind=st.sampled_from([ANY, 0, 2, -2]),
    make=st.sampled_from([ANY, 1]),
    year_min=st.sampled_from([-1, 0, 2016]),
    year_max=st.sampled_from([2**31 - 1, 2016]),
    with_outcome=st.integers(0, 1),
    without_cluster=st.integers(0, 1),
    cluster=st.integers(0, 3),
)


@settings(max_examples=300, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    cases=st.integers(1, 700),
    terms=st.integers(1, 40),
    limit=st.sampled_from([1, 2, 7, 20, 1_000]),
    grain=st.sampled_from([1, 3, 1_000]),
    block_cases=st.sampled_from([1, 7, 64, 256]),
    wanted=st.just(NO_FILTERS) | filters,
    withdrawn=st.sampled_from([0.0, 0.3, 1.0]),
)
def test_all_ways_agree_to_the_last_bit(**shape):
    assert_all_ways_agree(random_task(**shape))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("limit", [20, 500])
def test_all_ways_agree_across_large_blocks(seed, limit):
    assert_all_ways_agree(
        random_task(
            seed,
            cases=2 * PLAIN_BLOCK + 17,
            terms=30,
            limit=limit,
            grain=(3, 1_000)[seed % 2],
            block_cases=4_096,
        )
    )


def test_all_ways_agree_where_terms_are_asked_twice_and_credit_meets_likeness():
    task = random_task(5, cases=500, terms=16, limit=20, grain=50)
    question = task.question._replace(
        terms=np.array([0, 3, 3, 5, 0]),
        factors=np.array([0.1, 0.2, 0.05, 0.1, 0.02]),
        credit_terms=np.array([5, 13]),
        credit_factors=np.array([-0.08, 0.03]),
    )
    assert_all_ways_agree(task._replace(question=question))


def test_starts_of_blocks_are_listed_or_searched_for_alike(monkeypatch):
    monkeypatch.setattr(bounds_module, "LISTED_FROM", 3)
    assert_all_ways_agree(random_task(6, cases=600, terms=30, limit=20, grain=50, block_cases=16))


def test_a_long_question_is_answered_in_full():
    task = random_task(7, cases=300, terms=3_000, limit=20, grain=50)
    assert_all_ways_agree(task)


def test_there_are_no_bounds_where_they_would_be_wrong_or_not_pay():
    task = random_task(8, cases=600, terms=12, limit=5, grain=50)
    columns, rows = task.columns, task.rows
    parts = {
        "starts": columns.starts,
        "docs": columns.docs,
        "rows": rows,
        "slots": columns.slots,
        "block_of": np.zeros(12, dtype=np.uint8),
    }
    assert make_bounds(values=-columns.values, block_cases=64, **parts) is None
    assert make_bounds(values=columns.values, block_cases=1_024, **parts) is None  # too few cases


def test_a_segment_without_matching_cases_has_no_best():
    task = random_task(0, cases=100, terms=4, limit=3, grain=3)
    nothing = task.question._replace(
        terms=np.empty(0, dtype=np.int64), factors=np.empty(0), limit=3
    )
    assert len(kernel.find_best(task._replace(question=nothing)).docs) == 0


def test_memory_mapped_input_needs_no_second_compilation(tmp_path):
    task = random_task(1, cases=900, terms=12, limit=5, grain=3)
    kernel.find_best(task)
    path = tmp_path / "docs.npy"
    np.save(path, task.columns.docs)
    mapped = task.columns._replace(docs=np.asarray(np.load(path, mmap_mode="r")))
    kernel.find_best(task._replace(columns=freeze(mapped)))
    assert len(loops.pruned.best_pruned.signatures) == 1


def test_the_loops_are_right_as_plain_python_too(monkeypatch):
    loops.use_plain_python()
    try:
        for seed in range(4):
            assert_all_ways_agree(random_task(seed, cases=90, terms=9, limit=5, grain=3))
    finally:
        loops.use_compiled()


def test_without_numba_searches_use_numpy(monkeypatch):
    def no_numba(name):
        raise ImportError(name)

    monkeypatch.setattr(kernel, "_compiled", False)
    monkeypatch.setattr(kernel, "import_module", no_numba)
    assert kernel.compile_kernel() is False
    task = random_task(2, cases=900, terms=12, limit=5, grain=3)
    np.testing.assert_array_equal(kernel.find_best(task).docs, best_by_numpy(task).docs)


def test_a_cache_folder_that_cannot_be_written_costs_time_not_answers(monkeypatch, tmp_path):
    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    monkeypatch.setattr(kernel, "_compiled", False)
    assert kernel.compile_kernel(in_the_way / "cache")
    task = random_task(3, cases=900, terms=12, limit=5, grain=3)
    np.testing.assert_array_equal(kernel.find_best(task).docs, best_by_numpy(task).docs)
