"""What the loops take and pass on: named tuples of arrays, which numba knows."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

SCALE = 1e7
ANY = -3  # of a filter: everything passes
PLAIN_BLOCK = 32_768
# What reading one case's own row costs, in postings.
ROW_PRICE = 1_500.0
MOST_STOPS = 16
TABLE = 4_096
FLOOR_STEPS = 2_048


class Question(NamedTuple):
    """A query's terms (numbers in the segment) and factors, likeness and credit; the credit of a
    case silent in each slot, shape (slots,)."""

    terms: Ints
    factors: Floats
    credit_terms: Ints
    credit_factors: Floats
    slot_credits: Floats
    base_credit: float
    limit: int


class Wanted(NamedTuple):
    """Filters as numbers: ANY passes all; without_cluster: 1 where `cluster` is left out."""

    unit_kind: int
    make: int
    year_min: int
    year_max: int
    with_outcome: int
    without_cluster: int
    cluster: int


class Columns(NamedTuple):
    """Postings (starts: shape (terms + 1,)) and what each case is; rank: place among the ids."""

    starts: Ints
    docs: NDArray[np.int32]
    values: Singles
    slots: NDArray[np.uint32]
    rank: NDArray[np.int32]
    unit_kind: NDArray[np.int32]
    make: NDArray[np.int32]
    year: NDArray[np.int32]
    with_outcome: NDArray[np.uint8]
    cluster: Ints


class Rows(NamedTuple):
    """The same values case by case; starts: shape (cases + 1,)."""

    starts: Ints
    terms: NDArray[np.int32]
    values: Singles


class Bounds(NamedTuple):
    """What is known beforehand, to leave cases alone safely.

    Per term: the block it belongs to, the slots that every case with it records, its largest
    value, and its row in `block_starts` (-1: few cases) which tells where each block of cases
    begins in its postings. lengths: per block, the largest length of a case's values in it.
    combinations: of slots that occur. slot_counts: cases that record each slot.
    """

    block_cases: int
    block_of: NDArray[np.uint8]
    needs: NDArray[np.uint32]
    tops: Singles
    lengths: Floats
    combinations: Ints
    slot_counts: Ints
    row_of: NDArray[np.int32]
    block_starts: NDArray[np.uint32]


class Groups(NamedTuple):
    """The query's terms by block and slot: what bounds them together. slot: -1 for none."""

    of_term: Ints
    slot: Ints
    length: Floats


class Plan(NamedTuple):
    """The order in which terms are added up and where to stop and look.

    stops: places in `order`; left: postings after each; ceilings: per stop and combination of
    slots the most that is still to come, credit by slots included; highest: of all combinations.
    """

    order: Ints
    stops: Ints
    left: Floats
    ceilings: Singles
    highest: Floats


class Kept(NamedTuple):
    """Candidates: an upper bound of each, or (exact) its similarity."""

    docs: Ints
    tops: Floats
    exact: NDArray[np.bool_]


class Heap(NamedTuple):
    """The best so far; the root is the worst of them: smallest key, then largest rank."""

    keys: Ints
    ranks: Ints
    docs: Ints
