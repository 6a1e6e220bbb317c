"""Tables of outcomes: many groups, one estimator, nothing published that shows a shop. Pure.

The estimate of a group at a level is the outlook's with equal weights; small groups are drawn
towards the other groups of the table. Numbers are withheld by casebook.stats.disclosure, apart for
the group, for each level tried first and for each level that resolved.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from casebook.cases.constants import LEVELS
from casebook.outcomes.cohorts import Cohorts, TriedCases, estimate_cohorts, level_rho
from casebook.outcomes.outlook import (
    COVERAGE,
    LevelEstimate,
    count_outcomes,
    describe_estimate,
)
from casebook.stats.disclosure import must_withhold, withheld_cells
from casebook.stats.shrinkage import Grid, forget, learn, vague_grid

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Key = tuple[object, ...]


@dataclass(frozen=True)
class Dimension:
    """One thing cases are grouped by. values: its keys; place: of each row in values."""

    name: str
    values: Sequence[object]
    place: IntArray


@dataclass(frozen=True)
class CaseRows:
    """Cases by group, as arrays of one length; a case in several groups has several rows.

    case: which case a row belongs to. level, resolved_by: places in LEVELS, -1 where nothing was
    tried or it is not known. cost: NaN where none is noted. currency: place in `currencies`.
    """

    case: IntArray
    dimensions: Sequence[Dimension]
    level: IntArray
    event: IntArray
    event_days: FloatArray
    cluster: IntArray
    resolved_by: IntArray
    cost: FloatArray
    currency: IntArray
    currencies: Sequence[str]

    def __len__(self) -> int:
        return len(self.case)

    def tried(self, which: BoolArray) -> TriedCases:
        return TriedCases(
            self.level[which], self.event[which], self.event_days[which], self.cluster[which]
        )


@dataclass(frozen=True)
class _Cells:
    """Groups found in the rows. names: of the dimensions; keys: one value of each per cell;
    place: the cell of each row."""

    names: list[str]
    keys: list[Key]
    place: IntArray

    def __len__(self) -> int:
        return len(self.keys)


def build_table(
    rows: CaseRows, *, within: Mapping[str, str], horizon_days: float, coverage: float = COVERAGE
) -> list[dict[str, Any]]:
    """One entry per group, in the order of the keys.

    within: dimension -> the dimension whose part it is; both must be among the rows'.
    Raises ValueError unless horizon_days > 0 and 0 < coverage < 1.
    """
    if not (horizon_days > 0 and 0 < coverage < 1):
        raise ValueError("need horizon_days > 0 and 0 < coverage < 1")
    if not len(rows):
        return []
    cells = _find_cells(rows)
    names = cells.names
    once = _once_per_cell(rows.case, cells.place)
    hidden = _withheld(cells, cells.place[once], rows.cluster[once], within)
    levels = _LevelTable.of(rows, cells, once, within, horizon_days)
    own_rows = _rows_by_cell(cells, once)
    table = []
    for number in _in_key_order(cells.keys):
        own = own_rows[number]
        entry: dict[str, Any] = dict(zip(names, cells.keys[number], strict=True))
        shown = not hidden[number]
        entry["cases"] = len(own) if shown else None
        entry["shops"] = len(np.unique(rows.cluster[own])) if shown else None
        entry["suppressed"] = not shown
        entry["levels"] = levels.describe(number, own, coverage) if shown else []
        table.append(entry)
    return table


def _find_cells(rows: CaseRows) -> _Cells:
    names = [dimension.name for dimension in rows.dimensions]
    if not rows.dimensions:
        return _Cells(names, [()], np.zeros(len(rows), np.int64))
    places = np.stack([dimension.place for dimension in rows.dimensions])
    found, place = np.unique(places, axis=1, return_inverse=True)
    keys = [
        tuple(d.values[p] for d, p in zip(rows.dimensions, column, strict=True))
        for column in found.T
    ]
    return _Cells(names, keys, place.ravel().astype(np.int64))


def _once_per_cell(case: IntArray, cell: IntArray) -> BoolArray:
    """One row for each case in a cell: two codes of one family are one case of the family."""
    _, first = np.unique(np.stack([case, cell]), axis=1, return_index=True)
    once = np.zeros(len(case), np.bool_)
    once[first] = True
    return once


def _rows_by_cell(cells: _Cells, once: BoolArray) -> list[IntArray]:
    counted = np.flatnonzero(once)
    counted = counted[np.argsort(cells.place[counted], kind="stable")]
    ends = np.searchsorted(cells.place[counted], np.arange(1, len(cells)))
    return [part.astype(np.int64) for part in np.split(counted, ends)]


def _withheld(
    cells: _Cells, place: IntArray, cluster: IntArray, within: Mapping[str, str]
) -> BoolArray:
    """Which cells must not be told. place, cluster: of each case counted."""
    pairs, count = np.unique(np.stack([place, cluster]), axis=1, return_counts=True)
    # However a table is asked for, the same cells give cover to each other.
    order = sorted(range(len(cells.names)), key=lambda d: cells.names[d])
    keys = [tuple(key[d] for d in order) for key in cells.keys]
    number = {cells.names[d]: i for i, d in enumerate(order)}
    nested = {number[part]: number[whole] for part, whole in within.items()}
    return withheld_cells(keys, pairs[0], pairs[1], count, within=nested)


def _in_key_order(keys: Sequence[Key]) -> list[int]:
    """Missing values last; numbers by size, also those that a text begins with."""

    def order(number: int) -> list[tuple[bool, int, str]]:
        texts = [(value is None, str(value)) for value in keys[number]]
        return [(missing, _leading_number(text), text) for missing, text in texts]

    return sorted(range(len(keys)), key=order)


def _leading_number(text: str) -> int:
    digits = len(text) - len(text.lstrip("0123456789"))
    return int(text[:digits] or 0)


@dataclass(frozen=True)
class _LevelTable:
    """The table with the level as one more dimension: tried first, and what resolved.

    tried, resolved: which rows count. hidden_*: (cell, level) pairs withheld. estimates: of the
    pairs in `pair`, which maps (cell, level) to a place. grids: what all groups of the table
    teach, per level.
    """

    rows: CaseRows
    horizon_days: float
    hidden_tried: set[tuple[int, int]]
    hidden_resolved: set[tuple[int, int]]
    pair: dict[tuple[int, int], int]
    estimates: Cohorts
    grids: dict[int, Grid]

    @classmethod
    def of(
        cls,
        rows: CaseRows,
        cells: _Cells,
        once: BoolArray,
        within: Mapping[str, str],
        horizon_days: float,
    ) -> _LevelTable:
        tried = once & (rows.level >= 0)
        cases = rows.tried(tried)
        pairs, place = np.unique(
            np.stack([cells.place[tried], cases.level]), axis=1, return_inverse=True
        )
        first_row = np.zeros(len(rows), np.bool_)
        first_row[np.unique(rows.case, return_index=True)[1]] = True
        rho = level_rho(rows.tried(first_row & (rows.level >= 0)), horizon_days)
        estimates = estimate_cohorts(
            cases,
            place.ravel().astype(np.int64),
            pairs.shape[1],
            rho=rho[pairs[1]],
            horizon_days=horizon_days,
        )
        grids = {
            int(level): learn(
                vague_grid(),
                estimates.held[pairs[1] == level],
                estimates.trials[pairs[1] == level],
            )
            for level in np.unique(pairs[1])
        }
        return cls(
            rows=rows,
            horizon_days=horizon_days,
            hidden_tried=_withheld_pairs(cells, rows, once, "level", within),
            hidden_resolved=_withheld_pairs(cells, rows, once, "resolved_by", within),
            pair={(int(c), int(level)): i for i, (c, level) in enumerate(pairs.T)},
            estimates=estimates,
            grids=grids,
        )

    def describe(self, cell: int, own: IntArray, coverage: float) -> list[dict[str, Any]]:
        """own: the rows of the cell, one per case."""
        level, resolved_by = self.rows.level[own], self.rows.resolved_by[own]
        described = []
        for place in range(len(LEVELS)):
            of_level = own[level == place]
            if not len(of_level) and not (resolved_by == place).any():
                continue
            hidden = (cell, place) in self.hidden_tried
            described.append(
                {
                    "level": LEVELS[place],
                    **self._counts(of_level, hidden),
                    **self._estimate(cell, place, hidden, coverage),
                    "share_resolved_by": self._share(cell, place, resolved_by),
                    **self._cost(of_level, hidden),
                    "suppressed": hidden,
                }
            )
        return described

    def _counts(self, own: IntArray, hidden: bool) -> dict[str, int | None]:
        counts = count_outcomes(self.rows.event[own], self.rows.event_days[own], self.horizon_days)
        return {name: None if hidden else value for name, value in vars(counts).items()}

    def _estimate(
        self, cell: int, place: int, hidden: bool, coverage: float
    ) -> dict[str, float | None]:
        number = self.pair.get((cell, place))
        nothing = dict.fromkeys(
            ("holds", "interval_low", "interval_high", "prior_share", "effective_cases")
        )
        if hidden or number is None:
            return nothing
        e = self.estimates
        n_eff = {"effective_cases": round(float(e.n_eff[number]), 1)}
        held, trials = float(e.held[number]), float(e.trials[number])
        if trials == 0:
            # Nobody was followed that long; the other groups are no news of this one.
            return nothing | n_eff
        others = forget(self.grids[place], held, trials)
        estimate = LevelEstimate(held, trials, 0.0, 0.0, ended=False)
        described = describe_estimate(estimate, others, coverage)
        low, high = described["interval"]
        return n_eff | {
            "holds": described["holds"],
            "interval_low": low,
            "interval_high": high,
            "prior_share": described["prior_share"],
        }

    def _share(self, cell: int, place: int, resolved_by: IntArray) -> float | None:
        known = int((resolved_by >= 0).sum())
        if not known or (cell, place) in self.hidden_resolved:
            return None
        return round(float((resolved_by == place).sum() / known), 4)

    def _cost(self, own: IntArray, hidden: bool) -> dict[str, str | None]:
        """Median of what the cases cost in all, in the currency most of them are in."""
        nothing: dict[str, str | None] = {"median_cost": None, "currency": None}
        with_cost = own[~np.isnan(self.rows.cost[own])]
        if hidden or not len(with_cost):
            return nothing
        currency = np.bincount(self.rows.currency[with_cost]).argmax()
        counted = with_cost[self.rows.currency[with_cost] == currency]
        _, of_shop = np.unique(self.rows.cluster[counted], return_counts=True)
        if must_withhold(len(counted), len(of_shop), of_shop.max()):
            return nothing
        median = float(np.median(self.rows.cost[counted]))
        return {"median_cost": f"{median:.2f}", "currency": self.rows.currencies[int(currency)]}


def _withheld_pairs(
    cells: _Cells, rows: CaseRows, once: BoolArray, name: str, within: Mapping[str, str]
) -> set[tuple[int, int]]:
    """(cell, level) that must not be told; name: the level tried first, or the one that resolved.

    Cases without one are a value of their own, so that the values add up to the cases.
    """
    values: IntArray = getattr(rows, name)[once]
    pairs, place = np.unique(np.stack([cells.place[once], values]), axis=1, return_inverse=True)
    if name in cells.names:
        # The cells are parted by it already.
        finer = _Cells(cells.names, [cells.keys[cell] for cell in pairs[0]], place.ravel())
    else:
        keys = [(*cells.keys[cell], None if v < 0 else LEVELS[v]) for cell, v in pairs.T]
        finer = _Cells([*cells.names, name], keys, place.ravel())
    hidden = _withheld(finer, finer.place.astype(np.int64), rows.cluster[once], within)
    return {(int(cell), int(value)) for cell, value in pairs.T[hidden]}
