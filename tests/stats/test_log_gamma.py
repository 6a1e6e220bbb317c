"""The table against the function itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.special import gammaln

from casebook.stats.log_gamma import LARGEST, LogGammaTable
from casebook.stats.shrinkage import vague_grid

GRID = vague_grid()
OFFSETS = GRID.strength * GRID.mean
TABLE = LogGammaTable(OFFSETS)
some_x = st.lists(
    st.one_of(st.just(0.0), st.floats(0, 60), st.floats(0, 1e-3), st.floats(0, 3 * LARGEST)),
    max_size=40,
)


@settings(deadline=None)
@given(some_x)
def test_each_value_is_that_of_the_function(x):
    expected = gammaln(OFFSETS + np.array(x)[:, None])
    assert_allclose(TABLE.each(x), expected, rtol=1e-10, atol=2e-8)


@settings(deadline=None)
@given(some_x)
def test_a_sum_is_the_sum_of_the_values(x):
    expected = gammaln(OFFSETS + np.array(x)[:, None]).sum(axis=0)
    assert_allclose(TABLE.sums(x), expected, rtol=1e-10, atol=1e-6)


@pytest.mark.parametrize("offsets", [[0.0], [-1.0], [[1.0]], [float("nan")]])
def test_offsets_that_cannot_be_are_refused(offsets):
    with pytest.raises(ValueError):
        LogGammaTable(offsets)
