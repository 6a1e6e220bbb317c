"""Effective sizes and design effects against published and derived values."""

from __future__ import annotations

import pytest

from casebook.stats.clustering import (
    anova_icc,
    cluster_n_eff,
    kish_n_eff,
    rao_scott_design_effect,
)
from casebook.stats.proportions import wilson_interval

# Weil 1970, rat litters: alive / litter size. Data from a stored data set whose source is
# Williams 1975, Biometrics 31:949-952; it is Table 1 of Rao and Scott 1992.
CONTROL = (
    [13, 12, 9, 9, 8, 8, 12, 11, 9, 9, 8, 11, 4, 5, 7, 7],
    [13, 12, 9, 9, 8, 8, 13, 12, 10, 10, 9, 13, 5, 7, 10, 10],
)
TREATED = (
    [12, 11, 10, 9, 10, 9, 9, 8, 8, 4, 7, 4, 5, 3, 3, 0],
    [12, 11, 10, 9, 11, 10, 10, 9, 9, 5, 9, 7, 10, 6, 10, 7],
)


def test_the_litters_are_the_published_ones():
    assert (sum(CONTROL[0]), sum(CONTROL[1])) == (142, 158)
    assert (sum(TREATED[0]), sum(TREATED[1])) == (112, 145)


@pytest.mark.parametrize("litters, effect", [(CONTROL, 1.232495), (TREATED, 3.952861)])
def test_design_effect_matches_rao_and_scott_1992(litters, effect):
    # Biometrics 48:577-585; the digits as an R manual prints them for these data.
    assert rao_scott_design_effect(*litters) == pytest.approx(effect, abs=5e-7)


def test_interval_of_the_treated_litters_widens_as_published_data_demand():
    # Reproduced with statsmodels: raw counts, then counts over the design effect.
    successes, trials = sum(TREATED[0]), sum(TREATED[1])
    effect = rao_scott_design_effect(*TREATED)
    assert wilson_interval(successes, trials) == pytest.approx([0.698, 0.833], abs=5e-4)
    shrunk = wilson_interval(successes / effect, trials / effect)
    assert shrunk == pytest.approx([0.615, 0.878], abs=5e-4)


@pytest.mark.parametrize("litters, icc", [(CONTROL, 0.0291), (TREATED, 0.3721)])
def test_analysis_of_variance_correlation_of_the_litters(litters, icc):
    # Formula of Donner and Klar 2000 (from memory, not verified); values reproduced by hand.
    assert anova_icc(*litters) == pytest.approx(icc, abs=5e-5)


@pytest.mark.parametrize(
    "weights, n_eff",
    [
        ((1, 1, 1, 1), 4),
        ((4, 1, 1, 1, 1), 3.2),
        ((1, 0.5, 0.25, 0.125), 2.6471),
        ((3, 2, 1), 2.5714),
        ((10,) + (1,) * 10, 3.6364),
    ],
)
def test_kish_1965_effective_number(weights, n_eff):
    # The formula as an R manual has it; the numbers are own arithmetic.
    assert kish_n_eff(weights) == pytest.approx(n_eff, abs=5e-5)


@pytest.mark.parametrize(
    "weights, clusters, rho, n_eff",
    [
        # Own arithmetic on the derived formula.
        ((1,) * 20, tuple(range(4)) * 5, 0.1, 14.2857),
        ((1,) * 50, (7,) * 50, 0.1, 8.4746),
        ((1, 0.8, 0.6, 0.4, 0.4, 0.2), tuple("AAABCC"), 0.1, 4.2006),
        ((1, 0.8, 0.6, 0.4, 0.4, 0.2), tuple("AAABCC"), 0.0, 4.8983),
    ],
)
def test_effective_number_with_weights_and_shops_together(weights, clusters, rho, n_eff):
    assert cluster_n_eff(weights, clusters, rho=rho) == pytest.approx(n_eff, abs=5e-5)
