"""Simultaneous intervals for shares against printed output."""

from __future__ import annotations

from numpy.testing import assert_allclose

from casebook.stats.multinomial import goodman_intervals


def test_goodman_intervals_as_an_r_manual_prints_them():
    # Example output of GM in the manual of the R package CoinMinD (rdrr.io/cran/CoinMinD/man/GM),
    # seen in the stored page; method: Goodman 1965, Technometrics 7:247. The paper was not seen.
    low, high = goodman_intervals([44, 55, 43, 32, 67, 78], confidence=0.95)
    assert_allclose(
        low,
        [0.09468368, 0.12376893, 0.09208527, 0.06412671, 0.15637944, 0.18692732],
        rtol=0,
        atol=5e-8,
    )
    assert_allclose(
        high,
        [0.1966413, 0.2350489, 0.1931040, 0.1535697, 0.2760670, 0.3130119],
        rtol=0,
        atol=5e-8,
    )
