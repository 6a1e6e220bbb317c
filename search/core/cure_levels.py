"""How likely each level of repair would cure a case: the learned profile summed over levels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from search.core.blocks.cures import Cures
from search.core.design import Design
from search.core.index import CaseIndex
from search.core.likeness import collect
from search.core.profile import KindCures

FloatArray = NDArray[np.float64]


def case_level_chances(
    cases: Sequence[Mapping[str, object]], design: Design, levels: Sequence[str]
) -> FloatArray:
    """Chance that each level cures each case, by the models that never saw its shop.

    cases: as `search.core` reads them. Returns shape (cases, levels), rows that sum to 1; NaN for
    kinds of which the design has no model, or no model at all.
    """
    out = np.full((len(cases), len(levels)), np.nan)
    model = design.cures
    if model is None or not len(cases):
        return out
    collector = collect(cases, design)
    parts = model.cross_fitted(
        csr_array(collector.raw_rows()),
        dict(collector.numbers),
        collector.kinds,
        np.array(collector.clusters, dtype=np.int64),
    )
    for one, _, chosen, chances in parts:
        out[chosen] = chances @ _to_levels(one, levels)
    return out


def query_level_chances(
    index: CaseIndex, query: Mapping[str, object], levels: Sequence[str]
) -> FloatArray:
    """The same for a query, the mean of all models; shape (levels,), NaN where there is none."""
    block = next((block for block in index.vectoriser.blocks if isinstance(block, Cures)), None)
    if block is None:
        return np.full(len(levels), np.nan)
    view = index.vectoriser.query_view(query, index.statistics)
    asked = block.model.ask_chances(block.raw(view), view.text("unit_kind"))
    if asked is None:
        return np.full(len(levels), np.nan)
    one, chances = asked
    return np.asarray(chances.mean(axis=0) @ _to_levels(one, levels), np.float64)


def _to_levels(one: KindCures, levels: Sequence[str]) -> FloatArray:
    """Shape (classes, levels): what stands for no level stands for all alike."""
    names = [cure.partition(":")[0] for cure in one.classes]
    table = np.array([[float(name == level) for level in levels] for name in names])
    total = table.sum(axis=1, keepdims=True)
    return np.where(total > 0, table, 1 / len(levels))
