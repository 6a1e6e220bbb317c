"""The layer of outcomes is what its description says, and its truths are right."""

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from tests.simulator.foresight import foretell
from tests.simulator.outcomes import BACK, LEFT, NOTHING, REGIMES, OutcomeWorld, Regime
from tests.simulator.world import World

YEAR_DAYS = 365.0


@pytest.fixture(scope="module")
def world():
    return World(seed=90_002)


@pytest.fixture(scope="module")
def ones(world):
    return world.cases(2_500)


def tell(world, ones, regime=None, seed=7):
    layer = OutcomeWorld(world, seed, regime)
    return layer, layer.tell(ones)


@pytest.fixture(scope="module")
def told(world, ones):
    return tell(world, ones)


def test_the_same_seed_gives_the_same_outcomes(world, ones):
    first, second = (tell(world, ones[:200])[1] for _ in range(2))
    for name, values in vars(first).items():
        np.testing.assert_equal(values, getattr(second, name))
    assert (first.first != tell(world, ones[:200], seed=8)[1].first).any()


def test_the_world_stays_as_it_was(world):
    """The layer draws from a stream of its own and hands out new cases."""
    alone, under = World(seed=5, shops=6), World(seed=5, shops=6)
    before = under.cases(40)
    OutcomeWorld(under, 1).tell(before)
    assert alone.cases(40) == before
    assert alone.cases(10) == under.cases(10)


