"""Information gain and the value of information against published and hand-worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from casebook.stats.information import (
    binary_test,
    entropy,
    expected_costs,
    information_gain,
    posterior,
    table_gain,
    value_of_check,
    value_of_perfect_information,
)


def test_entropy_of_quinlans_fourteen_days():
    # Quinlan 1986, Machine Learning 1:81; nine days to play, five not to.
    assert entropy([9, 5]) == pytest.approx(0.9403, abs=5e-5)


@pytest.mark.parametrize(
    "name, table, exact, printed",
    [
        # Rows: play, do not play. Printed values as in several sets of lecture notes on the paper,
        # which cut off after three places; the four places are our own arithmetic.
        ("outlook", [[2, 4, 3], [3, 0, 2]], 0.2467, 0.246),
        ("humidity", [[3, 6], [4, 1]], 0.1518, 0.151),
        ("wind", [[6, 3], [2, 3]], 0.0481, 0.048),
        ("temperature", [[2, 4, 3], [2, 2, 1]], 0.0292, 0.029),
    ],
)
def test_information_gain_of_quinlans_attributes(name, table, exact, printed):
    gain = float(table_gain(table))
    assert gain == pytest.approx(exact, abs=5e-5)
    # The paper subtracts values that were rounded already: .940 - .694 = .246.
    assert gain == pytest.approx(printed, abs=1.05e-3)


def test_a_test_of_known_sensitivity_by_hand():
    # Own arithmetic. Prior .4, sensitivity .8, specificity .9.
    prior, test = [0.4, 0.6], binary_test(0.8, 0.9)
    chance, after = posterior(prior, test)
    assert chance[0] == pytest.approx(0.38)
    assert_allclose(after[0], [0.8421, 0.1290], rtol=0, atol=5e-5)
    assert entropy(prior) == pytest.approx(0.9710, abs=5e-5)
    assert_allclose(entropy(after.T), [0.6292, 0.5548], rtol=0, atol=1e-4)
    assert information_gain(prior, test) == pytest.approx(0.3879, abs=5e-5)


def test_a_test_at_even_odds_by_hand():
    # Own arithmetic. Prior .5, sensitivity .9, specificity .8.
    chance, after = posterior([0.5, 0.5], binary_test(0.9, 0.8))
    assert chance[0] == pytest.approx(0.55)
    assert_allclose(after[0], [0.8182, 0.1111], rtol=0, atol=5e-5)
    assert information_gain([0.5, 0.5], binary_test(0.9, 0.8)) == pytest.approx(0.3973, abs=5e-5)


# The oil wildcatter, Raiffa 1968, Decision Analysis, as restated by Shenoy 1992; thousands of $.
# Net pay and the cost of the test were seen in a document; the probabilities of the states
# (dry, wet, soaking) and the table of the seismic test are from memory, not verified.
DRILL_OR_NOT = -np.array([[-70.0, 50.0, 200.0], [0.0, 0.0, 0.0]])
WELL = [0.5, 0.3, 0.2]
# Rows: dry, wet, soaking. Columns: no structure, open, closed.
SEISMIC = [[0.6, 0.3, 0.1], [0.3, 0.4, 0.3], [0.1, 0.4, 0.5]]
TEST_COST = 10.0


def test_the_oil_wildcatter_without_a_test():
    assert_allclose(expected_costs(DRILL_OR_NOT, WELL), [-20, 0], atol=1e-12)
    assert value_of_perfect_information(DRILL_OR_NOT, WELL) == pytest.approx(35)


def test_the_oil_wildcatter_with_the_seismic_test():
    chance, after = posterior(WELL, SEISMIC)
    assert_allclose(chance, [0.41, 0.35, 0.24])
    drill = -expected_costs(DRILL_OR_NOT, after.T)[:, 0]
    assert_allclose(drill, [-30.49, 32.86, 87.50], rtol=0, atol=5e-3)
    worth = float(value_of_check(DRILL_OR_NOT, WELL, SEISMIC))
    assert worth == pytest.approx(12.5)
    # Test, then drill on open or closed structure: $22,500, as the restatement has it.
    assert 20 + worth - TEST_COST == pytest.approx(22.5)


@pytest.mark.parametrize(
    "damaged, service, replacement, comeback, of_test, of_knowing",
    [
        # Own arithmetic. A test of sensitivity .8 and specificity .9 for damage inside.
        # Here a positive result leaves the service cheaper, so .388 bits are worth nothing.
        (0.4, 250, 4000, 300, 0, 220),
        (0.4, 900, 3200, 500, 310, 560),
        (0.6, 900, 3200, 500, 580, 840),
    ],
)
def test_what_a_check_tells_is_not_what_it_is_worth(
    damaged, service, replacement, comeback, of_test, of_knowing
):
    # With damage inside, a service comes back and the unit is replaced after all.
    costs = [[service + comeback + replacement, service], [replacement, replacement]]
    prior = [damaged, 1 - damaged]
    assert value_of_check(costs, prior, binary_test(0.8, 0.9)) == pytest.approx(of_test, abs=1e-9)
    assert value_of_perfect_information(costs, prior) == pytest.approx(of_knowing)
    assert information_gain(prior, binary_test(0.8, 0.9)) > 0.3
