"""Break-even probabilities and the survivability schedule against published and worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from casebook.stats.decisions import break_even, cost_plans
from casebook.stats.survivability import SURVIVING, expected_months, share_surviving
from tests.stats.ladders import LEAVE, REPLACE_USED, SERVICE, simple_ladder


@pytest.mark.parametrize(
    "service, replacement, comeback, replacement_later, expected",
    [
        # Own arithmetic (no published table): p* = (Cs + D + Cr' - Cr) / (Cr' + D).
        (250, 4000, 300, 4000, 0.1279),
        (900, 3200, 500, 3200, 0.3784),
        (250, 4000, 300, 5000, 0.2925),
        (250, 4000, 0, 4000, 0.0625),
    ],
)
def test_break_even_between_service_first_and_replacing_now(
    service, replacement, comeback, replacement_later, expected
):
    failed = comeback + replacement_later
    assert break_even(service, failed, replacement) == pytest.approx(expected, abs=5e-5)
    # The same from the ladder, where failing does damage that the replacement later pays for.
    costed = cost_plans(
        simple_ladder(
            service=service,
            holds=expected,
            failure=comeback + replacement_later - replacement,
            replacement=replacement,
        )
    )
    assert costed.plans[SERVICE] == pytest.approx(costed.plans[REPLACE_USED], abs=0.5)


@pytest.mark.parametrize(
    "holds, working, as_is, service, of_service, of_replacing, cheapest",
    [
        # Own arithmetic: replacement 4000, comeback 300; what is left of the vehicle's worth.
        (0.5, 6000, 600, 250, 3600, 2000, SERVICE),
        (0.4, 3000, 500, 250, 1070, -1000, SERVICE),
        (0.25, 1500, 500, 700, -175, -2500, LEAVE),
    ],
)
def test_a_vehicle_may_not_be_worth_repairing(
    holds, working, as_is, service, of_service, of_replacing, cheapest
):
    costed = cost_plans(
        simple_ladder(
            service=service, holds=holds, failure=300, replacement=4000, leave=working - as_is
        )
    )
    left = working - costed.plans
    assert left[SERVICE] == pytest.approx(of_service)
    assert left[REPLACE_USED] == pytest.approx(of_replacing)
    assert left[LEAVE] == pytest.approx(as_is)
    assert int(np.nanargmin(costed.plans)) == cheapest


@pytest.mark.parametrize("service, lost, expected", [(250, 2500, 0.1964), (700, 1000, 0.7692)])
def test_break_even_where_failing_means_scrapping(service, lost, expected):
    # Own arithmetic: (Cs + D) / (V1 - V0 + D), comeback 300; giving up at once is the other plan.
    assert break_even(service, lost + 300, lost) == pytest.approx(expected, abs=5e-5)


# --- Lu 2006, NHTSA DOT HS 809 952 ------------------------------------------------------------
# Annual miles by age: cars' column from memory, trucks' too; not verified, except that the sums
# reproduce the lifetime miles of the report's title page and abstract, which were seen.
MILES = {
    "car": (
        "14231 13961 13669 13357 13028 12683 12325 11956 11578 11193 10804 10413 10022 9633 9249"
        " 8871 8502 8144 7799 7469 7157 6866 6596 6350 6131"
    ),
    "light_truck": (
        "16085 15782 15442 15069 14667 14239 13790 13323 12844 12356 11863 11369 10879 10396 9924"
        " 9468 9032 8619 8234 7881 7565 7288 7055 6871 6739 6663" + " 6648" * 10
    ),
}


@pytest.mark.parametrize(
    "body, lifetime, discounted",
    [
        ("car", 152_137, {0.03: 0.8304, 0.07: 0.6700, 0.10: 0.5824}),
        ("light_truck", 179_954, {0.03: 0.8022, 0.07: 0.6303, 0.10: 0.5419}),
    ],
)
def test_the_schedule_gives_the_reports_lifetime_miles(body, lifetime, discounted):
    driven = np.array(SURVIVING[body]) * np.array(MILES[body].split(), float)
    assert driven.sum() == pytest.approx(lifetime, abs=10)  # shares are rounded to four places
    middle = np.arange(len(driven)) + 0.5
    for rate, expected in discounted.items():
        factor = (driven * (1 + rate) ** -middle).sum() / driven.sum()
        assert factor == pytest.approx(expected, abs=6e-5)


@pytest.mark.parametrize(
    "body, age, years",
    [
        # Own arithmetic: sum of later shares over the share at that age.
        ("car", 5, 8.41),
        ("car", 10, 4.62),
        ("car", 15, 3.16),
        ("light_truck", 5, 11.09),
        ("light_truck", 10, 8.60),
        ("light_truck", 15, 7.12),
    ],
)
def test_years_left_at_an_age(body, age, years):
    table = np.array([1.0, *SURVIVING[body]])
    assert table[age + 1 :].sum() / table[age] == pytest.approx(years, abs=5e-3)
    # As areas: half of each year's losses are still there on average, and a tail comes after the
    # table's last age.
    months = float(expected_months(age, 12 * (len(table) - 1 - age), body))
    assert months / 12 == pytest.approx(years + (1 - table[-1] / table[age]) / 2, abs=5e-3)


def test_half_of_the_cars_are_gone_after_thirteen_years_and_of_the_trucks_after_fourteen():
    # Lu's medians, own arithmetic from the columns: 13.1 and 14.0 years.
    assert_allclose(share_surviving(13.1, "car"), 0.5, atol=5e-3)
    assert_allclose(share_surviving(14.0, "light_truck"), 0.5, atol=5e-3)
