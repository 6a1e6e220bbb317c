"""Survival and competing risks against published data."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from casebook.outcomes.curves import describe_durability
from casebook.outcomes.outlook import Neighbours
from casebook.stats.durability import cumulative_incidence, log_log_limits

# 6-MP trial, Freireich et al. 1963 (Blood 21:699), weeks in remission; negative: censored.
# The times match the data set `load_leukemia` of lifelines.
SIX_MP = [6, 6, 6, -6, 7, -9, 10, -10, -11, 13, 16, -17, -19, -20, 22, 23, -25, -32, -32, -34, -35]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]

# Scrucca, Santucci, Aversa 2007 (Bone Marrow Transplant 40:381), the AML group as shipped with
# scikit-survival (`load_bmt`): (time, status), 1 death, 2 relapse, 0 censored.
AML = np.array(
    [
        *[(2, 2), (2, 0), (3, 1), (3, 1), (3, 1), (4, 0), (4, 1), (4, 1), (7, 0)],
        *[(7, 2), (8, 1), (8, 0), (10, 2), (32, 0), (35, 0), (67, 0), (68, 0), (70, 0)],
    ]
)


def kaplan_meier(signed_times, at):
    times = np.array(signed_times)
    return cumulative_incidence(abs(times), (times > 0).astype(int), at)


def test_kaplan_meier_of_the_6_mp_trial():
    # lifelines, statsmodels and scikit-survival agree on these digits.
    week = [6, 7, 10, 13, 16, 22, 23]
    result = kaplan_meier(SIX_MP, week)
    survival = 1 - result.came_back
    assert_allclose(result.at_risk, [21, 17, 15, 12, 11, 7, 6])
    assert_allclose(
        survival, [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482], rtol=0, atol=5e-5
    )
    # Greenwood's standard errors.
    assert_allclose(
        np.sqrt(result.variance),
        [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346],
        rtol=0,
        atol=5e-5,
    )
    low, high = log_log_limits(survival, result.variance)
    assert_allclose(
        low, [0.6197, 0.5631, 0.5032, 0.4316, 0.3675, 0.2678, 0.1881], rtol=0, atol=5e-5
    )
    assert_allclose(
        high, [0.9516, 0.9228, 0.8894, 0.8491, 0.8049, 0.7468, 0.6801], rtol=0, atol=5e-5
    )


def test_kaplan_meier_of_the_placebo_group():
    # S(10) = 8/21, standard error .106: lecture notes citing Cox and Oakes; the rest lifelines.
    week = [1, 2, 3, 4, 5, 8, 10, 11, 12, 15, 17, 22, 23]
    result = kaplan_meier(PLACEBO, week)
    printed = [0.9048, 0.8095, 0.7619, 0.6667, 0.5714, 0.3810, 8 / 21]
    printed += [0.2857, 0.1905, 0.1429, 0.0952, 0.0476, 0.0]
    assert_allclose(1 - result.came_back, printed, rtol=0, atol=5e-5)
    assert np.sqrt(result.variance[6]) == pytest.approx(0.106, abs=5e-4)


def test_doubling_every_weight_leaves_the_curve_as_it_is():
    # lifelines and statsmodels give .4482 at week 23 with weights of 2 as well.
    times = np.array(SIX_MP)
    result = cumulative_incidence(
        abs(times), (times > 0).astype(int), [23], weights=np.full(21, 2.0)
    )
    assert 1 - result.came_back[0] == pytest.approx(0.4482, abs=5e-5)


def test_cumulative_incidence_of_the_transplant_patients():
    # scikit-survival, statsmodels and lifelines agree on the estimates; standard errors by
    # statsmodels. The paper's own numbers were not seen.
    result = cumulative_incidence(AML[:, 0], AML[:, 1], [2, 3, 4, 7, 8, 10, 70])
    assert_allclose(
        result.came_back, [0, 0.1771, 0.2951, 0.2951, 0.3682, 0.3682, 0.3682], rtol=0, atol=5e-5
    )
    assert_allclose(
        result.gone, [0.0556, 0.0556, 0.0556, 0.1205, 0.1205, 0.2057, 0.2057], rtol=0, atol=5e-5
    )
    assert np.sqrt(result.variance[-1]) == pytest.approx(0.1209, abs=5e-5)
    assert np.sqrt(result.gone_variance[-1]) == pytest.approx(0.1079, abs=5e-5)


def test_the_wrong_answer_that_competing_events_invite_is_not_given():
    # 1 - Kaplan-Meier with the other cause censored: .3984 and .2917.
    wrong = cumulative_incidence(AML[:, 0], AML[:, 1] == 1, [70]).came_back[0]
    right = cumulative_incidence(AML[:, 0], AML[:, 1], [70]).came_back[0]
    assert wrong == pytest.approx(0.3984, abs=5e-5)
    assert right == pytest.approx(0.3682, abs=5e-5)


def test_five_vehicles_by_hand():
    # Comeback day 1, scrapped day 2, last seen day 3, comeback day 4, last seen day 5.
    result = cumulative_incidence([1, 2, 3, 4, 5], [1, 2, 0, 1, 0], [0, 1, 2, 3, 4, 5, 100])
    assert_allclose(result.came_back, [0, 0.2, 0.2, 0.2, 0.5, 0.5, 0.5])
    assert_allclose(result.gone, [0, 0, 0.2, 0.2, 0.2, 0.2, 0.2])
    assert_allclose(result.at_risk, [5, 5, 4, 3, 2, 1, 0])


def test_the_curve_of_an_outlook_on_the_6_mp_trial():
    # Ten days for each week, each patient a case of its own shop. Estimates and 95 % limits as
    # above; the curve ends where fewer than five are watched.
    weeks = np.array(SIX_MP)
    patients = len(weeks)
    cases = Neighbours(
        similarity=np.full(patients, 0.7),
        cluster=np.arange(patients),
        first_level=np.ones(patients, int),
        event=(weeks > 0).astype(int),
        event_days=10.0 * abs(weeks),
        resolved_by=np.ones(patients, int),
    )
    told = describe_durability(
        cases, np.full(patients, np.nan), rho=0.1, horizon_days=230, coverage=0.95
    )
    curve = {point["day"]: point for point in told["durability"]}
    assert list(curve) == [0, 30, 90, 180, 230]
    for day, holding, low, high, at_risk in [
        (90, 0.8067, 0.5631, 0.9228, 16),
        (180, 0.6275, 0.3675, 0.8049, 9),
        (230, 0.4482, 0.1881, 0.6801, 6),
    ]:
        assert curve[day]["holding"] == pytest.approx(holding, abs=1e-4)
        assert curve[day]["interval"] == pytest.approx([low, high], abs=1e-4)
        assert curve[day]["at_risk"] == at_risk
