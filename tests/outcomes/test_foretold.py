"""The outlook where a model of the evidence foretells the vehicle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from casebook.cases.constants import LEVELS
from casebook.outcomes.outlook import compute_outlook, prior_grid
from tests.outcomes.worlds import CAME_BACK, OVERHAUL, SERVICE, make_neighbours, parents, repeat

ROWS = repeat(12) + repeat(8, event=CAME_BACK, day=20)


def outlook_of(rows, foretold):
    cohorts = replace(parents(), foretold=foretold)
    outlook = compute_outlook(make_neighbours(rows), cohorts, horizon_days=365)
    return {entry["level"]: entry for entry in outlook["levels"]}


def told(level, chance):
    foretold = np.full(len(LEVELS), np.nan)
    foretold[level] = chance
    return foretold


def test_what_is_foretold_draws_the_level_towards_it():
    low, high = (outlook_of(ROWS, told(SERVICE, chance))["service"] for chance in (0.2, 0.9))
    assert low["holds"] < 0.6 < high["holds"]
    assert (low["tried"], low["held"]) == (high["tried"], high["held"])


def test_levels_that_are_not_foretold_stay_as_they_are():
    plain = outlook_of(ROWS, None)
    some = outlook_of(ROWS, told(OVERHAUL, 0.7))
    assert some["service"] == plain["service"]
    assert some["overhaul"] != plain["overhaul"]


def test_many_similar_cases_outweigh_what_is_foretold():
    rows = [(0.8, shop, SERVICE, CAME_BACK, 5, -1) for shop in range(200)]
    assert outlook_of(rows, told(SERVICE, 0.9))["service"]["holds"] < 0.1


def test_a_level_that_none_of_the_similar_took_has_what_is_foretold():
    entry = outlook_of(ROWS, told(OVERHAUL, 0.7))["overhaul"]
    assert entry["holds"] == pytest.approx(0.7, abs=0.03)
    assert entry["prior_share"] == 1
    assert entry["tried"] == 0


def test_the_grid_does_not_depend_on_the_cohorts_mean_then():
    """Only how alike cohorts are is taken from them."""
    low, high = (
        prior_grid(replace(parents(), own=own, foretold=told(SERVICE, 0.5)), SERVICE)
        for own in (None, parents().own)
    )
    np.testing.assert_array_equal(low.log_weight, high.log_weight)


def test_the_answer_says_what_was_foretold():
    entries = outlook_of(ROWS, told(OVERHAUL, 0.7))
    assert entries["overhaul"]["foretold"] == 0.7
    assert entries["service"]["foretold"] is None
    assert outlook_of(ROWS, None)["overhaul"]["foretold"] is None
