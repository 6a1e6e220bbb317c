"""The whole outlook: everything at once, and what is said beside it."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from casebook.cases.constants import LEVELS
from casebook.outcomes.caveats import CAVEATS
from casebook.outcomes.complete import Question, complete_outlook
from casebook.outcomes.evidence import Weighed
from casebook.outcomes.outlook import compute_outlook
from tests.outcomes.test_later import lives_of, some_lives
from tests.outcomes.test_overlap import circumstances
from tests.outcomes.worlds import OVERHAUL, make_neighbours, parents, repeat, some_neighbours

COHORTS = parents(([9, 4, 11], [12, 9, 14]))


def outlook_of(rows, *, severity=None, years_ago=None, question=None, **more):
    cases = make_neighbours(rows)
    details = circumstances(cases, severity)
    if years_ago is not None:
        details.years_ago[:] = years_ago
    return complete_outlook(cases, details, COHORTS, question or Question(365), **more)


@settings(deadline=None, max_examples=60)
@given(some_neighbours(), some_lives, st.integers(1, 800), st.integers(0, 1000))
def test_whatever_the_cases_the_outlook_is_whole(cases, lives, horizon, seed):
    random = np.random.default_rng(seed)
    without = cases.similarity * random.uniform(0, 1, (3, len(cases)))
    weighed = Weighed(
        ({"code": "P0001"}, {"symptom": "s"}, {"check": "c", "result": "r"}),
        ("codes", "symptoms", "findings"),
        without,
        cases.similarity - without,
    )
    severity = random.choice([0, 0.5, 1, np.nan], len(cases))
    question = Question(horizon, age_years=7.0, odometer_km=120_000.0)
    outlook = complete_outlook(
        cases, circumstances(cases, severity), COHORTS, question,
        weighed=weighed, lives=lives_of(lives),
    )  # fmt: skip
    # The figures are those of the outlook itself.
    alone = compute_outlook(cases, COHORTS, horizon_days=horizon)
    for level, expected in zip(outlook["levels"], alone["levels"], strict=True):
        for name in ("tried", "held", "came_back", "holds", "interval", "prior_share"):
            assert level[name] == expected[name]
        assert set(level["caveats"]) >= set(expected["caveats"])
        tried_first = [path for path in outlook["paths"] if path["steps"][:1] == [level["level"]]]
        assert sum(path["cases"] for path in tried_first) <= level["tried"]
    assert outlook["resolved_by"] == alone["resolved_by"]
    assert [caveat for caveat in CAVEATS if caveat in outlook["caveats"]] == outlook["caveats"]
    assert set(alone["caveats"]) <= set(outlook["caveats"])
    # Plain values with no number that JSON doesn't have.
    json.dumps(outlook, allow_nan=False)


def test_a_pool_of_two_shops_has_no_outlook():
    cases = make_neighbours(repeat(5))
    few = parents(shops=2)
    assert complete_outlook(cases, circumstances(cases), few, Question(365)) is None


def test_details_of_other_cases_are_refused():
    cases = make_neighbours(repeat(5))
    other = circumstances(make_neighbours(repeat(4)))
    with pytest.raises(ValueError, match="same cases"):
        complete_outlook(cases, other, COHORTS, Question(365))


def test_cases_that_do_not_count_show_nowhere():
    rows = repeat(20) + repeat(20, similarity=0.1, level=OVERHAUL)
    outlook = outlook_of(rows, severity=[0.5] * 40)
    assert sum(path["cases"] for path in outlook["paths"]) == 20
    overhaul = outlook["levels"][LEVELS.index("overhaul") - 1]
    assert overhaul["durability"] == []
    assert overhaul["followed_share"] is overhaul["bounds"] is None


@pytest.mark.parametrize(
    "years_ago, told", [(6.0, True), (4.0, False), ([6.0] * 11 + [1.0] * 9, True)]
)
def test_old_cases_are_said_to_be_old(years_ago, told):
    assert ("old_cases" in outlook_of(repeat(20), years_ago=years_ago)["caveats"]) is told


def test_levels_done_to_different_vehicles_are_not_to_be_compared():
    rows = repeat(30) + repeat(30, level=OVERHAUL)
    outlook = outlook_of(rows, severity=[0.0] * 30 + [1.0] * 30)
    overhaul = outlook["levels"][LEVELS.index("overhaul") - 1]
    assert "no_overlap" in overhaul["caveats"]
    assert "no_overlap" in outlook["caveats"]
    alike = outlook_of(rows, severity=[0.5] * 60)
    assert "no_overlap" not in alike["caveats"]


def test_conflicting_evidence_and_codes_that_name_only_circuits_are_said():
    cases = repeat(40) + repeat(40, level=OVERHAUL)
    met = np.array([[0.2] * 40 + [0.0] * 40, [0.0] * 40 + [0.2] * 40])
    weighed = Weighed(({"code": "a"}, {"check": "b"}), ("codes", "findings"), 0.8 - met, met)
    question = Question(365, circuits_only=True)
    caveats = outlook_of(cases, weighed=weighed, question=question)["caveats"]
    assert {"conflicting_evidence", "generic_codes_only"} <= set(caveats)
    assert outlook_of(cases)["evidence"] == []
    assert outlook_of(cases)["agreement"] is None