def test_nothing_of_the_search_or_the_statistics_is_used():
    code = (
        "import sys, tests.simulator.foresight;"
        "print([m for m in sys.modules if m.split('.')[0] in ('search', 'casebook', 'django')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("name", ["first", "second"])
@pytest.mark.parametrize("horizon_days", [90.0, 365.0, 900.0])
def test_true_chances_are_those_of_what_happens(world, ones, name, horizon_days):
    """Over many cases the share that held lies where the chances say, in every range of them."""
    layer, outcomes = tell(world, ones, REGIMES[name])
    chances = layer.chances(ones, outcomes, horizon_days, own_shop=True).ravel()
    held = outcomes.held(horizon_days).ravel()
    for low in np.arange(0.0, 1.0, 0.2):
        these = (chances >= low) & (chances < low + 0.2)
        assert these.sum() > 50
        spread = np.sqrt((chances[these] * (1 - chances[these])).sum())
        # A vehicle's being gone is one event at all four levels: a little more than independent.
        assert abs(held[these].sum() - chances[these].sum()) < 4 * spread


def test_the_chance_equals_a_sum_over_days(world, ones):
    """The closed form against failing and leaving day by day."""
    layer, outcomes = tell(world, ones[:5])
    chances = layer.chances(ones[:5], outcomes, YEAR_DAYS, own_shop=True)
    years = np.linspace(0, YEAR_DAYS / 365.25, 40_001) ** 1.0
    years = np.sort(np.concatenate([years, years[1:2] * np.logspace(-8, 0, 2_000)]))
    for row, one in enumerate(ones[:5]):
        arrays = (np.array([one.kind]), np.array([one.cause]), np.array([one.model]))
        age = np.array([one.case["age_years"]])
        eta = layer.log_odds(*arrays, outcomes.severity[row : row + 1], age)
        eta = eta + layer.of_shop[one.case["cluster"]]
        at_once, rate, shape = (x[0] for x in layer._failure(eta, *arrays[:2]))
        gone = layer._gone_rate(age)[0]
        for level in range(4):
            working = np.exp(-rate[level] * years ** shape[level])
            still_here = np.exp(-gone * (years[1:] + years[:-1]) / 2)
            later = ((working[:-1] - working[1:]) * still_here).sum()
            expected = 1 - at_once[level] - (1 - at_once[level]) * later
            assert chances[row, level] == pytest.approx(expected, abs=2e-5)


def test_a_shop_drawn_anew_is_the_mean_over_shops(world, ones):
    layer, outcomes = tell(world, ones[:4])
    anew = layer.chances(ones[:4], outcomes, YEAR_DAYS, own_shop=False)
    rng = np.random.default_rng(3)
    drawn = np.zeros((4, 4))
    for effect in rng.normal(0, layer.shop_sd, size=4_000):
        layer.of_shop = np.full_like(layer.of_shop, effect)
        drawn += layer.chances(ones[:4], outcomes, YEAR_DAYS, own_shop=True) / 4_000
    np.testing.assert_allclose(anew, drawn, atol=0.01)


def test_bad_cases_get_more_and_hold_less(told):
    _, outcomes = told
    severity = [outcomes.severity[outcomes.first == level].mean() for level in range(4)]
    assert severity == sorted(severity)
    assert severity[3] > severity[0] + 0.5
    held = outcomes.held(YEAR_DAYS)[:, 0]
    bad = outcomes.severity > np.median(outcomes.severity)
    assert held[~bad].mean() > held[bad].mean() + 0.15


def test_shops_differ_as_stated(world, ones):
    """Log odds of shops spread by their two effects; without effects only chance is left."""
    _, outcomes = tell(world, ones, replace(Regime(), shop_spread=1.5, shop_level_spread=0.0))
    _, alike = tell(world, ones, replace(Regime(), shop_spread=0.0, shop_level_spread=0.0))
    shop = np.array([one.case["cluster"] for one in ones])

    def between(some):
        held = some.held(YEAR_DAYS)[:, 1]
        large = [s for s in np.unique(shop) if (shop == s).sum() >= 30]
        return np.std([held[shop == s].mean() for s in large])

    assert between(outcomes) > 2 * between(alike)


def test_what_is_known_is_what_happened(told):
    """Every event on record really happened, on its day, and nothing came before it."""
    _, outcomes = told
    fails = outcomes.would_fail[np.arange(len(outcomes)), outcomes.first]
    back, left = outcomes.event == BACK, outcomes.event == LEFT
    np.testing.assert_array_equal(outcomes.event_days[back], fails[back])
    np.testing.assert_array_equal(outcomes.event_days[left], outcomes.would_go[left])
    assert (fails[back] <= outcomes.would_go[back]).all()
    assert (outcomes.would_go[left] < fails[left]).all()
    # Not fixed at delivery is always known; of all others some are not.
    assert back[fails == 0].all()
    open_end = outcomes.event == NOTHING
    assert (outcomes.event_days[open_end] < fails[open_end]).all()
    assert 0.2 < np.mean(open_end & (outcomes.event_days < YEAR_DAYS)) < 0.6


@pytest.mark.parametrize("name, sign", [("seen_more", 1), ("seen_less", -1)])
def test_failures_are_seen_more_or_less(world, ones, name, sign):
    """Of the cases known at a year, more or fewer have failed than of all."""
    regime = replace(REGIMES[name], never_called=0.3)
    _, outcomes = tell(world, ones, regime)
    by_chance = replace(regime, brings_back=0.0, goes_elsewhere=0.0)
    _, fair = tell(world, ones, by_chance)

    def failures(some):
        known = (some.event == BACK) & (some.event_days <= YEAR_DAYS)
        return known.sum()

    assert sign * (failures(outcomes) - failures(fair)) > 40


def test_paths_climb_until_it_holds_or_nobody_goes_on(told):
    _, outcomes = told
    assert max(map(len, outcomes.paths)) >= 3
    for place, path in enumerate(outcomes.paths):
        assert path[0] == outcomes.first[place]
        assert list(path) == sorted(set(path))
        if outcomes.event[place] != BACK:
            assert path == (outcomes.resolved_by[place],)
        elif outcomes.resolved_by[place] >= 0:
            assert len(path) > 1
            assert outcomes.resolved_by[place] == path[-1]
    assert 0.02 < (outcomes.resolved_by < 0).mean() < 0.3


def test_old_vehicles_leave_sooner(told, ones):
    _, outcomes = told
    age = np.array([one.case["age_years"] for one in ones])
    assert np.median(outcomes.would_go[age > 12]) < 0.6 * np.median(outcomes.would_go[age < 5])


def test_other_faults_end_nothing(told):
    _, outcomes = told
    seen = ~np.isnan(outcomes.other_fault_days)
    assert 0.1 < seen.mean() < 0.8
    assert (outcomes.event[seen] == NOTHING).any()


def test_wear_is_looked_at_by_some_and_shows_severity(told):
    _, outcomes = told
    results = [
        next((f["result"] for f in case["findings"] if f["check"].endswith("-wear")), None)
        for case in outcomes.cases
    ]
    looked = np.array([result is not None for result in results])
    assert 0.3 < looked.mean() < 0.9
    means = [
        outcomes.severity[[result == name for result in results]].mean()
        for name in ("w0", "w1", "w2", "w3")
    ]
    assert means == sorted(means)


def test_what_is_foretold_from_the_evidence_is_calibrated(told, ones):
    """Among the cases in which a level was chosen: the test of exactness of the best forecast."""
    layer, outcomes = told
    best = foretell(layer, ones, outcomes, YEAR_DAYS, given_choice=True)
    place = np.arange(len(ones))
    forecast = best[place, outcomes.first]
    held = outcomes.held(YEAR_DAYS)[place, outcomes.first]
    for low in np.arange(0.0, 1.0, 0.2):
        these = (forecast >= low) & (forecast < low + 0.2)
        spread = np.sqrt((forecast[these] * (1 - forecast[these])).sum())
        assert these.sum() > 50
        # Cases of one shop go together: twice the spread of independent ones.
        assert abs(held[these].sum() - forecast[these].sum()) < 2 * 3.5 * spread
    usual = held.mean()
    assert np.mean((forecast - held) ** 2) < 0.9 * usual * (1 - usual)
