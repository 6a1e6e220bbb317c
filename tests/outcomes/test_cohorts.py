"""Cohorts around a case: the same estimate as the outlook's, and the right cases in each."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from casebook.cases.constants import LEVELS
from casebook.outcomes.cohorts import (
    CaseIdentity,
    KindCases,
    TriedCases,
    cohorts_around,
    estimate_cohorts,
    largest,
    level_rho,
    siblings_of,
)
from casebook.outcomes.outlook import Neighbours, Siblings, estimate_level
from tests.outcomes.worlds import CAME_BACK, GONE, LAST_SEEN, SERVICE

YEAR = 365
RHO = np.full(5, 0.1)
NOTHING_ELSE = Siblings(np.zeros((5, 0)), np.zeros((5, 0)))

tried = st.lists(
    st.tuples(
        st.integers(0, 4),
        st.integers(0, 2),
        st.sampled_from([0, 20, 100, 340, 365, 700]),
        st.integers(0, 3),
        st.integers(-1, 2),
    ),
    min_size=1,
    max_size=60,
)


def as_cases(rows):
    level, event, days, cluster, group = np.array(rows).T
    return TriedCases(level, event, days.astype(float), cluster), group


def alone(rows, rho=0.1):
    """The outlook's own estimate of these cases, with equal weights."""
    level, event, days, cluster, _ = np.array(rows).reshape(-1, 5).T
    ones = np.ones(len(level))
    neighbours = Neighbours(ones, cluster, level, event, days.astype(float), level)
    return estimate_level(neighbours, rho=rho, horizon_days=YEAR)


@settings(deadline=None)
@given(tried)
def test_many_cohorts_at_once_are_estimated_as_the_outlook_estimates_one(rows):
    rows = [(*row[:4], max(row[4], 0)) for row in rows]
    cases, group = as_cases(rows)
    many = estimate_cohorts(cases, group, 3, rho=np.array([0.1, 0.1, 0.2]), horizon_days=YEAR)
    for number in range(3):
        own = [row for row in rows if row[4] == number]
        one = alone(own, rho=0.2 if number == 2 else 0.1)
        assert many.cases[number] == len(own)
        assert many.n_eff[number] == pytest.approx(one.n_eff)
        assert many.trials[number] == pytest.approx(one.trials)
        assert many.held[number] == pytest.approx(one.held)
        assert many.watched[number] == pytest.approx(one.watched)


@settings(deadline=None)
@given(tried)
def test_siblings_are_estimated_level_by_level_without_those_left_out(rows):
    cases, group = as_cases(rows)
    siblings = siblings_of(cases, group, rho=RHO, horizon_days=YEAR)
    names = sorted({row[4] for row in rows} - {-1})
    assert siblings.trials.shape == (len(LEVELS), len(names))
    for column, name in enumerate(names):
        for level in range(len(LEVELS)):
            one = alone([row for row in rows if row[4] == name and row[0] == level])
            assert siblings.trials[level, column] == pytest.approx(one.trials)
            assert siblings.held[level, column] == pytest.approx(one.held)


def test_only_the_largest_cohorts_are_kept_for_each_level():
    trials = np.array([[1.0, 5.0, 3.0], [9.0, 2.0, 2.0]])
    kept = largest(Siblings(trials / 2, trials), most=2)
    assert_allclose(kept.trials, [[5, 3], [9, 2]])
    assert_allclose(kept.held, kept.trials / 2)


def test_shops_that_differ_raise_the_correlation_of_their_level_alone():
    shop = np.repeat(np.arange(40), 30)
    # Service fails in every case of half the shops; component fails here and there.
    failed = np.concatenate([shop % 2 == 0, np.arange(1200) % 2 == 0])
    cases = TriedCases(
        np.repeat([1, 2], 1200),
        np.where(failed, CAME_BACK, LAST_SEEN),
        np.where(failed, 0.0, 400.0),
        np.concatenate([shop, shop]),
    )
    rho = level_rho(cases, YEAR)
    assert rho[1] > 0.5
    assert rho[2] == 0.05
    assert_allclose(rho[[0, 3, 4]], 0.1)


def test_cases_not_known_at_the_horizon_say_nothing_of_shops():
    cases = TriedCases(
        np.ones(60, int),
        np.tile([LAST_SEEN, GONE], 30),
        np.full(60, 30.0),
        np.repeat(np.arange(6), 10),
    )
    assert_allclose(level_rho(cases, YEAR), 0.1)


