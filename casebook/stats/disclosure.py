"""Which cells of a table of counts may be published, so that no shop is shown by it.

A cell is withheld if fewer than LEAST_CASES cases or LEAST_SHOPS shops stand behind it, or if one
shop has more than LARGEST_SHARE of them. That is not enough: who has a total and all its parts but
one has that one too. So more cells are withheld until, from everything that is published (the
table, and every coarser table over some of its dimensions), no withheld cell can be worked out,
and the withheld cells of no total add up to something that itself must be withheld.

What this does not do: bound a withheld count (it can be guessed to lie under its total); look at
tables asked for with other filters; help where the coarser tables alone, with the knowledge of
which cells are empty, already give a cell away.

Source of the rule: minimum frequency and dominance, as in the Glossary of Statistical Disclosure
Control, UNECE/Eurostat 2005; the figures 5, 3 and one half are this project's.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array
from scipy.sparse.linalg import lsqr

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

LEAST_CASES: Final = 5
LEAST_SHOPS: Final = 3
LARGEST_SHARE: Final = 0.5

# A cell whose freedom is smaller than this, where 1 is usual, has none.
_FIXED: Final = 1e-5


def must_withhold(cases: ArrayLike, shops: ArrayLike, largest_shop: ArrayLike) -> BoolArray:
    """The rule for single cells. cases: count; shops: how many stand behind it; largest_shop:
    cases of the shop with the most. One shape for all, returned too.
    Raises ValueError unless 0 <= largest_shop <= cases.
    """
    n, s, top = np.broadcast_arrays(
        np.asarray(cases, float), np.asarray(shops, float), np.asarray(largest_shop, float)
    )
    if not np.all((top >= 0) & (top <= n)):
        raise ValueError("need 0 <= largest_shop <= cases")
    too_few = (n < LEAST_CASES) | (s < LEAST_SHOPS)
    return np.asarray(too_few | (top > LARGEST_SHARE * n), np.bool_)


def withheld_cells(
    keys: Sequence[tuple[object, ...]],
    cell: ArrayLike,
    shop: ArrayLike,
    count: ArrayLike,
    *,
    within: Mapping[int, int] | None = None,
) -> BoolArray:
    """Which cells of a table must not be published; shape (cells,).

    keys: one tuple per cell, no two alike, all of one length: its place in each dimension.
    cell, shop, count: rows of one length; how many cases each shop has in each cell, `cell` being
    a place in `keys`. within: dimension -> the dimension whose finer division it is (a model lies
    within a make): no coarser table has it without the other.
    Deterministic: of several that would do, the smallest cell goes, then the smallest key.
    Raises ValueError on keys or places that don't fit.
    """
    places, labels, counts = _checked_table(keys, cell, shop, count)
    if not keys:
        return np.zeros(0, np.bool_)
    dimensions = len(keys[0])
    shops = int(labels.max()) + 1 if len(labels) else 1
    finest = csr_array((counts, (places, labels)), shape=(len(keys), shops))
    tables: dict[tuple[int, ...], _Table] = {}
    # Coarser tables first: a finer one must not give away what they withhold.
    nested = within or {}
    for size in range(dimensions + 1):
        for kept in combinations(range(dimensions), size):
            if any(part in kept and whole not in kept for part, whole in nested.items()):
                continue
            table = _Table.of(keys, kept, finest)
            _protect(table, [tables[k] for k in tables if set(k) < set(kept)])
            tables[kept] = table
    last = tables[tuple(range(dimensions))]
    return last.withheld[last.row_of_cell]


@dataclass
class _Table:
    """A table over some of the dimensions.

    row_of_cell: (cells,), which row each finest cell adds to. contributions: cases, (rows, shops).
    rank: of the rows, smallest first. exposed: what the rule for single cells withholds.
    withheld: that and what is withheld to protect it.
    """

    row_of_cell: IntArray
    contributions: csr_array
    rank: IntArray
    exposed: BoolArray
    withheld: BoolArray

    @classmethod
    def of(
        cls, keys: Sequence[tuple[object, ...]], kept: tuple[int, ...], finest: csr_array
    ) -> _Table:
        names = [tuple(repr(key[d]) for d in kept) for key in keys]
        place = {name: row for row, name in enumerate(sorted(set(names)))}
        row_of_cell = np.array([place[name] for name in names], np.int64)
        collect = csr_array(
            (np.ones(len(keys)), (row_of_cell, np.arange(len(keys)))),
            shape=(len(place), len(keys)),
        )
        contributions = csr_array(collect @ finest)
        size = np.asarray(contributions.sum(axis=1), np.float64)
        shops = np.asarray((contributions > 0).sum(axis=1), np.float64)
        largest = np.asarray(contributions.max(axis=1).toarray(), np.float64)
        exposed = must_withhold(size, shops, largest.ravel())
        # Rows are in the order of their keys, so a stable sort breaks ties by key.
        rank = np.empty(len(size), np.int64)
        rank[np.argsort(size, kind="stable")] = np.arange(len(size))
        return cls(row_of_cell, contributions, rank, exposed, exposed.copy())

    def is_exposed(self, rows: IntArray) -> bool:
        """Whether the sum of these rows must be withheld itself."""
        # Slicing the sparse array itself would take ten times as long.
        start, end = self.contributions.indptr[rows], self.contributions.indptr[rows + 1]
        parts = [slice(a, b) for a, b in zip(start, end, strict=True)]
        shop = np.concatenate([self.contributions.indices[part] for part in parts])
        cases = np.concatenate([self.contributions.data[part] for part in parts])
        together = np.bincount(shop, cases)
        total, largest = float(together.sum()), float(together.max(initial=0.0))
        too_few = total < LEAST_CASES or np.count_nonzero(together) < LEAST_SHOPS
        return bool(too_few or largest > LARGEST_SHARE * total)

    def withhold_smallest(self, rows: IntArray) -> bool:
        """Withholds the smallest published row of these; False where none is left."""
        open_rows = rows[~self.withheld[rows]]
        if not len(open_rows):
            return False
        self.withheld[open_rows[np.argmin(self.rank[open_rows])]] = True
        return True


def _protect(table: _Table, coarser: Sequence[_Table]) -> None:
    # The narrowest totals first: what protects within them often protects the wider ones too.
    totals = [total for above in reversed(coarser) for total in _totals(table, above)]
    known = np.zeros(len(table.withheld), np.bool_)
    # What stays fixed even with every row of this table withheld can't be helped here.
    utmost = _freedom(np.ones(len(table.withheld), np.bool_), totals)
    while True:
        before = table.withheld.copy()
        for total in totals:
            while _gives_away(table, total, known) and table.withhold_smallest(total.rows):
                pass
        freedom = _freedom(table.withheld, totals)
        known_now = table.withheld & _is_fixed(freedom)
        leaking = known_now & table.exposed & ~_is_fixed(utmost)
        for total in totals:
            rows = total.rows
            leaks = not total.shown and _is_fixed(freedom[rows].sum())
            if np.any(leaking[rows]) or (leaks and not _is_fixed(utmost[rows].sum())):
                table.withhold_smallest(rows)
        if np.array_equal(before, table.withheld) and np.array_equal(known, known_now):
            return
        known = known_now


@dataclass(frozen=True)
class _Total:
    """Rows that add up to one row of a coarser table, and whether that one is shown."""

    rows: IntArray
    shown: bool


def _totals(table: _Table, above: _Table) -> Iterator[_Total]:
    pairs = np.unique(np.stack([above.row_of_cell, table.row_of_cell]), axis=1)
    starts = np.searchsorted(pairs[0], np.arange(len(above.withheld) + 1))
    for number in range(len(above.withheld)):
        rows = pairs[1, starts[number] : starts[number + 1]].astype(np.int64)
        yield _Total(rows, not above.withheld[number])


def _gives_away(table: _Table, total: _Total, known: BoolArray) -> bool:
    """known: withheld rows that can be worked out in another way (harmless ones only)."""
    hidden = total.rows[table.withheld[total.rows] & ~known[total.rows]]
    if not total.shown:
        # All parts published would publish the withheld total.
        return not len(hidden)
    if not len(hidden) or len(hidden) == len(total.rows):
        return False
    return len(hidden) == 1 or table.is_exposed(hidden)


def _is_fixed(freedom: FloatArray | float) -> BoolArray:
    return np.asarray(np.abs(freedom) < _FIXED, np.bool_)


def _freedom(withheld: BoolArray, totals: Sequence[_Total]) -> FloatArray:
    """How far each row can move with all that is published staying as it is; shape (rows,).

    Every shown total is a linear equation in the withheld rows. One random solution of the
    homogeneous equations moves every row that can move; the others, and published ones, get 0.
    """
    hidden = np.flatnonzero(withheld)
    freedom = np.zeros(len(withheld))
    start = np.random.default_rng(20).uniform(1.0, 2.0, len(hidden))
    place = np.full(len(withheld), -1)
    place[hidden] = np.arange(len(hidden))
    parts = [place[t.rows[withheld[t.rows]]] for t in totals if t.shown]
    parts = [columns for columns in parts if len(columns)]
    if not parts:
        freedom[hidden] = start
        return freedom
    columns = np.concatenate(parts)
    numbers = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    shape = (len(parts), len(hidden))
    matrix = csr_array((np.ones(len(columns)), (numbers, columns)), shape=shape)
    target = np.asarray(matrix @ start, np.float64)
    held_fast = lsqr(matrix, target, atol=1e-14, btol=1e-14, iter_lim=20 * len(hidden))[0]
    freedom[hidden] = start - held_fast
    return freedom


def _checked_table(
    keys: Sequence[tuple[object, ...]], cell: ArrayLike, shop: ArrayLike, count: ArrayLike
) -> tuple[IntArray, IntArray, FloatArray]:
    places, shops = np.asarray(cell, np.int64), np.asarray(shop)
    counts = np.asarray(count, np.float64)
    if len(set(keys)) != len(keys) or len({len(key) for key in keys}) > 1:
        raise ValueError("keys must be distinct and of one length")
    if not (places.ndim == 1 and places.shape == shops.shape == counts.shape):
        raise ValueError("cell, shop and count must be rows of one length")
    if len(places) and not (places.min() >= 0 and places.max() < len(keys)):
        raise ValueError("cell must be a place in keys")
    if not np.all(counts >= 0):
        raise ValueError("counts must be >= 0")
    _, labels = np.unique(shops, return_inverse=True)
    return places, labels.astype(np.int64), counts
