"""What each thing entered does to the figures, and whether they all tell the same story."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from casebook.cases.constants import LEVELS
from casebook.outcomes.evidence import (
    MOST_LEVELS,
    Weighed,
    describe_agreement,
    describe_evidence,
    points_to,
)
from casebook.outcomes.outlook import compute_outlook, prior_grid
from tests.outcomes.worlds import (
    COMPONENT,
    LAST_SEEN,
    REPLACEMENT,
    SERVICE,
    make_neighbours,
    parents,
    repeat,
    some_neighbours,
)

YEAR = 365
COHORTS = parents(([9, 4, 11], [12, 9, 14]))


def weighed_of(without, met=None, groups=None):
    without = np.array(without, float)
    items = tuple({"code": f"P{row}"} for row in range(len(without)))
    return Weighed(
        items=items,
        groups=tuple(groups or ["codes"] * len(items)),
        without=without,
        met=np.zeros(without.shape) if met is None else np.array(met, float),
    )


def by_level(outlook):
    return {entry["level"]: entry for entry in outlook["levels"]}


def evidence_of(cases, weighed, cohorts=COHORTS):
    grids = {place: prior_grid(cohorts, place) for place in range(1, len(LEVELS))}
    return describe_evidence(
        cases, weighed, grids, rho=cohorts.rho, horizon_days=YEAR, coverage=0.9
    )


@settings(deadline=None, max_examples=40)
@given(some_neighbours(), st.integers(0, 1000))
def test_a_figure_without_an_item_is_the_outlook_with_the_other_similarities(cases, seed):
    random = np.random.default_rng(seed)
    without = random.uniform(0, 1, (3, len(cases))) * cases.similarity
    told = evidence_of(cases, weighed_of(without))
    assert len(told) == 3
    as_it_is = by_level(compute_outlook(cases, COHORTS, horizon_days=YEAR))
    for row, entry in enumerate(told):
        changed = cases.__class__(**{**vars(cases), "similarity": without[row]})
        expected = by_level(compute_outlook(changed, COHORTS, horizon_days=YEAR))
        assert len(entry["levels"]) == MOST_LEVELS
        for level in entry["levels"]:
            now, then = as_it_is[level["level"]], expected[level["level"]]
            assert level["holds_without"] == pytest.approx(then["holds"], abs=2e-4)
            assert level["shift"] == pytest.approx(now["holds"] - then["holds"], abs=3e-4)
        service = entry["levels"][0]
        assert entry["service_holds_without"] == service["holds_without"]
        assert entry["shift"] == service["shift"]


def test_without_an_item_that_failing_cases_share_service_looks_better():
    good, bad = repeat(20), repeat(20, event=1, day=10)
    cases = make_neighbours(good + bad)
    told = evidence_of(cases, weighed_of([[0.8] * 20 + [0.3] * 20, [0.8] * 40]))
    assert told[0]["service_holds_without"] > 0.9
    assert told[0]["shift"] < -0.3
    assert told[1]["shift"] == 0


def test_figures_are_told_of_service_and_of_what_was_tried_most():
    cases = make_neighbours(repeat(2) + repeat(3, level=COMPONENT) + repeat(9, level=REPLACEMENT))
    [entry] = evidence_of(cases, weighed_of([[0.5] * 14]))
    assert [level["level"] for level in entry["levels"]] == ["service", "replacement"]


def test_where_nothing_can_be_told_there_is_no_shift():
    cases = make_neighbours(repeat(5))
    grids = {REPLACEMENT: prior_grid(parents(), REPLACEMENT)}
    [entry] = describe_evidence(
        cases, weighed_of([[0.5] * 5]), grids, rho=np.full(5, 0.1), horizon_days=YEAR, coverage=0.9
    )
    assert entry["levels"] == [{"level": "replacement", "holds_without": None, "shift": None}]
    assert entry["service_holds_without"] is entry["shift"] is None


def test_cases_the_index_does_not_know_keep_their_similarity():
    cases = make_neighbours(repeat(20))
    told = evidence_of(cases, weighed_of([[np.nan] * 20]))
    assert told[0]["shift"] == 0


def test_nothing_entered_one_by_one_has_no_evidence():
    assert evidence_of(make_neighbours(repeat(3)), weighed_of(np.zeros((0, 3)))) == []


# --- what points where -----------------------------------------------------------------------


def split(count=40):
    """Half took a service, half a replacement."""
    return make_neighbours(repeat(count) + repeat(count, level=REPLACEMENT))


def test_an_item_points_to_what_its_cases_took():
    met = [[0.2] * 40 + [0.0] * 40, [0.0] * 40 + [0.2] * 40, [0.2] * 80, [0.0] * 80]
    pointing = points_to(split(), np.array(met), rho=0.1, coverage=0.9)
    assert pointing.tolist() == [SERVICE, REPLACEMENT, -1, -1]


def test_an_item_that_means_nothing_seldom_points_anywhere():
    random = np.random.default_rng(4)
    pointing = []
    for _ in range(150):
        taken = random.choice([SERVICE, COMPONENT, REPLACEMENT], 120, p=[0.6, 0.3, 0.1])
        rows = [(0.7, i % 25, level, LAST_SEEN, 400, level) for i, level in enumerate(taken)]
        met = (random.random((4, 120)) < 0.3).astype(float)
        pointing.append(points_to(make_neighbours(rows), met, rho=0.05, coverage=0.9))
    assert np.mean(np.array(pointing) >= 0) < 0.15


def test_the_spread_of_a_difference_is_what_the_module_says():
    # Shares of two weightings of the same clustered cases, drawn again and again.
    random = np.random.default_rng(9)
    shop, a, b = np.repeat(np.arange(10), 6), random.random(60), random.random(60)
    a, b = a / a.sum(), b / b.sum()
    rho, p = 0.2, 0.4
    strength = (1 - rho) / rho
    chance = random.beta(p * strength, (1 - p) * strength, (20_000, 10))[:, shop]
    drawn = random.random((20_000, 60)) < chance
    per_shop = np.bincount(shop, a - b)
    expected = p * (1 - p) * ((1 - rho) * ((a - b) ** 2).sum() + rho * (per_shop**2).sum())
    assert np.var(drawn @ (a - b)) == pytest.approx(expected, rel=0.05)


def agreement_of(cases, met, groups):
    weighed = weighed_of(np.zeros((len(met), len(cases))), met, groups)
    return describe_agreement(cases, weighed, rho=0.05, coverage=0.9)


def test_codes_that_point_one_way_and_checks_the_other_are_at_odds():
    met = [[0.2] * 40 + [0.01] * 40, [0.01] * 40 + [0.2] * 40]
    told = agreement_of(split(), met, ["codes", "findings"])
    assert told["verdict"] == "conflict"
    assert told["sentence"] == "The codes point to a service, the checks point to another unit."
    assert [group["level"] for group in told["groups"]] == ["service", "replacement"]
    assert told["of"] == 80


def test_the_clearest_conflict_of_three_is_named():
    met = [[0.2] * 40 + [0.19] * 40, [0.2] * 40 + [0.0] * 40, [0.0] * 40 + [0.2] * 40]
    told = agreement_of(split(), met, ["codes", "symptoms", "findings"])
    assert told["sentence"].startswith("The symptoms point to a service, the checks")


def test_groups_that_point_the_same_way_agree():
    cases = make_neighbours(repeat(40) + repeat(10, level=REPLACEMENT))
    told = agreement_of(cases, [[0.2] * 50, [0.1] * 50], ["codes", "symptoms"])
    assert told["verdict"] == "agree"
    assert told["sentence"] == "The codes and the symptoms point to a service."


def test_a_slight_difference_is_no_conflict():
    cases = make_neighbours(repeat(10) + repeat(10, level=REPLACEMENT))
    met = [[0.11] * 10 + [0.1] * 10, [0.1] * 10 + [0.11] * 10]
    assert agreement_of(cases, met, ["codes", "findings"])["verdict"] == "unclear"


def test_one_kind_of_evidence_alone_neither_agrees_nor_conflicts():
    cases = split()
    assert agreement_of(cases, [[0.2] * 80, [0.1] * 80], ["codes", "codes"]) is None
    assert agreement_of(cases, [[0.2] * 80, [0.0] * 80], ["codes", "findings"]) is None
    assert agreement_of(cases, [[0.2] * 80, [0.1] * 80], ["codes", "age"]) is None
    few = [[0.2] * 80, [0.1] * 2 + [0.0] * 78]
    assert agreement_of(cases, few, ["codes", "findings"]) is None


def test_chance_seldom_makes_a_conflict():
    random = np.random.default_rng(6)
    verdicts = []
    for _ in range(200):
        taken = random.choice([SERVICE, REPLACEMENT], 80)
        rows = [(0.7, i % 20, level, LAST_SEEN, 400, level) for i, level in enumerate(taken)]
        met = random.uniform(0, 0.2, (2, 80)) * (random.random((2, 80)) < 0.5)
        told = agreement_of(make_neighbours(rows), met, ["codes", "findings"])
        verdicts.append(told["verdict"])
    # Nominal: at most .1, and only where the two have different favourites at all.
    assert np.mean([verdict == "conflict" for verdict in verdicts]) < 0.1