class Garage:
    """Cases of one unit kind, written down one by one. All are services of different shops."""

    def __init__(self):
        self.rows = []

    def add(self, count, *, family, model, faults=(), held=True):
        for _ in range(count):
            number = len(self.rows)
            self.rows.append((number, family, ("make", model), frozenset(faults), held))
        return [row[0] for row in self.rows[-count:]]

    def columns(self):
        ids, families, models, faults, held = zip(*self.rows, strict=True)
        family_places = {name: i for i, name in enumerate(dict.fromkeys(families))}
        model_places = {name: i for i, name in enumerate(dict.fromkeys(models))}
        held = np.array(held)
        return KindCases(
            cases=TriedCases(
                np.full(len(ids), SERVICE),
                np.where(held, LAST_SEEN, CAME_BACK),
                np.where(held, 400.0, 0.0),
                np.arange(len(ids)),
            ),
            ids=np.array(ids),
            family=np.array([family_places[name] for name in families]),
            model=np.array([model_places[name] for name in models]),
            families=family_places,
            models=model_places,
            faults={
                fault: np.array([i for i, own in enumerate(faults) if fault in own])
                for fault in {fault for own in faults for fault in own}
            },
        )

    def around(self, identity, without=()):
        return cohorts_around(
            identity,
            self.columns(),
            NOTHING_ELSE,
            pool_shops=9,
            without_ids=without,
            horizon_days=YEAR,
        )


def sizes(siblings):
    return sorted(siblings.trials[SERVICE].round(6).tolist())


@pytest.fixture
def garage():
    garage = Garage()
    garage.add(5, family="A", model="one", faults=["P0740"])
    garage.add(7, family="A", model="one", faults=["P0700"])
    garage.add(11, family="A", model="two", faults=["P0740"])
    garage.add(13, family="B", model="one", faults=["P0740"])
    garage.add(17, family="C", model="three")
    return garage


def test_the_cohorts_around_a_case_become_narrower_step_by_step(garage):
    identity = CaseIdentity("kind", "A", ("make", "one"), frozenset({"P0740"}))
    around = garage.around(identity)
    kinds, families, models, other_faults = around.scopes
    assert sizes(kinds) == []
    assert sizes(families) == [13, 17]
    assert sizes(models) == [11]
    assert sizes(other_faults) == [7]
    assert sizes(around.own) == [5]


def test_no_similar_case_is_counted_again_in_the_cohorts_around_it(garage):
    identity = CaseIdentity("kind", "A", ("make", "one"), frozenset({"P0740"}))
    # One similar case of each group, the first of it.
    around = garage.around(identity, without=[0, 5, 12, 23, 36])
    _, families, models, other_faults = around.scopes
    assert sizes(families) == [12, 16]
    assert sizes(models) == [10]
    assert sizes(other_faults) == [6]
    assert sizes(around.own) == [4]


def test_steps_of_which_nothing_is_said_are_left_out(garage):
    unit_only = garage.around(CaseIdentity("kind"))
    assert [sizes(scope) for scope in unit_only.scopes] == [[]]
    assert sizes(unit_only.own) == [53]
    no_codes = garage.around(CaseIdentity("kind", "A", ("make", "one")))
    assert [sizes(scope) for scope in no_codes.scopes] == [[], [13, 17], [11]]
    assert sizes(no_codes.own) == [12]
    no_family = garage.around(CaseIdentity("kind", None, ("make", "one")))
    assert [sizes(scope) for scope in no_family.scopes] == [[], [11, 17]]
    assert sizes(no_family.own) == [25]
    no_model = garage.around(CaseIdentity("kind", "A", None, frozenset({"P0740"})))
    assert [sizes(scope) for scope in no_model.scopes] == [[], [13, 17], [7]]
    assert sizes(no_model.own) == [16]


def test_a_family_and_a_model_never_seen_leave_the_wider_cohorts(garage):
    around = garage.around(CaseIdentity("kind", "Z", ("make", "nine"), frozenset({"P0740"})))
    assert [sizes(scope) for scope in around.scopes] == [[], [13, 17, 23], [], []]
    assert sizes(around.own) == []


def test_one_group_for_each_case_is_needed(garage):
    cases = garage.columns().cases
    with pytest.raises(ValueError, match="one group"):
        estimate_cohorts(cases, np.zeros(3, int), 1, rho=np.ones(1), horizon_days=YEAR)
