"""What is published must not give away what is withheld: checked with exact linear algebra."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from casebook.stats.disclosure import must_withhold, withheld_cells

SHOPS = 6


@pytest.mark.parametrize(
    "cases, shops, largest, withheld",
    [
        (5, 3, 2, False),
        (4, 3, 2, True),  # too few cases
        (20, 2, 10, True),  # too few shops
        (20, 3, 10, False),  # one shop has half: not more than half
        (20, 3, 11, True),
        (0, 0, 0, True),
    ],
)
def test_the_rule_for_a_single_cell(cases, shops, largest, withheld):
    assert bool(must_withhold(cases, shops, largest)) is withheld


def exposed(contributions):
    return bool(
        must_withhold(contributions.sum(), (contributions > 0).sum(), contributions.max(initial=0))
    )


def as_triples(by_cell):
    """by_cell: cases per cell and shop, shape (cells, shops)."""
    cell, shop = np.nonzero(by_cell)
    return cell, shop, by_cell[cell, shop]


def collect(keys, by_cell, kept):
    """The coarser table over the kept dimensions: keys, cases, and the row of each cell."""
    short = [tuple(key[d] for d in kept) for key in keys]
    names = sorted(set(short))
    row = np.array([names.index(name) for name in short])
    total = np.zeros((len(names), by_cell.shape[1]))
    np.add.at(total, row, by_cell)
    return names, total, row


def published_equations(keys, by_cell, own_cells):
    """Every published total (and, if asked, cell) as a row of coefficients on the cells; and the
    sums that must stay unknown."""
    known, secret = [], []
    dimensions = len(keys[0])
    for size in range(dimensions):
        for kept in combinations(range(dimensions), size):
            names, total, row = collect(keys, by_cell, kept)
            hidden = withheld_cells(names, *as_triples(total))
            for r in range(len(names)):
                (secret if hidden[r] else known).append((row == r).astype(float))
    hidden = withheld_cells(keys, *as_triples(by_cell))
    for c in range(len(keys)):
        unit = np.eye(len(keys))[c]
        if not hidden[c] and own_cells:
            known.append(unit)
        elif hidden[c] and exposed(by_cell[c]):
            secret.append(unit)
    return np.array(known).reshape(-1, len(keys)), secret


def can_work_out(known, wanted):
    return np.linalg.matrix_rank(np.vstack([known, wanted])) == np.linalg.matrix_rank(known)


@st.composite
def tables(draw, full):
    sizes = draw(st.lists(st.integers(1, 4), min_size=1, max_size=3))
    keys = list(product(*(range(size) for size in sizes)))
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    by_cell = random.poisson(draw(st.sampled_from([0.5, 1.5, 4])), (len(keys), SHOPS)) * (
        random.random((len(keys), SHOPS)) < draw(st.sampled_from([0.5, 0.9]))
    )
    if full:
        by_cell[:, 0] = np.maximum(by_cell[:, 0], 1)
    there = by_cell.sum(axis=1) > 0
    if not there.any():
        there[0], by_cell[0, 0] = True, 1
    return [key for key, is_there in zip(keys, there, strict=True) if is_there], by_cell[there]


@settings(deadline=None, max_examples=150)
@given(tables(full=False))
def test_the_table_adds_nothing_from_which_a_withheld_cell_could_be_worked_out(table):
    # Coarser tables are published whatever we withhold here; what those alone give away (where
    # many cells are empty) this table can't help, but it must not add to it.
    keys, by_cell = table
    margins, secret = published_equations(keys, by_cell, own_cells=False)
    everything, _ = published_equations(keys, by_cell, own_cells=True)
    for sum_of_cells in secret:
        if len(everything) and can_work_out(everything, sum_of_cells):
            assert can_work_out(margins, sum_of_cells)


@settings(deadline=None, max_examples=150)
@given(tables(full=False))
def test_every_cell_that_the_rule_names_is_withheld(table):
    keys, by_cell = table
    hidden = withheld_cells(keys, *as_triples(by_cell))
    assert all(hidden[c] for c in range(len(keys)) if exposed(by_cell[c]))


def test_one_small_cell_takes_the_next_smallest_with_it():
    # 100, 30 and 50 cases, and 2: whoever has the total 182 and the three large ones has the 2.
    by_cell = np.array([[40, 30, 30], [10, 10, 10], [20, 15, 15], [2, 0, 0]])
    hidden = withheld_cells([("a",), ("b",), ("c",), ("d",)], *as_triples(by_cell))
    assert hidden.tolist() == [False, True, False, True]


def test_two_small_cells_whose_sum_is_small_take_a_third_with_them():
    by_cell = np.array([[40, 30, 30], [10, 10, 10], [1, 0, 0], [2, 0, 0]])
    hidden = withheld_cells([("a",), ("b",), ("c",), ("d",)], *as_triples(by_cell))
    assert hidden.tolist() == [False, True, True, True]


def test_small_cells_that_together_are_fit_to_publish_need_no_other():
    by_cell = np.array([[40, 30, 30], [1, 1, 0], [0, 1, 1], [1, 0, 1]])
    hidden = withheld_cells([("a",), ("b",), ("c",), ("d",)], *as_triples(by_cell))
    assert hidden.tolist() == [False, True, True, True]


def test_a_table_with_nothing_small_is_published_whole():
    keys = list(product("abc", "xyz"))
    assert not withheld_cells(keys, *as_triples(np.full((9, 3), 4))).any()


def test_a_table_with_one_cell_is_judged_by_the_rule_alone():
    assert withheld_cells([()], [0, 0], [1, 2], [50, 40]).tolist() == [True]
    assert withheld_cells([()], [0, 0, 0], [1, 2, 3], [50, 40, 30]).tolist() == [False]
    assert withheld_cells([], [], [], []).shape == (0,)


def test_a_model_is_protected_within_its_make():
    # Both makes are published, so the small model's cover must come from its own make, although
    # the smallest model of all belongs to the other.
    keys = [("Corvane", "Big"), ("Corvane", "Tiny"), ("Lumen", "One"), ("Lumen", "Two")]
    by_cell = np.array([[20, 20, 20], [1, 1, 0], [5, 5, 5], [5, 5, 6]])
    hidden = withheld_cells(keys, *as_triples(by_cell), within={1: 0})
    assert hidden.tolist() == [True, True, False, False]


def test_the_order_of_the_cells_does_not_matter():
    random = np.random.default_rng(8)
    keys = list(product(range(4), range(5)))
    by_cell = random.poisson(1.5, (20, SHOPS))
    hidden = withheld_cells(keys, *as_triples(by_cell))
    order = random.permutation(20)
    again = withheld_cells([keys[i] for i in order], *as_triples(by_cell[order]))
    assert again.tolist() == hidden[order].tolist()


@pytest.mark.parametrize(
    "call",
    [
        lambda: must_withhold(3, 1, 4),
        lambda: withheld_cells([("a",), ("a",)], [0], [0], [1]),
        lambda: withheld_cells([("a",), ("a", "b")], [0], [0], [1]),
        lambda: withheld_cells([("a",)], [1], [0], [1]),
        lambda: withheld_cells([("a",)], [0], [0], [-1]),
        lambda: withheld_cells([("a",)], [0], [0, 1], [1]),
    ],
)
def test_impossible_input_is_refused(call):
    with pytest.raises(ValueError):
        call()
