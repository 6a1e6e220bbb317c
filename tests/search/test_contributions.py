"""Leaving out one thing of a query equals searching without it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from search.core import CaseIndex
from search.core.contributions import contributions
from tests.search.strategies import DESIGN, evidence, numbered

cases = st.lists(evidence, min_size=1, max_size=8)
KEY = {"codes": "code", "symptoms": "key", "findings": "check"}


def leave_out(query, block, key):
    """The query as if that had not been said."""
    if block in KEY:
        return query | {block: [item for item in query[block] if item[KEY[block]] != key]}
    return {name: value for name, value in query.items() if name != f"{block}_{UNIT[block]}"}


UNIT = {"age": "years", "odometer": "km"}


def entered(query):
    """Everything that was said one by one, as people would list it."""
    said = {
        (block, item[KEY[block]]) for block in ("codes", "symptoms", "findings")
        for item in query.get(block, ())
    }  # fmt: skip
    return said | {
        (block, block) for block in UNIT if query.get(f"{block}_{UNIT[block]}") is not None
    }


def assert_as_searched_without(index, query):
    hits = [(hit.id, hit.similarity) for hit in index.search(query, limit=50)]
    found = contributions(index, query, hits)
    assert set(found.items) == entered(query)
    assert found.ids == tuple(id_ for id_, _ in hits)
    for row, (block, key) in enumerate(found.items):
        without = leave_out(query, block, key)
        expected = {hit.id: hit.similarity for hit in index.search(without, limit=50)}
        for column, id_ in enumerate(found.ids):
            # What has nothing in common with the rest may still have credit for its silence.
            if id_ in expected:
                assert found.without[row, column] == pytest.approx(expected[id_], abs=2e-6)


@settings(max_examples=120, deadline=None)
@given(corpus=cases, query=evidence)
def test_the_similarity_without_an_item_is_that_of_a_search_without_it(corpus, query):
    assert_as_searched_without(CaseIndex.build(numbered(corpus), design=DESIGN), query)


@settings(max_examples=60, deadline=None)
@given(built=cases, newer=cases, query=evidence, removed=st.sets(st.integers(0, 9), max_size=3))
def test_a_tail_and_removed_cases_change_nothing(built, newer, query, removed):
    index = CaseIndex.build(numbered(built), design=DESIGN).with_tail(
        numbered(newer, first=3), [f"{number:04d}" for number in removed]
    )
    assert_as_searched_without(index, query)


def test_cases_that_are_not_there_have_no_number():
    index = CaseIndex.build(numbered([{"symptoms": [{"key": "slips"}]}]), design=DESIGN)
    found = contributions(index, {"symptoms": [{"key": "slips"}]}, [("none", 0.5), ("0000", 1.0)])
    assert np.isnan(found.own[0, 0])
    assert np.isnan(found.without[0, 0])
    # All that was said: without it nothing is left to be alike in.
    assert found.own[0, 1] == pytest.approx(1.0)
    assert found.without[0, 1] == 0.0


def test_what_an_item_adds_is_its_part_of_the_similarity():
    case = {
        "symptoms": [{"key": "slips"}, {"key": "noise"}],
        "codes": [{"code": "P0741", "family": "P0740"}],
    }
    index = CaseIndex.build(numbered([case, {"codes": case["codes"]}]), design=DESIGN)
    hits = index.search(case)
    found = contributions(index, case, [(hit.id, hit.similarity) for hit in hits])
    assert found.own.sum(axis=0) == pytest.approx([hit.similarity for hit in hits])
    # The second records no symptoms: some credit for that, nothing in common.
    assert found.met[1:, 1].tolist() == [0, 0]
    assert np.all(found.own[1:, 1] > 0)


def test_what_two_codes_share_stays_when_one_is_left_out():
    kin = [{"code": "P0741", "family": "P0740"}, {"code": "P0740", "family": "P0740"}]
    index = CaseIndex.build(numbered([{"codes": kin}, {"codes": kin[:1]}]), design=DESIGN)
    assert_as_searched_without(index, {"codes": kin})
